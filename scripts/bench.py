"""Measure vinemap, stage by stage, beside reference libraries: .venv/bin/python scripts/bench.py [STAGE ...].

Stages: intake, clean, surface, decline, decision, map (each scripts/bench_<stage>.py) and whole (the demo,
cold, second run, plan). Figures are only worth something on a quiet machine; the load is printed with them.
"""

from __future__ import annotations

import importlib.util
import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
STAGES = ("intake", "clean", "surface", "decline", "decision", "map")


def describe_machine() -> str:
    """One line on the machine, its load, and the versions that matter."""
    from importlib.metadata import version

    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    packages = ", ".join(
        f"{one} {version(one)}" for one in ("vinemap", "numpy", "scipy", "numba", "geopandas")
    )
    return (
        f"{platform.machine()}, {os.cpu_count()} cores{load}; Python {platform.python_version()}, {packages}"
    )


def run_stage(name: str) -> int:
    """Run the bench of one stage in a process of its own; gives its exit status."""
    script = HERE / f"bench_{name}.py"
    if not script.exists():
        print(f"{name}: there is no {script.name}", file=sys.stderr)
        return 2
    return subprocess.run([sys.executable, str(script)], check=False).returncode


def run_whole() -> int:
    """Time the demo cold, assessed again, and planned again, with two processes."""
    from vinemap.job import open_estate, run_demo

    rows = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "estate"
        begin = time.perf_counter()
        result = run_demo(folder, workers=2)
        rows.append(("load and assess, cold", time.perf_counter() - begin))
        estate = open_estate(folder)
        begin = time.perf_counter()
        estate.assess(workers=2)
        rows.append(("assess again", time.perf_counter() - begin))
        begin = time.perf_counter()
        estate.plan(budget=100_000)
        rows.append(("plan again", time.perf_counter() - begin))
        size = result.map_file.stat().st_size / 1e6
    print("\n| whole job, demo estate (130 ha x 10 vintages), 2 processes | s |\n| --- | --- |")
    for name, seconds in rows:
        print(f"| {name} | {seconds:.1f} |")
    print(f"\nMap file: {size:.2f} MB")
    return 0


def main() -> int:
    """Run the stages named, or all."""
    wanted = sys.argv[1:] or [*STAGES, "whole"]
    unknown = [one for one in wanted if one not in (*STAGES, "whole")]
    if unknown:
        print(f"Unknown stage {unknown[0]!r}; there are {', '.join((*STAGES, 'whole'))}.", file=sys.stderr)
        return 2
    if importlib.util.find_spec("vinemap") is None:
        print("vinemap is not installed here; run python3 scripts/test.py first.", file=sys.stderr)
        return 2
    print(describe_machine(), flush=True)
    return max(run_whole() if one == "whole" else run_stage(one) for one in wanted)


if __name__ == "__main__":
    sys.exit(main())
