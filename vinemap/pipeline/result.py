"""Assess or plan an estate and write what goes out: `out/<vintage>/`."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from vinemap import publish, renewal
from vinemap.assess import advise_estate, measure_estate
from vinemap.errors import StoreError
from vinemap.estate import EstateStore
from vinemap.pipeline.cache import FOLDER as CACHE
from vinemap.pipeline.cache import ResultCache
from vinemap.pipeline.kept_maps import list_map_surfaces, load_maps, save_maps, write_loss
from vinemap.pipeline.measured import Measured, load_measured, save_measured
from vinemap.pipeline.outputs import tell_headline, write_files
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
        write_loss(stage / "surfaces", maps)
        save_measured(measured, stage / KEPT)
        (stage / KEPT / INPUTS).write_text(key, encoding="utf-8")
        save_maps(maps, stage / KEPT)
        result = _advise_and_write(
            store, measured, list_map_surfaces(maps), stage, limits=None, report=report
        )
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
    surfaces = list_map_surfaces(load_maps(folder / KEPT, measured))
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
    headline = tell_headline(advised, settings)
    report("Writing the outputs", 0, 1)
    write_files(folder, measured, advised, settings, surfaces, headline)
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
