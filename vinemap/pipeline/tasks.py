"""Which blocks and vintages are assessed, and the tasks that the workers get."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from vinemap import harvest, publish
from vinemap.errors import DataError
from vinemap.estate import EstateStore, Settings
from vinemap.pipeline.cache import ResultCache
from vinemap.pipeline.cleaned import BlockTask, CleanedBlock, clean_block, join_vintages
from vinemap.pipeline.mapped import MappedBlock, MapTask
from vinemap.pipeline.measured import Measured
from vinemap.pipeline.parallel import map_tasks
from vinemap.pipeline.surface_files import LossTask
from vinemap.progress import Report


def choose_blocks(prepared: gpd.GeoDataFrame, wanted: Sequence[str] | None) -> gpd.GeoDataFrame:
    """Take the blocks asked for, or all.

    Parameters
    ----------
    prepared : geopandas.GeoDataFrame
        Blocks as `land.prepare_blocks` gives them.
    wanted : sequence of str, optional

    Returns
    -------
    geopandas.GeoDataFrame

    Raises
    ------
    DataError
        If there is no block, or one asked for is not there.
    """
    if prepared.empty:
        raise DataError(
            "The estate has no blocks.", remedy="Add outlines first: vinemap add blocks FILE --to FOLDER."
        )
    if not wanted:
        return prepared
    unknown = [one for one in wanted if one not in set(prepared["block_id"])]
    if unknown:
        known = ", ".join(prepared["block_id"])
        raise DataError(
            f"Block {unknown[0]!r} is not in the estate.", where="--block", remedy=f"Known are {known}."
        )
    return prepared[prepared["block_id"].isin(wanted)].reset_index(drop=True)


def choose_vintages(store: EstateStore, vintage: int | None) -> tuple[int, tuple[int, ...]]:
    """Find the last vintage to assess and all vintages up to it that hold a yield of any kind.

    Parameters
    ----------
    store : EstateStore
    vintage : int, optional
        The last one stored if None.

    Returns
    -------
    last : int
    vintages : tuple of int
        Rising.

    Raises
    ------
    DataError
        If nothing is stored, or not the vintage asked for.
    """
    harvested = {vintage for vintage, _ in store.harvest_keys()}
    counts = store.counts()
    picked = set(counts.loc[counts["picked_kg"].notna(), "vintage"].astype(int)) if len(counts) else set()
    loads = store.loads()
    known = sorted(harvested | picked | set(loads["vintage"].astype(int)))
    if not known:
        raise DataError(
            "There is no harvest data yet.",
            where=str(store.folder),
            remedy="Add readings (vinemap add harvest), counts with picked weights (vinemap add counts) or "
            "weighed loads (vinemap add loads).",
        )
    if vintage is not None and vintage not in known:
        raise DataError(
            f"Vintage {vintage} is not stored.",
            where="--vintage",
            remedy=f"Stored are {', '.join(map(str, known))}.",
        )
    last = vintage or known[-1]
    return last, tuple(one for one in known if one <= last)


def list_clean_tasks(
    store: EstateStore,
    chosen: gpd.GeoDataFrame,
    vintages: tuple[int, ...],
    cache: ResultCache,
    previous: Measured | None,
) -> list[BlockTask]:
    """Make one cleaning task a block: its vintages, its counts and the rows known of it.

    Parameters
    ----------
    store : EstateStore
    chosen : geopandas.GeoDataFrame
        Prepared blocks.
    vintages : tuple of int
    cache : ResultCache
        What passes between the workers, and between runs.
    previous : Measured, optional
        Earlier assessment, whose rows are used again where the outline is the same.

    Returns
    -------
    list of BlockTask
    """
    counts, given = store.counts(), _given_rows(store, chosen, previous)
    counts = counts[counts["vintage"].isin(range(max(vintages) + 1))] if len(counts) else counts
    stored: dict[str, list[int]] = {}
    for vintage, block_id in store.harvest_keys():
        stored.setdefault(block_id, []).append(vintage)
    counted = dict(list(counts.groupby("block_id"))) if len(counts) else {}
    tasks = []
    for place in range(len(chosen)):
        block = chosen.iloc[[place]].reset_index(drop=True)
        block_id = str(block["block_id"].iloc[0])
        tasks.append(
            BlockTask(
                store=store,
                block=block,
                vintages=tuple(sorted(set(stored.get(block_id, ())) & set(vintages))),
                given_rows=given.get(block_id),
                counts=counted.get(block_id, counts.iloc[:0]),
                cache=cache,
            )
        )
    return tasks


def _given_rows(
    store: EstateStore, chosen: gpd.GeoDataFrame, previous: Measured | None
) -> dict[str, gpd.GeoDataFrame]:
    """Rows that are known: surveyed ones, else those laid in an earlier assessment of the same outline."""
    surveyed = store.rows()
    known = {str(block_id): rows.to_crs(chosen.crs) for block_id, rows in surveyed.groupby("block_id")}
    if previous is None or previous.blocks.crs != chosen.crs:
        return known
    now, before = chosen.set_index("block_id"), previous.blocks.set_index("block_id")
    plan = ["row_spacing_m", "vine_spacing_m", "grid_bearing_deg"]
    for block_id, rows in previous.rows.groupby("block_id"):
        same = block_id in now.index and now.geometry[block_id].equals(before.geometry[block_id])
        if same and (now.loc[block_id, plan] == before.loc[block_id, plan]).all():
            known.setdefault(str(block_id), rows.reset_index(drop=True))
    return known


def clean_waiting(
    cleaned: list[CleanedBlock], tasks: list[BlockTask], pool: Any, report: Report
) -> list[CleanedBlock]:
    """Clean vintages that did not tell the flow delay, with what their machines showed in other blocks."""
    everywhere = harvest.pool_delays(told for one in cleaned for own in one.delays.values() for told in own)
    years = {year for one in cleaned for year in one.delays}
    pooled = {
        year: everywhere | harvest.pool_delays(told for one in cleaned for told in one.delays.get(year, ()))
        for year in years
    }
    redo: dict[int, BlockTask] = {}
    for place, one in enumerate(cleaned):
        waiting = sorted(set(one.delays) - set(one.reports))
        if waiting:
            redo[place] = replace(
                tasks[place],
                pooled={year: pooled[year] for year in waiting},
                vintages=tuple(waiting),
                given_rows=one.rows,
                counts=tasks[place].counts.iloc[:0],
            )
    if not redo:
        return cleaned
    later = map_tasks(
        clean_block,
        list(redo.values()),
        pool=pool,
        report=report,
        stage="Cleaning where the delay was unclear",
    )
    fresh = dict(zip(redo, later, strict=True))
    return [join_vintages(one, fresh[place]) if place in fresh else one for place, one in enumerate(cleaned)]


@dataclass(frozen=True, slots=True)
class SettleTask:
    """What settling one vintage needs; picklable."""

    vintage: int
    row_summary: pd.DataFrame
    loads: pd.DataFrame
    known_blocks: frozenset[str]


def settle_one(task: SettleTask) -> harvest.Settlement:
    """Settle the blocks of one vintage against its weighed loads."""
    # To the last digit the same in every process: what is kept of the maps goes by the settled yields.
    with threadpool_limits(1, user_api="blas"):
        return harvest.settle_vintage(
            task.row_summary, task.loads, vintage=task.vintage, known_blocks=task.known_blocks
        )


def settle_vintages(
    cleaned: list[CleanedBlock],
    store: EstateStore,
    vintages: tuple[int, ...],
    pool: Any,
    report: Report,
    *,
    known_blocks: pd.Series,
) -> dict[int, harvest.Settlement]:
    """Settle every vintage over all blocks against its weighed loads.

    Parameters
    ----------
    cleaned : list of CleanedBlock
    store : EstateStore
    vintages : tuple of int
    pool : Executor, optional
    report : callable
    known_blocks : pandas.Series
        Ids of all blocks of the estate, also those not assessed.

    Returns
    -------
    dict of int to harvest.Settlement
    """
    summaries = [one.row_summary for one in cleaned if len(one.row_summary)]
    if not summaries:
        return {}
    summary, loads = pd.concat(summaries, ignore_index=True), store.loads()
    of_vintage = dict(list(loads.groupby("vintage"))) if len(loads) else {}
    known = frozenset(known_blocks)
    own = {year: rows.drop(columns="vintage") for year, rows in summary.groupby("vintage")}
    tasks = [
        SettleTask(year, own[year], of_vintage.get(year, loads.iloc[:0]), known)
        for year in vintages
        if year in own
    ]
    told = map_tasks(settle_one, tasks, pool=pool, report=report, stage="Settling to the weighed loads")
    return {task.vintage: one for task, one in zip(tasks, told, strict=True)}


def list_map_tasks(
    cleaned: list[CleanedBlock],
    chosen: gpd.GeoDataFrame,
    settled: dict[int, harvest.Settlement],
    settings: Settings,
    cache: ResultCache,
    surfaces_folder: Path,
    previous: Measured | None,
    *,
    drawn: gpd.GeoDataFrame,
) -> list[MapTask]:
    """Make one mapping task a block, each with a seed of its own.

    Parameters
    ----------
    cleaned : list of CleanedBlock
    chosen : geopandas.GeoDataFrame
    settled : dict of int to harvest.Settlement
    settings : Settings
    cache : ResultCache
    surfaces_folder : pathlib.Path
    previous : Measured, optional
    drawn : geopandas.GeoDataFrame
        Zones drawn by hand, of any blocks; they stand instead of found ones.

    Returns
    -------
    list of MapTask
    """
    by_hand = _by_block(drawn.to_crs(chosen.crs))
    earlier = _by_block(previous.zones) if previous is not None else {}
    shares = {year: _share_settlement(one) for year, one in settled.items()}
    seeds = np.random.SeedSequence(settings.decline.seed).generate_state(len(cleaned))
    return [
        MapTask(
            cleaned=one,
            block=chosen.iloc[[place]].reset_index(drop=True),
            settlements={year: of[one.block_id] for year, of in shares.items() if one.block_id in of},
            settings=settings,
            cache=cache,
            surfaces_folder=surfaces_folder,
            previous=earlier.get(one.block_id),
            seed=int(seeds[place]),
            drawn=by_hand.get(one.block_id),
        )
        for place, one in enumerate(cleaned)
    ]


def list_loss_tasks(
    mapped: list[MappedBlock],
    measured: Measured,
    settings: Settings,
    cache: ResultCache,
    surfaces_folder: Path,
) -> list[LossTask]:
    """Make one task a block that has yield surfaces: what it lost, once that is told from the seasons.

    Parameters
    ----------
    mapped : list of MappedBlock
    measured : Measured
        Blocks in the order of `mapped`.
    settings : Settings
    cache : ResultCache
    surfaces_folder : pathlib.Path

    Returns
    -------
    list of LossTask
    """
    block_of = measured.zones.set_index("zone_id")["block_id"]
    course = measured.decline.zone_vintage
    shown = len(mapped) <= settings.outputs.map_surface_blocks
    of_map = sum(len(one.mapped_vintages) + 1 for one in mapped if one.mapped_vintages)
    courses = {str(name): own for name, own in course.groupby(course["zone_id"].map(block_of))}
    return [
        LossTask(
            block=measured.blocks.iloc[[place]].reset_index(drop=True),
            zones=one.zones,
            zone_vintage=courses.get(one.block_id, course.iloc[:0]),
            vintages=one.mapped_vintages,
            cell_m=settings.surface.cell_m,
            folder=surfaces_folder,
            cache=cache,
            map_cells=publish.cells_each(of_map) if shown else 0,
        )
        for place, one in enumerate(mapped)
        if one.mapped_vintages
    ]


def _by_block(zones: gpd.GeoDataFrame) -> dict[str, gpd.GeoDataFrame]:
    return {str(name): own.reset_index(drop=True) for name, own in zones.groupby("block_id")}


def _share_settlement(settlement: harvest.Settlement) -> dict[str, harvest.Settlement]:
    """Take a settlement apart by block, so that no task carries the whole estate."""
    return {
        str(name): replace(settlement, blocks=own, notes=[])
        for name, own in settlement.blocks.groupby("block_id")
    }
