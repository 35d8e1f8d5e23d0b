"""Cells to typed fields in inside units; every row that cannot be gets a reason."""

from __future__ import annotations

import re
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pandas as pd

from vinemap.errors import IntakeError
from vinemap.intake.draft import Draft, as_categories
from vinemap.intake.fields import Field
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
from vinemap.taken import Guess, show_value
from vinemap.units import factor

NO_TIME = "datetime64[ns, UTC]"
MAX_TEXT = 200
SAMPLE_CELLS = 200
LARGEST_NUMBER = 1e15  # in any unit; whole numbers are exact to here, and sums cannot overflow
_CLOCK = ("time", "date")
_UTC = re.compile(r"\b(?:UTC|GMT)\s*(?:([+\-])\s*(\d{1,2})(?::?(\d{2}))?)?", re.IGNORECASE)


def convert_fields(draft: Draft, fields: Sequence[Field]) -> None:
    """Fill ``draft.values`` with every field found, in inside units.

    Parameters
    ----------
    draft : Draft
        ``values``, ``refusals`` and ``notes`` are filled.
    fields : sequence of Field

    Raises
    ------
    IntakeError
        If a required field was not found, or times name no day.
    """
    by_name = {one.name: one for one in fields}
    timed = _joined(draft)
    # Arrow and numpy let go of the interpreter: columns are read side by side, then judged in order.
    with ThreadPoolExecutor() as pool:
        times = None if timed is None else pool.submit(_read_times, draft, timed)
        numbers = {
            guess.field: pool.submit(_read_numbers, one, _cells(draft, guess.header), draft.raw.decimal)
            for guess in draft.guesses
            if (one := by_name[guess.field]).kind in ("number", "whole")
        }
        for guess in draft.guesses:
            one, cells = by_name[guess.field], _cells(draft, guess.header)
            if one.kind in ("text", "name"):
                draft.values[one.name] = _texts(draft, one, cells)
            elif one.kind != "time":
                draft.values[one.name] = _numbers(draft, one, guess, cells, numbers[guess.field].result())
        if timed is not None and times is not None:
            _times(draft, timed, times.result())
    _refuse_empty(draft, fields)


def _cells(draft: Draft, header: str) -> pd.Series:
    if header.startswith("=") and header not in draft.raw.frame.columns:
        return pd.Series([header[1:]] * draft.rows, dtype=object)
    return draft.raw.frame[header]


def _texts(draft: Draft, one: Field, cells: pd.Series) -> pd.Series:
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
        draft.refusals.add(too_long[codes], f"{one.plain} is longer than {MAX_TEXT} characters", seen)
    if one.kind == "name":
        return as_categories(codes, names)
    return pd.Series(names[codes], dtype=object)


def _printable(text: str) -> str:
    return " ".join("".join(one if one.isprintable() else " " for one in text).split())


def _numbers(draft: Draft, one: Field, guess: Guess, cells: pd.Series, read: Numbers) -> pd.Series:
    """Values in the inside unit; what cannot be is refused."""
    if read.note:
        draft.notes.append(f"Column {guess.header!r}: {read.note}")
    draft.refusals.add(read.bad, f"{one.plain} is not a number", cells)
    scale = factor(guess.unit, one.unit) if one.unit and guess.unit else 1.0
    with np.errstate(over="ignore"):
        values = read.values if scale == 1.0 else read.values * scale
    absurd = _beyond(values, -LARGEST_NUMBER, LARGEST_NUMBER)
    if _thousands_settled(draft, one, values if absurd is None else np.where(absurd, np.nan, values), cells):
        values = values * 1000.0 if absurd is None else np.where(absurd, values, values * 1000.0)
        draft.notes.append(
            f"Doubtful: the mark in column {guess.header!r} was taken as one between thousands; "
            "otherwise its values would be far too small."
        )
    _refuse_beyond(draft, one, values, cells)
    if one.kind == "whole":
        odd = ~np.isnan(values) & (values != np.round(values))
        draft.refusals.add(odd, f"{one.plain} is not a whole number", cells)
    if one.shared and draft.raw.shares is not None:
        values = draft.raw.shares.of(values, whole=one.kind == "whole")
    if absurd is not None:
        draft.refusals.add(absurd, f"{one.plain} is larger than anything measured", cells)
        values = np.where(absurd, np.nan, values)  # so that no sum after this can overflow
    return pd.Series(values, copy=False)


def _beyond(values: Any, low: float, high: float) -> Any:
    """Values out of bounds, None where all are within: telling that takes no memory."""
    least, most = (reduce(values, initial=np.nan) for reduce in (np.fmin.reduce, np.fmax.reduce))
    return (values < low) | (values > high) if least < low or most > high else None


def _refuse_beyond(draft: Draft, one: Field, values: Any, cells: pd.Series) -> None:
    """Refuse what lies beyond the limits of the possible."""
    if _beyond(values, one.low, one.high) is None:
        return
    word = "is negative" if one.low == 0 else f"is below {one.low:g}"
    draft.refusals.add(values < one.low, f"{one.plain} {word}", cells)
    unit = f" {one.unit}" if one.unit else ""
    reason = f"{one.plain} is above {one.high:,.10g}{unit}, which cannot be"
    draft.refusals.add(values > one.high, reason, cells)


def _thousands_settled(draft: Draft, one: Field, values: Any, cells: pd.Series) -> bool:
    """Whether the mark is one between thousands; decided once for all parts of a file."""
    key = f"thousands in {one.name}"
    if key not in draft.decided:
        draft.decided[key] = _thousands_meant(one, values, cells)
    return bool(draft.decided[key])


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


def _read_times(draft: Draft, cells: pd.Series) -> Times:
    order = next((one.unit for one in draft.guesses if one.field in _CLOCK and one.unit in DATE_ORDERS), "")
    form = draft.decided.get("form of times", "")
    return to_times(cells, decimal=draft.raw.decimal, form=form, order=order)


def _times(draft: Draft, cells: pd.Series, read: Times) -> None:
    """Turn times to UTC; what cannot be one is refused."""
    draft.decided.setdefault("form of times", read.form)
    draft.refusals.add(read.bad, "time cannot be read", cells)
    if read.note:
        headers = draft.headers
        draft.notes.append(f"Column {headers.get('time', headers.get('date'))!r}: {read.note}")
    times = _to_utc(draft, read.values)
    if times.min() < EARLIEST or times.max() > LATEST:
        odd = (times < EARLIEST) | (times > LATEST)
        draft.refusals.add(odd, "time is before 1990 or after 2100", cells)
    draft.values["time"] = times


def _joined(draft: Draft) -> pd.Series | None:
    """Cells of the time, put together with those of the date where they stand apart; None without either."""
    headers = draft.headers
    time = _cells(draft, headers["time"]) if "time" in headers else None
    date = _cells(draft, headers["date"]) if "date" in headers else None
    if time is not None and date is None and has_clock(time) and not has_date(time):
        raise IntakeError(
            f"The times name no day ({show_value(time.dropna().iloc[0])!r}).",
            where=draft.where,
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


def _to_utc(draft: Draft, times: Any) -> Any:
    """Turn times to UTC by their own offset, the one in the header, or the zone of the estate."""
    if times.dt.tz is not None:
        return _as_ns(times if str(times.dt.tz) == "UTC" else times.dt.tz_convert("UTC"))
    offset = _header_offset(draft)
    if offset is not None:
        return _as_ns((times - offset).dt.tz_localize("UTC"))
    if not draft.timezone:
        if times.notna().any():
            draft.notes.append(
                "Times name no time zone and were kept as UTC; differences between them are right. "
                "Set estate.timezone to have them turned."
            )
        return _as_ns(times.dt.tz_localize("UTC"))
    local = times.dt.tz_localize(draft.timezone, ambiguous="NaT", nonexistent="NaT")
    draft.refusals.add(
        local.isna() & times.notna(),
        f"time falls into the change of the clocks in {draft.timezone}",
        times.astype(str),
    )
    return _as_ns(local.dt.tz_convert("UTC"))


def _as_ns(times: Any) -> Any:
    return times if times.dtype == NO_TIME else times.astype(NO_TIME)


def _header_offset(draft: Draft) -> pd.Timedelta | None:
    """Offset from UTC that a header names, as in "Time (UTC)" or "Local time (UTC+9:30)"."""
    for guess in draft.guesses:
        found = _UTC.search(guess.header) if guess.field in _CLOCK else None
        if found:
            sign = -1 if (found[1] or "+") == "-" else 1
            return sign * pd.Timedelta(hours=int(found[2] or 0), minutes=int(found[3] or 0))
    return None


def _refuse_empty(draft: Draft, fields: Sequence[Field]) -> None:
    for one in fields:
        if not one.required:
            continue
        if one.name not in draft.values:
            raise draft.lacks(one.name)
        values = draft.values[one.name]
        empty = (values == "") if one.kind == "text" else values.isna()
        draft.refusals.add(empty, f"{one.plain} is empty")
