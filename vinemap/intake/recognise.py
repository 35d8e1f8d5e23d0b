"""Which column is which field, and in what unit: by header words, then by the values themselves."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from vinemap.errors import IntakeError, SettingsError
from vinemap.intake.fields import Field
from vinemap.intake.header import NOT_DIMENSIONS, known_unit, plain_words, split_header
from vinemap.intake.numbers import DATE_ORDERS, empty_cells, has_clock, has_date, to_degrees, to_numbers
from vinemap.intake.raw import RawTable, short_cells
from vinemap.taken import DOUBTFUL_BELOW, Guess
from vinemap.units import FACTORS, factor

SAMPLE_ROWS = 300
ACCEPT_FROM = 0.5
ALIKE = 0.84  # share of letters in common from which a word may be a misspelt one
SHAPEFILE_NAME_LENGTH = 10
# Header words that mean two things; the values decide.
_AMBIGUOUS = frozenset({"x", "y", "breite", "lange", "laenge", "est", "este", "id", "name"})


def recognise_columns(
    raw: RawTable,
    fields: Sequence[Field],
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    where: str = "",
) -> list[Guess]:
    """Tell which column holds which field, and its unit.

    Parameters
    ----------
    raw : RawTable
    fields : sequence of Field
    columns, units : mapping, optional
        What the user said: field to header ("=value" for one value for all rows; "" for none), field to unit.
    where : str
        File, for messages.

    Returns
    -------
    list of Guess
        One for each field found.

    Raises
    ------
    IntakeError
        If a field, header or unit that the user named does not exist.
    """
    columns, units = dict(columns or {}), dict(units or {})
    by_name = {one.name: one for one in fields}
    _check_overrides(raw, by_name, columns, units, where)
    places = np.arange(0, len(raw.frame), max(len(raw.frame) // SAMPLE_ROWS, 1))[:SAMPLE_ROWS]
    sample = _loose(raw.frame.iloc[places])
    found = {name: (header, 1.0, "you said so") for name, header in columns.items() if header}
    open_fields = [one for one in fields if one.name not in columns]
    taken = {header for header, _, _ in found.values()}
    found |= _by_words(raw, sample, open_fields, taken)
    taken = {header for header, _, _ in found.values()}
    found |= _by_values(raw, sample, [one for one in open_fields if one.name not in found], taken)
    return [
        _with_unit(raw, sample, by_name[name], header, confidence, why, units, where)
        for name, (header, confidence, why) in found.items()
    ]


def _loose(frame: pd.DataFrame) -> pd.DataFrame:
    """Text held by Arrow as text of Python, which all that follows is written for."""
    held = [name for name in frame.columns if isinstance(frame[name].dtype, pd.ArrowDtype)]
    return short_cells(frame).astype(dict.fromkeys(held, object))


def doubtful_notes(guesses: Sequence[Guess]) -> list[str]:
    """Write a note on every guess that the user should look at."""
    return [
        f"Doubtful: column {one.header!r} was taken as {one.field}{f' in {one.unit}' if one.unit else ''} "
        f"({one.why}; confidence {one.confidence:.2f}). Say otherwise with --column {one.field}=HEADER or "
        f"--unit {one.field}=UNIT."
        for one in guesses
        if one.confidence < DOUBTFUL_BELOW
    ]


def _check_overrides(
    raw: RawTable,
    fields: Mapping[str, Field],
    columns: Mapping[str, str],
    units: Mapping[str, str],
    where: str,
) -> None:
    for name in [*columns, *units]:
        if name not in fields:
            raise IntakeError(
                f"There is no field {name!r} here.", where=where, remedy=f"Fields are: {', '.join(fields)}."
            )
    for name, header in columns.items():
        if header and not header.startswith("=") and header not in raw.frame.columns:
            near = difflib.get_close_matches(header, list(raw.frame.columns), n=1)
            hint = (
                f"Did you mean {near[0]!r}?" if near else f"Columns are: {', '.join(raw.frame.columns[:30])}."
            )
            raise IntakeError(f"There is no column {header!r} for {name}.", where=where, remedy=hint)


def _by_words(
    raw: RawTable, sample: pd.DataFrame, fields: Sequence[Field], taken: set[str]
) -> dict[str, tuple[str, float, str]]:
    """Pair headers and fields, best first, each once."""
    pairs = []
    for place, header in enumerate(raw.frame.columns):
        if header in taken:
            continue
        words, unit = split_header(str(header))
        unit, whole = unit or raw.units.get(header, ""), plain_words(str(header))
        for order, one in enumerate(fields):
            score, word = max(_word_score(str(header), said, one) for said in (words, whole))
            if score < 0.3:
                continue
            # "Weight in" is no weight in inches: a word known as a whole has no unit at its end.
            meant = "" if whole == plain_words(word) else unit
            score *= _unit_fit(one, meant) * _value_fit(sample[header], one, words, raw.decimal)
            if score >= ACCEPT_FROM:
                pairs.append((-score, order, place, one.name, header, word))
    found: dict[str, tuple[str, float, str]] = {}
    used = set(taken)
    for score, _, _, name, header, word in sorted(pairs):
        if name not in found and header not in used:
            found[name] = (header, -score, f"header says {word!r}")
            used.add(header)
    return found


def _word_score(header: str, words: str, one: Field) -> tuple[float, str]:
    """How well a header's words fit a field, and the word they fit."""
    best, best_word = 0.0, ""
    for word, plain in _words_of(one):
        score = _fit(header, words, plain)
        if score > best:
            best, best_word = score, word
    return best, best_word


@lru_cache(maxsize=256)
def _words_of(one: Field) -> tuple[tuple[str, str], ...]:
    """Words of a field, each as it is told to people and as it is compared."""
    return tuple((word, plain_words(word)) for word in (*one.words, split_header(one.name)[0]))


def _fit(header: str, words: str, word: str) -> float:
    if words == word:
        # Every layer numbers its features in an "id"; a column of the thing's own name goes before it.
        return 0.9 if word == "id" else 0.97
    tight, tight_word = words.replace(" ", ""), word.replace(" ", "")
    if tight == tight_word and len(tight) > 2:
        return 0.95
    cut = plain_words(header).replace(" ", "")
    if len(header) == SHAPEFILE_NAME_LENGTH and len(cut) >= 8 and tight_word.startswith(cut):
        return 0.85
    if len(tight_word) > 2 and f" {word} " in f" {words} ":
        return 0.55 + 0.35 * len(word.split()) / len(words.split())
    if len(tight_word) > 5 and len(tight) > 5 and abs(len(tight) - len(tight_word)) < 4:
        alike = difflib.SequenceMatcher(None, tight, tight_word)
        if alike.quick_ratio() > ALIKE and (ratio := alike.ratio()) > ALIKE:
            return 0.75 * ratio
    return 0.0


def _unit_fit(one: Field, unit: str) -> float:
    """Whether the unit beside a header can be of this field."""
    if not unit:
        return 1.0
    if one.name in ("latitude", "longitude", "row_bearing_deg"):
        return 1.0 if unit == "deg" else 0.3
    if one.name in ("easting", "northing"):
        return 1.0 if unit in ("m", "ft") else 0.2
    if one.kind == "time":
        return 1.0 if unit in ("UTC", "s", "ms") else 0.4
    if one.name == "sugar_brix":
        return 1.0 if unit in ("Brix", "deg") else 0.4
    if one.unit:
        return 1.0 if unit in FACTORS[one.unit] else 0.2
    return 0.8 if unit in NOT_DIMENSIONS else 0.4


def _value_fit(cells: pd.Series, one: Field, words: str, decimal: str) -> float:
    """Whether the values can be of this field."""
    if one.kind in ("text", "name") or (one.name in ("latitude", "longitude") and words not in _AMBIGUOUS):
        return 1.0
    if one.kind == "time":
        return 1.0
    numbers = (
        to_degrees(cells, decimal=decimal)
        if one.name in ("latitude", "longitude")
        else to_numbers(cells, decimal=decimal)
    )
    values = numbers.values[~np.isnan(numbers.values)]
    if not len(values):
        return 0.9 if empty_cells(cells).all() or one.name == "row_no" else 0.6
    if one.name in ("easting", "northing") and np.median(np.abs(values)) <= 180:
        return 0.3
    if words not in _AMBIGUOUS:
        return 1.0
    inside = float(np.mean((values >= one.low) & (values <= one.high)))
    return 1.0 if inside > 0.5 else 0.2


def _by_values(
    raw: RawTable, sample: pd.DataFrame, fields: Sequence[Field], taken: set[str]
) -> dict[str, tuple[str, float, str]]:
    """Find position and time in columns whose headers say nothing."""
    names = {one.name for one in fields}
    free = [header for header in raw.frame.columns if header not in taken]
    found: dict[str, tuple[str, float, str]] = {}
    if {"latitude", "longitude"} <= names and raw.geometry is None and {"easting", "northing"} <= names:
        pair = _position_pair({header: sample[header] for header in free}, raw.decimal)
        if pair:
            why = "values look like it"
            found = {"latitude": (pair[0], 0.6, why), "longitude": (pair[1], 0.6, why)}
    if "time" in names and "date" in names:
        for header in free:
            if has_date(sample[header]) and has_clock(sample[header]):
                return found | {"time": (header, 0.7, "values are dates with a time of day")}
    return found


def _position_pair(cells: Mapping[str, pd.Series], decimal: str) -> tuple[str, str] | None:
    """Latitude and longitude among unnamed columns: many decimals, a small spread, sane values."""
    likely: list[tuple[str, npt.NDArray[np.float64]]] = []
    for header, series in cells.items():
        numbers = to_numbers(series, decimal=decimal)
        values = numbers.values[~np.isnan(numbers.values)]
        if len(values) < 3 or numbers.bad.mean() > 0.2:
            continue
        fine = float(np.mean(np.abs(values * 1e3 - np.round(values * 1e3)) > 1e-7)) > 0.7
        if fine and np.ptp(values) < 0.5 and np.abs(values).max() <= 180 and np.abs(values).min() > 1:
            likely.append((header, values))
    if len(likely) != 2:
        return None
    (first, one), (second, _) = likely
    return (second, first) if np.abs(one).max() > 90 else (first, second)


def _with_unit(
    raw: RawTable,
    sample: pd.DataFrame,
    one: Field,
    header: str,
    confidence: float,
    why: str,
    units: Mapping[str, str],
    where: str,
) -> Guess:
    """Settle the unit of one column."""
    if not one.unit:
        # The order of day and month is one of the clock, whether its date has a column of its own or not.
        said = units.get("time", units.get("date", "")) if one.kind == "time" else units.get(one.name, "")
        if one.kind == "time" and said:
            _check_order(one.name, said, where)
        return Guess(one.name, header, said, confidence, why)
    if one.name in units:
        return Guess(
            one.name, header, _said_unit(one, units[one.name], where), confidence, f"{why}; unit as you said"
        )
    seen = split_header(header)[1] if not header.startswith("=") else one.unit
    seen = seen or raw.units.get(header, "")
    if seen and seen in FACTORS[one.unit]:
        return Guess(one.name, header, seen, confidence, f"{why}; unit in the header" if seen else why)
    unit, sure, reason = _unit_by_values(one, sample[header], raw.decimal)
    cut = len(header) == SHAPEFILE_NAME_LENGTH and one.name.startswith(header.lower())
    if cut and sure < DOUBTFUL_BELOW and unit == one.unit:
        sure, reason = 0.85, f"{one.name} cut off by a Shapefile"
    return Guess(one.name, header, unit, min(confidence, sure), f"{why}; {reason}")


def _check_order(name: str, said: str, where: str) -> None:
    """Refuse what is neither a way to write dates nor a unit of epochs, which the values tell."""
    if said not in DATE_ORDERS:
        raise IntakeError(
            f"{said!r} is no way to write {name}.",
            where=where,
            remedy=f"Give --unit {name}={' or '.join(DATE_ORDERS)}.",
        )


def _said_unit(one: Field, text: str, where: str) -> str:
    unit = known_unit(text) or text
    try:
        factor(unit, one.unit)
    except SettingsError as error:
        raise IntakeError(
            f"Unit {text!r} cannot be one of {one.name}.", where=where, remedy=error.remedy
        ) from error
    return unit


def _unit_by_values(one: Field, cells: pd.Series, decimal: str) -> tuple[str, float, str]:
    """Choose the unit in which the median is believable."""
    values = to_numbers(cells, decimal=decimal).values
    values = values[~np.isnan(values) & (values > 0)]
    candidates = one.candidates or (one.unit,)
    if not len(values) or len(candidates) == 1 or not np.isfinite(one.typical[0]):
        return candidates[0], 0.9, f"no unit given, {candidates[0]} taken"
    middle = float(np.median(values))
    low, high = one.typical
    fitting = [unit for unit in candidates if low <= middle * factor(unit, one.unit) <= high]
    if len(fitting) == 1:
        return fitting[0], 0.8, f"no unit given, a median of {middle:.4g} can only be {fitting[0]}"
    if fitting:
        return fitting[0], 0.65, f"no unit given, a median of {middle:.4g} can be {' or '.join(fitting)}"
    return candidates[0], 0.5, f"no unit given, a median of {middle:.4g} fits none of {', '.join(candidates)}"
