"""Time and memory of reading and storing harvest files, beside plain readers of the same files.

    python scripts/bench_intake.py            300,000 readings
    python scripts/bench_intake.py --full     1,500,000 readings, and a text log of 2 GB for its memory

Files are invented. Every time is the median of `repeats` runs in this process, wall clock and processor time;
memory is the peak of a process of its own, the command line importing the long log.

Beside ours stand two plain readers of the same file. "pyarrow": text typed on every core, a layer as GDAL's
Arrow table, GeoParquet as an Arrow table; no checks, no points. "pyogrio": a data frame with a point in every
row through GDAL (text: every cell as text); for GeoParquet, which its GDAL does not read, geopandas instead.
Of ours three steps are timed: "read" cuts the file into cells; "understand" reads it and types, checks and
converts every cell, and tells every row that cannot be used; "import" does that and stores it in an estate,
sorted into blocks.
"""

from __future__ import annotations

import argparse
import itertools
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
import pyarrow.parquet
import pyogrio
import shapely

from vinemap.estate import EstateStore, create_estate
from vinemap.intake import open_source, read_source
from vinemap.intake.readers import read_raw

ROWS, FULL_ROWS = 300_000, 1_500_000
FORMATS = ("csv", "gpkg", "shp", "parquet")
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


def median_s(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Median wall time and processor time [s]."""
    taken = []
    for _ in range(repeats):
        started, busy = time.perf_counter(), time.process_time()
        work()
        taken.append((time.perf_counter() - started, time.process_time() - busy))
    return statistics.median(one for one, _ in taken), statistics.median(one for _, one in taken)


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
        make_blocks().to_file(folder / "blocks.geojson")
        for file in write_files(folder, rows):
            out |= _file_times(folder, file, repeats)
        if full:
            out |= _long_log(folder)
    return out


def write_files(folder: Path, rows: int) -> list[Path]:
    """Write the same readings in four formats."""
    files = [folder / f"log.{end}" for end in ("csv", "gpkg", "shp", "parquet")]
    frame = make_log(rows)
    frame.to_csv(files[0], index=False)
    layer = make_layer(frame)
    layer.to_file(files[1])
    # Names of ten letters, as a Shapefile has them; its clock is text.
    layer.set_axis(["time_utc", "speed_km_h", "flow_t_h", "machine", "geometry"], axis=1).to_file(files[2])
    layer.to_parquet(files[3])
    return files


def plain_readers(file: Path) -> dict[str, Callable[[], object]]:
    """Readers of the same file that neither check nor understand."""
    if file.suffix == ".csv":
        return {
            "pyarrow": lambda: pyarrow.csv.read_csv(file).to_pandas(),
            "pyogrio": lambda: pyogrio.read_dataframe(file),
        }
    if file.suffix == ".parquet":
        return {
            "pyarrow": lambda: pyarrow.parquet.read_table(file),
            "pyogrio": lambda: gpd.read_parquet(file),
        }
    return {"pyarrow": lambda: pyogrio.read_arrow(file), "pyogrio": lambda: pyogrio.read_dataframe(file)}


def new_store(folder: Path, name: str) -> EstateStore:
    """Make an estate with blocks and nothing else."""
    store = create_estate(folder / name)
    store.add(read_source(folder / "blocks.geojson", "blocks"))
    return store


def _file_times(folder: Path, file: Path, repeats: int) -> dict[str, float]:
    """Time the plain readers and ours, and give each of ours over each of them."""
    kind = file.suffix[1:]
    peers = {name: median_s(read, repeats) for name, read in plain_readers(file).items()}
    stores = [new_store(folder, f"{kind}{place}") for place in range(repeats)]

    def import_it() -> None:
        if stores.pop().add(open_source(file, "harvest")).rows_stored < 0.9 * ROWS:
            raise SystemExit(f"{file.name}: not stored")

    steps: dict[str, Callable[[], object]] = {
        "read": lambda: read_raw(file, "harvest"),
        "understand": lambda: read_source(file, "harvest"),
        "import": import_it,
    }
    ours = {name: median_s(step, repeats) for name, step in steps.items()}
    out: dict[str, float] = {}
    for name, (wall, busy) in (peers | ours).items():
        out |= {f"{kind}_{name}_s": wall, f"{kind}_{name}_processor_s": busy}
    for step, peer in itertools.product(ours, peers):
        for place, clock in enumerate(("", "_processor")):
            out[f"{kind}_{step}_over_{peer}{clock}"] = ours[step][place] / peers[peer][place]
    return out


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
    new_store(folder, "estate")
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
    result = run_bench(full=given.full, repeats=given.repeats)
    print_formats(result)
    print("\n| what | value |\n| --- | ---: |")
    for name, value in result.items():
        if not name.startswith(FORMATS):
            print(f"| {name} | {value:,.2f} |")


def print_formats(result: dict[str, float]) -> None:
    """Print what was measured of each format: times, and times of the plain readers' time."""
    print("| file | step | s | processor s | x pyarrow | x pyogrio | processor x pyarrow | x pyogrio |")
    print("| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    for kind, step in itertools.product(FORMATS, ("pyarrow", "pyogrio", "read", "understand", "import")):
        times = [f"{result[f'{kind}_{step}{end}']:.2f}" for end in ("_s", "_processor_s")]
        ratios = [
            f"{result[key]:.2f}" if (key := f"{kind}_{step}_over_{peer}{clock}") in result else ""
            for clock in ("", "_processor")
            for peer in ("pyarrow", "pyogrio")
        ]
        print(f"| {kind} | {step} | {' | '.join([*times, *ratios])} |")


if __name__ == "__main__":
    main()
