"""Machine bias: adjoining rows picked by different machines, and weighed loads, solved jointly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.linalg import splu

PRIOR_LOG_SD = 0.15  # of a machine's log bias before any evidence; common practice, no source
LOAD_LOG_SD = 0.03  # of a block's weighed over levelled tonnes: day-to-day drift, tickets; recovered truth
ROW_LOG_SD = 0.05  # noise of a row mean where the rows do not tell; recovered truth
STEP_LOG_SD = 0.06  # true change from row to row where the rows do not tell; recovered truth
LEAST_DIFFERENCES = 12  # row differences needed at a lag to estimate the two; recovered truth
HUBER = 2.0  # residuals beyond this many standard errors pull with constant force; usual choice 1.3-2.5
ROUNDS = 25
STEADY = 1e-9
MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True)
class WeighedGroup:
    """Weighed tonnes against what the readings of each machine add up to.

    Parameters
    ----------
    weighed_t : float
        Net tonnes, MOG off.
    integrated_t : dict of str to float
        Tonnes of the readings by machine, machines not levelled.
    blocks : int
        Blocks it sums over: their own errors average out.
    log_error : float
        Further standard error of the log of the weighed tonnes: loads that were shared out.
    """

    weighed_t: float
    integrated_t: dict[str, float]
    blocks: int = 1
    log_error: float = 0.0


def solve_machines(row_summary: pd.DataFrame, groups: Sequence[WeighedGroup]) -> pd.DataFrame:
    """Log bias of every machine with its standard error.

    The log mean of a row is the row's true level plus the machine's bias plus noise; the level wanders from
    row to row within a block; weighed loads tie the levelled sum to the truth; a weak prior holds what
    nothing else does. The two variances come from rows of the same machine one to four rows apart. Solved by
    Gauss-Newton with Huber weights.

    Parameters
    ----------
    row_summary : pandas.DataFrame
        As `summarise_rows` gives it, all blocks of a vintage together.
    groups : sequence of WeighedGroup
        Loads to use.

    Returns
    -------
    pandas.DataFrame
        machine, log_bias, log_bias_se; reading = truth x exp(log_bias).
    """
    used = row_summary[(row_summary["readings"] > 0) & (row_summary["yield_t_ha"] > 0)]
    used = used.sort_values(["block_id", "row_no"])
    names = sorted(set(used["machine"]))
    if not names:
        return pd.DataFrame({"machine": [], "log_bias": [], "log_bias_se": []}).astype({"machine": object})
    equations = _Equations(used, names, groups)
    bias, error = equations.solve()
    return pd.DataFrame({"machine": names, "log_bias": bias, "log_bias_se": error})


def row_noise(used: pd.DataFrame) -> tuple[float, float]:
    """Estimate the standard deviations of a row mean and of the true change from row to row, as logs.

    The variance of the difference of two rows of one machine, k rows apart, is 2 x noise^2 + k x step^2.

    Parameters
    ----------
    used : pandas.DataFrame
        block_id, row_no, machine, yield_t_ha > 0.
    """
    log = used.assign(log=np.log(used["yield_t_ha"].to_numpy(dtype=float)))
    lags, variances, counts = [], [], []
    for lag in (1, 2, 3, 4):
        later = log.assign(row_no=log["row_no"] - lag)
        both = log.merge(later, on=["block_id", "row_no", "machine"])
        if len(both) < LEAST_DIFFERENCES:
            continue
        gap = (both["log_y"] - both["log_x"]).to_numpy()
        lags.append(lag)
        variances.append((MAD_TO_SD * np.median(np.abs(gap - np.median(gap)))) ** 2)
        counts.append(len(both))
    if len(lags) < 2:
        return ROW_LOG_SD, STEP_LOG_SD
    slope, base = np.polyfit(lags, variances, 1, w=np.sqrt(counts))
    smallest = 0.05 * float(np.mean(variances))
    return float(np.sqrt(max(base / 2, smallest, 1e-6))), float(np.sqrt(max(slope, smallest, 1e-6)))


class _Equations:
    """Weighted residuals of prior, rows, steps and loads; unknowns are machines, then row levels."""

    def __init__(self, used: pd.DataFrame, names: list[str], groups: Sequence[WeighedGroup]) -> None:
        self.names, self.groups = names, groups
        places = used[["block_id", "row_no"]].drop_duplicates().reset_index(drop=True)
        self.row = used.groupby(["block_id", "row_no"], sort=False).ngroup().to_numpy()
        self.machine = pd.Categorical(used["machine"], categories=names).codes.astype(int)
        self.log = np.log(used["yield_t_ha"].to_numpy(dtype=float))
        noise, step = row_noise(used)
        count = used["readings"].to_numpy(dtype=float)
        self.row_sd = noise * np.sqrt(np.maximum(np.median(count) / count, 1.0))
        gap = places["row_no"].diff().to_numpy()[1:].astype(float)
        same = (places["block_id"].to_numpy()[1:] == places["block_id"].to_numpy()[:-1]) & (gap > 0)
        self.first = np.flatnonzero(same)
        self.step_sd = step * np.sqrt(gap[same])
        self.levels = len(places)

    def solve(self) -> tuple[np.ndarray, np.ndarray]:
        machines = len(self.names)
        x = np.zeros(machines + self.levels)
        x[machines:] = np.bincount(self.row, self.log) / np.bincount(self.row)
        jacobian = self._linear()
        for _ in range(ROUNDS):
            slope, residual = self._loads(x[:machines])
            matrix = sparse.vstack([jacobian, slope]).tocsr() if slope.shape[0] else jacobian
            wrong = np.concatenate([self._linear_residual(x), residual])
            weight = np.ones(wrong.size)
            robust = np.arange(wrong.size) >= machines  # the prior is not data
            weight[robust] = np.minimum(1.0, HUBER / np.maximum(np.abs(wrong[robust]), 1e-12))
            normal = (matrix.T @ sparse.diags(weight) @ matrix).tocsc()
            factor = splu(normal)
            change = factor.solve(-(matrix.T @ (weight * wrong)))
            x = x + change
            if np.max(np.abs(change[:machines])) < STEADY:
                break
        unit = np.eye(x.size, machines)
        variance = np.array([factor.solve(unit[:, one])[one] for one in range(machines)])
        return x[:machines], np.sqrt(np.maximum(variance, 0.0))

    def _linear(self) -> sparse.csr_matrix:
        machines, rows, steps = len(self.names), self.log.size, self.first.size
        at = np.arange(rows)
        prior = sparse.csr_matrix(
            (np.full(machines, 1 / PRIOR_LOG_SD), (np.arange(machines), np.arange(machines))),
            shape=(machines, machines + self.levels),
        )
        row = sparse.csr_matrix(
            (
                np.r_[1 / self.row_sd, 1 / self.row_sd],
                (np.r_[at, at], np.r_[self.machine, machines + self.row]),
            ),
            shape=(rows, machines + self.levels),
        )
        at = np.arange(steps)
        step = sparse.csr_matrix(
            (
                np.r_[1 / self.step_sd, -1 / self.step_sd],
                (np.r_[at, at], machines + np.r_[self.first + 1, self.first]),
            ),
            shape=(steps, machines + self.levels),
        )
        return sparse.vstack([prior, row, step]).tocsr()

    def _linear_residual(self, x: np.ndarray) -> np.ndarray:
        machines = len(self.names)
        bias, level = x[:machines], x[machines:]
        return np.concatenate(
            [
                bias / PRIOR_LOG_SD,
                (level[self.row] + bias[self.machine] - self.log) / self.row_sd,
                (level[self.first + 1] - level[self.first]) / self.step_sd,
            ]
        )

    def _loads(self, bias: np.ndarray) -> tuple[sparse.csr_matrix, np.ndarray]:
        """Log of levelled over weighed tonnes of each group, and its slope in the machines' biases."""
        machines = len(self.names)
        slope = np.zeros((len(self.groups), machines + self.levels))
        residual = np.zeros(len(self.groups))
        for place, group in enumerate(self.groups):
            part = np.array([group.integrated_t.get(name, 0.0) for name in self.names]) * np.exp(-bias)
            error = np.hypot(LOAD_LOG_SD / np.sqrt(group.blocks), group.log_error)
            residual[place] = np.log(part.sum() / group.weighed_t) / error
            slope[place, :machines] = -part / part.sum() / error
        return sparse.csr_matrix(slope), residual
