"""Fit of a nugget and two structures, a short and a long one, where one structure does not do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.optimize import nnls

from vinemap.surface.covariance import Floats, Model, Structure, Variogram
from vinemap.surface.fit import FEWEST_PAIRS, VariogramFit, fit_variogram
from vinemap.surface.pairs import ExperimentalVariogram

RANGES = 24  # tried for each of the two, on a logarithmic scale
LEAST_APART = 2.5  # times the short range; nearer ones cannot be told apart; common practice, no source
LEAST_GAIN = 0.5  # share of the misfit that the second structure must take away; no source
FEWEST_LAGS = 8  # five numbers are fitted


def fit_nested_variogram(
    experimental: ExperimentalVariogram, *, model: Model = "exponential"
) -> VariogramFit:
    """Fit nugget and two structures of one model, weights pairs over distance squared.

    For two given ranges the three sills follow by non-negative least squares; only the ranges are searched.
    The pipeline does not ask for it: there the nugget itself is split by the ground that readings cover
    (`surfaces.split_nugget`), which acts as the short structure.

    Parameters
    ----------
    experimental : ExperimentalVariogram
    model : str
        Of both structures.

    Returns
    -------
    VariogramFit
        The single structure where that could not be fitted, where lags are few, or where the second one takes
        away less than half of the misfit; the note says which was used.

    Raises
    ------
    DataError
        If the model is not known.

    References
    ----------
    Lawson, C. L., and Hanson, R. J. (1974), Solving Least Squares Problems (non-negative least squares).

    Examples
    --------
    >>> truth = Variogram("exponential", 1.0, 2.0, 6.0, further=(Structure("exponential", 3.0, 60.0),))
    >>> h = np.arange(2.5, 150.0, 5.0)
    >>> fit = fit_nested_variogram(ExperimentalVariogram(h, truth.semivariance(h), np.full(h.size, 1000)))
    >>> fit.note[:30], len(fit.variogram.structures)
    ('Two structures, exponential, r', 2)
    """
    single = fit_variogram(experimental, models=(model,))
    used = experimental.pairs >= FEWEST_PAIRS
    if single.fallback or used.sum() < FEWEST_LAGS:
        return replace(single, note=f"{single.note} A second structure was not tried.")
    distance, gamma = experimental.distance_m[used], experimental.semivariance[used]
    weight = np.sqrt(experimental.pairs[used]) / distance
    ranges = np.geomspace(0.5 * distance.min(), 2.0 * distance.max(), RANGES)
    tried = [
        _fit_sills(model, (short, long), distance, gamma, weight)
        for place, short in enumerate(ranges)
        for long in ranges[place + 1 :]
        if long >= LEAST_APART * short
    ]
    misfit, variogram = min(tried, key=lambda one: one[0])
    if (
        misfit > (1.0 - LEAST_GAIN) * single.misfit
        or min(one.partial_sill for one in variogram.structures) <= 0
    ):
        return replace(single, note=f"{single.note} A second structure would not fit much better.")
    first, second = variogram.structures
    note = (
        f"Two structures, {model}, range parameters {first.range_m:.1f} and {second.range_m:.1f} m, nugget "
        f"{100 * variogram.nugget / variogram.sill:.0f} % of the sill."
    )
    return VariogramFit(variogram, note, misfit, False)


def _fit_sills(
    model: Model, ranges: tuple[float, float], distance: Floats, gamma: Floats, weight: Floats
) -> tuple[float, Variogram]:
    """Weighted misfit and the best non-negative nugget and two sills for these ranges."""
    rises = [1.0 - Variogram(model, 0.0, 1.0, float(one)).correlation(distance) for one in ranges]
    columns = np.column_stack([np.ones_like(distance), *rises]) * weight[:, None]
    sills, rest = nnls(columns, gamma * weight)
    further = (Structure(model, float(sills[2]), float(ranges[1])),)
    found = Variogram(model, float(sills[0]), float(sills[1]), float(ranges[0]), further=further)
    return float(rest**2 / np.sum((gamma * weight) ** 2)), found
