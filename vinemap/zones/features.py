"""What tells zones apart: level and change over time of each cell, beside how uneven like ground is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vinemap.zones.cells import BoolArray, FloatArray, IntArray, RowCells, fill_nearest

UNKNOWN_ERROR = 0.10  # log yield, where no standard error comes with a surface
LEAST_ERROR = 0.02
POOREST = 0.02  # of the block's median: a cell without crop is poor, not infinitely poor
# Lasting soil patterns, and those of a season, reach some tens of metres; a pattern that reaches farther is
# a zone. Common practice, no source.
PATTERN_RANGE_M = 40.0
LEAST_SPREAD = 0.05  # ground more even than this is taken as this uneven
NORMAL_MEDIAN = 0.6745  # median of the absolute value of a standard normal
FEWEST_PAIRS = 6
# Say in telling zones apart. What falls matters more than what was always poor, and soil is not as regular as
# the model of it; change and late change measure one thing, so they share a vote.
SAY = {"level": 0.7, "change": 0.5, "late": 0.5, "missing": 0.7}


@dataclass(frozen=True, slots=True)
class Features:
    """Features of the cells; all shape (band, stretch).

    Attributes
    ----------
    level : float array
        Mean log yield relative to the block, weighted by precision.
    change : float array
        Fitted change of relative yield over the span of the vintages, as a share (-0.4 is a fall by 40 %); 0
        with one vintage.
    late : float array
        The same, the last third of the vintages against the others.
    missing : float array
        Share of vine places without a vine; 0 where nobody counted.
    scaled : float array (band, stretch, p)
        Each over the standard deviation of its passing pattern, times the root of its say.
    """

    level: FloatArray
    change: FloatArray
    late: FloatArray
    missing: FloatArray
    scaled: FloatArray


def relative_logs(values: FloatArray, inside: BoolArray) -> FloatArray:
    """Give the log yield of cells less the block's median, vintage by vintage.

    Parameters
    ----------
    values : float array (V, band, stretch)
        Yield [t/ha].
    inside : bool array (band, stretch)

    Returns
    -------
    float array (V, band, stretch)
        NaN outside and where there is no yield; never below the log of `POOREST`.

    Examples
    --------
    >>> relative_logs(np.array([[[1.0, np.e, np.e**2]]]), np.ones((1, 3), dtype=bool)).tolist()
    [[[-1.0, 0.0, 1.0]]]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(np.where((values > 0) & inside, values, np.nan))
    centre = np.array([np.nanmedian(one) if np.isfinite(one).any() else np.nan for one in logs])
    return np.asarray(np.maximum(logs - centre[:, None, None], np.log(POOREST)))


def describe_cells(
    logs: FloatArray,
    errors: FloatArray,
    vintages: IntArray,
    cells: RowCells,
    missing: FloatArray | None = None,
) -> Features:
    """Derive level and change of each cell.

    Parameters
    ----------
    logs : float array (V, band, stretch)
        Log yield relative to the block's median; NaN where missing.
    errors : float array (V, band, stretch)
        Standard error of `logs`.
    vintages : int array (V,)
    cells : RowCells
    missing : float array (band, stretch), optional
        Share of vine places without a vine, where counted (`count_missing`).

    Returns
    -------
    Features

    Notes
    -----
    The noise of a cell in one vintage is the kriging error or, if larger, what remains about level and
    straight line (seasons act differently over a block). Precision weights use both.
    """
    known = np.isfinite(logs)
    spread = _leftover_sd(logs, vintages)
    noise = np.hypot(np.maximum(np.where(np.isfinite(errors), errors, UNKNOWN_ERROR), LEAST_ERROR), spread)
    weight = np.where(known, 1 / noise**2, 0.0)
    total = weight.sum(axis=0)
    value = np.where(known, logs, 0.0)
    level = (weight * value).sum(axis=0) / np.maximum(total, 1e-12)
    change, tried = _slope(value, weight, known, vintages)
    inside = cells.inside
    found = {
        "level": np.where(inside, fill_nearest(np.where(inside & (total > 0), level, np.nan)), np.nan),
        "change": np.nan_to_num(np.expm1(fill_nearest(np.where(inside & tried, change, np.nan)))),
        "late": np.where(inside, np.expm1(_late_less_early(value, weight, vintages)), 0.0),
    }
    found["missing"] = np.zeros(inside.shape) if missing is None else missing
    used = ["level"]
    used += ["change", "late"] if vintages.size > 1 else []
    used += [] if missing is None else ["missing"]
    parts = [np.nan_to_num(found[one]) * np.sqrt(SAY[one]) / spread_of_pattern(found[one], cells)
             for one in used]  # fmt: skip
    return Features(**found, scaled=np.stack(parts, axis=-1))


def spread_of_pattern(values: FloatArray, cells: RowCells) -> float:
    """Estimate the standard deviation of a pattern that reaches some tens of metres.

    Parameters
    ----------
    values : float array (band, stretch)
    cells : RowCells

    Returns
    -------
    float

    Notes
    -----
    The semivariance at 40 m (less in a narrow block), over the share of its sill that an exponential
    variogram of 40 m range has there. It is taken from the median of the absolute differences, so that the
    few pairs across a border between zones hardly count.

    References
    ----------
    Robust estimation of the variogram by quantiles of differences: Cressie and Hawkins 1980, Mathematical
    Geology 12:115-125 (from memory; theirs is of the fourth root).
    """
    steps = [float(np.median(np.diff(one))) for one in (cells.across_edges, cells.along_edges)]
    shown = np.where(cells.inside, values, np.nan)
    least = min(size * step for size, step in zip(shown.shape, steps, strict=True))
    distance = min(PATTERN_RANGE_M, least / 3)
    lags = [max(1, round(distance / step)) for step in steps]
    apart = np.concatenate([
        (shown[lags[0] :] - shown[: -lags[0]]).ravel(), (shown[:, lags[1] :] - shown[:, : -lags[1]]).ravel()
    ])  # fmt: skip
    apart = np.abs(apart[np.isfinite(apart)])
    if apart.size < FEWEST_PAIRS:
        return LEAST_SPREAD
    semivariance = (float(np.median(apart)) / NORMAL_MEDIAN) ** 2 / 2
    return max(LEAST_SPREAD, float(np.sqrt(semivariance / -np.expm1(-distance / PATTERN_RANGE_M))))


def _slope(
    value: FloatArray, weight: FloatArray, known: BoolArray, vintages: IntArray
) -> tuple[FloatArray, BoolArray]:
    """Fitted change over the span of the vintages, and where it could be fitted."""
    time = ((vintages - vintages.mean()) / max(float(np.ptp(vintages)), 1.0))[:, None, None]
    total = np.maximum(weight.sum(axis=0), 1e-12)
    centred = np.where(known, time - (weight * time).sum(axis=0) / total, 0.0)
    moment = (weight * centred**2).sum(axis=0)
    tried = (known.sum(axis=0) >= 2) & (moment > 1e-6)
    return np.where(tried, (weight * centred * value).sum(axis=0) / np.maximum(moment, 1e-12), 0.0), tried


def _leftover_sd(logs: FloatArray, vintages: IntArray) -> float:
    """Robust standard deviation about a straight line per cell, from second differences."""
    if vintages.size < 3:
        return 0.05
    weights = _second_differences(vintages)
    second = np.einsum("tv,vbs->tbs", weights, logs)
    second = second[np.isfinite(second)]
    return float(np.median(np.abs(second)) / NORMAL_MEDIAN) if second.size else 0.05


def _second_differences(vintages: IntArray) -> FloatArray:
    """Weights of three vintages in turn that take any straight line off, of length 1 each (V - 2, V)."""
    out = np.zeros((vintages.size - 2, vintages.size))
    for row in range(vintages.size - 2):
        a, b, c = vintages[row : row + 3].astype(float)
        share = (b - a) / (c - a)
        triple = np.array([-(1 - share), 1.0, -share])
        out[row, row : row + 3] = triple / np.linalg.norm(triple)
    return out


def _late_less_early(value: FloatArray, weight: FloatArray, vintages: IntArray) -> FloatArray:
    """Mean of the last third of the vintages less that of the others; 0 where one of them is missing."""
    if vintages.size < 2:
        return np.zeros(value.shape[1:])
    late = np.zeros(vintages.size, dtype=bool)
    late[-max(1, round(vintages.size / 3)) :] = True
    sums = [weight[part].sum(axis=0) for part in (late, ~late)]
    means = [(weight * value)[part].sum(axis=0) / np.maximum(one, 1e-12)
             for part, one in zip((late, ~late), sums, strict=True)]  # fmt: skip
    return np.where((sums[0] > 0) & (sums[1] > 0), means[0] - means[1], 0.0)
