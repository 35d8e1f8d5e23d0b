"""ISO 11783-10 task data: TASKDATA.XML with its binary time logs as one raw table of readings.

Only values that tell about a harvest are taken, by their number in the data dictionary. Which of them is
which field is then recognised like that of any other table, so that preview shows it and the user can say
otherwise.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import cast
from xml.etree.ElementTree import Element, ParseError  # types only; files are parsed by defusedxml

import numpy as np
import numpy.typing as npt
import pandas as pd
from defusedxml import DefusedXmlException  # type: ignore[import-untyped]
from defusedxml.ElementTree import fromstring  # type: ignore[import-untyped]

from vinemap.errors import IntakeError
from vinemap.intake.archive import ENTITIES, MAX_BYTES, TASK_FILE, TASK_NAME
from vinemap.intake.raw import RawTable
from vinemap.intake.timelog import LogPattern, LogRecords, read_pattern, read_records
from vinemap.taken import refused_table

MAX_XML_BYTES = 256 << 20
MAX_FILES = 10_000
# Entries of the data dictionary (ISO 11783-11) that tell about a harvest: name, unit of one bit.
# 84, 87, 90 and 67: handbook section 7 [S]; all of them: the dictionary's public export of 2025 as an open
# library (AgIsoStack++, isobus_data_dictionary.cpp) carries it [R].
DICTIONARY = {
    67: ("Actual Working Width", "mm"),
    84: ("Mass Per Area Yield", "mg/m2"),
    87: ("Mass Per Time Yield", "mg/s"),
    90: ("Yield Total Mass", "kg"),
    100: ("Crop Contamination", "ppm"),
    397: ("Actual Speed", "mm/s"),
}
WORK_STATE = 141
YIELD_ENTRIES = (84, 87, 90)
# Yields that say nothing about fresh grapes; named when there is nothing else.
OTHER_YIELDS = {
    83: "volume per area", 85: "count per area", 86: "volume per time", 88: "count per time",
    181: "dry mass per area", 182: "dry mass per time", 183: "total dry mass",
    358: "average dry mass per time", 359: "average dry mass per area",
}  # fmt: skip
# A value that a record leaves out stands as it was logged last, for so long [s]; the width for ever. Loggers
# leave out what has not changed; common practice, no source.
HOLD_S = 10.0
_FOR_EVER = (67,)
_NEVER = (90,)
# Entries for a width that a device states once in its description, the likeliest first.
_STATED_WIDTHS = (67, 68, 70)


@dataclass(slots=True)
class TaskData:
    """What TASKDATA.XML says.

    Attributes
    ----------
    logs : list of (str, str)
        File stem of each time log and the name of its field.
    elements : dict of str to (str, str)
        Device element to its name and the name of its device.
    widths : dict of str to float
        Device to the width that it states [mm].
    claims : dict of str to int
        Length in bytes that the file claims for a log.
    """

    logs: list[tuple[str, str]] = field(default_factory=list)
    elements: dict[str, tuple[str, str]] = field(default_factory=dict)
    widths: dict[str, float] = field(default_factory=dict)
    claims: dict[str, int] = field(default_factory=dict)


def read_task_data(path: Path) -> RawTable:
    """Read the time logs of ISO 11783-10 task data.

    Parameters
    ----------
    path : pathlib.Path
        TASKDATA.XML, with its logs in the same folder.

    Returns
    -------
    RawTable
        One row per record of all logs; ``source_row`` counts records through all logs, from 1.

    Raises
    ------
    IntakeError
        If the XML is hostile or damaged, a log is missing, or none of them holds a yield.
    """
    files = _sister_files(path)
    task = _describe(path, files)
    if not task.logs:
        raise IntakeError(
            "The task data hold no time log (TLG).", where=path.name, remedy="Export the logged data with it."
        )
    notes: list[str] = []
    parts = [_read_log(stem, field_name, task, files, notes) for stem, field_name in task.logs]
    frame = pd.concat([one for one, _ in parts], ignore_index=True)
    seen = sorted({entry for _, entries in parts for entry in entries})
    if not any(entry in seen for entry in YIELD_ENTRIES):
        raise _no_yield(seen, path.name)
    details = {
        "logs": [stem for stem, _ in task.logs],
        "dictionary_entries": seen,
        "encoding": None,
        "delimiter": None,
        "crs": "EPSG:4326",
        "remedy": "Nothing can be named in task data: see that the receiver has a fix and the "
        "terminal logs the yield, and export again.",
    }
    rows = np.arange(1, len(frame) + 1, dtype="int64")
    return RawTable(
        frame,
        rows,
        "ISO 11783-10 task data",
        None,
        {},
        ".",
        refused_table(),
        [*dict.fromkeys(notes)],
        details,
    )


def _sister_files(path: Path) -> dict[str, Path]:
    """Files of the folder by name in capitals: names on a stick come in either case."""
    found = {}
    for place, one in enumerate(path.parent.iterdir()):
        if place > MAX_FILES:
            raise IntakeError(
                f"Its folder holds more than {MAX_FILES} files.",
                where=path.name,
                remedy="Give a folder of its own.",
            )
        if TASK_FILE.match(one.name) and one.is_file():
            found[one.name.upper()] = one
    return found


def parse_xml(path: Path) -> Element:
    """Parse an XML file without entities, document types or anything from elsewhere.

    Raises
    ------
    IntakeError
        If it is hostile, damaged or too large.
    """
    if path.stat().st_size > MAX_XML_BYTES:
        raise IntakeError(
            f"The XML is larger than {MAX_XML_BYTES >> 20} MB.", where=path.name, remedy="Export fewer tasks."
        )
    try:
        return cast(Element, fromstring(path.read_bytes(), forbid_dtd=True))
    except DefusedXmlException as error:
        raise IntakeError(ENTITIES, where=path.name, remedy="Do not trust this file.") from error
    except (ParseError, ValueError, LookupError) as error:
        raise IntakeError(
            f"The XML is damaged: {error}.", where=path.name, remedy="Copy the folder again."
        ) from error


def _describe(path: Path, files: dict[str, Path]) -> TaskData:
    root = parse_xml(path)
    if root.tag != "ISO11783_TaskData":
        raise IntakeError(
            f"It is no task data: it starts with {root.tag[:30]!r}, not ISO11783_TaskData.",
            where=path.name,
            remedy="Give the TASKDATA.XML that the terminal exported, with the files beside it.",
        )
    top = list(_top_elements(root, files, path.name))
    fields = {one.get("A", ""): one.get("C") or one.get("B") or "" for one in top if one.tag == "PFD"}
    task = TaskData()
    for device in (one for one in top if one.tag == "DVC"):
        name: str = device.get("B") or device.get("A") or ""
        for one in device.findall("DET"):
            task.elements[one.get("A", "")] = (one.get("D") or one.get("A") or "", name)
        width = _stated_width(device)
        if width:
            task.widths[name] = width
    for one in (one for one in top if one.tag == "TSK"):
        for log in one.findall("TLG"):
            _add_log(task, log, fields.get(one.get("E", ""), ""), path.name)
    return task


def _top_elements(root: Element, files: dict[str, Path], where: str) -> Iterator[Element]:
    """Elements below the root, those kept in files of their own (XFR) among them."""
    for one in root:
        if one.tag != "XFR":
            yield one
            continue
        yield from parse_xml(_named_file(one.get("A", ""), ".XML", files, where))


def _named_file(stem: str, end: str, files: dict[str, Path], where: str) -> Path:
    """File that a reference means: three letters and five digits in the same folder, nothing else."""
    if not re.fullmatch(r"[A-Za-z]{3}\d{5}", stem):
        raise IntakeError(
            f"It refers to {stem[:60]!r}, which is no file name of task data (as TLG00001 is).",
            where=where,
            remedy="Do not trust this file; export it again.",
        )
    name = f"{stem.upper()}{end}"
    if name not in files:
        raise IntakeError(
            f"{name} is missing.", where=where, remedy="Give the whole folder, or the folder as a zip file."
        )
    return files[name]


def _stated_width(device: Element) -> float:
    """Working width [mm] among the properties that a device states (DPT), 0 if it states none."""
    stated = {one.get("B", "").lower().lstrip("0"): one.get("C", "") for one in device.findall("DPT")}
    for entry in _STATED_WIDTHS:
        text = stated.get(f"{entry:x}", "")
        if text.isdigit() and int(text) > 0:
            return float(text)
    return 0.0


def _add_log(task: TaskData, log: Element, field_name: str, where: str) -> None:
    stem = log.get("A", "")
    if log.get("C", "1") != "1":
        raise IntakeError(
            f"Time log {stem[:20]!r} is of type {log.get('C', '')[:8]!r}; only binary logs (1) are known.",
            where=where,
            remedy="Export it again.",
        )
    task.logs.append((stem, field_name))
    claim = log.get("B", "")
    if claim.isdigit():
        task.claims[stem] = int(claim[:18])


def _read_log(
    stem: str, field_name: str, task: TaskData, files: dict[str, Path], notes: list[str]
) -> tuple[pd.DataFrame, set[int]]:
    header = _named_file(stem, ".XML", files, "TASKDATA.XML")
    binary = _named_file(stem, ".BIN", files, "TASKDATA.XML")
    size = binary.stat().st_size
    if size > MAX_BYTES:
        raise IntakeError(
            f"The log is larger than {MAX_BYTES >> 20} MB.", where=binary.name, remedy="Export fewer tasks."
        )
    if task.claims.get(stem, size) != size:
        notes.append(
            f"TASKDATA.XML says that {binary.name} has {task.claims[stem]:,} bytes; it has {size:,}. "
            "Its records were read."
        )
    pattern = read_pattern(parse_xml(header), header.name)
    records = read_records(binary.read_bytes(), pattern, binary.name)
    if records.note:
        notes.append(records.note)
    return _frame(records, pattern, task, field_name), {one.ddi for one in pattern.values}


def _frame(records: LogRecords, pattern: LogPattern, task: TaskData, field_name: str) -> pd.DataFrame:
    machine = _machine(pattern, task)
    columns: dict[str, object] = {}
    if records.utc is not None:
        columns["Time (UTC)"] = pd.Series(records.utc.astype("datetime64[ns]")).dt.tz_localize("UTC")
    else:
        columns["Time"] = pd.Series(records.time.astype("datetime64[ns]"))
    columns |= {"Latitude": records.north, "Longitude": records.east}
    seconds = records.time.astype("datetime64[ms]").astype("int64") / 1000.0
    atwork = _at_work(records, pattern)
    for place, value in enumerate(pattern.values):
        if value.ddi not in DICTIONARY:
            continue
        name, unit = DICTIONARY[value.ddi]
        header = f"{name} ({unit})"
        if header in columns:
            header = f"{name}, {task.elements.get(value.element, (value.element, ''))[0]} ({unit})"
        held = _hold(records.values[place], seconds, atwork, value.ddi)
        columns[header] = held
    if machine in task.widths and "Actual Working Width (mm)" not in columns:
        columns["Actual Working Width (mm)"] = task.widths[machine]
    columns |= {"Machine": machine, "Field": field_name}
    return pd.DataFrame(columns, index=range(len(seconds)))


def _machine(pattern: LogPattern, task: TaskData) -> str:
    """Device whose element logs the yield, else any value."""
    ranked = sorted(pattern.values, key=lambda one: one.ddi not in YIELD_ENTRIES)
    names = [task.elements[one.element][1] for one in ranked if one.element in task.elements]
    return names[0] if names else ""


def _at_work(records: LogRecords, pattern: LogPattern) -> npt.NDArray[np.bool_]:
    """Whether the machine worked, by its last logged work state (entry 141: 0 is off)."""
    out = np.ones(len(records.time), dtype=bool)
    for place, value in enumerate(pattern.values):
        if value.ddi == WORK_STATE:
            out &= ~(pd.Series(records.values[place]).ffill().to_numpy() == 0)
    return out


def _hold(
    values: npt.NDArray[np.float64],
    seconds: npt.NDArray[np.float64],
    atwork: npt.NDArray[np.bool_],
    entry: int,
) -> npt.NDArray[np.float64]:
    """Let a value stand until the next one is logged, for a while."""
    if entry in _NEVER:
        return values
    places = np.maximum.accumulate(np.where(np.isnan(values), -1, np.arange(len(values))))
    held = np.where(places >= 0, values[places], np.nan)
    if entry in _FOR_EVER:
        return held
    fresh = seconds - seconds[places] <= HOLD_S
    return np.where(~np.isnan(values) | (fresh & atwork), held, np.nan)


def _no_yield(seen: list[int], where: str) -> IntakeError:
    other = [f"{entry} ({OTHER_YIELDS[entry]})" for entry in seen if entry in OTHER_YIELDS]
    listed = ", ".join(other or [str(one) for one in seen[:20]]) or "none"
    return IntakeError(
        f"The logs hold no mass of fresh fruit: dictionary entries logged are {listed}.",
        where=where,
        remedy="Needed is 87 (mass per time), 84 (mass per area) or 90 (total mass); log one of them.",
    )


__all__ = ["DICTIONARY", "TASK_NAME", "parse_xml", "read_task_data"]
