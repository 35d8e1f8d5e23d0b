"""Measure vinemap, stage by stage, beside reference libraries: .venv/bin/python scripts/bench.py [STAGE ...].

Stages: intake, clean, surface, zones, decline, decision, programme, map, scale (each
scripts/bench_<stage>.py), whole (the demo from the command line: cold, one new vintage, nothing changed,
another price, a plan, --help) and dask (what a local cluster costs over local processes). All of them without
a name. Medians with least and greatest; `--json FILE` and `--markdown FILE` keep the figures with machine and
versions. Figures are only worth something on a quiet machine; the load is printed with them.
"""

from __future__ import annotations

import argparse
import importlib.util
import itertools
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
SCRIPTS = ("intake", "clean", "surface", "zones", "decline", "decision", "programme", "map", "scale")
STAGES = (*SCRIPTS, "whole", "dask")
PACKAGES = ("vinemap", "numpy", "scipy", "numba", "pandas", "geopandas", "pyarrow", "rasterio")
WORKERS = 2
ROUNDS = 3
# What the issue asks for on two cores [s].
REACH = {
    "cold: load and assess": 60.0,
    "cold, kernels compiled too": 60,
    "one new vintage: add and assess": 15.0,
    "nothing changed": 3.0,
    "vinemap --help": 0.4,
}


def describe_machine() -> dict[str, Any]:
    """Machine, load, commit and the versions that matter."""
    from importlib.metadata import version

    asked = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=HERE, capture_output=True, text=True, check=False
    )
    return {
        "when": datetime.now(UTC).isoformat(timespec="minutes"),
        "commit": asked.stdout.strip(),
        "machine": platform.machine(),
        "processor": _processor(),
        "cores": os.cpu_count(),
        "load": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
        "python": platform.python_version(),
        "versions": {one: version(one) for one in PACKAGES},
    }


def _processor() -> str:
    info = Path("/proc/cpuinfo")
    if not info.exists():
        return platform.processor()
    names = [line for line in info.read_text(encoding="utf-8").splitlines() if line.startswith("model name")]
    return names[0].split(":", 1)[1].strip() if names else ""


def tell_machine(seen: dict[str, Any]) -> str:
    """One line on the machine for a person."""
    versions = ", ".join(f"{name} {number}" for name, number in seen["versions"].items())
    load = "" if seen["load"] is None else f", load {seen['load']:.1f}"
    return (
        f"{seen['when']}, commit {seen['commit']}; {seen['machine']} {seen['processor']}, "
        f"{seen['cores']} cores{load}; Python {seen['python']}, {versions}"
    )


def run_script(name: str) -> dict[str, Any]:
    """Run the bench of one stage in a process of its own; its Markdown, and figures where it gives them."""
    script = HERE / f"bench_{name}.py"
    with tempfile.TemporaryDirectory() as place:
        figures = Path(place) / "figures.json"
        gives = '"--json"' in script.read_text(encoding="utf-8")
        command = [sys.executable, str(script), *(["--json", str(figures)] if gives else [])]
        done = subprocess.run(command, stdout=subprocess.PIPE, text=True, encoding="utf-8", check=False)
        print(done.stdout, flush=True)
        found = json.loads(figures.read_text(encoding="utf-8")) if figures.exists() else None
    return {"markdown": done.stdout, "figures": found, "status": done.returncode}


# ------------------------------------------------------------------------------------------- the whole job
def run_whole(rounds: int = ROUNDS) -> dict[str, Any]:
    """Time the demo estate from the command line, in processes of its own, with two workers."""
    times: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        folder, shorter = place / "estate", place / "shorter"
        for number in range(rounds):
            shutil.rmtree(folder, ignore_errors=True)
            cold = "cold: load and assess" if _has_kernels() else "cold, kernels compiled too"
            _note(times, cold, "demo", folder, "--workers", WORKERS)
            if not number:
                new_files = _make_shorter(shorter)
            shutil.copytree(shorter, place / "grown")
            _note_new_vintage(times, place / "grown", new_files)
            shutil.rmtree(place / "grown")
        for number in range(rounds):
            _note(times, "nothing changed", "assess", folder, "--workers", WORKERS)
            _note(
                times,
                "another price",
                "assess",
                folder,
                before=lambda number=number: _set_price(folder, number),
            )
            _note(times, "plan under a budget", "plan", folder, "--budget", 100_000 + number)
            _note(times, "back to the settings", "assess", folder)
            _note(times, "vinemap --help", "--help")
        size = (next((folder / "out").glob("[0-9]*")) / "map.html").stat().st_size / 1e6
    text = _tabulate(times) + f"\n\nMap file: {size:.2f} MB"
    print(text, flush=True)
    return {"markdown": text, "figures": {"seconds": times, "map_mb": size}, "status": 0}


def _has_kernels() -> bool:
    """Whether an earlier run has left compiled kernels."""
    return any((HERE.parent / "vinemap").rglob("*.nbi"))


def _note(
    times: dict[str, list[float]], what: str, *words: object, before: Callable[[], None] | None = None
) -> None:
    """Run a command and book its time under what it does."""
    if before is not None:
        before()
    began = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "vinemap", *map(str, words)],
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"},
    )
    times.setdefault(what, []).append(time.perf_counter() - began)


def _make_shorter(folder: Path) -> list[Path]:
    """Assess the demo without its last vintage; gives the files of that vintage."""
    from vinemap.job import _demo_source, list_demo_files, new_estate

    estate = new_estate(folder)
    files = list_demo_files(_demo_source(folder))
    last = max(vintage for _, _, vintage in files if vintage)
    for kind, file, vintage in files:
        if vintage != last:
            estate.add(kind, file, vintage=vintage)
    estate.assess(workers=WORKERS)
    return [file for _, file, vintage in files if vintage == last]


def _note_new_vintage(times: dict[str, list[float]], folder: Path, files: list[Path]) -> None:
    own: dict[str, list[float]] = {}
    for kind, same in itertools.groupby(files, key=lambda file: file.parent.name):  # as README adds them
        several = list(same)
        _note(own, "add", "add", kind, *several, "--to", folder, "--vintage", several[0].name[:4])
    _note(own, "assess", "assess", folder, "--workers", WORKERS)
    times.setdefault("one new vintage: add and assess", []).append(sum(own["add"]) + own["assess"][0])
    times.setdefault("one new vintage: assess alone", []).append(own["assess"][0])


def _set_price(folder: Path, number: int) -> None:
    toml = folder / "estate.toml"
    lines = toml.read_text(encoding="utf-8").splitlines()
    price = f"price_per_tonne = {600.0 + number}"
    lines = [price if one.startswith("price_per_tonne") else one for one in lines]
    toml.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _tabulate(times: dict[str, list[float]]) -> str:
    lines = [
        f"| demo estate (130 ha x 10 vintages), {WORKERS} processes | median s | least, greatest | reach |",
        "| --- | ---: | ---: | ---: |",
    ]
    for name, seen in times.items():
        reach = f"{REACH[name]:g}" if name in REACH else ""
        lines.append(
            f"| {name} | {statistics.median(seen):.2f} | {min(seen):.2f}, {max(seen):.2f} | {reach} |"
        )
    return "\n".join(lines)


def run_dask() -> dict[str, Any]:
    """Compare local processes with a local Dask cluster of as many workers."""
    command = [sys.executable, str(HERE / "bench_scale.py"), "--dask", "--blocks", "20"]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, encoding="utf-8", check=False)
    print(done.stdout, flush=True)
    return {"markdown": done.stdout, "figures": None, "status": done.returncode}


def main() -> int:
    """Run the stages named, or all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stages", nargs="*", metavar="STAGE", help=", ".join(STAGES))
    parser.add_argument("--json", type=Path, dest="file", help="keep the figures here")
    parser.add_argument("--markdown", type=Path, help="keep the tables here")
    parser.add_argument("--rounds", type=int, default=ROUNDS, help="runs of each command of the whole job")
    chosen = parser.parse_args()
    unknown = [one for one in chosen.stages if one not in STAGES]
    if unknown:
        print(f"Unknown stage {unknown[0]!r}; there are {', '.join(STAGES)}.", file=sys.stderr)
        return 2
    if importlib.util.find_spec("vinemap") is None:
        print("vinemap is not installed here; run python3 scripts/test.py first.", file=sys.stderr)
        return 2
    machine = describe_machine()
    print(tell_machine(machine), flush=True)
    special = {"whole": lambda: run_whole(chosen.rounds), "dask": run_dask}
    found = {}
    for name in chosen.stages or STAGES:
        print(f"\n## {name}\n", flush=True)
        found[name] = special[name]() if name in special else run_script(name)
    if chosen.file:
        chosen.file.write_text(json.dumps(machine | {"stages": found}, indent=1), encoding="utf-8")
    if chosen.markdown:
        parts = [f"## {name}\n\n{one['markdown'].strip()}\n" for name, one in found.items()]
        chosen.markdown.write_text("\n".join([tell_machine(machine), "", *parts]), encoding="utf-8")
    return max(one["status"] for one in found.values())


if __name__ == "__main__":
    sys.exit(main())
