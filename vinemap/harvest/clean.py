"""Readings of one block and vintage -> clean yield: track, flow delay, filters, report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap import land
from vinemap.errors import DataError, GeometryError
from vinemap.harvest import filters, outliers
from vinemap.harvest.delay import DelayEstimate, estimate_delays
from vinemap.harvest.flow import flow_from, number_column
from vinemap.harvest.picked import Picked, trace_back, yield_of
from vinemap.harvest.reasons import set_first
from vinemap.harvest.report import CleaningReport, count_reasons, figures_of, warn_of_losses
from vinemap.harvest.track import (
    Track,
    find_bad_fixes,
    join_passes,
    number_passes,
    seconds_of,
    steady_rows,
    travel_along,
    travel_speed,
    usual_interval,
)
from vinemap.tables import READINGS, check_table

DAY_S = 86_400.0
JUMP_STEPS = 0.75  # of the usual step: a slow log cannot place a fix better; recovered truth
SPEED_AGREES = (
    0.8,
    1.25,
)  # logged over travelled speed; else the unit is doubtful; no source


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
        Flow delay where the readings do not give it [s], such as that of the vintage's other blocks.

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
    _refuse(readings, rows, row_spacing_m)
    table = check_table(readings, READINGS, where="readings to clean")
    lay = _sort(table)
    track, notes = _lay_track(table, lay, rows, row_spacing_m)
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
        machines=lay.machines,
        days=lay.days,
        row_spacing_m=row_spacing_m,
        fallback_s=delay_s,
    )
    picked = trace_back(track, delay)
    value = yield_of(flow, picked.speed_m_s, row_spacing_m)
    flag = _flag(ordered, track, picked, flow, value, outline=outline, rows=rows, row_spacing_m=row_spacing_m)
    clean = _assemble(table, track, picked, delay, value, flag)
    report = _report(
        clean, track, picked, value, flag, estimates, notes + _width_note(ordered, row_spacing_m)
    )
    return CleanYield(clean, report)


@dataclass(frozen=True, slots=True)
class _Sorted:
    order: np.ndarray
    machine: np.ndarray
    time_s: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    machines: list[str]
    days: dict[int, str]
    timed: bool


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


def _sort(table: gpd.GeoDataFrame) -> _Sorted:
    """Sort readings that have a place (and a time, if any has), in order of machine and time."""
    shape = table.geometry.to_numpy()
    easting, northing = shapely.get_x(shape), shapely.get_y(shape)
    code, names = pd.factorize(table["machine"], sort=True)
    time_s = seconds_of(table["time"], easting, northing)
    use = np.flatnonzero(np.isfinite(easting) & np.isfinite(northing) & np.isfinite(time_s))
    order = use[np.lexsort((use, time_s[use], code[use]))]
    timed = bool(table["time"].notna().any())
    days = {}
    if timed:
        first = table["time"].min().normalize()
        days = {
            int(one): (first + pd.Timedelta(days=int(one))).date().isoformat()
            for one in np.unique(time_s[use] // DAY_S)
        }
    return _Sorted(
        order, code[order], time_s[order], easting[order], northing[order], list(names), days, timed
    )


def _lay_track(
    table: gpd.GeoDataFrame, lay: _Sorted, rows: gpd.GeoDataFrame, row_spacing_m: float
) -> tuple[Track, list[str]]:
    """Track of all machines with rows, directions and passes."""
    notes = [] if lay.timed else ["The readings have no time: passes follow the order of the file."]
    time_s, machine = lay.time_s, lay.machine
    interval = usual_interval(time_s, machine)
    travelled = travel_speed(time_s, lay.easting, lay.northing, machine, reach=1 if interval >= 2 else 2)
    travelled = travelled * float(np.median(_row_frames(rows)["ground"]))
    usual = float(np.nanmedian(travelled)) if np.isfinite(travelled).any() else 0.0
    limit = max(row_spacing_m, JUMP_STEPS * usual * interval)
    bad = find_bad_fixes(time_s, lay.easting, lay.northing, machine, limit_m=limit)
    logged = number_column(table.iloc[lay.order], "speed_m_s")
    notes += _speed_note(logged, travelled)
    speed = np.where(np.isfinite(logged), logged, travelled)
    good = np.flatnonzero(~bad)
    row_no, along = np.full(bad.size, -1), np.full(bad.size, np.nan)
    pass_no, way, aligned = (
        np.full(bad.size, -1),
        np.ones(bad.size, dtype=int),
        np.zeros(bad.size, dtype=bool),
    )
    if good.size:
        found = _follow(lay, good, rows, interval)
        row_no[good], along[good], pass_no[good], way[good], aligned[good] = found
    track = Track(
        lay.order, machine, (time_s // DAY_S).astype(int), time_s, lay.easting, lay.northing, row_no, along,
        speed, ~bad, pass_no, way, aligned, interval,
    )  # fmt: skip
    return track, notes


def _follow(
    lay: _Sorted, good: np.ndarray, rows: gpd.GeoDataFrame, interval_s: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Row, distance along, pass, direction and alignment of the good fixes."""
    time_s, easting, northing = lay.time_s[good], lay.easting[good], lay.northing[good]
    machine = lay.machine[good]
    located = land.locate_in_rows(easting, northing, rows)
    seen = located["row_no"].to_numpy(dtype=int)
    row_no = join_passes(steady_rows(seen, interval_s=interval_s), machine, time_s, interval_s=interval_s)
    along = np.where(row_no == seen, located["along_m"].to_numpy(dtype=float), np.nan)
    moved = (row_no != seen) & (row_no >= 0)
    along[moved] = _along_in(rows, row_no[moved], easting[moved], northing[moved])
    run = np.cumsum(np.r_[True, (np.diff(row_no) != 0) | (np.diff(machine) != 0)])
    way, aligned = travel_along(time_s, along, easting, northing, run, interval_s=interval_s)
    pass_no, way = number_passes(machine, time_s, row_no, way, aligned, interval_s=interval_s)
    return row_no, along, pass_no, way, aligned


def _row_frames(rows: gpd.GeoDataFrame) -> pd.DataFrame:
    """Start, unit direction and ground over planar length of every row, by row_no."""
    start = np.array([shapely.get_coordinates(one)[0] for one in rows.geometry])
    end = np.array([shapely.get_coordinates(one)[-1] for one in rows.geometry])
    length = np.maximum(np.hypot(*(end - start).T), 1e-9)
    ground = rows["length_m"].to_numpy(dtype=float) / np.asarray(rows.geometry.length, dtype=float)
    return pd.DataFrame(
        {
            "x": start[:, 0],
            "y": start[:, 1],
            "dx": (end - start)[:, 0] / length,
            "dy": (end - start)[:, 1] / length,
            "ground": ground,
        },
        index=rows["row_no"].astype(int),
    )


def _along_in(
    rows: gpd.GeoDataFrame, row_no: np.ndarray, easting: np.ndarray, northing: np.ndarray
) -> np.ndarray:
    """Distance along given rows on the ground [m], the rows taken as straight."""
    frame = _row_frames(rows).reindex(row_no)
    along = (easting - frame["x"]) * frame["dx"] + (northing - frame["y"]) * frame["dy"]
    return np.asarray(along * frame["ground"], dtype=float)


def _common_direction(rows: gpd.GeoDataFrame) -> tuple[float, float]:
    frame = _row_frames(rows)
    reference = frame[["dx", "dy"]].iloc[0].to_numpy()
    sign = np.sign(frame[["dx", "dy"]].to_numpy() @ reference)
    mean = (frame[["dx", "dy"]].to_numpy() * sign[:, None]).mean(axis=0)
    mean = mean / np.hypot(*mean)
    return float(mean[0]), float(mean[1])


def _flag(
    ordered: gpd.GeoDataFrame,
    track: Track,
    picked: Picked,
    flow: np.ndarray,
    value: np.ndarray,
    *,
    outline: shapely.Polygon | shapely.MultiPolygon,
    rows: gpd.GeoDataFrame,
    row_spacing_m: float,
) -> np.ndarray:
    """Set flags in the order of the track, first reason first."""
    flag = _flag_track(ordered, track, picked, flow, outline=outline, row_spacing_m=row_spacing_m)
    step, along = (
        track.step_m,
        outliers.common_along(picked.easting, picked.northing, _common_direction(rows)),
    )
    left = np.where(flag == "", value, np.nan)
    usual = float(np.nanmedian(left)) if np.isfinite(left).any() else float("nan")
    low = left < filters.BARE_SHARE * usual
    beside = outliers.median_beside(left, along, picked.row_no, low, step_m=step)
    flag = set_first(flag, filters.find_zero_flow(left, beside, usual), "zero_flow")
    left = np.where(flag == "", value, np.nan)
    ramps = filters.find_ramps(left, picked.pass_no, track.machine, interval_s=track.interval_s)
    flag = set_first(flag, ramps, "ramp")
    jumps = filters.find_speed_jumps(picked.speed_m_s, picked.pass_no, interval_s=track.interval_s)
    flag = set_first(flag, jumps, "speed_jump")
    width = number_column(ordered, "width_m")
    flag = set_first(flag, filters.find_width_faults(width, _usual_width(width, row_spacing_m)), "width")
    still = np.where(flag == "", picked.pass_no, -1)
    again = filters.find_redriven(picked.row_no, picked.along_m, still, cell_m=max(step, 2.0))
    flag = set_first(flag, again, "redriven")
    left = np.where(flag == "", value, np.nan)
    spared = beside < filters.BARE_SHARE * usual
    flag = set_first(flag, outliers.find_beyond_limits(left, spared), "limits")
    left = np.where(flag == "", value, np.nan)
    return set_first(flag, outliers.find_local_outliers(left, along, picked.row_no, step_m=step), "local")


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
    in_pass = track.pass_no >= 0
    usual = float(np.nanmedian(track.speed_m_s[in_pass])) if in_pass.any() else 0.0
    flag = set_first(flag, filters.find_idle(picked.speed_m_s, usual), "idle")
    return set_first(flag, filters.find_stuck(flow, track.machine), "stuck")


def _usual_width(width_m: np.ndarray, row_spacing_m: float) -> float:
    known = width_m[np.isfinite(width_m)]
    return float(np.median(known)) if known.size else row_spacing_m


def _width_note(ordered: gpd.GeoDataFrame, row_spacing_m: float) -> list[str]:
    usual = _usual_width(number_column(ordered, "width_m"), row_spacing_m)
    if abs(usual - row_spacing_m) <= 0.02 * row_spacing_m:
        return []
    return [
        f"The machine reckoned with a width of {usual:.2f} m; rows are {row_spacing_m:.2f} m apart, and "
        "yields are computed with that."
    ]


def _speed_note(logged: np.ndarray, travelled: np.ndarray) -> list[str]:
    both = (logged > 0.3) & (travelled > 0.3)
    if both.sum() < 20:
        return []
    ratio = float(np.median(logged[both] / travelled[both]))
    if SPEED_AGREES[0] <= ratio <= SPEED_AGREES[1]:
        return []
    return [
        f"Logged speed is {ratio:.2f} times the speed between positions; yields follow the logged speed. "
        "Check the unit of speed in the file."
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
    notes: list[str],
) -> CleaningReport:
    removed = count_reasons(clean["flag"])
    kept = int((clean["flag"] == "").sum())
    return CleaningReport(
        readings=len(clean),
        kept=kept,
        removed=removed,
        delays=estimates,
        before=figures_of(value, picked.pass_no),
        after=figures_of(np.where(flag == "", value, np.nan), picked.pass_no),
        interval_s=track.interval_s,
        passes=int(track.pass_no.max(initial=-1)) + 1,
        warnings=warn_of_losses(removed, len(clean)),
        notes=notes,
    )
