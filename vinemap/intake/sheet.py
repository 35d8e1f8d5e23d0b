"""Spreadsheets (.xlsx, ECMA-376) as weighbridges and offices keep them, read through openpyxl.

The cells of one sheet are written out as tab-parted text, so that lines above the header, rows of units and
blank rows mean the same as in a text file. Of a formula its last result is taken; nothing is worked out.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError

import openpyxl
from openpyxl.utils.exceptions import InvalidFileException

from vinemap.errors import IntakeError
from vinemap.intake.archive import check_archive
from vinemap.intake.raw import MAX_COLUMNS, RawTable
from vinemap.intake.text import read_lines

MAX_ROWS = 1_048_576  # rows of a sheet, ECMA-376 (SpreadsheetML), limits of the format
MAX_BLANK_ROWS = 5_000  # a sheet that goes on after more is one whose last cell was touched by accident
MAX_UNPACKED = 300 << 20  # bytes; a weighbridge's sheet takes a few megabytes
_DAMAGE = (
    InvalidFileException, zipfile.BadZipFile, zlib.error, ParseError, KeyError, ValueError, TypeError,
    AttributeError, IndexError, OSError, EOFError, RuntimeError, NotImplementedError, OverflowError,
)  # fmt: skip
_BREAKS = re.compile(r"[\t\r\n\v\f\x00-\x1f\x85\u2028\u2029]+")


def read_sheet(path: Path) -> RawTable:
    """Read the first sheet of a workbook that holds rows.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    RawTable
        Cells as text; ``source_row`` is the row number that the spreadsheet shows.

    Raises
    ------
    IntakeError
        If it is of an older format, damaged, hostile, or holds no rows.
    """
    with path.open("rb") as handle:
        if handle.read(4) != b"PK\x03\x04":
            raise IntakeError(
                "It is a spreadsheet of an older format.",
                where=path.name,
                remedy="Save it as .xlsx or as CSV and give that.",
            )
    names = check_archive(path, most_bytes=MAX_UNPACKED)
    if "xl/workbook.xml" not in names:
        raise IntakeError(
            "It is not an .xlsx spreadsheet.",
            where=path.name,
            remedy="Save the sheet as .xlsx or as CSV and give that.",
        )
    try:
        name, rows, others = _first_sheet(path)
    except _DAMAGE as error:
        raise IntakeError(
            "The spreadsheet is damaged or of another format.",
            where=path.name,
            remedy="Open it, save it again as .xlsx or as CSV, and give that.",
        ) from error
    if not rows:
        raise IntakeError("No sheet of it holds a row.", where=path.name, remedy="Check the file.")
    width = max(map(len, rows))
    raw = read_lines([_joined(row, width) for row in rows], path.name, f"spreadsheet (sheet {name!r})")
    if others:
        raw.notes.append(
            f"Doubtful: sheet {name!r} was read, and not {', '.join(map(repr, others[:5]))}. "
            "To have another one, save it as a file of its own."
        )
    return raw


def _first_sheet(path: Path) -> tuple[str, list[list[str]], list[str]]:
    """Name and rows of the first visible sheet with at least two rows, and the others that have some."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about styles and extensions, which mean nothing here
        book = openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
        try:
            found: tuple[str, list[list[str]]] = ("", [])
            others = []
            for sheet in book.worksheets:
                if sheet.sheet_state != "visible":
                    continue
                if len(found[1]) < 2:
                    rows = list(_sheet_rows(sheet, path.name))
                    found = (sheet.title, rows) if len(rows) > len(found[1]) else found
                elif next(_sheet_rows(sheet, path.name), None) is not None:
                    others.append(sheet.title)
            return (*found, others)
        finally:
            book.close()


def _sheet_rows(sheet: Any, where: str) -> Iterator[list[str]]:
    """Rows of a sheet, their cells as text; blank ones only where others follow."""
    sheet.reset_dimensions()  # what a file says of its own size may be wrong
    blank = 0
    for number, row in enumerate(sheet.iter_rows(values_only=True), 1):
        cells = [_cell_text(one) for one in row]
        while cells and not cells[-1]:
            cells.pop()
        if number > MAX_ROWS or len(cells) > MAX_COLUMNS:
            raise IntakeError(
                f"The sheet has more than {MAX_ROWS if number > MAX_ROWS else MAX_COLUMNS:,} "
                f"{'rows' if number > MAX_ROWS else 'columns'}.",
                where=where,
                remedy="Export only what is needed.",
            )
        if not cells:
            blank += 1
            if blank > MAX_BLANK_ROWS:
                return
            continue
        yield from [[]] * blank
        blank = 0
        yield cells


def _joined(cells: list[str], width: int) -> str:
    """One row as text; every row has the width of the widest."""
    sink = io.StringIO()
    csv.writer(sink, delimiter="\t", lineterminator="").writerow(cells + [""] * (width - len(cells)))
    return sink.getvalue()


def _cell_text(value: Any) -> str:
    """Write a cell as text: whole numbers without a point, times as in ISO 8601, breaks as blanks.

    Examples
    --------
    >>> _cell_text(12.0), _cell_text(0.1), _cell_text(dt.datetime(2026, 3, 1)), _cell_text(None)
    ('12', '0.1', '2026-03-01', '')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time()
        return value.date().isoformat() if midnight else value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    return _BREAKS.sub(" ", str(value)).strip()
