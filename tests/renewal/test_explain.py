"""The why table adds up to the gain; break-even and sensitivity turn where they say."""

from dataclasses import replace

import numpy as np
import pytest

from vinemap.errors import DataError
from vinemap.renewal import break_even, decide_zones, explain_zone, measure_sensitivity, value_options
from vinemap.renewal.example import example_draws
from vinemap.renewal.methods import Method, Money, default_methods
from vinemap.renewal.value import single_zone


@pytest.mark.parametrize("method", ["trunk_renewal", "infill", "replant", "keep_protected"])
def test_table_adds_up_to_the_gain_of_every_option(valuation, method):
    """The table is worked out year by year, the valuation by cumulated sums: two ways to one figure."""
    options = valuation.options[valuation.options["method"] == method]
    assert len(options) >= 15
    for row in options.itertuples():
        table = explain_zone(valuation, row.zone_id, method=method, year=row.year)
        assert table["difference_discounted"].sum() == pytest.approx(row.npv_per_ha, rel=1e-6)


def test_table_adds_up_to_the_advice(valuation, zones, decline):
    for row in decide_zones(valuation, zones, decline).itertuples():
        table = explain_zone(
            valuation, row.zone_id, method=row.best_method, year=int(row.best_year),
            mobilisation_share=row.mobilisation_share,
        )  # fmt: skip
        assert table["difference_discounted"].sum() == pytest.approx(row.gain_per_ha, rel=1e-6)


def test_columns_tie_to_one_another(valuation):
    table = explain_zone(valuation, "A-Z1")
    np.testing.assert_allclose(table["keep_net"], table["keep_income"] - table["keep_cost"])
    np.testing.assert_allclose(table["renew_net"], table["renew_income"] - table["renew_cost"])
    np.testing.assert_allclose(table["discount_factor"], 1.06 ** -(table["year"] - 2026).astype(float))
    assert table["year"].tolist() == list(range(2026, 2042))


def test_graft_over_to_a_dearer_variety_is_explained(make_draws, one_zone, plain_money):
    graft = Method(name="graft_over", cost_per_vine=5.0, crop_share_by_year_after=(0.0, 0.6),
                   new_variety="Fiano", new_price_per_t=900.0, take_share=0.94)  # fmt: skip
    out = value_options(make_draws([18.0] * 9), one_zone, methods=[graft], money=plain_money,
                        horizon_year=2035, rng=np.random.default_rng(1))  # fmt: skip
    table = explain_zone(out, "A-Z1", method="graft_over", year=2026)
    assert table["renew_income"].iloc[3] == pytest.approx(900 * 0.94 * 20)
    assert table["difference_discounted"].sum() == pytest.approx(
        float(out.options[out.options["year"] == 2026]["npv_per_ha"].iloc[0]), rel=1e-9
    )


def test_gain_is_nothing_at_the_break_even_price(valuation):
    even = break_even(valuation, "A-Z1", method="trunk_renewal", year=2026)["price_per_t"]
    one = single_zone(valuation, 0)
    at_even = replace(one, money=replace(one.money, price_per_t=even))
    table = explain_zone(at_even, "A-Z1", method="trunk_renewal", year=2026)
    # The price is found to 1 part in 10,000.
    assert abs(table["difference_discounted"].sum()) < 2e-3 * table["renew_cost"].sum()


def test_gain_is_nothing_at_the_break_even_loss(make_draws, one_zone, plain_money):
    cut = Method(name="trunk_renewal", cost_per_vine=6.0, crop_share_by_year_after=(0.0, 0.5))
    rng = np.random.default_rng(1)
    out = value_options(make_draws([10.0] * 9), one_zone, methods=[cut], money=plain_money, horizon_year=2035,
                        rng=rng)  # fmt: skip
    loss = break_even(out, "A-Z1", method="trunk_renewal", year=2026)["loss_pct"]
    at_even = value_options(
        make_draws([20.0 * (1 - loss / 100)] * 9), one_zone, methods=[cut], money=plain_money,
        horizon_year=2035, rng=rng,
    )  # fmt: skip
    table = explain_zone(at_even, "A-Z1", method="trunk_renewal", year=2026)
    assert 0 < loss < 50
    assert abs(table["difference_discounted"].sum()) < 1e-6 * 6000


def test_break_even_loss_has_no_meaning_for_infill(valuation):
    assert np.isnan(break_even(valuation, "B-Z3", method="infill")["loss_pct"])


def test_sensitivity_moves_the_way_it_must(valuation):
    table = measure_sensitivity(valuation, "A-Z1", method="trunk_renewal", year=2026).set_index("input")
    gain = valuation.options.query("zone_id == 'A-Z1' and method == 'trunk_renewal' and year == 2026")
    now = float(gain["npv_per_ha"].iloc[0])
    rising = ["price", "take share", "full level", "speed of decline", "first crop"]
    assert (table.loc[rising, "gain_high"] > table.loc[rising, "gain_low"]).all()
    falling = ["cost of work", "discount rate"]
    assert (table.loc[falling, "gain_high"] < table.loc[falling, "gain_low"]).all()
    assert table.loc["first crop", "gain_high"] == pytest.approx(now, rel=1e-9)
    # a sign in front of text would read as a formula in a spreadsheet
    assert not table[["low", "high"]].stack().str.startswith(("-", "+", "=", "@")).any()


def test_sensitivity_is_the_gain_with_that_input_exchanged(zones):
    money = Money(idle_cost_per_ha=1500.0, growing_cost_per_ha=5000.0, price_per_t=330.0)  # near break-even
    draws = example_draws(rng=np.random.default_rng(3), draw_count=40)

    def gain(changed):
        out = value_options(draws, zones, methods=default_methods(), money=changed, horizon_year=2046,
                            rng=np.random.default_rng(9))  # fmt: skip
        table = measure_sensitivity(out, "A-Z1", method="trunk_renewal", year=2026)
        return table.set_index("input"), table["swing"].is_monotonic_decreasing

    table, in_order = gain(money)
    assert in_order
    assert (table["changes_sign"] == (table["gain_low"] * table["gain_high"] < 0)).all()
    assert table["changes_sign"].any()
    assert not table["changes_sign"].all()
    # The middle of a line that is straight or bent one way: each end is the gain with the input so.
    for factor, name in ((0.5, "gain_low"), (1.5, "gain_high")):
        moved, _ = gain(replace(money, idle_cost_per_ha=factor * 1500.0))
        assert table.loc["cost of leaving idle", name] == pytest.approx(moved.loc["first crop", "gain_high"])


def test_options_that_were_not_valued_are_refused(valuation):
    with pytest.raises(DataError, match=r"Zone 'X' was not valued"):
        explain_zone(valuation, "X")
    with pytest.raises(DataError, match=r"no value for graft_over in 2026"):
        explain_zone(valuation, "A-Z1", method="graft_over", year=2026)


def test_defaults_say_what_they_are():
    names = [one.name for one in default_methods()]
    assert names == ["trunk_renewal", "graft_over", "infill", "replant", "keep_protected"]
    cut, graft = default_methods()[:2]
    # handbook 1 [S]: 42-100 % of vines sent up watershoots; handbook 4 [S]: take 90-98 %
    assert 0.42 <= cut.take_share - cut.take_drop_symptomatic <= cut.take_share <= 1.0
    assert 0.90 <= graft.take_share <= 0.98
    # handbook 4 [S]: replanting 10,000-20,000 USD/acre; the middle at 1.5 AUD/USD [P], 1,587 vines/ha
    new = default_methods()[3]
    assert new.cost_per_ha + 1587 * new.cost_per_vine == pytest.approx(15_000 / 0.40468564224 * 1.5, rel=0.01)
    # handbook 4 [S]: 2,500 USD/acre in all; less 45 USD/short ton [S] of 11 short tons/acre [P]
    growing = (2_500 - 45 * 11) / 0.40468564224 * 1.5
    assert Money().growing_cost_per_ha == pytest.approx(growing, rel=0.01)
