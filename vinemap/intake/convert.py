"""Cells to typed fields in inside units; every row that cannot be gets a reason."""

from __future__ import annotations

import re
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from vinemap.errors import IntakeError
from vinemap.intake.fields import PLAIN_NAMES, Field
from vinemap.intake.numbers import (
    DATE_ORDERS,
    EARLIEST,
    LATEST,
    Numbers,
    Times,
    as_text,
    even_clock,
    has_clock,
    has_date,
    to_degrees,
    to_numbers,
    to_times,
)
from vinemap.intake.raw import RawTable
from vinemap.taken import Guess, Refusals, show_value
from vinemap.units import factor

NO_TIME = "datetime64[ns, UTC]"
MAX_TEXT = 200
SAMPLE_CELLS = 200
LARGEST_NUMBER = 1e15  # in any unit; whole numbers are exact to here, and sums cannot overflow
_CLOCK = ("time", "date")
_UTC = re.compile(r"\b(?:UTC|GMT)\s*(?:([+\-])\s*(\d{1,2})(?::?(\d{2}))?)?", re.IGNORECASE)


@dataclass(slots=True)
class Job:
    """One file on its way through: what is known, what was found on the way.

    Attributes
    ----------
    where : str
        File name, for messages.
    kind : str
    raw : RawTable
    guesses : list of Guess
    refusals : Refusals
    values : dict of str to pandas.Series
        Fields found, each of shape (rows,).
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

    def column(self, name: str, default: object = np.nan) -> pd.Series:
        """Values of a field, the default in every row where the file lacks it."""
        if name in self.values:
            return self.values[name]
        kind = "float64" if isinstance(default, float) else object
        return pd.Series(np.full(self.rows, default, dtype=kind))

    def has(self, name: str) -> bool:
        """Whether the file holds this field."""
        return name in self.values


def convert_fields(job: Job, fields: Sequence[Field]) -> None:
    """Fill ``job.values`` with every field found, in inside units.

    Parameters
    ----------
    job : Job
        ``values``, ``refusals`` and ``notes`` are filled.
    fields : sequence of Field
    """
    by_name = {one.name: one for one in fields}
    timed = _joined(job)
    # Arrow and numpy let go of the interpreter: columns are read side by side, then judged in order.
    with ThreadPoolExecutor() as pool:
        times = None if timed is None else pool.submit(_read_times, job, timed)
        numbers = {
            guess.field: pool.submit(_read_numbers, one, _cells(job, guess.header), job.raw.decimal)
            for guess in job.guesses
            if (one := by_name[guess.field]).kind in ("number", "whole")
        }
        for guess in job.guesses:
            one, cells = by_name[guess.field], _cells(job, guess.header)
            if one.kind in ("text", "name"):
                job.values[one.name] = _texts(job, one, cells)
            elif one.kind != "time":
                job.values[one.name] = _numbers(job, one, guess, cells, numbers[guess.field].result())
        if timed is not None and times is not None:
            _times(job, timed, times.result())
    _refuse_empty(job, fields)


def _cells(job: Job, header: str) -> pd.Series:
    if header.startswith("=") and header not in job.raw.frame.columns:
        return pd.Series([header[1:]] * job.rows, dtype=object)
    return job.raw.frame[header]


def _texts(job: Job, one: Field, cells: pd.Series) -> pd.Series:
    """Text as it stands, but for blanks at the ends and characters that do not print; names as categories."""
    if pd.api.types.is_float_dtype(cells) and (cells.dropna() == cells.dropna().round()).all():
        cells = cells.astype("Int64")
    # Few different names in many rows: each is cleaned once.
    coded = as_text(cells).dictionary_encode()
    clean = [_printable(text) for text in coded.dictionary.to_pylist()]
    names, places = np.unique(np.array(clean, dtype=object), return_inverse=True)
    places = places.astype(np.min_scalar_type(-len(names) - 1))
    codes = places[coded.indices.to_numpy()] if len(clean) else places[:0]
    too_long = np.array([len(text) > MAX_TEXT for text in names], dtype=bool)
    if too_long.any():
        seen = pd.Series(names[codes], dtype=object)
        job.refusals.add(too_long[codes], f"{one.plain} is longer than {MAX_TEXT} characters", seen)
    if one.kind == "name":
        return named(codes, names)
    return pd.Series(names[codes], dtype=object)


def named(codes: Any, names: Any) -> pd.Series:
    """Categories out of their places in a list of names."""
    return pd.Series(pd.Categorical.from_codes(codes, categories=pd.Index(names, dtype=object)))


def _printable(text: str) -> str:
    return " ".join("".join(one if one.isprintable() else " " for one in text).split())


def _numbers(job: Job, one: Field, guess: Guess, cells: pd.Series, read: Numbers) -> pd.Series:
    """Values in the inside unit; what cannot be is refused."""
    if read.note:
        job.notes.append(f"Column {guess.header!r}: {read.note}")
    job.refusals.add(read.bad, f"{one.plain} is not a number", cells)
    scale = factor(guess.unit, one.unit) if one.unit and guess.unit else 1.0
    with np.errstate(over="ignore"):
        values = read.values if scale == 1.0 else read.values * scale
    absurd = _beyond(values, -LARGEST_NUMBER, LARGEST_NUMBER)
    if _thousands_settled(job, one, values if absurd is None else np.where(absurd, np.nan, values), cells):
        values = values * 1000.0 if absurd is None else np.where(absurd, values, values * 1000.0)
        job.notes.append(
            f"Doubtful: the mark in column {guess.header!r} was taken as one between thousands; "
            "otherwise its values would be far too small."
        )
    _refuse_beyond(job, one, values, cells)
    if one.kind == "whole":
        odd = ~np.isnan(values) & (values != np.round(values))
        job.refusals.add(odd, f"{one.plain} is not a whole number", cells)
    if one.shared and job.raw.shares is not None:
        values = job.raw.shares.of(values, whole=one.kind == "whole")
    if absurd is not None:
        job.refusals.add(absurd, f"{one.plain} is larger than anything measured", cells)
        values = np.where(absurd, np.nan, values)  # so that no sum after this can overflow
    return pd.Series(values, copy=False)


def _beyond(values: Any, low: float, high: float) -> Any:
    """Values out of bounds, None where all are within: telling that takes no memory."""
    least, most = (reduce(values, initial=np.nan) for reduce in (np.fmin.reduce, np.fmax.reduce))
    return (values < low) | (values > high) if least < low or most > high else None


def _refuse_beyond(job: Job, one: Field, values: Any, cells: pd.Series) -> None:
    """Refuse what lies beyond the limits of the possible."""
    if _beyond(values, one.low, one.high) is None:
        return
    word = "is negative" if one.low == 0 else f"is below {one.low:g}"
    job.refusals.add(values < one.low, f"{one.plain} {word}", cells)
    unit = f" {one.unit}" if one.unit else ""
    reason = f"{one.plain} is above {one.high:,.10g}{unit}, which cannot be"
    job.refusals.add(values > one.high, reason, cells)


def _thousands_settled(job: Job, one: Field, values: Any, cells: pd.Series) -> bool:
    """Whether the mark is one between thousands; decided once for all parts of a file."""
    key = f"thousands in {one.name}"
    if key not in job.decided:
        job.decided[key] = _thousands_meant(one, values, cells)
    return bool(job.decided[key])


def _thousands_meant(one: Field, values: Any, cells: pd.Series) -> bool:
    """Whether all cells look like 12.500 and only twelve thousand five hundred is believable."""
    low, high = one.typical
    if pd.api.types.is_numeric_dtype(cells) or not np.isfinite(low) or np.isnan(values).all():
        return False
    if not _all_grouped(cells.iloc[:SAMPLE_CELLS]):
        return False
    middle = float(np.nanmedian(values))
    if low <= middle <= high or not low <= 1000.0 * middle <= high:
        return False
    return _all_grouped(cells)


def _all_grouped(cells: pd.Series) -> bool:
    """Whether all cells that hold something look like 12.500."""
    text = cells.dropna().astype(str).str.strip()
    return bool(text[text != ""].str.fullmatch(r"\d{1,3}[.,]\d{3}").all())


def _read_numbers(one: Field, cells: pd.Series, decimal: str) -> Numbers:
    if one.name in ("latitude", "longitude"):
        return to_degrees(cells, decimal=decimal)
    read = to_numbers(cells, decimal=decimal)
    if one.name not in ("row_no", "from_row", "to_row") or not read.bad.any():
        return read
    # Rows are often written R12 or "Row 12".
    digits = cells.astype(object).astype(str).str.extract(r"^\s*[^\W\d]{0,6}[\s.\-#]*0*(\d{1,6})\s*$")[0]
    values = np.where(read.bad, pd.to_numeric(digits, errors="coerce").to_numpy(dtype="float64"), read.values)
    return Numbers(values, read.bad & np.isnan(values), "letters before the row number were left out.")


def _read_times(job: Job, cells: pd.Series) -> Times:
    order = next((one.unit for one in job.guesses if one.field in _CLOCK and one.unit in DATE_ORDERS), "")
    form = job.decided.get("form of times", "")
    return to_times(cells, decimal=job.raw.decimal, form=form, order=order)


def _times(job: Job, cells: pd.Series, read: Times) -> None:
    """Turn times to UTC; what cannot be one is refused."""
    job.decided.setdefault("form of times", read.form)
    job.refusals.add(read.bad, "time cannot be read", cells)
    if read.note:
        headers = {one.field: one.header for one in job.guesses}
        job.notes.append(f"Column {headers.get('time', headers.get('date'))!r}: {read.note}")
    times = _to_utc(job, read.values)
    if times.min() < EARLIEST or times.max() > LATEST:
        odd = (times < EARLIEST) | (times > LATEST)
        job.refusals.add(odd, "time is before 1990 or after 2100", cells)
    job.values["time"] = times


def _joined(job: Job) -> pd.Series | None:
    """Cells of the time, put together with those of the date where they stand apart; None without either."""
    headers = {one.field: one.header for one in job.guesses if one.field in _CLOCK}
    time = _cells(job, headers["time"]) if "time" in headers else None
    date = _cells(job, headers["date"]) if "date" in headers else None
    if time is not None and date is None and has_clock(time) and not has_date(time):
        raise IntakeError(
            f"The times name no day ({show_value(time.dropna().iloc[0])!r}).",
            where=job.where,
            remedy="Name the column of the date, --column date=HEADER, or the day itself, "
            "as in --column date==2026-03-01.",
        )
    if time is None or date is None:
        return time if time is not None else date
    return _with_day(time, date)


def _with_day(time: pd.Series, date: pd.Series) -> pd.Series:
    """Time of day behind its date, or one of the two where it holds both."""
    if has_date(date) and not pd.api.types.is_numeric_dtype(time):
        time = even_clock(time.fillna("").astype(str).str.strip())
    if has_date(time) or not has_clock(time):
        return time if to_times(time.iloc[:50]).values.notna().mean() > 0.5 else date
    if has_clock(date):
        return date
    if pd.api.types.is_datetime64_any_dtype(date):
        date = date.dt.strftime("%Y-%m-%d")
    clock = time.fillna("").astype(str).str.strip()
    joined: pd.Series = date.fillna("").astype(str).str.strip() + " " + clock
    return joined


def _to_utc(job: Job, times: Any) -> Any:
    """Turn times to UTC by their own offset, the one in the header, or the zone of the estate."""
    if times.dt.tz is not None:
        return _as_ns(times if str(times.dt.tz) == "UTC" else times.dt.tz_convert("UTC"))
    offset = _header_offset(job)
    if offset is not None:
        return _as_ns((times - offset).dt.tz_localize("UTC"))
    if not job.timezone:
        if times.notna().any():
            job.notes.append(
                "Times name no time zone and were kept as UTC; differences between them are right. "
                "Set estate.timezone to have them turned."
            )
        return _as_ns(times.dt.tz_localize("UTC"))
    local = times.dt.tz_localize(job.timezone, ambiguous="NaT", nonexistent="NaT")
    job.refusals.add(
        local.isna() & times.notna(),
        f"time falls into the change of the clocks in {job.timezone}",
        times.astype(str),
    )
    return _as_ns(local.dt.tz_convert("UTC"))


def _as_ns(times: Any) -> Any:
    return times if times.dtype == NO_TIME else times.astype(NO_TIME)


def _header_offset(job: Job) -> pd.Timedelta | None:
    """Offset from UTC that a header names, as in "Time (UTC)" or "Local time (UTC+9:30)"."""
    for guess in job.guesses:
        found = _UTC.search(guess.header) if guess.field in _CLOCK else None
        if found:
            sign = -1 if (found[1] or "+") == "-" else 1
            return sign * pd.Timedelta(hours=int(found[2] or 0), minutes=int(found[3] or 0))
    return None


def _refuse_empty(job: Job, fields: Sequence[Field]) -> None:
    for one in fields:
        if not one.required:
            continue
        if one.name not in job.values:
            raise missing_column(job, one.name)
        values = job.values[one.name]
        empty = (values == "") if one.kind == "text" else values.isna()
        job.refusals.add(empty, f"{one.plain} is empty")


# What fields are for, where their names do not say it.
_PLAIN = {
    "mass_flow_kg_s": ": nothing tells how much fruit there was",
    "net_kg": ": nothing tells the mass weighed",
    "missing": ": nothing tells what was counted",
}


def missing_column(job: Job, *names: str) -> IntakeError:
    """Refuse a file in which a field was not found."""
    headers = [str(one) for one in job.raw.frame.columns]
    listed = ", ".join(headers[:30]) + (", ..." if len(headers) > 30 else "")
    said = [f"{plain} ({name})" if (plain := PLAIN_NAMES.get(name)) else name for name in names]
    return IntakeError(
        f"No column was recognised as {' or '.join(said)}{_PLAIN.get(names[0], '')}. Columns are: {listed}.",
        where=job.where,
        remedy=f"Name it with --column {names[0]}=HEADER.",
    )
