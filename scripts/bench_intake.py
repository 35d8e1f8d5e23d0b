"""Time and memory of reading and storing harvest files, beside plain readers of the same files.

    python scripts/bench_intake.py            300,000 readings
    python scripts/bench_intake.py --full     1,500,000 readings, and a text log of 2 GB for its memory

Files are invented. Every time is the median of `repeats` runs in this process; memory is the peak of a
process of its own, the command line importing the long log.

Two plain readers stand beside ours. "pyarrow" cuts and types the cells on every core and ends with
numbers in memory: no points, no checks, no clock. "pyogrio" reads the same file through GDAL, every cell as
text. Ours types, checks and converts every cell, tells every row that cannot be used, and makes points.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.csv
import pyogrio
import shapely

from vinemap.estate import create_estate
from vinemap.intake import open_source, read_source

ROWS, FULL_ROWS = 300_000, 1_500_000
LONG_BYTES = 2_000_000_000
WEST, SOUTH, BLOCKS = 140.5, -34.21, 12
# Runs the command line, then tells the peak of this process; on macOS ru_maxrss is in bytes.
MEMORY = """
import resource, sys
from vinemap.__main__ import main
try:
    main()
except SystemExit as end:
    if end.code:
        raise
used = resource.getrusage(resource.RUSAGE_SELF)
scale = 1 if sys.platform == "darwin" else 1024
print("PEAK", used.ru_maxrss * scale, used.ru_utime + used.ru_stime, file=sys.stderr)
"""


def make_blocks() -> gpd.GeoDataFrame:
    """Twelve invented blocks side by side."""
    boxes = [
        shapely.box(WEST + 0.002 * n, SOUTH, WEST + 0.002 * (n + 1), SOUTH + 0.01) for n in range(BLOCKS)
    ]
    return gpd.GeoDataFrame(
        {"block_id": [f"B{n + 1}" for n in range(BLOCKS)], "row_spacing_m": 3.0, "vine_spacing_m": 2.0},
        geometry=boxes,
        crs=4326,
    )


def make_log(rows: int, *, seed: int = 1) -> pd.DataFrame:
    """One reading a second over all blocks."""
    rng = np.random.default_rng(seed)
    times = pd.Timestamp("2024-01-05T00:00:00Z") + pd.to_timedelta(np.arange(rows), unit="s")
    return pd.DataFrame(
        {
            "Time (UTC)": times.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "Latitude": rng.uniform(SOUTH, SOUTH + 0.01, rows).round(7),
            "Longitude": rng.uniform(WEST, WEST + 0.002 * BLOCKS, rows).round(7),
            "Speed (km/h)": rng.uniform(3, 5, rows).round(2),
            "Flow (t/h)": rng.uniform(4, 30, rows).round(2),
            "Machine": "H1",
        }
    )


def make_layer(log: pd.DataFrame) -> gpd.GeoDataFrame:
    """Make the same readings a layer, as a GeoPackage would hold them."""
    points = gpd.points_from_xy(log["Longitude"], log["Latitude"])
    plain = log.drop(columns=["Latitude", "Longitude"])
    return gpd.GeoDataFrame(plain, geometry=points, crs=4326)


def median_s(work: Callable[[], object], repeats: int) -> float:
    """Median wall time [s]."""
    taken = []
    for _ in range(repeats):
        started = time.perf_counter()
        work()
        taken.append(time.perf_counter() - started)
    return statistics.median(taken)


def run_bench(*, full: bool = False, repeats: int = 3) -> dict[str, float]:
    """Run the benchmark.

    Parameters
    ----------
    full : bool
        1.5 million readings and the long log of 2 GB.
    repeats : int

    Returns
    -------
    dict of str to float
        Times [s], ratios and memory [MiB] by name.
    """
    rows = FULL_ROWS if full else ROWS
    out: dict[str, float] = {
        "readings": rows,
        "load_before": os.getloadavg()[0] if hasattr(os, "getloadavg") else 0,
    }
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        text, layer = folder / "log.csv", folder / "log.gpkg"
        frame = make_log(rows)
        frame.to_csv(text, index=False)
        make_layer(frame.iloc[:ROWS]).to_file(layer)
        out |= _read_times(text, layer, repeats)
        out |= _store_times(folder, text)
        if full:
            out |= _long_log(folder)
    return out


def _read_times(text: Path, layer: Path, repeats: int) -> dict[str, float]:
    out = {
        "text_pyarrow_s": median_s(lambda: pyarrow.csv.read_csv(text).to_pandas(), repeats),
        "text_pyogrio_s": median_s(lambda: pyogrio.read_dataframe(text), 1),
        "text_vinemap_s": median_s(lambda: read_source(text, "harvest"), repeats),
        "gpkg_pyogrio_s": median_s(lambda: pyogrio.read_dataframe(layer), repeats),
        "gpkg_vinemap_s": median_s(lambda: read_source(layer, "harvest"), repeats),
    }
    out["text_over_pyarrow"] = out["text_vinemap_s"] / out["text_pyarrow_s"]
    out["text_over_pyogrio"] = out["text_vinemap_s"] / out["text_pyogrio_s"]
    out["gpkg_over_pyogrio"] = out["gpkg_vinemap_s"] / out["gpkg_pyogrio_s"]
    return out


def _store_times(folder: Path, text: Path) -> dict[str, float]:
    make_blocks().to_file(folder / "blocks.geojson")
    store = create_estate(folder / "estate")
    store.add(read_source(folder / "blocks.geojson", "blocks"))
    started = time.perf_counter()
    report = store.add(open_source(text, "harvest"))
    return {"stored": report.rows_stored, "read_and_store_s": time.perf_counter() - started}


def write_long_log(file: Path, *, size: int = LONG_BYTES) -> int:
    """Write a text log of at least `size` bytes; gives its readings."""
    frame, parts = make_log(FULL_ROWS, seed=2), 0
    while parts == 0 or file.stat().st_size < size:
        # Other machines, or the readings would be known again.
        frame.assign(Machine=f"H{parts + 2}").to_csv(file, index=False, mode="a", header=parts == 0)
        parts += 1
    return parts * FULL_ROWS


def _long_log(folder: Path) -> dict[str, float]:
    """Peak memory of importing a text log of 2 GB through the command line, in a process of its own."""
    file = folder / "long.csv"
    rows = write_long_log(file)
    started = time.perf_counter()
    words = ["add", "harvest", str(file), "--to", str(folder / "estate"), "--json"]
    done = subprocess.run(
        [sys.executable, "-c", MEMORY, *words], check=True, capture_output=True, encoding="utf-8"
    )
    report = json.loads(done.stdout)["imports"][0]
    peak, taken = done.stderr.rsplit("PEAK", 1)[1].split()
    return {
        "long_file_mb": file.stat().st_size / 1e6,
        "long_rows": rows,
        "long_stored": report["rows_stored"],
        "long_s": time.perf_counter() - started,
        "long_processor_s": float(taken),
        "long_peak_mib": float(peak) / 2**20,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--full", action="store_true", help="1.5 million readings and a log of 2 GB")
    parser.add_argument("--repeats", type=int, default=3)
    given = parser.parse_args()
    print("| what | value |\n| --- | ---: |")
    for name, value in run_bench(full=given.full, repeats=given.repeats).items():
        print(f"| {name} | {value:,.2f} |")


if __name__ == "__main__":
    main()
