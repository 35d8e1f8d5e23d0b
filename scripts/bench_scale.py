"""Cost per block against the number of blocks: a line, not a curve; and what a Dask cluster costs over it.

Invented estates of thinned readings are stored and assessed whole, each size in a process of its own.
Processor time is told by stage, since the stages of the whole estate (settling, decline, map) are where a
curve would hide. Called by scripts/bench.py, or alone:

    python scripts/bench_scale.py --blocks 10 100 1000
    python scripts/bench_scale.py --blocks 1000 --side 100 120 --interval 30 --json scale.json
    python scripts/bench_scale.py --blocks 20 --dask
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import nullcontext
from pathlib import Path
from typing import Any

VINTAGES = tuple(range(2019, 2027))
INTERVAL_S = 20
SIZES = (10, 100)
SIDE_M = (240.0, 300.0)  # a block of 7.2 ha
WORKERS = 2
STREET_M = 20.0
BLOCKS_A_LINE = 50
BATCH = 100  # blocks simulated at a time, so that the readings of all never lie in memory


def make_estate(folder: Path, blocks: int, *, side_m: tuple[float, float], interval_s: int) -> None:
    """Store an invented estate of `blocks` blocks and eight vintages of thinned readings."""
    import geopandas as gpd
    import pandas as pd

    from vinemap import simulate
    from vinemap.job import new_estate

    with tempfile.TemporaryDirectory() as place:
        outlines, parts = [], []
        for first in range(0, blocks, BATCH):
            part = _simulate(range(first, min(first + BATCH, blocks)), side_m, interval_s)
            outlines.append(part.blocks)
            parts.append(Path(place) / str(first))
            simulate.write_estate_files(part, parts[-1])
        estate = new_estate(folder, name=f"{blocks} invented blocks")
        estate.add("blocks", gpd.GeoDataFrame(pd.concat(outlines, ignore_index=True), crs=outlines[0].crs))
        for files in parts:
            for file in sorted((files / "harvest").iterdir()):
                estate.add("harvest", file, vintage=int(file.name[:4]))


def _simulate(numbers: range, side_m: tuple[float, float], interval_s: int) -> Any:
    import numpy as np

    from vinemap import simulate

    troubles = (
        (),
        (simulate.Trouble("whole_block", start_year=2021.0, rate_per_year=0.6, pace_years=3.0),),
        (simulate.Trouble("weak_soil", reach_m=45.0, share=0.4),),
    )
    plans = [
        simulate.BlockPlan(
            f"N{number:05d}",
            f"Block {number}",
            variety=("Shiraz", "Chardonnay", "Merlot")[number // 3 % 3],  # each has blocks of every trouble
            year_planted=2000 + number % 10,
            trellis_year=2000 + number % 10,
            bearing_deg=10.0,
            outline_m=_outline(number, side_m),
            level_t_ha=15.0 + number % 10,
            machine=("Wren", "Teal")[number % 2],
            troubles=troubles[number % 3],
        )
        for number in numbers
    ]
    return simulate.simulate_estate(
        rng=np.random.default_rng(numbers[0]),
        blocks=plans,
        vintages=VINTAGES,
        machines=[
            simulate.MachinePlan("Wren", bias=-0.1, delay_s=9),
            simulate.MachinePlan("Teal", bias=0.05, delay_s=7),
        ],
        count_vintages=(),
        weighed_vintages=(),
        interval_s=interval_s,
        name="Many invented blocks",
    )


def _outline(number: int, side_m: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    west = (number % BLOCKS_A_LINE) * (side_m[0] + STREET_M)
    south = (number // BLOCKS_A_LINE) * (side_m[1] + STREET_M)
    east, north = west + side_m[0], south + side_m[1]
    return ((west, south), (east, south), (east, north), (west, north))


class Stages:
    """Takes progress and tells processor seconds of each stage and the memory at its end."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.peak_mib: dict[str, float] = {}
        self._last, self._at = "", processor_s()

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Book the time since the last call to the stage that was on."""
        if stage == self._last and 0 < done < total:
            return
        now = processor_s()
        if self._last:
            self.seconds[self._last] = self.seconds.get(self._last, 0.0) + now - self._at
            self.peak_mib[self._last] = peak_mib()
        self._last, self._at = stage, now
        print(f"{stage} {done}/{total}: {now:.0f} s, peak {peak_mib():.0f} MiB", file=sys.stderr, flush=True)


def assess_one(
    blocks: int, *, side_m: tuple[float, float], interval_s: int, kept: Path | None = None
) -> dict[str, Any]:
    """Store and assess one estate in this process and its workers; processor seconds by stage.

    Parameters
    ----------
    blocks : int
    side_m : tuple of float
        Sides of a block [m].
    interval_s : int
        Between readings [s].
    kept : pathlib.Path, optional
        Estate of an earlier run to use again, or where to keep it.

    Returns
    -------
    dict
    """
    from vinemap.job import open_estate

    with tempfile.TemporaryDirectory() if kept is None else nullcontext(str(kept)) as place:
        folder = Path(place) / "estate"
        started = processor_s()
        if not folder.exists():
            make_estate(folder, blocks, side_m=side_m, interval_s=interval_s)
        stored = processor_s() - started
        print(f"stored: {stored:.0f} s", file=sys.stderr, flush=True)
        stages, began, wall = Stages(), processor_s(), time.perf_counter()
        result = open_estate(folder).assess(workers=WORKERS, report=stages)
        whole, wall = processor_s() - began, time.perf_counter() - wall
        again = time.perf_counter()
        open_estate(folder).assess(workers=WORKERS)
        again = time.perf_counter() - again
        sizes = {name: _size_mb(result.folder / name) for name in ("map.html", "vinemap.gpkg", "surfaces")}
    return {
        "blocks": blocks,
        "side_m": side_m,
        "interval_s": interval_s,
        "zones": result.headline["zones"],
        "stored_s": stored,
        "assessed_s": whole,
        "assessed_wall_s": wall,
        "again_wall_s": again,
        "stages_s": stages.seconds,
        "stages_peak_mib": stages.peak_mib,
        "peak_mib": peak_mib(),
        "worker_peak_mib": peak_mib(children=True),
        "sizes_mb": sizes,
    }


def _size_mb(path: Path) -> float:
    files = path.rglob("*") if path.is_dir() else [path]
    return sum(one.stat().st_size for one in files if one.is_file()) / 1e6


def processor_s() -> float:
    """Processor seconds of this process, and of its workers that have ended or run still."""
    import psutil

    times = [one.cpu_times() for one in _alive(psutil)]
    own = times[0]
    return sum(one.user + one.system for one in times) + own.children_user + own.children_system


def _alive(psutil: Any) -> list[Any]:
    me = psutil.Process()
    return [me, *(one for one in me.children(recursive=True) if one.status() != psutil.STATUS_ZOMBIE)]


def peak_mib(*, children: bool = False) -> float:
    """Peak of resident memory of this process, or of the largest of its workers that have ended [MiB]."""
    import resource

    who = resource.RUSAGE_CHILDREN if children else resource.RUSAGE_SELF
    return resource.getrusage(who).ru_maxrss / 1024


def run_bench(
    *,
    sizes: tuple[int, ...] = SIZES,
    side_m: tuple[float, float] = SIDE_M,
    interval_s: int = INTERVAL_S,
    kept: Path | None = None,
) -> dict[str, Any]:
    """Assess estates of several sizes, each in a fresh process.

    Parameters
    ----------
    sizes : tuple of int
        Numbers of blocks.
    side_m : tuple of float
        Sides of a block [m].
    interval_s : int
        Between readings [s].
    kept : pathlib.Path, optional
        Keep the estates here, one folder a size, and use those of an earlier run again.

    Returns
    -------
    dict
        `runs`, one entry a size, and `growth`: cost per block of the largest over that of the smallest.
    """
    runs = []
    for blocks in sizes:
        command = [sys.executable, __file__, "--one", str(blocks), "--interval", str(interval_s)]
        command += ["--side", *map(str, side_m)]
        command += ["--keep", str(kept / str(blocks))] if kept else []
        done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, encoding="utf-8")
        runs.append(json.loads(done.stdout.splitlines()[-1]))
    per_block = [one["assessed_s"] / one["blocks"] for one in runs]
    return {"runs": runs, "growth": per_block[-1] / per_block[0]}


def compare_dask(
    blocks: int, *, side_m: tuple[float, float] = SIDE_M, interval_s: int = INTERVAL_S, rounds: int = 3
) -> dict[str, Any]:
    """Assess one estate with local processes and over a local Dask cluster, turn about.

    Parameters
    ----------
    blocks : int
    side_m : tuple of float
        Sides of a block [m].
    interval_s : int
        Between readings [s].
    rounds : int
        Runs of each; the fastest of each counts, since other work only ever adds.

    Returns
    -------
    dict
        Wall and processor seconds of each run, and `overhead`: share that Dask adds to the fastest.
    """
    from distributed import Client, LocalCluster

    from vinemap.job import open_estate

    runs: dict[str, list[tuple[float, float]]] = {"processes": [], "dask": []}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "estate"
        make_estate(folder, blocks, side_m=side_m, interval_s=interval_s)
        with LocalCluster(n_workers=WORKERS, threads_per_worker=1, dashboard_address=None) as cluster:
            address = cluster.scheduler_address
            with Client(address) as client:
                client.wait_for_workers(WORKERS)
                client.run(_load)
            for name, options in [
                ("processes", {"workers": WORKERS}),
                ("dask", {"scheduler": address}),
            ] * rounds:
                for kept in ("out", "cache"):
                    shutil.rmtree(folder / kept, ignore_errors=True)
                began, wall = processor_s(), time.perf_counter()
                open_estate(folder).assess(**options)
                runs[name].append((time.perf_counter() - wall, processor_s() - began))
    best = {name: min(wall for wall, _ in seen) for name, seen in runs.items()}
    return {"blocks": blocks, "runs": runs, "overhead": best["dask"] / best["processes"] - 1}


def _load() -> None:
    import vinemap.assess  # noqa: F401


def to_markdown(result: dict[str, Any]) -> str:
    """Write the table."""
    names = sorted({name for one in result["runs"] for name in one["stages_s"]})
    head = ["blocks", "zones", "processor s per block", *names, "wall s", "again s", "main MiB", "worker MiB"]
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---:" for _ in head) + " |"]
    for one in result["runs"]:
        stages = [f"{one['stages_s'].get(name, 0.0) / one['blocks']:.3f}" for name in names]
        cells = [
            str(one["blocks"]),
            str(one["zones"]),
            f"{one['assessed_s'] / one['blocks']:.3f}",
            *stages,
            f"{one['assessed_wall_s']:.0f}",
            f"{one['again_wall_s']:.1f}",
            f"{one['peak_mib']:.0f}",
            f"{one['worker_peak_mib']:.0f}",
        ]
        lines.append("| " + " | ".join(cells) + " |")
    lines += ["", f"Cost per block, largest over smallest: {result['growth']:.2f} (stages in s per block)."]
    return "\n".join(lines)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--blocks", type=int, nargs="+", default=list(SIZES), help="numbers of blocks")
    parser.add_argument("--side", type=float, nargs=2, default=SIDE_M, help="sides of a block [m]")
    parser.add_argument("--interval", type=int, default=INTERVAL_S, help="between readings [s]")
    parser.add_argument("--keep", type=Path, help="keep the estates in this folder, and use them again")
    parser.add_argument("--json", type=Path, dest="file", help="also write the figures here")
    parser.add_argument("--dask", action="store_true", help="compare local processes with a Dask cluster")
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    land: dict[str, Any] = {"side_m": tuple(chosen.side), "interval_s": chosen.interval}
    if chosen.one:
        print(json.dumps(assess_one(chosen.one, kept=chosen.keep, **land)))
        return
    if chosen.dask:
        result = compare_dask(chosen.blocks[0], **land)
        print(f"Dask adds {100 * result['overhead']:.1f} % to local processes on {result['blocks']} blocks.")
    else:
        result = run_bench(sizes=tuple(chosen.blocks), kept=chosen.keep, **land)
        print(to_markdown(result))
    if chosen.file:
        chosen.file.write_text(json.dumps(result, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
