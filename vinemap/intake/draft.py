"""The tidy table of one file in the making: what is known of the file, the fields found, the rows refused."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from vinemap.errors import IntakeError
from vinemap.intake.fields import PLAIN_NAMES
from vinemap.intake.raw import RawTable
from vinemap.taken import Guess, Refusals

HEADERS_SHOWN = 30
# What a field is needed for, where its name does not say it.
_NEEDED_FOR = {
    "mass_flow_kg_s": ": nothing tells how much fruit there was",
    "net_kg": ": nothing tells the mass weighed",
    "missing": ": nothing tells what was counted",
}


@dataclass(slots=True)
class Draft:
    """One file on its way from cells to the tidy table of its kind; every step fills it in further.

    Attributes
    ----------
    where : str
        File name, for messages.
    kind : str
    raw : RawTable
    guesses : list of Guess
    refusals : Refusals
    values : dict of str to pandas.Series
        Fields found, each of shape (rows,), in inside units.
    vintage : int
        0 if not given.
    crs : str or None
        CRS given by the user.
    timezone : str
        Zone of clocks without one, "" for unknown.
    notes : list of str
    decided : dict
        Decisions by what they are about; shared by the parts of a long file, which must not differ in them.
    """

    where: str
    kind: str
    raw: RawTable
    guesses: list[Guess]
    refusals: Refusals
    vintage: int = 0
    crs: str | None = None
    timezone: str = ""
    values: dict[str, pd.Series] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    decided: dict[str, Any] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """Rows that could be cut into cells."""
        return len(self.raw.frame)

    @property
    def headers(self) -> dict[str, str]:
        """Header by field, of the fields found."""
        return {one.field: one.header for one in self.guesses}

    def has(self, name: str) -> bool:
        """Whether the file holds this field."""
        return name in self.values

    def column(self, name: str, default: object = np.nan) -> pd.Series:
        """Values of a field, the default in every row where the file lacks it."""
        if name in self.values:
            return self.values[name]
        kind = "float64" if isinstance(default, float) else object
        return pd.Series(np.full(self.rows, default, dtype=kind))

    def vintages(self) -> pd.Series:
        """Vintage of each row: named by the user, else the column, else the year of its time.

        Rows of another vintage than the one named, or of none, are refused.

        Raises
        ------
        IntakeError
            If nothing tells the vintage.
        """
        if self.has("vintage"):
            vintage = self.values["vintage"]
            if self.vintage:
                self.refusals.add(
                    vintage.notna() & (vintage != self.vintage),
                    f"row is of another vintage than {self.vintage}",
                    vintage,
                )
                vintage = vintage.fillna(self.vintage)
        elif self.vintage:
            vintage = pd.Series(float(self.vintage), index=range(self.rows))
        elif self.has("time"):
            vintage = self.values["time"].dt.year.astype("float64")
        else:
            raise self.lacks("vintage", "date")
        self.refusals.add(vintage.isna(), "vintage is empty; name it with --vintage")
        return whole(vintage)

    def lacks(self, *names: str) -> IntakeError:
        """Refuse a file in which none of these fields was found; the first is the one to name."""
        headers = [str(one) for one in self.raw.frame.columns]
        listed = ", ".join(headers[:HEADERS_SHOWN]) + (", ..." if len(headers) > HEADERS_SHOWN else "")
        said = [f"{plain} ({name})" if (plain := PLAIN_NAMES.get(name)) else name for name in names]
        return IntakeError(
            f"No column was recognised as {' or '.join(said)}{_NEEDED_FOR.get(names[0], '')}. "
            f"Columns are: {listed}.",
            where=self.where,
            remedy=f"Name it with --column {names[0]}=HEADER.",
        )


def whole(values: pd.Series) -> pd.Series:
    """Numbers as nullable integers; what is not whole becomes empty (its row was refused before)."""
    return values.where(values == values.round()).astype("Int64")


def as_categories(codes: Any, names: Any) -> pd.Series:
    """Categories out of their places in a list of names."""
    return pd.Series(pd.Categorical.from_codes(codes, categories=pd.Index(names, dtype=object)))
