"""Weighed loads of a vintage: MOG in and off, blocks known or not, shared loads, disputes.

Readings hold MOG as the loads do, so that the two are compared with MOG in; what is settled has it off.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from vinemap.harvest.tickets import (
    NOTHING,
    Mass,
    Ticket,
    bounded_share,
    count_blocks,
    count_loads,
    describe_unused,
    explain_names,
    name_tickets,
    read_tickets,
)
from vinemap.tables import LOADS, check_table

BELIEVABLE_FACTOR = (0.5, 2.0)  # weighed over reading tonnes; beyond it something is wrong; no source
SPLIT_ROUNDS = 60  # sweeps over the shared loads; they settle well within this


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
    vague : dict of str to tuple of Ticket
        By block, loads that hold some of its crop, from nothing to all of it: they name a block without
        readings too, or have no weight. They are in none of the sums.
    """

    blocks: tuple[str, ...]
    own: dict[str, Mass]
    shared: dict[tuple[str, ...], Mass]
    machine_t: dict[str, float]
    tickets: dict[str, int]
    mog_pct: dict[str, float]
    mog_given: bool
    vague: dict[str, tuple[Ticket, ...]] = field(default_factory=dict)

    @property
    def gross_t(self) -> float:
        """All tonnes of the group, MOG in."""
        return sum(one.gross_t for one in [*self.own.values(), *self.shared.values()])


def group_loads(
    loads: pd.DataFrame,
    *,
    vintage: int,
    blocks: Collection[str],
    known_blocks: Collection[str] | None = None,
) -> tuple[list[LoadGroup], list[str]]:
    """Group the loads of a vintage by blocks that they tie together.

    Parameters
    ----------
    loads : pandas.DataFrame
        `tables.LOADS`; other vintages are passed over.
    vintage : int
    blocks : collection of str
        Blocks with readings.
    known_blocks : collection of str, optional
        All blocks of the estate, so that notes can tell a mistyped block from one without readings.

    Returns
    -------
    groups : list of LoadGroup
    notes : list of str
        Loads that were not used, MOG that was not given, and what to do about it.
    """
    if loads.empty:
        return [], []
    table = check_table(loads, LOADS, where="loads")
    tickets = read_tickets(table[table["vintage"] == vintage], blocks=blocks)
    notes = describe_unused(tickets, vintage=vintage, known_blocks=known_blocks)
    used = [one for one in tickets if one.blocks and one.mass.gross_t > 0]
    groups = [
        _group(tied, [one for one in used if one.blocks[0] in tied])
        for tied in _tied_blocks([one.blocks for one in used])
    ]
    without = [block for one in groups if not one.mog_given for block in one.blocks]
    if without:
        notes.append(
            f"Vintage {vintage}, {count_blocks(without)}: not all loads give MOG; none was taken off "
            "those without it, so that the yield may be a little high. Add MOG to the loads."
        )
    return groups, notes


def _tied_blocks(sets: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Blocks that share a load, directly or through others."""
    groups: list[set[str]] = []
    for one in sets:
        touching = [group for group in groups if group & set(one)]
        groups = [group for group in groups if not group & set(one)]
        groups.append(set(one).union(*touching))
    return sorted(tuple(sorted(group)) for group in groups)


def _group(blocks: tuple[str, ...], tickets: list[Ticket]) -> LoadGroup:
    """Sum up the loads of blocks that are tied together."""
    own: dict[str, Mass] = {}
    shared: dict[tuple[str, ...], Mass] = {}
    machine: dict[str, float] = {}
    whole = [one for one in tickets if one.whole]
    for one in whole:
        if len(one.blocks) == 1:
            own[one.blocks[0]] = own.get(one.blocks[0], NOTHING) + one.mass
        else:
            shared[one.blocks] = shared.get(one.blocks, NOTHING) + one.mass
        machine[one.machine] = machine.get(one.machine, 0.0) + one.mass.gross_t
    vague = {block: [one for one in tickets if block in one.blocks and not one.whole] for block in blocks}
    return LoadGroup(
        blocks=blocks,
        own=own,
        shared=shared,
        machine_t={} if "" in machine or len(whole) < len(tickets) else machine,
        tickets={block: sum(block in one.blocks for one in tickets) for block in blocks},
        mog_pct={block: _mean_mog(tickets, block) for block in blocks},
        mog_given=all(np.isfinite(one.mog_pct) for one in tickets),
        vague={block: tuple(found) for block, found in vague.items() if found},
    )


def _mean_mog(tickets: list[Ticket], block: str) -> float:
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
    >>> group = LoadGroup(("A", "B"), own, both, {}, {"A": 2, "B": 1}, {}, True)
    >>> {name: round(mass.gross_t, 6) for name, mass in share_out(group, {"A": 100.0, "B": 40.0}).items()}
    {'A': 100.0, 'B': 40.0}
    """
    scale = group.gross_t / max(sum(reading_t[one] for one in group.blocks), 1e-9)
    scale = 1.0 if group.vague else scale  # part of the crop is in the vague loads
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


@dataclass(frozen=True, slots=True)
class VagueShare:
    """What a block brought in loads of which only a bound is known.

    Parameters
    ----------
    mass : Mass
    error_t : float
        Standard error [t].
    most_t : float
        Bound [t].
    """

    mass: Mass
    error_t: float
    most_t: float


def share_vague(
    group: LoadGroup, block: str, certain_t: float, reading_t: float, log_se: float
) -> VagueShare:
    """Estimate what a block brought in its vague loads: by its readings, within the bounds.

    Parameters
    ----------
    group : LoadGroup
    block : str
    certain_t : float
        What it surely brought, MOG in [t].
    reading_t : float
        What its readings say it bore, machines levelled, MOG in [t].
    log_se : float
        Standard error of the log of that.

    Returns
    -------
    VagueShare

    Examples
    --------
    A load of 10 t of A and of another block; 92 t weighed for A alone, and 96 t by its readings.

    >>> load = Ticket("T1", ("A",), ("X",), "", Mass(10.0, 10.0), 0.0)
    >>> group = LoadGroup(("A",), {}, {}, {}, {"A": 1}, {}, True, {"A": (load,)})
    >>> share = share_vague(group, "A", 92.0, 96.0, 0.05)
    >>> f"{share.mass.gross_t:.1f} t, standard error {share.error_t:.1f} t"
    '4.7 t, standard error 2.7 t'
    """
    loads = group.vague.get(block, ())
    total = Mass(sum(one.mass.gross_t for one in loads), sum(one.mass.grapes_t for one in loads))
    if not total.gross_t > 0:
        return VagueShare(NOTHING, 0.0, 0.0)
    expected = reading_t - certain_t
    mean, error = bounded_share(expected, log_se * reading_t, total.gross_t)
    return VagueShare(total.part(mean / total.gross_t), error, total.gross_t)


def describe_vague(
    group: LoadGroup, block: str, share: VagueShare, *, vintage: int, known_blocks: Collection[str] | None
) -> str:
    """Say in words how vague loads were shared out.

    Parameters
    ----------
    group : LoadGroup
    block : str
        A block with vague loads.
    share : VagueShare
        As `share_vague` gives it for the block.
    vintage : int
        [year]
    known_blocks : collection of str or None
        Blocks of the estate; None if not told.

    Returns
    -------
    str
    """
    loads = group.vague[block]
    others = tuple(dict.fromkeys(name for one in loads for name in one.others))
    names, has = ("names", "has") if len(loads) == 1 else ("name", "have")
    why = f"{has} no weight"
    if others:
        why = f"also {names} {count_blocks(others)}, which {explain_names(others, known_blocks)[0]}"
    return (
        f"Block {block}, vintage {vintage}: {count_loads(loads)} ({name_tickets(loads)}) {why}. "
        f"Between 0 and {share.most_t:.2f} t of this can be of block {block}; by its readings "
        f"{share.mass.gross_t:.2f} t (standard error {share.error_t:.2f} t) were counted, "
        "and the factor carries that uncertainty."
    )


def dispute_of(block: str, weighed_t: float, reading_t: float) -> str:
    """Say in words why the loads of a block cannot be used; "" if they can.

    Parameters
    ----------
    block : str
    weighed_t, reading_t : float
        Its tonnes weighed and by readings, MOG in [t].

    Returns
    -------
    str

    Examples
    --------
    >>> dispute_of("A", 80.0, 78.0)
    ''
    """
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
