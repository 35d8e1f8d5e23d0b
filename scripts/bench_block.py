"""Time a 20 ha block with ten vintages from its files to its surfaces, in a process of its own.

Run: python scripts/bench_block.py [--vintages 10] [--interval 1] [--workers 2] [--json FILE]

The block is invented (447 m square, rows 3 m apart, a reading a second, weighed loads) and lies as
GeoParquet, one file a vintage. Timed is what an assessment does with it: read, clean, settle, krige 2 m cells
with a variogram fitted to each vintage. Memory is that of all workers together, each at its largest.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.harvest import apply_settlement, clean_readings, settle_vintage, summarise_rows
from vinemap.land import grid_over
from vinemap.simulate import DEMO_MACHINES, BlockPlan, simulate_estate
from vinemap.surface import krige_grid

try:
    import resource
except ImportError:  # Windows has none
    resource = None  # type: ignore[assignment]

SIDE_M = 447.0
SQUARE = ((0.0, 0.0), (SIDE_M, 0.0), (SIDE_M, SIDE_M), (0.0, SIDE_M))
PLAN = BlockPlan("A", "Twenty", "Shiraz", SQUARE, 2000, 2000, 0.0, 18.0, machine=DEMO_MACHINES[0].name)


def write_block(folder: Path, vintages: int, interval_s: int) -> int:
    """Invent the block and write its files; gives the number of readings."""
    years = range(2026 - vintages + 1, 2027)
    estate = simulate_estate(
        rng=np.random.default_rng(20), blocks=[PLAN], vintages=years, machines=DEMO_MACHINES,
        interval_s=interval_s,
    )  # fmt: skip
    estate.blocks.to_crs(estate.rows.crs).to_parquet(folder / "blocks.parquet")
    estate.rows.to_parquet(folder / "rows.parquet")
    estate.loads.assign(import_id=1).to_parquet(folder / "loads.parquet")
    table = pd.concat(
        [part.assign(vintage=year) for (year, _), part in estate.readings.items()], ignore_index=True
    )
    points = gpd.points_from_xy(table["longitude"], table["latitude"], crs=4326)
    names = ["time", "machine", "block_id", "speed_m_s", "width_m", "mass_flow_kg_s", "vintage"]
    readings = gpd.GeoDataFrame(table[names], geometry=points)
    for year, part in readings.groupby("vintage"):
        part.drop(columns="vintage").to_parquet(folder / f"{year}.parquet")
    return len(table)


def map_vintage(job: tuple[str, int]) -> tuple[dict[str, float], float]:
    """Read, clean, settle and krige one vintage; processor seconds of each, memory of this process [MiB]."""
    folder, year = Path(job[0]), job[1]
    clock = [time.process_time()]

    def lap() -> None:
        clock.append(time.process_time())

    block = gpd.read_parquet(folder / "blocks.parquet").iloc[0]
    rows, loads = gpd.read_parquet(folder / "rows.parquet"), pd.read_parquet(folder / "loads.parquet")
    readings = gpd.read_parquet(folder / f"{year}.parquet").to_crs(rows.crs)
    number = np.arange(len(readings))
    readings = readings.assign(reading_id=number, import_id=1, source_row=number)
    lap()
    spacing = float(block["row_spacing_m"])
    clean = clean_readings(readings, rows, outline=block.geometry, row_spacing_m=spacing).readings
    lap()
    summary = summarise_rows(clean, rows, block_id="A", row_spacing_m=spacing)
    kept = apply_settlement(clean, settle_vintage(summary, loads, vintage=year), block_id="A")
    lap()
    where = np.column_stack([kept.geometry.x, kept.geometry.y])
    spec = grid_over(block.geometry, cell_m=2.0, crs=rows.crs)
    krige_grid(where, kept["yield_t_ha"].to_numpy(float), spec=spec, outline=block.geometry)
    lap()
    return dict(zip(("read", "clean", "settle", "krige"), np.diff(clock), strict=True)), own_memory()


def own_memory() -> float:
    """Largest memory of this process [MiB]; NaN where the system does not tell."""
    if resource is None:
        return float("nan")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
        1024.0**2 if sys.platform == "darwin" else 1024.0
    )


def run_bench(vintages: int = 10, interval_s: int = 1, workers: int = 2) -> dict[str, Any]:
    """Seconds, memory and readings of the whole block.

    Parameters
    ----------
    vintages : int
    interval_s : int
        Logging interval [s].
    workers : int
        Processes.

    Returns
    -------
    dict of str to object
    """
    with tempfile.TemporaryDirectory() as name:
        # In a process of its own: Linux counts the memory of a parent to that of the children it starts.
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
            readings = pool.submit(write_block, Path(name), vintages, interval_s).result()
        jobs = [(name, year) for year in range(2026 - vintages + 1, 2027)]
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            list(pool.map(map_vintage, jobs[:workers]))  # started: modules and compiled code are loaded
            begin = time.perf_counter()
            parts = list(pool.map(map_vintage, jobs))
            seconds = time.perf_counter() - begin
    found: dict[str, Any] = {"readings": readings, "workers": workers, "all_s_by_the_clock": seconds}
    for step in ("read", "clean", "settle", "krige"):
        found[f"{step}_s_of_processor_time"] = sum(one[0][step] for one in parts)
    found["memory_of_workers_mib"] = workers * max(one[1] for one in parts)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--vintages", type=int, default=10)
    parser.add_argument("--interval", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path, help="also write the figures to this file")
    given = parser.parse_args()
    found = run_bench(given.vintages, given.interval, given.workers)
    print(f"| 20 ha block x {given.vintages} vintages | value | reach |\n| --- | --- | --- |")
    reach = {"all_s_by_the_clock": "at most 15", "memory_of_workers_mib": "at most 1024"}
    for name, value in found.items():
        print(f"| {name} | {value:,.1f} | {reach.get(name, '')} |")
    if given.json:
        given.json.write_text(json.dumps(found, indent=2), encoding="utf-8")


if __name__ == "__main__":
    main()
