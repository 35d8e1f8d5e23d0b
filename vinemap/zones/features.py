"""What tells zones apart: level and change over time of each cell, on the scale of their noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vinemap.zones.cells import BoolArray, FloatArray, IntArray, fill_nearest, moran_i

# Differences smaller than these do not matter to anyone who walks the rows; common practice, no source.
SMALL_LEVEL = 0.10  # log yield
SMALL_CHANGE = 0.10  # log yield, over the vintages
UNKNOWN_ERROR = 0.10  # log yield, where no standard error comes with a surface
LEAST_ERROR = 0.02


@dataclass(frozen=True, slots=True)
class Features:
    """Features of the cells.

    Attributes
    ----------
    level : float array (band, stretch)
        Mean log yield relative to the block, weighted by precision.
    change : float array (band, stretch)
        Fitted change of log relative yield over the span of the vintages; 0 with one vintage.
    late : float array (band, stretch)
        Mean of the last third of the vintages less the mean of the others.
    level_se, change_se, late_se : float
        Typical noise of each.
    scaled : float array (band, stretch, p)
        The features over their noise and what counts as small.
    independent_share : float
        Independent cells per cell, from the spatial correlation of what the features leave over.
    """

    level: FloatArray
    change: FloatArray
    late: FloatArray
    level_se: float
    change_se: float
    late_se: float
    scaled: FloatArray
    independent_share: float


def relative_logs(values: FloatArray, inside: BoolArray) -> FloatArray:
    """Log yield of cells less the block's median, vintage by vintage (V, band, stretch).

    Examples
    --------
    >>> relative_logs(np.array([[[1.0, np.e, np.e**2]]]), np.ones((1, 3), dtype=bool)).tolist()
    [[[-1.0, 0.0, 1.0]]]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(np.where((values > 0) & inside, values, np.nan))
    floor = np.log(0.02)  # a cell without crop is poor, not infinitely poor
    centre = np.array([np.nanmedian(one) if np.isfinite(one).any() else np.nan for one in logs])
    return np.asarray(np.maximum(logs - centre[:, None, None], floor))


def describe_cells(logs: FloatArray, errors: FloatArray, vintages: IntArray, inside: BoolArray) -> Features:
    """Derive level and change of each cell.

    Parameters
    ----------
    logs : float array (V, band, stretch)
        Log yield relative to the block's median; NaN where missing.
    errors : float array (V, band, stretch)
        Standard error of `logs`.
    vintages : int array (V,)
    inside : bool array (band, stretch)

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
    noise = np.sqrt(
        np.maximum(np.where(np.isfinite(errors), errors, UNKNOWN_ERROR), LEAST_ERROR) ** 2 + spread**2
    )
    weight = np.where(known, 1 / noise**2, 0.0)
    total = weight.sum(axis=0)
    safe = np.maximum(total, 1e-12)
    value = np.where(known, logs, 0.0)
    level = (weight * value).sum(axis=0) / safe
    span = max(float(np.ptp(vintages)), 1.0)
    time = ((vintages - vintages.mean()) / span)[:, None, None]
    centred = np.where(known, time - (weight * time).sum(axis=0) / safe, 0.0)
    moment = (weight * centred**2).sum(axis=0)
    tried = (known.sum(axis=0) >= 2) & (moment > 1e-6)
    change = np.where(tried, (weight * centred * value).sum(axis=0) / np.maximum(moment, 1e-12), 0.0)
    late, late_se = _late_less_early(value, weight, vintages)
    left = np.where(known, value - level - centred * change, np.nan)
    level_se = _typical(safe**-0.5, inside & (total > 0))
    change_se = _typical(np.maximum(moment, 1e-12) ** -0.5, inside & tried)
    level = np.where(inside, fill_nearest(np.where(inside & (total > 0), level, np.nan)), np.nan)
    change = np.where(inside, fill_nearest(np.where(inside & tried, change, np.nan)), np.nan)
    change, late = np.nan_to_num(change), np.where(inside, np.nan_to_num(late), 0.0)
    parts = [level / np.hypot(level_se, SMALL_LEVEL)]
    if vintages.size > 1:
        parts += [change / np.hypot(change_se, SMALL_CHANGE) / np.sqrt(2),
                  late / np.hypot(late_se, SMALL_CHANGE) / np.sqrt(2)]  # fmt: skip
    return Features(
        level, change, late, level_se, change_se, late_se, np.nan_to_num(np.stack(parts, axis=-1)),
        _independent_share(left, inside),
    )  # fmt: skip


def _leftover_sd(logs: FloatArray, vintages: IntArray) -> float:
    """Robust standard deviation about a straight line per cell, from second differences."""
    if vintages.size < 3:
        return 0.05
    weights = _second_differences(vintages)
    second = np.einsum("tv,vbs->tbs", weights, logs)
    second = second[np.isfinite(second)]
    return float(1.4826 * np.median(np.abs(second))) if second.size else 0.05


def _second_differences(vintages: IntArray) -> FloatArray:
    out = np.zeros((vintages.size - 2, vintages.size))
    for row in range(vintages.size - 2):
        a, b, c = vintages[row : row + 3].astype(float)
        share = (b - a) / (c - a)
        triple = np.array([-(1 - share), 1.0, -share])
        out[row, row : row + 3] = triple / np.linalg.norm(triple)
    return out


def _late_less_early(value: FloatArray, weight: FloatArray, vintages: IntArray) -> tuple[FloatArray, float]:
    late = np.zeros(vintages.size, dtype=bool)
    late[-max(1, round(vintages.size / 3)) :] = True
    if vintages.size < 2:
        return np.zeros(value.shape[1:]), 1.0
    sums = [weight[part].sum(axis=0) for part in (late, ~late)]
    means = [(weight * value)[part].sum(axis=0) / np.maximum(one, 1e-12)
             for part, one in zip((late, ~late), sums, strict=True)]  # fmt: skip
    both = (sums[0] > 0) & (sums[1] > 0)
    error = np.sqrt(1 / np.maximum(sums[0], 1e-12) + 1 / np.maximum(sums[1], 1e-12))
    return np.where(both, means[0] - means[1], 0.0), _typical(error, both)


def _typical(values: FloatArray, where: BoolArray) -> float:
    return float(np.median(values[where])) if where.any() else 1.0


def _independent_share(left: FloatArray, inside: BoolArray) -> float:
    """Independent cells per cell, if the leftovers were autoregressive with Moran's I.

    References
    ----------
    Effective sample size of a first-order autoregression, n (1 - r) / (1 + r): Cressie 1993, Statistics
    for Spatial Data, section 1.3 (from memory). Applied once, not once per direction: on invented blocks the
    square hid real zones, and what is left of small zones is merged later.
    """
    if left.shape[0] < 3 or inside.sum() < 9:
        return 0.25
    correlation = np.nanmean([moran_i(one) for one in left if np.isfinite(one).sum() > 9] or [0.5])
    one_way = (1 - np.clip(correlation, 0.0, 0.9)) / (1 + np.clip(correlation, 0.0, 0.9))
    return float(np.clip(one_way, 0.02, 1.0))
