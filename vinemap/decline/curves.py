"""Candidate decline curves: what a healthy zone's log yield loses, year by year, under four kinds of course.

Held (no loss), steady (loss began before the first vintage and grows by the same share of healthy yield every
year), held then declining (the same, with its onset among the vintages) and S-shaped (loss follows a logistic
course in the age of the vines, as trunk-disease incidence does). Every curve is a kind and three standard
normal scores, its parameters being quantiles at those scores: a fresh curve is three normal draws, and a
small step from a curve keeps the prior if it mixes old and new scores as in an autoregression.
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
    "CurveBank", "CurveSpace", "FloatArray", "IntArray", "classify_rate", "draw_bank", "draw_rates",
    "draw_recovery", "make_space", "trace_curves",
]  # fmt: skip

FAMILIES = ("held", "steady", "held then declining", "S-shaped with age", "recovering after renewal")
LONGEST_LEAD_YEARS = 6.0  # loss that began longer ago than this before the first vintage counts as weak soil
FIRST_SYMPTOM_AGE = 6.0  # years; Kaplan et al. 2016: first symptoms between years 6 and 10
MIDPOINT_AGE = 20.0  # years; New Zealand 2013: 8 % of vines at mean age 12, risk rising from about 15 years
MIDPOINT_AGE_SD = 7.0
UNKNOWN_AGE = 15.0  # years at the first vintage where the planting year is not given
PER_FAMILY = 140
SCORES = 3  # standard normal scores a curve
_QUANTILES = 401


@dataclass(frozen=True, slots=True)
class CurveBank:
    """Candidate curves on a yearly axis.

    Attributes
    ----------
    years : int array (T,)
        Calendar years, without gaps, from the first vintage to the horizon.
    log_curve : float array (K, T)
        Log of the share of healthy yield kept; curve 0 is held (all zero).
    family : int array (K,)
        Index into `FAMILIES`.
    rate_class : int array (K,)
        Class of steepest yearly loss (see `RATE_EDGES_PCT`), 0 for held.
    onset_year : float array (K,)
        Year in which the loss sets in; NaN for held.
    scores : float array (K, 3)
        Standard normal scores of the parameters.
    log_weight : float array (K,)
        Log prior weight within family and rate class.
    """

    years: IntArray
    log_curve: FloatArray
    family: IntArray
    rate_class: IntArray
    onset_year: FloatArray
    scores: FloatArray
    log_weight: FloatArray


def draw_bank(
    years: IntArray,
    *,
    last_vintage: int,
    year_planted: float = np.nan,
    families: tuple[int, ...] = (STEADY, HELD_THEN, S_SHAPED),
    per_family: int = PER_FAMILY,
    rng: np.random.Generator,
) -> CurveBank:
    """Draw candidate curves from the prior, curve 0 held.

    Parameters
    ----------
    years : int array (T,)
        Years without gaps from the first vintage to the horizon.
    last_vintage : int
        Last vintage with data [year].
    year_planted : float, optional
        NaN where not known: the vines then count as 15 years old at the first vintage.
    families : tuple of int, optional
        Kinds of decline to offer; empty for none (the level-only special case).
    per_family : int, optional
        Curves of each kind.
    rng : numpy.random.Generator

    Returns
    -------
    CurveBank

    Raises
    ------
    DataError
        If the years have gaps or run backwards.

    References
    ----------
    Kaplan et al. 2016, Wine Economics and Policy 5(2):127-141 (age of first symptoms); Munkvold, Duthie and
    Marois 1993, Phytopathology 83:1440-1448 (incidence doubling within about three years).

    Examples
    --------
    >>> bank = draw_bank(np.arange(2017, 2030), last_vintage=2026, rng=np.random.default_rng(1))
    >>> bool((bank.log_curve[0] == 0).all()), bool((bank.log_curve <= 0).all())
    (True, True)
    """
    space = make_space(years, last_vintage=last_vintage, planted=np.array([year_planted]))
    family = np.concatenate([[HELD], np.repeat(np.array(families, dtype=np.int64), per_family)])
    scores = rng.standard_normal((family.size, SCORES))
    log_curve, onset = trace_curves(space, np.zeros(family.size, dtype=np.int64), family, scores)
    rate = classify_rate(family, scores)
    log_weight = np.zeros(family.size)
    for one in np.unique(family):
        for kind in np.unique(rate):
            inside = (family == one) & (rate == kind)
            log_weight[inside] = -np.log(max(inside.sum(), 1))
    return CurveBank(years, log_curve, family, rate, onset, scores, log_weight)


def draw_recovery(years: IntArray, *, work_year: int, per_family: int, rng: np.random.Generator) -> CurveBank:
    """Draw courses of yield after a renewal in the winter after vintage `work_year`.

    Crop comes back along a smooth ramp to a full level that is itself uncertain.

    Parameters
    ----------
    years : int array (T,)
        Years without gaps.
    work_year : int
        Year of the work; the first vintage touched is the next one.
    per_family : int
        Curves to draw.
    rng : numpy.random.Generator

    Returns
    -------
    CurveBank

    References
    ----------
    Sosnowski, Wicks and Scott 2011, Phytopathologia Mediterranea 50(4):277-284: retraining takes about two
    years; elsewhere one crop is missed and full crop comes in 2-3 seasons.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> bank = draw_recovery(np.arange(2020, 2030), work_year=2022, per_family=50, rng=rng)
    >>> bool(np.exp(bank.log_curve[:, 3]).mean() < np.exp(bank.log_curve[:, -1]).mean())
    True
    """
    space = make_space(
        years, last_vintage=int(years[-1]), planted=np.array([np.nan]), work_year=np.array([float(work_year)])
    )
    family = np.full(per_family, RECOVERING)
    scores = rng.standard_normal((per_family, SCORES))
    log_curve, onset = trace_curves(space, np.zeros(per_family, dtype=np.int64), family, scores)
    rate = np.zeros(per_family, dtype=np.int64)
    log_weight = np.full(per_family, -np.log(per_family))
    return CurveBank(years, log_curve, family, rate, onset, scores, log_weight)


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
    """Class of the steepest yearly loss (see `RATE_EDGES_PCT`); 0 for held and recovering."""
    found = np.empty(family.size, dtype=np.int64)
    flat = np.ascontiguousarray(scores, dtype=float).reshape(-1, SCORES)
    fill_classes(np.ascontiguousarray(family).ravel(), flat, found)
    return found.reshape(family.shape)


def draw_rates(shape: tuple[int, ...], rng: np.random.Generator) -> FloatArray:
    """Draw yearly losses from the prior [share of healthy yield a year]."""
    found = np.empty(shape)
    fill_paces(rng.standard_normal(shape).ravel(), found.ravel())
    return found


def _truncated_normal(mean: float, sd: float, low: float, high: float, quantile: FloatArray) -> FloatArray:
    grid = np.linspace(low, max(high, low + 1.0), 201)
    weight = np.exp(-0.5 * np.clip(((grid - mean) / sd), -3.0, 3.0) ** 2)  # tails kept open
    cumulative = np.cumsum(weight) / weight.sum()
    return np.interp(quantile, cumulative, grid)
