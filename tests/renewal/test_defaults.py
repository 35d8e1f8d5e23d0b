"""Defaults and the invented example: what is said of them is what they are."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import SettingsError
from vinemap.estate.settings import Settings
from vinemap.pipeline.money import list_methods, set_money
from vinemap.renewal import Method, Money, default_methods
from vinemap.renewal.example import (
    example_decline,
    example_draws,
    example_facts,
    example_valuation,
    example_zones,
)
from vinemap.renewal.wording import say_renew, say_scout

USD, ACRE_HA = 1.5, 0.40468564224  # AUD a USD [P]; international acre


@pytest.fixture
def methods() -> dict[str, Method]:
    return {one.name: one for one in default_methods()}


def test_defaults_are_those_that_a_person_reads_in_the_settings():
    """Two lists kept by hand; the settings carry the sources."""
    assert list_methods(Settings()) == list(default_methods())


def test_trunk_renewal_is_in_the_published_range(methods):
    """Sosnowski et al. 2011 [S]: 42-100 % with symptoms, so 71 % where all have them; one crop missed."""
    cut = methods["trunk_renewal"]
    assert cut.take_share - cut.take_drop_symptomatic == pytest.approx(0.71)
    assert 3 * USD <= cut.cost_per_vine <= 6 * USD
    assert cut.crop_share_by_year_after[0] == 0
    assert cut.crop_share_by_year_after[2] > 0.9
    assert not cut.restores_stand
    assert not cut.keeps_standing
    assert not cut.renews_trellis


def test_grafts_take_in_90_to_98_percent_at_2_to_4_dollars(methods):
    graft = methods["graft_over"]
    assert graft.take_share == pytest.approx((0.90 + 0.98) / 2)
    assert 2 * graft.take_sd == pytest.approx((0.98 - 0.90) / 2)
    assert graft.cost_per_vine == pytest.approx(3 * USD)
    assert graft.new_variety == ""


def test_a_vine_set_costs_the_same_whether_infilled_or_refilled(methods):
    """About 24 NZD/vine with its training (2024 [S]), 22 AUD."""
    fill = methods["infill"]
    whole = fill.cost_per_vine + sum(fill.aftercare_per_vine_by_year)
    for name in ("trunk_renewal", "graft_over"):
        assert methods[name].refill_cost_per_vine == pytest.approx(whole)
        assert methods[name].refill_share == 1.0
        assert methods[name].refill_crop_share_by_year_after == fill.crop_share_by_year_after
    assert fill.keeps_standing
    assert 0.05 <= fill.least_missing_share <= 0.15


def test_replanting_lasts_25_years_and_bears_half_a_crop_in_third_leaf(methods):
    new = methods["replant"]
    assert new.life_years == 25
    assert new.crop_share_by_year_after[:3] == (0.0, 0.0, 0.5)
    assert new.renews_trellis
    assert new.restores_stand
    per_acre = (new.cost_per_ha + 1587 * new.cost_per_vine) * ACRE_HA / USD
    assert per_acre == pytest.approx(15_000, rel=0.01)


def test_protection_has_the_published_efficacies_and_cost(methods):
    """Kaplan et al. 2016 [S]: 25, 50 and 75 %; threshold 100 USD/acre."""
    spray = methods["keep_protected"]
    assert (spray.efficacy_low, spray.efficacy_mode, spray.efficacy_high) == (0.25, 0.50, 0.75)
    assert spray.yearly_cost_per_ha == pytest.approx(100 * USD / ACRE_HA, rel=0.005)
    assert spray.protects
    assert not any(one.protects for name, one in methods.items() if name != "keep_protected")


def test_healthy_years_after_the_work_reach_to_the_first_symptoms(methods):
    """First symptoms show between years 6 and 10 [S]; young vines hold longer [P]."""
    assert 6 <= methods["trunk_renewal"].held_years <= 10
    assert methods["infill"].held_years > methods["trunk_renewal"].held_years


def test_a_plain_method_costs_nothing_and_always_takes():
    """Defaults of a method are neutral: whole take, full crop, the vines of before."""
    plain = Method(name="trunk_renewal")
    for name in ("cost_per_vine", "cost_per_m", "cost_per_ha", "mobilisation_per_block", "take_sd",
                 "wood_kg_per_vine", "take_drop_symptomatic", "take_drop_per_year", "refill_share",
                 "refill_cost_per_vine",
                 "crew_days_per_ha", "orders_per_vine", "least_missing_share", "yearly_cost_per_ha",
                 "effect_after_years", "efficacy_low", "efficacy_mode", "efficacy_high"):  # fmt: skip
        assert getattr(plain, name) == 0
    assert plain.take_share == plain.full_level == plain.decline_speed == 1.0
    assert (plain.restores_stand, plain.keeps_standing, plain.renews_trellis) == (False, False, False)
    assert plain.new_price_per_t is None


@pytest.mark.parametrize(
    "name",
    ["take_share", "take_drop_symptomatic", "least_missing_share", "refill_share", "efficacy_high"],
)
def test_shares_may_be_none_or_all_but_no_more(name):
    for value in (0.0, 1.0):
        assert getattr(Method(name="infill", **{name: value}), name) == value
    with pytest.raises(SettingsError, match=rf"{name} is 1.01.*\n?.*0 to 1"):
        Method(name="infill", **{name: 1.01})
    with pytest.raises(SettingsError, match=f"{name} is -0.01"):
        Method(name="infill", **{name: -0.01})


def test_amounts_may_be_large_but_not_negative():
    assert Method(name="infill", cost_per_vine=1e6).cost_per_vine == 1e6
    for bad in (-1.0, float("nan")):
        with pytest.raises(SettingsError, match=r"cost_per_vine is"):
            Method(name="infill", cost_per_vine=bad)


def test_life_of_a_planting_is_a_year_at_least():
    assert Method(name="replant", life_years=1).life_years == 1
    with pytest.raises(SettingsError, match="life_years is 0"):
        Method(name="replant", life_years=0)


def test_efficacies_may_be_equal():
    assert Method(name="keep_protected", efficacy_low=0.5, efficacy_mode=0.5, efficacy_high=0.5).protects
    for low, mode, high in ((0.6, 0.5, 0.7), (0.2, 0.8, 0.7)):
        with pytest.raises(SettingsError, match="not in rising order"):
            Method(name="keep_protected", efficacy_low=low, efficacy_mode=mode, efficacy_high=high)


# ---------------------------------------------------------------- money
def test_growing_cost_is_the_published_one_less_the_harvest():
    """San Joaquin Valley South 2019 [S]: 2,500 USD/acre, harvest of 11 short tons at 45 USD in it."""
    money = Money()
    assert money.growing_cost_per_ha == pytest.approx((2500 - 11 * 45) / ACRE_HA * USD, rel=0.01)
    assert money.harvest_cost_per_t == pytest.approx(45 / 0.90718474 * USD, rel=0.01)
    assert money.idle_cost_per_ha < money.growing_cost_out_of_crop_per_ha < money.growing_cost_per_ha


@pytest.mark.parametrize(
    ("mog", "loss", "paid"),
    [(0.01, 0.0, 1.0), (0.01, 0.5, 1 - 0.5 * 0.02), (0.03, 0.0, 0.98), (0.03, 1.0, 0.96), (0.0, 0.25, 1.0),
     (0.0, 1.0, 0.99)],
)  # fmt: skip
def test_deduction_is_for_what_lies_above_the_threshold_of_one_percent(mog, loss, paid):
    money = Money(mog_share=mog, mog_share_old_wood=0.02, mog_threshold_share=0.01, mog_deduction=1.0)
    assert float(money.paid_share(loss)) == pytest.approx(paid)
    twice = Money(mog_share=mog, mog_share_old_wood=0.02, mog_threshold_share=0.01, mog_deduction=2.0)
    assert float(twice.paid_share(loss)) == pytest.approx(1 - 2 * (1 - paid))


def test_deduction_never_takes_more_than_the_price():
    assert float(Money(mog_share=0.9, mog_deduction=5.0).paid_share()) == 0.0


def test_price_of_a_variety_or_of_all_others():
    money = Money(price_per_t=650.0, price_by_variety={"Shiraz": 0.0})
    assert money.price_of("Shiraz") == 0.0
    assert money.price_of("Merlot") == 650.0
    with pytest.raises(SettingsError, match="Price of Shiraz is inf"):
        Money(price_by_variety={"Shiraz": float("inf")})
    with pytest.raises(SettingsError, match="price_per_t is inf"):
        Money(price_per_t=float("inf"))


def test_money_of_the_settings_is_the_default_money():
    blocks = pd.DataFrame({"block_id": ["A"], "variety": ["Shiraz"]})
    for name, value in asdict(set_money(Settings(), blocks)).items():
        if isinstance(value, float):
            assert getattr(Money(), name) == pytest.approx(value), name


# ---------------------------------------------------------------- the example
def test_example_draws_are_what_was_asked_for():
    """22 t/ha healthy; 40, 5 and 25 % lost; 4 % a year ahead in the first zone; 24 % missing in the third."""
    draws = example_draws(rng=np.random.default_rng(1))
    assert draws.keep_t_ha.shape == (200, 3, 20)
    assert draws.zone_ids == ["A-Z1", "A-Z2", "B-Z3"]
    assert draws.years.tolist() == list(range(2027, 2047))
    np.testing.assert_allclose(draws.healthy_t_ha.mean(axis=0), 22.0, atol=0.3)
    np.testing.assert_allclose(draws.healthy_t_ha.std(axis=0), 0.8, rtol=0.2)
    loss = 1 - draws.now_t_ha / draws.healthy_t_ha
    np.testing.assert_allclose(loss.mean(axis=0), [0.40, 0.05, 0.25], atol=0.01)
    np.testing.assert_allclose(loss.std(axis=0), 0.03, rtol=0.2)
    np.testing.assert_allclose(draws.missing_share.mean(axis=0), [0.05, 0.01, 0.24])
    yearly = (draws.now_t_ha[:, :, None] - draws.keep_t_ha[:, :, :5]) / draws.healthy_t_ha[:, :, None]
    np.testing.assert_allclose(np.median(yearly[:, 0], axis=0), 0.04 * np.arange(1, 6), rtol=0.05)
    np.testing.assert_allclose(yearly[:, 1:], 0.0, atol=1e-12)
    assert draws.keep_t_ha.min() >= 0
    assert np.isnan(draws.symptomatic_share).all()
    sound = example_draws(rng=np.random.default_rng(1), loss_now=(0.0,), yearly_loss=(0.0,), missing=(0.0,))
    assert (sound.now_t_ha == sound.healthy_t_ha).all()


def test_example_zones_go_with_them():
    """Two zones of Shiraz in block A, one of Chardonnay in block B, then again; about 1,587 vines/ha."""
    zones = example_zones(5)
    assert zones["zone_id"].tolist() == ["A-Z1", "A-Z2", "B-Z3", "A-Z4", "A-Z5"]
    assert zones["block_id"].tolist() == ["A", "A", "B", "A", "A"]
    assert zones["variety"].tolist() == ["Shiraz", "Shiraz", "Chardonnay", "Shiraz", "Shiraz"]
    assert zones["area_ha"].tolist() == [3.0, 3.5, 4.0, 4.5, 3.0]
    np.testing.assert_allclose(zones["vines"] / zones["area_ha"], 1587, atol=0.5)
    assert (zones["year_planted"] == 2006).all()
    assert (zones["trellis_year"] == 2006).all()
    assert (zones["row_spacing_m"] == 3.0).all()
    assert len(example_zones()) == 3


def test_example_decline_sums_up_the_draws_of_the_valuation(valuation, decline):
    standing = valuation.standing
    loss = 100 * (1 - standing.now / standing.healthy)
    np.testing.assert_allclose(decline["loss_pct"], np.median(loss, axis=0))
    np.testing.assert_allclose(decline["loss_pct_low"], np.quantile(loss, 0.05, axis=0))
    np.testing.assert_allclose(decline["loss_pct_high"], np.quantile(loss, 0.95, axis=0))
    assert decline["decline_pct_per_year"].round(0).tolist() == [4.0, 0.0, 0.0]
    np.testing.assert_allclose(decline["missing_pct"], [5.0, 1.0, 24.0])
    assert (decline["vintages"] == 8).all()
    np.testing.assert_allclose(decline["yield_healthy_t_ha"], 22.0, atol=0.2)
    np.testing.assert_allclose(decline["yield_now_t_ha"], [13.2, 20.9, 16.5], atol=0.3)
    assert decline["symptomatic_pct"].isna().all()
    assert example_decline(valuation).equals(decline)


def test_example_valuation_is_of_two_hundred_draws_and_always_the_same():
    made = example_valuation()
    assert made.standing.draw_count == 200
    assert example_valuation(draw_count=30).standing.draw_count == 30
    np.testing.assert_array_equal(made.gain, example_valuation(seed=11).gain)
    assert not np.array_equal(made.gain, example_valuation(seed=12).gain)


def test_example_facts_are_of_a_zone_worth_renewing():
    facts = example_facts()
    assert facts.gain_low < facts.gain < facts.gain_high
    assert facts.loss_low < facts.loss_pct < facts.loss_high
    assert facts.chance > facts.threshold
    assert facts.year == facts.first_year < facts.horizon
    assert not facts.too_short
    assert facts.renewed == facts.idle_year == 0
    assert facts.min_gain == 0.0
    assert facts.now_pct == 100.0
    assert "costs about 800 AUD/ha" in say_renew(facts)
    assert "is worth about 10 AUD for the zone against a cost of 150 AUD" in say_scout(facts)
    assert "of its healthy 22 t/ha and falls by about 4.0 %" in say_renew(facts)
