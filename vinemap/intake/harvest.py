"""Harvester readings: tidy table."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from vinemap.intake.convert import Job, missing_column, named
from vinemap.intake.fields import PLAIN_NAMES
from vinemap.intake.positions import reading_places
from vinemap.taken import mark_rows

NO_MACHINE = "harvester"
MEASURED = ("speed_m_s", "width_m", "mass_flow_kg_s", "mass_kg", "yield_t_ha", "mog_pct")
_QUANTITIES = ("mass_flow_kg_s", "mass_kg", "yield_t_ha")
# An accumulated mass that falls by more than this share was reset (new bin, new day).
RESET_SHARE = 0.5


def tidy_harvest(job: Job) -> pd.DataFrame:
    """Make the tidy table of readings out of the fields found.

    Parameters
    ----------
    job : Job

    Returns
    -------
    pandas.DataFrame
        Columns of `vinemap.tables.READINGS` that the file tells, without the numbers that the estate gives;
        with ``block_name``,
        ``vintage`` and, for its points, ``longitude`` and ``latitude`` [degrees, WGS84]; rows refused still
        in it.

    Raises
    ------
    IntakeError
        If time, position or anything that tells the yield is missing.
    """
    places = reading_places(job)
    if not job.has("time"):
        raise missing_column(job, "time", "date")
    job.refusals.add(job.values["time"].isna(), "time is empty")
    machine = _machines(job)
    _note_shared_times(job, machine)
    _settle_quantity(job)
    frame = pd.DataFrame(
        {
            "source_row": job.raw.source_row,
            "time": job.values["time"],
            "machine": machine,
            "block_name": _names(job, "block_name"),
            "vintage": _vintages(job),
        }
        | {name: job.values[name] for name in MEASURED if job.has(name)}
        | {"longitude": places.x, "latitude": places.y},
        copy=False,
    )
    job.refusals.add(_repeated(frame, job.refusals.kept), "the same reading stands in the file twice")
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


def _names(job: Job, name: str) -> pd.Series:
    """Names of few kinds, as categories; "" in every row where the file has none."""
    if job.has(name):
        return job.values[name]
    return named(np.zeros(job.rows, dtype=np.int8), [""])


def _machines(job: Job) -> pd.Series:
    machine = _names(job, "machine")
    unnamed = (machine == "").to_numpy()
    if not unnamed.any():
        return machine
    job.notes.append(
        f"{int(unnamed.sum())} readings name no machine; they were put down to {NO_MACHINE!r}. "
        "With several machines say which with --column machine==NAME."
    )
    named = machine.cat.add_categories([NO_MACHINE]) if NO_MACHINE not in machine.cat.categories else machine
    return named.where(~unnamed, NO_MACHINE).cat.remove_unused_categories()


def _vintages(job: Job) -> pd.Series:
    """Calendar year of harvest, 0 without a time; a vintage that the user named must agree with the clock."""
    year = _years(job.values["time"])
    if not job.vintage:
        return pd.Series(year, copy=False)
    timed, agree = year > 0, year == job.vintage
    if timed.any():
        job.decided.setdefault("clock agrees with the vintage", bool(agree.any()))
    if job.decided.get("clock agrees with the vintage"):
        job.refusals.add(
            timed & ~agree,
            f"reading is of another year than vintage {job.vintage}",
            job.values["time"],
        )
    elif timed.any():
        job.notes.append(
            f"No reading is of {job.vintage} by its clock (first {job.values['time'].min():%Y-%m-%d}); "
            f"they were taken as vintage {job.vintage}, as you said."
        )
    return pd.Series(np.full(len(year), job.vintage, dtype="int64"), copy=False)


def _years(times: pd.Series) -> npt.NDArray[np.int64]:
    """Calendar year (UTC) of each time, 0 where there is none."""
    first, last = times.min(), times.max()
    if first is pd.NaT:
        return np.zeros(len(times), dtype="int64")
    if first.year == last.year:
        return np.where(times.notna().to_numpy(), np.int64(first.year), np.int64(0))
    return np.asarray(times.dt.year.fillna(0), dtype="int64")


def _note_shared_times(job: Job, machine: pd.Series) -> None:
    """Tell when several readings share one time: spacing in time is then coarser than the log."""
    times = pd.DatetimeIndex(job.values["time"]).values
    codes = machine.cat.codes.to_numpy()
    same = (times[1:] == times[:-1]) & (codes[1:] == codes[:-1])
    shared = np.count_nonzero(same) / max(len(same), 1)
    if shared > 0.2:
        job.notes.append(f"{100 * shared:.0f} % of the readings share their time with the one before.")


def _settle_quantity(job: Job) -> None:
    """See that at least one column tells the yield; difference an accumulated mass."""
    if job.has("mass_total_kg") and not any(job.has(name) for name in _QUANTITIES):
        job.values["mass_kg"] = _mass_steps(job)
        job.notes.append("Mass per reading was taken as the steps of the accumulated mass.")
    found = [name for name in _QUANTITIES if job.has(name)]
    if not found:
        raise missing_column(job, *_QUANTITIES)
    empty = np.logical_and.reduce([np.isnan(job.values[name].to_numpy()) for name in found])
    job.refusals.add(
        empty, f"{' and '.join(PLAIN_NAMES[one] for one in found)} {'is' if len(found) == 1 else 'are'} empty"
    )
    if job.has("mass_flow_kg_s") and not job.has("speed_m_s"):
        job.notes.append("No column of ground speed: speed will come from positions and times.")


def _mass_steps(job: Job) -> pd.Series:
    total = job.values["mass_total_kg"]
    names = _names(job, "machine").astype(object)
    order = pd.DataFrame({"machine": names, "time": job.values["time"], "total": total})
    order = order[order["total"].notna()].sort_values(["machine", "time"], kind="stable")
    # Of a long file: the last total of the part before.
    last = job.decided.setdefault("last total", {})
    before = order.groupby("machine")["total"].shift().fillna(order["machine"].map(last).astype("float64"))
    last.update(order.groupby("machine")["total"].last())
    step = order["total"] - before
    reset = order["total"] < RESET_SHARE * before
    step = step.where(~reset, order["total"]).where(step.ge(0) | reset)
    return step.reindex(total.index)
