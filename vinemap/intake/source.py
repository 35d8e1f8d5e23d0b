"""Any source file to one tidy table: the reader is chosen by content and name, the kind by the caller."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pandas as pd

from vinemap.errors import IntakeError
from vinemap.intake.archive import hash_file
from vinemap.intake.raw import RawTable
from vinemap.intake.readers import find_source, first_bytes, read_raw
from vinemap.intake.text_blocks import is_long_text, iterate_text
from vinemap.intake.tidy import Asked, Flow, nothing_left, tidy_raw
from vinemap.intake.vector import raw_from_frame
from vinemap.taken import KINDS, Intake, IntakeStream, Remembered


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
    asked = Asked(vintage, crs, columns, units, timezone, remembered)
    return _read_whole(find_source(path), kind, asked)


def _read_whole(file: Path, kind: str, asked: Asked) -> Intake:
    _check_kind(kind)
    if kind == "imagery":
        from vinemap.intake.imagery import read_imagery  # rasterio, for images only

        first_bytes(file)
        return read_imagery(file, vintage=asked.vintage or 0, crs=asked.crs)
    with ThreadPoolExecutor(1) as beside:
        sha256 = beside.submit(hash_file, file)
        taken = tidy_raw(read_raw(file, kind), kind, asked, where=file.name, sha256="", path=file)
        return replace(taken, sha256=sha256.result())


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
    """Take a DataFrame or GeoDataFrame as if it had been read from a file.

    Parameters
    ----------
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Not altered.
    name : str
        Stands where the name of a file would.
    kind, vintage, crs, columns, units, timezone, remembered
        As in `read_source`.

    Returns
    -------
    Intake

    Raises
    ------
    IntakeError
        If it cannot be taken as asked.
    """
    _check_kind(kind)
    if kind == "imagery":
        raise IntakeError("Imagery comes as a file.", where=name, remedy="Use read_source.")
    raw = raw_from_frame(frame, name)
    asked = Asked(vintage, crs, columns, units, timezone, remembered)
    return tidy_raw(raw, kind, asked, where=name, sha256=_hash_raw(raw))


def _hash_raw(raw: RawTable) -> str:
    """SHA-256 of a table in memory: its columns, cells and shapes."""
    digest = hashlib.sha256(",".join(map(str, raw.frame.columns)).encode("utf-8", "replace"))
    digest.update(pd.util.hash_pandas_object(raw.frame.astype(str), index=False).to_numpy().tobytes())
    if raw.geometry is not None:
        digest.update(pd.util.hash_array(raw.geometry.to_wkb().to_numpy().astype(object)).tobytes())
    return digest.hexdigest()


def open_source(
    path: Path | str,
    kind: str,
    *,
    vintage: int | None = None,
    crs: str | int | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    timezone: str = "",
    remembered: Sequence[Remembered] = (),
) -> Intake | IntakeStream:
    """Read a source file; a long harvest log as text comes in parts, so that memory stays flat.

    Parameters
    ----------
    path, kind, vintage, crs, columns, units, timezone, remembered
        As in `read_source`.

    Returns
    -------
    Intake or IntakeStream
        `vinemap.estate.EstateStore.add` takes both.

    Raises
    ------
    IntakeError
        If the file cannot be read as asked; of a stream also while its parts are read.
    """
    asked = Asked(vintage, crs, columns, units, timezone, remembered)
    return open_asked(find_source(path), kind, asked)


def open_asked(file: Path, kind: str, asked: Asked) -> Intake | IntakeStream:
    """Do as `open_source` does, with what the caller says in one piece; IntakeError as there."""
    _check_kind(kind)
    if kind != "harvest" or not is_long_text(file, first_bytes(file)):
        return _read_whole(file, kind, asked)
    sha256 = hash_file(file)
    parts = _read_ahead(_parts(file, kind, asked, sha256))
    return IntakeStream(kind, file.name, sha256, asked.vintage or 0, parts)


def _read_ahead(parts: Iterator[Intake]) -> Iterator[Intake]:
    """Read the next part while this one is stored."""
    with ThreadPoolExecutor(1) as beside:
        coming = beside.submit(next, parts, None)
        while (one := coming.result()) is not None:
            coming = beside.submit(next, parts, None)
            yield one


def _parts(file: Path, kind: str, asked: Asked, sha256: str) -> Iterator[Intake]:
    flow = Flow()
    refused: pd.DataFrame | None = None
    for raw in iterate_text(file):
        taken = tidy_raw(raw, kind, asked, where=file.name, sha256=sha256, path=file, flow=flow)
        refused = taken.refused if refused is None or not len(refused) else refused
        yield taken
    if not flow.kept and refused is not None:
        raise nothing_left(refused, file.name)


def _check_kind(kind: str) -> None:
    if kind not in KINDS:
        raise IntakeError(f"There is no kind {kind!r}.", remedy=f"Kinds are: {', '.join(KINDS)}.")
