"""Row counts: per row, per stretch, per panel or per vine; bunches, prunings and widths beside them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap.intake.draft import Draft, whole
from vinemap.intake.fields import STATUS_WORDS
from vinemap.intake.header import plain_words
from vinemap.tables import COUNTS, check_table

_FAULTS = ("missing", "symptomatic", "dead_arm", "replanted")
_STRETCH = ("from_vine", "to_vine", "vines")
# Measured beside the counts.
MEASURES = ("pruning_kg", "box_width_m")


def tidy_counts(draft: Draft) -> pd.DataFrame:
    """Make the table of row counts.

    Parameters
    ----------
    draft : Draft

    Returns
    -------
    pandas.DataFrame
        `vinemap.tables.COUNTS`; ``vines`` from the stretch where not given, the stretch from panels or the
        vine's number, faults from the status of a vine, ``picked_kg`` from bunches and their mass.

    Raises
    ------
    IntakeError
        If nothing is counted in it, or nothing tells the vintage.
    """
    numbers = {name: draft.column(name) for name in (*_STRETCH, *_FAULTS)}
    picked = _picked(draft)
    told = any(draft.has(name) for name in ("vines", *_FAULTS, "status", "picked_kg", "bunches", *MEASURES))
    if not told:
        raise draft.lacks("missing", "symptomatic", "vines", "picked_kg")
    _place_panels(draft, numbers)
    _place_stretches(draft, numbers)
    _read_status(draft, numbers)
    _check_faults(draft, numbers)
    frame = pd.DataFrame(
        {
            "vintage": draft.vintages(),
            "block_id": draft.values["block_id"],
            "row_no": whole(draft.values["row_no"]),
        }
        | {name: whole(values) for name, values in numbers.items()}
        | {"picked_kg": picked}
        | {name: draft.column(name) for name in (*MEASURES, "easting", "northing")}
        | {"import_id": 0}
    )
    keys = ["vintage", "block_id", "row_no", "from_vine", "to_vine", "easting", "northing"]
    draft.refusals.add(
        frame.duplicated(keys), "the same stretch was counted twice in the file", frame["row_no"]
    )
    return check_table(frame, COUNTS, where=draft.where)


def _place_panels(draft: Draft, numbers: dict[str, pd.Series]) -> None:
    """First vine of each panel: panels of one size count from the row's start, others are added up."""
    if not draft.has("panel") or draft.has("from_vine"):
        return
    panel, vines = draft.values["panel"], numbers["vines"]
    draft.refusals.add(
        panel.notna() & ~(vines > 0), "panel without its number of vines: its place in the row is not known"
    )
    rows = pd.DataFrame(
        {
            "vintage": draft.values["vintage"] if draft.has("vintage") else 0,
            "block": draft.values["block_id"],
            "row": draft.values["row_no"],
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
    draft.refusals.add(
        panel.notna() & first.isna(),
        "panels of several sizes with some left out: their place in the row is not known",
        panel,
    )
    numbers["from_vine"] = first
    numbers["to_vine"] = first + vines - 1
    draft.notes.append("Panels were turned into vine places by their number of vines, from the row's start.")


def _place_stretches(draft: Draft, numbers: dict[str, pd.Series]) -> None:
    first, last = numbers["from_vine"], numbers["to_vine"].fillna(numbers["from_vine"])
    draft.refusals.add(last < first, "last vine is before the first", last)
    numbers["to_vine"] = last
    numbers["vines"] = numbers["vines"].fillna(last - first + 1)


def _read_status(draft: Draft, numbers: dict[str, pd.Series]) -> None:
    """Faults of single vines out of a word each."""
    if not draft.has("status"):
        return
    text = draft.values["status"]
    known = {word: fault for fault, words in STATUS_WORDS.items() for word in map(plain_words, words)}
    fault = text.map(lambda one: known.get(plain_words(one), "" if not one else "?"))
    draft.refusals.add(
        fault == "?", f"status is none of healthy, {', '.join(_FAULTS).replace('_', ' ')}", text
    )
    draft.refusals.add(
        (numbers["vines"] > 1) & (fault != ""), "status speaks of one vine but the stretch has several", text
    )
    for name in _FAULTS:
        numbers[name] = numbers[name].fillna((fault == name).astype("float64"))
    numbers["vines"] = numbers["vines"].fillna(1.0)


def _check_faults(draft: Draft, numbers: dict[str, pd.Series]) -> None:
    for name in _FAULTS:
        draft.refusals.add(
            numbers[name] > numbers["vines"],
            f"{name.replace('_', ' ')} is more than the vines looked at",
            numbers[name],
        )
    together = numbers["missing"].fillna(0) + numbers["symptomatic"].fillna(0)
    draft.refusals.add(
        together > numbers["vines"],
        "missing and symptomatic together are more than the vines looked at",
        together,
    )


def _picked(draft: Draft) -> pd.Series:
    """Mass picked, or bunches by their mean mass."""
    picked = draft.column("picked_kg")
    if not draft.has("bunches"):
        return picked
    if not draft.has("bunch_kg"):
        draft.notes.append(
            "Bunches were counted but no bunch mass is given: they say nothing about the yield."
        )
        return picked
    told = draft.values["bunches"] * draft.values["bunch_kg"]
    filled = int((picked.isna() & told.notna()).sum())
    if filled:
        draft.notes.append(f"In {filled} rows the mass is an estimate: bunches counted by their mean mass.")
    return picked.fillna(told)
