"""Candidate decline curves: what a healthy zone's log yield loses, year by year, by the kind of its course.

Held (no loss), steady (loss began before the first vintage and grows by the same share of healthy yield every
year), held then declining (the same, with its onset among the vintages) and S-shaped (loss follows a logistic
course in the age of the vines, as trunk-disease incidence does); after a renewal the crop recovers along a
smooth ramp to a full level that is itself uncertain. Every curve is a kind and three standard normal scores,
its parameters being quantiles at those scores: a fresh curve is three normal draws, and a small step from a
curve keeps the prior if it mixes old and new scores as in an autoregression.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vinemap.decline.courses import (
    FLOOR,
    HELD,
    HELD_THEN,
    RATE_EDGES_PCT,
    RECOVERING,
    S_SHAPED,
    STEADY,
    FloatArray,
    IntArray,
    fill_classes,
    fill_curves,
    fill_paces,
)
from vinemap.errors import DataError

__all__ = [
    "FAMILIES", "FLOOR", "HELD", "HELD_THEN", "RATE_EDGES_PCT", "RECOVERING", "SCORES", "STEADY", "S_SHAPED",
    "CurveSpace", "FloatArray", "IntArray", "classify_rate", "draw_rates", "make_space", "trace_curves",
]  # fmt: skip

FAMILIES = ("held", "steady", "held then declining", "S-shaped with age", "recovering after renewal")
LONGEST_LEAD_YEARS = 6.0  # loss that began longer ago than this before the first vintage counts as weak soil
FIRST_SYMPTOM_AGE = 6.0  # years; Kaplan et al. 2016: first symptoms between years 6 and 10
MIDPOINT_AGE = 20.0  # years; New Zealand 2013: 8 % of vines at mean age 12, risk rising from about 15 years
MIDPOINT_AGE_SD = 7.0
UNKNOWN_AGE = 15.0  # years at the first vintage where the planting year is not given
SCORES = 3  # standard normal scores a curve
_QUANTILES = 401


@dataclass(frozen=True, slots=True)
class CurveSpace:
    """What turns kind and scores into curves, for n owners (zones, or parts of zones after a renewal).

    Attributes
    ----------
    years : int array (T,)
        Calendar years, without gaps.
    last_vintage : int
    planted : float array (n,)
        Year of planting.
    work_year : float array (n,)
        Year of renewal, NaN where the owner is no renewed part.
    lead : float array (n,)
        Years before the first vintage in which a steady fall may have begun.
    midpoint : float array (n, 401)
        Quantiles of the year in which the S-shaped course is half way.
    """

    years: IntArray
    last_vintage: int
    planted: FloatArray
    work_year: FloatArray
    lead: FloatArray
    midpoint: FloatArray


def make_space(
    years: IntArray, *, last_vintage: int, planted: FloatArray, work_year: FloatArray | None = None
) -> CurveSpace:
    """Prepare the curves of n owners.

    Parameters
    ----------
    years : int array (T,)
        Years without gaps from the first vintage to the horizon.
    last_vintage : int
    planted : float array (n,)
        NaN where not known: the vines then count as 15 years old at the first vintage.
    work_year : float array (n,), optional
        Year of renewal, NaN for owners that are no renewed part.

    Returns
    -------
    CurveSpace

    Raises
    ------
    DataError
        If the years have gaps or run backwards.

    References
    ----------
    Kaplan et al. 2016, Wine Economics and Policy 5(2):127-141 (age of first symptoms).
    """
    if years.size == 0 or not np.array_equal(years, np.arange(years[0], years[0] + years.size)):
        raise DataError(
            f"Years must follow one another without gaps, not {years.tolist()}.",
            remedy="Pass every year from first to last.",
        )
    planted = np.where(np.isfinite(planted), planted, years[0] - UNKNOWN_AGE)
    grid = np.linspace(0.0, 1.0, _QUANTILES)
    rows = {}
    for one in np.unique(planted):
        low = max(one + FIRST_SYMPTOM_AGE, years[0] - LONGEST_LEAD_YEARS / 2)
        rows[one] = _truncated_normal(one + MIDPOINT_AGE, MIDPOINT_AGE_SD, low, last_vintage + 6.0, grid)
    midpoint = np.stack([rows[one] for one in planted])
    work = np.full(planted.size, np.nan) if work_year is None else work_year
    lead = np.clip(years[0] - planted - FIRST_SYMPTOM_AGE, 1.0, LONGEST_LEAD_YEARS)
    return CurveSpace(years, last_vintage, planted, work, lead, midpoint)


def trace_curves(
    space: CurveSpace,
    owner: IntArray,
    family: IntArray,
    scores: FloatArray,
    columns: IntArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Compute curves from kinds and scores.

    Parameters
    ----------
    space : CurveSpace
    owner : int array (...)
        Whose age or renewal counts.
    family : int array (...)
    scores : float array (..., 3)
    columns : int array (W,), optional
        Positions in `space.years`; all where not given.

    Returns
    -------
    log_curve : float array (..., W)
        Log of the share of healthy yield kept.
    onset_year : float array (...)
        NaN for held and recovering.

    References
    ----------
    Munkvold, Duthie and Marois 1993, Phytopathology 83:1440-1448 (S-shaped: incidence doubles within about
    three years); Sosnowski, Wicks and Scott 2011, Phytopathologia Mediterranea 50(4):277-284 (recovering:
    retraining takes about two years; elsewhere one crop is missed and full crop comes in 2-3 seasons).

    Examples
    --------
    >>> space = make_space(np.arange(2017, 2030), last_vintage=2026, planted=np.array([2000.0]))
    >>> fall = trace_curves(space, np.array([0]), np.array([STEADY]), np.zeros((1, 3)))[0][0]
    >>> bool((np.diff(fall) < 0).all())
    True
    """
    years = (space.years if columns is None else space.years[columns]).astype(float)
    flat, first = np.ascontiguousarray(scores, dtype=float).reshape(-1, SCORES), float(space.years[0])
    log_curve, onset = np.empty((flat.shape[0], years.size)), np.empty(flat.shape[0])
    owners = np.ascontiguousarray(np.broadcast_to(owner, family.shape)).ravel()
    span = (first, max(space.last_vintage, first + 1) + 0.5 - first)
    fill_curves(owners, np.ascontiguousarray(family).ravel(), flat, years, span, space.lead, space.midpoint,
                space.work_year, log_curve, onset)  # fmt: skip
    return log_curve.reshape(*family.shape, years.size), onset.reshape(family.shape)


def classify_rate(family: IntArray, scores: FloatArray) -> IntArray:
    """Find the class of the steepest yearly loss of curves.

    Parameters
    ----------
    family : int array (...)
    scores : float array (..., 3)

    Returns
    -------
    int array (...)
        Number of `RATE_EDGES_PCT` that it reaches; 0 for held and recovering.

    Examples
    --------
    >>> classify_rate(np.array([HELD, STEADY]), np.zeros((2, 3))).tolist()
    [0, 2]
    """
    found = np.empty(family.size, dtype=np.int64)
    flat = np.ascontiguousarray(scores, dtype=float).reshape(-1, SCORES)
    fill_classes(np.ascontiguousarray(family).ravel(), flat, found)
    return found.reshape(family.shape)


def draw_rates(shape: tuple[int, ...], rng: np.random.Generator) -> FloatArray:
    """Draw yearly losses from the prior.

    Parameters
    ----------
    shape : tuple of int
    rng : numpy.random.Generator

    Returns
    -------
    float array of that shape
        [share of healthy yield a year]
    """
    found = np.empty(shape)
    fill_paces(rng.standard_normal(shape).ravel(), found.ravel())
    return found


def _truncated_normal(mean: float, sd: float, low: float, high: float, quantile: FloatArray) -> FloatArray:
    """Quantiles of a normal between two limits, its tails kept open."""
    grid = np.linspace(low, max(high, low + 1.0), 201)
    weight = np.exp(-0.5 * np.clip(((grid - mean) / sd), -3.0, 3.0) ** 2)  # tails kept open
    cumulative = np.cumsum(weight) / weight.sum()
    return np.interp(quantile, cumulative, grid)
