"""Courses of decline and recovery at given scores: what the constants promise a reader of the handbook."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from vinemap.decline.curves import (
    FLOOR,
    HELD,
    HELD_THEN,
    RATE_EDGES_PCT,
    RECOVERING,
    S_SHAPED,
    STEADY,
    classify_rate,
    draw_rates,
    make_space,
    trace_curves,
)
from vinemap.errors import DataError

YEARS = np.arange(2017, 2061)
LAST = 2026


def trace(
    family: int, *scores: float, planted: float = 1995.0, work: float = np.nan, years=YEARS, columns=None
):
    """Share kept [of healthy] by year and onset of one curve."""
    space = make_space(years, last_vintage=LAST, planted=np.array([planted]), work_year=np.array([work]))
    given = np.array([[*scores, *[0.0] * (3 - len(scores))]])
    log, onset = trace_curves(space, np.zeros(1, dtype=np.int64), np.array([family]), given, columns)
    return np.exp(log[0]), float(onset[0])


# ---------------------------------------------------------------- straight falls
def test_held_keeps_everything():
    kept, onset = trace(HELD, 1.0, 2.0)
    assert (kept == 1).all()
    assert np.isnan(onset)


@pytest.mark.parametrize(
    ("score", "pace"), [(0.0, 0.03), (1.0, 0.03 * np.exp(0.75)), (-9.0, 0.007), (9.0, 0.15)],
    ids=["median", "one SD", "slowest", "fastest"],
)  # fmt: skip
@pytest.mark.parametrize("family", [STEADY, HELD_THEN])
def test_a_straight_fall_loses_the_same_share_every_year(family, score, pace):
    """3 % of healthy a year in the middle, 0.7 to 15 % at the ends; from the onset on, down to the floor."""
    kept, onset = trace(family, 0.0, score)
    falling = (onset <= YEARS) & (kept > FLOOR + pace)
    np.testing.assert_allclose(1 - kept[falling], pace * (YEARS[falling] - onset))
    assert (kept[onset >= YEARS] == 1).all()
    assert kept.min() >= FLOOR - 1e-12
    if score > 0:
        assert kept[-1] == pytest.approx(FLOOR)


def test_onset_of_held_then_declining_is_even_over_the_vintages():
    """From the first vintage to half a year after the last."""
    for share in (0.05, 0.5, 0.95):
        assert trace(HELD_THEN, stats.norm.ppf(share))[1] == pytest.approx(2017 + 9.5 * share)


def test_a_steady_fall_began_before_the_first_vintage():
    """Short leads are likelier: Beta(1, 3) of at most six years, less for young vines, one at the least."""
    for planted, longest in ((1990, 6.0), (2007, 4.0), (2015, 1.0)):
        for share in (0.1, 0.5, 0.9):
            lead = 2017 - trace(STEADY, stats.norm.ppf(share), planted=planted)[1]
            assert lead / longest == pytest.approx(stats.beta.ppf(share, 1, 3), abs=1e-6)


def test_one_vintage_leaves_room_for_an_onset():
    """With a single vintage the onset may lie up to a year and a half on."""
    space = make_space(np.arange(2026, 2040), last_vintage=2026, planted=np.array([2000.0]))
    late = np.array([[stats.norm.ppf(0.999), 0.0, 0.0]])
    _, onset = trace_curves(space, np.zeros(1, dtype=np.int64), np.array([HELD_THEN]), late)
    assert onset[0] == pytest.approx(2027.5, abs=0.01)


def test_columns_pick_years():
    whole, onset = trace(HELD_THEN, 0.3, 0.5)
    part, same = trace(HELD_THEN, 0.3, 0.5, columns=np.array([0, 4, 9]))
    np.testing.assert_array_equal(part, whole[[0, 4, 9]])
    assert same == onset


# ---------------------------------------------------------------- S-shaped
def logistic(kept: np.ndarray, top: float) -> tuple[float, float]:
    """Rate [1/year] and middle year of a logistic loss with a known ceiling."""
    loss = 1 - kept
    inside = (loss > 0.02 * top) & (loss < 0.98 * top)
    rate, start = np.polyfit(YEARS[inside], np.log(loss[inside] / (top - loss[inside])), 1)
    return rate, -start / rate


@pytest.mark.parametrize(
    ("score", "rate"), [(0.0, 0.40), (1.0, 0.40 * np.exp(0.4)), (-9.0, 0.15), (9.0, 1.0)]
)
def test_s_shaped_loss_is_logistic_at_the_rate_of_incidence(score, rate):
    """Munkvold et al. 1993 [S]: incidence doubles within about three years, as at 0.15 to 1 a year."""
    kept, _ = trace(S_SHAPED, score, 0.0, 0.0, planted=2005.0)
    found, _ = logistic(kept, 0.15 + 0.75 / 2)
    assert found == pytest.approx(rate, rel=1e-6)
    assert (np.diff(kept) < 0).all()


@pytest.mark.parametrize(("score", "top"), [(-9.0, 0.15), (0.0, 0.525), (9.0, 0.90)])
def test_s_shaped_loss_ends_between_fifteen_percent_and_the_floor(score, top):
    kept, _ = trace(S_SHAPED, 9.0, score, 0.0, planted=2005.0)
    assert 1 - kept[-1] == pytest.approx(top, abs=1e-6)


@pytest.mark.parametrize("score", [-1.0, 0.0, 1.0])
def test_s_shaped_loss_sets_in_at_a_tenth_of_its_ceiling(score):
    kept, onset = trace(S_SHAPED, score, 0.5, 0.0, planted=2005.0)
    top = 0.15 + 0.75 * stats.norm.cdf(0.5)
    rate, middle = logistic(kept, top)
    assert 1 / (1 + np.exp(-rate * (onset - middle))) == pytest.approx(0.1, abs=1e-6)


def test_half_way_is_at_twenty_years_of_age_or_so():
    """Normal about 20 years with SD 7 years, cut off at age six and six years past the last vintage."""
    middles = {}
    for share in (0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98):
        kept, _ = trace(S_SHAPED, 0.0, 0.0, stats.norm.ppf(share), planted=2002.0)
        middles[share] = logistic(kept, 0.525)[1]
    cut = stats.truncnorm((2014 - 2022) / 7, (2032 - 2022) / 7, loc=2022, scale=7)
    for share, middle in middles.items():
        assert middle == pytest.approx(cut.ppf(share), abs=0.15)
    early = logistic(trace(S_SHAPED, 0.0, 0.0, -9.0, planted=2015.0)[0], 0.525)[1]
    assert early == pytest.approx(2021, abs=0.1)  # no vine shows symptoms before it is six years old
    late = logistic(trace(S_SHAPED, 0.0, 0.0, 9.0, planted=2015.0)[0], 0.525)[1]
    assert late == pytest.approx(2032, abs=0.1)
    old = logistic(trace(S_SHAPED, 0.0, 0.0, -9.0, planted=1950.0)[0], 0.525)[1]
    assert old == pytest.approx(2014, abs=0.1)  # as long before the first vintage as half the longest lead


@pytest.mark.parametrize("planted", [1947.0, 1975.0])
def test_old_vines_still_have_a_choice_of_years(planted):
    """Forty or seventy years old, past the usual age: any year from 2014 to 2032 stays about as likely."""
    space = make_space(YEARS, last_vintage=LAST, planted=np.array([planted]))
    quartiles = space.midpoint[0, [100, 200, 300]]
    np.testing.assert_allclose(quartiles, [2018.5, 2023, 2027.5], atol=1.2)


def test_vines_of_unknown_age_count_as_fifteen_years_old():
    known = trace(S_SHAPED, 0.0, 0.0, 0.4, planted=2002.0)
    unknown = trace(S_SHAPED, 0.0, 0.0, 0.4, planted=np.nan)
    np.testing.assert_array_equal(known[0], unknown[0])


# ---------------------------------------------------------------- recovery
def test_no_crop_in_the_winter_of_the_work_and_half_of_it_two_seasons_on():
    """Handbook section 1 [S]: one crop missed, full crop in 2-3 seasons; half is reached at 1.75 years."""
    kept, _ = trace(RECOVERING, 0.0, work=2020.0)
    assert kept[:4].tolist() == pytest.approx([0.02] * 4)  # up to 2020: nothing to speak of
    assert np.interp(1.75, YEARS - 2020, kept) == pytest.approx(0.5, abs=0.05)
    assert kept[-1] == pytest.approx(1.0)
    assert (np.diff(kept) >= 0).all()


@pytest.mark.parametrize(("score", "full"), [(0.0, 1.0), (1.0, 1.1), (-1.0, 0.9), (9.0, 1.15), (-9.0, 0.5)])
def test_full_crop_after_a_renewal_is_near_the_healthy_one(score, full):
    kept, onset = trace(RECOVERING, score, work=2020.0)
    assert kept[-1] == pytest.approx(full)
    assert np.isnan(onset)


def test_a_slow_recovery_takes_a_fifth_longer_a_standard_deviation():
    for score in (-1.0, 0.0, 1.0):
        half, steep = 1.75 * np.exp(0.2 * score), 1.5 + 3.5 * 0.5
        kept, _ = trace(RECOVERING, 0.0, score, work=2020.0)
        weibull = stats.weibull_min.cdf(YEARS - 2020.0, steep, scale=half / np.log(2) ** (1 / steep))
        np.testing.assert_allclose(kept, np.maximum(weibull, 0.02))


def test_a_recovery_may_be_sudden_or_gradual():
    """Steepness 1.5 to 5: the first crop is a quarter or so at one end and hardly any at the other."""
    for score, steep in ((-9.0, 1.5), (9.0, 5.0)):
        kept, _ = trace(RECOVERING, 0.0, 0.0, score, work=2020.0)
        assert kept[4] == pytest.approx(1 - 0.5 ** (1.75**-steep))


# ---------------------------------------------------------------- classes and priors
@pytest.mark.parametrize("pace", [1.0, 1.49, 1.51, 2.9, 3.1, 4.9, 5.1, 7.9, 8.1, 14.0])
def test_class_of_a_straight_fall_is_that_of_its_pace(pace):
    """Classes of up to 1.5, 3, 5, 8 % a year and more."""
    scores = np.array([[0.0, np.log(pace / 3) / 0.75, 0.0]])
    for family in (STEADY, HELD_THEN):
        found = int(classify_rate(np.array([family]), scores)[0])
        assert found == np.searchsorted(RATE_EDGES_PCT, pace)
    assert classify_rate(np.array([HELD, RECOVERING]), np.tile(scores, (2, 1))).tolist() == [0, 0]


def test_a_pace_on_the_border_belongs_above():
    at_least = classify_rate(np.array([STEADY]), np.array([[0.0, 0.0, 0.0]]))  # 3 % a year, the median
    assert at_least[0] == 2


@pytest.mark.parametrize("score", [-1.5, -0.5, 0.0, 0.7, 1.5, 2.5])
@pytest.mark.parametrize("top", [-1.0, 0.0, 1.5])
def test_class_of_an_s_shape_is_that_of_its_steepest_year(score, top):
    """The largest loss in any twelve months, found on a fine grid."""
    rate, ceiling = np.clip(0.40 * np.exp(0.40 * score), 0.15, 1.0), 0.15 + 0.75 * stats.norm.cdf(top)
    grid = np.linspace(-10, 10, 4001)
    loss = ceiling * stats.logistic.cdf(rate * grid)
    steepest = 100 * np.max(np.interp(grid[:3801] + 1, grid, loss) - loss[:3801])
    found = classify_rate(np.array([S_SHAPED]), np.array([[score, top, 0.0]]))
    assert found[0] == np.searchsorted(RATE_EDGES_PCT, steepest)


def test_paces_from_the_prior_have_their_median_and_limits():
    """A rise of incidence of 1 to 7.5 points a year was surveyed (handbook [S]): most of the draws."""
    paces = draw_rates((4000,), np.random.default_rng(1))
    assert np.median(paces) == pytest.approx(0.03, rel=0.06)
    assert np.std(np.log(paces)) == pytest.approx(0.73, abs=0.05)
    assert paces.min() == 0.007
    assert paces.max() == 0.15
    assert 0.75 < ((paces > 0.01) & (paces < 0.075)).mean() < 0.95


@pytest.mark.parametrize("years", [[], [2019, 2018, 2017], [2017, 2018, 2020]])
def test_years_must_follow_one_another(years):
    with pytest.raises(DataError, match="without gaps"):
        make_space(np.array(years, dtype=np.int64), last_vintage=2020, planted=np.array([2000.0]))
