"""One cell that holds two values: a position as "lat, lon", rows as "5-12".

Such columns are parted before anything is recognised, so that preview shows the parts and what follows need
not know of it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from vinemap.intake.fields import ROW_WORDS, STRETCH_WORDS
from vinemap.intake.header import split_header
from vinemap.intake.raw import RawTable, Shares

_DEGREES = r"[NSEWO]?\s*[+-]?\d{1,3}[.,]\d{2,}\s*°?\s*[NSEWO]?"
_PAIR = re.compile(rf"^\s*\(?\s*({_DEGREES})\s*(?:[,;/|]\s*|\s+)({_DEGREES})\s*\)?\s*$", re.IGNORECASE)
_POINT = re.compile(r"^\s*POINT\s*Z?\s*\(\s*([+-]?[\d.]+)\s+([+-]?[\d.]+)[^)]*\)\s*$", re.IGNORECASE)
_NUMBER = r"[^\W\d]{0,6}[\s.#]*(\d{1,5})"
_RANGE = re.compile(
    rf"^{_NUMBER}(?:\s*(?:-|–|—|\.\.|\bto\b|\bthrough\b|\ba\b|\bà\b|\bal\b|\bau\b|\bbis\b|\bhasta\b|\baté\b)\s*{_NUMBER})?$",
    re.IGNORECASE,
)
_BETWEEN = re.compile(r"\s*(?:[,;+&]|\band\b|\by\b|\bet\b|\be\b|\bund\b)\s*", re.IGNORECASE)
MOST_ROWS = 2000  # of one line; more is a slip of the pen
SAMPLE = 50
LONGEST = 80  # characters of a cell worth looking at; in longer ones the patterns could search for ever
MOST_ARE = 0.8  # share of cells that hold a pair from which a column is one of pairs


def part_cells(raw: RawTable, kind: str, decided: dict[str, Any] | None = None) -> RawTable:
    """Part the columns that hold two values in a cell.

    Parameters
    ----------
    raw : RawTable
        Not altered.
    kind : str
    decided : dict, optional
        What was decided for earlier parts of the same file; filled here.

    Returns
    -------
    RawTable
        With the parts as columns of their own. Counts over several rows become one line for each row,
        renewals of several stretches one for each; ``shares`` tells which part of the line's numbers falls to
        each.
    """
    if kind == "harvest":
        known = {} if decided is None else decided
        order = known.setdefault("positions", _position_column(raw))
        return _with_positions(raw, *order) if order else raw
    return {"counts": _part_counts, "renewals": _part_renewals}.get(kind, _as_it_is)(raw)


def _as_it_is(raw: RawTable) -> RawTable:
    return raw


def _position_column(raw: RawTable) -> tuple[str, bool] | None:
    """Column of positions such as "-34.2, 140.5", and whether east comes first; None if there is none."""
    taken = {split_header(str(header))[0] for header in raw.frame.columns}
    if raw.geometry is not None or {"latitude", "longitude"} & taken or {"lat", "lon"} <= taken:
        return None
    for header in raw.frame.columns:
        few = _texts(raw.frame[header].iloc[:SAMPLE])
        for pattern in (_POINT, _PAIR):
            pairs = [found for one in few if len(one) <= LONGEST and (found := pattern.match(one))]
            if few and len(pairs) >= MOST_ARE * len(few):
                beyond = any(abs(float(_number(found[1]))) > 90 for found in pairs)
                return str(header), pattern is _POINT or beyond
    return None


def _number(text: str) -> str:
    return re.sub(r"[^\d.]", "", text.replace(",", "."))


def _with_positions(raw: RawTable, header: str, east_first: bool) -> RawTable:
    cells = raw.frame[header].astype(object).where(raw.frame[header].notna(), "").astype(str)
    short = cells.where(cells.str.len() <= LONGEST, "")
    points = short.str.extract(_POINT)
    pairs = points.where(points.notna(), short.str.extract(_PAIR))
    # What is no pair stands in both, so that its row is refused with the cell as it was.
    first, second = (pairs[side].where(pairs[side].notna(), cells) for side in (0, 1))
    latitude, longitude = (second, first) if east_first else (first, second)
    parts = {"Latitude": latitude, "Longitude": longitude}
    parts = {name: one.str.replace(",", raw.decimal, regex=False) for name, one in parts.items()}
    frame = raw.frame.drop(columns=header).assign(**parts)
    order = "longitude and latitude" if east_first else "latitude and longitude"
    return replace(raw, frame=frame, notes=[*raw.notes, f"Column {header!r} was parted into {order}."])


def _part_renewals(raw: RawTable) -> RawTable:
    header = _range_column(raw, ROW_WORDS)
    if header is None:
        return raw
    held: list[list[tuple[Any, Any]]] = [list(_stretches(one)) for one in _cells(raw, header)]
    out = _repeated(raw, [[last - first + 1 for first, last in stretches] for stretches in held])
    ends = [
        one
        for stretches, cell in zip(held, _cells(raw, header), strict=True)
        for one in stretches or [(cell, cell)]
    ]
    note = f"Column {header!r} was parted into first and last row."
    return replace(_with_ends(out, header, "row", ends), notes=[*out.notes, note])


def _with_ends(raw: RawTable, header: str, what: str, ends: Sequence[tuple[Any, Any]]) -> RawTable:
    """Put two columns in the place of one; what cannot be read stands in both, to be refused as it was."""
    first, last = ([str(one[side]) for one in ends] for side in (0, 1))
    parts = {f"From {what}": first, f"To {what}": last}
    return replace(raw, frame=raw.frame.drop(columns=header).assign(**parts))


def _part_counts(raw: RawTable) -> RawTable:
    raw = _part_stretches(raw)
    header = _range_column(raw, ROW_WORDS)
    if header is None:
        return raw
    rows = [
        [row for first, last in _stretches(one) for row in range(first, last + 1)][:MOST_ROWS]
        for one in _cells(raw, header)
    ]
    out = _repeated(raw, [[1] * len(one) for one in rows])
    written = zip(rows, _cells(raw, header), strict=True)
    numbers = [text for one, cell in written for text in (map(str, one) if one else [cell])]
    note = (
        f"Doubtful: column {header!r} holds several rows in a cell; what was counted in them was shared out "
        "evenly. Count row by row where you can."
    )
    return replace(out, frame=out.frame.assign(**{header: numbers}), notes=[*out.notes, note])


def _part_stretches(raw: RawTable) -> RawTable:
    """First and last vine of a stretch written as one."""
    header = _range_column(raw, STRETCH_WORDS)
    if header is None:
        return raw
    cells = _cells(raw, header)
    held = [_stretches(cell) for cell in cells]
    ends: list[tuple[Any, Any]] = [
        one[0] if len(one) == 1 else (cell, cell) for one, cell in zip(held, cells, strict=True)
    ]
    return _with_ends(raw, header, "vine", ends)


def _range_column(raw: RawTable, words: frozenset[str]) -> str | None:
    """Column of these words of which some cell holds more than one number, None if there is none."""
    for header in raw.frame.columns:
        if split_header(str(header))[0] in words:
            cells = [one for one in _cells(raw, header) if one]
            several = [one for one in cells if len(one) <= LONGEST and not re.fullmatch(_NUMBER, one)]
            if several and any(_stretches(one) for one in several):
                return str(header)
    return None


def _stretches(cell: str) -> list[tuple[int, int]]:
    """First and last number of every stretch in a cell, none if it cannot be read.

    Examples
    --------
    >>> _stretches("5-12"), _stretches("1 to 3; 8"), _stretches("12-5"), _stretches("all")
    ([(5, 12)], [(1, 3), (8, 8)], [], [])
    """
    out = []
    if len(cell) > LONGEST:
        return []
    for part in _BETWEEN.split(cell.strip()):
        found = _RANGE.match(part)
        if not found or (found[2] and int(found[2]) < int(found[1])):
            return []
        out.append((int(found[1]), int(found[2] or found[1])))
    return out


def _cells(raw: RawTable, header: str) -> list[str]:
    cells = raw.frame[header]
    if pd.api.types.is_numeric_dtype(cells):
        return ["" if np.isnan(one) else f"{one:g}" for one in cells.to_numpy(dtype="float64")]
    return [str(one).strip() for one in cells.astype(object).where(cells.notna(), "")]


def _texts(cells: pd.Series) -> list[str]:
    if pd.api.types.is_numeric_dtype(cells) or pd.api.types.is_datetime64_any_dtype(cells):
        return []
    return [text for one in cells.dropna().tolist() if (text := str(one).strip())]


def _repeated(raw: RawTable, weights: list[list[int]]) -> RawTable:
    """Repeat every line once for each of its parts, with the share of the line that is its own."""
    lines = [place for place, parts in enumerate(weights) for _ in parts or [1]]
    shares = [_split(parts or [1]) for parts in weights]
    before = np.concatenate([one[:-1] for one in shares])
    after = np.concatenate([one[1:] for one in shares])
    geometry: Any = raw.geometry
    return replace(
        raw,
        frame=raw.frame.iloc[lines].reset_index(drop=True),
        source_row=raw.source_row[lines],
        geometry=None if geometry is None else geometry.iloc[lines].reset_index(drop=True),
        shares=Shares(before, after),
        notes=list(raw.notes),
    )


def _split(parts: list[int]) -> Any:
    return np.concatenate([[0.0], np.cumsum(parts) / sum(parts)])
