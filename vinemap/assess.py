"""The whole job, stage by stage: files in the estate folder -> measures -> advice -> files out.

`measure_estate` does what needs the readings; `advise_estate` does what needs the money; both are short, so
that the job can be followed here. The stages themselves are in their packages.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vinemap import land, renewal
from vinemap.estate import EstateStore, Settings
from vinemap.pipeline.cache import FOLDER as CACHE
from vinemap.pipeline.cache import ResultCache
from vinemap.pipeline.cleaned import clean_block
from vinemap.pipeline.fitting import fit_estate
from vinemap.pipeline.layers import build_layers
from vinemap.pipeline.mapped import map_block
from vinemap.pipeline.measured import Measured
from vinemap.pipeline.money import list_methods, set_decision, set_money, set_programme
from vinemap.pipeline.parallel import map_tasks, start_tasks
from vinemap.pipeline.surface_files import draw_loss
from vinemap.pipeline.tasks import (
    choose_blocks,
    choose_vintages,
    clean_waiting,
    list_clean_tasks,
    list_loss_tasks,
    list_map_tasks,
    settle_vintages,
)
from vinemap.progress import Report, report_nothing


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
    pool: Executor | None,
    surfaces_folder: Path,
    previous: Measured | None = None,
    report: Report = report_nothing,
) -> tuple[Measured, Callable[[], object]]:
    """Do everything that needs readings: clean, settle, map, zone, decline.

    Parameters
    ----------
    store : EstateStore
    vintage : int, optional
        As after this vintage; the last one stored if None.
    blocks : sequence of str, optional
        Only these blocks.
    pool : concurrent.futures.Executor, optional
        As `pipeline.parallel.open_workers` gives it; None for this process.
    surfaces_folder : pathlib.Path
        Where the surfaces are written, block by block: no more of them than one block's is ever in memory.
    previous : Measured, optional
        An earlier assessment: row numbers are kept and zone ids carried over.
    report : callable
        Told (stage, done, total).

    Returns
    -------
    Measured
    callable
        Waits for the maps of losses, which the workers draw while this process weighs renewal.

    Raises
    ------
    DataError
        If there is nothing to assess, or a block or vintage asked for is not there.
    """
    # Workers start elsewhere, so they are told whole paths.
    store, surfaces_folder = EstateStore(store.folder.absolute()), surfaces_folder.absolute()
    prepared = land.prepare_blocks(store.blocks(), crs=store.crs())
    chosen = choose_blocks(prepared.blocks, blocks)
    last, vintages = choose_vintages(store, vintage)
    cache = ResultCache(store.folder / CACHE)
    tasks = list_clean_tasks(store, chosen, vintages, cache, previous)
    cleaned = map_tasks(clean_block, tasks, pool=pool, report=report, stage="Cleaning readings")
    cleaned = clean_waiting(cleaned, tasks, pool, report)
    settled = settle_vintages(
        cleaned, store, vintages, pool, report, known_blocks=prepared.blocks["block_id"]
    )
    todo = list_map_tasks(
        cleaned,
        chosen,
        settled,
        store.settings,
        cache,
        surfaces_folder,
        previous,
        drawn=store.drawn_zones(),
    )
    mapped = map_tasks(map_block, todo, pool=pool, report=report, stage="Mapping and zoning")
    measured = fit_estate(
        store, chosen, cleaned, settled, mapped, vintage=last, notes=prepared.notes, pool=pool, report=report
    )
    losses = list_loss_tasks(mapped, measured, store.settings, cache, surfaces_folder)
    return measured, start_tasks(draw_loss, losses, pool=pool, report=report, stage="Mapping losses")


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
    ).merge(measured.decline.zones[["zone_id", "missing_pct", "renewed_year"]], on="zone_id", how="left")
    valuation = renewal.value_options(
        measured.decline.draws,
        zone,
        methods=list_methods(settings),
        money=set_money(settings, measured.blocks, _latest_mog(measured.settlement)),
        first_year=measured.vintage,
        trellis_life_years=settings.money.trellis_life_years,
        rng=rng,
    )
    advice = renewal.decide_zones(
        valuation, zone, measured.decline, turning_points=True, **set_decision(settings)
    )
    planned = _worth_planning(advice, measured.decline.zones, settings)
    programme = renewal.plan_programme(valuation, planned, **set_programme(settings, limits))
    layers = build_layers(measured, advice, valuation.options, programme.table, run_info=run_info, rng=rng)
    check = renewal.check_renewals(measured.decline.zone_vintage, zone, measured.renewed)
    return Advised(layers=layers, advice=advice, valuation=valuation, programme=programme, after_check=check)


def _worth_planning(advice: pd.DataFrame, decline: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Zones whose best renewal passes what the advice asks for, now or later; none still coming back."""
    own, gain = settings.decision, advice["gain_per_ha"]
    enough = (advice["chance_pays"] >= own.chance_threshold) & (gain > own.min_gain_per_ha)
    enough &= ~(advice["protect_gain_per_ha"] > gain)
    renewed = set(decline.loc[decline["renewed_year"].notna(), "zone_id"])
    coming_back = advice["zone_id"].isin(renewed) & (advice["advice"] != "renew")
    return advice.loc[enough & ~coming_back, ["zone_id", "advice"]].reset_index(drop=True)


def _latest_mog(settlement: pd.DataFrame) -> dict[str, float]:
    known = settlement.dropna(subset=["mog_pct"])
    latest = known[known["vintage"] == known["vintage"].max()]
    return {str(name): float(pct) for name, pct in zip(latest["block_id"], latest["mog_pct"], strict=True)}
