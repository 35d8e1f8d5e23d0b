"""Row counts: per row, per stretch, per panel or per vine; bunches, prunings and widths beside them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap.intake.convert import Job, missing_column
from vinemap.intake.fields import STATUS_WORDS
from vinemap.intake.header import plain_words
from vinemap.intake.records import vintage_of, whole
from vinemap.tables import COUNTS, check_table

_FAULTS = ("missing", "symptomatic", "dead_arm", "replanted")
_STRETCH = ("from_vine", "to_vine", "vines")
# Measured beside the counts.
MEASURES = ("pruning_kg", "box_width_m")


def tidy_counts(job: Job) -> pd.DataFrame:
    """Make the table of row counts.

    Parameters
    ----------
    job : Job

    Returns
    -------
    pandas.DataFrame
        `vinemap.tables.COUNTS`; ``vines`` from the stretch where not given, the stretch from panels or the
        vine's number, faults from the status of a vine, ``picked_kg`` from bunches and their mass.
    """
    numbers = {name: job.column(name) for name in (*_STRETCH, *_FAULTS)}
    picked = _picked(job)
    told = any(job.has(name) for name in ("vines", *_FAULTS, "status", "picked_kg", "bunches", *MEASURES))
    if not told:
        raise missing_column(job, "missing", "symptomatic", "vines", "picked_kg")
    _place_panels(job, numbers)
    _place_stretches(job, numbers)
    _read_status(job, numbers)
    _check_faults(job, numbers)
    frame = pd.DataFrame(
        {
            "vintage": vintage_of(job),
            "block_id": job.values["block_id"],
            "row_no": whole(job.values["row_no"]),
        }
        | {name: whole(values) for name, values in numbers.items()}
        | {"picked_kg": picked}
        | {name: job.column(name) for name in (*MEASURES, "easting", "northing")}
        | {"import_id": 0}
    )
    keys = ["vintage", "block_id", "row_no", "from_vine", "to_vine", "easting", "northing"]
    job.refusals.add(
        frame.duplicated(keys), "the same stretch was counted twice in the file", frame["row_no"]
    )
    return check_table(frame, COUNTS, where=job.where)


def _place_panels(job: Job, numbers: dict[str, pd.Series]) -> None:
    """First vine of each panel: panels of one size count from the row's start, others are added up."""
    if not job.has("panel") or job.has("from_vine"):
        return
    panel, vines = job.values["panel"], numbers["vines"]
    job.refusals.add(
        panel.notna() & ~(vines > 0), "panel without its number of vines: its place in the row is not known"
    )
    rows = pd.DataFrame(
        {
            "vintage": job.values["vintage"] if job.has("vintage") else 0,
            "block": job.values["block_id"],
            "row": job.values["row_no"],
            "panel": panel,
            "vines": vines,
        }
    )
    first = pd.Series(np.nan, index=rows.index)
    for _, part in rows[panel.notna()].groupby(["vintage", "block", "row"], dropna=False):
        ordered = part.sort_values("panel", kind="stable")
        if ordered["vines"].nunique() == 1:
            first[ordered.index] = (ordered["panel"] - 1) * ordered["vines"] + 1
        elif ordered["panel"].tolist() == list(range(1, len(ordered) + 1)):
            first[ordered.index] = ordered["vines"].cumsum() - ordered["vines"] + 1
    job.refusals.add(
        panel.notna() & first.isna(),
        "panels of several sizes with some left out: their place in the row is not known",
        panel,
    )
    numbers["from_vine"] = first
    numbers["to_vine"] = first + vines - 1
    job.notes.append("Panels were turned into vine places by their number of vines, from the row's start.")


def _place_stretches(job: Job, numbers: dict[str, pd.Series]) -> None:
    first, last = numbers["from_vine"], numbers["to_vine"].fillna(numbers["from_vine"])
    job.refusals.add(last < first, "last vine is before the first", last)
    numbers["to_vine"] = last
    numbers["vines"] = numbers["vines"].fillna(last - first + 1)


def _read_status(job: Job, numbers: dict[str, pd.Series]) -> None:
    """Faults of single vines out of a word each."""
    if not job.has("status"):
        return
    text = job.values["status"]
    known = {word: fault for fault, words in STATUS_WORDS.items() for word in map(plain_words, words)}
    fault = text.map(lambda one: known.get(plain_words(one), "" if not one else "?"))
    job.refusals.add(fault == "?", f"status is none of healthy, {', '.join(_FAULTS).replace('_', ' ')}", text)
    job.refusals.add(
        (numbers["vines"] > 1) & (fault != ""), "status speaks of one vine but the stretch has several", text
    )
    for name in _FAULTS:
        numbers[name] = numbers[name].fillna((fault == name).astype("float64"))
    numbers["vines"] = numbers["vines"].fillna(1.0)


def _check_faults(job: Job, numbers: dict[str, pd.Series]) -> None:
    for name in _FAULTS:
        job.refusals.add(
            numbers[name] > numbers["vines"],
            f"{name.replace('_', ' ')} is more than the vines looked at",
            numbers[name],
        )
    together = numbers["missing"].fillna(0) + numbers["symptomatic"].fillna(0)
    job.refusals.add(
        together > numbers["vines"],
        "missing and symptomatic together are more than the vines looked at",
        together,
    )


def _picked(job: Job) -> pd.Series:
    """Mass picked, or bunches by their mean mass."""
    picked = job.column("picked_kg")
    if not job.has("bunches"):
        return picked
    if not job.has("bunch_kg"):
        job.notes.append("Bunches were counted but no bunch mass is given: they say nothing about the yield.")
        return picked
    told = job.values["bunches"] * job.values["bunch_kg"]
    filled = int((picked.isna() & told.notna()).sum())
    if filled:
        job.notes.append(f"In {filled} rows the mass is an estimate: bunches counted by their mean mass.")
    return picked.fillna(told)
