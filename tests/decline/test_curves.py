"""The bank of curves."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.decline.curves import (
    FLOOR,
    HELD,
    HELD_THEN,
    S_SHAPED,
    STEADY,
    draw_bank,
    draw_recovery,
)
from vinemap.errors import DataError

YEARS = np.arange(2017, 2047)


@pytest.fixture(scope="module")
def bank():
    return draw_bank(YEARS, last_vintage=2026, year_planted=2000, rng=np.random.default_rng(1))


def test_curves_only_fall_and_stop_at_the_floor(bank):
    assert (np.diff(bank.log_curve, axis=1) <= 1e-12).all()
    assert np.exp(bank.log_curve).min() >= FLOOR - 1e-12
    assert (bank.log_curve[bank.family == HELD] == 0).all()


def test_weights_sum_to_one_within_kind_and_rate(bank):
    for family in (STEADY, HELD_THEN, S_SHAPED):
        for rate in np.unique(bank.rate_class[bank.family == family]):
            inside = (bank.family == family) & (bank.rate_class == rate)
            assert np.exp(bank.log_weight[inside]).sum() == pytest.approx(1.0)


def test_held_then_declining_sets_in_among_the_vintages(bank):
    onset = bank.onset_year[bank.family == HELD_THEN]
    assert onset.min() >= 2017
    assert onset.max() <= 2026.5


def test_s_shape_follows_the_age_of_the_vines():
    """New Zealand 2013 [S]: 8 % of vines at mean age 12, risk rising from about 15 years."""
    losses = {}
    for planted in (1995, 2015):
        made = draw_bank(YEARS, last_vintage=2026, year_planted=planted, rng=np.random.default_rng(2))
        losses[planted] = 1 - np.exp(made.log_curve[made.family == S_SHAPED][:, 9]).mean()
    assert losses[1995] > 2 * losses[2015]


def test_no_kind_of_decline_leaves_the_held_curve_alone():
    made = draw_bank(YEARS, last_vintage=2026, families=(), rng=np.random.default_rng(1))
    assert made.log_curve.shape == (1, YEARS.size)


def test_recovery_misses_a_crop_and_is_full_in_three_seasons():
    """Handbook section 1 [S]: one crop missed, full crop in 2-3 seasons."""
    made = draw_recovery(YEARS, work_year=2020, per_family=400, rng=np.random.default_rng(1))
    kept = np.median(np.exp(made.log_curve), axis=0)
    since = {int(year - 2020): value for year, value in zip(YEARS, kept, strict=True)}
    assert since[1] < 0.3 < 0.5 < since[2] < 0.8
    assert since[3] > 0.85


def test_years_with_gaps_are_refused():
    with pytest.raises(DataError, match="without gaps"):
        draw_bank(np.array([2017, 2019]), last_vintage=2019, rng=np.random.default_rng(1))
