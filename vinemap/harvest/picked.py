"""Where and when the grapes of each reading were picked: the track a flow delay earlier."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vinemap.harvest.track import Track

KG_S_M2_TO_T_HA = 10.0  # 1 kg/m2 = 10 t/ha, exact
MACHINE_KEY_S = 1.0e8  # keeps the times of machines apart in one sorted array
ON_FIX = 1e-6  # share of an interval within which a time is that of the fix itself


@dataclass(frozen=True, slots=True)
class Picked:
    """State of the machine when the grapes of each reading were picked; arrays as long as the track.

    Parameters
    ----------
    pass_no, row_no, direction : numpy.ndarray of int
        As in `Track`; -1, -1 and 0 where the grapes were not picked in a pass.
    along_m, easting, northing, speed_m_s : numpy.ndarray
        Interpolated between the fixes before and after; NaN outside the track.
    pace_m_s : numpy.ndarray
        Speed of picking, 0 off the passes, interpolated.
    nearest : numpy.ndarray of int
        Fix nearest in time.
    """

    pass_no: np.ndarray
    row_no: np.ndarray
    direction: np.ndarray
    along_m: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    speed_m_s: np.ndarray
    pace_m_s: np.ndarray
    nearest: np.ndarray


def trace_back(track: Track, delay_s: np.ndarray | float) -> Picked:
    """Interpolate the track at the time of each reading less the flow delay.

    Parameters
    ----------
    track : Track
    delay_s : float or numpy.ndarray, (n,)
        Flow delay [s].

    Returns
    -------
    Picked
    """
    fix = np.flatnonzero(track.good)
    if fix.size == 0:
        none = np.full(track.time_s.size, np.nan)
        minus = np.full(track.time_s.size, -1)
        return Picked(minus, minus, 0 * minus, none, none, none, none, none, 0 * minus)
    left, right, share, known = _between(track, fix, track.time_s - delay_s)
    same = known & (track.pass_no[left] == track.pass_no[right])
    nearest = np.where(share < 0.5, left, right)
    pass_no = np.where(same, track.pass_no[left], -1)
    on_fix = known & ((share < ON_FIX) | (share > 1 - ON_FIX))
    pass_no = np.where(on_fix, track.pass_no[nearest], pass_no)
    inside = pass_no >= 0

    def blend(values: np.ndarray) -> np.ndarray:
        return np.where(known, (1 - share) * values[left] + share * values[right], np.nan)

    return Picked(
        pass_no=pass_no,
        row_no=np.where(inside, track.row_no[nearest], -1),
        direction=np.where(inside, track.direction[nearest], 0),
        along_m=np.where(on_fix, track.along_m[nearest], blend(track.along_m)),
        easting=blend(track.easting),
        northing=blend(track.northing),
        speed_m_s=blend(track.speed_m_s),
        pace_m_s=np.nan_to_num(blend(np.where(track.pass_no >= 0, track.speed_m_s, 0.0))),
        nearest=nearest,
    )


def _between(
    track: Track, fix: np.ndarray, time_s: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Good fixes before and after each time, the share of the way, and whether both are of that machine."""
    key = track.time_s[fix] + MACHINE_KEY_S * track.machine[fix]
    wanted = time_s + MACHINE_KEY_S * track.machine
    place = np.searchsorted(key, wanted, side="right") - 1
    left = fix[np.clip(place, 0, fix.size - 1)]
    right = fix[np.clip(place + 1, 0, fix.size - 1)]
    ours = (track.machine[left] == track.machine) & (place >= 0)
    right = np.where(track.machine[right] == track.machine, right, left)
    span = track.time_s[right] - track.time_s[left]
    share = np.where(span > 0, (time_s - track.time_s[left]) / np.where(span > 0, span, 1.0), 0.0)
    beyond = (span <= 0) & (np.abs(time_s - track.time_s[left]) > ON_FIX)
    return left, right, share, ours & ~beyond


def yield_of(flow_kg_s: np.ndarray, speed_m_s: np.ndarray, width_m: float) -> np.ndarray:
    """Give the yield from flow, speed and width.

    Parameters
    ----------
    flow_kg_s : numpy.ndarray, (n,)
        [kg/s]
    speed_m_s : numpy.ndarray, (n,)
        When picked [m/s].
    width_m : float
        Width picked [m].

    Returns
    -------
    numpy.ndarray, (n,)
        [t/ha]; NaN where the machine stood.

    Examples
    --------
    >>> yield_of(np.array([6.3, 1.0]), np.array([1.4, 0.0]), 3.0).round(3).tolist()
    [15.0, nan]
    """
    moving = speed_m_s > 0
    ground = np.where(moving, speed_m_s, np.nan) * width_m
    return np.asarray(KG_S_M2_TO_T_HA * flow_kg_s / ground)
