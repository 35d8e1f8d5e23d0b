"""Cost of the stages that see the whole estate, against the number of blocks, without the blocks' own work.

Cleaning and mapping are done block by block, so that their cost is a line by construction; where a curve
would hide is in what sees all blocks at once: settling, decline, value, programme and outputs. Here a small
invented estate is cleaned and mapped in earnest, its blocks are then repeated side by side under other names
with yields of their own, and the stages that follow are run on the many. Called alone:

    python scripts/bench_whole_estate.py --blocks 1000 5000 --json whole_estate.json
    python scripts/bench_whole_estate.py --blocks 5000 --keep FOLDER     (the outputs stay there to be opened)
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

from bench_scale import make_estate, peak_mib

SEED_BLOCKS = 30  # done in earnest
SIDE_M = (100.0, 120.0)
INTERVAL_S = 30
WORKERS = 2
EAST_M = 20_000.0  # between copies of the estate: further apart than it is wide
YIELD_LOG_SD = 0.03  # by which the yields of a copy differ, so that no two zones are the same


class Watch:
    """Takes the processor time of every stage, and the memory at its end."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.mib: dict[str, float] = {}
        self._at = time.process_time()

    def book(self, stage: str) -> None:
        """Book the time since the last call."""
        now = time.process_time()
        self.seconds[stage], self.mib[stage] = now - self._at, peak_mib()
        print(f"{stage}: {now - self._at:.0f} s, peak {peak_mib():.0f} MiB", file=sys.stderr, flush=True)
        self._at = time.process_time()


def repeat_blocks(parts: list[Any], copies: int) -> list[Any]:
    """Give cleaned or mapped blocks `copies` times, under other names and in other places."""
    import numpy as np

    rng = np.random.default_rng(7)
    out = []
    for copy in range(copies):
        for one in parts:
            tables = {
                name: _moved(getattr(one, name), copy, rng)
                for name in ("rows", "row_summary", "zones", "segments", "zone_vintage", "stand", "capacity")
                if hasattr(one, name)
            }
            out.append(replace(one, block_id=_named(one.block_id, copy), notes=[], **tables))
    return out


def _named(name: str, copy: int) -> str:
    head, dash, rest = str(name).partition("-")
    return f"{head}c{copy}{dash}{rest}"


def _moved(table: Any, copy: int, rng: Any) -> Any:
    import geopandas as gpd
    import numpy as np

    out = table.copy()
    for name in {"block_id", "zone_id", "row_id"} & set(out.columns):
        out[name] = [_named(one, copy) for one in out[name]]
    if {"zone_id", "yield_t_ha"} <= set(out.columns):
        out["yield_t_ha"] *= np.exp(rng.normal(0, YIELD_LOG_SD, len(out)))
    if isinstance(out, gpd.GeoDataFrame) and len(out):
        out = out.set_geometry(out.geometry.translate(xoff=EAST_M * copy))
    return out


def run_one(blocks: int, *, place: Path, seed_blocks: int) -> dict[str, Any]:
    """Clean and map a small estate, repeat its blocks, run the stages of the whole estate on them.

    Parameters
    ----------
    blocks : int
    place : pathlib.Path
        The small estate and what is kept of it lie here, and are used again; the outputs go into a folder of
        their own.
    seed_blocks : int
        Blocks of the small estate.

    Returns
    -------
    dict
        blocks, zones, seconds and memory by stage, lines and gap of a programme under limits, sizes of the
        outputs.
    """
    import geopandas as gpd
    import pandas as pd

    from vinemap import land
    from vinemap.assess import advise_estate
    from vinemap.job import open_estate
    from vinemap.pipeline.cache import ResultCache
    from vinemap.pipeline.cleaned import clean_block
    from vinemap.pipeline.fitting import fit_estate
    from vinemap.pipeline.mapped import map_block
    from vinemap.pipeline.measured import load_measured, save_measured
    from vinemap.pipeline.outputs import tell_headline, write_files
    from vinemap.pipeline.parallel import map_tasks, open_workers
    from vinemap.pipeline.tasks import clean_waiting, list_clean_tasks, list_map_tasks, settle_vintages
    from vinemap.progress import report_nothing as silent
    from vinemap.publish import make_run_info

    if not (place / "estate").exists():
        make_estate(place / "estate", seed_blocks, side_m=SIDE_M, interval_s=INTERVAL_S)
    store = open_estate(place / "estate").store
    prepared = land.prepare_blocks(store.blocks(), crs=store.crs())
    vintages = tuple(sorted({vintage for vintage, _ in store.harvest_keys()}))
    cache = ResultCache(place / "cache")
    with open_workers(workers=WORKERS, tasks=seed_blocks) as pool:
        tasks = list_clean_tasks(store, prepared.blocks, vintages, cache, None)
        cleaned = map_tasks(clean_block, tasks, pool=pool, report=silent, stage="")
        cleaned = clean_waiting(cleaned, tasks, pool, silent)
        settled = settle_vintages(
            cleaned, store, vintages, pool, silent, known_blocks=prepared.blocks["block_id"]
        )
        todo = list_map_tasks(
            cleaned, prepared.blocks, settled, store.settings, cache, place / "surfaces", None,
            drawn=store.drawn_zones(),
        )  # fmt: skip
        mapped = map_tasks(map_block, todo, pool=pool, report=silent, stage="")
    copies, out = -(-blocks // seed_blocks), place / str(blocks)
    chosen = pd.concat([_moved(prepared.blocks, one, None) for one in range(copies)], ignore_index=True).iloc[
        :blocks
    ]
    chosen = gpd.GeoDataFrame(chosen, crs=prepared.blocks.crs)
    cleaned, mapped = (repeat_blocks(parts, copies)[:blocks] for parts in (cleaned, mapped))
    watch = Watch()
    settled = settle_vintages(cleaned, store, vintages, None, silent, known_blocks=chosen["block_id"])
    watch.book("settling")
    measured = fit_estate(store, chosen, cleaned, settled, mapped, vintage=vintages[-1], notes=[])
    watch.book("decline")
    save_measured(measured, out / "measured")
    watch.book("measures kept")
    del cleaned, mapped, settled
    info = make_run_info(settings_hash="", crs=chosen.crs, vintages=list(vintages), cautions=[], extra={})
    advised = advise_estate(measured, store.settings, run_info=info)
    watch.book("value and advice")
    write_files(
        out, measured, advised, store.settings, tell_headline(advised, store.settings), cache, pool=None
    )
    watch.book("outputs")
    del advised
    measured = load_measured(out / "measured")
    watch.book("measures read")
    limits = {"budget": 2_000.0 * blocks, "crew_days": 5.0 * blocks, "years": 10}
    planned = advise_estate(measured, store.settings, run_info=info, limits=limits)
    watch.book("plan under limits")
    sizes = {name: (out / name).stat().st_size / 1e6 for name in ("map.html", "vinemap.gpkg")}
    return {
        "blocks": blocks,
        "zones": len(measured.zones),
        "seconds": watch.seconds,
        "peak_mib": watch.mib,
        "sizes_mb": sizes,
        "planned": len(planned.programme.table),
        "gap": planned.programme.gap,
    }


def to_markdown(runs: list[dict[str, Any]]) -> str:
    """Write the table: processor seconds a thousand blocks, by stage."""
    names = list(runs[0]["seconds"])
    head = ["blocks", "zones", *names, "all", "peak MiB", "map MB", "GeoPackage MB", "gap of the programme"]
    lines = [
        "Processor seconds a thousand blocks:",
        "",
        "| " + " | ".join(head) + " |",
        "| " + " | ".join("---:" for _ in head) + " |",
    ]
    for one in runs:
        each = [one["seconds"][name] / one["blocks"] * 1000 for name in names]
        cells = [str(one["blocks"]), str(one["zones"]), *(f"{value:.1f}" for value in [*each, sum(each)])]
        cells += [f"{max(one['peak_mib'].values()):.0f}", f"{one['sizes_mb']['map.html']:.1f}"]
        cells += [f"{one['sizes_mb']['vinemap.gpkg']:.1f}", f"{one['gap']:.4f}"]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Run from the command line; every size in a process of its own."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--blocks", type=int, nargs="+", default=[500, 2000], help="numbers of blocks")
    parser.add_argument("--seed-blocks", type=int, default=SEED_BLOCKS, help="blocks done in earnest")
    parser.add_argument("--keep", type=Path, help="leave the outputs in this folder")
    parser.add_argument("--json", type=Path, dest="file", help="also write the figures here")
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one:
        print(json.dumps(run_one(chosen.one, place=chosen.keep, seed_blocks=chosen.seed_blocks)))
        return
    runs = []
    with tempfile.TemporaryDirectory() if chosen.keep is None else nullcontext(str(chosen.keep)) as place:
        for blocks in chosen.blocks:
            command = [sys.executable, __file__, "--one", str(blocks), "--keep", place]
            command += ["--seed-blocks", str(chosen.seed_blocks)]
            done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, encoding="utf-8")
            runs.append(json.loads(done.stdout.splitlines()[-1]))
    print(to_markdown(runs))
    if chosen.file:
        chosen.file.write_text(json.dumps(runs, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
