"""Fixes that jump off the track: single ones, short runs, and runs shifted aside and back."""

from __future__ import annotations

import numpy as np
import scipy

from vinemap.harvest.robust import MAD_TO_SD
from vinemap.harvest.track import GAP_INTERVALS, shifted

IMPOSSIBLE_SPEED_M_S = 8.0  # no harvester drives at 29 km/h in a block; common practice, no source
SHORT_CHUNK_FIXES = 5  # a chunk between two impossible steps is a run of bad fixes if no longer than this
SHIFT_M = 2.5  # a step wrong by less is jitter; recovered truth
SHIFT_STEPS = 0.4  # of the usual step: slow logs see less of the speed between; recovered truth
SHIFT_SCALES = 5.0  # of the robust spread of steps: noisy receivers wander more; recovered truth
SHIFT_LONGEST = 12  # fixes; longer runs are drift, not a jump; recovered truth


def find_bad_fixes(
    time_s: np.ndarray, easting: np.ndarray, northing: np.ndarray, machine: np.ndarray, *, limit_m: float
) -> np.ndarray:
    """Find fixes that jump off the track.

    A fix is bad where it lies farther than `limit_m` from where its neighbours say, be it between the
    neighbours on both sides (median of three pairs), straight on from those before or straight back from
    those after, or where a short run of fixes lies between two steps no machine can make.

    Parameters
    ----------
    time_s, easting, northing : numpy.ndarray, (n,)
        Sorted by machine and time [s, m, m].
    machine : numpy.ndarray of int, (n,)
    limit_m : float
        Distance from the expected place beyond which a fix is bad [m].

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> x = np.arange(20.0)
    >>> x[7] += 9.0
    >>> np.flatnonzero(find_bad_fixes(np.arange(20.0), x, 0 * x, 0 * x, limit_m=3.0)).tolist()
    [7]
    """
    place = {by: _place_at(time_s, easting, northing, machine, by) for by in (-3, -2, -1, 1, 2, 3)}
    between = [_predict(time_s, place[-by], place[by]) for by in (1, 2, 3)]
    guess_e = _nanmedian([one[0] for one in between])
    guess_n = _nanmedian([one[1] for one in between])
    off = np.hypot(easting - guess_e, northing - guess_n)
    for near, far in ((-1, -2), (1, 2)):
        e, n = _predict(time_s, place[far], place[near])
        off = np.fmin(off, np.hypot(easting - e, northing - n))
    bad = np.nan_to_num(off) > limit_m
    return np.asarray(bad | _short_chunks(time_s, easting, northing, machine))


def _place_at(
    time_s: np.ndarray, easting: np.ndarray, northing: np.ndarray, machine: np.ndarray, by: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time and position some fixes later, of the same machine; NaN where there is none."""
    return shifted(time_s, by, machine), shifted(easting, by, machine), shifted(northing, by, machine)


def _predict(
    time_s: np.ndarray,
    one: tuple[np.ndarray, np.ndarray, np.ndarray],
    other: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> tuple[np.ndarray, np.ndarray]:
    """Place at `time_s` on the straight through two timed places."""
    span = other[0] - one[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(span != 0, (time_s - one[0]) / span, np.nan)
    return one[1] + share * (other[1] - one[1]), one[2] + share * (other[2] - one[2])


def _nanmedian(arrays: list[np.ndarray]) -> np.ndarray:
    """Median of three arrays by element, missing ones left out; NaN where all are."""
    stack = np.sort(np.stack(arrays), axis=0)  # NaN sorts last
    count = np.sum(np.isfinite(stack), axis=0)
    low = np.take_along_axis(stack, np.maximum((count - 1) // 2, 0)[None], axis=0)[0]
    high = np.take_along_axis(stack, (count // 2)[None], axis=0)[0]
    return np.asarray(0.5 * (low + high))


def _short_chunks(
    time_s: np.ndarray, easting: np.ndarray, northing: np.ndarray, machine: np.ndarray
) -> np.ndarray:
    """Mark fixes of short runs between two steps that are faster than any machine."""
    span = np.maximum(np.diff(time_s), 1e-3)
    fast = np.hypot(np.diff(easting), np.diff(northing)) / span > IMPOSSIBLE_SPEED_M_S
    fast &= np.diff(machine) == 0
    chunk = np.concatenate([[0], np.cumsum(fast)])
    size = np.bincount(chunk)
    inner = np.zeros(size.size, dtype=bool)
    inner[1:-1] = size[1:-1] <= SHORT_CHUNK_FIXES
    return np.asarray(inner[chunk] & (size[chunk] < time_s.size))


def find_shifted_runs(
    time_s: np.ndarray,
    easting: np.ndarray,
    northing: np.ndarray,
    machine: np.ndarray,
    speed_m_s: np.ndarray,
    direction: tuple[float, float],
    *,
    interval_s: float,
) -> np.ndarray:
    """Find runs of fixes that step aside and step back by the same vector a few fixes later.

    Each step is compared with what speed and the direction of the rows say. Between two steps that are wrong
    by opposite vectors the fixes are off by that vector.

    Parameters
    ----------
    time_s, easting, northing, machine, speed_m_s : numpy.ndarray, (n,)
        Sorted by machine and time [s, m, m, code, m/s].
    direction : tuple of float
        Unit vector along the rows.
    interval_s : float
        Usual time between readings [s].

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> t = np.arange(30.0)
    >>> y = 1.4 * t
    >>> y[10:14] += 6.0
    >>> find_shifted_runs(t, 0 * t, y, 0 * t, 0 * t + 1.4, (0.0, 1.0), interval_s=1.0).nonzero()[0].tolist()
    [10, 11, 12, 13]
    """
    out = np.zeros(time_s.size, dtype=bool)
    if time_s.size < 4:
        return out
    step = np.column_stack([np.diff(easting), np.diff(northing)])
    along = step @ np.asarray(direction)
    way = scipy.ndimage.median_filter(np.sign(along), size=5, mode="nearest")
    span = np.diff(time_s)
    speed = np.nan_to_num(0.5 * (speed_m_s[1:] + speed_m_s[:-1]))
    wrong = step - (way * speed * span)[:, None] * np.asarray(direction)
    ours = (np.diff(machine) == 0) & (span < GAP_INTERVALS * interval_s)
    if not ours.any():
        return out
    scale = MAD_TO_SD * float(np.median(np.abs(wrong[ours])))
    usual = float(np.median(speed[ours])) * interval_s
    limit = max(SHIFT_M, SHIFT_STEPS * usual, SHIFT_SCALES * scale)
    big = np.flatnonzero((np.hypot(*wrong.T) > limit) & ours)
    if big.size < 2:
        return out
    first, last = big[:-1], big[1:]
    back = np.hypot(*(wrong[first] + wrong[last]).T) < 0.5 * np.hypot(*wrong[first].T)
    back &= (last - first <= SHIFT_LONGEST) & (machine[first] == machine[last])
    change = np.zeros(time_s.size + 1)
    np.add.at(change, first[back] + 1, 1)
    np.add.at(change, last[back] + 1, -1)
    return np.asarray(np.cumsum(change)[:-1] > 0)
