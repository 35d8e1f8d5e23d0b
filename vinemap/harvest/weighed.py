"""Weighed loads alone -> yield of whole blocks, for vintages without readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from vinemap.errors import DataError
from vinemap.harvest.settle import MOG_LOG_SD, NO_MOG_LOG_SD, TICKET_LOG_SD, WEIGHING_LOG_SD
from vinemap.harvest.tickets import NOTHING, Mass, Ticket, bounded_share, read_tickets
from vinemap.tables import LOADS, check_table

BLOCK_LOG_SD = 0.35  # spread of yields [t/ha] between blocks of a vintage; common practice, no source
COLUMNS = ("block_id", "vintage", "yield_t_ha", "yield_se_t_ha")


def block_yields_from_loads(loads: pd.DataFrame, blocks: pd.DataFrame) -> pd.DataFrame:
    """Give the yield of whole blocks by their weighed loads, MOG off.

    A load over several blocks is shared out by what each can be expected to have brought in it, with the
    uncertainty of that; a load without a weight counts as up to the heaviest of its vintage.

    Parameters
    ----------
    loads : pandas.DataFrame
        `tables.LOADS`, all vintages; may be empty.
    blocks : pandas.DataFrame
        block_id and area_ha; blocks of loads that are not among them are passed over.

    Returns
    -------
    pandas.DataFrame
        block_id, vintage, yield_t_ha and yield_se_t_ha, one line for each block and vintage with loads; also
        loads (tickets that name the block).

    Raises
    ------
    DataError
        If an area is not positive.

    Examples
    --------
    >>> blocks = pd.DataFrame({"block_id": ["A", "B"], "area_ha": [2.0, 1.0]})
    >>> loads = pd.DataFrame({"load_id": ["1", "2"], "vintage": 2026, "block_id": ["A", "A;B"],
    ...     "net_kg": [20_000.0, 10_000.0], "mog_pct": 0.0, "import_id": 1})
    >>> block_yields_from_loads(loads, blocks)[["block_id", "yield_t_ha", "yield_se_t_ha"]].round(1)
      block_id  yield_t_ha  yield_se_t_ha
    0        A        11.2            0.9
    1        B         7.5            1.9
    """
    area = {str(name): float(ha) for name, ha in zip(blocks["block_id"], blocks["area_ha"], strict=True)}
    wrong = [name for name, ha in area.items() if not ha > 0]
    if wrong:
        raise DataError(
            f"Block {wrong[0]} has an area of {area[wrong[0]]} ha.", remedy="Give the area of every block."
        )
    if loads.empty:
        return _frame([])
    table = check_table(loads, LOADS, where="loads")
    lines: list[tuple[str, int, float, float, int]] = []
    for vintage, part in table.groupby("vintage", sort=True):
        lines += _sum_up(read_tickets(part, blocks=area), area, int(str(vintage)))
    return _frame(lines)


def _frame(lines: Sequence[tuple[str, int, float, float, int]]) -> pd.DataFrame:
    """Table of block yields, sorted, with its types where it is empty too."""
    frame = pd.DataFrame(lines, columns=[*COLUMNS, "loads"])
    kinds = {"vintage": "int64", "yield_t_ha": "float64", "yield_se_t_ha": "float64", "loads": "int64"}
    return frame.astype(kinds).sort_values(["block_id", "vintage"], ignore_index=True)


def _sum_up(
    tickets: Sequence[Ticket], area: Mapping[str, float], vintage: int
) -> list[tuple[str, int, float, float, int]]:
    """Give one line for each block that the tickets name."""
    named = sorted({name for one in tickets for name in one.blocks})
    certain = dict.fromkeys(named, NOTHING)
    for one in tickets:
        if one.whole and len(one.blocks) == 1:
            certain[one.blocks[0]] += one.mass
    usual = _usual_yield(tickets, area, named)
    total, variance = dict(certain), dict.fromkeys(named, 0.0)
    for one in tickets:
        if one.whole and len(one.blocks) == 1:
            continue
        for name, (share, error) in _share(one, certain, area, usual).items():
            total[name] += one.mass.part(share)
            variance[name] += (error * one.mass.gross_t) ** 2
    lines = []
    for name in named:
        mass, own = total[name], [one for one in tickets if name in one.blocks]
        if not mass.grapes_t > 0:
            continue
        given = all(np.isfinite(one.mog_pct) for one in own)
        parts = (WEIGHING_LOG_SD, TICKET_LOG_SD / np.sqrt(len(own)), MOG_LOG_SD if given else NO_MOG_LOG_SD)
        relative = float(np.sqrt(np.sum(np.square(parts)) + variance[name] / mass.gross_t**2))
        value = mass.grapes_t / area[name]
        lines.append((name, vintage, value, relative * value, len(own)))
    return lines


def _usual_yield(tickets: Sequence[Ticket], area: Mapping[str, float], named: Sequence[str]) -> float:
    """Yield of all blocks named together, MOG in [t/ha]."""
    tonnes = sum(one.mass.gross_t for one in tickets if one.weighed and one.blocks)
    return float(tonnes / max(sum(area[name] for name in named), 1e-9))


def _share(
    one: Ticket, certain: Mapping[str, Mass], area: Mapping[str, float], usual_t_ha: float
) -> dict[str, tuple[float, float]]:
    """Share of a load that each of its blocks brought, with its standard error, both between 0 and 1."""
    tonnes = max(one.mass.gross_t, 1e-9)
    wanted = {name: usual_t_ha * area[name] for name in one.blocks}
    left = {name: wanted[name] - certain[name].gross_t for name in one.blocks}
    error = {name: max(BLOCK_LOG_SD * wanted[name], 1e-9) for name in one.blocks}
    found = {}
    for name in one.blocks:
        expected, spread = left[name], error[name]
        if one.whole:
            # What this block did not bring, the others did: both say something of its share.
            rest = tonnes - sum(left[other] for other in one.blocks if other != name)
            doubt = float(np.sqrt(sum(error[other] ** 2 for other in one.blocks if other != name)))
            pull = 1.0 / spread**2 + 1.0 / doubt**2
            expected = (expected / spread**2 + rest / doubt**2) / pull
            spread = pull**-0.5
        mean, deviation = bounded_share(expected, spread, tonnes)
        found[name] = (mean / tonnes, deviation / tonnes)
    scale = sum(mean for mean, _ in found.values()) if one.whole else 1.0
    return {name: (mean / max(scale, 1e-9), deviation) for name, (mean, deviation) in found.items()}
