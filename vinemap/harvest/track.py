"""The track of the machines: fixes in order of time, row and direction of travel, passes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

NOMINAL_SPEED_M_S = 1.4  # 5 km/h, a usual picking speed; only to pace readings without a time; from memory
COARSE_INTERVAL_S = 3.0  # logs at this interval or slower have only a few fixes in a turn
HEADING_REACH_S = 3.0  # travel is taken over about +-3 s, so that half a metre of jitter turns it < 10 deg
ALIGNED_COSINE = 0.75  # within about 41 deg of the row; turns pass it quickly, jitter does not
LONGEST_GAP_S, GAP_INTERVALS = 20.0, 4.0  # without a reading, the longer of the two, ends a pass; no source


@dataclass(frozen=True, slots=True)
class Track:
    """Fixes sorted by machine and time, as arrays of one length n.

    Parameters
    ----------
    order : numpy.ndarray of int
        Position of each fix in the caller's frame.
    machine : numpy.ndarray of int
        Code of the machine.
    day : numpy.ndarray of int
        Day number of each fix.
    time_s : numpy.ndarray
        Time [s].
    easting, northing : numpy.ndarray
        Position [m].
    row_no : numpy.ndarray of int
        Row, debounced; -1 off the rows.
    along_m : numpy.ndarray
        Distance along the row [m].
    speed_m_s : numpy.ndarray
        Ground speed [m/s].
    good : numpy.ndarray of bool
        False for a fix that jumps off the track.
    pass_no : numpy.ndarray of int
        Pass, -1 outside any.
    direction : numpy.ndarray of int
        +1 along the row as numbered, -1 against it.
    aligned : numpy.ndarray of bool
        Travel is along the row.
    interval_s : float
        Usual time between readings [s].
    """

    order: np.ndarray
    machine: np.ndarray
    day: np.ndarray
    time_s: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    row_no: np.ndarray
    along_m: np.ndarray
    speed_m_s: np.ndarray
    good: np.ndarray
    pass_no: np.ndarray
    direction: np.ndarray
    aligned: np.ndarray
    interval_s: float

    @property
    def step_m(self) -> float:
        """Usual distance between readings of a pass [m]."""
        inside = self.pass_no >= 0
        speed = float(np.median(self.speed_m_s[inside])) if inside.any() else NOMINAL_SPEED_M_S
        return max(speed * self.interval_s, 0.1)


def seconds_of(time: pd.Series, easting: np.ndarray, northing: np.ndarray) -> np.ndarray:
    """Time of each reading in seconds; readings without any time are paced by distance at a usual speed.

    Parameters
    ----------
    time : pandas.Series, (n,)
        UTC times, all missing where the file has none.
    easting, northing : numpy.ndarray, (n,)
        Positions [m], in the order driven.

    Returns
    -------
    numpy.ndarray, (n,)
        Seconds; NaN where a single time is missing.

    Examples
    --------
    >>> none = pd.Series(pd.to_datetime([None, None], utc=True))
    >>> seconds_of(none, np.array([0.0, 14.0]), np.zeros(2)).tolist()
    [0.0, 10.0]
    """
    stamp = pd.to_datetime(time, utc=True)
    if stamp.notna().any():
        origin = stamp.min().normalize()
        return (stamp - origin).dt.total_seconds().to_numpy(dtype=float)
    steps = np.hypot(np.diff(easting, prepend=easting[:1]), np.diff(northing, prepend=northing[:1]))
    return np.cumsum(np.nan_to_num(steps)) / NOMINAL_SPEED_M_S


def usual_interval(time_s: np.ndarray, machine: np.ndarray) -> float:
    """Give the median time between readings of a machine; 1 s where there are too few.

    Parameters
    ----------
    time_s : numpy.ndarray, (n,)
        Sorted by machine and time [s].
    machine : numpy.ndarray of int, (n,)

    Returns
    -------
    float
        [s]

    Examples
    --------
    >>> usual_interval(np.array([0.0, 5.0, 10.0, 90.0]), np.zeros(4))
    5.0
    """
    gaps = np.diff(time_s)[(np.diff(machine) == 0)]
    gaps = gaps[gaps > 0]
    return float(np.median(gaps)) if gaps.size else 1.0


def shifted(values: np.ndarray, by: int, group: np.ndarray) -> np.ndarray:
    """Give values from some places later within the same group.

    Parameters
    ----------
    values : numpy.ndarray, (n,)
    by : int
        Places later; negative for earlier.
    group : numpy.ndarray of int, (n,)

    Returns
    -------
    numpy.ndarray, (n,)
        NaN where there is none.

    Examples
    --------
    >>> shifted(np.array([1.0, 2.0, 3.0]), 1, np.array([0, 0, 1])).tolist()
    [2.0, nan, nan]
    """
    out = np.full(values.shape, np.nan)
    if by == 0:
        return values.astype(float)
    if abs(by) >= values.size:
        return out
    src, dst = (slice(by, None), slice(None, -by)) if by > 0 else (slice(None, by), slice(-by, None))
    same = group[src] == group[dst]
    out[dst] = np.where(same, values[src], np.nan)
    return out


def travel_speed(
    time_s: np.ndarray, easting: np.ndarray, northing: np.ndarray, machine: np.ndarray, *, reach: int
) -> np.ndarray:
    """Give the speed from positions over some fixes before and after.

    Parameters
    ----------
    time_s, easting, northing : numpy.ndarray, (n,)
        Sorted by machine and time [s, m, m].
    machine : numpy.ndarray of int, (n,)
    reach : int
        Fixes to each side.

    Returns
    -------
    numpy.ndarray, (n,)
        [m/s]; NaN where there is no neighbour.

    Examples
    --------
    >>> t = np.arange(5.0)
    >>> travel_speed(t, 1.5 * t, 0 * t, 0 * t, reach=1).tolist()
    [1.5, 1.5, 1.5, 1.5, 1.5]
    """
    before = [_or_self(shifted(one, -reach, machine), one) for one in (time_s, easting, northing)]
    after = [_or_self(shifted(one, reach, machine), one) for one in (time_s, easting, northing)]
    span = after[0] - before[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(span > 0, np.hypot(after[1] - before[1], after[2] - before[2]) / span, np.nan)


def _or_self(values: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Fill what is missing with one's own values."""
    return np.where(np.isfinite(values), values, own)


def steady_rows(row_no: np.ndarray, *, interval_s: float) -> np.ndarray:
    """Take single hops into a neighbouring row (jitter) out by a running median.

    Parameters
    ----------
    row_no : numpy.ndarray of int, (n,)
        Sorted by machine and time; -1 off the rows.
    interval_s : float
        Usual time between readings [s].

    Returns
    -------
    numpy.ndarray of int, (n,)

    Examples
    --------
    >>> steady_rows(np.array([3, 3, 3, 4, 3, 3, 3, -1, -1, -1, -1]), interval_s=1.0).tolist()
    [3, 3, 3, 3, 3, 3, 3, -1, -1, -1, -1]
    """
    return _smooth(row_no, interval_s)


def _smooth(codes: np.ndarray, interval_s: float) -> np.ndarray:
    """Take a running median over three fixes of a slow log, seven of a quick one."""
    window = 3 if interval_s >= COARSE_INTERVAL_S else 7
    return np.asarray(scipy.ndimage.median_filter(codes, size=window, mode="nearest"))


def _longest_gap(interval_s: float) -> float:
    """Time without a reading after which a pass has ended [s]."""
    return max(LONGEST_GAP_S, GAP_INTERVALS * interval_s)


def travel_along(
    time_s: np.ndarray,
    along_m: np.ndarray,
    easting: np.ndarray,
    northing: np.ndarray,
    run: np.ndarray,
    *,
    interval_s: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Direction along the row and whether travel is along it, over a few seconds within a run of one row.

    Parameters
    ----------
    time_s, along_m, easting, northing : numpy.ndarray, (n,)
        Sorted by machine and time [s, m, m, m].
    run : numpy.ndarray of int, (n,)
        Number of the run of one machine in one row.
    interval_s : float
        Usual time between readings [s].

    Returns
    -------
    direction : numpy.ndarray of int, (n,)
        +1, -1, or 0 while standing.
    aligned : numpy.ndarray of bool, (n,)
        True within about 41 deg of the row, and while standing.
    """
    reach = max(1, round(HEADING_REACH_S / interval_s))
    arrays = (time_s, along_m, easting, northing)
    before = [_or_self(shifted(one, -reach, run), one) for one in arrays]
    after = [_or_self(shifted(one, reach, run), one) for one in arrays]
    span = np.maximum(after[0] - before[0], 1e-6)
    gone = after[1] - before[1]
    path = np.hypot(after[2] - before[2], after[3] - before[3])
    moving = path / span > 0.2
    direction = np.where(moving, np.sign(np.nan_to_num(gone)), 0).astype(int)
    aligned = ~moving | (np.abs(gone) >= ALIGNED_COSINE * path)
    return direction, aligned


def number_passes(
    machine: np.ndarray,
    time_s: np.ndarray,
    row_no: np.ndarray,
    direction: np.ndarray,
    aligned: np.ndarray,
    *,
    interval_s: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Find and number the passes: runs of one machine in one row and one direction without a long gap.

    Parameters
    ----------
    machine, time_s, row_no, direction, aligned : numpy.ndarray, (n,)
        Sorted by machine and time.
    interval_s : float
        Usual time between readings [s].

    Returns
    -------
    pass_no : numpy.ndarray of int, (n,)
        Numbered by time of their start over all machines, -1 outside any pass.
    direction : numpy.ndarray of int, (n,)
        Direction of the pass, +1 or -1.
    """
    inside = (row_no >= 0) & aligned
    way = _smooth(_fill_standing(direction, machine), interval_s)
    cut = np.ones(time_s.size, dtype=bool)
    cut[1:] = (
        (np.diff(machine) != 0)
        | (np.diff(row_no) != 0)
        | (np.diff(inside.astype(int)) != 0)
        | (np.diff(way) != 0)
        | (np.diff(time_s) > _longest_gap(interval_s))
    )
    run = np.cumsum(cut) - 1
    size = np.bincount(run)
    least = 2 if interval_s >= COARSE_INTERVAL_S else 4
    starts = np.flatnonzero(cut)
    use = inside[starts] & (size >= least)
    rank = np.full(size.size, -1)
    by_time = np.argsort(time_s[starts[use]], kind="stable")
    rank[np.flatnonzero(use)[by_time]] = np.arange(by_time.size)
    return rank[run], np.where(way == 0, 1, way)


def _fill_standing(direction: np.ndarray, machine: np.ndarray) -> np.ndarray:
    """Fill standing fixes with the last direction of the same machine."""
    series = pd.Series(np.where(direction == 0, np.nan, direction))
    filled = series.groupby(machine).ffill().groupby(machine).bfill()
    return filled.fillna(1).to_numpy().astype(int)


def join_passes(
    row_no: np.ndarray, machine: np.ndarray, time_s: np.ndarray, *, interval_s: float
) -> np.ndarray:
    """Put a stretch that drifts into the next row and back in the row it came from.

    Parameters
    ----------
    row_no, machine, time_s : numpy.ndarray, (n,)
        Sorted by machine and time.
    interval_s : float
        Usual time between readings [s].

    Returns
    -------
    numpy.ndarray of int, (n,)

    Examples
    --------
    >>> join_passes(np.array([4, 4, 5, 5, 4, -1, 5]), np.zeros(7), np.arange(7.0), interval_s=1.0).tolist()
    [4, 4, 4, 4, 4, -1, 5]
    """
    cut = np.ones(row_no.size, dtype=bool)
    longest = _longest_gap(interval_s)
    cut[1:] = (np.diff(row_no) != 0) | (np.diff(machine) != 0) | (np.diff(time_s) > longest)
    start = np.flatnonzero(cut)
    row, who = row_no[start].copy(), machine[start]
    if start.size < 3:
        return row_no.copy()
    near = time_s[start[1:]] - time_s[start[1:] - 1] <= longest
    back = (row[:-2] == row[2:]) & (np.abs(row[1:-1] - row[:-2]) == 1) & (row[:-2] >= 0) & (row[1:-1] >= 0)
    back &= (who[:-2] == who[2:]) & (who[1:-1] == who[2:]) & near[:-1] & near[1:]
    row[1:-1][back] = row[:-2][back]
    return np.asarray(row[np.cumsum(cut) - 1])
