"""Time and check vinemap.surface on invented readings, beside gstat where R has it.

Run: python scripts/bench_surface.py [--readings 60000] [--cells 50000] [--repeats 3] [--gstat-cells 20000]
     [--no-peers] [--no-block] [--json FILE]

The readings are invented: rows 3 m apart, a Gaussian field of exponential covariance (partial sill 4, scale
40 m) drawn by random waves, and a nugget of 2. R and gstat are optional and only run, never needed.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

try:
    import resource
except ImportError:  # Windows has none
    resource = None  # type: ignore[assignment]

from vinemap.surface import LocalBlockKriging, Variogram, experimental_variogram, krige_polygons

TRUTH = Variogram("exponential", 2.0, 4.0, 40.0)
ROW_M = 3.0
SIDE_M = 447.0  # of the square block: 20 ha
REACH = {
    "cells_per_s_processes_2": "at least 100,000, or 8 x gstat's one process and 4 x its two",
    "variogram_s": "at most 0.4",
    "second_start_peak_memory_mib": "at most 400",
    "largest_relative_difference_mean_gauss": "below 1e-6",
    "largest_relative_difference_variance_gauss": "below 1e-5",
}
GSTAT = """
suppressMessages({library(sp); library(gstat)})
folder <- commandArgs(TRUE)[1]
readings <- read.csv(file.path(folder, "readings.csv")); coordinates(readings) <- ~x+y
cells <- read.csv(file.path(folder, "cells.csv")); coordinates(cells) <- ~x+y
model <- vgm(4, "Exp", 40, 2)
gauss <- system.time(a <- krige(z~1, readings, cells, model, nmax=64, block=c(10,10), debug.level=0))
regular <- system.time(b <- krige(z~1, readings, cells, model, nmax=64, block=c(10,10), debug.level=0,
                                  set=list(nblockdiscr=4)))
pairs <- system.time(v <- variogram(z~1, readings, cutoff=100, width=5))
con <- file(file.path(folder, "kriged.bin"), "wb")
writeBin(c(a$var1.pred, a$var1.var, b$var1.pred, b$var1.var), con); close(con)
con <- file(file.path(folder, "pairs.bin"), "wb")
writeBin(c(as.numeric(v$np), v$dist, v$gamma), con); close(con)
cat(gauss[["elapsed"]], regular[["elapsed"]], pairs[["elapsed"]], sum(gauss[1:2]), sum(pairs[1:2]),
    as.character(packageVersion("gstat")))
"""


def invent_readings(count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    rows = rng.integers(0, int(SIDE_M // ROW_M), count)
    places = np.column_stack([rng.uniform(0, SIDE_M, count), rows * ROW_M + rng.normal(0, 0.15, count)])
    # Spectrum of the exponential covariance in the plane: wave number from its inverse distribution.
    wave = np.sqrt((1.0 - rng.uniform(size=400)) ** -2 - 1.0) / TRUTH.range_m
    turn, phase = rng.uniform(0, 2 * np.pi, (2, 400))
    field = np.zeros(count)
    for k, a, p in zip(wave, turn, phase, strict=True):
        field += np.cos(k * (places[:, 0] * np.cos(a) + places[:, 1] * np.sin(a)) + p)
    field *= np.sqrt(2.0 * TRUTH.partial_sill / 400)
    return places, 12.0 + field + rng.normal(0, np.sqrt(TRUTH.nugget), count)


def grid_cells(count: int) -> np.ndarray:
    """Centres of 2 m cells, row by row, as many as asked for, in the middle of the block."""
    line = np.arange(1.0, SIDE_M, 2.0)
    cells = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    return cells[(len(cells) - min(count, len(cells))) // 2 :][:count]


def median_seconds(work: Callable[[], Any], repeats: int) -> float:
    seconds = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - start)
    return statistics.median(seconds)


def cpu_rate(work: Callable[[], Any], count: int, repeats: int) -> float:
    """Things done per second of processor time (median): of use on a machine that is busy otherwise."""
    seconds = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        seconds.append(time.process_time() - start)
    return count / statistics.median(seconds)


def krige_part(places: np.ndarray, values: np.ndarray, cells: np.ndarray, repeats: int) -> list[float]:
    """Wall-clock seconds of each of several runs, begun together with those of the other processes."""
    model = LocalBlockKriging(TRUTH).fit(places, values)
    model.predict(cells[:10])
    START_LINE["barrier"].wait()
    seconds = []
    for _ in range(repeats):
        start = time.perf_counter()
        model.predict(cells)
        seconds.append(time.perf_counter() - start)
    return seconds


START_LINE: dict[str, Any] = {}


def _take_barrier(barrier: Any) -> None:
    START_LINE["barrier"] = barrier


def rate_of_processes(
    places: np.ndarray, values: np.ndarray, cells: np.ndarray, count: int, repeats: int
) -> float:
    """Cells per second of several processes at work together, as the pipeline works: its rates added."""
    context = multiprocessing.get_context("spawn")
    shares = np.array_split(cells, count)
    with ProcessPoolExecutor(
        count, mp_context=context, initializer=_take_barrier, initargs=(context.Barrier(count),)
    ) as pool:
        jobs = [pool.submit(krige_part, places, values, share, repeats) for share in shares]
        return sum(
            len(share) / statistics.median(job.result()) for share, job in zip(shares, jobs, strict=True)
        )


def bench_kriging(places: np.ndarray, values: np.ndarray, cells: np.ndarray, repeats: int) -> dict[str, Any]:
    found: dict[str, Any] = {}
    start = time.perf_counter()
    LocalBlockKriging(TRUTH).fit(places[:100], values[:100]).predict(cells[:1])
    found["first_call_s"] = time.perf_counter() - start
    exact = LocalBlockKriging(TRUTH).fit(places, values)
    mean, error = exact.predict(cells, return_std=True)
    found["cells_per_s_of_processor_time"] = cpu_rate(lambda: exact.predict(cells), len(cells), repeats)
    for quadrature in ("gauss", "regular"):
        sums = LocalBlockKriging(TRUTH, quadrature=quadrature).fit(places, values)
        found[f"{quadrature}_cells_per_s_of_processor_time"] = cpu_rate(
            lambda model=sums: model.predict(cells), len(cells), repeats
        )
    for threads in (1, 2):
        exact.threads = threads
        found[f"cells_per_s_threads_{threads}"] = len(cells) / median_seconds(
            lambda: exact.predict(cells), repeats
        )
    found["cells_per_s_processes_2"] = rate_of_processes(places, values, cells, 2, repeats)
    for side in (2, 3):
        shared = LocalBlockKriging(TRUTH, share_within_m=2.0 * side).fit(places, values)
        found[f"shared_{side}x{side}_cells_per_s"] = len(cells) / median_seconds(
            lambda model=shared: model.predict(cells), repeats
        )
        off = (shared.predict(cells) - mean) / error
        found[f"shared_{side}x{side}_rms_difference_in_se"] = float(np.sqrt(np.mean(off**2)))
        found[f"shared_{side}x{side}_largest_difference_in_se"] = float(np.abs(off).max())
    return found


def bench_variogram(places: np.ndarray, values: np.ndarray, repeats: int) -> dict[str, Any]:
    def work() -> Any:
        return experimental_variogram(places, values, max_distance_m=100.0, bin_m=5.0)

    pairs = int(work().pairs.sum())
    return {
        "variogram_s": median_seconds(work, repeats),
        "variogram_s_of_processor_time": 1.0 / cpu_rate(work, 1, repeats),
        "variogram_pairs": pairs,
    }


def bench_polygons(places: np.ndarray, values: np.ndarray) -> dict[str, Any]:
    import shapely

    zones = [shapely.box(x, y, x + 60, y + 60) for x in range(0, 420, 60) for y in range(0, 420, 60)]
    rng = np.random.default_rng(1)
    start = time.perf_counter()
    krige_polygons(places, values, zones, variogram=TRUTH, rng=rng)
    return {"polygon_ms": 1000 * (time.perf_counter() - start) / len(zones)}


def time_gstat_twice(program: str, folder: Path) -> list[float]:
    """Seconds that two processes of gstat take for the same kriging at the same time (Gauss quadrature)."""
    (folder / "one.R").write_text(GSTAT.split("regular <-")[0] + "cat(gauss[['elapsed']])", encoding="utf-8")
    runs = [
        subprocess.Popen(
            [program, str(folder / "one.R"), str(folder)], stdout=subprocess.PIPE, text=True, encoding="utf-8"
        )
        for _ in range(2)
    ]
    return [float(run.communicate()[0]) for run in runs]


def compare_gstat(places: np.ndarray, values: np.ndarray, cells: np.ndarray) -> dict[str, Any]:
    program = shutil.which("Rscript")
    check = "quit(status = !requireNamespace('gstat', quietly = TRUE))"
    if program is None or subprocess.run([program, "-e", check], check=False, capture_output=True).returncode:
        return {"gstat": "skipped: Rscript with the package gstat is not installed here"}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        np.savetxt(
            folder / "readings.csv",
            np.column_stack([places, values]),
            "%.17g",
            ",",
            header="x,y,z",
            comments="",
        )
        np.savetxt(folder / "cells.csv", cells, "%.17g", ",", header="x,y", comments="")
        (folder / "peer.R").write_text(GSTAT, encoding="utf-8")
        run = subprocess.run(
            [program, str(folder / "peer.R"), name],
            check=True,
            capture_output=True,
            text=True,
            encoding="utf-8",
        )
        seconds_of_two = time_gstat_twice(program, folder)
        theirs = np.fromfile(folder / "kriged.bin").reshape(2, 2, -1)
        pairs, _, gamma = np.fromfile(folder / "pairs.bin").reshape(3, -1)
    gauss_s, regular_s, variogram_s, gauss_cpu_s, variogram_cpu_s, version = run.stdout.split()
    found: dict[str, Any] = {
        "gstat": version,
        "gstat_cells_per_s_gauss": len(cells) / float(gauss_s),
        "gstat_cells_per_s_regular": len(cells) / float(regular_s),
        "gstat_cells_per_s_processes_2": sum(len(cells) / seconds for seconds in seconds_of_two),
        "gstat_cells_per_s_of_processor_time": len(cells) / float(gauss_cpu_s),
        "gstat_variogram_s": float(variogram_s),
        "gstat_variogram_s_of_processor_time": float(variogram_cpu_s),
    }
    for quadrature, (mean, variance) in zip(("gauss", "regular"), theirs, strict=True):
        model = LocalBlockKriging(TRUTH, quadrature=quadrature).fit(places, values)
        ours, error = model.predict(cells, return_std=True)
        found[f"largest_relative_difference_mean_{quadrature}"] = float(np.abs(ours / mean - 1).max())
        found[f"largest_relative_difference_variance_{quadrature}"] = float(
            np.abs(error**2 / variance - 1).max()
        )
    own = experimental_variogram(places, values, max_distance_m=100.0, bin_m=5.0)
    found["variogram_pairs_same_as_gstat"] = bool(np.array_equal(own.pairs, pairs))
    found["variogram_largest_relative_difference"] = float(np.abs(own.semivariance / gamma - 1).max())
    return found


FRESH = """
import json, resource, sys, time
import numpy as np
begin = time.perf_counter()
from vinemap.surface import LocalBlockKriging, Variogram, experimental_variogram
loaded = time.perf_counter()
data = np.load(sys.argv[1])
model = LocalBlockKriging(Variogram("exponential", 2.0, 4.0, 40.0)).fit(data["places"], data["values"])
model.predict(data["cells"][:1])
experimental_variogram(data["places"][:500], data["values"][:500], max_distance_m=100.0, bin_m=5.0)
ready = time.perf_counter()
model.predict(data["cells"], return_std=True)
experimental_variogram(data["places"], data["values"], max_distance_m=100.0, bin_m=5.0)
unit = 1024.0**2 if sys.platform == "darwin" else 1024.0
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
print(json.dumps([loaded - begin, ready - loaded, peak]))
"""


def measure_starts(places: np.ndarray, values: np.ndarray, cells: np.ndarray) -> dict[str, Any]:
    """First start ever (everything compiled) and second start, and memory of a process that only kriges."""
    if resource is None:
        return {"starts": "skipped: this system does not tell the memory of a process"}
    found = {}
    with tempfile.TemporaryDirectory() as name:
        np.savez(Path(name) / "data.npz", places=places, values=values, cells=cells)
        environment = os.environ | {"NUMBA_CACHE_DIR": str(Path(name) / "compiled")}
        for start in ("first", "second"):
            run = subprocess.run(
                [sys.executable, "-c", FRESH, str(Path(name) / "data.npz")],
                check=True, capture_output=True, text=True, encoding="utf-8", env=environment,
            )  # fmt: skip
            loading, ready, peak = json.loads(run.stdout)
            found |= {
                f"{start}_start_import_s": loading,
                f"{start}_start_compile_or_load_s": ready,
                f"{start}_start_peak_memory_mib": peak,
            }
    return found


def compare_libraries(places: np.ndarray, values: np.ndarray, cells: np.ndarray) -> dict[str, Any]:
    """Rates of other libraries for what they offer of it; fewer cells and readings where they are slow."""
    found: dict[str, Any] = {}
    some, few = cells[:2000], slice(None, None, 20)
    try:
        from pykrige.ok import OrdinaryKriging

        model = OrdinaryKriging(
            *places[few].T, values[few], variogram_model="exponential",
            variogram_parameters={"psill": 4.0, "range": 120.0, "nugget": 2.0},
        )  # fmt: skip
        rate = cpu_rate(
            lambda: model.execute("points", *some.T, n_closest_points=64, backend="loop"), len(some), 1
        )
        found["pykrige_points_per_s_3000_readings"] = rate
    except ImportError:
        found["pykrige"] = "not installed"
    try:
        from gstools import vario_estimate

        edges = np.arange(0.0, 101.0, 5.0)
        found["gstools_variogram_s_6000_readings"] = 1.0 / cpu_rate(
            lambda: vario_estimate(places[::10].T, values[::10], edges), 1, 1
        )
    except ImportError:
        found["gstools"] = "not installed"
    try:
        from skgstat import Variogram as PeerVariogram

        found["scikit_gstat_variogram_s_3000_readings"] = 1.0 / cpu_rate(
            lambda: (
                PeerVariogram(places[few], values[few], maxlag=100.0, n_lags=20, fit_method=None).experimental
            ),
            1,
            1,
        )
    except ImportError:
        found["scikit_gstat"] = "not installed"
    for step in (10, 20):
        found[f"own_variogram_s_{len(places[::step])}_readings"] = 1.0 / cpu_rate(
            lambda step=step: experimental_variogram(
                places[::step], values[::step], max_distance_m=100.0, bin_m=5.0
            ),
            1,
            3,
        )
    from scipy.interpolate import RBFInterpolator

    spline = RBFInterpolator(places, values, neighbors=64, smoothing=1.0)
    found["scipy_rbf_points_per_s_64_neighbours_no_error"] = cpu_rate(lambda: spline(some), len(some), 1)
    return found


def machine_load() -> float:
    """Mean number of processes that wanted to run in the last minute; NaN where the system does not tell."""
    return os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")


def run_bench(
    readings: int = 60_000,
    cells: int = 50_000,
    repeats: int = 3,
    gstat_cells: int = 20_000,
    peers: bool = True,
) -> dict[str, Any]:
    """Run everything and give the figures by name (seconds, cells per second, relative differences)."""
    places, values = invent_readings(readings, np.random.default_rng(20))
    found: dict[str, Any] = {"readings": readings, "cells": cells, "machine_load_at_start": machine_load()}
    found |= bench_kriging(places, values, grid_cells(cells), repeats)
    found |= bench_variogram(places, values, repeats)
    found |= bench_polygons(places, values)
    found |= measure_starts(places, values, grid_cells(cells))
    if peers:
        found |= compare_libraries(places, values, grid_cells(cells))
        found |= compare_gstat(places, values, grid_cells(gstat_cells))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--readings", type=int, default=60_000)
    parser.add_argument("--cells", type=int, default=50_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--gstat-cells", type=int, default=20_000)
    parser.add_argument("--no-peers", action="store_true")
    parser.add_argument("--no-block", action="store_true", help="leave bench_block.py out")
    parser.add_argument("--json", type=Path, help="also write the figures to this file")
    given = parser.parse_args()
    found = run_bench(given.readings, given.cells, given.repeats, given.gstat_cells, not given.no_peers)
    print("| figure | value | reach |\n| --- | --- | --- |")
    for name, value in found.items():
        shown = f"{value:,.0f}" if isinstance(value, float) and value >= 1000 else value
        told = f"{value:.4g}" if isinstance(shown, float) else shown
        print(f"| {name} | {told} | {REACH.get(name, '')} |")
    if given.json:
        given.json.write_text(json.dumps(found, indent=2), encoding="utf-8")
    if not given.no_block:
        print()
        sys.stdout.flush()
        subprocess.run([sys.executable, str(Path(__file__).with_name("bench_block.py"))], check=True)


if __name__ == "__main__":
    main()
