"""Clean yield -> settled yield: machines levelled, totals brought to net weighed tonnes with MOG off."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.errors import DataError
from vinemap.harvest.loads import (
    LoadGroup,
    describe_vague,
    dispute_of,
    group_loads,
    share_out,
    share_vague,
)
from vinemap.harvest.machines import LOAD_LOG_SD, PRIOR_LOG_SD, WeighedGroup, solve_machines
from vinemap.harvest.tickets import NOTHING, Mass
from vinemap.tables import SETTLEMENT, check_table

WEIGHING_LOG_SD = 0.005  # of a weighbridge total: half a percent; common practice, no source
TICKET_LOG_SD = 0.02  # of one ticket (last block still in the bin), falls with their number; no source
MOG_LOG_SD = 0.003  # of MOG where it is given; common practice, no source
NO_MOG_LOG_SD = 0.01  # about 1 % is a low MOG by mass (handbook section 8) [S]
SHARED_LOG_SD = 0.20  # of a block's part of a load over several blocks; recovered truth
WIDE_LOG_SD = 1.0  # before machines are levelled readings tell next to nothing of a total
MOST_VAGUE = 0.10  # of a block's total: with vaguer loads it tells nothing of the machines' bias; no source
ODD_FACTOR = 0.20  # log distance from the median factor from which a block is pointed out; no source
THIN_COVERAGE = 0.80  # share of row length; below it the total rests on filled rows; no source
BLOCKS_NAMED = 40  # in one note; a note that names thousands is read by nobody, and stands on every sheet


@dataclass(frozen=True, slots=True)
class Settlement:
    """How readings of one vintage become settled yield.

    Parameters
    ----------
    blocks : pandas.DataFrame
        `tables.SETTLEMENT`, one line for each block; also `loads` (tickets used).
    machines : pandas.DataFrame
        machine, log_bias, log_bias_se: reading = mass picked (MOG in) x exp(log_bias).
    notes : list of str
        What was not used, or is doubtful, with the numbers and what to do.
    """

    blocks: pd.DataFrame
    machines: pd.DataFrame
    notes: list[str] = field(default_factory=list)


def settle_vintage(
    row_summary: pd.DataFrame,
    loads: pd.DataFrame,
    *,
    vintage: int,
    known_blocks: Collection[str] | None = None,
) -> Settlement:
    """Settle all blocks of a vintage: level the machines, then bring totals to the weighed loads.

    Parameters
    ----------
    row_summary : pandas.DataFrame
        `summarise_rows` of all blocks of the vintage, one below the other.
    loads : pandas.DataFrame
        `tables.LOADS`; other vintages are passed over; may be empty.
    vintage : int
        Vintage [year].
    known_blocks : collection of str, optional
        All blocks of the estate, so that notes can tell a mistyped block from one without readings.

    Returns
    -------
    Settlement
        Without loads a block keeps factor 1, with the uncertainty of its machines and of a block in
        `factor_se`. `integrated_t` covers the whole block: rows without kept readings get its row mean.

    Raises
    ------
    DataError
        If there are no rows at all.
    """
    if row_summary.empty:
        raise DataError(
            f"Vintage {vintage} has no rows to settle.", remedy="Run summarise_rows for its blocks first."
        )
    parts = _integrate(row_summary)
    raw = {block: float(sum(by.values())) for block, by in parts.items()}
    groups, notes = group_loads(loads, vintage=vintage, blocks=raw, known_blocks=known_blocks)
    machines = solve_machines(row_summary, [two for one in groups for two in _weigh(one, parts, raw)])
    bias = dict(zip(machines["machine"], machines["log_bias"], strict=True))
    levelled = {
        block: float(sum(t * np.exp(-bias[name]) for name, t in by.items())) for block, by in parts.items()
    }
    errors = _machine_errors(parts, machines)
    blocks, said = _audit(row_summary, groups, raw, levelled, errors, vintage, known_blocks)
    blocks = check_table(_fill_errors(blocks, errors), SETTLEMENT, where="settlement")
    return Settlement(blocks, machines, notes + said + _remarks(blocks, vintage))


def _integrate(row_summary: pd.DataFrame) -> dict[str, dict[str, float]]:
    """Tonnes by block and machine, rows without readings filled by the block's row mean."""
    table = row_summary.copy()
    has = (table["readings"] > 0) & table["yield_t_ha"].notna()
    table["ground"] = np.where(has, table["covered_m"].clip(lower=1e-6), 0.0)
    row_ground = table.groupby(["block_id", "row_no"])["ground"].transform("sum")
    with np.errstate(invalid="ignore"):
        share = np.where(row_ground > 0, table["ground"] / row_ground, 0.0)
    table["tonnes"] = np.where(has, table["yield_t_ha"] * table["area_ha"] * share, 0.0)
    table["seen_ha"] = table["area_ha"] * share
    out: dict[str, dict[str, float]] = {}
    for block, part in table.groupby("block_id", sort=True):
        first = part.drop_duplicates("row_no")
        seen = float(part["seen_ha"].sum())
        fill = float(first["area_ha"].sum()) / seen if seen > 0 else 0.0
        tonnes = part[part["tonnes"] > 0].groupby("machine")["tonnes"].sum() * fill
        out[str(block)] = {str(name): float(value) for name, value in tonnes.items()}
    return out


def _weigh(
    group: LoadGroup, parts: Mapping[str, Mapping[str, float]], raw: Mapping[str, float]
) -> list[WeighedGroup]:
    """Give the equations for machines: by machine where all loads name it, else by block without disputes."""
    shares = share_out(group, raw)
    vague = {one: share_vague(group, one, shares[one].gross_t, raw[one], WIDE_LOG_SD) for one in group.blocks}
    weighed = {one: shares[one].gross_t + vague[one].mass.gross_t for one in group.blocks}
    sound = [one for one in group.blocks if not dispute_of(one, weighed[one], raw[one])]
    sound = [one for one in sound if vague[one].error_t <= MOST_VAGUE * weighed[one]]
    total: dict[str, float] = {}
    count: dict[str, int] = {}
    for block in group.blocks:
        for name, tonnes in parts[block].items():
            total[name] = total.get(name, 0.0) + tonnes
            count[name] = count.get(name, 0) + 1
    if len(sound) == len(group.blocks) and group.machine_t and set(group.machine_t) == set(total):
        return [WeighedGroup(group.machine_t[one], {one: total[one]}, count[one]) for one in sorted(total)]
    return [
        WeighedGroup(weighed[one], dict(parts[one]), log_error=vague[one].error_t / weighed[one])
        for one in sound
    ]


def _audit(
    row_summary: pd.DataFrame,
    groups: list[LoadGroup],
    raw: Mapping[str, float],
    levelled: Mapping[str, float],
    errors: Mapping[str, float],
    vintage: int,
    known_blocks: Collection[str] | None,
) -> tuple[pd.DataFrame, list[str]]:
    """Give one line for each block, and what is to be said of its loads."""
    coverage, spread = _coverage(row_summary), _row_spread(row_summary)
    group_of = {block: one for one in groups for block in one.blocks}
    lines, notes = [], []
    for block, tonnes in levelled.items():
        line: dict[str, Any] = {
            "block_id": block, "vintage": vintage, "integrated_t": tonnes, "weighed_t": np.nan, "factor": 1.0,
            "factor_se": np.nan, "mog_pct": np.nan, "coverage": coverage[block], "loads": 0,
        }  # fmt: skip
        group = group_of.get(block)
        if group:
            certain = share_out(group, levelled)[block]
            error = float(np.hypot(errors[block], LOAD_LOG_SD))
            vague = share_vague(group, block, certain.gross_t, tonnes, error)
            weighed = certain + vague.mass
            line |= {"weighed_t": weighed.grapes_t, "mog_pct": group.mog_pct[block]}
            dispute = dispute_of(block, weighed.gross_t, raw[block])
            if not dispute:
                filled = (1.0 - coverage[block]) * spread[block]
                error = _factor_error(group, block, weighed, filled, vague.error_t)
                line |= {"factor": weighed.grapes_t / tonnes, "factor_se": error}
                line |= {"loads": group.tickets[block]}
            if dispute:
                notes.append(dispute)
            elif vague.most_t > 0:
                notes.append(describe_vague(group, block, vague, vintage=vintage, known_blocks=known_blocks))
        lines.append(line)
    table = pd.DataFrame(lines)
    table["leftover_t"] = table["weighed_t"] - table["factor"] * table["integrated_t"]
    return table, notes


def _factor_error(group: LoadGroup, block: str, weighed: Mass, filled: float, vague_t: float) -> float:
    """Give the standard error of the log factor of a block with loads."""
    mog = MOG_LOG_SD if group.mog_given else NO_MOG_LOG_SD
    shared = sum(mass.gross_t for names, mass in group.shared.items() if block in names)
    shared = min(shared, max(weighed.gross_t - group.own.get(block, NOTHING).gross_t, 0.0))
    split = SHARED_LOG_SD * shared / weighed.gross_t
    ticket = TICKET_LOG_SD / np.sqrt(group.tickets[block])
    parts = (WEIGHING_LOG_SD, ticket, mog, split, filled, vague_t / weighed.gross_t)
    return float(np.sqrt(np.sum(np.square(parts))))


def _machine_errors(parts: Mapping[str, Mapping[str, float]], machines: pd.DataFrame) -> dict[str, float]:
    """Give the standard error of the log total of each block from the bias of its machines."""
    error = dict(zip(machines["machine"], machines["log_bias_se"], strict=True))
    out = {}
    for block, by in parts.items():
        total = sum(by.values())
        own = sum(tonnes / total * error[name] for name, tonnes in by.items()) if total > 0 else PRIOR_LOG_SD
        out[block] = float(own)
    return out


def _fill_errors(table: pd.DataFrame, errors: Mapping[str, float]) -> pd.DataFrame:
    """Fill the error of blocks without loads: their machines' bias, and how far settled blocks are from 1."""
    out = table.copy()
    log = np.log(out.loc[out["factor_se"].notna(), "factor"])
    between = max(float(np.sqrt(np.mean(log**2))), 0.01) if len(log) >= 3 else LOAD_LOG_SD
    for place in out.index[out["factor_se"].isna()]:
        out.at[place, "factor_se"] = float(np.hypot(errors[str(out.at[place, "block_id"])], between))
    return out


def _coverage(row_summary: pd.DataFrame) -> dict[str, float]:
    """Share of row length with kept readings, by block."""
    rows = row_summary.groupby(["block_id", "row_no"]).agg(
        covered=("covered_m", "sum"), length=("length_m", "first")
    )
    rows["covered"] = np.minimum(rows["covered"], rows["length"])
    by_block = rows.groupby("block_id").sum()
    return {str(name): float(value) for name, value in (by_block["covered"] / by_block["length"]).items()}


def _row_spread(row_summary: pd.DataFrame) -> dict[str, float]:
    """Spread of log row means by block: what a filled row may be off by."""
    seen = row_summary[row_summary["yield_t_ha"] > 0]
    spread = np.log(seen["yield_t_ha"]).groupby(seen["block_id"]).std().fillna(0.2)
    return {str(name): float(spread.get(name, 0.2)) for name in row_summary["block_id"].unique()}


def _name_some(blocks: list[str]) -> str:
    """List blocks; of very many the first, and how many more there are (settlement.csv holds them all).

    Examples
    --------
    >>> _name_some(["A", "B"]), _name_some([str(one) for one in range(5000)])[-14:]
    ('A, B', '39 ... (+4960)')
    """
    more = len(blocks) - BLOCKS_NAMED
    return ", ".join(blocks[:BLOCKS_NAMED]) + (f" ... (+{more})" if more > 0 else "")


def _remarks(blocks: pd.DataFrame, vintage: int) -> list[str]:
    """Remark on blocks without loads, thin coverage, and factors apart from the others."""
    notes = []
    without = blocks.loc[blocks["weighed_t"].isna(), "block_id"].tolist()
    if without:
        notes.append(
            f"Vintage {vintage}: no weighed loads for block {_name_some(without)}; the readings stand as "
            "they are (factor 1) with a wider uncertainty. Add the loads if there are tickets."
        )
    thin = blocks[blocks["coverage"] < THIN_COVERAGE]
    if len(thin):
        each = [f"{one['block_id']} ({100 * one['coverage']:.0f} %)" for one in thin.to_dict("records")]
        notes.append(
            f"Vintage {vintage}: kept readings cover only part of the row length of block "
            f"{_name_some(each)}; in the total the rest is filled with the block's row mean. Add the "
            "readings that lack."
        )
    settled = blocks[blocks["loads"] > 0]
    if len(settled) < 3:
        return notes
    log = np.log(settled["factor"])
    for place in settled.index[np.abs(log - log.median()) > ODD_FACTOR]:
        one = settled.loc[place]
        notes.append(
            f"Block {one['block_id']}, vintage {vintage}: weighed {one['weighed_t']:.2f} t against "
            f"{one['integrated_t']:.2f} t of readings, factor {one['factor']:.2f} where blocks have "
            f"{np.exp(log.median()):.2f}. It was used; check for a missing or doubled ticket."
        )
    return notes


def apply_settlement(clean: gpd.GeoDataFrame, settlement: Settlement, *, block_id: str) -> gpd.GeoDataFrame:
    """Give the kept readings of a block with settled yield.

    Parameters
    ----------
    clean : geopandas.GeoDataFrame
        `CleanYield.readings` of the block; not altered.
    settlement : Settlement
        Of the same vintage.
    block_id : str
        Block.

    Returns
    -------
    geopandas.GeoDataFrame
        Readings with an empty flag, `yield_t_ha` settled, on their own index.

    Raises
    ------
    DataError
        If the settlement lacks the block or one of its machines.
    """
    line = settlement.blocks[settlement.blocks["block_id"] == block_id]
    if line.empty:
        known = ", ".join(settlement.blocks["block_id"])
        raise DataError(f"Block {block_id} is not in the settlement.", remedy=f"It holds: {known}.")
    kept = clean[clean["flag"] == ""].copy()
    bias = settlement.machines.set_index("machine")["log_bias"]
    own = kept["machine"].map(bias)
    if own.isna().any():
        lacking = ", ".join(sorted(set(kept.loc[own.isna(), "machine"])))
        raise DataError(
            f"Machine {lacking} is not in the settlement.",
            where=f"block {block_id}",
            remedy="Settle with the row summaries of all blocks of the vintage.",
        )
    kept["yield_t_ha"] = kept["yield_t_ha"] * np.exp(-own.astype(float)) * float(line["factor"].iloc[0])
    return kept
