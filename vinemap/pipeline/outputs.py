"""Write everything that goes out of one assessment, and the first line that sums it up."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import Executor
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from vinemap import publish, renewal
from vinemap._version import __version__
from vinemap.assess import Advised
from vinemap.estate import Settings
from vinemap.pipeline.cache import ResultCache
from vinemap.pipeline.cleaning import describe_cleaning, tabulate_cleaning
from vinemap.pipeline.fitting import MOST_ZONES_TO_SEND
from vinemap.pipeline.measured import Measured
from vinemap.pipeline.money import list_methods, set_decision
from vinemap.pipeline.out_folder import SURFACES
from vinemap.pipeline.parallel import choose_local, start_tasks
from vinemap.pipeline.surface_files import KeptWarp, list_map_surfaces
from vinemap.progress import report_nothing


def tell_headline(advised: Advised, settings: Settings) -> dict[str, Any]:
    """Give counts and sums for the first line: zones by advice, gain and cost of waiting."""
    zone = pd.DataFrame(advised.layers["zone"])
    renew = zone[zone["advice"] == "renew"]
    waiting = tell_waiting(advised)
    return {
        "zones": len(zone),
        "renew": len(renew),
        "renew_ha": round(float(renew["area_ha"].sum()), 2),
        "scout": int((zone["advice"] == "scout").sum()),
        "watch": int((zone["advice"] == "watch").sum()),
        "keep": int((zone["advice"] == "keep").sum()),
        "currency": settings.estate.currency,
        "gain": round(float((renew["gain_per_ha"] * renew["area_ha"]).sum())),
        "wait_cost": None if waiting is None else round(waiting.mean),
        "wait_cost_low": None if waiting is None else round(waiting.low),
        "wait_cost_high": None if waiting is None else round(waiting.high),
    }


def tell_waiting(advised: Advised) -> publish.Interval | None:
    """Cost of a year's delay over all zones to renew, with its 90 % interval over the draws."""
    renew = advised.advice[advised.advice["advice"] == "renew"]
    if renew.empty:
        return None
    cost = renewal.total_waiting(advised.valuation, renew)
    return publish.Interval(cost.mean, cost.low, cost.high)


def write_files(
    folder: Path,
    measured: Measured,
    advised: Advised,
    settings: Settings,
    headline: dict[str, Any],
    cache: ResultCache,
    *,
    pool: Executor | None,
) -> None:
    """Write GeoPackage, map, lists, sheets, dictionary, tables and run.json into a folder.

    Parameters
    ----------
    folder : pathlib.Path
        Its surfaces are there already; they go into the map unless the estate is large, and into the
        GeoPackage where ``outputs.coverages`` asks for them.
    measured : Measured
    advised : Advised
    settings : Settings
    headline : dict
        As `tell_headline` gives it.
    cache : ResultCache
        Where surfaces are kept as the map shows them.
    pool : concurrent.futures.Executor, optional
        Workers; local ones write some of it beside this process unless the estate is large.

    Raises
    ------
    StoreError
        If another program holds a file.
    """
    label = publish.EstateLabel(
        name=settings.estate.name, currency=settings.estate.currency, units=settings.estate.display_units
    )
    language = settings.estate.language
    crs = measured.blocks.crs
    surfaces = list_map_surfaces(folder / SURFACES, measured.blocks["block_id"], crs=crs)
    beside: list[Callable[[], object]] = [
        partial(
            publish.write_geopackage,
            folder / "vinemap.gpkg",
            advised.layers,
            crs=crs,
            description=f"{settings.estate.name}, renewal assessment after vintage {measured.vintage}",
            currency=settings.estate.currency,
            language=language,
            coverages=publish.name_coverages(surfaces) if settings.outputs.coverages else None,
        ),
        partial(
            publish.write_sheets,
            folder / "sheets",
            advised.layers,
            estate=label,
            cautions=measured.notes,
            language=language,
        ),
        partial(
            publish.write_lists,
            folder / "lists",
            advised.layers,
            language=language,
            work=_list_work(advised, settings),
        ),
    ]
    helpers = choose_local(pool) if len(measured.zones) <= MOST_ZONES_TO_SEND else None
    wait = start_tasks(_call, beside, pool=helpers, report=report_nothing, stage="Writing the outputs")
    publish.write_map(
        folder / "map.html",
        advised.layers,
        estate=label,
        surfaces=surfaces if len(measured.blocks) <= settings.outputs.map_surface_blocks else [],
        cautions=measured.notes,
        waiting=tell_waiting(advised),
        language=language,
        what_if=publish.build_what_if(
            advised.valuation,
            advised.layers["zone"],
            rule_years=renewal.RULE_YEARS,
            **set_decision(settings),
        ),
        warp=KeptWarp(cache),
    )
    publish.write_dictionary(folder / "dictionary.md")
    _write_tables(folder, measured, advised, settings)
    _write_run(folder / "run.json", measured, advised, headline)
    wait()


def _call(write: Callable[[], object]) -> None:
    write()


def _list_work(advised: Advised, settings: Settings) -> pd.DataFrame | None:
    programme = advised.layers["programme"]
    if not len(programme):
        return None
    return renewal.list_work(
        programme,
        advised.layers["vine_row"],
        methods=list_methods(settings),
        missing_share=renewal.missing_by_zone(advised.valuation),
        refill_share=renewal.refills_by_zone(advised.valuation, programme),
    )


def _write_tables(folder: Path, measured: Measured, advised: Advised, settings: Settings) -> None:
    """Write what stands behind the layers: settlement, after-check, and the sums behind every advice."""
    value, advice = advised.valuation, advised.advice
    trace = renewal.trace_advice(value, advice)
    capacity = settings.harvest.cleaning_capacity_t_ha
    found = {
        "settlement": measured.settlement,
        "renewals_checked": advised.after_check,
        "why_cash_flows": trace.cash_flows,
        "why_turning_points": trace.turning_points,
        "why_sensitivity": trace.sensitivity,
        "zone_or_whole_block": renewal.compare_blocks(value),
        "cleaning": tabulate_cleaning(measured.reports["cleaning"]),
        "mog": pd.DataFrame(measured.reports.get("mog", [])),
        "harvester_capacity": pd.DataFrame(measured.reports.get("over_capacity", [])),
        "over_cleaning_capacity": renewal.name_over_capacity(value, advice, capacity_t_ha=capacity),
    }
    for name, table in found.items():
        if len(table):
            publish.write_csv(folder / "lists" / f"{name}.csv", pd.DataFrame(table))
        else:
            (folder / "lists" / f"{name}.csv").unlink(missing_ok=True)
    told = describe_cleaning(
        measured.reports["cleaning"],
        vintage=measured.vintage,
        machines=measured.reports.get("machines", []),
    )
    if told:
        publish.write_text(folder / "lists" / "cleaning.md", told)


def _write_run(path: Path, measured: Measured, advised: Advised, headline: dict[str, Any]) -> None:
    info = advised.layers["run_info"]
    content = {
        "run": dict(zip(info["key"], info["value"], strict=True)),
        "version": __version__,
        "headline": headline,
        "vintage_effects": measured.decline.vintage_effects.to_dict(orient="records"),
        "reports": measured.reports,
        "programme": {
            "npv": advised.programme.npv,
            "gap": advised.programme.gap,
            "clashes": list(advised.programme.clashes),
            "shadow_costs": advised.programme.shadow_costs.to_dict(orient="records"),
        },
    }
    publish.write_text(path, json.dumps(content, indent=1, ensure_ascii=False, default=str))
