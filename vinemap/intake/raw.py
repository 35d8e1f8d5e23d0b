"""A source file as it stands: cells by header, before anything is understood."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from vinemap.errors import IntakeError
from vinemap.taken import refused_table

MAX_COLUMNS = 2000
MAX_CELL = 400
CUT = "..."


@dataclass(frozen=True, slots=True)
class RawTable:
    """Cells by header.

    Attributes
    ----------
    frame : pandas.DataFrame
        One column per header, text or numbers as the file holds them; RangeIndex. Text may be held by Arrow.
    source_row : array of int, shape (rows,)
        Line of a text file, feature number of a layer, from 1.
    format : str
        In words.
    geometry : geopandas.GeoSeries, Places or None
        With its CRS where the file has one; points may come as bare coordinates.
    units : dict of str to str
        Unit by header, from a row of units.
    decimal : str
        Decimal mark of numbers held as text.
    refused : pandas.DataFrame
        Rows that could not be cut into cells.
    notes : list of str
    details : dict
        Encoding, delimiter, header row, layer, CRS.
    shares : Shares or None
        Where a line of the file was parted into several rows.
    """

    frame: pd.DataFrame
    source_row: npt.NDArray[np.int64]
    format: str
    geometry: Any = None
    units: dict[str, str] = field(default_factory=dict)
    decimal: str = "."
    refused: pd.DataFrame = field(default_factory=refused_table)
    notes: list[str] = field(default_factory=list)
    details: dict[str, Any] = field(default_factory=dict)
    shares: Shares | None = None

    @property
    def rows_read(self) -> int:
        """Rows in the file, those that could not be cut into cells among them."""
        rows = len(self.frame) if self.shares is None else len(np.unique(self.source_row))
        return rows + len(self.refused)


@dataclass(frozen=True, slots=True)
class Places:
    """Points as bare coordinates: no shape is made of each, which takes longer than reading them.

    Attributes
    ----------
    x, y : array of float, shape (rows,)
        NaN where a feature has no point.
    crs : pyproj.CRS or None
    """

    x: npt.NDArray[np.float64]
    y: npt.NDArray[np.float64]
    crs: Any = None

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True, slots=True)
class Shares:
    """Which part of the numbers of its line in the file falls to each row, as two shares added up.

    Attributes
    ----------
    before, after : array of float, shape (rows,)
        Share (0-1) of the line before and up to the end of each row.
    """

    before: npt.NDArray[np.float64]
    after: npt.NDArray[np.float64]

    def of(self, values: npt.NDArray[np.float64], *, whole: bool) -> npt.NDArray[np.float64]:
        """Share values out; whole numbers so that they stay whole and add up.

        Examples
        --------
        >>> halves = Shares(np.array([0.0, 0.5]), np.array([0.5, 1.0]))
        >>> halves.of(np.array([5.0, 5.0]), whole=True).tolist()
        [2.0, 3.0]
        """
        if whole:
            return np.asarray(np.floor(self.after * values + 1e-9) - np.floor(self.before * values + 1e-9))
        return np.asarray(self.after * values - self.before * values)


def arrow_frame(table: pa.Table, headers: Sequence[str]) -> pd.DataFrame:
    """Make a frame of text cells that stay with Arrow, several times quicker than text in pandas.

    Parameters
    ----------
    table : pyarrow.Table
    headers : sequence of str
        Of its columns.

    Returns
    -------
    pandas.DataFrame
    """
    frame: pd.DataFrame = table.to_pandas(types_mapper=pd.ArrowDtype)
    return frame.set_axis(list(headers), axis=1)


def unique_headers(headers: Iterable[object], where: str) -> list[str]:
    """Clean headers and make them unique.

    Raises
    ------
    IntakeError
        If there are more than `MAX_COLUMNS`.

    Examples
    --------
    >>> unique_headers(["Speed ", "", "Speed"], "a.csv")
    ['Speed', 'column 2', 'Speed (2)']
    """
    out: list[str] = []
    seen: dict[str, int] = {}
    for place, header in enumerate(headers, 1):
        if place > MAX_COLUMNS:
            raise IntakeError(
                f"It has more than {MAX_COLUMNS} columns.",
                where=where,
                remedy="Export only the columns needed.",
            )
        name = " ".join(str(header)[:MAX_CELL].split()) or f"column {place}"
        seen[name] = seen.get(name, 0) + 1
        out.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return out


def short_cells(frame: pd.DataFrame) -> pd.DataFrame:
    """Cut cells that are longer than any that means something: patterns could search them for ever.

    What is left ends in dots, so that it is not taken for a number.

    Examples
    --------
    >>> short_cells(pd.DataFrame({"a": ["x" * 1000]}))["a"].str.len().tolist()
    [403]
    """
    long = {name: cut for name in frame.columns if (cut := _shortened(frame[name])) is not None}
    return frame.assign(**long) if long else frame


def _shortened(cells: pd.Series) -> pd.Series | None:
    """Cells cut to `MAX_CELL` characters and dots, None where none is longer."""
    if isinstance(cells.dtype, pd.ArrowDtype):
        text = pa.chunked_array(pa.array(cells))
        if (pc.max(pc.binary_length(text)).as_py() or 0) <= MAX_CELL:
            return None
        cut = pc.binary_join_element_wise(pc.utf8_slice_codeunits(text, 0, MAX_CELL), CUT, "")
        cut = pc.if_else(pc.greater(pc.binary_length(text), MAX_CELL), cut, text)
        return pd.Series(pd.arrays.ArrowExtensionArray(cut), index=cells.index)
    if cells.dtype != object or not (cells.map(len, na_action="ignore") > MAX_CELL).any():
        return None
    return cells.map(
        lambda text: text if len(text) <= MAX_CELL else text[:MAX_CELL] + CUT, na_action="ignore"
    )


def plain_columns(frame: pd.DataFrame) -> pd.DataFrame:
    """Bring columns of any type to numbers, times or text; what is none of them becomes its text.

    Parameters
    ----------
    frame : pandas.DataFrame
        Not altered.

    Returns
    -------
    pandas.DataFrame

    Examples
    --------
    >>> plain_columns(pd.DataFrame({"a": [b"x", None], "b": [True, False]})).values.tolist()
    [['x', 'True'], [None, 'False']]
    """
    return pd.DataFrame(
        {name: _plain_column(frame[name]) for name in frame.columns}, index=frame.index, columns=frame.columns
    )


def plain_arrow(table: pa.Table) -> pd.DataFrame:
    """Bring an Arrow table to numbers, times or text as `plain_columns` does; text stays with Arrow."""
    cells = {name: _plain_arrow_column(table[name]) for name in table.column_names}
    return pd.DataFrame(cells, index=pd.RangeIndex(table.num_rows), copy=False)


def _plain_arrow_column(cells: pa.ChunkedArray) -> pd.Series:
    kind = cells.type
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        return pd.Series(pd.arrays.ArrowExtensionArray(cells.cast(pa.string())))
    if pa.types.is_date(kind):
        cells = cells.cast(pa.timestamp("ms"))
    return _plain_column(cells.to_pandas().reset_index(drop=True))


def _plain_column(cells: pd.Series) -> pd.Series:
    types = pd.api.types
    if types.is_datetime64_any_dtype(cells.dtype):
        return cells
    if types.is_numeric_dtype(cells.dtype) and not (
        types.is_bool_dtype(cells.dtype) or types.is_complex_dtype(cells.dtype)
    ):
        return cells
    loose = cells.astype(object)
    if types.infer_dtype(loose, skipna=True) in ("string", "empty"):
        return loose
    return pd.Series([_plain_cell(one) for one in loose], index=cells.index, dtype=object)


def _plain_cell(value: Any) -> str | None:
    if isinstance(value, bytes):
        return value.decode("utf-8", errors="replace")
    if isinstance(value, dt.date | dt.time):
        return None if value is pd.NaT else value.isoformat()
    if value is None or value is pd.NA or (isinstance(value, float | np.floating) and np.isnan(value)):
        return None
    if isinstance(value, int) and abs(value) >= 1 << 63:
        return "a number of more than 18 digits"
    return str(value)[:MAX_CELL]
