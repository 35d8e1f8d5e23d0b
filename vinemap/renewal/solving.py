"""Solve the programme's mixed-integer problem: whole where it is small, by its core where it is large."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
from scipy import optimize, sparse

from vinemap.errors import DataError
from vinemap.renewal.finance import Floats
from vinemap.renewal.limits import Choices, Rows
from vinemap.renewal.standing import Flags

INFEASIBLE = 2  # status of scipy.optimize.milp and linprog
MANY_CHOICES = 2_000  # of more than these the relaxation is solved first
CORE_CHOICES = 2_000  # left open in the first try; of the others the relaxation is believed
RELAXING_SHARE = 0.7  # of the time, at most, for the relaxation
CORE_GAP = 0.9  # of the gap asked for: the bound of the core lies a little below that of the whole
LEAST_S = 1.0  # time a try is given at least
ROUNDED = 1e-7  # of its value
SURE = 1e-6  # what is nearer to 0 or 1 is whole


@dataclass(frozen=True, slots=True)
class Solution:
    """A programme as the solver gives it.

    Parameters
    ----------
    x : numpy.ndarray, shape (choice + visit,)
        1 for what is chosen, else 0; empty if there is nothing to choose or the limits clash.
    npv : float
        Its value [currency].
    bound : float
        No programme can be worth more [currency].
    gap : float
        Distance to the bound as share of it.
    status : int
        0 solved, 1 stopped by the clock, 2 the limits clash.
    """

    x: Floats
    npv: float
    bound: float
    gap: float
    status: int


def solve(choices: Choices, rows: Rows, *, mip_gap: float, time_limit_s: float) -> Solution:
    """Maximise value less mobilisation; visits need no integrality, they follow the choices.

    A large problem is solved by its core: the linear relaxation, which takes little time, leaves but a few
    choices in doubt. Those that its reduced costs hold least are chosen anew as whole ones, and the
    relaxation tells how far from the best that can be at most. Where this is farther than asked for, all
    choices are opened whose reduced cost does not rule them out.

    Parameters
    ----------
    choices : Choices
    rows : Rows
    mip_gap : float
        Gap to the bound at which to stop.
    time_limit_s : float
        Longest time, about [s].

    Returns
    -------
    Solution

    Raises
    ------
    DataError
        If nothing that keeps the limits is found in time, and doing nothing does not keep them.

    References
    ----------
    HiGHS (Huangfu & Hall 2018, Mathematical Programming Computation 10:119-142) through ``scipy.optimize``;
    core problems: Balas & Zemel 1980, Operations Research 28:1130-1154 (reference from memory).
    """
    if choices.size == 0:
        bad = any(low > 1e-9 for low in rows.low) or any(high < -1e-9 for high in rows.high)
        return Solution(np.zeros(0), 0.0, 0.0, 0.0, INFEASIBLE if bad else 0)
    problem = _Problem(choices, rows, time.monotonic() + time_limit_s)
    everything = np.ones(choices.size, dtype=bool)
    relaxed = problem.relax(RELAXING_SHARE * time_limit_s) if choices.size > MANY_CHOICES else None
    if relaxed is None:
        best, clashing = problem.search(everything, everything, mip_gap)
    elif relaxed.clashing:
        best, clashing = None, True
    else:
        best, clashing = _search_core(problem, relaxed, mip_gap)
    if best is None:
        return (
            Solution(np.zeros(0), 0.0, 0.0, 0.0, INFEASIBLE) if clashing else do_nothing(rows, time_limit_s)
        )
    return best


def do_nothing(rows: Rows, time_limit_s: float) -> Solution:
    """Fall back to doing nothing where no programme was found in time, if that keeps the limits.

    Parameters
    ----------
    rows : Rows
    time_limit_s : float
        The time that was given [s].

    Returns
    -------
    Solution
        Of unknown bound.

    Raises
    ------
    DataError
        If it does not keep them.
    """
    if any(low > 0 for low in rows.low) or any(high < 0 for high in rows.high):
        raise DataError(
            f"No programme that keeps the limits was found within {time_limit_s:.0f} s.",
            remedy="Give the solver more time (time_limit_s), fewer years, or looser limits.",
        )
    return Solution(np.zeros(rows.width), 0.0, float("inf"), 1.0, 1)


# --------------------------------------------------------------------------------------------------- parts
@dataclass(frozen=True, slots=True)
class _Relaxed:
    """The linear relaxation: what it chooses, its value, and what doing otherwise loses, by choice."""

    chosen: Flags
    bound: float
    price: Floats
    clashing: bool = False


class _Problem:
    """The problem as HiGHS takes it, with a time by which to be done."""

    def __init__(self, choices: Choices, rows: Rows, until: float) -> None:
        self.choices, self.until = choices, until
        self.cost = np.concatenate([-choices.value, choices.visit_value])
        self.matrix, self.low, self.high = rows.matrix(), np.asarray(rows.low), np.asarray(rows.high)

    def seconds_left(self) -> float:
        return max(self.until - time.monotonic(), LEAST_S)

    def relax(self, time_limit_s: float) -> _Relaxed | None:
        """Solve without asking for whole choices; None if that takes too long."""
        equal = self.low == self.high
        above, below = np.isfinite(self.high) & ~equal, np.isfinite(self.low) & ~equal
        found = optimize.linprog(
            self.cost,
            A_ub=sparse.vstack([self.matrix[above], -self.matrix[below]], format="csr"),
            b_ub=np.concatenate([self.high[above], -self.low[below]]),
            A_eq=self.matrix[equal] if equal.any() else None,
            b_eq=self.high[equal] if equal.any() else None,
            bounds=(0.0, 1.0),
            method="highs-ipm",
            options={"time_limit": time_limit_s},
        )
        if found.status == INFEASIBLE:
            return _Relaxed(np.zeros(0, dtype=bool), 0.0, np.zeros(0), clashing=True)
        if found.status != 0:
            return None
        return _Relaxed(found.x[: self.choices.size] > 0.5, -float(found.fun), self._prices(found))

    def _prices(self, found: optimize.OptimizeResult) -> Floats:
        """Tell what any programme loses at least that decides otherwise about a choice, shape (choice,)."""
        count, visit = self.choices.size, self.choices.visit
        zone = np.unique(self.choices.zone, return_inverse=True)[1].reshape(-1)
        x, down, up = found.x[:count], found.lower.marginals, -found.upper.marginals[:count]
        taking = down[:count] + down[count + visit]  # what is taken brings its visit
        # The first rows hold each zone to one choice: what is dropped leaves its zone to another, or to none.
        least = -found.ineqlin.marginals[: int(zone.max()) + 1]
        np.minimum.at(least, zone[x <= SURE], taking[x <= SURE])
        price = np.where(x > 0.5, up + least[zone], taking)
        return np.where((x > SURE) & (x < 1.0 - SURE), -1.0, price)  # what it leaves in halves comes first

    def search(self, left_open: Flags, chosen: Flags, mip_gap: float) -> tuple[Solution | None, bool]:
        """Find whole choices, those not `left_open` being as in `chosen`; and whether there are none.

        The bound holds for the choices left open only.
        """
        count = self.choices.size
        least, most = np.zeros(self.cost.size), np.ones(self.cost.size)
        least[:count], most[:count] = chosen & ~left_open, chosen | left_open
        whole = np.concatenate([np.ones(count), np.zeros(len(self.choices.visits))])
        found = optimize.milp(
            self.cost,
            integrality=whole,
            bounds=optimize.Bounds(least, most),
            constraints=optimize.LinearConstraint(self.matrix, self.low, self.high),
            options={"mip_rel_gap": mip_gap, "time_limit": self.seconds_left()},
        )
        if found.x is None:
            return None, found.status == INFEASIBLE
        x = _round(self.choices, found.x)
        npv, bound = float(-(self.cost @ x)) + 0.0, float(-found.mip_dual_bound) + 0.0
        return _judged(x, npv, bound, int(found.status)), False


def _search_core(problem: _Problem, relaxed: _Relaxed, mip_gap: float) -> tuple[Solution | None, bool]:
    """Search among the choices most in doubt, then, if that is not near enough, among all not ruled out."""
    core = np.zeros(relaxed.price.size, dtype=bool)
    core[np.argsort(relaxed.price, kind="stable")[:CORE_CHOICES]] = True
    first, _ = problem.search(core, relaxed.chosen, CORE_GAP * mip_gap)
    if first is None:
        return problem.search(np.ones_like(core), relaxed.chosen, mip_gap)
    first = _judged(first.x, first.npv, relaxed.bound, first.status)
    if first.gap <= mip_gap or time.monotonic() > problem.until - LEAST_S:
        return first, False
    # A better programme has none of the others, but for what the relaxation is rounded by.
    in_play = relaxed.price <= relaxed.bound - first.npv + ROUNDED * abs(relaxed.bound)
    second, _ = problem.search(in_play, relaxed.chosen, mip_gap)
    if second is None:
        return first, False
    best = max((first, second), key=lambda one: one.npv)
    return _judged(best.x, best.npv, min(relaxed.bound, second.bound), second.status), False


def _judged(x: Floats, npv: float, bound: float, status: int) -> Solution:
    """Put a value beside its bound."""
    gap = max(0.0, bound - npv) / max(abs(bound), 1e-9)
    return Solution(x, npv, max(bound, npv), gap, status)


def _round(choices: Choices, x: Floats) -> Floats:
    """Give whole choices and the visits that they need: the solver is right to a millionth only."""
    picked = np.flatnonzero(x[: choices.size] > 0.5)
    out = np.zeros(x.size)
    out[picked] = 1.0
    out[choices.size + choices.visit[picked]] = 1.0
    return out
