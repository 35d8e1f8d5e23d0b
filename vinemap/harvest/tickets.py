"""Weighed tickets of a vintage: which can be used, for which blocks, and what to say of the others.

One note for each block, not for each ticket: a vintage can hold hundreds of them.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from vinemap.units import TONNE_KG

TICKETS_NAMED = 3  # ticket numbers quoted in a note; the rest is easily looked up
BEYOND = 6.0  # standard errors outside the bounds from which the nearer bound itself is taken
NODES = 801  # of the trapezoidal rule for a bounded share: good for four digits


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
        """Give a part of a mass.

        Parameters
        ----------
        share : float
            0 to 1.

        Returns
        -------
        Mass
        """
        return Mass(self.gross_t * share, self.grapes_t * share)


NOTHING = Mass(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Ticket:
    """One weighed load.

    Parameters
    ----------
    load_id : str
    blocks : tuple of str
        Blocks that it names and that have readings.
    others : tuple of str
        Blocks that it names without readings, known or not.
    machine : str
    mass : Mass
        As weighed; where `weighed` is False, the most it can be.
    mog_pct : float
        [%]; NaN if not given.
    weighed : bool
    """

    load_id: str
    blocks: tuple[str, ...]
    others: tuple[str, ...]
    machine: str
    mass: Mass
    mog_pct: float
    weighed: bool = True

    @property
    def whole(self) -> bool:
        """Whether the load is of blocks with readings alone, and its weight is known."""
        return self.weighed and not self.others


def read_tickets(table: pd.DataFrame, *, blocks: Collection[str]) -> list[Ticket]:
    """Read the tickets of a vintage that name a block.

    Parameters
    ----------
    table : pandas.DataFrame
        `tables.LOADS` of one vintage.
    blocks : collection of str
        Blocks with readings.

    Returns
    -------
    list of Ticket
        A ticket without a weight above nought is given the heaviest one of the vintage, as a bound.
    """
    nets = table["net_kg"].astype(float)
    heaviest = float(nets.max()) if (nets > 0).any() else 0.0
    out = []
    for one in table.to_dict("records"):
        named = split_names(one["block_id"])
        net, mog = float(one["net_kg"]), float(one["mog_pct"])
        weighed = net > 0
        tonnes = (net if weighed else heaviest) / TONNE_KG
        grapes = tonnes * (1.0 - mog / 100.0) if np.isfinite(mog) else tonnes
        out.append(
            Ticket(
                load_id=str(one["load_id"]),
                blocks=tuple(name for name in named if name in blocks),
                others=tuple(name for name in named if name not in blocks),
                machine=str(one["machine"]),
                mass=Mass(tonnes, grapes),
                mog_pct=mog,
                weighed=weighed,
            )
        )
    return out


def split_names(named: object) -> tuple[str, ...]:
    """Split what a ticket names into blocks, in order, each once.

    Parameters
    ----------
    named : object
        Column block_id of `tables.LOADS`: ids with a semicolon between them.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> split_names(" B02; B10;B02")
    ('B02', 'B10')
    """
    return tuple(dict.fromkeys(part.strip() for part in str(named).split(";") if part.strip()))


def describe_unused(
    tickets: Sequence[Ticket], *, vintage: int, known_blocks: Collection[str] | None
) -> list[str]:
    """Say in words which tickets do not serve to settle, one note for each set of blocks.

    Parameters
    ----------
    tickets : sequence of Ticket
        All of the vintage.
    vintage : int
    known_blocks : collection of str or None
        Blocks of the estate; None if not told.

    Returns
    -------
    list of str
    """
    unseen: dict[tuple[str, ...], list[Ticket]] = {}
    for one in tickets:
        if one.weighed and not one.blocks:
            unseen.setdefault(one.others, []).append(one)
    notes = [_describe_unseen(names, unseen[names], vintage, known_blocks) for names in sorted(unseen)]
    light = [one for one in tickets if not one.weighed]
    if light:
        notes.append(
            f"{count_loads(light)} of vintage {vintage} ({name_tickets(light)}) without a net weight above "
            "0 kg; of each is known only that it was no heavier than the heaviest of the vintage. Correct "
            "the weights in the loads."
        )
    return notes


def _describe_unseen(
    names: tuple[str, ...], loads: Sequence[Ticket], vintage: int, known_blocks: Collection[str] | None
) -> str:
    tonnes = sum(one.mass.gross_t for one in loads)
    verb = "names" if len(loads) == 1 else "name"
    start = f"{count_loads(loads)} of vintage {vintage} ({tonnes:.1f} t; {name_tickets(loads)})"
    if not names:
        return f"{start} {verb} no block; not used for settling. Add the block in the loads."
    why, remedy = explain_names(names, known_blocks)
    return f"{start} {verb} {count_blocks(names)}, which {why}; not used for settling. {remedy}"


def explain_names(names: Sequence[str], known_blocks: Collection[str] | None) -> tuple[str, str]:
    """Say why blocks without readings have none, and what to do.

    Parameters
    ----------
    names : sequence of str
        Blocks without readings, at least one.
    known_blocks : collection of str or None
        Blocks of the estate; None if not told.

    Returns
    -------
    why, remedy : str
        The first goes on after "block A, which", the second is a sentence.

    Examples
    --------
    >>> explain_names(["Nowhere"], ["B01"])[0]
    'is not a block of the estate'
    >>> explain_names(["B10"], ["B01", "B10"])[0]
    'has no readings that vintage'
    """
    has, is_ = ("has", "is not a block") if len(names) == 1 else ("have", "are not blocks")
    strange = [] if known_blocks is None else [one for one in names if one not in known_blocks]
    if known_blocks is None:
        return f"{has} no readings that vintage, or {is_} of the estate", (
            "Correct the block in the loads, or add its readings."
        )
    if len(strange) == len(names):
        return f"{is_} of the estate", "Correct the block in the loads, or add it to the blocks."
    if strange:
        return f"{has} no readings that vintage ({', '.join(strange)}: not known at all)", (
            "Correct the block in the loads, or add its readings."
        )
    return f"{has} no readings that vintage", "Add the readings if there are any."


def count_loads(loads: Sequence[Ticket]) -> str:
    """Give "1 load" or "19 loads".

    Parameters
    ----------
    loads : sequence of Ticket

    Returns
    -------
    str
    """
    return f"{len(loads)} load{'' if len(loads) == 1 else 's'}"


def count_blocks(names: Sequence[str]) -> str:
    """Give "block B1" or "blocks B1 and B2".

    Parameters
    ----------
    names : sequence of str
        At least one.

    Returns
    -------
    str
    """
    if len(names) == 1:
        return f"block {names[0]}"
    return f"blocks {', '.join(names[:-1])} and {names[-1]}"


def name_tickets(loads: Sequence[Ticket]) -> str:
    """Quote the first ticket numbers.

    Parameters
    ----------
    loads : sequence of Ticket

    Returns
    -------
    str

    Examples
    --------
    >>> load = Ticket("T1", ("A",), (), "", NOTHING, 0.0)
    >>> name_tickets([load]), name_tickets([load] * 5)
    ('ticket T1', 'tickets T1, T1, T1 and 2 more')
    """
    first = ", ".join(one.load_id for one in loads[:TICKETS_NAMED])
    more = len(loads) - TICKETS_NAMED
    return f"ticket{'' if len(loads) == 1 else 's'} {first}" + (f" and {more} more" if more > 0 else "")


def bounded_share(expected: float, error: float, most: float) -> tuple[float, float]:
    """Mean and standard deviation of a normal share that is known to lie between nought and `most`.

    Parameters
    ----------
    expected, error : float
        Of the share before the bounds [t]; an error far above `most` makes any share as likely.
    most : float
        [t]

    Returns
    -------
    mean, standard_deviation : float
        [t]

    Examples
    --------
    >>> mean, deviation = bounded_share(3.0, 1e6, 12.0)
    >>> round(mean, 3), round(deviation, 3)  # as of a uniform law: 12 / sqrt(12)
    (6.0, 3.464)
    """
    if not (most > 0 and error > 0):
        return min(max(expected, 0.0), max(most, 0.0)), 0.0
    low, high = max(0.0, expected - BEYOND * error), min(most, expected + BEYOND * error)
    if low >= high:
        return (most if expected > most else 0.0), min(error, most / float(np.sqrt(12.0)))
    at = np.linspace(low, high, NODES)
    exponent = -0.5 * ((at - expected) / error) ** 2
    weight = np.exp(exponent - exponent.max())
    weight[[0, -1]] /= 2.0
    mean = float((weight * at).sum() / weight.sum())
    return mean, float(np.sqrt((weight * (at - mean) ** 2).sum() / weight.sum()))
