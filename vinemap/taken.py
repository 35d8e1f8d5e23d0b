"""What reading a file gives: the tidy table, what was refused, how columns were understood.

Intake makes these, the estate stores them; both import this module and not one another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vinemap.tables import READINGS, check_table

KINDS = ("blocks", "rows", "harvest", "loads", "counts", "imagery", "renewals")
DOUBTFUL_BELOW = 0.75


@dataclass(frozen=True, slots=True)
class Guess:
    """How one column was understood.

    Attributes
    ----------
    field : str
        Field of the tidy table.
    header : str
        Column of the file, or "=value" where one value was given for all rows.
    unit : str
        Unit the values were taken to be in, "" if they have none.
    confidence : float
        0-1; below `DOUBTFUL_BELOW` the guess is also among the notes.
    why : str
    """

    field: str
    header: str
    unit: str
    confidence: float
    why: str


@dataclass(frozen=True)
class Intake:
    """One file, read.

    Attributes
    ----------
    tidy : pandas.DataFrame or geopandas.GeoDataFrame
        The tidy table. Of readings it has ``longitude`` and ``latitude`` [degrees, WGS84] in the place of
        points, no numbers yet, and only what the file tells: making a million points takes longer than
        reading them.
    refused : pandas.DataFrame
        ``source_row``, ``reason``, ``value`` of every row left out.
    guesses : list of Guess
    notes : list of str
    rows_read : int
        Rows in the file below the header.
    format : str
        What kind of file it was, in words.
    kind, file, sha256 : str
        Kind of table, file name, SHA-256 of the file.
    vintage : int
        Vintage given by the caller, 0 if none.
    path : pathlib.Path or None
        The file, where it is kept as it is (imagery).
    details : dict
        Encoding, delimiter, decimal mark, CRS, header row, headers.
    """

    tidy: pd.DataFrame
    refused: pd.DataFrame
    guesses: list[Guess]
    notes: list[str]
    rows_read: int
    format: str
    kind: str = ""
    file: str = ""
    sha256: str = ""
    vintage: int = 0
    path: Path | None = None
    details: dict[str, Any] = field(default_factory=dict)

    @cached_property
    def table(self) -> pd.DataFrame:
        """Columns of the kind's table in `vinemap.tables`; geometry in WGS84, made when first asked for."""
        return readings_table(self.tidy) if self.kind == "harvest" else self.tidy


def readings_table(tidy: pd.DataFrame) -> pd.DataFrame:
    """Make `vinemap.tables.READINGS` of tidy readings: points, and numbers that the estate fills in.

    Parameters
    ----------
    tidy : pandas.DataFrame
        With ``longitude`` and ``latitude`` [degrees].

    Returns
    -------
    geopandas.GeoDataFrame
        Points in WGS84; columns beyond the table's are kept.
    """
    plain = tidy.drop(columns=["longitude", "latitude"]).assign(reading_id=0, import_id=0)
    named = plain.select_dtypes("category").columns
    points = shapely.points(tidy["longitude"].to_numpy(), tidy["latitude"].to_numpy())
    frame = gpd.GeoDataFrame(
        plain.assign(**{name: plain[name].astype(object) for name in named}),
        geometry=points,
        crs="EPSG:4326",
    )
    return check_table(frame, READINGS)


@dataclass(frozen=True, slots=True)
class IntakeStream:
    """One long file, read in parts while it is stored.

    Attributes
    ----------
    kind, file, sha256 : str
    vintage : int
        Vintage given by the caller, 0 if none.
    parts : iterator of Intake
        Each of the same columns; can be read once.
    """

    kind: str
    file: str
    sha256: str
    vintage: int
    parts: Iterator[Intake]


@dataclass(frozen=True, slots=True)
class Remembered:
    """How the columns of an earlier file were meant, for the next file of the same shape.

    Attributes
    ----------
    kind : str
    headers : list of str
        Columns of that file, in order: its shape.
    columns, units : dict of str to str
        Field to header, field to unit, as the user said or as only the values told.
    file : str
    import_id : int
    """

    kind: str
    headers: list[str]
    columns: dict[str, str]
    units: dict[str, str]
    file: str = ""
    import_id: int = 0


def mark_rows(frame: pd.DataFrame, names: Sequence[str]) -> npt.NDArray[np.uint64]:
    """One number for each row out of some of its columns: rows alike in them have the same.

    Parameters
    ----------
    frame : pandas.DataFrame
    names : sequence of str
        Columns of numbers, times or categories; empty cells are alike.

    Returns
    -------
    array of uint64, shape (rows,)

    References
    ----------
    Steele, Lea & Flood 2014, Fast splittable pseudorandom number generators, OOPSLA: "mix64variant13".
    Two different rows of a million share a number with a chance of about 3e-8.

    Examples
    --------
    >>> marks = mark_rows(pd.DataFrame({"a": [1.0, 2.0, 1.0]}), ["a"])
    >>> bool(marks[0] == marks[2]), bool(marks[0] == marks[1])
    (True, False)
    """
    marks = np.zeros(len(frame), dtype=np.uint64)
    for name in names:
        marks = _mixed(marks + _GOLDEN + _whole_bits(frame[name]))
    return marks


_GOLDEN = np.uint64(0x9E3779B97F4A7C15)


def _whole_bits(values: pd.Series) -> npt.NDArray[np.uint64]:
    """Values as whole numbers that are alike where they are."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        words = pd.util.hash_array(values.cat.categories.to_numpy(dtype=object))
        return np.asarray(words[values.cat.codes.to_numpy()], dtype=np.uint64)
    if pd.api.types.is_float_dtype(values.dtype):
        numbers = values.to_numpy(dtype="float64") + 0.0  # of two zeros only one is left
        return np.where(np.isnan(numbers), np.nan, numbers).view(np.uint64)
    return values.astype("int64").to_numpy().view(np.uint64)


def _mixed(bits: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    bits = (bits ^ (bits >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    bits = (bits ^ (bits >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return bits ^ (bits >> np.uint64(31))


class Refusals:
    """Collects, for every row, the first reason to leave it out.

    Parameters
    ----------
    rows : int
    """

    def __init__(self, rows: int) -> None:
        self._number = np.zeros(rows, dtype=np.int16)  # of the reason, 0 for none
        self._reasons = [""]
        self._values: dict[int, str] = {}

    @property
    def kept(self) -> npt.NDArray[np.bool_]:
        """Rows without a reason against them."""
        return np.asarray(self._number == 0, dtype=bool)

    def add(self, mask: npt.ArrayLike, reason: str, values: Sequence[Any] | pd.Series | None = None) -> None:
        """Refuse the rows in `mask` that are not refused yet.

        Parameters
        ----------
        mask : array of bool, shape (rows,)
        reason : str
        values : array, shape (rows,), optional
            The value seen.
        """
        places = np.flatnonzero(np.asarray(mask, dtype=bool))
        places = places[self._number[places] == 0]
        if not len(places):
            return
        self._number[places] = len(self._reasons)
        self._reasons.append(reason)
        if values is not None:
            seen = pd.Series(values).iloc[places].tolist()
            self._values.update(zip(places.tolist(), map(show_value, seen), strict=True))

    def table(self, source_row: npt.NDArray[np.int64]) -> pd.DataFrame:
        """Refused rows as a table."""
        places = np.flatnonzero(self._number)
        reasons = np.array(self._reasons, dtype=object)[self._number[places]]
        shown = [self._values.get(one, "") for one in places.tolist()]
        return refused_table(source_row[places], reasons, shown)


def refused_table(source_row: Any = (), reason: Any = (), value: Any = ()) -> pd.DataFrame:
    """Make the table of refused rows."""
    return pd.DataFrame(
        {
            "source_row": np.asarray(source_row, dtype="int64"),
            "reason": np.asarray(reason, dtype=object),
            "value": np.asarray(value, dtype=object),
        }
    )


def show_value(value: Any) -> str:
    """Show a value seen in a file in a message: short, printable.

    Examples
    --------
    >>> show_value("x" * 50), show_value(float("nan")), show_value(None)
    ('xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx...', 'nan', '')
    """
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    text = "".join(one if one.isprintable() else "?" for one in str(value))
    return text if len(text) <= 44 else text[:41] + "..."


def first_refused(refused: pd.DataFrame) -> dict[str, str]:
    """Where each reason was met first, and the value seen there; of row 0 only the value.

    Examples
    --------
    >>> first_refused(refused_table([12, 15], ["speed is negative"] * 2, ["-3", "-4"]))
    {'speed is negative': "row 12, '-3'"}
    """
    first = refused.drop_duplicates("reason")
    seen = zip(first["reason"], first["source_row"], first["value"], strict=True)
    return {
        str(reason): ", ".join([f"row {row}"] * bool(row) + [repr(value)] * bool(value))
        for reason, row, value in seen
    }


def describe_reasons(reasons: Mapping[str, int], first: Mapping[str, str]) -> list[str]:
    """Write refusals as lines, with where each reason was met first.

    Examples
    --------
    >>> describe_reasons({"speed is negative": 2}, {"speed is negative": "row 12, '-3'"})
    ["2 x speed is negative (first: row 12, '-3')"]
    """
    return [
        f"{count:,} x {reason}" + (f" (first: {where})" if (where := first.get(reason)) else "")
        for reason, count in reasons.items()
    ]


def count_reasons(refused: pd.DataFrame) -> dict[str, int]:
    """Refusals by reason, the most frequent first."""
    return {str(reason): int(count) for reason, count in refused["reason"].value_counts().items()}
