"""Weighed loads of a vintage: MOG off, blocks known or not, shared loads kept together, disputes named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from vinemap.tables import LOADS, check_table
from vinemap.units import TONNE_KG

BELIEVABLE_FACTOR = (
    0.5,
    2.0,
)  # weighed over reading tonnes; beyond it something is wrong; no source


@dataclass(frozen=True, slots=True)
class LoadGroup:
    """Blocks tied by loads that cover several of them (mostly one block alone), and their loads.

    Parameters
    ----------
    blocks : tuple of str
    own_t : dict of str to float
        Tonnes, MOG off, of loads of that block alone.
    shared_t : dict of tuple of str to float
        Tonnes, MOG off, of loads that cover several blocks.
    machine_t : dict of str to float
        Tonnes by machine; empty unless every load names its machine.
    tickets : int
        Number of loads.
    mog_pct : float
        MOG by mass over the loads that give it [%]; NaN if none does.
    mog_given : bool
        Whether all loads give it.
    dispute : str
        Why the loads are not used, in words; "" if they are.
    """

    blocks: tuple[str, ...]
    own_t: dict[str, float]
    shared_t: dict[tuple[str, ...], float]
    machine_t: dict[str, float]
    tickets: int
    mog_pct: float
    mog_given: bool
    dispute: str = ""

    @property
    def weighed_t(self) -> float:
        """All tonnes of the group."""
        return sum(self.own_t.values()) + sum(self.shared_t.values())


@dataclass(frozen=True, slots=True)
class _Ticket:
    load_id: str
    blocks: tuple[str, ...]
    machine: str
    tonnes: float
    gross_t: float
    mog_pct: float
    note: str = field(default="")


def group_loads(
    loads: pd.DataFrame, *, vintage: int, integrated_t: Mapping[str, float]
) -> tuple[list[LoadGroup], list[str]]:
    """Group the loads of a vintage by blocks that they tie together.

    Parameters
    ----------
    loads : pandas.DataFrame
        `tables.LOADS`; other vintages are passed over.
    vintage : int
    integrated_t : mapping of block_id to float
        Tonnes that the readings add up to.

    Returns
    -------
    groups : list of LoadGroup
        Those in dispute carry the reason and are not to be used.
    notes : list of str
        What was not used and what to do about it.
    """
    table = check_table(loads, LOADS, where="loads")
    table = table[table["vintage"] == vintage]
    tickets, notes, spoiled = _read_tickets(table, set(integrated_t), vintage)
    groups = []
    for blocks in _tied_blocks([one.blocks for one in tickets]):
        group = _group(blocks, [one for one in tickets if one.blocks[0] in blocks], integrated_t, spoiled)
        groups.append(group)
        if group.dispute:
            notes.append(group.dispute)
        elif not group.mog_given:
            notes.append(
                f"Block {', '.join(blocks)}, vintage {vintage}: not all loads give MOG; none was taken off "
                "those without it, so that the yield may be a little high. Add MOG to the loads."
            )
    return groups, notes


def _read_tickets(
    table: pd.DataFrame, known: set[str], vintage: int
) -> tuple[list[_Ticket], list[str], dict[str, str]]:
    """Read the tickets: usable ones, notes on the others, blocks left incomplete by those (with the ticket)."""
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
        tonnes = net / TONNE_KG * (1.0 - share)
        tickets.append(_Ticket(str(one["load_id"]), blocks, str(one["machine"]), tonnes, net / TONNE_KG, mog))
    return tickets, notes, spoiled


def _tied_blocks(sets: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Blocks that share a load, directly or through others."""
    groups: list[set[str]] = []
    for one in sets:
        touching = [group for group in groups if group & set(one)]
        groups = [group for group in groups if not group & set(one)]
        groups.append(set(one).union(*touching))
    return sorted(tuple(sorted(group)) for group in groups)


def _group(
    blocks: tuple[str, ...],
    tickets: list[_Ticket],
    integrated_t: Mapping[str, float],
    spoiled: Mapping[str, str],
) -> LoadGroup:
    own: dict[str, float] = {}
    shared: dict[tuple[str, ...], float] = {}
    machine: dict[str, float] = {}
    for one in tickets:
        if len(one.blocks) == 1:
            own[one.blocks[0]] = own.get(one.blocks[0], 0.0) + one.tonnes
        else:
            shared[one.blocks] = shared.get(one.blocks, 0.0) + one.tonnes
        machine[one.machine] = machine.get(one.machine, 0.0) + one.tonnes
    given = [one for one in tickets if np.isfinite(one.mog_pct)]
    gross = sum(one.gross_t for one in given)
    mog = 100.0 * (1.0 - sum(one.tonnes for one in given) / gross) if given else float("nan")
    weighed = sum(one.tonnes for one in tickets)
    return LoadGroup(
        blocks=blocks,
        own_t=own,
        shared_t=shared,
        machine_t={} if "" in machine else machine,
        tickets=len(tickets),
        mog_pct=mog,
        mog_given=len(given) == len(tickets),
        dispute=_dispute(blocks, weighed, sum(integrated_t[one] for one in blocks), spoiled),
    )


def _dispute(blocks: tuple[str, ...], weighed_t: float, reading_t: float, spoiled: Mapping[str, str]) -> str:
    """Why these loads cannot be used, in words; "" if they can."""
    name = f"Block {', '.join(blocks)}"
    bad = [f"load {spoiled[one]}" for one in blocks if one in spoiled]
    if bad:
        return (
            f"{name}: {', '.join(bad)} could not be used, so the other loads ({weighed_t:.2f} t) are not the "
            "whole crop; the readings stand as they are (factor 1). Correct that load."
        )
    if not reading_t > 0:
        return f"{name}: {weighed_t:.2f} t were weighed, but no reading was kept; nothing to settle."
    ratio = weighed_t / reading_t
    if BELIEVABLE_FACTOR[0] <= ratio <= BELIEVABLE_FACTOR[1]:
        return ""
    return (
        f"{name}: loads weigh {weighed_t:.2f} t, readings add up to {reading_t:.2f} t ({ratio:.2f} times). "
        f"Outside {BELIEVABLE_FACTOR[0]:g} to {BELIEVABLE_FACTOR[1]:g} times the loads are not used and the readings "
        "stand as they are (factor 1). Look for a missing or doubled ticket, a wrong block on it, or a wrong unit "
        "of flow."
    )


def share_out(group: LoadGroup, levelled_t: Mapping[str, float]) -> dict[str, float]:
    """Weighed tonnes of each block; a shared load goes by what is left of each block's estimate.

    Parameters
    ----------
    group : LoadGroup
    levelled_t : mapping of block_id to float
        Tonnes the readings add up to, machines levelled.

    Returns
    -------
    dict of str to float

    Examples
    --------
    >>> group = LoadGroup(("A", "B"), {"A": 80.0}, {("A", "B"): 60.0}, {}, 2, 1.0, True)
    >>> {name: round(tonnes, 6) for name, tonnes in share_out(group, {"A": 100.0, "B": 40.0}).items()}
    {'A': 100.0, 'B': 40.0}
    """
    scale = group.weighed_t / max(sum(levelled_t[one] for one in group.blocks), 1e-9)
    got = {one: group.own_t.get(one, 0.0) for one in group.blocks}
    wanted = {one: levelled_t[one] * scale for one in group.blocks}
    for blocks in sorted(group.shared_t, key=len):
        left = {one: max(wanted[one] - got[one], 0.01 * wanted[one], 1e-9) for one in blocks}
        total = sum(left.values())
        for one in blocks:
            got[one] += group.shared_t[blocks] * left[one] / total
    return got
