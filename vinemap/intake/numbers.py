"""Text to numbers and times, vectorised; what cannot be turned is marked, never guessed away."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

NO_VALUE = frozenset(
    {"", "na", "n/a", "n.a.", "nd", "n.d.", "null", "none", "nan", "-", "--", "---", "#n/a", "?", "."}
)
_DMS = (
    r"^\s*([NSEWO])?\s*(\d{1,3})\s*[°d:\s]\s*(?:(\d{1,2}(?:\.\d+)?)\s*['′m:\s]?\s*)?"
    r"(?:(\d{1,2}(?:\.\d+)?)\s*(?:\"|″|''|s)?\s*)?([NSEWO])?\s*$"
)
_HEMISPHERE = r"^\s*([NSEWO])?\s*([+-]?\d{1,3}(?:\.\d+)?)\s*°?\s*([NSEWO])?\s*$"
_GROUPED_COMMA = r"^\s*[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?\s*$"
_GROUPED_POINT = r"^\s*[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?\s*$"
_HAS_DATE = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{1,2}[-/. ][A-Za-z]{3}[-/. ]\d{2,4}")
_ISO_START = re.compile(r"^\d{4}-\d{2}-\d{2}")
_ISO_ZONE = re.compile(r"(?:Z|[+-]\d{2}:?\d{2})$")
_HAS_CLOCK = re.compile(r"\d{1,2}:\d{2}")
_POINT_CLOCK = r"^(?:[01]?\d|2[0-3])\.[0-5]\d\.[0-5]\d$"
_WEEKDAY = r"^(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+"
_MONTH = r"^(\d{1,2})[-/. ]([A-Za-z]{3})[-/. ](\d{2,4})"
_CURRENCY = r"^\s*(?:[$€£]|[A-Z]{3}\b)\s*|\s*(?:[$€£]|\b[A-Z]{3})\s*$"
_DATE_FORMATS = ("%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d/%m/%y", "%m/%d/%y", "%Y%m%d", "%d/%b/%Y", "%d/%b/%y")
_CLOCK_FORMATS = ("", " %H:%M:%S", " %H:%M:%S.%f", " %H:%M", " %I:%M:%S %p", " %I:%M %p", " %H%M%S")
DATE_ORDERS = ("day_first", "month_first")
_SAMPLE = 400
EARLIEST = pd.Timestamp("1990-01-01", tz="UTC")
LATEST = pd.Timestamp("2100-01-01", tz="UTC")


@dataclass(frozen=True, slots=True)
class Numbers:
    """Numbers out of cells.

    Attributes
    ----------
    values : array of float, shape (rows,)
        NaN where empty or bad.
    bad : array of bool, shape (rows,)
        Cells that hold something that is not a finite number.
    note : str
        What had to be done, "" for nothing.
    """

    values: npt.NDArray[np.float64]
    bad: npt.NDArray[np.bool_]
    note: str = ""


def empty_cells(cells: pd.Series) -> npt.NDArray[np.bool_]:
    """Cells without a value."""
    if pd.api.types.is_numeric_dtype(cells) or pd.api.types.is_datetime64_any_dtype(cells):
        return cells.isna().to_numpy()
    text = pc.utf8_lower(pc.utf8_trim_whitespace(as_text(cells)))
    return np.asarray(pc.is_in(text, value_set=pa.array(sorted(NO_VALUE))).to_numpy(zero_copy_only=False))


def as_text(cells: pd.Series) -> pa.Array:
    """Cells as Arrow text, "" where there is nothing; several times quicker than text in pandas."""
    try:
        text = pa.array(cells, type=pa.string(), from_pandas=True)
    except (pa.ArrowTypeError, pa.ArrowInvalid):
        text = pa.array(cells.astype(object).where(cells.notna(), "").astype(str), type=pa.string())
    if isinstance(text, pa.ChunkedArray):
        text = text.combine_chunks()
    return pc.fill_null(text, "") if text.null_count else text


def _trimmed(cells: pd.Series) -> pd.Series:
    """Cells as text without blanks at their ends."""
    plain = pc.utf8_trim_whitespace(as_text(cells)).to_numpy(zero_copy_only=False)
    return pd.Series(plain, index=cells.index, dtype=object)


def to_numbers(cells: pd.Series, *, decimal: str = ".") -> Numbers:
    """Turn cells into numbers.

    Parameters
    ----------
    cells : pandas.Series, shape (rows,)
        Text or numbers.
    decimal : str
        Decimal mark, "." or ",".

    Returns
    -------
    Numbers

    Examples
    --------
    >>> to_numbers(pd.Series(["1.5", "", "x", "1e999"])).bad
    array([False, False,  True,  True])
    >>> to_numbers(pd.Series(["1.234,5"]), decimal=",").values
    array([1234.5])
    """
    if pd.api.types.is_numeric_dtype(cells):
        return _finite(
            cells.to_numpy()
            if cells.dtype == np.float64
            else cells.to_numpy(dtype="float64", na_value=np.nan)
        )
    cells_text = as_text(cells)
    values = _parse(pc.replace_substring(cells_text, ",", ".") if decimal == "," else cells_text)
    note = ""
    open_cells = np.flatnonzero(np.isnan(values))
    if len(open_cells):
        left = pd.Series(cells_text.take(pa.array(open_cells)).to_pylist(), dtype=object)
        again, note = _parse_grouped(left, decimal)
        values = np.array(values)
        values[open_cells] = again
        empty = empty_cells(left)
        bad = np.zeros(len(values), dtype=bool)
        bad[open_cells] = np.isnan(again) & ~empty
    read = _finite(values)
    return Numbers(read.values, bad | read.bad if len(open_cells) else read.bad, note)


def _finite(values: npt.NDArray[np.float64]) -> Numbers:
    endless = np.isinf(values)
    return Numbers(np.where(endless, np.nan, values) if endless.any() else values, endless)


def _parse(text: pa.Array) -> npt.NDArray[np.float64]:
    """Numbers, correctly rounded, where all cells hold one; else those that pandas can read."""
    with suppress(pa.ArrowInvalid):
        return np.asarray(text.cast(pa.float64()), dtype="float64")
    cells = pc.utf8_trim_whitespace(text)
    filled = pc.if_else(pc.equal(cells, ""), pa.scalar(None, pa.string()), cells)
    try:
        values = filled.cast(pa.float64()).to_numpy(zero_copy_only=False)
    except pa.ArrowInvalid:
        plain = pd.Series(text.to_pylist(), dtype=object)
        return pd.to_numeric(plain, errors="coerce").to_numpy(dtype="float64", copy=True)
    return np.asarray(values, dtype="float64")


def _parse_grouped(text: pd.Series, decimal: str) -> tuple[npt.NDArray[np.float64], str]:
    """Read numbers with marks between the thousands, an apostrophe or a sign of the degree."""
    clean = _one_blank(text).str.replace(_CURRENCY, "", regex=True)
    clean = clean.str.strip().str.replace(r"(?<=\d)[ \u00a0\u202f'’](?=\d{3})", "", regex=True)
    clean = clean.str.replace(r"\s*[%°]$", "", regex=True)
    grouped = clean.str.match(_GROUPED_POINT if decimal == "," else _GROUPED_COMMA).to_numpy(dtype=bool)
    mark = "." if decimal == "," else ","
    loose = clean.where(~grouped, clean.str.replace(mark, "", regex=False))
    values = _parse(as_text(loose.str.replace(",", ".", regex=False) if decimal == "," else loose))
    note = f"'{mark}' was taken as the mark between thousands." if grouped.any() else ""
    return values, note


def _one_blank(text: pd.Series) -> pd.Series:
    """Text with single blanks only: patterns that allow some on both sides take ages on many."""
    return text.str.replace(r"\s+", " ", regex=True)


def to_degrees(cells: pd.Series, *, decimal: str = ".") -> Numbers:
    r"""Turn cells into degrees: decimal, with a hemisphere letter, or degrees-minutes-seconds.

    Examples
    --------
    >>> to_degrees(pd.Series(["-34.5", "34.5 S", "34°30'00\" S"])).values.tolist()
    [-34.5, -34.5, -34.5]
    """
    plain = to_numbers(cells, decimal=decimal)
    if not plain.bad.any() or pd.api.types.is_numeric_dtype(cells):
        return plain
    text = (
        _one_blank(cells.astype(object).fillna("").astype(str)).str.upper().str.replace(",", ".", regex=False)
    )
    values = plain.values.copy()
    letter = text.str.extract(_HEMISPHERE)
    _fill(values, _signed(letter[1], _either(letter[0], letter[2])), plain.bad)
    parts = text.str.extract(_DMS)
    degrees = pd.to_numeric(parts[1], errors="coerce")
    degrees = degrees + pd.to_numeric(parts[2], errors="coerce").fillna(0) / 60
    degrees = degrees + pd.to_numeric(parts[3], errors="coerce").fillna(0) / 3600
    _fill(values, _signed(degrees, _either(parts[0], parts[4])), plain.bad)
    return Numbers(values, plain.bad & np.isnan(values), plain.note)


def _either(first: pd.Series, second: pd.Series) -> pd.Series:
    return first.where(first.notna(), second)


def _signed(degrees: pd.Series, letter: pd.Series) -> npt.NDArray[np.float64]:
    number = pd.to_numeric(degrees, errors="coerce")
    sign = np.where(letter.isin(["S", "W", "O"]), -1.0, np.where(letter.notna(), 1.0, np.nan))
    return np.asarray(number.to_numpy(dtype="float64") * sign, dtype="float64")


def _fill(
    values: npt.NDArray[np.float64], found: npt.NDArray[np.float64], where: npt.NDArray[np.bool_]
) -> None:
    take = where & np.isnan(values) & ~np.isnan(found)
    values[take] = found[take]


@dataclass(frozen=True, slots=True)
class Times:
    """Times out of cells.

    Attributes
    ----------
    values : pandas.Series
        Timestamps; aware where the file names an offset or UTC, else naive.
    bad : array of bool, shape (rows,)
    note : str
        What had to be decided, "" for nothing.
    form : str
        Format that dates are in (as `strptime` has it), "" where it needed no deciding.
    """

    values: pd.Series
    bad: npt.NDArray[np.bool_]
    note: str = ""
    form: str = ""


def to_times(cells: pd.Series, *, decimal: str = ".", form: str = "", order: str = "") -> Times:
    """Turn cells into times: ISO 8601, day-month or month-day order, epoch seconds, spreadsheet days.

    Parameters
    ----------
    cells : pandas.Series, shape (rows,)
    decimal : str
        Decimal mark of numbers.
    form : str
        Format settled before; "" to find it.
    order : str
        One of `DATE_ORDERS` where the user said it, "" to tell by the values.

    Returns
    -------
    Times

    Examples
    --------
    >>> str(to_times(pd.Series(["2024-03-01T08:00:00Z"])).values[0])
    '2024-03-01 08:00:00+00:00'
    >>> str(to_times(pd.Series(["31/03/2024 14:05"])).values[0])
    '2024-03-31 14:05:00'
    """
    if pd.api.types.is_datetime64_any_dtype(cells):
        return Times(cells, np.zeros(len(cells), dtype=bool))
    if not form:
        quick = _iso_at_once(cells)
        if quick is not None:
            return Times(quick, np.zeros(len(cells), dtype=bool))
    empty = empty_cells(cells)
    sample = to_numbers(cells[~empty].iloc[:_SAMPLE], decimal=decimal).values
    if len(sample) and (~np.isnan(sample)).mean() > 0.5:
        out = _from_numbers(to_numbers(cells, decimal=decimal).values)
        if out is not None:
            return Times(out, out.isna().to_numpy() & ~empty, "")
    return _from_text(_trimmed(cells), empty, form, order)


def _from_numbers(values: npt.NDArray[np.float64]) -> Any:
    """Epoch in s, ms, us or ns, or days of a spreadsheet; None if it looks like none of them."""
    middle = float(np.nanmedian(values))
    for scale in (1.0, 1e3, 1e6, 1e9):
        if 6e8 < middle / scale < 4.2e9:
            return _epoch(values / scale)
    if 32_874 < middle < 73_051:  # 1990-2100 in days since 1899-12-30, as spreadsheets count
        naive = _epoch((values - 25_569.0) * 86_400.0)
        return naive.dt.tz_localize(None)
    return None


def _epoch(seconds: npt.NDArray[np.float64]) -> pd.Series:
    fits = np.isfinite(seconds) & (np.abs(seconds) < 9e9)
    micro = np.where(fits, np.round(np.where(fits, seconds, 0.0) * 1e6), 0.0).astype("int64")
    times = pd.Series(pd.to_datetime(micro, unit="us", utc=True))
    return times.where(pd.Series(fits))


def _from_text(text: pd.Series, empty: npt.NDArray[np.bool_], form: str, order: str) -> Times:
    sample = text[~empty].iloc[:_SAMPLE]
    if not form and len(sample) and sample.str.match(r"^\d{4}-\d{2}-\d{2}").mean() > 0.5:
        return _iso(text, empty)
    clean = _even(text)
    best, note = (form, "") if form else _choose_format(clean[~empty].iloc[:_SAMPLE], clean[~empty], order)
    if best is None:
        return Times(pd.Series(pd.NaT, index=text.index, dtype="datetime64[ns]"), ~empty, "")
    values = pd.to_datetime(clean, format=best, errors="coerce").astype("datetime64[ns]")
    still = values.isna().to_numpy() & ~empty
    if still.any() and best.endswith("%S"):
        more = pd.to_datetime(clean[still], format=f"{best}.%f", errors="coerce")
        values = values.where(~still, more.reindex(values.index))
    return Times(values, values.isna().to_numpy() & ~empty, note, best)


def _iso(text: pd.Series, empty: npt.NDArray[np.bool_]) -> Times:
    tail = text[~empty].iloc[:_SAMPLE].str.contains(r"(?:Z|UTC|[+-]\d{2}:?\d{2})$", case=False, regex=True)
    named = text[~empty].iloc[:_SAMPLE].str.contains(r"(?:UTC|GMT)$", case=False, regex=True).any()
    clean = text.str.replace(r"\s*(?:UTC|GMT)$", "Z", case=False, regex=True) if named else text
    zoned = bool(tail.mean() > 0.5)
    quick = _iso_quick(clean, empty, zoned)
    if quick is not None:
        return Times(quick, quick.isna().to_numpy() & ~empty, "")
    values = pd.Series(pd.to_datetime(clean, format="ISO8601", errors="coerce", utc=True)).astype(
        "datetime64[ns, UTC]"
    )
    if not zoned:
        values = values.dt.tz_localize(None)
    return Times(values, values.isna().to_numpy() & ~empty, "")


def _iso_at_once(cells: pd.Series) -> pd.Series | None:
    """Read times where every cell is one of ISO 8601 in the shape of the first; None where not."""
    first = str(cells.iloc[0]).strip() if len(cells) else ""
    if not _ISO_START.match(first):
        return None
    return _iso_quick(cells, np.zeros(len(cells), dtype=bool), bool(_ISO_ZONE.search(first)))


def _iso_quick(text: pd.Series, empty: npt.NDArray[np.bool_], zoned: bool) -> pd.Series | None:
    """ISO 8601 by Arrow, None where a cell is of another shape."""
    filled = as_text(text)
    if empty.any():
        filled = pc.if_else(pa.array(empty), pa.scalar(None, pa.string()), filled)
    try:
        moments = filled.cast(pa.timestamp("ns", "UTC") if zoned else pa.timestamp("ns"))
    except pa.ArrowInvalid:
        return None
    times = pd.Series(moments.to_pandas(), copy=False)
    times.index = text.index
    return times


def _even(text: pd.Series) -> pd.Series:
    """Bring separators of dates to '/' and blanks to one, where the sample shows that it is needed."""
    sample = text.iloc[:: max(len(text) // _SAMPLE, 1)]
    clean = text
    if sample.str.match(_WEEKDAY, case=False).any():
        clean = clean.str.replace(_WEEKDAY, "", case=False, regex=True)
    if sample.str.contains(r"[A-Za-z]{3}", regex=True).any():
        clean = clean.str.replace(_MONTH, r"\1/\2/\3", regex=True)
    if sample.str.contains(r"\d[.\-]\d{1,4}[.\-]\d", regex=True).any():
        clean = clean.str.replace(r"^(\d{1,4})[.\-](\d{1,2})[.\-](\d{1,4})", r"\1/\2/\3", regex=True)
    if sample.str.contains(r"[T,]|\s\s", regex=True).any():
        clean = clean.str.replace(r"[\sT,]+", " ", regex=True)
    if sample.str.contains(r"[ap]\.m\.?$", case=False, regex=True).any():
        clean = clean.str.replace(r"([ap])\.m\.?$", r"\1m", case=False, regex=True)
    return clean


def _choose_format(sample: pd.Series, everything: pd.Series, order: str) -> tuple[str | None, str]:
    """Find the format that reads most of the sample; a few cells tell which are worth trying."""
    scores: list[tuple[float, int, str]] = []
    few = sample.iloc[:: max(len(sample) // 8, 1)]
    for place, date in enumerate(_DATE_FORMATS):
        for clock in _CLOCK_FORMATS:
            if not pd.to_datetime(few, format=date + clock, errors="coerce").notna().any():
                continue
            share = float(pd.to_datetime(sample, format=date + clock, errors="coerce").notna().mean())
            if share > 0.5:
                scores.append((-share, place, date + clock))
    if not scores:
        return None, ""
    best = min(scores)[2]
    if "%d/%m" not in best and "%m/%d" not in best[:5]:
        return best, ""
    day_first = best.replace("%m/%d", "%d/%m")
    month_first = day_first.replace("%d/%m", "%m/%d")
    if order:
        return (day_first if order == "day_first" else month_first), ""
    return _settle_order(everything, day_first, month_first)


def _settle_order(text: pd.Series, day_first: str, month_first: str) -> tuple[str, str]:
    """Choose between day-month and month-day: what reads more days, then what spans fewer."""
    days = pd.Series(text.str.split(" ", n=1).str[0].unique())
    a = pd.to_datetime(days, format=day_first.split(" ")[0], errors="coerce")
    b = pd.to_datetime(days, format=month_first.split(" ")[0], errors="coerce")
    if a.notna().sum() != b.notna().sum():
        return (day_first, "") if a.notna().sum() > b.notna().sum() else (month_first, "")
    if (a == b).all():
        return day_first, ""
    spans = (a.max() - a.min()).days, (b.max() - b.min()).days
    best, words = (month_first, "month") if spans[1] < spans[0] else (day_first, "day")
    return best, (
        f"Doubtful: dates can be read with day or month first; {words} first was taken. "
        f"Say otherwise with --unit time={DATE_ORDERS[words == 'day']}."
    )


def even_clock(clock: pd.Series) -> pd.Series:
    """Write clocks with points, as in 13.50.05, with colons; for a column that has its date beside it.

    Examples
    --------
    >>> even_clock(pd.Series(["13.50.05", "13:50"])).tolist()
    ['13:50:05', '13:50']
    """
    pointed = clock.str.match(_POINT_CLOCK)
    return clock.where(~pointed, clock.str.replace(".", ":", regex=False))


def has_date(cells: pd.Series) -> bool:
    """Whether most cells hold a date."""
    return _share(cells, _HAS_DATE) > 0.5


def has_clock(cells: pd.Series) -> bool:
    """Whether most cells hold a time of day."""
    return _share(cells, _HAS_CLOCK) > 0.5


def _share(cells: pd.Series, pattern: re.Pattern[str]) -> float:
    if pd.api.types.is_datetime64_any_dtype(cells):
        return 1.0
    text = cells.dropna().iloc[:50].astype(str)
    return float(text.str.contains(pattern).mean()) if len(text) else 0.0
