"""Assess or plan an estate and write what goes out: `out/<vintage>/`."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vinemap import publish, renewal
from vinemap._version import __version__
from vinemap.assess import Advised, advise_estate, measure_estate
from vinemap.errors import StoreError
from vinemap.estate import EstateStore, Settings
from vinemap.estate.layout import file_stem
from vinemap.pipeline.cache import FOLDER as CACHE
from vinemap.pipeline.cache import ResultCache
from vinemap.pipeline.cleaning import describe_cleaning, tabulate_cleaning
from vinemap.pipeline.fitting import BlockMaps
from vinemap.pipeline.measured import Measured, load_measured, save_measured
from vinemap.pipeline.money import list_methods, set_decision
from vinemap.pipeline.unchanged import digest_inputs
from vinemap.progress import Report, report_nothing

INPUTS = "inputs.sha256"  # in it: hash of what was measured
KEPT = "measured"  # folder inside out/<vintage>/ that lets a plan be made without the readings


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything an assessment or plan gives.

    Attributes
    ----------
    folder : pathlib.Path
        Where the files are.
    vintage : int
    layers : dict of str to frame
        `tables.OUTPUTS` by name; frames with geometry are GeoDataFrames in the estate CRS.
    settlement, after_check : pandas.DataFrame
        Audit against weighed loads; renewed zones before and after, against controls.
    programme : renewal.Programme
    notes : list of str
        What weakens the result, in words.
    headline : dict
        Counts and sums for the first line.
    """

    folder: Path
    vintage: int
    layers: dict[str, pd.DataFrame]
    settlement: pd.DataFrame
    after_check: pd.DataFrame
    programme: renewal.Programme
    notes: list[str]
    headline: dict[str, Any]

    @property
    def map_file(self) -> Path:
        """The HTML map."""
        return self.folder / "map.html"

    @property
    def geopackage_file(self) -> Path:
        """The GeoPackage."""
        return self.folder / "vinemap.gpkg"

    def _repr_html_(self) -> str:
        """Hectares by advice and a small map, for a notebook cell."""
        info = self.layers["run_info"]
        run = dict(zip(info["key"], info["value"], strict=True))
        label = publish.EstateLabel(name=run.get("estate", ""), currency=run.get("currency", ""))
        return publish.show_result(self.layers, estate=label, vintage=self.vintage, folder=self.folder)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "vintage": self.vintage,
            "folder": str(self.folder),
            "map": str(self.map_file),
            "geopackage": str(self.geopackage_file),
            "headline": self.headline,
            "clashes": list(self.programme.clashes),
            "notes": self.notes,
        }


def assess_and_publish(
    store: EstateStore,
    *,
    vintage: int | None = None,
    blocks: Any = None,
    workers: int | None = None,
    scheduler: str | None = None,
    report: Report = report_nothing,
) -> Assessment:
    """Measure, advise and write out/<vintage>/ anew; the old folder stands until the new one is whole.

    Where nothing that would be measured has changed since, the measures stand and only advice and outputs are
    made anew.

    Parameters
    ----------
    store : EstateStore
    vintage, blocks, workers, scheduler, report
        As in `vinemap.assess.measure_estate`.

    Returns
    -------
    Assessment
    """
    out = store.folder / "out"
    out.mkdir(exist_ok=True)
    key, began = digest_inputs(store, vintage=vintage, blocks=blocks), time.time()
    standing = _standing(out, key)
    if standing is not None:
        report("Nothing to measure anew", 1, 1)
        return plan_and_publish(store, vintage=standing, report=report)
    stage = out / f".new-{secrets.token_hex(6)}"
    stage.mkdir()  # not a private temporary folder: others must be able to read what comes out
    try:
        measured, maps = measure_estate(
            store,
            vintage=vintage,
            blocks=blocks,
            workers=workers,
            scheduler=scheduler,
            surfaces_folder=stage / "surfaces",
            previous=_earlier(out, vintage),
            report=report,
        )
        _write_loss(stage / "surfaces", maps)
        save_measured(measured, stage / KEPT)
        (stage / KEPT / INPUTS).write_text(key, encoding="utf-8")
        _save_maps(maps, stage / KEPT)
        result = _advise_and_write(store, measured, _map_surfaces(maps), stage, limits=None, report=report)
        final = out / str(measured.vintage)
        _replace_folder(stage, final)
    finally:
        shutil.rmtree(stage, ignore_errors=True)
    if vintage is None and not blocks:  # this run has used all that is worth keeping
        ResultCache(store.folder / CACHE).forget_before(began)
    return _moved(result, final)


def plan_and_publish(
    store: EstateStore,
    *,
    vintage: int | None = None,
    limits: dict[str, Any] | None = None,
    report: Report = report_nothing,
) -> Assessment:
    """Value, decide and plan anew from the last assessment; surfaces stay as they are.

    Parameters
    ----------
    store : EstateStore
    vintage : int, optional
        The last one assessed if None.
    limits : dict, optional
        years, budget, crew_days, min_tonnes.
    report : callable

    Returns
    -------
    Assessment

    Raises
    ------
    StoreError
        If there is no assessment yet.
    """
    done = _assessed(store.folder / "out")
    chosen = vintage if vintage is not None else (done[-1] if done else 0)
    if chosen not in done:
        what = (
            f"Vintage {vintage} was not assessed." if vintage is not None else "There is no assessment yet."
        )
        raise StoreError(what, where=str(store.folder), remedy="Run vinemap assess first.")
    folder = store.folder / "out" / str(chosen)
    measured = load_measured(folder / KEPT)
    surfaces = _map_surfaces(_load_maps(folder / KEPT, measured))
    return _advise_and_write(store, measured, surfaces, folder, limits=limits, report=report)


# --------------------------------------------------------------------------------------------------- parts
def _advise_and_write(
    store: EstateStore,
    measured: Measured,
    surfaces: list[publish.MapSurface],
    folder: Path,
    *,
    limits: dict[str, Any] | None,
    report: Report,
) -> Assessment:
    settings = store.settings
    report("Weighing renewal", 0, 1)
    info = _run_info(store, measured)
    advised = advise_estate(measured, settings, run_info=info, limits=limits)
    report("Weighing renewal", 1, 1)
    advised = replace(advised, layers=publish.attach_remarks(advised.layers, store.remarks()))
    headline = _headline(advised, settings)
    report("Writing the outputs", 0, 1)
    _write_files(folder, measured, advised, settings, surfaces, headline)
    report("Writing the outputs", 1, 1)
    return Assessment(
        folder=folder,
        vintage=measured.vintage,
        layers={
            name: publish.attach_units(frame, name, currency=settings.estate.currency)
            for name, frame in advised.layers.items()
        },
        settlement=measured.settlement,
        after_check=advised.after_check,
        programme=advised.programme,
        notes=measured.notes + list(advised.valuation.notes) + list(advised.programme.notes),
        headline=headline,
    )


def _run_info(store: EstateStore, measured: Measured) -> pd.DataFrame:
    settings = store.settings
    vintages = sorted({int(one) for one in measured.decline.zone_vintage["vintage"]})
    imports = store.ledger()
    inputs = hashlib.sha256("".join(imports.loc[~imports["undone"], "sha256"]).encode()).hexdigest()
    return publish.make_run_info(
        settings_hash=hashlib.sha256(settings.model_dump_json().encode("utf-8")).hexdigest(),
        crs=measured.blocks.crs,
        vintages=vintages,
        cautions=publish.standing_cautions(settings.estate.language),
        extra={
            "estate": settings.estate.name,
            "vintage": str(measured.vintage),
            "currency": settings.estate.currency,
            "made": datetime.now(UTC).replace(microsecond=0).isoformat(),
            "inputs_hash": inputs,
            **{f"note_{number}": text for number, text in enumerate(measured.notes, 1)},
        },
    )


def _headline(advised: Advised, settings: Settings) -> dict[str, Any]:
    zone = pd.DataFrame(advised.layers["zone"])
    renew = zone[zone["advice"] == "renew"]
    waiting = _waiting(advised)
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


def _waiting(advised: Advised) -> publish.Interval | None:
    """Cost of a year's delay over all zones to renew, with its 90 % interval over the draws."""
    zone = pd.DataFrame(advised.layers["zone"])
    renew = zone[(zone["advice"] == "renew") & zone["best_year"].notna()]
    value = advised.valuation
    total = np.zeros(value.gain.shape[0])
    for one in renew.to_dict(orient="records"):
        place, method = value.zone_index(one["zone_id"]), value.method_index(one["best_method"])
        start = int(np.searchsorted(value.start_years, int(one["best_year"])))
        if start + 1 >= len(value.start_years):
            continue
        delay = value.gain[:, place, method, start] - value.gain[:, place, method, start + 1]
        total += np.nan_to_num(delay) * float(one["area_ha"])
    if renew.empty:
        return None
    low, high = np.quantile(total, [0.05, 0.95])
    return publish.Interval(float(total.mean()), float(low), float(high))


def _write_files(
    folder: Path,
    measured: Measured,
    advised: Advised,
    settings: Settings,
    surfaces: list[publish.MapSurface],
    headline: dict[str, Any],
) -> None:
    label = publish.EstateLabel(
        name=settings.estate.name, currency=settings.estate.currency, units=settings.estate.display_units
    )
    language = settings.estate.language
    crs = measured.blocks.crs
    publish.write_geopackage(
        folder / "vinemap.gpkg",
        advised.layers,
        crs=crs,
        description=f"{settings.estate.name}, renewal assessment after vintage {measured.vintage}",
        currency=settings.estate.currency,
        language=language,
    )
    publish.write_map(
        folder / "map.html",
        advised.layers,
        estate=label,
        surfaces=surfaces,
        cautions=measured.notes,
        waiting=_waiting(advised),
        language=language,
        what_if=publish.build_what_if(advised.valuation, advised.layers["zone"], **set_decision(settings)),
    )
    publish.write_lists(
        folder / "lists", advised.layers, language=language, work=_list_work(advised, settings)
    )
    publish.write_sheets(
        folder / "sheets", advised.layers, estate=label, cautions=measured.notes, language=language
    )
    publish.write_dictionary(folder / "dictionary.md")
    _write_tables(folder, measured, advised, settings)
    _write_run(folder / "run.json", measured, advised, headline)


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
    told = describe_cleaning(measured.reports["cleaning"], vintage=measured.vintage)
    if told:
        (folder / "lists" / "cleaning.md").write_text(told, encoding="utf-8")


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
    fresh = path.with_suffix(".new")
    fresh.write_text(json.dumps(content, indent=1, ensure_ascii=False, default=str), encoding="utf-8")
    fresh.replace(path)


def _earlier(out: Path, vintage: int | None) -> Measured | None:
    """Find the latest assessment up to this vintage, so that rows and zones keep their names."""
    done = _assessed(out)
    usable = [one for one in done if vintage is None or one <= vintage]
    try:
        return load_measured(out / str(usable[-1]) / KEPT) if usable else None
    except StoreError:  # of an older format: begin anew
        return None


def _assessed(out: Path) -> list[int]:
    return sorted(int(one.name) for one in out.glob("[0-9]*") if (one / KEPT / "measured.json").exists())


def _standing(out: Path, key: str) -> int | None:
    """Vintage whose assessment was measured from these very inputs, if there is one."""
    for vintage in reversed(_assessed(out)):
        folder = out / str(vintage)
        file = folder / KEPT / INPUTS
        whole = file.exists() and (folder / "surfaces").is_dir()
        if whole and file.read_text(encoding="utf-8") == key:
            return vintage
    return None


def _write_loss(folder: Path, maps: list[BlockMaps]) -> None:
    for one in maps:
        if one.loss is not None and np.isfinite(one.loss.values).any():
            publish.write_surface(
                folder / f"loss_{file_stem(one.block_id)}.tif",
                one.loss,
                units="%",
                vintage=None,
                description=f"Loss of block {one.block_id}: share of healthy yield lost of late",
            )


def _map_surfaces(maps: list[BlockMaps]) -> list[publish.MapSurface]:
    found = []
    for one in maps:
        found += [
            publish.MapSurface("yield", one.block_id, year, grid)
            for year, grid in sorted(one.surfaces.items())
        ]
        if one.loss is not None:
            found.append(publish.MapSurface("loss", one.block_id, None, one.loss))
    return found


def _save_maps(maps: list[BlockMaps], folder: Path) -> None:
    arrays: dict[str, Any] = {}
    for place, one in enumerate(maps):
        grids = {str(year): grid for year, grid in one.surfaces.items()} | (
            {"loss": one.loss} if one.loss else {}
        )
        for name, grid in grids.items():
            arrays[f"{place}|{name}"] = grid.values.astype(np.float32)
            spec = grid.spec
            arrays[f"{place}|spec"] = np.array([spec.west, spec.north, spec.cell_m])
        arrays[f"{place}|block"] = np.array(one.block_id)
    np.savez_compressed(folder / "surfaces.npz", **arrays)


def _load_maps(folder: Path, measured: Measured) -> list[BlockMaps]:
    from vinemap.land import Grid, GridSpec

    crs = measured.blocks.crs
    grids: dict[str, dict[str, Any]] = {}
    with np.load(folder / "surfaces.npz") as arrays:
        for key in arrays.files:
            place, name = key.split("|", 1)
            grids.setdefault(place, {})[name] = arrays[key]
    maps = []
    for held in grids.values():
        block_id = str(held.pop("block"))
        west, north, cell_m = (float(one) for one in held.pop("spec", (0.0, 0.0, 1.0)))
        made = {
            name: Grid(values, GridSpec(crs, west, north, cell_m, values.shape))
            for name, values in held.items()
        }
        loss = made.pop("loss", None)
        maps.append(BlockMaps(block_id, {int(year): grid for year, grid in made.items()}, loss))
    return maps


def _replace_folder(stage: Path, final: Path) -> None:
    old = final.with_name(f".old-{final.name}-{os.getpid()}")
    try:
        if final.exists():
            final.replace(old)
        stage.replace(final)
    except OSError as error:
        if old.exists() and not final.exists():
            old.replace(final)
        raise StoreError(
            f"The outputs cannot be replaced: {error}.",
            where=str(final),
            remedy="Close the programs that have its files open, then run again.",
        ) from error
    shutil.rmtree(old, ignore_errors=True)


def _moved(result: Assessment, folder: Path) -> Assessment:
    return Assessment(
        **{name: getattr(result, name) for name in Assessment.__slots__ if name != "folder"}, folder=folder
    )
