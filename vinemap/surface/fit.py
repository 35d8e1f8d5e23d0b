"""Fit of variogram models by weighted least squares, with fallbacks that say so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from vinemap.errors import DataError
from vinemap.surface.covariance import MODELS, Floats, Model, Variogram
from vinemap.surface.pairs import ExperimentalVariogram

FEWEST_LAGS = 4  # three numbers are fitted; common practice, no source
FEWEST_PAIRS = 30  # per lag; Journel and Huijbregts 1978, p. 194, ask 30 to 50 (from memory)
LONGEST_RANGE = 3.0  # of the longest lag: beyond it a range cannot be told from a straight line
SHORTEST_RANGE = 0.5  # of the shortest lag
RANGES_TRIED = 60  # on a logarithmic scale, before the best is refined
RANGES_COMPARED = 24  # where only misfits are compared
LEAST_STRUCTURE = 0.01  # of the sill: less is called pure nugget
AT_BOUND = 1.02  # within 2 % of a bound counts as at it
NO_SPREAD = 1e-20  # mean square of a rise from 0 to 1; processors round to some 1e-32


@dataclass(frozen=True, slots=True)
class VariogramFit:
    """A fitted variogram and how it came about.

    Attributes
    ----------
    variogram : Variogram
    note : str
        In words: which model was used, and which fallback if any.
    misfit : float
        Weighted mean squared difference over the weighted mean squared semivariance; 0 is perfect.
    fallback : bool
        True where no model could be fitted as asked (pure nugget, or a range at its bound).
    """

    variogram: Variogram
    note: str
    misfit: float
    fallback: bool


def fit_variogram(
    experimental: ExperimentalVariogram,
    *,
    models: Sequence[Model] = ("exponential", "spherical", "matern_3_2"),
) -> VariogramFit:
    """Fit nugget, partial sill and range of each model, weights pairs over distance squared; keep the best.

    For a given range the two sills follow by linear least squares kept non-negative, so only the range is
    searched, over its whole bounds: the result does not hang on a starting value.

    Parameters
    ----------
    experimental : ExperimentalVariogram
    models : sequence of str
        Models to try; of equally good ones the first wins.

    Returns
    -------
    VariogramFit
        With too few pairs: pure nugget at the variance of the readings. Without spatial structure: pure
        nugget at the weighted mean semivariance. Range at a bound: kept, and said.

    Raises
    ------
    DataError
        If no model is given or one is not known.

    References
    ----------
    Cressie, N. (1985), Mathematical Geology 17:563-586 (weights N / gamma^2); N / h^2 as in gstat: Pebesma,
    E. J. (2004), Computers & Geosciences 30:683-691.

    Examples
    --------
    >>> truth = Variogram("exponential", 2.0, 4.0, 40.0)
    >>> h = np.arange(5.0, 125.0, 5.0)
    >>> fit = fit_variogram(ExperimentalVariogram(h, truth.semivariance(h), np.full(h.size, 1000)))
    >>> print(fit.variogram.model, round(fit.variogram.range_m, 3), round(fit.variogram.nugget, 3))
    exponential 40.0 2.0
    """
    unknown = [model for model in models if model not in MODELS]
    if unknown or not models:
        raise DataError(f"Variogram models {list(models)} cannot be fitted.", remedy=f"Use some of {MODELS}.")
    usable = experimental.pairs >= FEWEST_PAIRS
    if usable.sum() < FEWEST_LAGS:
        return _without_pairs(experimental, int(usable.sum()))
    distance, gamma = experimental.distance_m[usable], experimental.semivariance[usable]
    weight = experimental.pairs[usable] / distance**2
    if not gamma.any():
        flat = Variogram(models[0], 0.0, 0.0, float(distance.max()))
        return VariogramFit(flat, "All readings are the same: no variation, nugget 0.", 0.0, True)
    fits = [fit_range(model, distance, gamma, weight) for model in models]
    misfit, variogram = min(fits, key=lambda one: one[0])
    return _describe(variogram, misfit, distance, gamma, weight)


def misfit_of(model: Model, distance: Floats, gamma: Floats, weight: Floats) -> float:
    """Least weighted misfit over a coarse scale of ranges; quick, for comparisons.

    Parameters
    ----------
    model : str
    distance, gamma, weight : ndarray of shape (lags,)
        Distances [m], semivariances [values squared] and weights.

    Returns
    -------
    float
    """
    low, high = _range_bounds(distance)
    ranges = np.exp(np.linspace(np.log(low), np.log(high), RANGES_COMPARED))
    return min(_sills(model, float(one), distance, gamma, weight)[0] for one in ranges)


def fit_range(model: Model, distance: Floats, gamma: Floats, weight: Floats) -> tuple[float, Variogram]:
    """Fit one model to semivariances with the weights given; its misfit and itself.

    Parameters
    ----------
    model : str
    distance, gamma, weight : ndarray of shape (lags,)
        Distances [m], semivariances [values squared] and weights.

    Returns
    -------
    misfit : float
    variogram : Variogram
    """
    low, high = _range_bounds(distance)
    logs = np.linspace(np.log(low), np.log(high), RANGES_TRIED)

    def misfit(log_range: float) -> float:
        return _sills(model, float(np.exp(log_range)), distance, gamma, weight)[0]

    tried = [misfit(log_range) for log_range in logs]
    best = int(np.argmin(tried))
    bracket = (logs[max(best - 1, 0)], logs[min(best + 1, RANGES_TRIED - 1)])
    refined = minimize_scalar(misfit, bounds=bracket, method="bounded", options={"xatol": 1e-9})
    log_range = refined.x if refined.fun < tried[best] else logs[best]
    range_m = float(np.exp(log_range))
    error, nugget, partial_sill = _sills(model, range_m, distance, gamma, weight)
    return error, Variogram(model, nugget, partial_sill, range_m)


def _sills(
    model: Model, range_m: float, distance: Floats, gamma: Floats, weight: Floats
) -> tuple[float, float, float]:
    """Weighted misfit and the best non-negative nugget and partial sill for this range."""
    rise = 1.0 - Variogram(model, 0.0, 1.0, range_m).correlation(distance)
    total = weight.sum()
    mean_rise, mean_gamma = weight @ rise / total, weight @ gamma / total
    spread = weight @ (rise - mean_rise) ** 2
    known = spread > NO_SPREAD * total  # else the model is as level as a nugget, and not told from one
    slope = weight @ ((rise - mean_rise) * (gamma - mean_gamma)) / spread if known else 0.0
    nugget, partial = mean_gamma - slope * mean_rise, slope
    if partial < 0:
        nugget, partial = mean_gamma, 0.0
    elif nugget < 0:
        nugget, partial = 0.0, weight @ (rise * gamma) / (weight @ rise**2)
    error = weight @ (gamma - nugget - partial * rise) ** 2 / (weight @ gamma**2)
    return float(error), float(nugget), float(partial)


def _range_bounds(distance: Floats) -> tuple[float, float]:
    """Shortest and longest range that is looked at [m]."""
    return SHORTEST_RANGE * float(distance.min()), LONGEST_RANGE * float(distance.max())


def _without_pairs(experimental: ExperimentalVariogram, usable: int) -> VariogramFit:
    """Pure nugget at the variance of the readings, with a note that says why."""
    variance = experimental.variance
    if not np.isfinite(variance):
        pairs = experimental.pairs
        variance = float(experimental.semivariance @ pairs / pairs.sum()) if pairs.sum() else 0.0
    range_m = float(experimental.distance_m.max()) if len(experimental.distance_m) else 1.0
    note = (
        f"Too few pairs of readings ({usable} lags with at least {FEWEST_PAIRS} pairs, "
        f"{FEWEST_LAGS} needed): pure nugget at the variance of the readings."
    )
    return VariogramFit(Variogram("exponential", variance, 0.0, range_m), note, float("nan"), True)


def _describe(
    variogram: Variogram, misfit: float, distance: Floats, gamma: Floats, weight: Floats
) -> VariogramFit:
    """Say which model was used, and which fallback if any."""
    low, high = _range_bounds(distance)
    if variogram.partial_sill <= LEAST_STRUCTURE * variogram.sill:
        level = float(weight @ gamma / weight.sum())
        note = f"No spatial structure up to {distance.max():.0f} m: pure nugget at the mean semivariance."
        return VariogramFit(Variogram(variogram.model, level, 0.0, variogram.range_m), note, misfit, True)
    name = variogram.model.replace("matern_3_2", "Matern 3/2").replace("matern_5_2", "Matern 5/2")
    share = 100 * variogram.nugget / variogram.sill
    name = name[0].upper() + name[1:]
    note = f"{name}, range parameter {variogram.range_m:.1f} m, nugget {share:.0f} % of the sill."
    if variogram.range_m >= high / AT_BOUND:
        note += (
            f" The range is at its upper bound of {high:.0f} m: the values still drift at the longest lag."
        )
    elif variogram.range_m <= low * AT_BOUND:
        note += f" The range is at its lower bound of {low:.1f} m: structure is shorter than the lags."
    else:
        return VariogramFit(variogram, note, misfit, False)
    return VariogramFit(variogram, note, misfit, True)
