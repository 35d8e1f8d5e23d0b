"""Machine bias: adjoining rows picked by different machines, and weighed loads, solved jointly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.linalg import cho_factor, cho_solve

PRIOR_LOG_SD = 0.15  # of a machine's log bias before any evidence; common practice, no source
LOAD_LOG_SD = 0.03  # of a block's weighed over levelled tonnes: day-to-day drift, tickets; recovered truth
LOAD_DEGREES = 2.0  # how many blocks' loads that figure is worth against what the loads themselves show
LEVEL_LOG_SD = 3.0  # of a block's level: nothing is known of it
RANGES_ROWS = (2.0, 4.0, 8.0, 16.0, 32.0)  # tried: across how many rows the level of a block changes
NOISE_SHARES = (0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9)  # tried: share of noise in the variance of a row mean
FEWEST_ROWS = 12  # by which a block tells the two; recovered truth
USUAL_RANGE_ROWS, USUAL_NOISE_SHARE, USUAL_LOG_SD = 8.0, 0.35, 0.06  # of a block with fewer; recovered truth
HUBER = 2.0  # residuals beyond this many standard errors pull with constant force; usual choice 1.3-2.5
ROW_ROUNDS = 4  # of weighing rows by their residuals; they settle within this
ROUNDS = 25
STEADY = 1e-9
Floats = npt.NDArray[np.float64]


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

    The log mean of a row is the row's true level plus the machine's bias plus noise. In each block that
    several machines picked the level changes smoothly across the rows (Matern, smoothness 3/2: the mean of a
    rough field along a row is smooth from row to row); range, variance and noise of each such block come from
    its rows by restricted likelihood. Weighed loads tie the levelled sum to the truth, as closely as they
    agree among themselves; a weak prior holds what nothing else does. Rows and loads that do not fit pull
    less (Huber weights).

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

    References
    ----------
    Patterson, H. D., and Thompson, R. (1971), Recovery of inter-block information when block sizes are
    unequal, Biometrika 58, 545-554.
    """
    used = row_summary[(row_summary["readings"] > 0) & (row_summary["yield_t_ha"] > 0)]
    names = sorted(set(used["machine"]))
    if not names:
        return pd.DataFrame({"machine": [], "log_bias": [], "log_bias_se": []}).astype({"machine": object})
    precision = np.eye(len(names)) / PRIOR_LOG_SD**2
    pull = np.zeros(len(names))
    for _, block in used.groupby("block_id"):
        if block["machine"].nunique() > 1:
            more, towards = _adjoining_rows(block, names)
            precision, pull = precision + more, pull + towards
    bias, error = _with_loads(precision, pull, names, groups)
    return pd.DataFrame({"machine": names, "log_bias": bias, "log_bias_se": error})


@dataclass(frozen=True, slots=True)
class _Levels:
    """Levels of the rows of a block as one range and share of noise have them, and the machines so."""

    reach: float
    share: float
    variance: float
    log_likelihood: float
    bias: Floats
    covariance: Floats


def _adjoining_rows(block: pd.DataFrame, names: list[str]) -> tuple[Floats, Floats]:
    """Give what the rows of one block say of the machines: precision, and precision times bias.

    Ranges and shares of noise count by their likelihood: the best alone would seem surer than it is.
    """
    row = block["row_no"].to_numpy(dtype=float)
    gap = np.abs(np.subtract.outer(row, row))
    log = np.log(block["yield_t_ha"].to_numpy(dtype=float))
    log = log - log.mean()
    here = np.isin(names, block["machine"])
    seen = (block["machine"].to_numpy()[:, None] == np.array(names)[here]).astype(float)
    count = block["readings"].to_numpy(dtype=float)
    thin = np.maximum(np.median(count) / count, 1.0)  # noise variance over that of a usual row
    for _ in range(ROW_ROUNDS):
        tried = _try_levels(gap, log, seen, thin)
        best = max(tried, key=lambda one: one.log_likelihood)
        thin = thin * np.maximum(_left_out(gap, log, seen, thin, best) / HUBER, 1.0) ** 2
    weight = np.exp([one.log_likelihood - best.log_likelihood for one in tried])
    bias = np.average([one.bias for one in tried], axis=0, weights=weight)
    spread = [one.covariance + np.outer(one.bias - bias, one.bias - bias) for one in tried]
    certain = np.linalg.inv(np.average(spread, axis=0, weights=weight) + LEVEL_LOG_SD**2)
    precision, pull = np.zeros((len(names), len(names))), np.zeros(len(names))
    precision[np.ix_(here, here)], pull[here] = certain, certain @ bias
    return precision, pull


def _try_levels(gap: Floats, log: Floats, seen: Floats, thin: Floats) -> list[_Levels]:
    """Fit the machines for every range and share of noise; variance by restricted likelihood."""
    few = log.size < FEWEST_ROWS
    free = log.size - seen.shape[1]
    tried = []
    for reach in (USUAL_RANGE_ROWS,) if few else RANGES_ROWS:
        for share in (USUAL_NOISE_SHARE,) if few else NOISE_SHARES:
            factor = cho_factor(_row_covariance(gap, reach, share, thin), lower=True)
            solved = cho_solve(factor, np.column_stack([seen, log]))
            normal, right = seen.T @ solved[:, :-1], seen.T @ solved[:, -1]
            bias = np.linalg.solve(normal, right)
            variance = USUAL_LOG_SD**2 if few else max(float(log @ solved[:, -1] - right @ bias) / free, 1e-8)
            spread = 2 * np.log(np.diag(factor[0])).sum() + np.linalg.slogdet(normal)[1]
            likelihood = -0.5 * (free * np.log(variance) + spread)
            tried.append(_Levels(reach, share, variance, likelihood, bias, variance * np.linalg.inv(normal)))
    return tried


def _left_out(gap: Floats, log: Floats, seen: Floats, thin: Floats, levels: _Levels) -> Floats:
    """How many standard errors each row is off what the others say of it."""
    inverse = cho_solve(cho_factor(_row_covariance(gap, levels.reach, levels.share, thin)), np.eye(log.size))
    apart = np.abs(inverse @ (log - seen @ levels.bias))
    return np.asarray(apart / np.sqrt(levels.variance * np.diag(inverse)))


def _row_covariance(gap: Floats, reach: float, share: float, thin: Floats) -> Floats:
    """Covariance of row means over the variance of a usual one: smooth (Matern 3/2) and noise."""
    scaled = gap / reach
    return np.asarray((1 - share) * (1 + scaled) * np.exp(-scaled) + np.diag(share * thin))


def _with_loads(
    precision: Floats, pull: Floats, names: list[str], groups: Sequence[WeighedGroup]
) -> tuple[Floats, Floats]:
    """Bias and its standard error from prior and rows, and from the loads by Gauss-Newton."""
    bias = np.asarray(np.linalg.solve(precision, pull), dtype=np.float64)
    blocks = np.array([one.blocks for one in groups], dtype=float)
    further = np.array([one.log_error for one in groups], dtype=float)
    between = LOAD_LOG_SD**2
    full = precision
    for _ in range(ROUNDS):
        slope, apart = _load_residuals(bias, names, groups)
        variance = between / blocks + further**2
        weight = np.minimum(1.0, HUBER / np.maximum(np.abs(apart) / np.sqrt(variance), 1e-12)) / variance
        full = precision + slope.T @ (weight[:, None] * slope)
        change = np.linalg.solve(full, pull - precision @ bias - slope.T @ (weight * apart))
        bias = np.asarray(bias + change, dtype=np.float64)
        between = _between_blocks(apart + slope @ change, slope, full, variance, blocks, between)
        if np.max(np.abs(change)) < STEADY:
            break
    return bias, np.asarray(np.sqrt(np.diag(np.linalg.inv(full))), dtype=np.float64)


def _between_blocks(
    apart: Floats, slope: Floats, full: Floats, variance: Floats, blocks: Floats, before: float
) -> float:
    """Give the variance of a block's loads about the machines' bias: by the loads, held by the usual one.

    One step of expectation and maximisation with an inverse gamma prior of `LOAD_DEGREES` degrees of freedom.
    """
    share = before / blocks / variance  # of a residual that is this, not the sharing out of a load
    known = np.einsum("gi,ij,gj->g", slope, np.linalg.inv(full), slope)
    square = blocks * (share**2 * (apart**2 + known) + (1 - share) * before / blocks)
    return float((LOAD_DEGREES * LOAD_LOG_SD**2 + square.sum()) / (LOAD_DEGREES + len(square)))


def _load_residuals(bias: Floats, names: list[str], groups: Sequence[WeighedGroup]) -> tuple[Floats, Floats]:
    """Log of levelled over weighed tonnes of each group, and its slope in the machines' biases."""
    slope = np.zeros((len(groups), len(names)))
    apart = np.zeros(len(groups))
    for place, group in enumerate(groups):
        part = np.array([group.integrated_t.get(name, 0.0) for name in names]) * np.exp(-bias)
        apart[place] = np.log(part.sum() / group.weighed_t)
        slope[place] = -part / part.sum()
    return slope, apart
