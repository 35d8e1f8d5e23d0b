"""Readings laid out as a track: sorted, cleared of jumps, with rows, directions and passes."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap import land
from vinemap.harvest.flow import number_column
from vinemap.harvest.jumps import find_bad_fixes, find_shifted_runs
from vinemap.harvest.track import (
    Track,
    join_passes,
    number_passes,
    seconds_of,
    steady_rows,
    travel_along,
    travel_speed,
    usual_interval,
)

DAY_S = 86_400.0
SPEED_REACH_S = 4.0  # speed from positions spans +-4 s: jitter of 0.3 m is then 4 % of it; recovered truth
JUMP_STEPS = 0.75  # of the usual step: a slow log cannot place a fix better; recovered truth
SPEED_AGREES = (0.8, 1.25)  # logged over travelled speed; else its unit is doubtful; no source


@dataclass(frozen=True, slots=True)
class Fixes:
    """Readings with a place and a time, as arrays in order of machine and time.

    Parameters
    ----------
    order : numpy.ndarray of int, (n,)
        Position in the caller's table.
    machine : numpy.ndarray of int, (n,)
        Code into `machines`.
    time_s, easting, northing : numpy.ndarray, (n,)
        [s, m, m].
    machines : list of str
    days : dict of int to str
        ISO date of each day number.
    timed : bool
        Whether the readings have times at all.
    """

    order: np.ndarray
    machine: np.ndarray
    time_s: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    machines: list[str]
    days: dict[int, str]
    timed: bool


def sort_readings(table: gpd.GeoDataFrame) -> Fixes:
    """Sort readings that have a place (and a time, if any has), in order of machine and time.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        `tables.READINGS`, CRS in metres.

    Returns
    -------
    Fixes
        Without times the readings are paced by distance (`seconds_of`).
    """
    easting, northing = _coordinates(table)
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
    return Fixes(order, code[order], time_s[order], easting[order], northing[order], list(names), days, timed)


def _coordinates(table: gpd.GeoDataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Easting and northing; NaN for a missing or empty point."""
    shape = table.geometry.to_numpy()
    there = ~(shapely.is_missing(shape) | shapely.is_empty(shape))
    easting, northing = np.full(shape.size, np.nan), np.full(shape.size, np.nan)
    easting[there], northing[there] = shapely.get_x(shape[there]), shapely.get_y(shape[there])
    return easting, northing


def lay_track(
    table: gpd.GeoDataFrame, fixes: Fixes, rows: gpd.GeoDataFrame, row_spacing_m: float
) -> tuple[Track, list[str]]:
    """Lay the track of all machines with rows, directions and passes.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        Checked `tables.READINGS`.
    fixes : Fixes
        The same, sorted.
    rows : geopandas.GeoDataFrame
        `tables.ROWS` of the block.
    row_spacing_m : float
        [m].

    Returns
    -------
    track : Track
    notes : list of str
    """
    untimed = not (fixes.timed or table.empty)
    notes = ["The readings have no time: passes follow the order of the file."] if untimed else []
    time_s, machine, easting, northing = fixes.time_s, fixes.machine, fixes.easting, fixes.northing
    interval = usual_interval(time_s, machine)
    reach = max(1, round(SPEED_REACH_S / interval))
    travelled = travel_speed(time_s, easting, northing, machine, reach=reach)
    travelled = travelled * float(np.median(_row_frames(rows)["ground"]))
    usual = float(np.nanmedian(travelled)) if np.isfinite(travelled).any() else 0.0
    limit = max(row_spacing_m, JUMP_STEPS * usual * interval)
    bad = find_bad_fixes(time_s, easting, northing, machine, limit_m=limit)
    logged = number_column(table.iloc[fixes.order], "speed_m_s")
    notes += _speed_note(logged, travelled)
    speed = np.where(np.isfinite(logged), logged, travelled)
    direction = common_direction(rows)
    bad |= find_shifted_runs(time_s, easting, northing, machine, speed, direction, interval_s=interval)
    good = np.flatnonzero(~bad)
    row_no, along = np.full(bad.size, -1), np.full(bad.size, np.nan)
    pass_no, way = np.full(bad.size, -1), np.ones(bad.size, dtype=int)
    aligned = np.zeros(bad.size, dtype=bool)
    if good.size:
        found = _follow(fixes, good, rows, interval)
        row_no[good], along[good], pass_no[good], way[good], aligned[good] = found
    track = Track(
        order=fixes.order, machine=machine, day=(time_s // DAY_S).astype(int), time_s=time_s,
        easting=easting, northing=northing, row_no=row_no, along_m=along, speed_m_s=speed, good=~bad,
        pass_no=pass_no, direction=way, aligned=aligned, interval_s=interval,
    )  # fmt: skip
    return track, notes


def _follow(
    fixes: Fixes, good: np.ndarray, rows: gpd.GeoDataFrame, interval_s: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Row, distance along, pass, direction and alignment of the good fixes."""
    time_s, easting, northing = fixes.time_s[good], fixes.easting[good], fixes.northing[good]
    machine = fixes.machine[good]
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
    points, of = shapely.get_coordinates(rows.geometry.to_numpy(), return_index=True)
    first = np.searchsorted(of, np.arange(len(rows)))
    start, end = points[first], points[np.r_[first[1:], len(points)] - 1]
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


def common_direction(rows: gpd.GeoDataFrame) -> tuple[float, float]:
    """Give the unit vector along the rows of a block, in the direction of the first.

    Parameters
    ----------
    rows : geopandas.GeoDataFrame
        `tables.ROWS` of one block, CRS in metres.

    Returns
    -------
    tuple of float
        Easting and northing of the unit vector.
    """
    frame = _row_frames(rows)
    reference = frame[["dx", "dy"]].iloc[0].to_numpy()
    sign = np.sign(frame[["dx", "dy"]].to_numpy() @ reference)
    mean = (frame[["dx", "dy"]].to_numpy() * sign[:, None]).mean(axis=0)
    mean = mean / np.hypot(*mean)
    return float(mean[0]), float(mean[1])


def _speed_note(logged: np.ndarray, travelled: np.ndarray) -> list[str]:
    """Say where logged speed and speed between positions do not agree."""
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
