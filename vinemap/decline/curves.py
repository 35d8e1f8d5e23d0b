"""Candidate decline curves: what a healthy zone's log yield loses, year by year, under four kinds of course.

Held (no loss), steady (loss began before the first vintage and grows by the same share of healthy yield every
year), held then declining (the same, with its onset among the vintages) and S-shaped (loss follows a logistic
course in the age of the vines, as trunk-disease incidence does). The parameters are drawn once from their
prior, so that a bank of a few hundred curves stands for the continuous prior; several chains use several
banks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

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
LONGEST_LEAD_YEARS = 6.0  # loss that began longer ago than this before the first vintage counts as weak soil
FIRST_SYMPTOM_AGE = 6.0  # years; Kaplan et al. 2016: first symptoms between years 6 and 10
MIDPOINT_AGE = 20.0  # years; New Zealand 2013: 8 % of vines at mean age 12, risk rising from about 15 years
MIDPOINT_AGE_SD = 7.0
UNKNOWN_AGE = 15.0  # years at the first vintage where the planting year is not given
PER_FAMILY = 140
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
    log_weight : float array (K,)
        Log prior weight within family and rate class.
    """

    years: IntArray
    log_curve: FloatArray
    family: IntArray
    rate_class: IntArray
    onset_year: FloatArray
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
    if years.size == 0 or not np.array_equal(years, np.arange(years[0], years[0] + years.size)):
        raise DataError(
            f"Years must follow one another without gaps, not {years.tolist()}.",
            remedy="Pass every year from first to last.",
        )
    planted = year_planted if np.isfinite(year_planted) else years[0] - UNKNOWN_AGE
    makers = {STEADY: _steady, HELD_THEN: _held_then, S_SHAPED: _s_shaped}
    losses, onsets, kinds = [np.zeros((1, years.size))], [np.array([np.nan])], [np.array([HELD])]
    for family in families:
        loss, onset = makers[family](years, planted, last_vintage, per_family, rng)
        losses.append(loss)
        onsets.append(onset)
        kinds.append(np.full(per_family, family))
    return _finish(years, np.concatenate(losses), np.concatenate(onsets), np.concatenate(kinds))


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
    since = np.maximum(years - work_year, 0.0)[None, :]
    full = np.clip(rng.normal(FULL_AGAIN, FULL_AGAIN_SD, per_family), 0.5, 1.15)[:, None]
    half = (HALF_CROP_YEARS * np.exp(0.2 * rng.standard_normal(per_family)))[:, None]
    steepness = rng.uniform(1.5, 5.0, per_family)[:, None]
    kept = np.maximum(full * (1 - np.exp(-np.log(2) * (since / half) ** steepness)), 0.02)
    size = per_family
    return CurveBank(
        years,
        np.log(kept),
        np.full(size, RECOVERING),
        np.zeros(size, dtype=np.int64),
        np.full(size, np.nan),
        np.full(size, -np.log(size)),
    )


def _rates(size: int, rng: np.random.Generator) -> FloatArray:
    return np.clip(MEDIAN_RATE * np.exp(RATE_LOG_SD * rng.standard_normal(size)), 0.007, 0.20)


def _ramp(years: IntArray, onset: FloatArray, rate: FloatArray) -> FloatArray:
    return rate[:, None] * np.maximum(years[None, :] - onset[:, None], 0.0)


def _steady(
    years: IntArray, planted: float, _last: int, size: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    room = float(np.clip(years[0] - planted - FIRST_SYMPTOM_AGE, 1.0, LONGEST_LEAD_YEARS))
    onset = years[0] - room * rng.beta(1.0, 3.0, size)  # short leads are likelier than long ones
    return _ramp(years, onset, _rates(size, rng)), onset


def _held_then(
    years: IntArray, _planted: float, last: int, size: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    onset = rng.uniform(years[0], max(last, years[0] + 1) + 0.5, size)
    return _ramp(years, onset, _rates(size, rng)), onset


def _s_shaped(
    years: IntArray, planted: float, last: int, size: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    rate = np.clip(0.45 * np.exp(0.45 * rng.standard_normal(size)), 0.15, 1.5)
    ceiling = rng.uniform(0.15, 1.0 - FLOOR, size)
    earliest = max(planted + FIRST_SYMPTOM_AGE, years[0] - LONGEST_LEAD_YEARS / 2)
    midpoint = _truncated_normal(planted + MIDPOINT_AGE, MIDPOINT_AGE_SD, earliest, last + 6.0, size, rng)
    onset = midpoint - np.log(9.0) / rate  # a tenth of the ceiling is lost
    loss = ceiling[:, None] / (1 + np.exp(-rate[:, None] * (years[None, :] - midpoint[:, None])))
    return loss, onset


def _truncated_normal(
    mean: float, sd: float, low: float, high: float, size: int, rng: np.random.Generator
) -> FloatArray:
    grid = np.linspace(low, max(high, low + 1.0), 201)
    weight = np.exp(-0.5 * np.clip(((grid - mean) / sd), -3.0, 3.0) ** 2)  # tails kept open
    cumulative = np.cumsum(weight) / weight.sum()
    return np.interp(rng.uniform(size=size), cumulative, grid)


def _finish(years: IntArray, loss: FloatArray, onset: FloatArray, family: IntArray) -> CurveBank:
    loss = np.minimum(loss, 1.0 - FLOOR)
    steepest = 100 * np.diff(loss, axis=1).max(axis=1, initial=0.0)
    rate_class = np.digitize(steepest, RATE_EDGES_PCT).astype(np.int64)
    rate_class[family == HELD] = 0
    log_weight = np.zeros(family.size)
    for one in np.unique(family):
        for rate in np.unique(rate_class):
            inside = (family == one) & (rate_class == rate)
            log_weight[inside] = -np.log(max(inside.sum(), 1))
    return CurveBank(years, np.log1p(-loss), family.astype(np.int64), rate_class, onset, log_weight)
