"""Readings of one block and vintage -> clean yield: track, flow delay, filters, report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap.errors import DataError, GeometryError
from vinemap.harvest import filters, outliers
from vinemap.harvest.delay import DelayEstimate, estimate_delays
from vinemap.harvest.flow import flow_from, number_column
from vinemap.harvest.layout import Fixes, common_direction, lay_track, sort_readings
from vinemap.harvest.picked import Picked, trace_back, yield_of
from vinemap.harvest.reasons import set_first
from vinemap.harvest.report import TURNING, CleaningReport, count_reasons, figures_of, warn_of_losses
from vinemap.harvest.smear import SmearEstimate, estimate_smears, find_impossible_falls, undo_smear
from vinemap.harvest.track import Track
from vinemap.tables import READINGS, check_table


@dataclass(frozen=True, slots=True)
class CleanYield:
    """Clean readings and the report on the cleaning.

    Parameters
    ----------
    readings : geopandas.GeoDataFrame
        `tables.CLEAN_READINGS`: every reading, on the caller's index and in the caller's order, at the place
        where its grapes were picked, with its flag; also `speed_m_s` when picked and `source_row`.
    report : CleaningReport
    """

    readings: gpd.GeoDataFrame
    report: CleaningReport


def clean_readings(
    readings: gpd.GeoDataFrame,
    rows: gpd.GeoDataFrame,
    *,
    outline: shapely.Polygon | shapely.MultiPolygon,
    row_spacing_m: float,
    delay_s: float | Mapping[str, float] | None = None,
) -> CleanYield:
    """Clean the readings of one block and vintage.

    Parameters
    ----------
    readings : geopandas.GeoDataFrame
        `tables.READINGS` in the estate CRS; not altered.
    rows : geopandas.GeoDataFrame
        `tables.ROWS` of the block, in the same CRS.
    outline : shapely Polygon or MultiPolygon
        Of the block, in the same CRS.
    row_spacing_m : float
        Distance between rows [m]: the width picked.
    delay_s : float or mapping of machine to float, optional
        Flow delay where the readings do not give it [s]: one that is known, or by machine what the other
        blocks told (`pool_delays`).

    Returns
    -------
    CleanYield

    Raises
    ------
    GeometryError
        If the readings are not in metres or not in the CRS of the rows.
    DataError
        If there are no rows, or the row spacing is not positive.
    TableError
        If a required column is missing.

    Notes
    -----
    Filters run in the order of `REASONS`; a reading keeps the first reason met. Yields are computed with the
    speed at which the grapes were picked, not that at which they passed the sensor.
    """
    return clean_timed(
        time_readings(readings, rows, row_spacing_m=row_spacing_m, delay_s=delay_s), rows, outline=outline
    )


@dataclass(frozen=True, slots=True)
class TimedReadings:
    """Readings along the track of their machines, with the flow delays: the first half of the cleaning.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        `tables.READINGS`.
    fixes : Fixes
        Those of them with a place and a time, in the order of the track.
    track : Track
    flow : numpy.ndarray, (n,)
        In the order of the track [kg/s].
    delay : numpy.ndarray, (n,)
        [s].
    delays : list of DelayEstimate
    row_spacing_m : float
    notes : list of str
    """

    table: gpd.GeoDataFrame
    fixes: Fixes
    track: Track
    flow: np.ndarray
    delay: np.ndarray
    delays: list[DelayEstimate]
    row_spacing_m: float
    notes: list[str]

    @property
    def identified(self) -> bool:
        """Whether the readings themselves gave every delay."""
        return all(one.identified for one in self.delays)


def time_readings(
    readings: gpd.GeoDataFrame,
    rows: gpd.GeoDataFrame,
    *,
    row_spacing_m: float,
    delay_s: float | Mapping[str, float] | None = None,
) -> TimedReadings:
    """Lay readings along the track and find the flow delays, as `clean_readings` does first.

    Parameters
    ----------
    readings, rows, row_spacing_m, delay_s
        As in `clean_readings`.

    Returns
    -------
    TimedReadings
        For `clean_timed`; where a delay was not identified, that of other blocks may be waited for.

    Raises
    ------
    GeometryError, DataError, TableError
        As `clean_readings`.
    """
    _refuse(readings, rows, row_spacing_m)
    table = check_table(readings, READINGS, where="readings to clean")
    fixes = sort_readings(table)
    track, notes = lay_track(table, fixes, rows, row_spacing_m)
    ordered = table.iloc[track.order]
    flow = flow_from(
        ordered,
        time_s=track.time_s,
        machine=track.machine,
        speed_m_s=track.speed_m_s,
        row_spacing_m=row_spacing_m,
        interval_s=track.interval_s,
    )
    delay, estimates = estimate_delays(
        track,
        np.where(track.good, flow, np.nan),
        machines=fixes.machines,
        days=fixes.days,
        row_spacing_m=row_spacing_m,
        fallback_s=delay_s,
    )
    return TimedReadings(table, fixes, track, flow, delay, estimates, row_spacing_m, notes)


def clean_timed(
    timed: TimedReadings, rows: gpd.GeoDataFrame, *, outline: shapely.Polygon | shapely.MultiPolygon
) -> CleanYield:
    """Flag faults and compute yields where the grapes were picked: the second half of `clean_readings`.

    Parameters
    ----------
    timed : TimedReadings
    rows, outline
        As in `clean_readings`.

    Returns
    -------
    CleanYield
    """
    table, machines, track, flow = timed.table, timed.fixes.machines, timed.track, timed.flow
    delay, row_spacing_m, ordered = timed.delay, timed.row_spacing_m, table.iloc[track.order]
    picked = trace_back(track, delay)
    value = yield_of(flow, picked.speed_m_s, row_spacing_m)
    smears = estimate_smears(track, picked, np.where(track.good, flow, np.nan), machines=machines)
    falls = find_impossible_falls(track, flow, smears, machines)
    flag = _flag(
        ordered, track, picked, flow, value, falls, outline=outline, rows=rows, row_spacing_m=row_spacing_m
    )
    if any(one.undone for one in smears):
        delay, picked, value, flag = _without_smear(track, flow, delay, flag, smears, machines, row_spacing_m)
    clean = _assemble(table, track, picked, delay, value, flag)
    notes = timed.notes + _width_note(ordered, row_spacing_m)
    report = _report(clean, track, picked, value, flag, timed.delays, smears, notes)
    return CleanYield(clean, report)


def _without_smear(
    track: Track,
    flow: np.ndarray,
    delay: np.ndarray,
    flag: np.ndarray,
    smears: list[SmearEstimate],
    machines: Sequence[str],
    row_spacing_m: float,
) -> tuple[np.ndarray, Picked, np.ndarray, np.ndarray]:
    """Undo the smear: delay, places, yields and flags of what was picked.

    Faults were looked for in the readings as they came: undone, one would spoil the next as well.
    """
    sound = (flag == "") | (flag == "headland") | (flag == "ramp")
    sharp, earlier = undo_smear(track, flow, sound, smears, machines)
    picked = trace_back(track, delay - earlier)
    value = yield_of(sharp, picked.speed_m_s, row_spacing_m)
    return delay - earlier, picked, value, _flag_again(flag, track, picked, value)


def _refuse(readings: gpd.GeoDataFrame, rows: gpd.GeoDataFrame, row_spacing_m: float) -> None:
    if readings.crs is None or not readings.crs.is_projected:
        raise GeometryError(
            f"Readings are in {readings.crs}; cleaning needs metres.",
            remedy="Reproject first, e.g. readings.to_crs(rows.crs).",
        )
    if rows.crs is not None and rows.crs != readings.crs:
        raise GeometryError(
            f"Readings are in {readings.crs.name}, rows in {rows.crs.name}.",
            remedy="Bring both to the estate CRS first.",
        )
    if len(rows) == 0:
        raise DataError("The block has no rows.", remedy="Lay rows from its outline first (land.lay_rows).")
    if not row_spacing_m > 0:
        raise DataError(
            f"Row spacing is {row_spacing_m} m.", remedy="Give the distance between rows in metres."
        )


def _flag(
    ordered: gpd.GeoDataFrame,
    track: Track,
    picked: Picked,
    flow: np.ndarray,
    value: np.ndarray,
    falls: np.ndarray,
    *,
    outline: shapely.Polygon | shapely.MultiPolygon,
    rows: gpd.GeoDataFrame,
    row_spacing_m: float,
) -> np.ndarray:
    """Set flags in the order of the track, first reason first."""
    flag = _flag_track(ordered, track, picked, flow, outline=outline, row_spacing_m=row_spacing_m)
    step = track.step_m
    along = outliers.common_along(picked.easting, picked.northing, common_direction(rows))
    left = _left(value, flag)
    usual = float(np.nanmedian(left)) if np.isfinite(left).any() else float("nan")
    low = left < filters.BARE_SHARE * usual
    beside = outliers.median_beside(left, along, picked.row_no, low, step_m=step)
    flag = set_first(flag, filters.find_zero_flow(left, beside, usual), "zero_flow")
    left = _left(value, flag)
    ramps = filters.find_ramps(left, picked.pass_no, track.machine, interval_s=track.interval_s)
    flag = set_first(flag, ramps, "ramp")
    jumps = filters.find_speed_jumps(picked.speed_m_s, picked.pass_no, interval_s=track.interval_s)
    flag = set_first(flag, jumps, "speed_jump")
    width = number_column(ordered, "width_m")
    flag = set_first(flag, filters.find_width_faults(width, _usual_width(width, row_spacing_m)), "width")
    still = np.where(flag == "", picked.pass_no, -1)
    again = filters.find_redriven(picked.row_no, picked.along_m, still, cell_m=max(step, 2.0))
    flag = set_first(flag, again, "redriven")
    flag = set_first(flag, falls, "local")
    left = _left(value, flag)
    spared = (beside < filters.BARE_SHARE * usual) | outliers.in_a_dip(left, picked.pass_no, usual)
    flag = set_first(flag, outliers.find_beyond_limits(left, spared), "limits")
    local = outliers.find_local_outliers(_left(value, flag), along, picked.row_no, step_m=step)
    return set_first(flag, local, "local")


def _left(value: np.ndarray, flag: np.ndarray) -> np.ndarray:
    """Give the yields that no reason has left out so far; NaN for the others."""
    return np.where(flag == "", value, np.nan)


def _flag_track(
    ordered: gpd.GeoDataFrame,
    track: Track,
    picked: Picked,
    flow: np.ndarray,
    *,
    outline: shapely.Polygon | shapely.MultiPolygon,
    row_spacing_m: float,
) -> np.ndarray:
    """Set flags that need no yield: incomplete, duplicate, position, headland, idle, stuck."""
    flag = np.full(track.time_s.size, "", dtype=object)
    flag = set_first(flag, ~np.isfinite(flow), "incomplete")
    again = np.zeros(flag.size, dtype=bool)
    again[1:] = (
        (np.diff(track.time_s) == 0)
        & (np.diff(track.machine) == 0)
        & (np.diff(track.easting) == 0)
        & (np.diff(track.northing) == 0)
    )
    flag = set_first(flag, again & ordered["time"].notna().to_numpy(), "duplicate")
    room = outline.buffer(0.5 * row_spacing_m)
    shapely.prepare(room)
    inside = shapely.contains_xy(room, picked.easting, picked.northing)
    off_row = np.where(picked.pass_no >= 0, picked.row_no, track.row_no[picked.nearest])
    flag = set_first(flag, filters.find_position_faults(~track.good, off_row, inside), "position")
    flag = set_first(flag, filters.find_headland(picked.pass_no, inside), "headland")
    flag = set_first(flag, filters.find_idle(picked.speed_m_s, _usual_speed(track)), "idle")
    return set_first(flag, filters.find_stuck(flow, track.machine), "stuck")


def _flag_again(flag: np.ndarray, track: Track, picked: Picked, value: np.ndarray) -> np.ndarray:
    """Set flags that a place and a speed a moment later can change: at a row end the machine may stand there.

    Without this a reading picked in a pass by the full delay, and at a standstill by that without the smear,
    was kept with a yield of thousands of tonnes (recovered truth, seed 205 at 2 s).
    """
    flag = set_first(flag, (picked.pass_no < 0) | ~np.isfinite(value), "headland")
    flag = set_first(flag, filters.find_idle(picked.speed_m_s, _usual_speed(track)), "idle")
    return set_first(flag, value > outliers.HIGHEST_T_HA, "limits")


def _usual_speed(track: Track) -> float:
    """Median speed within passes [m/s]."""
    in_pass = track.pass_no >= 0
    return float(np.nanmedian(track.speed_m_s[in_pass])) if in_pass.any() else 0.0


def _usual_width(width_m: np.ndarray, row_spacing_m: float) -> float:
    """Median logged width; the row spacing where the log has none [m]."""
    known = width_m[np.isfinite(width_m)]
    return float(np.median(known)) if known.size else row_spacing_m


def _width_note(ordered: gpd.GeoDataFrame, row_spacing_m: float) -> list[str]:
    """Say where the machine reckoned with another width than that of a row."""
    usual = _usual_width(number_column(ordered, "width_m"), row_spacing_m)
    if abs(usual - row_spacing_m) <= 0.02 * row_spacing_m:
        return []
    return [
        f"The machine reckoned with a width of {usual:.2f} m; rows are {row_spacing_m:.2f} m apart, and "
        "yields are computed with that."
    ]


def _assemble(
    table: gpd.GeoDataFrame,
    track: Track,
    picked: Picked,
    delay: np.ndarray,
    value: np.ndarray,
    flag: np.ndarray,
) -> gpd.GeoDataFrame:
    """Clean readings on the caller's index; readings outside the track are incomplete."""
    count = len(table)

    def spread(values: np.ndarray, fill: object, kind: type) -> np.ndarray:
        out: np.ndarray = np.full(count, fill, dtype=kind)
        out[track.order] = values
        return out

    shift = pd.to_timedelta(spread(delay, 0.0, float), unit="s")
    known = np.isfinite(picked.easting)
    easting = np.where(known, picked.easting, track.easting)
    northing = np.where(known, picked.northing, track.northing)
    shape = table.geometry.to_numpy().copy()
    shape[track.order] = shapely.points(easting, northing)
    frame = pd.DataFrame(
        {
            "reading_id": table["reading_id"],
            "machine": table["machine"],
            "time": table["time"] - shift,
            "pass_no": pd.array(spread(picked.pass_no, -1, int), dtype="Int64"),
            "row_no": pd.array(spread(picked.row_no, -1, int), dtype="Int64"),
            "along_m": spread(np.where(picked.pass_no >= 0, picked.along_m, np.nan), np.nan, float),
            "yield_t_ha": spread(value, np.nan, float),
            "flag": spread(flag, "incomplete", object),
            "speed_m_s": spread(picked.speed_m_s, np.nan, float),
            "source_row": table["source_row"],
        },
        index=table.index,
    )
    return gpd.GeoDataFrame(frame, geometry=shape, crs=table.crs)


def _report(
    clean: gpd.GeoDataFrame,
    track: Track,
    picked: Picked,
    value: np.ndarray,
    flag: np.ndarray,
    estimates: list[DelayEstimate],
    smears: list[SmearEstimate],
    notes: list[str],
) -> CleaningReport:
    """Put figures before and after, counts by reason and warnings together."""
    removed = count_reasons(clean["flag"])
    kept = int((clean["flag"] == "").sum())
    in_row = np.where(np.isin(flag, TURNING), np.nan, value)
    before = figures_of(in_row, picked.pass_no)
    after = figures_of(_left(value, flag), picked.pass_no)
    return CleaningReport(
        readings=len(clean),
        kept=kept,
        removed=removed,
        delays=estimates,
        smears=smears,
        before=before,
        after=after,
        interval_s=track.interval_s,
        passes=int(track.pass_no.max(initial=-1)) + 1,
        warnings=warn_of_losses(removed, len(clean), before=before, after=after),
        notes=notes,
    )
