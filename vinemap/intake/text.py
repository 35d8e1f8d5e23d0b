"""Delimited text as loggers, weighbridges and spreadsheets write it.

Encoding, delimiter, decimal mark, header row and a row of units are found from the first lines; the rows
themselves are cut by pyarrow.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from vinemap.errors import IntakeError
from vinemap.intake.archive import read_bytes
from vinemap.intake.fields import FIELDS
from vinemap.intake.header import known_unit, plain_words, split_header
from vinemap.intake.raw import MAX_CELL, RawTable, arrow_frame, unique_headers
from vinemap.taken import refused_table

DELIMITERS = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "blanks"}
SAMPLE_LINES = 200
HEADER_WITHIN = 60
MAX_HEADER_LENGTH = 200_000
SOME_BYTES = 1 << 16
DOCUMENTS = (b"%PDF", b"{\\rtf")
PARSE_BYTES = 4 << 20  # at a time and thread; no row may be longer
OddRow = tuple[int, str, str]  # number, reason, text
_NUMBER = re.compile(r"^\s*[+-]?(\d[\d\s.,]*|[.,]\d+)(e[+-]?\d+)?\s*$", re.IGNORECASE)
_STARTS_WITH_DIGIT = re.compile(r"^\s*[+-]?[.,]?\d")
_DECIMAL_COMMA = re.compile(r"^[+-]?\d*,\d+$")
_COMMENT = re.compile(r"^\s*(#|//|%)")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a text file is laid out.

    Attributes
    ----------
    delimiter, decimal : str
    header_line : int
        Line of the header from 0, -1 if there is none.
    first_line : int
        First line of data from 0.
    headers : list of str
    units : dict of str to str
    """

    delimiter: str
    decimal: str
    header_line: int
    first_line: int
    headers: list[str]
    units: dict[str, str]


def read_text(path: Path) -> RawTable:
    """Read delimited text, also gzip-packed.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    RawTable
        All cells as text; ``source_row`` is the line number in the file, from 1.

    Raises
    ------
    IntakeError
        If the file is empty, is not text, or has only a header.
    """
    data, encoding = as_utf8(read_bytes(path), path.name)
    if not data or data.isspace():
        raise IntakeError("The file is empty.", where=path.name, remedy="Export it again.")
    layout = find_layout(first_lines(data), path.name)
    described, details = describe_layout(layout, encoding)
    return _raw_text(data, layout, described, details, path.name)


def read_lines(lines: list[str], name: str, described: str) -> RawTable:
    """Read rows that are tab-parted text already, as those of a spreadsheet.

    Parameters
    ----------
    lines : list of str
    name : str
        File, for messages.
    described : str
        The format in words.

    Returns
    -------
    RawTable

    Raises
    ------
    IntakeError
        If there is only a header.
    """
    layout = find_layout(lines[:SAMPLE_LINES], name, delimiter="\t")
    _, details = describe_layout(layout, "")
    data = "\n".join(lines).encode("utf-8", "replace")
    return _raw_text(data, layout, described, details | {"encoding": None, "delimiter": None}, name)


def _raw_text(data: bytes, layout: Layout, described: str, details: dict[str, Any], name: str) -> RawTable:
    raw = cut_rows(data, layout, name)
    if not raw.rows_read:
        raise IntakeError(
            "The file has a header but no rows below it.",
            where=name,
            remedy="Export it again with its rows.",
        )
    return replace(raw, format=described, units=layout.units, decimal=layout.decimal, details=details)


def describe_layout(layout: Layout, encoding: str) -> tuple[str, dict[str, Any]]:
    """Describe a layout in words, and in details for preview."""
    name = DELIMITERS[layout.delimiter]
    details = {
        "encoding": encoding,
        "delimiter": name,
        "decimal": layout.decimal,
        "header_line": layout.header_line + 1,
        "headers": layout.headers,
        "crs": None,
    }
    return f"delimited text ({name}, decimal '{layout.decimal}', {encoding})", details


def as_utf8(data: bytes, name: str) -> tuple[bytes, str]:
    r"""Bring text to UTF-8 with even line ends, and tell its encoding.

    UTF-16 is told by its byte order mark or its zero bytes; what is not valid UTF-8 is Windows-1252.

    Raises
    ------
    IntakeError
        If it is not text.

    Examples
    --------
    >>> as_utf8("Débit".encode("cp1252"), "a.csv")[0].decode("utf-8"), as_utf8(b"a\r\n", "b.csv")
    ('Débit', (b'a\n', 'utf-8'))
    """
    encoding = find_encoding(data)
    if encoding.startswith("utf-16"):
        try:
            data = data.decode(encoding).encode("utf-8")
        except UnicodeDecodeError:
            encoding = "cp1252"
    data, encoding = even_text(data.removeprefix(codecs.BOM_UTF8), encoding)
    check_text(data, name)
    return even_line_ends(data), encoding


def even_text(data: bytes, encoding: str) -> tuple[bytes, str]:
    """Turn Windows-1252 into UTF-8; what was thought to be UTF-8 and is not is Windows-1252."""
    if encoding == "utf-8" and not _is_utf8(data):
        encoding = "cp1252"
    if encoding == "cp1252":
        data = data.decode(encoding, errors="replace").encode("utf-8")
    return data, encoding


def _is_utf8(data: bytes) -> bool:
    try:
        return data.isascii() or bool(data.decode("utf-8"))
    except UnicodeDecodeError:
        return False


def check_text(data: bytes, name: str) -> None:
    """Refuse what is not text: zero bytes, or a start full of characters that do not print.

    Raises
    ------
    IntakeError
        If it is none, or a document.
    """
    if data.startswith(DOCUMENTS):
        raise IntakeError(
            "This is a document, not a table.", where=name, remedy="Export the data behind it as CSV."
        )
    head = data[:16_000].decode("utf-8", errors="replace")[:4000]
    odd = sum(not (one.isprintable() or one in "\r\n\t\f") for one in head)
    if b"\0" in data or odd > 0.02 * len(head) + 1:
        raise IntakeError("This is not a text file.", where=name, remedy="Export the data as CSV.")


def even_line_ends(data: bytes) -> bytes:
    """Bring line ends of all systems to one."""
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in data else data


def first_lines(data: bytes) -> list[str]:
    """Lines to tell the layout by."""
    head = data[: _offset_of_line(data, SAMPLE_LINES)]
    return head.decode("utf-8", errors="replace").split("\n")[:SAMPLE_LINES]


def find_encoding(data: bytes) -> str:
    """Tell the encoding by byte order mark or zero bytes; UTF-8 where nothing speaks against it."""
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    head = data[:2000]
    if len(head) > 3 and head[1::2].count(0) > 0.4 * len(head[1::2]):
        return "utf-16-le"
    if len(head) > 3 and head[::2].count(0) > 0.4 * len(head[::2]):
        return "utf-16-be"
    return "utf-8"


def find_layout(lines: list[str], name: str, *, delimiter: str = "") -> Layout:
    """Find delimiter, header, row of units and decimal mark from the first lines.

    Parameters
    ----------
    lines : list of str
    name : str
        File, for messages.
    delimiter : str
        "" to find it.

    Returns
    -------
    Layout

    Raises
    ------
    IntakeError
        If a line is far too long, or there are too many columns.

    Examples
    --------
    >>> found = find_layout(["Export 3.2", "Lat;Lon;Speed", "deg;deg;km/h", "1,5;2,5;3,5"], "a.csv")
    >>> found.delimiter, found.decimal, found.header_line, found.units["Speed"]
    (';', ',', 1, 'km/h')
    """
    longest = max(range(len(lines)), key=lambda place: len(lines[place]))
    if len(lines[longest]) > MAX_HEADER_LENGTH:
        raise IntakeError(
            f"Line {longest + 1} is far too long for a table ({len(lines[longest]):,} characters).",
            where=name,
            remedy="Export the data as CSV, one reading or record a line.",
        )
    delimiter = delimiter or _find_delimiter(lines)
    rows = [[cell[:MAX_CELL] for cell in _split(line, delimiter)] for line in lines]
    header = _find_header(rows)
    first = header + 1
    while first < len(rows) and not any(cell.strip() for cell in rows[first]):
        first += 1
    data = [row for row in rows[first:] if any(cell.strip() for cell in row)]
    width = Counter(len(row) for row in data).most_common(1)[0][0] if data else 0
    headers = rows[header] if header >= 0 else []
    # A row of data may end in a delimiter that the header lacks.
    headers = headers + [""] * (width - len(headers))
    while len(headers) > max(width, 1) and not headers[-1].strip():
        headers = headers[:-1]
    names = unique_headers(headers, name)
    units: dict[str, str] = {}
    if first < len(rows) and _is_units_row(rows[first]):
        units = {
            key: unit for key, cell in zip(names, rows[first], strict=False) if (unit := known_unit(cell))
        }
        first += 1
        data = data[1:]
    return Layout(delimiter, _find_decimal(data, delimiter), header, first, names, units)


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except (csv.Error, StopIteration):
        return line.split(delimiter)


def _find_delimiter(lines: list[str]) -> str:
    """Find the first delimiter that cuts most lines into as many cells; else the most regular one."""
    some = [line for line in lines if line.strip()] or lines  # blanks beyond ASCII may be all there is
    filled = [line for line in some if not _COMMENT.match(line)] or some
    shares = {}
    for delimiter in DELIMITERS:
        widths = Counter(len(_split(line, delimiter)) for line in filled)
        width, count = max(widths.items(), key=lambda one: (one[1] * (one[0] > 1), one[0]))
        shares[delimiter] = count / len(filled) if width > 1 else 0.0
    if shares[" "] >= shares[","] and _commas_are_decimal(filled):
        shares[","] = 0.0
    for least in (0.7, 0.31 if len(filled) < 8 else 2.0):
        for delimiter, share in shares.items():
            if share >= least:
                return delimiter
    best = max(shares, key=lambda one: shares[one])
    return best if shares[best] else ","


def _commas_are_decimal(lines: list[str]) -> bool:
    """Whether every comma stands within a number of its own between blanks, as in "-34,2 140,5"."""
    cells = [cell for line in lines for cell in line.split() if "," in cell]
    return bool(cells) and all(_DECIMAL_COMMA.match(cell) for cell in cells)


def _find_header(rows: list[list[str]]) -> int:
    """Line of the header, -1 if the first row is data already."""
    best, best_score = -1, 0.0
    for place, row in enumerate(rows[:HEADER_WITHIN]):
        cells = [cell for cell in row if cell.strip()]
        if not cells:
            continue
        if sum(bool(_NUMBER.match(cell)) for cell in cells) > 0.3 * len(cells) and len(cells) > 1:
            break
        score = sum(_is_header_word(cell) for cell in cells) + 0.1 * len(cells)
        if score > best_score + 0.5 and not _is_units_row(row):
            best, best_score = place, score
    return best


def _is_header_word(cell: str) -> bool:
    words, _ = split_header(cell)
    return words in _ALL_WORDS


_ALL_WORDS = frozenset(
    plain_words(word)
    for fields in FIELDS.values()
    for one in fields
    for word in (*one.words, split_header(one.name)[0])
)


def _is_units_row(row: list[str]) -> bool:
    cells = [cell for cell in row if cell.strip()]
    if not cells or any(_STARTS_WITH_DIGIT.match(cell) for cell in cells):
        return False
    units = sum(bool(known_unit(cell.strip("[]() "))) for cell in cells)
    return units >= 1 and units >= 0.5 * len(cells)


def _find_decimal(rows: list[list[str]], delimiter: str) -> str:
    commas = points = grouped = 0
    for row in rows:
        for cell in row:
            commas += bool(re.match(r"^\s*[+-]?\d*,\d+\s*$", cell)) or bool(
                re.match(r"^\s*[+-]?\d{1,3}(\.\d{3})+,\d+\s*$", cell)
            )
            grouped += bool(re.match(r"^\s*[+-]?[1-9]\d{0,2}(,\d{3})+\s*$", cell))
            points += bool(re.match(r"^\s*[+-]?\d*\.\d+\s*$", cell))
    if delimiter == "," and commas == grouped:
        return "."
    return "," if commas > points else "."


def cut_rows(data: bytes, layout: Layout, name: str) -> RawTable:
    """Cut the rows below the header into cells; rows of another width are refused by line.

    Parameters
    ----------
    data : bytes
        UTF-8 with even line ends.
    layout : Layout
    name : str
        File, for messages.

    Returns
    -------
    RawTable
        ``source_row`` counts lines of `data`, from 1.

    Raises
    ------
    IntakeError
        If the rows cannot be cut.
    """
    start, end = _offset_of_line(data, layout.first_line), _end_of_rows(data)
    if end <= start:
        return RawTable(_empty_frame(layout.headers), np.array([], dtype="int64"), "")
    delimiter, rows = layout.delimiter, memoryview(data)[start:end]
    if delimiter == " ":
        bare = re.sub(rb"(?m)^[ \t]+|[ \t]+$", b"", rows)
        delimiter, rows = "\t", memoryview(re.sub(rb"[ \t]+", b"\t", bare))
    body = _owned(rows)
    odd: list[OddRow] = []
    try:
        table = _parse_body(body, delimiter, len(layout.headers), None)
    except pa.ArrowInvalid:
        table = _parse_odd_rows(body, delimiter, len(layout.headers), odd, name)
    return _number_rows(table, odd, layout)


def _owned(data: memoryview) -> pa.Buffer:
    """Copy bytes into memory of pyarrow: none of its threads has to let go of a Python object then."""
    buffer = pa.allocate_buffer(len(data))
    pa.FixedSizeBufferWriter(buffer).write(data)
    return buffer


def _end_of_rows(data: bytes) -> int:
    """Where the last row ends that is not blank; empty cells at its own end are cells."""
    end = len(data)
    while end and not data[max(end - SOME_BYTES, 0) : end].strip():
        end -= min(SOME_BYTES, end)
    start = max(end - SOME_BYTES, 0)
    found = data.find(b"\n", start + len(data[start:end].rstrip()))
    return found + 1 if found >= 0 else len(data)


def _parse_odd_rows(data: pa.Buffer, delimiter: str, width: int, odd: list[OddRow], name: str) -> pa.Table:
    """Cut rows of which some have another width: those are noted in `odd` by number."""

    def note_odd_row(row: Any) -> str:
        reason = f"has {row.actual_columns} cells, the header has {width}"
        odd.append((int(row.number), reason, str(row.text)))
        return "skip"

    try:
        return _parse_body(data, delimiter, width, note_odd_row)
    except pa.ArrowInvalid as error:
        raise IntakeError(
            f"The rows cannot be cut into cells: {str(error)[:120]}.",
            where=name,
            remedy="Save it as CSV again.",
        ) from error


def _parse_body(data: pa.Buffer, delimiter: str, width: int, on_odd: Any) -> pa.Table:
    keys = [f"c{place}" for place in range(width)]
    # Only with one thread does pyarrow tell the number of a row that it could not cut.
    reading = pa_csv.ReadOptions(column_names=keys, use_threads=on_odd is None, block_size=PARSE_BYTES)
    parsing = pa_csv.ParseOptions(delimiter=delimiter, ignore_empty_lines=False, invalid_row_handler=on_odd)
    converting = pa_csv.ConvertOptions(
        column_types={key: pa.string() for key in keys},
        strings_can_be_null=False,
        quoted_strings_can_be_null=False,
    )
    return pa_csv.read_csv(
        pa.BufferReader(data), read_options=reading, parse_options=parsing, convert_options=converting
    )


def _number_rows(table: pa.Table, odd: list[OddRow], layout: Layout) -> RawTable:
    """Give every row its line in the file."""
    total = table.num_rows + len(odd)
    lines = np.arange(total, dtype="int64") + layout.first_line + 1
    skipped = np.array([number - 1 for number, _, _ in odd], dtype="int64")
    kept = np.ones(total, dtype=bool)
    kept[skipped[(skipped >= 0) & (skipped < total)]] = False
    lines, filled = lines[kept], _filled_rows(table)
    if filled is not None:
        table, lines = table.filter(filled), lines[filled.to_numpy(zero_copy_only=False)]
    real = [(number, reason, text) for number, reason, text in odd if text.strip()]
    refused = refused_table(
        [number + layout.first_line for number, _, _ in real],
        [one[1] for one in real],
        [one[2][:80] for one in real],
    )
    return RawTable(arrow_frame(table, layout.headers), lines, "", refused=refused)


def _filled_rows(table: pa.Table) -> pa.ChunkedArray | None:
    """Rows with something in a cell, None where all have."""
    blank: Any = None
    for column in table.columns:
        here = pc.equal(column, "")
        blank = here if blank is None else pc.and_(blank, here)
        if not pc.any(blank).as_py():
            return None
    return None if blank is None else pc.invert(blank)


def _offset_of_line(data: bytes, line: int) -> int:
    place = 0
    for _ in range(line):
        found = data.find(b"\n", place)
        if found < 0:
            return len(data)
        place = found + 1
    return place


def _empty_frame(headers: list[str]) -> Any:
    return arrow_frame(
        pa.table({f"c{place}": pa.array([], pa.string()) for place in range(len(headers))}), headers
    )
