"""Cost per block against the number of blocks: a line, not a curve.

Invented estates of thinned readings (one in `INTERVAL_S` seconds) are stored and assessed whole, each size
in a process of its own. Processor time is told by stage, since the stages of the whole estate (settling,
decline, map) are where a curve would hide. Called by scripts/bench.py, or alone:

    python scripts/bench_scale.py --blocks 10 100 1000
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

VINTAGES = tuple(range(2019, 2027))
INTERVAL_S = 20
SIZES = (10, 100)
SIDE_M = (240.0, 300.0)  # a block of 7.2 ha
STREET_M = 20.0
BLOCKS_A_LINE = 50
BATCH = 100  # blocks simulated at a time, so that the readings of all never lie in memory


def make_estate(folder: Path, blocks: int) -> None:
    """Store an invented estate of `blocks` blocks and eight vintages of thinned readings."""
    import geopandas as gpd
    import pandas as pd

    from vinemap.job import new_estate

    parts = [_simulate(first, min(BATCH, blocks - first)) for first in range(0, blocks, BATCH)]
    estate = new_estate(folder, name=f"{blocks} invented blocks")
    outlines = pd.concat([one.blocks for one in parts], ignore_index=True)
    estate.add("blocks", gpd.GeoDataFrame(outlines, crs=parts[0].blocks.crs))
    for part in parts:
        with tempfile.TemporaryDirectory() as files:
            _add_harvest(estate, part, Path(files))


def _add_harvest(estate: Any, part: Any, files: Path) -> None:
    from vinemap import simulate

    simulate.write_estate_files(part, files)
    for file in sorted((files / "harvest").iterdir()):
        estate.add("harvest", file, vintage=int(file.name[:4]))


def _simulate(first: int, blocks: int) -> Any:
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
            variety=("Shiraz", "Chardonnay", "Merlot")[number % 3],
            year_planted=2000 + number % 10,
            trellis_year=2000 + number % 10,
            bearing_deg=10.0,
            outline_m=_outline(number),
            level_t_ha=15.0 + number % 10,
            machine=("Wren", "Teal")[number % 2],
            troubles=troubles[number % 3],
        )
        for number in range(first, first + blocks)
    ]
    return simulate.simulate_estate(
        rng=np.random.default_rng(first),
        blocks=plans,
        vintages=VINTAGES,
        machines=[
            simulate.MachinePlan("Wren", bias=-0.1, delay_s=9),
            simulate.MachinePlan("Teal", bias=0.05, delay_s=7),
        ],
        count_vintages=(),
        weighed_vintages=(),
        interval_s=INTERVAL_S,
        name="Many invented blocks",
    )


def _outline(number: int) -> tuple[tuple[float, float], ...]:
    west = (number % BLOCKS_A_LINE) * (SIDE_M[0] + STREET_M)
    south = (number // BLOCKS_A_LINE) * (SIDE_M[1] + STREET_M)
    east, north = west + SIDE_M[0], south + SIDE_M[1]
    return ((west, south), (east, south), (east, north), (west, north))


def assess_one(blocks: int) -> dict[str, Any]:
    """Store and assess one estate in this process and its workers; processor seconds by stage."""
    from vinemap.job import open_estate

    stages: dict[str, float] = {}
    last: list[Any] = [None, 0.0]

    def report(stage: str, done: int, total: int) -> None:
        del total
        now = _processor_s()
        if last[0] is not None and (stage != last[0] or done):
            stages[last[0]] = stages.get(last[0], 0.0) + now - last[1]
        last[:] = [stage, now]

    with tempfile.TemporaryDirectory() as place:
        started = _processor_s()
        make_estate(Path(place) / "estate", blocks)
        stored = _processor_s() - started
        began, wall = _processor_s(), time.perf_counter()
        result = open_estate(Path(place) / "estate").assess(workers=2, report=report)
        whole, wall = _processor_s() - began, time.perf_counter() - wall
        again = time.perf_counter()
        open_estate(Path(place) / "estate").assess(workers=2)
        again = time.perf_counter() - again
        map_mb = result.map_file.stat().st_size / 1e6
    usage = [
        resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    ]
    return {
        "blocks": blocks,
        "zones": len(result.layers["zone"]),
        "stored_s": stored,
        "assessed_s": whole,
        "assessed_wall_s": wall,
        "again_wall_s": again,
        "stages_s": stages,
        "peak_mib": usage[0],
        "worker_peak_mib": usage[1],
        "map_mb": map_mb,
    }


def _processor_s() -> float:
    return sum(
        use.ru_utime + use.ru_stime
        for use in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


def run_bench(*, sizes: tuple[int, ...] = SIZES) -> dict[str, Any]:
    """Assess estates of several sizes, each in a fresh process.

    Parameters
    ----------
    sizes : tuple of int
        Numbers of blocks.

    Returns
    -------
    dict
        `runs`, one entry a size, and `growth`: cost per block of the largest over that of the smallest.
    """
    runs = []
    for blocks in sizes:
        command = [sys.executable, __file__, "--one", str(blocks)]
        done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, encoding="utf-8")
        runs.append(json.loads(done.stdout.splitlines()[-1]))
    per_block = [one["assessed_s"] / one["blocks"] for one in runs]
    return {"runs": runs, "growth": per_block[-1] / per_block[0]}


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
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one:
        print(json.dumps(assess_one(chosen.one)))
    else:
        print(to_markdown(run_bench(sizes=tuple(chosen.blocks))))


if __name__ == "__main__":
    main()
