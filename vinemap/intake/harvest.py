"""Harvester readings: tidy table."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vinemap.intake.convert import Job, missing_column
from vinemap.intake.positions import WGS84, reading_points
from vinemap.tables import READINGS, check_table

NO_MACHINE = "harvester"
_QUANTITIES = ("mass_flow_kg_s", "mass_kg", "yield_t_ha")
# An accumulated mass that falls by more than this share was reset (new bin, new day).
RESET_SHARE = 0.5


def tidy_harvest(job: Job) -> gpd.GeoDataFrame:
    """Make the table of readings out of the fields found.

    Parameters
    ----------
    job : Job

    Returns
    -------
    geopandas.GeoDataFrame
        `vinemap.tables.READINGS` in WGS84, with ``block_name`` and ``vintage``; rows refused still in it.

    Raises
    ------
    IntakeError
        If time, position or anything that tells the yield is missing.
    """
    points = reading_points(job)
    if not job.has("time"):
        raise missing_column(job, "time", "date")
    job.refusals.add(job.values["time"].isna(), "time is empty")
    _spread_whole_seconds(job)
    _settle_quantity(job)
    frame = gpd.GeoDataFrame(
        {
            "reading_id": 0,
            "import_id": 0,
            "source_row": job.raw.source_row,
            "time": job.values["time"],
            "machine": _machines(job),
            "block_name": job.column("block_name", ""),
            "vintage": _vintages(job),
        }
        | {name: job.column(name) for name in ("speed_m_s", "width_m", *_QUANTITIES, "mog_pct")},
        geometry=points.to_numpy(),
        crs=WGS84,
    )
    job.refusals.add(_repeated(frame, job.refusals.kept), "the same reading stands in the file twice")
    return check_table(frame, READINGS, where=job.where)


def _repeated(frame: gpd.GeoDataFrame, kept: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Rows that say what an earlier one said; one that was refused does not count as said."""
    names = ["machine", "time", "x", "y", *_QUANTITIES]
    places = np.flatnonzero(kept)
    said = frame.assign(x=frame.geometry.x, y=frame.geometry.y).iloc[places][names]
    out = np.zeros(len(frame), dtype=bool)
    out[places[said.duplicated().to_numpy()]] = True
    return out


def _machines(job: Job) -> pd.Series:
    machine = job.column("machine", "")
    if (machine == "").any():
        job.notes.append(
            f"{int((machine == '').sum())} readings name no machine; they were put down to {NO_MACHINE!r}. "
            "With several machines say which with --column machine==NAME."
        )
    return machine.where(machine != "", NO_MACHINE)


def _vintages(job: Job) -> pd.Series:
    """Calendar year of harvest; a vintage that the user named must agree with the clock."""
    year: pd.Series = job.values["time"].dt.year.astype("Int64")
    if not job.vintage:
        return year
    agree = (year == job.vintage).fillna(False).to_numpy(dtype=bool)
    timed = year.notna().to_numpy()
    if timed.any():
        job.decided.setdefault("clock agrees with the vintage", bool(agree.any()))
    if job.decided.get("clock agrees with the vintage"):
        job.refusals.add(
            timed & ~agree,
            f"reading is of another year than vintage {job.vintage}",
            job.values["time"].astype(str),
        )
    elif timed.any():
        job.notes.append(
            f"No reading is of {job.vintage} by its clock (first {job.values['time'].min():%Y-%m-%d}); "
            f"they were taken as vintage {job.vintage}, as you said."
        )
    return pd.Series(job.vintage, index=year.index, dtype="Int64")


def _spread_whole_seconds(job: Job) -> None:
    """Tell when several readings share one time: spacing in time is then coarser than the log."""
    times = job.values["time"]
    machine = job.column("machine", "")
    shared = pd.DataFrame({"time": times, "machine": machine}).duplicated().mean()
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
    empty = np.logical_and.reduce([job.values[name].isna().to_numpy() for name in found])
    job.refusals.add(empty, f"{' and '.join(found)} {'is' if len(found) == 1 else 'are'} empty")
    if job.has("mass_flow_kg_s") and not job.has("speed_m_s"):
        job.notes.append("No column of ground speed: speed will come from positions and times.")


def _mass_steps(job: Job) -> pd.Series:
    total = job.values["mass_total_kg"]
    order = pd.DataFrame({"machine": job.column("machine", ""), "time": job.values["time"], "total": total})
    order = order[order["total"].notna()].sort_values(["machine", "time"], kind="stable")
    # Of a long file: the last total of the part before.
    last = job.decided.setdefault("last total", {})
    before = order.groupby("machine")["total"].shift().fillna(order["machine"].map(last).astype("float64"))
    last.update(order.groupby("machine")["total"].last())
    step = order["total"] - before
    reset = order["total"] < RESET_SHARE * before
    step = step.where(~reset, order["total"]).where(step.ge(0) | reset)
    return step.reindex(total.index)
