"""The whole job, stage by stage: files in the estate folder -> measures -> advice -> files out.

`measure_estate` does what needs the readings; `advise_estate` does what needs the money; both are short, so
that the job can be followed here. The stages themselves are in their packages.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import harvest, land, renewal, tables, zones
from vinemap.decline import fit_decline
from vinemap.errors import DataError
from vinemap.estate import EstateStore, Settings
from vinemap.pipeline.blocks import (
    BlockTask,
    CleanedBlock,
    MappedBlock,
    MapTask,
    clean_block,
    clean_vintages_again,
    map_block,
)  # fmt: skip
from vinemap.pipeline.layers import build_layers
from vinemap.pipeline.measured import Measured
from vinemap.pipeline.money import list_methods, set_decision, set_money, set_programme
from vinemap.pipeline.parallel import map_tasks, open_workers
from vinemap.pipeline.renewed import renewed_zones
from vinemap.pipeline.weighed_only import add_weighed_vintages
from vinemap.pipeline.words import warn_of_record
from vinemap.progress import Report, report_nothing


@dataclass(frozen=True, slots=True)
class BlockMaps:
    """Surfaces of one block: yield by vintage [t/ha] and loss [%]."""

    block_id: str
    surfaces: dict[int, land.Grid]
    loss: land.Grid | None


@dataclass(frozen=True, slots=True)
class Advised:
    """Layers that go out, and what stands behind the advice."""

    layers: dict[str, pd.DataFrame]
    advice: pd.DataFrame
    valuation: renewal.Valuation
    programme: renewal.Programme
    after_check: pd.DataFrame


def measure_estate(
    store: EstateStore,
    *,
    vintage: int | None = None,
    blocks: Sequence[str] | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    surfaces_folder: Path,
    previous: Measured | None = None,
    report: Report = report_nothing,
) -> tuple[Measured, list[BlockMaps]]:
    """Do everything that needs readings: clean, settle, map, zone, decline.

    Parameters
    ----------
    store : EstateStore
    vintage : int, optional
        As after this vintage; the last one stored if None.
    blocks : sequence of str, optional
        Only these blocks.
    workers : int, optional
        Processes; all cores if None.
    scheduler : str, optional
        Address of a Dask scheduler.
    surfaces_folder : pathlib.Path
        Where the yield surfaces are written, block by block.
    previous : Measured, optional
        An earlier assessment: row numbers are kept and zone ids carried over.
    report : callable
        Told (stage, done, total).

    Returns
    -------
    measured : Measured
    maps : list of BlockMaps
        Surfaces block by block.

    Raises
    ------
    DataError
        If there is nothing to assess, or a block or vintage asked for is not there.
    """
    prepared = land.prepare_blocks(store.blocks(), crs=store.crs())
    chosen = _choose_blocks(prepared.blocks, blocks)
    last, vintages = _choose_vintages(store, vintage)
    work = Path(tempfile.mkdtemp(prefix="work-", dir=store.folder))
    try:
        with open_workers(workers=workers, tasks=len(chosen), scheduler=scheduler) as pool:
            tasks = _clean_tasks(store, chosen, vintages, work, previous)
            cleaned = map_tasks(clean_block, tasks, pool=pool, report=report, stage="Cleaning readings")
            cleaned = _clean_again(cleaned, tasks, pool, report)
            settled = _settle(cleaned, store, vintages, known_blocks=prepared.blocks["block_id"])
            todo = _map_tasks(cleaned, chosen, settled, store.settings, work, surfaces_folder, previous)
            mapped = map_tasks(map_block, todo, pool=pool, report=report, stage="Mapping and zoning")
    finally:
        shutil.rmtree(work, ignore_errors=True)
    report("Telling decline from seasons", 0, 1)
    measured = _fit(store, chosen, cleaned, settled, mapped, vintage=last, notes=prepared.notes)
    report("Telling decline from seasons", 1, 1)
    return measured, [_maps_of(one, measured) for one in mapped]


def advise_estate(
    measured: Measured,
    settings: Settings,
    *,
    run_info: pd.DataFrame,
    limits: dict[str, Any] | None = None,
) -> Advised:
    """Do everything that needs money: value, decide, plan, check renewals done, build the layers.

    Parameters
    ----------
    measured : Measured
    settings : Settings
    run_info : pandas.DataFrame
        Provenance to carry into the outputs.
    limits : dict, optional
        Limits of the programme (years, budget, crew_days, min_tonnes) over those of the settings.

    Returns
    -------
    Advised
    """
    rng = np.random.default_rng(settings.decline.seed)
    zone = measured.zones.merge(
        measured.blocks[["block_id", "variety", "year_planted", "trellis_year", "row_spacing_m"]],
        on="block_id",
    ).merge(measured.decline.zones[["zone_id", "missing_pct"]], on="zone_id", how="left")
    valuation = renewal.value_options(
        measured.decline.draws,
        zone,
        methods=list_methods(settings),
        money=set_money(settings, measured.blocks, _latest_mog(measured.settlement)),
        first_year=measured.vintage,
        trellis_life_years=settings.money.trellis_life_years,
        rng=rng,
    )
    advice = renewal.decide_zones(valuation, zone, measured.decline, **set_decision(settings))
    planned = _worth_planning(advice, measured.decline.zones, settings)
    programme = renewal.plan_programme(valuation, planned, **set_programme(settings, limits))
    layers = build_layers(measured, advice, valuation.options, programme.table, run_info=run_info, rng=rng)
    check = renewal.check_renewals(measured.decline.zone_vintage, zone, measured.renewed)
    return Advised(layers=layers, advice=advice, valuation=valuation, programme=programme, after_check=check)


# --------------------------------------------------------------------------------------------------- parts
def _choose_blocks(prepared: gpd.GeoDataFrame, wanted: Sequence[str] | None) -> gpd.GeoDataFrame:
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


def _choose_vintages(store: EstateStore, vintage: int | None) -> tuple[int, tuple[int, ...]]:
    harvested = set(store.harvest_index()["vintage"].astype(int))
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


def _clean_tasks(
    store: EstateStore,
    chosen: gpd.GeoDataFrame,
    vintages: tuple[int, ...],
    work: Path,
    previous: Measured | None,
) -> list[BlockTask]:
    counts, given = store.counts(), _given_rows(store, chosen, previous)
    counts = counts[counts["vintage"].isin(range(max(vintages) + 1))] if len(counts) else counts
    index = store.harvest_index()
    tasks = []
    for place in range(len(chosen)):
        block = chosen.iloc[[place]].reset_index(drop=True)
        block_id = str(block["block_id"].iloc[0])
        stored = index.loc[index["block_id"] == block_id, "vintage"].astype(int)
        tasks.append(
            BlockTask(
                store=store,
                block=block,
                vintages=tuple(sorted(set(stored) & set(vintages))),
                given_rows=given.get(block_id),
                counts=counts[counts["block_id"] == block_id] if len(counts) else counts,
                work=work,
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


def _clean_again(
    cleaned: list[CleanedBlock], tasks: list[BlockTask], pool: Any, report: Report
) -> list[CleanedBlock]:
    """Clean blocks whose readings did not tell the flow delay with what the machine showed elsewhere."""
    everywhere = harvest.pool_delays(told for one in cleaned for own in one.delays.values() for told in own)
    redo: dict[int, BlockTask] = {}
    for place, one in enumerate(cleaned):
        known = {}
        for year, own in one.delays.items():
            if all(told.identified for told in own):
                continue
            same_year = harvest.pool_delays(told for other in cleaned for told in other.delays.get(year, ()))
            known[year] = everywhere | same_year
        if any(known.values()):
            redo[place] = replace(
                tasks[place],
                delays=known,
                vintages=tuple(sorted(known)),
                given_rows=one.rows,
                counts=tasks[place].counts.iloc[:0],
            )
    if not redo:
        return cleaned
    again = map_tasks(
        clean_block,
        list(redo.values()),
        pool=pool,
        report=report,
        stage="Cleaning where the delay was unclear",
    )
    fresh = dict(zip(redo, again, strict=True))
    return [
        clean_vintages_again(one, fresh[place]) if place in fresh else one
        for place, one in enumerate(cleaned)
    ]


def _settle(
    cleaned: list[CleanedBlock], store: EstateStore, vintages: tuple[int, ...], *, known_blocks: pd.Series
) -> dict[int, harvest.Settlement]:
    summaries = [one.row_summary for one in cleaned if len(one.row_summary)]
    if not summaries:
        return {}
    summary, loads = pd.concat(summaries, ignore_index=True), store.loads()
    out = {}
    for year in vintages:
        own = summary[summary["vintage"] == year].drop(columns="vintage")
        if len(own):
            weighed = loads[loads["vintage"] == year] if len(loads) else loads
            out[year] = harvest.settle_vintage(own, weighed, vintage=year, known_blocks=set(known_blocks))
    return out


def _map_tasks(
    cleaned: list[CleanedBlock],
    chosen: gpd.GeoDataFrame,
    settled: dict[int, harvest.Settlement],
    settings: Settings,
    work: Path,
    surfaces_folder: Path,
    previous: Measured | None,
) -> list[MapTask]:
    seeds = np.random.SeedSequence(settings.decline.seed).generate_state(len(cleaned))
    return [
        MapTask(
            cleaned=one,
            block=chosen.iloc[[place]].reset_index(drop=True),
            settlements=settled,
            settings=settings,
            work=work,
            surfaces_folder=surfaces_folder,
            previous=_previous_of(previous, one.block_id),
            seed=int(seeds[place]),
        )
        for place, one in enumerate(cleaned)
    ]


def _previous_of(previous: Measured | None, block_id: str) -> gpd.GeoDataFrame | None:
    if previous is None:
        return None
    own = previous.zones[previous.zones["block_id"] == block_id]
    return own if len(own) else None


def _fit(
    store: EstateStore,
    chosen: gpd.GeoDataFrame,
    cleaned: list[CleanedBlock],
    settled: dict[int, harvest.Settlement],
    mapped: list[MappedBlock],
    *,
    vintage: int,
    notes: Sequence[str],
) -> Measured:
    settings = store.settings
    zone = gpd.GeoDataFrame(pd.concat([one.zones for one in mapped], ignore_index=True), crs=chosen.crs)
    segments = gpd.GeoDataFrame(
        pd.concat([one.segments for one in mapped], ignore_index=True), crs=chosen.crs
    )
    audit = [one.blocks for one in settled.values()]
    settlement = pd.concat(audit, ignore_index=True) if audit else tables.empty_table(tables.SETTLEMENT)
    stand = pd.concat([one.stand for one in mapped], ignore_index=True)
    renewed = renewed_zones(store.renewals(), segments, until=vintage)
    loads = store.loads()
    zone_vintage, settlement = add_weighed_vintages(
        pd.concat([one.zone_vintage for one in mapped], ignore_index=True),
        zone,
        settlement,
        loads[loads["vintage"] <= vintage],
        chosen,
    )
    facts = zone.merge(chosen[["block_id", "variety", "year_planted", "trellis_year"]], on="block_id")
    decline = fit_decline(
        zone_vintage,
        facts,
        settlement=settlement,
        stand=stand if len(stand) else None,
        renewals=renewed if len(renewed) else None,
        horizon_year=_horizon(chosen, vintage, settings),
        draws=settings.decline.draws,
        rng=np.random.default_rng(settings.decline.seed),
    )
    words = [
        *notes,
        *(word for one in cleaned for word in one.notes),
        *(word for one in mapped for word in one.notes),
    ]
    words += [word for one in settled.values() for word in one.notes]
    return Measured(
        vintage=vintage,
        blocks=chosen,
        rows=gpd.GeoDataFrame(pd.concat([one.rows for one in cleaned], ignore_index=True), crs=chosen.crs),
        zones=zone,
        segments=segments,
        stand=stand,
        settlement=settlement,
        renewed=renewed,
        decline=decline,
        reports={
            "cleaning": {one.block_id: one.reports for one in cleaned},
            "mapping": {one.block_id: one.reports for one in mapped},
            "over_capacity_share": {one.block_id: one.capacity_share for one in mapped},
        },
        notes=[*words, *warn_of_record(decline.zone_vintage), *decline.notes],
    )


def _horizon(chosen: gpd.GeoDataFrame, vintage: int, settings: Settings) -> int:
    built = chosen["trellis_year"].fillna(chosen["year_planted"]).dropna()
    end = int(built.max()) + settings.money.trellis_life_years if len(built) else 0
    return max(end, vintage + settings.decline.horizon_years)


def _maps_of(mapped: MappedBlock, measured: Measured) -> BlockMaps:
    loss = None
    if mapped.surfaces:
        loss = zones.loss_surface(
            mapped.surfaces, zones=mapped.zones, zone_vintage=measured.decline.zone_vintage
        )
    return BlockMaps(block_id=mapped.block_id, surfaces=mapped.surfaces, loss=loss)


def _worth_planning(advice: pd.DataFrame, decline: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Zones whose best renewal, now or later, pays with the chance asked for; not those still coming back."""
    enough = (advice["chance_pays"] >= settings.decision.chance_threshold) & (advice["gain_per_ha"] > 0)
    renewed = set(decline.loc[decline["renewed_year"].notna(), "zone_id"])
    coming_back = advice["zone_id"].isin(renewed) & (advice["advice"] != "renew")
    return advice.loc[enough & ~coming_back, ["zone_id", "advice"]].reset_index(drop=True)


def _latest_mog(settlement: pd.DataFrame) -> dict[str, float]:
    known = settlement.dropna(subset=["mog_pct"])
    latest = known[known["vintage"] == known["vintage"].max()]
    return {str(name): float(pct) for name, pct in zip(latest["block_id"], latest["mog_pct"], strict=True)}
