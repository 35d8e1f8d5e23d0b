"""Measure cleaning, settlement and surface on invented estates whose truth is known.

Run: python scripts/bench_clean.py [--first-seed 300] [--seeds 10] [--intervals 1 2 5] [--no-peers]
     [--json FILE]

Limits and constants of cleaning were chosen on estates of seeds 0 to 2; 100 to 105 and 200 to 209 were looked
at and showed a defect, since mended. Figures are to be reported on others, so that seeds begin at 300.

Blocks of `vinemap.simulate` with two machines, sensor faults, conveyor smear, dying and missing vines, loads
weighed with MOG. The surface is compared with true means of 10 m squares; the peers get the same readings:
R's gstat (its own variogram fit, 64 nearest, 10 m blocks) the cleaned and settled ones, and an
inverse-distance map (12 nearest, squared distance) the readings as logged. R is optional.
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from vinemap.harvest import apply_settlement, clean_readings, pool_delays, settle_vintage, summarise_rows
from vinemap.simulate import DEMO_BLOCKS, DEMO_MACHINES, simulate_estate
from vinemap.surface import LocalBlockKriging, Variogram, cross_validate_rows, estimate_variogram
from vinemap.surface.surfaces import ERROR_CV, area_of_readings, split_nugget, straddle_variance

VINTAGE = 2026
BLOCKS = ("B04", "B05", "B08", "B09")  # two shared by machines; missing vines; dying all over
GROSS_FAULTS = ("jump", "zero", "stuck")
GROSS_FLAGS = ("incomplete", "duplicate", "position", "stuck", "zero_flow", "width", "redriven")
LOCAL_FLAGS = ("local", "limits")
ROW_END_M = 3.0  # a reading that spans the end of a row mixes row and headland
LEAST_VINES = 12  # of a 10 m square to count as one
FIRST_SEED = 300  # 0 to 2 chose the limits, 100 to 105 and 200 to 209 were looked at (and showed a defect)
REACH = {  # figure: what is to be reached
    "F1 of gross faults": "at least 0.95",
    "F1 of local outliers": "at least 0.8",
    "good readings removed [%]": "at most 3",
    "flow delay, largest error [s]": "at most 1",
    "machine bias with loads, largest error [%]": "at most 1",
    "machines against each other without loads, error [%]": "at most 2",
    "total of a block after settlement, largest error [%]": "at most 0.5",
    "surface, RMSE of 10 m squares [t/ha]": "at most gstat's",
    "surface below the unclean map by [%]": "at least 25",
    "90 % intervals cover of left-out rows [%]": "87 to 93",
}
GSTAT = """
suppressMessages({library(sp); library(gstat)})
folder <- commandArgs(TRUE)[1]
readings <- read.csv(file.path(folder, "readings.csv")); coordinates(readings) <- ~x+y
cells <- read.csv(file.path(folder, "cells.csv")); coordinates(cells) <- ~x+y
model <- suppressWarnings(fit.variogram(variogram(z~1, readings, cutoff=100, width=5), vgm(c("Exp", "Sph"))))
found <- krige(z~1, readings, cells, model, nmax=64, block=c(10,10), debug.level=0)
con <- file(file.path(folder, "kriged.bin"), "wb"); writeBin(found$var1.pred, con); close(con)
"""


def invent(seed: int, interval_s: int) -> tuple[Any, pd.DataFrame, gpd.GeoDataFrame]:
    """Simulate an estate; its readings with the truth beside them, and as a reader would give them."""
    plans = [one for one in DEMO_BLOCKS if one.block_id in BLOCKS]
    estate = simulate_estate(
        rng=np.random.default_rng(seed),
        blocks=plans,
        vintages=[VINTAGE],
        machines=DEMO_MACHINES,
        interval_s=interval_s,
    )
    table = pd.concat(estate.readings.values(), ignore_index=True)
    points = gpd.points_from_xy(table["longitude"], table["latitude"], crs=4326)
    names = ["time", "machine", "block_id", "speed_m_s", "width_m", "mass_flow_kg_s"]
    readings = gpd.GeoDataFrame(table[names], geometry=points).to_crs(estate.rows.crs)
    return (
        estate,
        table,
        readings.assign(reading_id=table.index, import_id=1, source_row=table.index),
    )


def f1(hits: int, missed: int, wrong: int) -> float:
    return 2 * hits / max(2 * hits + missed + wrong, 1)


def score_cleaning(table: pd.DataFrame, clean: pd.DataFrame, rows: gpd.GeoDataFrame) -> dict[str, float]:
    flag, fault = clean["flag"], table["fault"]
    length = rows.set_index(["block_id", "row_no"])["length_m"]
    key = pd.MultiIndex.from_arrays([table["block_id"], clean["row_no"].astype(int)])
    to_end = np.minimum(clean["along_m"], length.reindex(key).to_numpy() - clean["along_m"])
    good = (fault == "") & (table["row_no"] > 0) & (to_end > ROW_END_M)
    gross, spike = fault.isin(GROSS_FAULTS), fault == "spike"
    wrong_gross = int((good & flag.isin(GROSS_FLAGS)).sum())
    wrong_local = int((good & flag.isin(LOCAL_FLAGS)).sum())
    caught = int((spike & flag.isin(LOCAL_FLAGS)).sum())
    lost = good & ~flag.isin(["", "headland", "idle"])
    return {
        "F1 of gross faults": f1(
            int((gross & (flag != "")).sum()), int((gross & (flag == "")).sum()), wrong_gross
        ),
        "F1 of local outliers": f1(caught, int((spike & (flag == "")).sum()), wrong_local),
        "good readings removed [%]": 100.0 * lost.sum() / max(int(good.sum()), 1),
    }


def score_settlement(
    estate: Any, summary: pd.DataFrame, results: dict[str, Any]
) -> tuple[Any, dict[str, float]]:
    truth = estate.truth.machines.set_index("machine")
    delays = [
        abs(one.delay_s - truth.loc[one.machine, "effective_delay_s"])
        for result in results.values()
        for one in result.report.delays
    ]
    loads = estate.loads.assign(import_id=1)
    settled = settle_vintage(summary, loads, vintage=VINTAGE)
    alone = settle_vintage(summary, loads.iloc[:0], vintage=VINTAGE)
    true_bias = np.log1p((truth["bias_start"] + truth["bias_end"]) / 2)
    found = settled.machines.set_index("machine")
    bias = found["log_bias"] - true_bias
    level = alone.machines.set_index("machine")["log_bias"] - true_bias
    table = settled.blocks.set_index("block_id")
    grapes = estate.truth.block_vintages.set_index("block_id")["grapes_t"]
    total = table["factor"] * table["integrated_t"]
    return settled, {
        "flow delay, largest error [s]": max(delays),
        "machine bias with loads, largest error [%]": 100 * float(bias.abs().max()),
        "machine bias with loads over its own standard error": float(
            (bias.abs() / found["log_bias_se"]).max()
        ),
        "machines against each other without loads, error [%]": 100 * float(np.ptp(level)),
        "total of a block after settlement, largest error [%]": 100
        * float((total / grapes[table.index] - 1).abs().max()),
        "total of all blocks, error [%]": 100 * abs(float(total.sum() / grapes.sum() - 1)),
    }


def map_by_distance(readings: gpd.GeoDataFrame, cells: np.ndarray, outline: Any, spacing_m: float) -> Any:
    """Inverse-distance map of readings as logged: no delay, no filter but motion and outline."""
    speed = readings["speed_m_s"].to_numpy(float)
    where = np.column_stack([readings.geometry.x, readings.geometry.y])
    used = (speed > 0.3) & shapely.contains_xy(outline, *where.T)
    value = 10.0 * readings["mass_flow_kg_s"].to_numpy(float)[used] / (speed[used] * spacing_m)
    distance, index = cKDTree(where[used]).query(cells, 12)
    weight = 1.0 / np.maximum(distance, 0.1) ** 2
    return (weight * value[index]).sum(axis=1) / weight.sum(axis=1)


def map_by_gstat(where: np.ndarray, value: np.ndarray, cells: np.ndarray) -> np.ndarray | None:
    program = shutil.which("Rscript")
    check = "quit(status = !requireNamespace('gstat', quietly = TRUE))"
    if program is None or subprocess.run([program, "-e", check], check=False, capture_output=True).returncode:
        return None
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, columns, head in (
            ("readings.csv", np.column_stack([where, value]), "x,y,z"),
            ("cells.csv", cells, "x,y"),
        ):
            np.savetxt(folder / file, columns, "%.12g", ",", header=head, comments="")
        (folder / "peer.R").write_text(GSTAT, encoding="utf-8")
        subprocess.run([program, str(folder / "peer.R"), name], check=True, capture_output=True)
        return np.fromfile(folder / "kriged.bin")


def score_surface(
    estate: Any,
    readings: gpd.GeoDataFrame,
    kept: gpd.GeoDataFrame,
    block: pd.Series,
    *,
    peers: bool,
    seed: int,
) -> dict[str, float]:
    squares = estate.truth.cells
    squares = squares[(squares["block_id"] == block.name) & (squares["vines"] >= LEAST_VINES)]
    truth = squares[f"yield_{VINTAGE}"].to_numpy(float)
    cells = squares[["easting", "northing"]].to_numpy(float)
    where = np.column_stack([kept.geometry.x, kept.geometry.y])
    value = kept["yield_t_ha"].to_numpy(float)
    variogram = estimate_variogram(where, value)[1].variogram
    mean, error = krige_squares(variogram, where, value, cells, float(block["row_spacing_m"]))
    crossed = cross_validate_rows(
        where, value, kept["row_no"].to_numpy(int),
        variogram=variogram, max_readings=4000, rng=np.random.default_rng(seed),
    )  # fmt: skip
    plain = map_by_distance(readings, cells, block.geometry, float(block["row_spacing_m"]))
    theirs = map_by_gstat(where, value, cells) if peers else None

    def rmse(found: np.ndarray) -> float:
        return float(np.sqrt(np.mean((found - truth) ** 2)))

    found = {
        "surface, RMSE of 10 m squares [t/ha]": rmse(mean),
        "unclean inverse-distance map, RMSE [t/ha]": rmse(plain),
        "surface below the unclean map by [%]": 100 * (1 - rmse(mean) / rmse(plain)),
        "90 % intervals cover of left-out rows [%]": 100 * crossed.coverage_90,
        "90 % intervals cover of true squares [%]": 100
        * float(np.mean(np.abs(mean - truth) <= 1.645 * error)),
    }
    if theirs is not None:
        found["gstat fed the same clean readings, RMSE [t/ha]"] = rmse(theirs)
        found["surface below gstat's by [%]"] = 100 * (1 - rmse(mean) / rmse(theirs))
    return found


def krige_squares(
    variogram: Variogram, where: np.ndarray, value: np.ndarray, cells: np.ndarray, spacing_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Means of 10 m squares and their standard errors, as `krige_grid` gives them for the cells of a grid."""
    area = area_of_readings(where)
    ground = split_nugget(variogram, reading_area_m2=area, error_variance=(ERROR_CV * value.mean()) ** 2)
    mean, error = LocalBlockKriging(ground).fit(where, value).predict(cells, return_std=True)
    straddle = straddle_variance(
        variogram.nugget - ground.nugget, reading_area_m2=area, row_spacing_m=spacing_m, block_m=10.0
    )
    return mean, np.sqrt(error**2 + straddle)


def measure(seed: int, interval_s: int, *, peers: bool) -> dict[str, list[float]]:
    """All figures of one estate; those of a surface once for each block."""
    estate, table, readings = invent(seed, interval_s)
    blocks = estate.blocks.to_crs(estate.rows.crs).set_index("block_id")
    rows_of = dict(iter(estate.rows.groupby("block_id")))

    def clean_block(name: str, **more: Any) -> Any:
        own, block = readings[readings["block_id"] == name], blocks.loc[name]
        spacing = float(block["row_spacing_m"])
        return clean_readings(own, rows_of[name], outline=block.geometry, row_spacing_m=spacing, **more)

    results = {name: clean_block(name) for name in BLOCKS}
    told = pool_delays(item for one in results.values() for item in one.report.delays)
    for name, one in results.items():  # as an assessment does
        if told and not all(item.identified for item in one.report.delays):
            results[name] = clean_block(name, delay_s=told)
    summaries = [
        summarise_rows(
            one.readings, rows_of[name], block_id=name, row_spacing_m=float(blocks.loc[name, "row_spacing_m"])
        )
        for name, one in results.items()
    ]
    clean = pd.concat([one.readings for one in results.values()]).sort_index()
    settled, figures = score_settlement(estate, pd.concat(summaries), results)
    found = {name: [value] for name, value in (score_cleaning(table, clean, estate.rows) | figures).items()}
    for name in BLOCKS:
        kept = apply_settlement(results[name].readings, settled, block_id=name)
        own = readings[readings["block_id"] == name]
        for figure, value in score_surface(
            estate, own, kept, blocks.loc[name], peers=peers, seed=seed
        ).items():
            found.setdefault(figure, []).append(value)
    return found


def run_bench(
    seeds: int = 10,
    intervals: tuple[int, ...] = (1, 2, 5),
    *,
    first_seed: int = FIRST_SEED,
    peers: bool = True,
) -> dict[str, dict[str, tuple[float, float, float]]]:
    """Median, least and greatest over estates (and blocks) of every figure, by logging interval [s].

    Parameters
    ----------
    seeds : int
        Estates for each interval.
    intervals : tuple of int
        Logging intervals [s].
    first_seed : int
        Of the first estate.
    peers : bool
        Also run gstat where R has it.

    Returns
    -------
    dict of str to dict of str to tuple of float
    """
    out = {}
    for interval in intervals:
        figures: dict[str, list[float]] = {}
        for seed in range(first_seed, first_seed + seeds):
            for name, values in measure(seed, interval, peers=peers).items():
                figures.setdefault(name, []).extend(values)
        out[f"{interval} s"] = {
            name: (statistics.median(values), min(values), max(values)) for name, values in figures.items()
        }
    return out


def print_table(found: dict[str, dict[str, tuple[float, float, float]]], about: str) -> None:
    print(f"| {about} | " + " | ".join(f"logged each {one}" for one in found) + " | reach |")
    print("| --- |" + " --- |" * (len(found) + 1))
    for name in next(iter(found.values())):
        told = ["{:.3g} ({:.3g} to {:.3g})".format(*one[name]) for one in found.values()]
        print(f"| {name} | {' | '.join(told)} | {REACH.get(name, '')} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--intervals", type=int, nargs="+", default=[1, 2, 5])
    parser.add_argument("--no-peers", action="store_true")
    parser.add_argument("--json", type=Path, help="also write the figures to this file")
    given = parser.parse_args()
    found = run_bench(
        given.seeds, tuple(given.intervals), first_seed=given.first_seed, peers=not given.no_peers
    )
    last = given.first_seed + given.seeds - 1
    print_table(found, f"seeds {given.first_seed} to {last}: median (least to greatest)")
    if given.json:
        given.json.write_text(json.dumps(found, indent=2), encoding="utf-8")


if __name__ == "__main__":
    main()
