"""Weighed loads of a vintage: MOG in and off, blocks known or not, shared loads, disputes.

Readings hold MOG as the loads do, so that the two are compared with MOG in; what is settled has it off.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from vinemap.tables import LOADS, check_table
from vinemap.units import TONNE_KG

BELIEVABLE_FACTOR = (
    0.5,
    2.0,
)  # weighed over reading tonnes; beyond it something is wrong; no source
SPLIT_ROUNDS = 60  # sweeps over the shared loads; they settle well within this


@dataclass(frozen=True, slots=True)
class Mass:
    """Mass weighed.

    Parameters
    ----------
    gross_t : float
        MOG in [t].
    grapes_t : float
        MOG off [t].

    Examples
    --------
    >>> Mass(10.0, 9.8) + Mass(1.0, 0.9).part(0.5)
    Mass(gross_t=10.5, grapes_t=10.25)
    """

    gross_t: float
    grapes_t: float

    def __add__(self, other: Mass) -> Mass:
        """Sum of two masses."""
        return Mass(self.gross_t + other.gross_t, self.grapes_t + other.grapes_t)

    def part(self, share: float) -> Mass:
        """Part of a mass."""
        return Mass(self.gross_t * share, self.grapes_t * share)


NOTHING = Mass(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class LoadGroup:
    """Blocks tied by loads that cover several of them (mostly one block alone), and their loads.

    Parameters
    ----------
    blocks : tuple of str
    own : dict of str to Mass
        Loads of that block alone.
    shared : dict of tuple of str to Mass
        Loads that cover several blocks.
    machine_t : dict of str to float
        Tonnes, MOG in, by machine; empty unless every load names its machine.
    tickets : dict of str to int
        Loads that name the block, by block.
    mog_pct : dict of str to float
        MOG by mass over the loads of the block that give it [%]; NaN if none does.
    mog_given : bool
        Whether all loads give it.
    spoiled : dict of str to str
        Blocks whose loads are not all usable, with the ticket that is not.
    """

    blocks: tuple[str, ...]
    own: dict[str, Mass]
    shared: dict[tuple[str, ...], Mass]
    machine_t: dict[str, float]
    tickets: dict[str, int]
    mog_pct: dict[str, float]
    mog_given: bool
    spoiled: dict[str, str]

    @property
    def gross_t(self) -> float:
        """All tonnes of the group, MOG in."""
        return sum(one.gross_t for one in [*self.own.values(), *self.shared.values()])


@dataclass(frozen=True, slots=True)
class _Ticket:
    load_id: str
    blocks: tuple[str, ...]
    machine: str
    mass: Mass
    mog_pct: float
    note: str = field(default="")


def group_loads(
    loads: pd.DataFrame, *, vintage: int, blocks: Collection[str]
) -> tuple[list[LoadGroup], list[str]]:
    """Group the loads of a vintage by blocks that they tie together.

    Parameters
    ----------
    loads : pandas.DataFrame
        `tables.LOADS`; other vintages are passed over.
    vintage : int
    blocks : collection of str
        Blocks with readings.

    Returns
    -------
    groups : list of LoadGroup
    notes : list of str
        Loads that were not used, MOG that was not given, and what to do about it.
    """
    if loads.empty:
        return [], []
    table = check_table(loads, LOADS, where="loads")
    table = table[table["vintage"] == vintage]
    tickets, notes, spoiled = _read_tickets(table, set(blocks), vintage)
    groups = []
    for tied in _tied_blocks([one.blocks for one in tickets]):
        group = _group(tied, [one for one in tickets if one.blocks[0] in tied], spoiled)
        groups.append(group)
        if not group.mog_given:
            notes.append(
                f"Block {', '.join(tied)}, vintage {vintage}: not all loads give MOG; none was taken off "
                "those without it, so that the yield may be a little high. Add MOG to the loads."
            )
    return groups, notes


def _read_tickets(
    table: pd.DataFrame, known: set[str], vintage: int
) -> tuple[list[_Ticket], list[str], dict[str, str]]:
    """Read tickets: usable ones, notes on the others, blocks left incomplete by those (with the ticket)."""
    tickets: list[_Ticket] = []
    notes: list[str] = []
    spoiled: dict[str, str] = {}
    for one in table.to_dict("records"):
        blocks = tuple(
            dict.fromkeys(part.strip() for part in str(one["block_id"]).split(";") if part.strip())
        )
        unknown = [block for block in blocks if block not in known]
        net = float(one["net_kg"])
        where = f"Load {one['load_id']} of vintage {vintage}"
        if unknown or not blocks:
            notes.append(
                f"{where} ({net / TONNE_KG:.2f} t) names block {', '.join(unknown) or 'none'}, which has no "
                "readings or is not known; the load was not used. Correct the block in the loads, or add its "
                "readings."
            )
            spoiled |= {block: str(one["load_id"]) for block in blocks if block in known}
            continue
        if not net > 0:
            notes.append(
                f"{where} weighs {net:.0f} kg net; it was not used. Correct the weight in the loads."
            )
            spoiled |= {block: str(one["load_id"]) for block in blocks}
            continue
        mog = float(one["mog_pct"])
        share = mog / 100.0 if np.isfinite(mog) else 0.0
        mass = Mass(net / TONNE_KG, net / TONNE_KG * (1.0 - share))
        tickets.append(_Ticket(str(one["load_id"]), blocks, str(one["machine"]), mass, mog))
    return tickets, notes, spoiled


def _tied_blocks(sets: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Blocks that share a load, directly or through others."""
    groups: list[set[str]] = []
    for one in sets:
        touching = [group for group in groups if group & set(one)]
        groups = [group for group in groups if not group & set(one)]
        groups.append(set(one).union(*touching))
    return sorted(tuple(sorted(group)) for group in groups)


def _group(blocks: tuple[str, ...], tickets: list[_Ticket], spoiled: Mapping[str, str]) -> LoadGroup:
    own: dict[str, Mass] = {}
    shared: dict[tuple[str, ...], Mass] = {}
    machine: dict[str, float] = {}
    for one in tickets:
        if len(one.blocks) == 1:
            own[one.blocks[0]] = own.get(one.blocks[0], NOTHING) + one.mass
        else:
            shared[one.blocks] = shared.get(one.blocks, NOTHING) + one.mass
        machine[one.machine] = machine.get(one.machine, 0.0) + one.mass.gross_t
    return LoadGroup(
        blocks=blocks,
        own=own,
        shared=shared,
        machine_t={} if "" in machine else machine,
        tickets={block: sum(block in one.blocks for one in tickets) for block in blocks},
        mog_pct={block: _mean_mog(tickets, block) for block in blocks},
        mog_given=all(np.isfinite(one.mog_pct) for one in tickets),
        spoiled={block: spoiled[block] for block in blocks if block in spoiled},
    )


def _mean_mog(tickets: list[_Ticket], block: str) -> float:
    """MOG by mass over the loads of a block that give it, its own before shared ones [%]."""
    given = [one for one in tickets if block in one.blocks and np.isfinite(one.mog_pct)]
    alone = [one for one in given if len(one.blocks) == 1] or given
    gross = sum(one.mass.gross_t for one in alone)
    return 100.0 * (1.0 - sum(one.mass.grapes_t for one in alone) / gross) if alone else float("nan")


def share_out(group: LoadGroup, reading_t: Mapping[str, float]) -> dict[str, Mass]:
    """Weighed mass of each block; a shared load goes by what is left of each block's estimate.

    Parameters
    ----------
    group : LoadGroup
    reading_t : mapping of block_id to float
        Tonnes the readings add up to, MOG in.

    Returns
    -------
    dict of str to Mass

    Examples
    --------
    >>> own, both = {"A": Mass(80.0, 79.0)}, {("A", "B"): Mass(60.0, 59.0)}
    >>> group = LoadGroup(("A", "B"), own, both, {}, {"A": 2, "B": 1}, {}, True, {})
    >>> {name: round(mass.gross_t, 6) for name, mass in share_out(group, {"A": 100.0, "B": 40.0}).items()}
    {'A': 100.0, 'B': 40.0}
    """
    scale = group.gross_t / max(sum(reading_t[one] for one in group.blocks), 1e-9)
    scale = 1.0 if group.spoiled else scale
    wanted = {one: max(reading_t[one] * scale, 1e-9) for one in group.blocks}
    parts = _split(group, wanted)
    got = {one: group.own.get(one, NOTHING) for one in group.blocks}
    for (blocks, block), tonnes in parts.items():
        total = group.shared[blocks]
        got[block] = got[block] + total.part(tonnes / total.gross_t)
    return got


def _split(group: LoadGroup, wanted: Mapping[str, float]) -> dict[tuple[tuple[str, ...], str], float]:
    """Split shared loads so that blocks come nearest to what is wanted, in shares of it; load after load."""
    parts = {
        (blocks, one): mass.gross_t / len(blocks) for blocks, mass in group.shared.items() for one in blocks
    }
    sums = {one: group.own[one].gross_t if one in group.own else 0.0 for one in group.blocks}
    for (_, one), tonnes in parts.items():
        sums[one] += tonnes
    for _ in range(SPLIT_ROUNDS):
        for blocks, mass in group.shared.items():
            left = np.array([wanted[one] - sums[one] + parts[blocks, one] for one in blocks])
            weight = np.array([wanted[one] ** 2 for one in blocks])
            fair = left + weight * (mass.gross_t - left.sum()) / weight.sum()
            fair = np.maximum(fair, 0.01 * mass.gross_t)
            fair *= mass.gross_t / fair.sum()
            for one, tonnes in zip(blocks, fair, strict=True):
                sums[one] += tonnes - parts[blocks, one]
                parts[blocks, one] = float(tonnes)
    return parts


def dispute_of(group: LoadGroup, block: str, weighed_t: float, reading_t: float) -> str:
    """Say in words why the loads of a block cannot be used; "" if they can.

    Parameters
    ----------
    group : LoadGroup
    block : str
    weighed_t, reading_t : float
        Its tonnes weighed and by readings, MOG in.

    Examples
    --------
    >>> group = LoadGroup(("A",), {"A": Mass(80.0, 79.0)}, {}, {}, {"A": 1}, {}, True, {})
    >>> dispute_of(group, "A", 80.0, 78.0)
    ''
    """
    if block in group.spoiled:
        return (
            f"Block {block}: load {group.spoiled[block]} could not be used, so the other loads "
            f"({weighed_t:.2f} t) are not its whole crop; the readings stand as they are (factor 1). "
            "Correct that load."
        )
    if not reading_t > 0:
        return f"Block {block}: {weighed_t:.2f} t weighed, but no reading was kept; nothing to settle."
    ratio = weighed_t / reading_t
    if BELIEVABLE_FACTOR[0] <= ratio <= BELIEVABLE_FACTOR[1]:
        return ""
    return (
        f"Block {block}: loads weigh {weighed_t:.2f} t, readings {reading_t:.2f} t ({ratio:.2f} times). "
        f"Beyond {BELIEVABLE_FACTOR[0]:g} to {BELIEVABLE_FACTOR[1]:g} times loads are not used; the "
        "readings stand (factor 1). Look for a missing or doubled ticket, a wrong block on it, or "
        "a wrong unit of flow."
    )
