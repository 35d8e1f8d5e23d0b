"""Binary time logs of ISO 11783-10: the header that tells what is stored, and the records themselves.

A log is a pair of files: ``TLG-----.XML`` holds one ``TIM`` element as a pattern, ``TLG-----.BIN`` the
records.
Attributes that are empty in the pattern are stored in every record, in the order of the attributes;
attributes with a value hold for all records; attributes that are not there are not stored. All numbers are
little-endian. After time and position comes the number of values logged, then for each its place in the
pattern (one byte) and its value (four bytes, signed).

References
----------
ISO 11783-10, annex on binary-coded log data (TIM, PTN and DLV elements); handbook section 7, mark [S/M].
Attributes of PTN beyond D (dilution of precision, satellites, time of the receiver), numbers of the status
and the value for "not available" as the open ISO 11783-10 plug-in of AgGateway's ADAPT framework has them
[R].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from xml.etree.ElementTree import Element  # the type only; files are parsed by defusedxml

import numpy as np
import numpy.typing as npt

from vinemap.errors import IntakeError

MAX_VALUES = 255  # the place of a value in the pattern is one byte
EPOCH = np.datetime64("1980-01-01", "ms")
DAY_MS = 86_400_000
DEGREE = 1e-7  # positions are stored in units of this
NO_DEGREES = (2**31 - 1) * DEGREE  # stands for "not available" where a position should be
# Status of a position: 0 no fix, 14 error. 15 says that the status is not known, not that the position is.
LOST = (0, 14)
# Attribute of PTN: name here, type in the binary.
_POSITION = {
    "A": ("north", "<i4"),
    "B": ("east", "<i4"),
    "C": ("up", "<i4"),
    "D": ("status", "u1"),
    "E": ("pdop", "<u2"),
    "F": ("hdop", "<u2"),
    "G": ("satellites", "u1"),
    "H": ("utc_ms", "<u4"),
    "I": ("utc_day", "<u2"),
}
_IN_DEGREES = ("north", "east")


@dataclass(frozen=True, slots=True)
class LoggedValue:
    """One value of the pattern.

    Attributes
    ----------
    ddi : int
        Number in the data dictionary (ISO 11783-11).
    element : str
        Device element that it is of, such as "DET-1".
    fixed : int or None
        Value for all records where the pattern gives one.
    """

    ddi: int
    element: str
    fixed: int | None = None


@dataclass(frozen=True, slots=True)
class LogPattern:
    """What the records of one log hold.

    Attributes
    ----------
    stored : list of (str, str)
        Name and type of every field at the start of a record.
    fixed : dict of str to float
        Position fields that hold for all records; degrees for north and east.
    start : str
        Time of all records as the pattern gives it, "" where every record has its own.
    values : list of LoggedValue
    """

    stored: list[tuple[str, str]]
    fixed: dict[str, float]
    start: str
    values: list[LoggedValue]

    @property
    def head_bytes(self) -> int:
        """Bytes of a record before the number of values."""
        return int(np.dtype(self.stored).itemsize) if self.stored else 0


@dataclass(frozen=True, slots=True)
class LogRecords:
    """Records of one log.

    Attributes
    ----------
    time : array of datetime64[ms], shape (records,)
        As the task controller had it (its own clock).
    utc : array of datetime64[ms], shape (records,), or None
        Time of the satellite receiver.
    north, east : array of float, shape (records,)
        Degrees, NaN where there was no fix.
    values : array of float, shape (values, records)
        NaN where a record does not hold the value.
    note : str
        What was odd, "" for nothing.
    """

    time: npt.NDArray[np.datetime64]
    utc: npt.NDArray[np.datetime64] | None
    north: npt.NDArray[np.float64]
    east: npt.NDArray[np.float64]
    values: npt.NDArray[np.float64]
    note: str


def read_pattern(root: Element, where: str) -> LogPattern:
    """Read the pattern of a log.

    Parameters
    ----------
    root : xml.etree.ElementTree.Element
        ``TIM``.
    where : str
        File, for messages.

    Returns
    -------
    LogPattern

    Raises
    ------
    IntakeError
        If it is none, or asks for what no record can hold.

    Examples
    --------
    >>> from xml.etree.ElementTree import fromstring
    >>> text = '<TIM A="" D="4"><PTN A="" B="" D="3"/><DLV A="0057" B="" C="DET-1"/></TIM>'
    >>> pattern = read_pattern(fromstring(text), "TLG00001.XML")
    >>> pattern.head_bytes, pattern.values[0].ddi, pattern.fixed
    (14, 87, {'status': 3.0})
    """
    if root.tag != "TIM":
        raise IntakeError(
            f"The header of a time log is TIM, not {root.tag[:20]!r}.", where=where, remedy="Export it again."
        )
    if root.get("B") == "" or root.get("C") == "":
        raise IntakeError(
            "Its records hold stop times or durations, which are not read.",
            where=where,
            remedy="Export the log with start times only.",
        )
    stored = [("start_ms", "<u4"), ("start_day", "<u2")] if root.get("A", "") == "" else []
    fixed: dict[str, float] = {}
    position = root.find("PTN")
    for key, (name, kind) in _POSITION.items() if position is not None else ():
        given = position.get(key) if position is not None else None
        if given == "":
            stored.append((name, kind))
        elif given is not None and name not in ("utc_ms", "utc_day"):
            fixed[name] = _number(given, f"PTN {key}", where)
    values = [_logged_value(one, where) for one in root.findall("DLV")]
    if len(values) > MAX_VALUES:
        raise IntakeError(
            f"It lists {len(values)} values; a record can name {MAX_VALUES}.",
            where=where,
            remedy="Export again.",
        )
    return LogPattern(stored, fixed, root.get("A", ""), values)


def _logged_value(element: Element, where: str) -> LoggedValue:
    ddi = element.get("A", "")
    try:
        number = int(ddi, 16)
    except ValueError as error:
        raise IntakeError(
            f"DLV A={ddi[:12]!r} is no entry of the data dictionary (four hexadecimal digits).",
            where=where,
            remedy="Export it again.",
        ) from error
    given = element.get("B", "")
    fixed = int(_number(given, "DLV B", where)) if given else None
    return LoggedValue(number, element.get("C", ""), fixed)


def _number(text: str, name: str, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise IntakeError(
            f"{name}={text[:20]!r} is not a number.", where=where, remedy="Export the task data again."
        )
    return value


def read_records(data: bytes, pattern: LogPattern, where: str) -> LogRecords:
    """Cut a binary log into records.

    Parameters
    ----------
    data : bytes
    pattern : LogPattern
    where : str
        File, for messages.

    Returns
    -------
    LogRecords

    Raises
    ------
    IntakeError
        If it holds no whole record.
    """
    starts, note = _record_starts(data, pattern.head_bytes)
    raw = np.frombuffer(data, dtype=np.uint8)
    counts = raw[starts + pattern.head_bytes].astype("int64") if len(starts) else starts
    values, whole = _scatter_values(raw, starts + pattern.head_bytes + 1, counts, len(pattern.values))
    if whole < len(starts):
        note = (
            f"Record {whole + 1} of {where} names a value that the header does not list; that record and the "
            f"{len(starts) - whole - 1:,} after it were left out."
        )
        starts, values = starts[:whole], values[:, :whole]
    if not len(starts):
        reason = f": {note[0].lower()}{note[1:].rstrip('.')}" if note else ""
        raise IntakeError(
            f"The log holds no whole record{reason}.",
            where=where,
            remedy="Copy the folder again.",
        )
    for place, one in enumerate(pattern.values):
        if one.fixed is not None:
            values[place] = np.where(np.isnan(values[place]), one.fixed, values[place])
    head = _heads(raw, starts, pattern)
    time, utc = _clocks(head, pattern, len(starts), where)
    north, east = (_degrees(head, pattern, name, len(starts)) for name in _IN_DEGREES)
    return LogRecords(time, utc, north, east, values, note)


def _record_starts(data: bytes, head: int) -> tuple[npt.NDArray[np.int64], str]:
    """Offsets of all whole records: each tells in one byte how many values follow, so one walks."""
    starts: list[int] = []
    place, last, end = 0, len(data) - head - 1, len(data)
    while place <= last:
        following = place + head + 1 + 5 * data[place + head]
        if following > end:
            break
        starts.append(place)
        place = following
    note = f"The last record is cut off ({end - place} bytes); it was left out." if place != end else ""
    return np.array(starts, dtype="int64"), note


def _scatter_values(
    raw: npt.NDArray[np.uint8], first: npt.NDArray[np.int64], counts: npt.NDArray[np.int64], listed: int
) -> tuple[npt.NDArray[np.float64], int]:
    """Values by place in the pattern and record, and the number of records before the first wrong one."""
    values = np.full((listed, len(first)), np.nan)
    whole = len(first)
    for turn in range(int(counts.max()) if len(counts) else 0):
        records = np.flatnonzero(counts > turn)
        at = first[records] + 5 * turn
        places = raw[at].astype("int64")
        wrong = records[places >= listed]
        if len(wrong):
            whole = min(whole, int(wrong[0]))
        cells = np.ascontiguousarray(raw[at[:, None] + np.arange(1, 5)]).view("<i4")[:, 0]
        good = places < listed
        values[places[good], records[good]] = cells[good]
    return values, whole


def _heads(raw: npt.NDArray[np.uint8], starts: npt.NDArray[np.int64], pattern: LogPattern) -> Any:
    if not pattern.stored:
        return None
    cells = np.ascontiguousarray(raw[starts[:, None] + np.arange(pattern.head_bytes)])
    return cells.view(np.dtype(pattern.stored))[:, 0]


def _clocks(
    head: Any, pattern: LogPattern, records: int, where: str
) -> tuple[npt.NDArray[np.datetime64], npt.NDArray[np.datetime64] | None]:
    names = [name for name, _ in pattern.stored]
    utc = _moment(head["utc_day"], head["utc_ms"]) if {"utc_ms", "utc_day"} <= set(names) else None
    if "start_ms" in names:
        return _moment(head["start_day"], head["start_ms"]), utc
    try:
        start = np.datetime64(pattern.start.removesuffix("Z")[:23], "ms")
    except ValueError as error:
        raise IntakeError(
            f"TIM A={pattern.start[:24]!r} is not a time.", where=where, remedy="Export it again."
        ) from error
    return np.full(records, start), utc


def _moment(day: Any, milliseconds: Any) -> npt.NDArray[np.datetime64]:
    """Days since 1980-01-01 and milliseconds of the day as a time; NaT for what cannot be."""
    times = EPOCH + day.astype("int64").astype("timedelta64[D]") + milliseconds.astype("timedelta64[ms]")
    return np.where(milliseconds < DAY_MS, times, np.datetime64("NaT"))


def _degrees(head: Any, pattern: LogPattern, name: str, records: int) -> npt.NDArray[np.float64]:
    if name in dict(pattern.stored):
        degrees = head[name].astype("float64") * DEGREE
    else:
        degrees = np.full(records, pattern.fixed.get(name, np.nan))
    status = head["status"] if "status" in dict(pattern.stored) else pattern.fixed.get("status", 1)
    lost = np.isin(status, LOST) | (np.abs(degrees - NO_DEGREES) < DEGREE)
    return np.where(lost, np.nan, degrees)
