"""Any source file to one tidy table: the reader is chosen by content and name, the kind by the caller."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from vinemap.errors import IntakeError
from vinemap.intake.archive import TASK_NAME, hash_file, unpacked
from vinemap.intake.convert import Job, convert_fields
from vinemap.intake.counts import tidy_counts
from vinemap.intake.fields import FIELDS
from vinemap.intake.harvest import tidy_harvest
from vinemap.intake.imagery import read_imagery
from vinemap.intake.land import tidy_blocks, tidy_rows
from vinemap.intake.raw import RawTable
from vinemap.intake.recall import recall_columns, settle_units, to_remember
from vinemap.intake.recognise import doubtful_notes, recognise_columns
from vinemap.intake.records import tidy_loads, tidy_renewals
from vinemap.intake.taskdata import read_task_data
from vinemap.intake.text import read_text
from vinemap.intake.vector import FORMATS, raw_from_frame, read_vector
from vinemap.taken import KINDS, Intake, Refusals, Remembered

_TIDY: dict[str, Callable[[Job], pd.DataFrame]] = {
    "harvest": tidy_harvest,
    "blocks": tidy_blocks,
    "rows": tidy_rows,
    "loads": tidy_loads,
    "counts": tidy_counts,
    "renewals": tidy_renewals,
}


@dataclass(frozen=True, slots=True)
class Reader:
    """One way to read a file.

    Attributes
    ----------
    name : str
    suits : callable
        Path and first bytes to whether this reader takes the file.
    read : callable
        Path and kind to a `RawTable`.
    """

    name: str
    suits: Callable[[Path, bytes], bool]
    read: Callable[[Path, str], RawTable]


def _read_zip(path: Path, kind: str) -> RawTable:
    with unpacked(path) as inside:
        try:
            raw = read_raw(inside, kind, nested=True)
        except IntakeError as error:
            where = f"{path.name} ({inside.name})"
            raise IntakeError(error.what, where=where, remedy=error.remedy) from error
    raw.details["inside"] = inside.name
    return raw


def _refuse_sheet(path: Path, kind: str) -> RawTable:  # noqa: ARG001
    raise IntakeError("It is a spreadsheet.", where=path.name, remedy="Save the sheet as CSV and give that.")


def _is_vector(path: Path, head: bytes) -> bool:
    start = head.lstrip(b"\xef\xbb\xbf \r\n\t")[:1]
    return (
        (path.suffix.lower() in FORMATS and path.suffix.lower() != ".json")
        or head[:16] == b"SQLite format 3\0"
        or head[:4] == b"PAR1"
        or start == b"{"
        or b"<kml" in head
    )


def _is_xml(head: bytes) -> bool:
    return head.lstrip(b"\xef\xbb\xbf \r\n\t")[:1] == b"<" or head[:2] in (b"\xff\xfe", b"\xfe\xff")


# The first reader that suits takes the file; a new format is one more line.
READERS: list[Reader] = [
    Reader(
        "task data",
        lambda path, head: _is_xml(head) and (b"ISO11783_TaskData" in head or path.name.upper() == TASK_NAME),
        lambda path, kind: read_task_data(path),  # noqa: ARG005
    ),
    Reader(
        "spreadsheet",
        lambda path, head: (
            head[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
            or path.suffix.lower() in (".xlsx", ".xls", ".ods")
        ),
        _refuse_sheet,
    ),
    Reader(
        "zip archive",
        lambda path, head: head[:4] == b"PK\x03\x04" and path.suffix.lower() != ".kmz",
        _read_zip,
    ),
    Reader("vector layer", _is_vector, lambda path, kind: read_vector(path, kind=kind)),
    Reader("delimited text", lambda path, head: True, lambda path, kind: read_text(path)),  # noqa: ARG005
]


def read_raw(path: Path, kind: str = "", *, nested: bool = False) -> RawTable:
    """Read a file as it stands, by the first reader that takes it.

    Parameters
    ----------
    path : pathlib.Path
    kind : str
        Kind of table wanted; chooses among layers.
    nested : bool
        Whether the file came out of an archive (archives in archives are refused).

    Returns
    -------
    RawTable

    Raises
    ------
    IntakeError
        If it cannot be read.
    """
    head = _first_bytes(path)
    reader = next(one for one in READERS if one.suits(path, head))
    if nested and reader.name == "zip archive":
        raise IntakeError(
            "It is an archive within an archive.", where=path.name, remedy="Unpack it yourself."
        )
    return reader.read(path, kind)


def _first_bytes(path: Path) -> bytes:
    if not path.exists():
        raise IntakeError("There is no such file.", where=str(path), remedy="Check the name and the folder.")
    if path.is_dir():
        raise IntakeError(
            f"It is a folder without {TASK_NAME}.", where=path.name, remedy="Give the files in it one by one."
        )
    try:
        with path.open("rb") as handle:
            head = handle.read(4096)
    except OSError as error:
        raise IntakeError(
            f"It cannot be read: {error.strerror}.", where=path.name, remedy="Check the file."
        ) from error
    if not head:
        raise IntakeError("The file is empty.", where=path.name, remedy="Export it again.")
    return head


def find_source(path: Path | str) -> Path:
    """Give the file that is meant: of a folder of task data its main file."""
    file = Path(path)
    if not file.is_dir():
        return file
    inside = [one for one in file.iterdir() if one.name.upper() == TASK_NAME]
    deeper = [] if inside else [one for one in file.glob("*/*") if one.name.upper() == TASK_NAME]
    found = inside or deeper
    return found[0] if len(found) == 1 else file


def read_source(
    path: Path | str,
    kind: str,
    *,
    vintage: int | None = None,
    crs: str | int | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    timezone: str = "",
    remembered: Sequence[Remembered] = (),
) -> Intake:
    """Read any source file into the tidy table of its kind.

    Parameters
    ----------
    path : pathlib.Path or str
    kind : str
        "blocks", "rows", "harvest", "loads", "counts", "imagery" or "renewals".
    vintage : int, optional
        Vintage of the whole file.
    crs : str or int, optional
        EPSG code or any name pyproj knows, for a file that names none; overrides the one it names.
    columns : mapping of str to str, optional
        Field to header; "=value" gives one value to all rows, "" says that the file lacks the field.
    units : mapping of str to str, optional
        Field to unit.
    timezone : str
        Zone of clocks without one, such as "Australia/Adelaide"; "" keeps them as UTC with a note.
    remembered : sequence of Remembered
        How the columns of earlier files were meant (`vinemap.estate.EstateStore.remembered`); used where the
        file has the same columns.

    Returns
    -------
    Intake

    Raises
    ------
    IntakeError
        If the file cannot be read as asked.
    """
    file = find_source(path)
    _check_kind(kind)
    if kind == "imagery":
        _first_bytes(file)
        return read_imagery(file, vintage=vintage or 0, crs=None if crs is None else str(crs))
    raw = read_raw(file, kind)
    return _tidy(
        raw,
        kind,
        where=file.name,
        vintage=vintage,
        crs=crs,
        columns=columns,
        units=units,
        timezone=timezone,
        remembered=remembered,
        sha256=hash_file(file),
        path=file,
    )


def read_frame(
    frame: pd.DataFrame,
    kind: str,
    *,
    name: str = "table",
    vintage: int | None = None,
    crs: str | int | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    timezone: str = "",
    remembered: Sequence[Remembered] = (),
) -> Intake:
    """Take a DataFrame or GeoDataFrame as if it had been read from a file; arguments as in `read_source`."""
    import hashlib

    _check_kind(kind)
    if kind == "imagery":
        raise IntakeError("Imagery comes as a file.", where=name, remedy="Use read_source.")
    hashed = pd.util.hash_pandas_object(pd.DataFrame(frame).astype(str), index=False)
    sha256 = hashlib.sha256(
        hashed.to_numpy().tobytes() + ",".join(map(str, frame.columns)).encode()
    ).hexdigest()
    return _tidy(
        raw_from_frame(frame, name),
        kind,
        where=name,
        vintage=vintage,
        crs=crs,
        columns=columns,
        units=units,
        timezone=timezone,
        remembered=remembered,
        sha256=sha256,
        path=None,
    )


def _check_kind(kind: str) -> None:
    if kind not in KINDS:
        raise IntakeError(f"There is no kind {kind!r}.", remedy=f"Kinds are: {', '.join(KINDS)}.")


def _tidy(
    raw: RawTable,
    kind: str,
    *,
    where: str,
    vintage: int | None,
    crs: str | int | None,
    columns: Mapping[str, str] | None,
    units: Mapping[str, str] | None,
    timezone: str,
    remembered: Sequence[Remembered],
    sha256: str,
    path: Path | None,
) -> Intake:
    fields = FIELDS[kind]
    if not len(raw.frame):
        raise _nothing_left(raw.refused, where)
    said = recall_columns(raw, kind, columns, units, remembered)
    guesses = recognise_columns(raw, fields, columns=said.columns, units=said.units, where=where)
    guesses = settle_units(guesses, said)
    job = Job(
        where,
        kind,
        raw,
        guesses,
        Refusals(len(raw.frame)),
        vintage or 0,
        None if crs is None else str(crs),
        timezone,
        notes=[*raw.notes, *([said.note] if said.note else []), *doubtful_notes(guesses)],
    )
    convert_fields(job, fields)
    table = _TIDY[kind](job)
    kept = job.refusals.kept
    parts = [one for one in (raw.refused, job.refusals.table(raw.source_row)) if len(one)]
    refused = (
        pd.concat(parts, ignore_index=True).sort_values("source_row", ignore_index=True)
        if parts
        else raw.refused
    )
    if not kept.any():
        raise _nothing_left(refused, where)
    return Intake(
        _keep(table, kept),
        refused,
        guesses,
        job.notes,
        raw.rows_read,
        raw.format,
        kind,
        where,
        sha256,
        vintage or 0,
        path,
        _details(raw) | {"remember": to_remember(kind, list(raw.frame.columns), said, guesses)},
    )


def _keep(table: pd.DataFrame, kept: Any) -> pd.DataFrame:
    out: pd.DataFrame = table[kept].reset_index(drop=True)
    return gpd.GeoDataFrame(out) if isinstance(table, gpd.GeoDataFrame) else out


def _details(raw: RawTable) -> dict[str, Any]:
    return {**raw.details, "headers": [str(one) for one in raw.frame.columns]}


def _nothing_left(refused: pd.DataFrame, where: str) -> IntakeError:
    first = refused.iloc[0]
    seen = f" ({first['value']!r})" if first["value"] else ""
    return IntakeError(
        f"All {len(refused)} rows were refused; row {first['source_row']}: {first['reason']}{seen}.",
        where=where,
        remedy="See vinemap preview; name columns and units with --column and --unit.",
    )
