"""What cleaning did, for those who want to know: error of the map before and after, table and text."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import harvest, surface
from vinemap.harvest.report import DOUBTED, NORMAL_90, TURNING

JUDGED_READINGS = 3000  # drawn for the variograms: some 20,000 pairs a lag and more are plenty
FEWEST_JUDGED = 30  # readings; below this a variogram says nothing; common practice, no source
JUDGED_SQUARES = 200  # drawn for the mean kriging variance
LONGEST_LAG_M, LAG_M = 60.0, 5.0
Reports = Mapping[str, Mapping[Any, dict[str, Any]]]


def judge_cleaning(cleaned: harvest.CleanYield, *, block_m: float) -> harvest.CleaningReport:
    """Put into the report how well squares are known from all readings, and from those kept.

    Parameters
    ----------
    cleaned : harvest.CleanYield
    block_m : float
        Side of the squares [m].

    Returns
    -------
    harvest.CleaningReport
        With `prediction_se_t_ha` before and after; NaN where there are too few readings.

    References
    ----------
    Lyle, Bryan & Ostendorf 2014, Precision Agriculture 15:377-402: cleaning is judged by the nugget, the
    shape of the distribution and the prediction variance before and after.
    """
    told, readings = cleaned.report, cleaned.readings
    rng = np.random.default_rng(len(readings))  # the same readings are judged alike each time
    in_row = readings[np.isfinite(readings["yield_t_ha"]) & ~readings["flag"].isin(TURNING)]
    kept = in_row[in_row["flag"] == ""]
    if len(kept) < FEWEST_JUDGED:
        return told
    squares = _places(kept.iloc[rng.integers(0, len(kept), JUDGED_SQUARES)])
    return replace(
        told,
        before=replace(told.before, prediction_se_t_ha=_prediction_se(in_row, squares, block_m, rng)),
        after=replace(told.after, prediction_se_t_ha=_prediction_se(kept, squares, block_m, rng)),
    )


def _prediction_se(
    readings: gpd.GeoDataFrame, squares: np.ndarray, block_m: float, rng: np.random.Generator
) -> float:
    where, value = _places(readings), readings["yield_t_ha"].to_numpy(float)
    found = surface.experimental_variogram(
        where, value, max_distance_m=LONGEST_LAG_M, bin_m=LAG_M, thin_to=JUDGED_READINGS, rng=rng
    )
    fitted = surface.fit_variogram(found, models=("exponential",)).variogram
    model = surface.LocalBlockKriging(fitted, block_m=block_m).fit(where, value)
    return float(np.sqrt(np.mean(model.predict_parts(squares)[1])))


def _places(readings: gpd.GeoDataFrame) -> np.ndarray:
    return np.column_stack([readings.geometry.x, readings.geometry.y])


def tabulate_cleaning(reports: Reports) -> pd.DataFrame:
    """Tabulate the cleaning of every block and vintage, one line each.

    Parameters
    ----------
    reports : mapping of block_id to mapping of vintage to dict
        `CleaningReport.to_dict`, as an assessment keeps it.

    Returns
    -------
    pandas.DataFrame
        block_id, vintage, readings, kept; left_out_pct and its parts by reason [% of the readings]; mean,
        skewness, nugget and prediction_se before and after; flow delays; warnings.

    Examples
    --------
    >>> figures = {"mean_t_ha": 12.0, "skewness": 0.1, "nugget_t2_ha2": 2.0, "prediction_se_t_ha": 0.4}
    >>> one = {"readings": 10, "kept": 9, "removed_pct": {"idle": 10.0}, "before": figures, "after": figures,
    ...     "delays": [], "warnings": []}
    >>> print(tabulate_cleaning({"A": {2026: one}})[["block_id", "vintage", "kept", "idle_pct"]])
      block_id  vintage  kept  idle_pct
    0        A     2026     9      10.0
    """
    return pd.DataFrame([_line(*one) for one in _each(reports)])


def _line(block_id: str, vintage: int, told: dict[str, Any]) -> dict[str, Any]:
    shares = {f"{name}_pct": told["removed_pct"].get(name, 0.0) for name in harvest.REASONS}
    figures = {
        f"{name.removesuffix(unit)}_{when}{unit}": told[when].get(name)
        for name, unit in (
            ("mean_t_ha", "_t_ha"),
            ("skewness", ""),
            ("nugget_t2_ha2", "_t2_ha2"),
            ("prediction_se_t_ha", "_t_ha"),
        )
        for when in ("before", "after")
    }
    delays = (f"{one['machine']} {one['day']}".strip() + f" {one['delay_s']:.1f}" for one in told["delays"])
    return {
        "block_id": block_id,
        "vintage": vintage,
        "readings": told["readings"],
        "kept": told["kept"],
        "left_out_pct": sum(shares.values()),
        **shares,
        **figures,
        "flow_delay_s": "; ".join(delays),
        "warnings": " ".join(told["warnings"]),
    }


def describe_cleaning(reports: Reports, *, vintage: int, machines: Sequence[Mapping[str, Any]] = ()) -> str:
    """Tell a grower what was left out of the readings and what it did, as Markdown text.

    Parameters
    ----------
    reports : mapping of block_id to mapping of vintage to dict
    vintage : int
        The vintage told in full; of earlier ones only the warnings.
    machines : sequence of mapping
        machine, vintage, log_bias and log_bias_se of `harvest.Settlement.machines`.

    Returns
    -------
    str
        Empty if there are no readings at all.
    """
    found = list(_each(reports))
    if not found:
        return ""
    lines = [
        "# What was left out of the harvest readings, and why",
        "",
        "Nothing is deleted: every reading keeps its flag. Turning and idling are no faults, the machine "
        "was not picking; doubted readings lie far from those around them or from the whole block. "
        "All blocks and vintages are in cleaning.csv.",
        "",
        *_tell_table([one for one in found if one[1] == vintage], vintage),
        *_tell_machines(machines),
        *_tell_warnings(found),
        *(line for one in found if one[1] == vintage for line in _tell_block(*one)),
    ]
    return "\n".join(lines) + "\n"


def _tell_table(found: list[tuple[str, int, dict[str, Any]]], vintage: int) -> list[str]:
    if not found:
        return [f"Vintage {vintage} has no readings of its own.", ""]
    lines = [
        f"## Vintage {vintage}",
        "",
        "| block | readings | kept % | turning, idle % | faults % | doubted % | mean before, after t/ha "
        "| a 10 m square known to +- t/ha, before, after |",
        "| --- |" + " ---: |" * 7,
    ]
    for block_id, _, told in found:
        share = told["removed_pct"]
        turning, doubted = (sum(share.get(name, 0.0) for name in names) for names in (TURNING, DOUBTED))
        faults = sum(share.values()) - turning - doubted
        mean = _pair(told, "mean_t_ha", 1.0)
        known = _pair(told, "prediction_se_t_ha", NORMAL_90)
        lines.append(
            f"| {block_id} | {told['readings']} | {100 * told['kept'] / max(told['readings'], 1):.1f} "
            f"| {turning:.1f} | {faults:.1f} | {doubted:.1f} | {mean} | {known} |"
        )
    return [*lines, ""]


def _pair(told: dict[str, Any], name: str, scale: float) -> str:
    figures = [told[when].get(name) for when in ("before", "after")]
    return ", ".join("-" if one is None else f"{scale * one:.1f}" for one in figures)


def _tell_machines(machines: Sequence[Mapping[str, Any]]) -> list[str]:
    """Tell by vintage how much each harvester read low or high."""
    if not machines:
        return []
    table = pd.DataFrame(list(machines))
    table["told"] = [
        f"{round(100 * np.expm1(bias), 1) + 0.0:+.1f} +- {100 * NORMAL_90 * np.exp(bias) * error:.1f}"
        for bias, error in zip(table["log_bias"], table["log_bias_se"], strict=True)
    ]
    by_vintage = table.pivot_table("told", "vintage", "machine", aggfunc="first").fillna("-")
    return [
        "## How the harvesters read",
        "",
        "Percent above (+) or below (-) what was picked, MOG in, with its 90 % interval: by the weighed "
        "loads and by the rows beside each other. It was taken off before anything was compared.",
        "",
        f"| vintage | {' | '.join(by_vintage.columns)} |",
        "| --- |" + " ---: |" * by_vintage.shape[1],
        *(f"| {line[0]} | {' | '.join(line[1:])} |" for line in by_vintage.itertuples()),
        "",
    ]


def _tell_warnings(found: list[tuple[str, int, dict[str, Any]]]) -> list[str]:
    warned = [
        f"- Block {block_id}, vintage {vintage}: {words}"
        for block_id, vintage, told in found
        for words in told["warnings"]
    ]
    return ["## Look at these", "", *(warned or ["Nothing odd in any vintage."]), ""]


def _tell_block(block_id: str, vintage: int, told: dict[str, Any]) -> list[str]:
    return [f"## Block {block_id}, vintage {vintage}", "", *(f"- {one}" for one in told["described"]), ""]


def _each(reports: Reports) -> Iterator[tuple[str, int, dict[str, Any]]]:
    """Give reports in order; vintages that came back from JSON are words."""
    for block_id in sorted(reports):
        for vintage in sorted(reports[block_id], key=int):
            yield block_id, int(vintage), reports[block_id][vintage]
