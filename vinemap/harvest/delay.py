"""Flow delay: the shift in time at which neighbouring opposite rows, and row ends, agree best.

A reading at time t holds grapes picked at t - d. With a wrong d the pattern along the row is pushed forward
in one direction of travel and backward in the other, so that neighbouring opposite passes disagree by twice
the error. Their mean squared difference is var(a) + var(b) - 2 cov(a, b). The variances hold the sensor's
noise, which interpolation damps by an amount that swings with d between two log times; the covariance does
not. It is therefore the covariance that is driven up, which is the same difference driven down with the
noise held fixed. Yields are taken as logs and drawn in to +-2.5 robust deviations first.

Row ends tell as well: flow should follow speed while a row is picked, and be none off the rows. The delay at
which flow and picking speed are correlated best is a second estimate. The two are combined by their errors.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from vinemap.harvest.picked import Picked, trace_back, yield_of
from vinemap.harvest.robust import MAD_TO_SD
from vinemap.harvest.track import Track

DEFAULT_DELAY_S = 8.0  # usual order for grapes over a picking head and conveyors; common practice, no source
SEARCH_S = (-6.0, 30.0)  # a few seconds below zero so that zero is not a border of the search
SEARCH_STEP_S = 1.0
PEAK_HALF_WIDTH_S = 4.0  # span of the parabola through the peak; recovered truth
LEAST_PAIRS = 6  # opposite neighbour rows; with fewer the jackknife error is itself a guess
WORST_SE_S = 2.5  # beyond this the agreement says nothing a default would not; recovered truth
DAY_SE_S = 1.0  # a day gets its own delay only if it is known at least this well
AGREEMENT_FLOOR_S = 0.4  # error no jackknife sees (skew of the conveyor's smear); recovered truth
# The same of row ends: bare headland vines, rows longer or shorter than laid; recovered truth.
ENDS_FLOOR_S = 0.6
DISAGREE = 3.0  # joint errors apart from which the two are not combined; the surer is kept
HIGHEST_FLOW = 2.5  # of the median flow: spikes are drawn in to it for the row ends
ROW_REACH = 3  # rows apart that still count as neighbours (machines that alternate rows)
JACKKNIFE_GROUPS = 10
WINSOR = 2.5  # robust deviations to which log yields are drawn in
NOWHERE = (float("nan"), float("nan"))


@dataclass(frozen=True, slots=True)
class DelayEstimate:
    """Flow delay of one machine (and day).

    Parameters
    ----------
    machine : str
    day : str
        ISO date where the day has its own estimate, else "" for all days.
    delay_s : float
        Delay used [s].
    se_s : float
        Standard error by jackknife over groups of row pairs [s]; NaN where the delay was not estimated.
    pairs : int
        Pairs of opposite neighbour rows behind it.
    note : str
        Why a default was used, or that rows and row ends differ, in words; else "".
    """

    machine: str
    day: str
    delay_s: float
    se_s: float
    pairs: int
    note: str

    @property
    def identified(self) -> bool:
        """Whether the readings themselves gave the delay."""
        return bool(np.isfinite(self.se_s))


def estimate_delays(
    track: Track,
    flow_kg_s: np.ndarray,
    *,
    machines: list[str],
    days: Mapping[int, str],
    row_spacing_m: float,
    fallback_s: float | Mapping[str, float] | None = None,
) -> tuple[np.ndarray, list[DelayEstimate]]:
    """Estimate the delay of every machine, and of its days where they differ clearly.

    Parameters
    ----------
    track : Track
        n readings of one block and vintage.
    flow_kg_s : numpy.ndarray, (n,)
        Flow in the order of the track [kg/s].
    machines : list of str
        Names by code.
    days : mapping of int to str
        ISO date of each day number.
    row_spacing_m : float
        Width picked [m].
    fallback_s : float or mapping of machine to float, optional
        Used where the delay cannot be had from the readings [s]: one that is known, or what `pool_delays`
        gives of the other blocks; `DEFAULT_DELAY_S` if not given.

    Returns
    -------
    delay_s : numpy.ndarray, (n,)
    estimates : list of DelayEstimate
    """
    curves = _Curves(track, flow_kg_s, row_spacing_m)
    delay = np.zeros(track.time_s.size)
    estimates: list[DelayEstimate] = []
    for code, name in enumerate(machines):
        mine = track.machine == code
        if not mine.any():
            continue
        whole = _estimate(curves, mine, name, "", _fallback(fallback_s, name))
        estimates.append(whole)
        delay[mine] = whole.delay_s
        for day in np.unique(track.day[mine]) if np.unique(track.day[mine]).size > 1 else ():
            on_day = mine & (track.day == day)
            same = (whole.delay_s, f"{whole.delay_s:g} s is used as for all days")
            own = _estimate(curves, on_day, name, days[int(day)], same)
            if _differs(own, whole):
                estimates.append(own)
                delay[on_day] = own.delay_s
    return delay, estimates


def _differs(own: DelayEstimate, whole: DelayEstimate) -> bool:
    """Whether a day clearly has another delay: known well, with rows and row ends of one mind."""
    if not own.identified or own.se_s > DAY_SE_S or own.note:
        return False
    return abs(own.delay_s - whole.delay_s) > max(1.0, 3.0 * own.se_s)


def _fallback(fallback_s: float | Mapping[str, float] | None, machine: str) -> tuple[float, str]:
    """Delay of a machine that the readings do not give [s], and where it is from, in words."""
    if isinstance(fallback_s, Mapping) and machine in fallback_s:
        return float(fallback_s[machine]), f"{fallback_s[machine]:.1f} s is used, that of its other blocks"
    if fallback_s is None or isinstance(fallback_s, Mapping):
        return DEFAULT_DELAY_S, f"the default of {DEFAULT_DELAY_S:g} s is used"
    return float(fallback_s), f"{float(fallback_s):g} s is used as given"


def _estimate(
    curves: _Curves, mine: np.ndarray, machine: str, day: str, fallback: tuple[float, str]
) -> DelayEstimate:
    """Estimate the delay of one machine (and day) by rows and row ends, or fall back."""
    sums, weights = curves.of(mine)
    pairs = sums.shape[0]
    rows = _peak_with_error(sums, weights, curves.candidates) if pairs >= LEAST_PAIRS else NOWHERE
    best, error, note = _combine(
        _usable(rows, AGREEMENT_FLOOR_S), _usable(curves.at_row_ends(mine), ENDS_FLOOR_S)
    )
    if np.isfinite(error):
        return DelayEstimate(machine, day, max(best, 0.0), error, pairs, note)
    why = "neighbouring rows and row ends do not agree better at any delay than at others"
    if pairs < LEAST_PAIRS:
        why = (
            f"{pairs or 'no'} pairs of neighbouring rows driven in opposite directions ({LEAST_PAIRS} "
            "needed), and row ends do not tell"
        )
    return DelayEstimate(machine, day, fallback[0], float("nan"), pairs, f"{why}: {fallback[1]}")


def _usable(estimate: tuple[float, float], floor_s: float) -> tuple[float, float]:
    """Widen the error by what the jackknife cannot see; drop an estimate at the border or too wide."""
    best, error = estimate
    inside = SEARCH_S[0] + SEARCH_STEP_S < best < SEARCH_S[1] - SEARCH_STEP_S
    error = float(np.hypot(error, floor_s))
    return (best, error) if inside and error <= WORST_SE_S else NOWHERE


def _combine(rows: tuple[float, float], ends: tuple[float, float]) -> tuple[float, float, str]:
    """Join the estimates by their errors; where they contradict each other keep the surer one.

    On invented estates it was the row ends that were right then: rows can agree by chance at a wrong delay.
    """
    if not (np.isfinite(rows[1]) and np.isfinite(ends[1])):
        best, error = rows if np.isfinite(rows[1]) else ends
        return best, error, ""
    apart = abs(rows[0] - ends[0])
    if apart > DISAGREE * np.hypot(rows[1], ends[1]):
        if rows[1] < ends[1]:
            return *rows, f"row ends say {ends[0]:.1f} s, neighbouring rows are followed"
        return *ends, f"neighbouring rows say {rows[0]:.1f} s, row ends are followed"
    weight = np.array([rows[1] ** -2, ends[1] ** -2])
    best = float(weight @ np.array([rows[0], ends[0]]) / weight.sum())
    return best, float(weight.sum() ** -0.5), ""


def _peak_with_error(sums: np.ndarray, weights: np.ndarray, candidates: np.ndarray) -> tuple[float, float]:
    """Peak of the summed covariance and its jackknife standard error over groups of row pairs."""
    groups = np.array_split(np.arange(sums.shape[0]), min(JACKKNIFE_GROUPS, sums.shape[0]))
    total, total_weight = sums.sum(axis=0), weights.sum(axis=0)
    best = _peak(total / np.maximum(total_weight, 1e-9), candidates)
    left_out = [
        _peak(
            (total - sums[one].sum(axis=0)) / np.maximum(total_weight - weights[one].sum(axis=0), 1e-9),
            candidates,
        )
        for one in groups
    ]
    return best, _jackknife(left_out)


def _jackknife(left_out: list[float]) -> float:
    """Give the standard error from estimates with one group left out at a time."""
    values, count = np.array(left_out), len(left_out)
    return float(np.sqrt(np.sum((values - values.mean()) ** 2) * (count - 1) / count))


def _peak(curve: np.ndarray, candidates: np.ndarray) -> float:
    """Vertex of the parabola through the points around the highest one."""
    top = int(np.nanargmax(curve))
    near = np.abs(candidates - candidates[top]) <= PEAK_HALF_WIDTH_S
    if near.sum() < 4:
        return float(candidates[top])
    a, b, _ = np.polyfit(candidates[near] - candidates[top], curve[near], 2)
    vertex = -b / (2 * a) if a < 0 else 0.0
    return float(candidates[top] + np.clip(vertex, -PEAK_HALF_WIDTH_S, PEAK_HALF_WIDTH_S))


@dataclass(frozen=True, slots=True)
class _Trace:
    """What the curves need of a track traced back, in half the bytes: there is one for each candidate."""

    row_no: np.ndarray
    along_m: np.ndarray
    pace_m_s: np.ndarray

    @classmethod
    def of(cls, picked: Picked) -> _Trace:
        return cls(
            picked.row_no.astype(np.int32),
            picked.along_m.astype(np.float32),
            picked.pace_m_s.astype(np.float32),
        )


class _Curves:
    """Covariance of opposite neighbour rows as a function of the delay, one line for each pair of rows."""

    def __init__(self, track: Track, flow_kg_s: np.ndarray, width_m: float) -> None:
        self.candidates = np.arange(SEARCH_S[0], SEARCH_S[1] + SEARCH_STEP_S / 2, SEARCH_STEP_S)
        self.track, self.flow = track, flow_kg_s
        self.cell_m = max(track.step_m, 2.0)
        self.rows = int(max(track.row_no.max(initial=0), 0)) + 1
        longest = np.nanmax(track.along_m, initial=0.0)
        self.cells = int(max(longest, 0.0) / self.cell_m) + 3
        self.traced, self.log_yield = [], []
        for one in self.candidates:
            picked = trace_back(track, one)
            self.log_yield.append(self._logs(flow_kg_s, picked, width_m).astype(np.float32))
            self.traced.append(_Trace.of(picked))

    @staticmethod
    def _logs(flow_kg_s: np.ndarray, picked: Picked, width_m: float) -> np.ndarray:
        """Log yields at one delay, drawn in and about their median; NaN off the passes."""
        with np.errstate(invalid="ignore", divide="ignore"):
            log = np.asarray(np.log(yield_of(flow_kg_s, picked.speed_m_s, width_m)))
        log[~np.isfinite(log) | (picked.pass_no < 0)] = np.nan
        if not np.isfinite(log).any():
            return log
        middle = np.nanmedian(log)
        reach = WINSOR * MAD_TO_SD * np.nanmedian(np.abs(log - middle))
        return np.asarray(np.clip(log, middle - reach, middle + reach) - middle)

    def of(self, mine: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give sums of products and of weights, (pairs, candidates), for the readings of `mine`."""
        pairs = self._opposite_pairs(mine)
        sums = np.zeros((len(pairs), self.candidates.size))
        weights = np.zeros_like(sums)
        if not len(pairs):
            return sums, weights
        for column in range(self.candidates.size):
            value, weight = self._grid(mine, column)
            both = np.minimum(weight[pairs[:, 0]], weight[pairs[:, 1]])
            sums[:, column] = np.sum(value[pairs[:, 0]] * value[pairs[:, 1]] * both, axis=1)
            weights[:, column] = both.sum(axis=1)
        return sums, weights

    def at_row_ends(self, mine: np.ndarray) -> tuple[float, float]:
        """Delay at which flow follows picking speed best, with its jackknife error over stretches of time."""
        flow = self.flow[mine]
        usual = np.nanmedian(flow[flow > 0]) if np.any(flow > 0) else float("nan")
        known = np.isfinite(flow) & np.isfinite(usual)
        if known.sum() < 10 * JACKKNIFE_GROUPS:
            return NOWHERE
        seen = np.minimum(flow[known] / usual, HIGHEST_FLOW)
        group = np.minimum(np.arange(seen.size) * JACKKNIFE_GROUPS // seen.size, JACKKNIFE_GROUPS - 1)
        moments = np.empty((self.candidates.size, 6, JACKKNIFE_GROUPS))
        for column, picked in enumerate(self.traced):
            pace = picked.pace_m_s[mine][known].astype(float)
            parts = (np.ones(seen.size), seen, pace, seen * seen, pace * pace, seen * pace)
            moments[column] = [np.bincount(group, one, JACKKNIFE_GROUPS) for one in parts]
        total = moments.sum(axis=2)
        best = _peak(_correlation(total), self.candidates)
        left_out = [
            _peak(_correlation(total - moments[:, :, one]), self.candidates)
            for one in range(JACKKNIFE_GROUPS)
        ]
        return best, _jackknife(left_out)

    def _opposite_pairs(self, mine: np.ndarray) -> np.ndarray:
        """Pairs of rows up to `ROW_REACH` apart, each picked mostly one way, the two ways opposite."""
        use = mine & (self.track.pass_no >= 0)
        way = np.bincount(self.track.row_no[use], weights=self.track.direction[use], minlength=self.rows)
        count = np.bincount(self.track.row_no[use], minlength=self.rows)
        clear = (count >= 3) & (np.abs(way) > 0.8 * count)
        sign = np.where(clear, np.sign(way), 0).astype(int)
        found = [
            np.column_stack([one, one + apart])
            for apart in range(1, ROW_REACH + 1)
            for one in [np.flatnonzero(sign[:-apart] * sign[apart:] == -1)]
            if apart < self.rows
        ]
        if not found:
            return np.empty((0, 2), dtype=int)
        pairs = np.concatenate(found)
        return pairs[np.argsort(pairs[:, 0], kind="stable")]

    def _grid(self, mine: np.ndarray, column: int) -> tuple[np.ndarray, np.ndarray]:
        """Mean log yield less the row's mean, and weight, by row and cell along it (shared to two cells)."""
        picked, log = self.traced[column], self.log_yield[column]
        use = mine & np.isfinite(log)
        place = np.clip(picked.along_m[use] / self.cell_m, 0.0, self.cells - 2.001)
        cell = place.astype(int)
        share = place - cell
        index = picked.row_no[use] * self.cells + cell
        size = self.rows * self.cells
        weight = _splat(index, 1 - share, share, size)
        value = _splat(index, (1 - share) * log[use], share * log[use], size)
        weight, value = weight.reshape(self.rows, -1), value.reshape(self.rows, -1)
        mean = value.sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
        held = weight > 0.2
        apart = value / np.maximum(weight, 1e-9) - mean[:, None]
        return np.where(held, apart, 0.0), np.where(held, weight, 0.0)


def _correlation(moments: np.ndarray) -> np.ndarray:
    """Correlation from columns (count, x, y, xx, yy, xy)."""
    count, x, y, xx, yy, xy = moments.T
    spread = np.sqrt(np.maximum(count * xx - x * x, 1e-12) * np.maximum(count * yy - y * y, 1e-12))
    return np.asarray((count * xy - x * y) / spread)


def _splat(index: np.ndarray, here: np.ndarray, beyond: np.ndarray, size: int) -> np.ndarray:
    """Sum what falls to each cell and what to the one after it."""
    return np.bincount(index, here, size) + np.bincount(index + 1, beyond, size)


def pool_delays(estimates: Iterable[DelayEstimate]) -> dict[str, float]:
    """Give the mean delay of each machine over blocks that told it, for those that did not [s].

    Parameters
    ----------
    estimates : iterable of DelayEstimate
        Of several blocks of a vintage (`CleaningReport.delays`); those not identified are passed over.

    Returns
    -------
    dict of str to float
        To be passed to `clean_readings` as ``delay_s``.

    Examples
    --------
    >>> told = [DelayEstimate("H1", "", 8.0, 0.5, 40, ""), DelayEstimate("H1", "", 9.0, 0.5, 40, "")]
    >>> pool_delays([*told, DelayEstimate("H1", "", 20.0, float("nan"), 2, "default")])
    {'H1': 8.5}
    """
    weights: dict[str, float] = {}
    sums: dict[str, float] = {}
    for one in estimates:
        if one.identified and not one.day:
            weight = max(one.se_s, AGREEMENT_FLOOR_S) ** -2
            weights[one.machine] = weights.get(one.machine, 0.0) + weight
            sums[one.machine] = sums.get(one.machine, 0.0) + weight * one.delay_s
    return {name: sums[name] / weights[name] for name in sums}
