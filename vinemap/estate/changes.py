"""What each kind of import writes, and what its undoing writes."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import cast

import geopandas as gpd
import pandas as pd

from vinemap import land
from vinemap.errors import DataError, StoreError
from vinemap.estate import atomic, layout
from vinemap.estate.ledger import ImportReport
from vinemap.estate.merge import drop_stored, fold_blocks, fold_rows, unknown_blocks, use_block_ids
from vinemap.estate.reading_parts import ReadingParts
from vinemap.estate.shelf import IMAGERY_INDEX, EstateTables
from vinemap.estate.sorter import Sorter
from vinemap.estate.transaction import Transaction
from vinemap.estate.zone_rows import rows_for_zones
from vinemap.tables import READINGS
from vinemap.taken import Intake, IntakeStream, count_reasons, first_refused

Writer = Callable[[Path], None]


def stage_import(estate: EstateTables, change: Transaction, taken: Intake, number: int) -> ImportReport:
    """Stage everything that one import writes, but the ledger.

    Parameters
    ----------
    estate : EstateTables
        As it is now.
    change : Transaction
    taken : Intake
    number : int
        Number of the import.

    Returns
    -------
    ImportReport

    Raises
    ------
    DataError
        If the table does not fit the estate.
    """
    stage = _STAGES.get(taken.kind)
    if stage is None:
        raise DataError(
            f"There is no kind {taken.kind!r}.", where=taken.file, remedy="Read it with read_source."
        )
    return stage(estate, change, taken, number)


def _stage_blocks(estate: EstateTables, change: Transaction, taken: Intake, number: int) -> ImportReport:
    old = estate.blocks()
    _refuse_case_twins(taken, old)
    new, notes = fold_blocks(old, _numbered(taken.table, number))
    change.put(layout.part_file("blocks", number), _writer(_numbered(taken.table, number)))
    change.put(layout.BLOCKS_FILE, _writer(new))
    if not (estate.folder / layout.CRS_FILE).exists():
        crs = land.choose_crs(new).to_json()
        change.put(layout.CRS_FILE, lambda path: atomic.write_text(path, crs))
    return _report(taken, number, notes)


def _stage_rows(estate: EstateTables, change: Transaction, taken: Intake, number: int) -> ImportReport:
    blocks = _known_blocks(estate, taken.file)
    new, notes = fold_rows(estate.rows(), _numbered(taken.table, number), blocks)
    change.put(layout.part_file("rows", number), _writer(_numbered(taken.table, number)))
    change.put(layout.ROWS_FILE, _writer(new))
    return _report(taken, number, notes)


def stage_readings(
    estate: EstateTables, change: Transaction, taken: Intake | IntakeStream, number: int
) -> tuple[ImportReport, Intake]:
    """Stage a harvest log, part by part.

    Parameters
    ----------
    estate : EstateTables
        As it is now.
    change : Transaction
    taken : Intake or IntakeStream
    number : int

    Returns
    -------
    report : ImportReport
    first : Intake
        The first part.

    Raises
    ------
    DataError
        If there are no blocks, or no reading is new and inside one.
    """
    streamed = isinstance(taken, IntakeStream)
    parts = ReadingParts(estate.folder, change.stage / "parts" if streamed else None)
    sorter = Sorter(
        _known_blocks(estate, taken.file),
        crs=estate.crs(),
        tolerance_m=estate.settings.harvest.position_tolerance_m,
        parts=parts,
        import_id=number,
    )
    first: Intake | None = None
    for one in taken.parts if isinstance(taken, IntakeStream) else (taken,):
        first = first or one
        sorter.sort(one)
    notes = sorter.finish()
    change.put_all([(layout.harvest_file(*key), partial(parts.join, key)) for key in parts.changed])
    report = ImportReport(
        number,
        "harvest",
        taken.file,
        sorter.rows_read,
        sorter.rows_stored,
        sorter.reasons.total(),
        dict(sorter.reasons.most_common()),
        notes,
        first=sorter.first,
    )
    return report, cast(Intake, first)


def _stage_part(estate: EstateTables, change: Transaction, taken: Intake, number: int) -> ImportReport:
    stored = estate.loads() if taken.kind == "loads" else estate.counts()
    blocks = estate.blocks()
    named, notes = use_block_ids(taken, blocks)
    fresh = drop_stored(named, stored)
    notes = [*notes, *unknown_blocks(fresh.table, blocks)]
    change.put(layout.part_file(taken.kind, number), _writer(_numbered(fresh.table, number)))
    return _report(fresh, number, notes)


def _stage_renewals(estate: EstateTables, change: Transaction, taken: Intake, number: int) -> ImportReport:
    old = estate.renewals()
    blocks = estate.blocks()
    by_rows, zone_notes = rows_for_zones(taken, estate.folder)
    named, notes = use_block_ids(by_rows, blocks)
    fresh = drop_stored(named, old)
    table = _numbered(fresh.table, number)
    new = pd.concat([old, table], ignore_index=True) if len(old) else table
    change.put(layout.RENEWALS_FILE, _writer(new))
    return _report(fresh, number, [*zone_notes, *notes, *unknown_blocks(fresh.table, blocks)])


def _stage_imagery(estate: EstateTables, change: Transaction, taken: Intake, number: int) -> ImportReport:
    if taken.path is None:
        raise DataError("The image file is not known.", where=taken.file, remedy="Read it with read_source.")
    source = taken.path
    target = f"{layout.IMAGERY}/{number:06d}-{layout.file_stem(source.stem)}{source.suffix.lower()}"
    table = _numbered(taken.table, number).assign(path=target)
    old = estate.imagery()
    new = pd.concat([old, table], ignore_index=True) if len(old) else table
    change.put(target, partial(shutil.copyfile, source))
    change.put(IMAGERY_INDEX, _writer(new))
    return _report(taken, number, [])


def _stage_zones(estate: EstateTables, change: Transaction, taken: Intake, number: int) -> ImportReport:
    blocks = _known_blocks(estate, taken.file)
    target = layout.part_file("zones", number)
    change.put(target, _writer(_numbered(taken.table, number)))
    remarks = json.dumps(taken.details.get("remarks", []), ensure_ascii=False)
    change.put(_remarks_file(number), lambda path: atomic.write_text(path, remarks))
    return _report(taken, number, unknown_blocks(taken.table, blocks))


def _remarks_file(number: int) -> str:
    return layout.part_file("zones", number).replace(".parquet", ".remarks.json")


def _known_blocks(estate: EstateTables, file: str) -> gpd.GeoDataFrame:
    blocks = estate.blocks()
    if not len(blocks):
        raise DataError(
            "There are no blocks yet to put them into.",
            where=file,
            remedy="Add outlines first: vinemap add blocks.",
        )
    return blocks


def stage_undo(
    estate: EstateTables, change: Transaction, kind: str, import_id: int, ledger: pd.DataFrame
) -> int:
    """Stage everything that undoing one import writes, but the ledger.

    Parameters
    ----------
    estate : EstateTables
        As it is now.
    change : Transaction
    kind : str
    import_id : int
    ledger : pandas.DataFrame
        With the import marked as taken back.

    Returns
    -------
    int
        Rows taken out.

    Raises
    ------
    StoreError
        If readings would lose their block.
    """
    if kind == "harvest":
        return _undo_harvest(estate, change, import_id)
    if kind in ("loads", "counts", "zones"):
        if kind == "zones":
            change.remove(_remarks_file(import_id))
        return _remove_part(estate, change, kind, import_id)
    if kind == "renewals":
        return _put_without(change, layout.RENEWALS_FILE, estate.renewals(), import_id)
    if kind == "imagery":
        old = estate.imagery()
        for path in old.loc[old["import_id"] == import_id, "path"]:
            change.remove(str(path))
        return _put_without(change, IMAGERY_INDEX, old, import_id)
    return _undo_land(estate, change, kind, import_id, ledger)


def _remove_part(estate: EstateTables, change: Transaction, kind: str, import_id: int) -> int:
    """Stage the removal of what one import gave; gives how many rows go."""
    target = layout.part_file(kind, import_id)
    change.remove(target)
    return len(layout.read_table(estate.folder, target, layout.PART_TABLES[kind]))


def _undo_harvest(estate: EstateTables, change: Transaction, import_id: int) -> int:
    removed = 0
    for line in estate.harvest_index().itertuples():
        target = layout.harvest_file(cast(int, line.vintage), cast(str, line.block_id))
        stored = layout.read_table(estate.folder, target, READINGS)
        removed += _put_without(change, target, stored, import_id)
    return removed


def _undo_land(
    estate: EstateTables, change: Transaction, kind: str, import_id: int, ledger: pd.DataFrame
) -> int:
    """Fold blocks or rows anew from the imports that are left."""
    active = ledger[(ledger["kind"] == kind) & ~ledger["undone"]]["import_id"].tolist()
    table = layout.PART_TABLES[kind]
    parts = [layout.read_table(estate.folder, layout.part_file(kind, one), table) for one in sorted(active)]
    new: gpd.GeoDataFrame = layout.no_rows(table)
    for part in parts:
        new = fold_blocks(new, part)[0] if kind == "blocks" else fold_rows(new, part, estate.blocks())[0]
    target = layout.BLOCKS_FILE if kind == "blocks" else layout.ROWS_FILE
    if kind == "blocks":
        _refuse_orphans(estate, new, import_id)
    if len(new):
        change.put(target, _writer(new))
    else:
        change.remove(target)
        if kind == "blocks":
            change.remove(layout.CRS_FILE)
    return _remove_part(estate, change, kind, import_id)


def _refuse_orphans(estate: EstateTables, blocks: gpd.GeoDataFrame, import_id: int) -> None:
    index = estate.harvest_index()
    orphans = sorted(set(index["block_id"]) - set(blocks["block_id"]))
    if orphans:
        raise StoreError(
            f"Block {', '.join(orphans[:6])} holds readings and would be lost.",
            where=f"import {import_id}",
            remedy="Undo the harvest imports of these blocks first.",
        )


def _writer(frame: pd.DataFrame) -> Writer:
    return lambda path: layout.write_table(frame, path)


def _numbered(table: pd.DataFrame, number: int) -> pd.DataFrame:
    out = table.copy()
    out["import_id"] = pd.array([number] * len(out), dtype="Int64")
    return out


def _put_without(change: Transaction, target: str, stored: pd.DataFrame, import_id: int) -> int:
    """Stage a table without the rows of one import; gives how many went."""
    gone = (stored["import_id"] == import_id).to_numpy(dtype=bool)
    if not gone.any():
        return 0
    if gone.all():
        change.remove(target)
    else:
        change.put(target, _writer(stored[~gone].reset_index(drop=True)))
    return int(gone.sum())


def _report(taken: Intake, number: int, notes: list[str]) -> ImportReport:
    return ImportReport(
        number,
        taken.kind,
        taken.file,
        taken.rows_read,
        len(taken.table),
        len(taken.refused),
        count_reasons(taken.refused),
        [*taken.notes, *notes],
        first=first_refused(taken.refused),
    )


def _refuse_case_twins(taken: Intake, old: gpd.GeoDataFrame) -> None:
    """Refuse a block that differs from a known one only in letter case: on some systems they share a file."""
    known = {one.casefold(): one for one in old["block_id"]}
    for one in taken.table["block_id"]:
        twin = known.get(one.casefold(), one)
        if twin != one:
            raise DataError(
                f"Block {one!r} differs from {twin!r} only in letter case.",
                where=taken.file,
                remedy=f"Name it {twin!r}.",
            )


_STAGES: dict[str, Callable[[EstateTables, Transaction, Intake, int], ImportReport]] = {
    "blocks": _stage_blocks,
    "rows": _stage_rows,
    "loads": _stage_part,
    "counts": _stage_part,
    "renewals": _stage_renewals,
    "imagery": _stage_imagery,
    "zones": _stage_zones,
}
