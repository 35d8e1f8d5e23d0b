"""Finance against printed tables, numpy-financial and the replacement rule."""

import numpy as np
import numpy_financial as npf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap.errors import DataError
from vinemap.renewal.finance import (
    annual_worth_by_life,
    annuity_factor,
    capital_recovery,
    equivalent_annual,
    present_value,
    replacement_year,
)

RATES = st.floats(0.0, 0.3)
FLOWS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40)


@pytest.mark.parametrize(
    ("rate", "years", "printed"),
    [
        # handbook 5 [C]: capital recovery
        (0.03, 25, 0.0574279),
        (0.05, 25, 0.0709525),
        (0.06, 25, 0.0782267),
        (0.07, 20, 0.0943929),
    ],
)
def test_capital_recovery_agrees_with_the_table(rate, years, printed):
    assert capital_recovery(rate, years) == pytest.approx(printed, abs=5e-8)


def test_annuity_factor_agrees_with_the_printed_table():
    # handbook 5 [R]: 5 %, 15 years
    assert annuity_factor(0.05, 15) == pytest.approx(10.3797, abs=5e-5)


@given(rate=RATES, flows=FLOWS)
def test_present_value_agrees_with_numpy_financial(rate, flows):
    assert present_value(flows, rate) == pytest.approx(npf.npv(rate, flows), rel=1e-9, abs=1e-6)


@given(rate=st.floats(0.001, 0.3), years=st.integers(1, 60))
def test_annuities_agree_with_numpy_financial(rate, years):
    assert annuity_factor(rate, years) == pytest.approx(-npf.pv(rate, years, 1.0), rel=1e-9)
    assert capital_recovery(rate, years) == pytest.approx(-npf.pmt(rate, years, 1.0), rel=1e-9)


@given(rate=RATES, years=st.integers(1, 60), worth=st.floats(-1e6, 1e6))
def test_equivalent_annual_pays_back_its_present_value(rate, years, worth):
    flows = [0.0] + [equivalent_annual(worth, rate, years)] * years
    assert present_value(flows, rate) == pytest.approx(worth, rel=1e-9, abs=1e-6)


def test_economic_life_of_the_textbook_machine():
    # handbook 5 [R]: price 10,000, 10 %, life 4 years
    worth = annual_worth_by_life(10_000, [1000, 1200, 1500, 2000, 3000], [7000, 5000, 4200, 3000, 2000], 0.10)
    np.testing.assert_allclose(worth, [-5000, -4476, -3970, -3894, -3961], atol=0.5)
    assert worth.argmax() + 1 == 4


def test_replacement_rule_is_the_year_that_maximises_the_chain():
    # Faris 1960, Perrin 1972 (from memory): marginal net return against the successor's annualised value.
    marginal, successor, rate, horizon = [900.0, 700.0, 520.0, 300.0, 100.0], 500.0, 0.05, 5
    worth = [
        present_value([0.0, *marginal[:keep], *[successor] * (horizon - keep)], rate)
        for keep in range(horizon + 1)
    ]
    assert replacement_year(marginal, successor) == int(np.argmax(worth)) == 3


def test_standing_asset_that_always_earns_more_is_never_replaced():
    assert replacement_year([900.0, 800.0], 100.0) == 2


def test_life_of_no_years_is_refused():
    with pytest.raises(DataError, match="over 0 years"):
        capital_recovery(0.05, 0)


def test_lists_of_other_length_are_refused():
    with pytest.raises(DataError, match="2 yearly costs but 1 salvage"):
        annual_worth_by_life(1.0, [1.0, 2.0], [1.0], 0.1)
