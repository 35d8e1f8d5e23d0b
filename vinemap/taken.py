"""What reading a file gives: the tidy table, what was refused, how columns were understood.

Intake makes these, the estate stores them; both import this module and not one another.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

KINDS = ("blocks", "rows", "harvest", "loads", "counts", "imagery", "renewals")
DOUBTFUL_BELOW = 0.75
REFUSED_COLUMNS = ("source_row", "reason", "value")


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


@dataclass(frozen=True, slots=True)
class Intake:
    """One file, read.

    Attributes
    ----------
    table : pandas.DataFrame or geopandas.GeoDataFrame
        Columns of the kind's table in `vinemap.tables`; geometry in WGS84.
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

    table: pd.DataFrame
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


class Refusals:
    """Collects, for every row, the first reason to leave it out.

    Parameters
    ----------
    rows : int
    """

    def __init__(self, rows: int) -> None:
        self.reason = np.full(rows, "", dtype=object)
        self.value = np.full(rows, "", dtype=object)

    @property
    def kept(self) -> npt.NDArray[np.bool_]:
        """Rows without a reason against them."""
        return np.asarray(self.reason == "", dtype=bool)

    def add(self, mask: npt.ArrayLike, reason: str, values: Sequence[Any] | pd.Series | None = None) -> None:
        """Refuse the rows in `mask` that are not refused yet.

        Parameters
        ----------
        mask : array of bool, shape (rows,)
        reason : str
        values : array, shape (rows,), optional
            The value seen.
        """
        places = np.flatnonzero(np.asarray(mask, dtype=bool) & self.kept)
        if not len(places):
            return
        self.reason[places] = reason
        if values is not None:
            seen = np.asarray(values, dtype=object)
            self.value[places] = [show_value(seen[one]) for one in places]

    def table(self, source_row: npt.NDArray[np.int64]) -> pd.DataFrame:
        """Refused rows as a table."""
        out = ~self.kept
        return refused_table(source_row[out], self.reason[out], self.value[out])


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


def count_reasons(refused: pd.DataFrame) -> dict[str, int]:
    """Refusals by reason, the most frequent first."""
    return {str(reason): int(count) for reason, count in refused["reason"].value_counts().items()}
