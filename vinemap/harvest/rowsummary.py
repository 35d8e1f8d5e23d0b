"""Clean readings -> one line for each row and machine."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.errors import DataError
from vinemap.tables import CLEAN_READINGS, check_table
from vinemap.units import HECTARE_M2

REACH_STEPS = 3.0  # a reading stands for no more ground than this many usual steps; no source
ROW_END_STEPS = 0.75  # nearer to a row end than this a reading can hold headland: 7-10 % low; recovered truth
COLUMNS = ("block_id", "row_no", "machine", "yield_t_ha", "readings", "covered_m", "length_m", "area_ha")


def summarise_rows(
    clean: gpd.GeoDataFrame, rows: gpd.GeoDataFrame, *, block_id: str, row_spacing_m: float
) -> pd.DataFrame:
    """Mean yield of every row by machine, weighted by the ground each reading stands for.

    Readings come at equal times, so that slow stretches hold more of them; each is weighted by half the way
    to the next kept reading on both sides. One that reaches over a row end was partly logged in the headland:
    its ground is covered, but it has no say in the mean, unless the row has no other.

    Parameters
    ----------
    clean : geopandas.GeoDataFrame
        `CleanYield.readings`; only those with an empty flag count.
    rows : geopandas.GeoDataFrame
        `tables.ROWS` of the block.
    block_id : str
        Block.
    row_spacing_m : float
        Distance between rows [m].

    Returns
    -------
    pandas.DataFrame
        block_id, row_no, machine, yield_t_ha (mean before settlement), readings, covered_m (ground that
        kept readings stand for), length_m, area_ha (of the whole row), median_t_ha, sd_log (spread of log
        yield along the row). A row without kept readings has one line with machine "" and no yield.

    Raises
    ------
    DataError
        If the row spacing is not positive.
    """
    if not row_spacing_m > 0:
        raise DataError(
            f"Row spacing is {row_spacing_m} m.", remedy="Give the distance between rows in metres."
        )
    kept = pd.DataFrame(check_table(clean, CLEAN_READINGS, where=f"clean readings of block {block_id}"))
    kept = kept.drop(columns=clean.geometry.name)  # not asked for here, and dear to choose from
    kept = kept[(kept["flag"] == "") & (kept["row_no"] >= 0) & kept["yield_t_ha"].notna()]
    plan = _plan(rows, row_spacing_m)
    found = _by_row(kept, plan)
    out = plan.merge(found, on="row_no", how="left")
    out["machine"] = out["machine"].fillna("")
    out["readings"] = out["readings"].fillna(0).astype(int)
    out["covered_m"] = out["covered_m"].fillna(0.0)
    out.insert(0, "block_id", block_id)
    out = out.sort_values(["row_no", "machine"]).reset_index(drop=True)
    return out[[*COLUMNS, "median_t_ha", "sd_log"]]


def _plan(rows: gpd.GeoDataFrame, row_spacing_m: float) -> pd.DataFrame:
    """Length and ground of every row."""
    length = rows["length_m"].to_numpy(dtype=float)
    return pd.DataFrame({
        "row_no": rows["row_no"].to_numpy(dtype=int),
        "length_m": length,
        "area_ha": length * row_spacing_m / HECTARE_M2,
    })  # fmt: skip


def _by_row(kept: pd.DataFrame, plan: pd.DataFrame) -> pd.DataFrame:
    """Mean, ground and spread by row and machine."""
    table = pd.DataFrame({
        "row_no": kept["row_no"].to_numpy(dtype=int),
        "machine": kept["machine"].to_numpy(),
        "along_m": kept["along_m"].to_numpy(dtype=float),
        "y": kept["yield_t_ha"].to_numpy(dtype=float),
    }).sort_values(["row_no", "machine", "along_m"], ignore_index=True)  # fmt: skip
    table = table[table["row_no"].isin(plan["row_no"])].reset_index(drop=True)
    length = table["row_no"].map(plan.set_index("row_no")["length_m"]).to_numpy(dtype=float)
    table["ground_m"] = _ground_of(table, length)
    table["counted_m"] = table["ground_m"] * _inside_row(table, length)
    table["yg"] = table["y"] * table["counted_m"]
    table["log"] = np.log(np.maximum(table["y"], 1e-3))
    grouped = table.groupby(["row_no", "machine"])
    return pd.DataFrame({
        "yield_t_ha": grouped["yg"].sum() / grouped["counted_m"].sum(),
        "median_t_ha": grouped["y"].median(),
        "readings": grouped["y"].size(),
        "covered_m": grouped["ground_m"].sum(),
        "sd_log": grouped["log"].std(),
    }).reset_index()  # fmt: skip


def _row_and_machine(table: pd.DataFrame) -> np.ndarray:
    """Give one number for the row and machine of each reading."""
    return table.groupby(["row_no", "machine"], sort=False).ngroup().to_numpy()


def _usual_gap(along: np.ndarray, key: np.ndarray) -> float:
    """Median distance between readings of a row and machine [m]."""
    same = np.diff(key) == 0
    return max(float(np.median(np.diff(along)[same])), 0.1) if same.any() else 1.0


def _inside_row(table: pd.DataFrame, length_m: np.ndarray) -> np.ndarray:
    """Tell readings that hold no headland; all of a row and machine that has none."""
    key, along = _row_and_machine(table), table["along_m"].to_numpy()
    inside = np.minimum(along, length_m - along) >= ROW_END_STEPS * _usual_gap(along, key)
    any_inside = pd.Series(inside).groupby(key).transform("any").to_numpy(dtype=bool)
    return np.asarray(inside | ~any_inside)


def _ground_of(table: pd.DataFrame, length_m: np.ndarray) -> np.ndarray:
    """Length each reading stands for: half way to its neighbours, row ends included, within reach."""
    key, along = _row_and_machine(table), table["along_m"].to_numpy()
    if along.size == 0:
        return np.zeros(0)
    gap, same = np.diff(along), np.diff(key) == 0
    most = REACH_STEPS * _usual_gap(along, key) / 2
    half = np.where(same, np.minimum(gap / 2, most), np.nan)
    to_end = length_m - along
    before = np.minimum(np.r_[np.nan, half], most)
    after = np.minimum(np.r_[half, np.nan], most)
    before = np.where(np.isnan(before), np.clip(along, 0.0, most), before)
    after = np.where(np.isnan(after), np.clip(to_end, 0.0, most), after)
    return np.asarray(np.maximum(before + after, 1e-6))
