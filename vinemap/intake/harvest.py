"""Harvester readings: tidy table."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from vinemap.intake.draft import Draft, as_categories
from vinemap.intake.fields import PLAIN_NAMES
from vinemap.intake.positions import reading_places
from vinemap.taken import mark_rows

NO_MACHINE = "harvester"
MEASURED = ("speed_m_s", "width_m", "mass_flow_kg_s", "mass_kg", "yield_t_ha", "mog_pct")
_QUANTITIES = ("mass_flow_kg_s", "mass_kg", "yield_t_ha")
# An accumulated mass that falls by more than this share was reset (new bin, new day).
RESET_SHARE = 0.5


def tidy_harvest(draft: Draft) -> pd.DataFrame:
    """Make the tidy table of readings out of the fields found.

    Parameters
    ----------
    draft : Draft

    Returns
    -------
    pandas.DataFrame
        Columns of `vinemap.tables.READINGS` that the file tells, without the numbers that the estate gives;
        with ``block_name``, ``vintage`` and, for its points, ``longitude`` and ``latitude`` [degrees, WGS84];
        rows refused still in it.

    Raises
    ------
    IntakeError
        If time, position or anything that tells the yield is missing.
    """
    places = reading_places(draft)
    if not draft.has("time"):
        raise draft.lacks("time", "date")
    draft.refusals.add(draft.values["time"].isna(), "time is empty")
    machine = _machines(draft)
    _note_shared_times(draft, machine)
    _settle_quantity(draft)
    frame = pd.DataFrame(
        {
            "source_row": draft.raw.source_row,
            "time": draft.values["time"],
            "machine": machine,
            "block_name": _names(draft, "block_name"),
            "vintage": _vintages(draft),
        }
        | {name: draft.values[name] for name in MEASURED if draft.has(name)}
        | {"longitude": places.x, "latitude": places.y},
        copy=False,
    )
    draft.refusals.add(_repeated(frame, draft.refusals.kept), "the same reading stands in the file twice")
    return frame


def _repeated(frame: pd.DataFrame, kept: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Rows that say what an earlier one said; one that was refused does not count as said."""
    out = np.zeros(len(frame), dtype=bool)
    times = pd.DatetimeIndex(frame["time"]).values
    if (times[1:] > times[:-1]).all():
        return out  # the clock runs on: nothing is said twice
    places = np.flatnonzero(kept)
    told = [name for name in _QUANTITIES if name in frame]
    marks = mark_rows(frame.iloc[places], ["machine", "time", "longitude", "latitude", *told])
    out[places[pd.Series(marks).duplicated().to_numpy()]] = True
    return out


def _names(draft: Draft, name: str) -> pd.Series:
    """Names of few kinds, as categories; "" in every row where the file has none."""
    if draft.has(name):
        return draft.values[name]
    return as_categories(np.zeros(draft.rows, dtype=np.int8), [""])


def _machines(draft: Draft) -> pd.Series:
    machine = _names(draft, "machine")
    unnamed = (machine == "").to_numpy()
    if not unnamed.any():
        return machine
    draft.notes.append(
        f"{int(unnamed.sum())} readings name no machine; they were put down to {NO_MACHINE!r}. "
        "With several machines say which with --column machine==NAME."
    )
    able = machine.cat.add_categories([NO_MACHINE]) if NO_MACHINE not in machine.cat.categories else machine
    return able.where(~unnamed, NO_MACHINE).cat.remove_unused_categories()


def _vintages(draft: Draft) -> pd.Series:
    """Calendar year of harvest, 0 without a time; a vintage that the user named must agree with the clock."""
    year = _years(draft.values["time"])
    if not draft.vintage:
        return pd.Series(year, copy=False)
    timed, agree = year > 0, year == draft.vintage
    if timed.any():
        draft.decided.setdefault("clock agrees with the vintage", bool(agree.any()))
    if draft.decided.get("clock agrees with the vintage"):
        draft.refusals.add(
            timed & ~agree,
            f"reading is of another year than vintage {draft.vintage}",
            draft.values["time"],
        )
    elif timed.any():
        draft.notes.append(
            f"No reading is of {draft.vintage} by its clock (first {draft.values['time'].min():%Y-%m-%d}); "
            f"they were taken as vintage {draft.vintage}, as you said."
        )
    return pd.Series(np.full(len(year), draft.vintage, dtype="int64"), copy=False)


def _years(times: pd.Series) -> npt.NDArray[np.int64]:
    """Calendar year (UTC) of each time, 0 where there is none."""
    first, last = times.min(), times.max()
    if first is pd.NaT:
        return np.zeros(len(times), dtype="int64")
    if first.year == last.year:
        return np.where(times.notna().to_numpy(), np.int64(first.year), np.int64(0))
    return np.asarray(times.dt.year.fillna(0), dtype="int64")


def _note_shared_times(draft: Draft, machine: pd.Series) -> None:
    """Tell when several readings share one time: spacing in time is then coarser than the log."""
    times = pd.DatetimeIndex(draft.values["time"]).values
    codes = machine.cat.codes.to_numpy()
    same = (times[1:] == times[:-1]) & (codes[1:] == codes[:-1])
    shared = np.count_nonzero(same) / max(len(same), 1)
    if shared > 0.2:
        draft.notes.append(f"{100 * shared:.0f} % of the readings share their time with the one before.")


def _settle_quantity(draft: Draft) -> None:
    """See that at least one column tells the yield; difference an accumulated mass."""
    if draft.has("mass_total_kg") and not any(draft.has(name) for name in _QUANTITIES):
        draft.values["mass_kg"] = _mass_steps(draft)
        draft.notes.append("Mass per reading was taken as the steps of the accumulated mass.")
    found = [name for name in _QUANTITIES if draft.has(name)]
    if not found:
        raise draft.lacks(*_QUANTITIES)
    empty = np.logical_and.reduce([np.isnan(draft.values[name].to_numpy()) for name in found])
    draft.refusals.add(
        empty, f"{' and '.join(PLAIN_NAMES[one] for one in found)} {'is' if len(found) == 1 else 'are'} empty"
    )
    if draft.has("mass_flow_kg_s") and not draft.has("speed_m_s"):
        draft.notes.append("No column of ground speed: speed will come from positions and times.")


def _mass_steps(draft: Draft) -> pd.Series:
    total = draft.values["mass_total_kg"]
    names = _names(draft, "machine").astype(object)
    order = pd.DataFrame({"machine": names, "time": draft.values["time"], "total": total})
    order = order[order["total"].notna()].sort_values(["machine", "time"], kind="stable")
    # Of a long file: the last total of the part before.
    last = draft.decided.setdefault("last total", {})
    before = order.groupby("machine")["total"].shift().fillna(order["machine"].map(last).astype("float64"))
    last.update(order.groupby("machine")["total"].last())
    step = order["total"] - before
    reset = order["total"] < RESET_SHARE * before
    step = step.where(~reset, order["total"]).where(step.ge(0) | reset)
    return step.reindex(total.index)
