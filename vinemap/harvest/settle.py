"""Clean yield -> settled yield: machines levelled, totals brought to net weighed tonnes with MOG off."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.errors import DataError
from vinemap.harvest.loads import NOTHING, LoadGroup, Mass, dispute_of, group_loads, share_out
from vinemap.harvest.machines import LOAD_LOG_SD, PRIOR_LOG_SD, WeighedGroup, solve_machines
from vinemap.tables import SETTLEMENT, check_table

WEIGHING_LOG_SD = 0.005  # of a weighbridge total: half a percent; common practice, no source
TICKET_LOG_SD = 0.02  # of one ticket (last block still in the bin), falls with their number; no source
MOG_LOG_SD = 0.003  # of MOG where it is given; common practice, no source
NO_MOG_LOG_SD = 0.01  # about 1 % is a low MOG by mass (handbook section 8) [S]
SHARED_LOG_SD = 0.20  # of a block's part of a load over several blocks; recovered truth
ODD_FACTOR = 0.20  # log distance from the median factor from which a block is pointed out; no source
THIN_COVERAGE = 0.80  # share of row length; below it the total rests on filled rows; no source


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


def settle_vintage(row_summary: pd.DataFrame, loads: pd.DataFrame, *, vintage: int) -> Settlement:
    """Settle all blocks of a vintage: level the machines, then bring totals to the weighed loads.

    Parameters
    ----------
    row_summary : pandas.DataFrame
        `summarise_rows` of all blocks of the vintage, one below the other.
    loads : pandas.DataFrame
        `tables.LOADS`; other vintages are passed over; may be empty.
    vintage : int
        Vintage [year].

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
    groups, notes = group_loads(loads, vintage=vintage, blocks=raw)
    machines = solve_machines(row_summary, [two for one in groups for two in _weigh(one, parts, raw)])
    bias = dict(zip(machines["machine"], machines["log_bias"], strict=True))
    levelled = {
        block: float(sum(t * np.exp(-bias[name]) for name, t in by.items())) for block, by in parts.items()
    }
    blocks, disputes = _audit(row_summary, groups, raw, levelled, vintage)
    blocks = check_table(_fill_errors(blocks, parts, machines), SETTLEMENT, where="settlement")
    return Settlement(blocks, machines, notes + disputes + _remarks(blocks, vintage))


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
    sound = [one for one in group.blocks if not dispute_of(group, one, shares[one].gross_t, raw[one])]
    total: dict[str, float] = {}
    count: dict[str, int] = {}
    for block in group.blocks:
        for name, tonnes in parts[block].items():
            total[name] = total.get(name, 0.0) + tonnes
            count[name] = count.get(name, 0) + 1
    if len(sound) == len(group.blocks) and group.machine_t and set(group.machine_t) == set(total):
        return [WeighedGroup(group.machine_t[one], {one: total[one]}, count[one]) for one in sorted(total)]
    return [WeighedGroup(shares[one].gross_t, dict(parts[one])) for one in sound]


def _audit(
    row_summary: pd.DataFrame,
    groups: list[LoadGroup],
    raw: Mapping[str, float],
    levelled: Mapping[str, float],
    vintage: int,
) -> tuple[pd.DataFrame, list[str]]:
    """Give one line for each block, and disputes in words."""
    coverage, spread = _coverage(row_summary), _row_spread(row_summary)
    group_of = {block: one for one in groups for block in one.blocks}
    lines, disputes = [], []
    for block, tonnes in levelled.items():
        line = {
            "block_id": block,
            "vintage": vintage,
            "integrated_t": tonnes,
            "weighed_t": np.nan,
            "factor": 1.0,
        }
        line |= {"factor_se": np.nan, "mog_pct": np.nan, "coverage": coverage[block], "loads": 0}
        group = group_of.get(block)
        if group:
            weighed = share_out(group, levelled)[block]
            line |= {"weighed_t": weighed.grapes_t, "mog_pct": group.mog_pct[block]}
            dispute = dispute_of(group, block, weighed.gross_t, raw[block])
            if dispute:
                disputes.append(dispute)
            else:
                error = _with_loads(group, block, weighed, (1.0 - coverage[block]) * spread[block])
                line |= {"factor": weighed.grapes_t / tonnes, "factor_se": error}
                line |= {"loads": group.tickets[block]}
        lines.append(line)
    table = pd.DataFrame(lines)
    table["leftover_t"] = table["weighed_t"] - table["factor"] * table["integrated_t"]
    return table, disputes


def _with_loads(group: LoadGroup, block: str, weighed: Mass, filled: float) -> float:
    """Give the standard error of the log factor of a block with loads."""
    mog = MOG_LOG_SD if group.mog_given else NO_MOG_LOG_SD
    split = SHARED_LOG_SD * max(1.0 - group.own.get(block, NOTHING).gross_t / weighed.gross_t, 0.0)
    parts = (WEIGHING_LOG_SD, TICKET_LOG_SD / np.sqrt(group.tickets[block]), mog, split, filled)
    return float(np.sqrt(np.sum(np.square(parts))))


def _fill_errors(
    table: pd.DataFrame, parts: Mapping[str, Mapping[str, float]], machines: pd.DataFrame
) -> pd.DataFrame:
    """Fill the error of blocks without loads: their machines' bias, and how far settled blocks are from 1."""
    out = table.copy()
    log = np.log(out.loc[out["factor_se"].notna(), "factor"])
    between = max(float(np.sqrt(np.mean(log**2))), 0.01) if len(log) >= 3 else LOAD_LOG_SD
    error = dict(zip(machines["machine"], machines["log_bias_se"], strict=True))
    for place in out.index[out["factor_se"].isna()]:
        by = parts[str(out.at[place, "block_id"])]
        total = sum(by.values())
        own = sum(tonnes / total * error[name] for name, tonnes in by.items()) if total > 0 else PRIOR_LOG_SD
        out.at[place, "factor_se"] = float(np.hypot(own, between))
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


def _remarks(blocks: pd.DataFrame, vintage: int) -> list[str]:
    """Remark on blocks without loads, thin coverage, and factors apart from the others."""
    notes = []
    without = blocks.loc[blocks["weighed_t"].isna(), "block_id"].tolist()
    if without:
        notes.append(
            f"Vintage {vintage}: no weighed loads for block {', '.join(without)}; the readings stand as "
            "they are (factor 1) with a wider uncertainty. Add the loads if there are tickets."
        )
    for one in blocks[blocks["coverage"] < THIN_COVERAGE].to_dict("records"):
        notes.append(
            f"Block {one['block_id']}, vintage {vintage}: kept readings cover "
            f"{100 * one['coverage']:.0f} % of the row length; in the total the rest is filled with the "
            "block's row mean."
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
