"""Cleaning filters: each a small pure function that says which readings to leave out for one reason.

No threshold for grapes is published (the cleaning literature is on grain), so each constant below is marked:
"recovered truth" means it was set where invented readings with known faults are best told apart
(tests/harvest), "common practice" means trade sense without a source.

References
----------
Vega, Cordoba, Castro-Franco & Balzarini 2019, Precision Agriculture 20(5):1030-1044 (order of the steps).
Lyle, Bryan & Ostendorf 2014, Precision Agriculture 15:377-402 (classes of error).
Simbahan, Dobermann & Ping 2004, Agronomy Journal 96:1091-1102 (types of error).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

IDLE_SPEED_M_S = 0.25  # slower than this no row is picked; common practice, no source
IDLE_SHARE = 0.35  # of the usual speed: below it delay and conveyor smear no longer match; recovered truth
STUCK_CHANCE = 1e-5  # a run of equal flows this unlikely is a stuck sensor; rounding makes a few equal
STUCK_RUN = (5, 25)  # never fewer nor ever more equal readings needed; recovered truth
ZERO_SHARE = 0.02  # of the median yield: no flow; recovered truth
BARE_SHARE = 0.25  # rows beside below this share of the median: bare ground is real; recovered truth
RAMP_SHARE = 0.85  # of what follows: the conveyor counts as full from here; recovered truth
RAMP_START_SHARE = 0.65  # of what follows: no ramp above it (weak row ends are not); recovered truth
RAMP_LONGEST_S = 15.0  # no conveyor fills longer; common practice, no source
RAMP_PASSES = 8  # passes needed to draw the ramp; recovered truth
SPEED_JUMP_SHARE = 0.30  # of the running median speed; recovered truth
SPEED_WINDOW_S = 9.0  # span of the running median; recovered truth
WIDTH_SHARE = 0.10  # width may differ from one row by a tenth: settings are typed in round figures; no source


def find_position_faults(bad_fix: np.ndarray, row_no: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Mark readings whose fix jumps, or lies on no row though inside the outline.

    Parameters
    ----------
    bad_fix : numpy.ndarray of bool, (n,)
    row_no : numpy.ndarray of int, (n,)
        -1 off the rows.
    inside : numpy.ndarray of bool, (n,)
        Inside the outline.

    Returns
    -------
    numpy.ndarray of bool, (n,)
    """
    return np.asarray(bad_fix | ((row_no < 0) & inside))


def find_headland(pass_no: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Mark readings picked in no pass (turning, crossing, before the row) or outside the outline.

    Parameters
    ----------
    pass_no : numpy.ndarray of int, (n,)
        -1 outside any pass.
    inside : numpy.ndarray of bool, (n,)
        Inside the outline.

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> find_headland(np.array([0, -1, 1]), np.array([True, True, False])).tolist()
    [False, True, True]
    """
    return np.asarray((pass_no < 0) | ~inside)


def find_idle(speed_m_s: np.ndarray, usual_m_s: float) -> np.ndarray:
    """Mark readings picked while standing or creeping.

    Parameters
    ----------
    speed_m_s : numpy.ndarray, (n,)
        Speed when picked [m/s]; missing counts as standing.
    usual_m_s : float
        Median speed within passes [m/s].

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> find_idle(np.array([0.0, 0.4, 1.2]), 1.4).tolist()
    [True, True, False]
    """
    return ~(speed_m_s >= max(IDLE_SPEED_M_S, IDLE_SHARE * usual_m_s))


def find_stuck(flow_kg_s: np.ndarray, machine: np.ndarray) -> np.ndarray:
    """Mark runs of exactly equal flow, longer than chance and rounding would bring.

    Parameters
    ----------
    flow_kg_s : numpy.ndarray, (n,)
        Flow [kg/s], in order of time within each machine.
    machine : numpy.ndarray of int, (n,)

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> flow = np.array([2.1, 2.4, 2.2, 2.2, 2.2, 2.2, 2.2, 2.2, 2.0, 2.3])
    >>> int(find_stuck(flow, np.zeros(10)).sum())
    6
    """
    same = np.zeros(flow_kg_s.size, dtype=bool)
    same[1:] = (np.diff(flow_kg_s) == 0) & (np.diff(machine) == 0) & (flow_kg_s[1:] > 0)
    run = np.cumsum(~same)
    size = np.bincount(run)
    ordinary = size[size > 0]
    ordinary = ordinary[ordinary <= STUCK_RUN[0]]  # the chance of equal neighbours, long runs left out
    pairs = max(int(ordinary.sum()) - 1, 1)
    chance = np.clip((ordinary - 1).sum() / pairs, 1e-3, 0.99)
    needed = int(np.clip(1 + np.ceil(np.log(STUCK_CHANCE) / np.log(chance)), *STUCK_RUN))
    return np.asarray(size[run] >= needed)


def find_zero_flow(yield_t_ha: np.ndarray, beside_t_ha: np.ndarray, usual_t_ha: float) -> np.ndarray:
    """Mark readings without flow, unless the rows beside them are as good as bare too.

    Parameters
    ----------
    yield_t_ha : numpy.ndarray, (n,)
        [t/ha]
    beside_t_ha : numpy.ndarray, (n,)
        Median yield of the rows beside [t/ha]; NaN where there is none.
    usual_t_ha : float
        Median yield of the block [t/ha].

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> find_zero_flow(np.array([0.0, 0.0, 9.0]), np.array([11.0, 1.0, 1.0]), 10.0).tolist()
    [True, False, False]
    """
    bare = beside_t_ha < BARE_SHARE * usual_t_ha
    return np.asarray((yield_t_ha <= ZERO_SHARE * usual_t_ha) & ~bare)


def find_ramps(
    yield_t_ha: np.ndarray, pass_no: np.ndarray, machine: np.ndarray, *, interval_s: float
) -> np.ndarray:
    """Mark readings of a filling conveyor at pass starts and of an emptying one at pass ends.

    The median of yield over the pass median is drawn against the number of the reading from the start (end)
    of the pass, for each machine, twice as far as a conveyor may take to fill; what lies in the farther half
    is full. If the first reading is below `RAMP_START_SHARE` of that, readings up to where `RAMP_SHARE` is
    first reached are the ramp. Weak row ends rise slowly and are kept; without a ramp nothing is lost.

    Parameters
    ----------
    yield_t_ha : numpy.ndarray, (n,)
        NaN where left out already [t/ha]; in order of time within each machine.
    pass_no, machine : numpy.ndarray of int, (n,)
        Readings outside any pass (-1) are never marked.
    interval_s : float
        Usual time between readings [s].

    Returns
    -------
    numpy.ndarray of bool, (n,)
    """
    table = pd.DataFrame({"y": yield_t_ha, "pass_no": pass_no, "machine": machine})
    used = table[(table["pass_no"] >= 0) & table["y"].notna()]
    grouped = used.groupby("pass_no")
    ratio = used["y"] / grouped["y"].transform("median")
    longest = int(np.ceil(RAMP_LONGEST_S / interval_s))
    long_pass = grouped["y"].transform("size") > 4 * longest
    out = np.zeros(yield_t_ha.size, dtype=bool)
    for from_end in (False, True):
        step = grouped.cumcount(ascending=not from_end)
        near = (step < 2 * longest) & long_pass
        for code in used["machine"].unique():
            mine = used["machine"] == code
            profile = ratio[near & mine].groupby(step[near & mine]).agg(["median", "size"])
            profile = profile[profile["size"] >= RAMP_PASSES]
            cut = _ramp_length(profile["median"].to_numpy(), longest)
            out[used.index[(mine & (step < cut)).to_numpy()]] = True
    return out


def _ramp_length(profile: np.ndarray, longest: int) -> int:
    """Count readings until the profile reaches the full share of what follows; none if it is no ramp."""
    if profile.size < longest + 1:
        return 0
    share = profile / np.median(profile[longest:])
    if share[0] >= RAMP_START_SHARE:
        return 0
    full = np.flatnonzero(share[:longest] >= RAMP_SHARE)
    return int(full[0]) if full.size else 0


def find_speed_jumps(speed_m_s: np.ndarray, pass_no: np.ndarray, *, interval_s: float) -> np.ndarray:
    """Mark readings whose speed is far from the running median of their pass.

    Parameters
    ----------
    speed_m_s : numpy.ndarray, (n,)
        In order of time [m/s].
    pass_no : numpy.ndarray of int, (n,)
        Readings outside any pass (-1) are never marked.
    interval_s : float
        Usual time between readings [s].

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> speed = np.array([1.4, 1.4, 1.4, 2.4, 1.4, 1.4, 1.4])
    >>> np.flatnonzero(find_speed_jumps(speed, np.zeros(7), interval_s=1.0)).tolist()
    [3]
    """
    window = max(3, round(SPEED_WINDOW_S / interval_s) // 2 * 2 + 1)
    running = _running_median(speed_m_s, window)
    return np.asarray((pass_no >= 0) & (np.abs(speed_m_s - running) > SPEED_JUMP_SHARE * running))


def _running_median(values: np.ndarray, window: int) -> np.ndarray:
    """Median over a centred window; NaN are left out."""
    series = pd.Series(values)
    return series.rolling(window, center=True, min_periods=2).median().to_numpy()


def find_width_faults(width_m: np.ndarray, usual_m: float) -> np.ndarray:
    """Mark readings whose working width is not the usual one; a missing width is no fault.

    Parameters
    ----------
    width_m : numpy.ndarray, (n,)
        Working width as logged [m]; NaN where the log has none.
    usual_m : float
        [m]

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> find_width_faults(np.array([3.0, 1.5, np.nan]), 3.0).tolist()
    [False, True, False]
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(width_m - usual_m) > WIDTH_SHARE * usual_m)


def find_redriven(
    row_no: np.ndarray, along_m: np.ndarray, pass_no: np.ndarray, *, cell_m: float
) -> np.ndarray:
    """Mark readings on a row stretch that an earlier pass had picked.

    Parameters
    ----------
    row_no : numpy.ndarray of int, (n,)
    along_m : numpy.ndarray, (n,)
        Distance along the row [m].
    pass_no : numpy.ndarray of int, (n,)
        Numbered by time; -1 is never marked.
    cell_m : float
        Length of the stretches compared [m].

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> along = np.array([2.0, 9.0, 2.5])
    >>> find_redriven(np.array([1, 1, 1]), along, np.array([0, 0, 4]), cell_m=5.0).tolist()
    [False, False, True]
    """
    out = np.zeros(pass_no.size, dtype=bool)
    use = np.flatnonzero((pass_no >= 0) & np.isfinite(along_m))
    if use.size == 0:
        return out
    cell = np.floor((along_m[use] - along_m[use].min()) / cell_m).astype(np.int64)
    key = row_no[use].astype(np.int64) * (cell.max() + 2) + cell
    first = pd.Series(pass_no[use]).groupby(key).transform("min").to_numpy()
    out[use] = pass_no[use] > first
    return out
