"""Assess or plan an estate and write what goes out: `out/<vintage>/`."""

from __future__ import annotations

import hashlib
import time
from concurrent.futures import Executor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from vinemap import publish
from vinemap.assess import Advised, advise_estate, measure_estate
from vinemap.errors import StoreError
from vinemap.estate import EstateStore
from vinemap.pipeline.assessment import Assessment, Parts, tell
from vinemap.pipeline.cache import FOLDER as CACHE
from vinemap.pipeline.cache import ResultCache
from vinemap.pipeline.measured import Measured, load_measured, save_measured
from vinemap.pipeline.out_folder import (
    KEPT,
    SURFACES,
    holding_outputs,
    list_assessed,
    put_in_place,
    staged_folder,
    telling_full,
)
from vinemap.pipeline.outputs import tell_headline, write_files
from vinemap.pipeline.unchanged import (
    digest_inputs,
    find_measured,
    note_measured,
    note_written,
    stands_whole,
)
from vinemap.progress import Report, report_nothing


def assess_and_publish(
    store: EstateStore,
    *,
    vintage: int | None = None,
    blocks: Any = None,
    pool: Executor | None,
    report: Report = report_nothing,
) -> Assessment:
    """Measure, advise and write out/<vintage>/ anew; the old folder stands until the new one is whole.

    Where nothing that would be measured has changed since, the measures stand and only advice and outputs are
    made anew.

    Parameters
    ----------
    store : EstateStore
    vintage, blocks, pool, report
        As in `vinemap.assess.measure_estate`.

    Returns
    -------
    Assessment
    """
    out = store.folder / "out"
    key, began = digest_inputs(store, vintage=vintage, blocks=blocks), time.time()
    standing = find_measured(out, key)
    if standing is not None:
        report("Nothing to measure anew", 1, 1)
        return plan_and_publish(store, vintage=standing, key=key, report=report)
    with telling_full(store.folder), staged_folder(out) as stage:
        measured, wait_for_losses = measure_estate(
            store,
            vintage=vintage,
            blocks=blocks,
            pool=pool,
            surfaces_folder=stage / SURFACES,
            previous=_earlier(out, vintage),
            report=report,
        )
        save_measured(measured, stage / KEPT)
        advised = _advise(store, measured, limits=None, report=report)
        wait_for_losses()
        if digest_inputs(store, vintage=vintage, blocks=blocks) != key:
            key = ""  # another session added something meanwhile: the next assessment measures anew
        note_measured(stage, key)
        result = _write(store, measured, advised, stage, key=key, pool=pool, report=report)
        final = out / str(measured.vintage)
        put_in_place(stage, final)
    if vintage is None and not blocks:  # this run has used all that is worth keeping
        ResultCache(store.folder / CACHE).forget_before(began)
    return result.moved_to(final)


def plan_and_publish(
    store: EstateStore,
    *,
    vintage: int | None = None,
    limits: dict[str, Any] | None = None,
    key: str = "",
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
    key : str
        Hash of the inputs, if what is written is just what an assessment of them would write.
    report : callable

    Returns
    -------
    Assessment

    Raises
    ------
    StoreError
        If there is no assessment yet, or another session is writing outputs.
    """
    out = store.folder / "out"
    if not list_assessed(out):
        raise StoreError(
            "There is no assessment yet.", where=str(store.folder), remedy="Run vinemap assess first."
        )
    with telling_full(store.folder), holding_outputs(out):
        done = list_assessed(out)
        chosen = vintage if vintage is not None else done[-1]
        if chosen not in done:
            raise StoreError(
                f"Vintage {vintage} was not assessed.",
                where=str(store.folder),
                remedy="Run vinemap assess first.",
            )
        folder = out / str(chosen)
        if not stands_whole(folder):
            raise StoreError(
                "Files of the assessment are missing or cut short.",
                where=str(folder),
                remedy="Run vinemap assess again.",
            )
        measured = load_measured(folder / KEPT)
        advised = _advise(store, measured, limits=limits, report=report)
        return _write(store, measured, advised, folder, key=key, pool=None, report=report)


def work_out(store: EstateStore, folder: Path) -> Parts:
    """Work out the tables of outputs that stand, without writing anything.

    Parameters
    ----------
    store : EstateStore
    folder : pathlib.Path
        out/<vintage>/.

    Returns
    -------
    Parts
    """
    measured = load_measured(folder / KEPT)
    return _parts(store, measured, _advise(store, measured, limits=None))


# --------------------------------------------------------------------------------------------------- parts
def _advise(
    store: EstateStore,
    measured: Measured,
    *,
    limits: dict[str, Any] | None,
    report: Report = report_nothing,
) -> Advised:
    report("Weighing renewal", 0, 1)
    advised = advise_estate(measured, store.settings, run_info=_run_info(store, measured), limits=limits)
    advised = replace(advised, layers=publish.attach_remarks(advised.layers, store.remarks()))
    report("Weighing renewal", 1, 1)
    return advised


def _write(
    store: EstateStore,
    measured: Measured,
    advised: Advised,
    folder: Path,
    *,
    key: str,
    pool: Executor | None,
    report: Report,
) -> Assessment:
    report("Writing the outputs", 0, 1)
    headline = tell_headline(advised, store.settings)
    cache = ResultCache(store.folder.absolute() / CACHE)
    write_files(folder.absolute(), measured, advised, store.settings, headline, cache, pool=pool)
    parts = _parts(store, measured, advised)
    notes = [*measured.notes, *advised.valuation.notes, *advised.programme.notes]
    told = tell(measured.vintage, parts, headline=headline, notes=notes)
    note_written(folder, store, key, told)
    report("Writing the outputs", 1, 1)
    return Assessment(folder, told, lambda: parts)


def _parts(store: EstateStore, measured: Measured, advised: Advised) -> Parts:
    currency = store.settings.estate.currency
    return Parts(
        layers={
            name: publish.attach_units(frame, name, currency=currency)
            for name, frame in advised.layers.items()
        },
        settlement=measured.settlement,
        after_check=advised.after_check,
        programme=advised.programme,
    )


def _run_info(store: EstateStore, measured: Measured) -> pd.DataFrame:
    settings = store.settings
    vintages = sorted({int(one) for one in measured.decline.zone_vintage["vintage"]})
    imports, reference = store.ledger(), store.reference_path()
    inputs = hashlib.sha256("".join(imports.loc[~imports["undone"], "sha256"]).encode())
    if reference is not None and reference.is_file():  # lies beside estate.toml, so no import tells of it
        inputs.update(reference.read_bytes())
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
            "inputs_hash": inputs.hexdigest(),
            **{f"note_{number}": text for number, text in enumerate(measured.notes, 1)},
        },
    )


def _earlier(out: Path, vintage: int | None) -> Measured | None:
    """Find the latest assessment up to this vintage, so that rows and zones keep their names."""
    done = list_assessed(out)
    usable = [one for one in done if vintage is None or one <= vintage]
    try:
        return load_measured(out / str(usable[-1]) / KEPT) if usable else None
    except StoreError:  # of an older format: begin anew
        return None
