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
import numpy.typing as npt
from scipy import special

from vinemap.errors import DataError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HELD, STEADY, HELD_THEN, S_SHAPED, RECOVERING = range(5)
FAMILIES = ("held", "steady", "held then declining", "S-shaped with age", "recovering after renewal")
FLOOR = 0.10  # share of healthy yield below which no curve goes; common practice, no source
RATE_EDGES_PCT = (1.5, 3.0, 5.0, 8.0)  # borders of the classes of yearly loss, % of healthy per year
MEDIAN_RATE = (
    0.03  # share of healthy yield a year; the estate's own spread re-weights it (see `RATE_EDGES_PCT`)
)
RATE_LOG_SD = 0.75
# A fall of more than this in one year is a season or a machine: incidence rises 1 to 7.5 points a year
# (Limestone Coast survey 2012-2019, handbook [S]), and vines lose their crop over years, not at once.
LEAST_RATE, LARGEST_RATE = 0.007, 0.15
LONGEST_LEAD_YEARS = 6.0  # loss that began longer ago than this before the first vintage counts as weak soil
FIRST_SYMPTOM_AGE = 6.0  # years; Kaplan et al. 2016: first symptoms between years 6 and 10
MIDPOINT_AGE = 20.0  # years; New Zealand 2013: 8 % of vines at mean age 12, risk rising from about 15 years
MIDPOINT_AGE_SD = 7.0
UNKNOWN_AGE = 15.0  # years at the first vintage where the planting year is not given
PER_FAMILY = 140
SCORES = 3  # standard normal scores a curve
_QUANTILES = 401
HALF_CROP_YEARS = 1.75  # one crop missed, full crop in 2-3 seasons (handbook, section 1)
FULL_AGAIN, FULL_AGAIN_SD = 1.0, 0.10  # share of healthy yield once recovered; common practice, no source


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
    midpoint : float array (n, 401)
        Quantiles of the year in which the S-shaped course is half way.
    """

    years: IntArray
    last_vintage: int
    planted: FloatArray
    work_year: FloatArray
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
    return CurveSpace(years, last_vintage, planted, work, midpoint)


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
    owners, kinds = np.broadcast_to(owner, family.shape).ravel(), family.ravel()
    flat = scores.reshape(-1, SCORES)
    log_curve, onset = np.zeros((kinds.size, years.size)), np.full(kinds.size, np.nan)
    for kind, maker in _MAKERS.items():
        hit = np.flatnonzero(kinds == kind)
        if hit.size:
            log_curve[hit], onset[hit] = maker(space, owners[hit], flat[hit], years)
    return log_curve.reshape(*family.shape, years.size), onset.reshape(family.shape)


def classify_rate(family: IntArray, scores: FloatArray) -> IntArray:
    """Class of the steepest yearly loss (see `RATE_EDGES_PCT`); 0 for held and recovering."""
    steady = _rate(scores[..., 1])
    s_shaped = _ceiling(scores[..., 1]) * np.tanh(_s_rate(scores[..., 0]) / 4)  # across the year of half loss
    steepest = np.where(family == S_SHAPED, s_shaped, steady)
    loses = (family != HELD) & (family != RECOVERING)
    return np.where(loses, np.digitize(100 * steepest, RATE_EDGES_PCT), 0).astype(np.int64)


def draw_rates(shape: tuple[int, ...], rng: np.random.Generator) -> FloatArray:
    """Draw yearly losses from the prior [share of healthy yield a year]."""
    return _rate(rng.standard_normal(shape))


def _rate(score: FloatArray) -> FloatArray:
    return np.asarray(np.clip(MEDIAN_RATE * np.exp(RATE_LOG_SD * score), LEAST_RATE, LARGEST_RATE))


def _s_rate(score: FloatArray) -> FloatArray:
    return np.asarray(np.clip(0.40 * np.exp(0.40 * score), 0.15, 1.0))


def _ceiling(score: FloatArray) -> FloatArray:
    return np.asarray(0.15 + (1.0 - FLOOR - 0.15) * special.ndtr(score))


def _ramp(years: FloatArray, onset: FloatArray, rate: FloatArray) -> FloatArray:
    loss = rate[:, None] * np.maximum(years[None, :] - onset[:, None], 0.0)
    return np.log1p(-np.minimum(loss, 1.0 - FLOOR))


def _steady(
    space: CurveSpace, owner: IntArray, scores: FloatArray, years: FloatArray
) -> tuple[FloatArray, FloatArray]:
    first = float(space.years[0])
    room = np.clip(first - space.planted[owner] - FIRST_SYMPTOM_AGE, 1.0, LONGEST_LEAD_YEARS)
    # beta(1, 3): short leads are likelier than long ones
    onset = first - room * (1.0 - np.cbrt(special.ndtr(-scores[:, 0])))
    return _ramp(years, onset, _rate(scores[:, 1])), onset


def _held_then(
    space: CurveSpace, _owner: IntArray, scores: FloatArray, years: FloatArray
) -> tuple[FloatArray, FloatArray]:
    first = float(space.years[0])
    span = max(space.last_vintage, first + 1) + 0.5 - first
    onset = first + span * special.ndtr(scores[:, 0])
    return _ramp(years, onset, _rate(scores[:, 1])), onset


def _s_shaped(
    space: CurveSpace, owner: IntArray, scores: FloatArray, years: FloatArray
) -> tuple[FloatArray, FloatArray]:
    rate = _s_rate(scores[:, 0])
    place = special.ndtr(scores[:, 2]) * (_QUANTILES - 1)
    below = np.minimum(place.astype(np.int64), _QUANTILES - 2)
    low, high = space.midpoint[owner, below], space.midpoint[owner, below + 1]
    midpoint = low + (place - below) * (high - low)
    onset = midpoint - np.log(9.0) / rate  # a tenth of the ceiling is lost
    share = special.expit(rate[:, None] * (years[None, :] - midpoint[:, None]))
    return np.log1p(-_ceiling(scores[:, 1])[:, None] * share), onset


def _recovering(
    space: CurveSpace, owner: IntArray, scores: FloatArray, years: FloatArray
) -> tuple[FloatArray, FloatArray]:
    since = np.maximum(years[None, :] - space.work_year[owner][:, None], 0.0)
    full = np.clip(FULL_AGAIN + FULL_AGAIN_SD * scores[:, 0], 0.5, 1.15)[:, None]
    half = (HALF_CROP_YEARS * np.exp(0.2 * scores[:, 1]))[:, None]
    steepness = (1.5 + 3.5 * special.ndtr(scores[:, 2]))[:, None]
    kept = np.maximum(full * (1 - np.exp(-np.log(2) * (since / half) ** steepness)), 0.02)
    return np.log(kept), np.full(owner.size, np.nan)


_MAKERS = {STEADY: _steady, HELD_THEN: _held_then, S_SHAPED: _s_shaped, RECOVERING: _recovering}


def _truncated_normal(mean: float, sd: float, low: float, high: float, quantile: FloatArray) -> FloatArray:
    grid = np.linspace(low, max(high, low + 1.0), 201)
    weight = np.exp(-0.5 * np.clip(((grid - mean) / sd), -3.0, 3.0) ** 2)  # tails kept open
    cumulative = np.cumsum(weight) / weight.sum()
    return np.interp(quantile, cumulative, grid)
