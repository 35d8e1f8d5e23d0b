"""The curves against the figures of the trunk-disease literature (handbook, section 1)."""

import numpy as np
import pytest

from vinemap.simulate.curves import RAMP, dead_share, half_time, incidence, relative_yield, spread_loss


@pytest.mark.parametrize(
    ("season", "dead", "percent"),
    # [S] Munkvold, Duthie & Marois 1994, Phytopathology 84:186-192:
    # 1991 y = 101.0 - 90.26 d, 1992 y = 100.1 - 98.81 d; worked by hand from these two lines
    [(1991, 0.5, 55.87), (1991, 1.0, 10.74), (1992, 0.25, 75.3975), (1992, 0.5, 50.695), (1992, 1.0, 1.29)],
)
def test_yield_falls_with_severity_as_published(season, dead, percent):
    assert relative_yield(dead, season=season) == pytest.approx(percent / 100, abs=1e-9)


def test_yield_share_stays_within_zero_and_one():
    assert relative_yield(0.0, season=1991) == 1.0
    assert relative_yield(np.linspace(0, 1, 101)).min() >= 0.0


def test_incidence_defaults_reproduce_the_surveys():
    # [S] New Zealand 2013: 8 % of vines with symptoms at mean age 12
    assert incidence(12) == pytest.approx(0.08, abs=0.01)
    rise = np.diff(incidence(np.arange(10, 31)))
    # [S] Limestone Coast 2012-2019: rise of 1 to 7.5 percentage points a year by district
    assert rise.min() >= 0.01
    assert rise.max() <= 0.075
    # [S] Munkvold et al. 1993: more than doubling within about three years in five of eight vineyards
    assert incidence(13) / incidence(10) > 2.0


def test_whole_vineyard_loss_reaches_the_published_range():
    # [M] Munkvold et al. 1994: whole-vineyard losses 30 to 62 %; from memory, hence only a wide bracket
    loss = spread_loss(np.array([-1.0, 5.0]), rate_per_year=0.25)
    assert loss[0] < 0.30 < loss[1]
    assert loss[1] < 0.75


def test_spread_loss_is_s_shaped_and_below_the_incidence():
    years = np.linspace(-15, 20, 71)
    loss = spread_loss(years, rate_per_year=0.5)
    assert np.all(np.diff(loss) >= -1e-12)
    steepest = int(np.argmax(np.diff(loss)))
    assert 20 < steepest < 50
    assert np.all(loss <= incidence(years, half_age_years=0, rate_per_year=0.5) + 0.02)


def test_slow_death_of_spurs_lowers_the_loss():
    fast, slow = (spread_loss(0.0, rate_per_year=0.5, pace_years=pace) for pace in (2.0, 6.0))
    assert fast > slow


def test_dead_share_starts_at_infection():
    assert dead_share(-2.0) == 0.0
    assert dead_share(np.array([0.5, 1.0, 8.0])).tolist() == sorted(dead_share(np.array([0.5, 1.0, 8.0])))


@pytest.mark.parametrize("rate", [0.25, 0.6])
def test_half_time_puts_the_onset_where_asked(rate):
    half = half_time(2020.3, rate_per_year=rate, pace_years=3.5, ceiling=0.7, onset_loss=0.03)
    loss = 0.7 * spread_loss(2020.3 - half, rate_per_year=rate, pace_years=3.5)
    assert loss == pytest.approx(0.03, abs=0.003)


def test_renewal_ramp_misses_one_crop_and_is_full_by_the_third():
    # [S] Sosnowski, Wicks & Scott 2011 and growers: one crop missed, full crop in 2-3 seasons
    assert RAMP[0] < 0.25
    assert RAMP[2] == 1.0
