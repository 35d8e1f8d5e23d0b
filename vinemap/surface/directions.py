"""Whether yield varies faster across the rows than along them, and by how much."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vinemap.surface.covariance import Floats, Variogram
from vinemap.surface.fit import FEWEST_LAGS, FEWEST_PAIRS, fit_range, misfit_of
from vinemap.surface.pairs import ExperimentalVariogram, experimental_variogram

RATIOS = np.exp(np.linspace(np.log(0.2), np.log(5.0), 25))  # of the range across over that along
CLEAR_RATIO = 1.4  # a ratio nearer to 1 than this, or its inverse, changes weights too little to matter
LEAST_GAIN = 0.25  # share of the misfit of the two directions that a ratio must take away; recovered truth
SHORTEST_LAG_M = 6.0  # nearer pairs of one row share grapes of the conveyor; no source
TOLERANCE_DEG = 22.5  # each side of a direction; usual choice


@dataclass(frozen=True, slots=True)
class DirectionFit:
    """Ranges along and across the rows.

    Attributes
    ----------
    ratio : float
        Range across over range along that fits best; NaN if it could not be told.
    gain : float
        Share of the misfit of the two directional variograms that it takes away [0-1].
    clear : bool
        Whether all readings, and two halves of the block apart, show it.
    variogram : Variogram
        The fit to use: with directions where they are clear, else as given.
    """

    ratio: float
    gain: float
    clear: bool
    variogram: Variogram


def fit_directions(
    points: Floats,
    values: Floats,
    variogram: Variogram,
    *,
    bearing_deg: float,
    max_distance_m: float,
    bin_m: float,
) -> DirectionFit:
    """Fit the ratio of ranges across and along the rows; take it only where the readings show it clearly.

    Parameters
    ----------
    points : ndarray of shape (n, 2)
        Easting and northing [m].
    values : ndarray of shape (n,)
        Values.
    variogram : Variogram
        Fit to all directions together: its model is kept.
    bearing_deg : float
        Of the rows, clockwise from grid north [degrees].
    max_distance_m, bin_m : float
        Longest distance and width of a lag [m].

    Returns
    -------
    DirectionFit

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> places = rng.uniform(0, 300, (3000, 2))
    >>> wave = 3 * np.sin(places[:, 0] / 8) + rng.normal(0, 1, 3000)  # bands that run to the north
    >>> start = Variogram("spherical", 1.0, 4.0, 20.0)
    >>> fit = fit_directions(places, wave, start, bearing_deg=0.0, max_distance_m=60.0, bin_m=4.0)
    >>> fit.clear, fit.ratio < 0.5
    (True, True)
    """
    lags = {"max_distance_m": max_distance_m, "bin_m": bin_m}
    pairs = _two_directions(points, values, bearing_deg, **lags)
    if pairs is None:
        return DirectionFit(float("nan"), 0.0, False, variogram)
    ratio, gain = _best_ratio(variogram, pairs)
    clear = gain >= LEAST_GAIN and _beyond(ratio)
    for half in _halves(points) if clear else ():
        part = _two_directions(points[half], values[half], bearing_deg, **lags)
        own = _best_ratio(variogram, part)[0] if part is not None else 1.0
        clear = clear and _beyond(own) and (own < 1) == (ratio < 1)
    if not clear:
        return DirectionFit(ratio, gain, False, variogram)
    distance, gamma, weight = _scaled(pairs, ratio)
    _, fitted = fit_range(variogram.model, distance, gamma, weight)
    return DirectionFit(ratio, gain, True, replace(fitted, bearing_deg=bearing_deg, ratio=ratio))


def _beyond(ratio: float) -> bool:
    return bool(abs(np.log(ratio)) >= np.log(CLEAR_RATIO))


def _halves(points: Floats) -> tuple[np.ndarray, np.ndarray]:
    """Two halves of the block, parted in the middle of its longer side."""
    axis = int(np.argmax(np.ptp(points, axis=0)))
    low = points[:, axis] < np.median(points[:, axis])
    return low, ~low


def _two_directions(
    points: Floats, values: Floats, bearing_deg: float, *, max_distance_m: float, bin_m: float
) -> tuple[ExperimentalVariogram, ExperimentalVariogram] | None:
    """Variograms along and across; None where either has too few lags."""
    out = []
    for turn in (0.0, 90.0):
        one = experimental_variogram(
            points, values, max_distance_m=max_distance_m, bin_m=bin_m,
            bearing_deg=bearing_deg + turn, tolerance_deg=TOLERANCE_DEG,
        )  # fmt: skip
        used = (one.pairs >= FEWEST_PAIRS) & (one.distance_m >= SHORTEST_LAG_M)
        if used.sum() < FEWEST_LAGS:
            return None
        out.append(
            ExperimentalVariogram(one.distance_m[used], one.semivariance[used], one.pairs[used], one.variance)
        )
    return out[0], out[1]


def _scaled(
    pairs: tuple[ExperimentalVariogram, ExperimentalVariogram], ratio: float
) -> tuple[Floats, Floats, Floats]:
    """Distances brought to those along the rows, semivariances, and weights by the distances as they are."""
    along, across = pairs
    distance = np.concatenate([along.distance_m, across.distance_m / ratio])
    gamma = np.concatenate([along.semivariance, across.semivariance])
    weight = np.concatenate([one.pairs / one.distance_m**2 for one in pairs])
    return distance, gamma, weight


def _best_ratio(
    variogram: Variogram, pairs: tuple[ExperimentalVariogram, ExperimentalVariogram]
) -> tuple[float, float]:
    """Ratio with the least misfit, and the share of the misfit without one that it takes away."""

    def misfit(ratio: float) -> float:
        return misfit_of(variogram.model, *_scaled(pairs, ratio))

    tried = np.array([misfit(float(ratio)) for ratio in RATIOS])
    best, none = int(np.argmin(tried)), float(misfit(1.0))
    return float(RATIOS[best]), 1.0 - float(tried[best]) / none if none > 0 else 0.0
