"""How trunk disease spreads over vines and eats into the crop: the curves behind every invented estate."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Munkvold, Duthie & Marois 1994 [S]: y = intercept - slope * d, in % of a healthy vine's yield.
YIELD_LINES: dict[int, tuple[float, float]] = {1991: (101.0, 90.26), 1992: (100.1, 98.81)}
HALF_AGE_YEARS = 22.0  # age at which half the vines are affected; with RATE puts 8 % at age 12 (NZ 2013 [S])
RATE_PER_YEAR = 0.25  # logistic rate; steepest rise 6.25 points a year, within the 1-7.5 of the survey [S]
PACE_YEARS = 4.0  # years in which 63 % of an affected vine's spurs die; common practice, no source
RAMP = (0.10, 0.65, 1.0)  # share of full crop after trunk renewal: one crop missed, full in 2-3 seasons [S]
_PARTS = 64  # parts into which the vines of a zone are split by the time they are infected


def relative_yield(dead_share: ArrayLike, *, season: int = 1992) -> NDArray[np.float64]:
    """Yield of a diseased vine as a share of a healthy vine's, from the share of its spurs that is dead.

    Parameters
    ----------
    dead_share : array_like
        Share of spurs dead or symptomatic, 0 to 1 [-].
    season : {1991, 1992}, optional
        Which of the two published lines.

    Returns
    -------
    numpy.ndarray
        Share of a healthy vine's yield, 0 to 1, shape of `dead_share`.

    References
    ----------
    Munkvold, Duthie & Marois 1994, Phytopathology 84:186-192: y = 101.0 - 90.26 d in 1991 and
    y = 100.1 - 98.81 d in 1992 (y in %, d as a share). Held within 0 to 100 %.

    Examples
    --------
    >>> relative_yield([0.0, 0.5, 1.0]).round(3).tolist()
    [1.0, 0.507, 0.013]
    """
    intercept, slope = YIELD_LINES[season]
    percent = intercept - slope * np.asarray(dead_share, dtype=float)
    return np.clip(percent, 0.0, 100.0) / 100.0


def incidence(
    age_years: ArrayLike, *, half_age_years: float = HALF_AGE_YEARS, rate_per_year: float = RATE_PER_YEAR
) -> NDArray[np.float64]:
    """Share of vines affected at an age: an S-shaped (logistic) curve.

    Parameters
    ----------
    age_years : array_like
        Age of the planting [years].
    half_age_years : float, optional
        Age at which half the vines are affected [years].
    rate_per_year : float, optional
        Logistic rate [1/year].

    Returns
    -------
    numpy.ndarray
        Share of vines affected, 0 to 1.

    References
    ----------
    Shape: Munkvold et al. 1993, Phytopathology 83:1440-1448 (incidence more than doubling within about three
    years). Defaults: 8 % of vines at mean age 12 (New Zealand 2013); rises of 1 to 7.5 points a year
    (Limestone Coast survey 2012-2019).

    Examples
    --------
    >>> incidence([12, 22]).round(3).tolist()
    [0.076, 0.5]
    """
    age = np.asarray(age_years, dtype=float)
    return np.asarray(1.0 / (1.0 + np.exp(-rate_per_year * (age - half_age_years))))


def dead_share(years_since: ArrayLike, *, pace_years: ArrayLike = PACE_YEARS) -> NDArray[np.float64]:
    """Share of an affected vine's spurs that is dead, by the years since it was affected.

    Parameters
    ----------
    years_since : array_like
        Years since infection showed; negative means not yet [years].
    pace_years : array_like, optional
        Time in which 63 % of the spurs die [years].

    Returns
    -------
    numpy.ndarray
        Share of spurs dead, 0 to 1.

    Examples
    --------
    >>> dead_share([-1.0, 0.0, 4.0]).round(3).tolist()
    [0.0, 0.0, 0.632]
    """
    since = np.maximum(np.asarray(years_since, dtype=float), 0.0)
    return np.asarray(-np.expm1(-since / np.asarray(pace_years, dtype=float)))


def spread_loss(
    years_from_half: ArrayLike, *, rate_per_year: ArrayLike, pace_years: ArrayLike = PACE_YEARS
) -> NDArray[np.float64]:
    """Loss of a zone in which the disease spreads: mean over its vines of the loss by severity.

    Vines are affected at times that follow the logistic curve; each then loses spurs at `pace_years`.

    Parameters
    ----------
    years_from_half : array_like
        Years from the time at which half of the vines are affected [years].
    rate_per_year : array_like
        Logistic rate of the spread [1/year]; broadcast with `years_from_half`.
    pace_years : array_like, optional
        As in `dead_share` [years].

    Returns
    -------
    numpy.ndarray
        Share of healthy yield lost, 0 to 1, if every vine can be affected.

    Examples
    --------
    >>> spread_loss([-10.0, 0.0, 30.0], rate_per_year=0.5).round(2).tolist()
    [0.0, 0.21, 0.99]
    """
    years, rate, pace = np.broadcast_arrays(years_from_half, rate_per_year, pace_years)
    quantile = (np.arange(_PARTS) + 0.5) / _PARTS
    logit = np.log(quantile / (1.0 - quantile))
    since = years[..., None] - logit / rate[..., None]
    return np.asarray(1.0 - relative_yield(dead_share(since, pace_years=pace[..., None])).mean(axis=-1))


def half_time(
    onset_year: float, *, rate_per_year: float, pace_years: float, ceiling: float, onset_loss: float
) -> float:
    """Year in which half of the vines are affected, so that the loss reaches `onset_loss` in `onset_year`.

    Parameters
    ----------
    onset_year : float
        Year [year].
    rate_per_year, pace_years : float
        As in `spread_loss`.
    ceiling : float
        Share of the vines that can be affected at all, 0 to 1.
    onset_loss : float
        Share of healthy yield lost in the onset year, below `ceiling`.

    Returns
    -------
    float

    Examples
    --------
    >>> half = half_time(2020, rate_per_year=0.5, pace_years=4, ceiling=0.8, onset_loss=0.03)
    >>> bool(abs(0.8 * spread_loss(2020 - half, rate_per_year=0.5) - 0.03) < 0.002)
    True
    """
    offset = np.linspace(-30.0, 30.0, 601)
    loss = ceiling * spread_loss(offset, rate_per_year=rate_per_year, pace_years=pace_years)
    return onset_year - float(np.interp(onset_loss, loss, offset))
