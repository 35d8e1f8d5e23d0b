"""Small amounts, small areas, exact ties and last vintages: borders that lie a hair off show here."""

from __future__ import annotations

import inspect
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError
from vinemap.estate.settings import Settings
from vinemap.renewal import (
    Method,
    check_renewals,
    compare_blocks,
    crops,
    decide_zones,
    explain_zone,
    list_work,
    plan_programme,
    trace_advice,
    value_options,
)
from vinemap.renewal import cashflow as cash
from vinemap.renewal import value as value_module
from vinemap.renewal.blocks import _say_block
from vinemap.renewal.capacity import name_over_capacity
from vinemap.renewal.change import NO_TURN, Turn, change_codes
from vinemap.renewal.check import _say_change
from vinemap.renewal.example import ExampleDraws, example_facts
from vinemap.renewal.limits import list_choices
from vinemap.renewal.scouting import scouting_value
from vinemap.renewal.standing import Samples, prepare_standing
from vinemap.renewal.trace import _say_turning
from vinemap.renewal.turning import _crossing, _scale_decline, break_even
from vinemap.renewal.visits import KEPT, share_visits
from vinemap.renewal.waiting import cost_of_waiting
from vinemap.renewal.wording import say_amount, say_keep, say_scout, say_watch, state_words

CUT = Method(
    name="trunk_renewal", cost_per_vine=5.0, crop_share_by_year_after=(0.0, 0.5), held_years=50.0,
    mobilisation_per_block=1000.0,
)  # fmt: skip
SPRAY = Method(
    name="keep_protected", yearly_cost_per_ha=4000.0, efficacy_low=0.5, efficacy_mode=0.5, efficacy_high=0.5
)
INFILL = replace(CUT, name="infill", keeps_standing=True)
FACTS = example_facts()


@pytest.fixture
def estate(plain_money):
    """Zones of 20 t/ha healthy, all draws alike; two of them in block A by default."""

    def make(*methods, keep=(4.0, 6.0), area=(2.0, 1.0), vines=None, missing=0.1, money=plain_money,
             span=10, symptomatic=0.0, healthy=20.0, **more):  # fmt: skip
        kept = np.stack([np.broadcast_to(np.asarray(one, dtype=float), span) for one in keep])
        kept, count = np.tile(kept[None], (4, 1, 1)), len(keep)
        draws = ExampleDraws(
            zone_ids=[f"A-Z{n + 1}" for n in range(count)], years=np.arange(2027, 2027 + span),
            keep_t_ha=kept, healthy_t_ha=np.full((4, count), healthy), now_t_ha=kept[:, :, 0],
            missing_share=np.tile(np.broadcast_to(missing, count), (4, 1)).astype(float),
            symptomatic_share=np.full((4, count), symptomatic),
        )  # fmt: skip
        zones = pd.DataFrame({
            "zone_id": draws.zone_ids, "block_id": "A", "area_ha": area,
            "vines": [round(1000 * one) for one in area] if vines is None else vines, "variety": "Shiraz",
            "year_planted": 2015, "trellis_year": 2015, "row_spacing_m": 3.0,
        })  # fmt: skip
        given = {"horizon_year": 2026 + span, "rng": np.random.default_rng(1)} | more
        return value_options(draws, zones, methods=methods or (CUT,), money=money, **given)

    return make


def advice_of(valuation, **more) -> pd.DataFrame:
    standing = valuation.standing
    loss = 100 * (1 - (standing.now / standing.healthy).mean(axis=0))
    decline = pd.DataFrame({
        "zone_id": standing.zone_ids, "vintages": 8, "yield_healthy_t_ha": standing.healthy.mean(axis=0),
        "loss_pct": loss, "loss_pct_low": loss, "loss_pct_high": loss, "decline_pct_per_year": 0.0,
    })  # fmt: skip
    return decide_zones(valuation, pd.DataFrame({"zone_id": standing.zone_ids}), decline, **more)


# ---------------------------------------------------------------- defaults are those of the settings
def test_defaults_of_the_stages_are_those_of_the_settings():
    decision, money = Settings().decision, Settings().money
    decide = inspect.signature(decide_zones).parameters
    for name, value in {
        "chance_threshold": decision.chance_threshold, "scouting_cost": decision.scouting_cost_per_zone,
        "scouting_vines": decision.scouting_vines, "least_area_ha": decision.min_visit_ha,
        "min_gain_per_ha": decision.min_gain_per_ha, "turning_points": False,
    }.items():  # fmt: skip
        assert decide[name].default == value, name
    assert inspect.signature(compare_blocks).parameters["least_area_ha"].default == decision.min_visit_ha
    assert inspect.signature(share_visits).parameters["least_ha"].default == 0.0
    assert (
        inspect.signature(value_options).parameters["trellis_life_years"].default == money.trellis_life_years
    )
    plan = inspect.signature(plan_programme).parameters
    assert (plan["years"].default, plan["time_limit_s"].default) == (10, 60.0)
    assert plan["mip_gap"].default == 0.001  # a tenth of a per cent of the value


# ---------------------------------------------------------------- small zones and a dear currency
def test_two_zones_of_a_few_vines_share_one_visit(estate):
    """Of 0.04 ha with one vine place each, worth 90 together after a mobilisation of 10: no least area."""
    tiny = replace(CUT, mobilisation_per_block=10.0)
    valuation = estate(tiny, area=(0.04, 0.04), vines=[1, 1], keep=(4.0, 4.0), missing=0.0)
    assert valuation.standing.vines_per_ha.tolist() == [25.0, 25.0]
    made = advice_of(valuation)
    assert made["shared_with"].tolist() == ["A-Z2", "A-Z1"]
    assert made["mobilisation_share"].tolist() == [0.5, 0.5]
    block = compare_blocks(valuation).iloc[0]
    assert block["best_zones"] == "A-Z1 A-Z2"
    assert block["best_gain"] == pytest.approx(2 * 0.04 * valuation.gain[0, 0, 0, 0] - 10)


def test_zones_share_a_visit_in_any_currency(estate, plain_money):
    """One is worth 100,000 of the usual: gains of less than a tenth, beside a protection that loses."""
    unit = 1e-6
    money = replace(plain_money, price_per_t=unit * 500.0)
    cut = replace(CUT, cost_per_vine=unit * 5.0, mobilisation_per_block=unit * 1000.0)
    spray = replace(SPRAY, yearly_cost_per_ha=unit * 4000.0)
    valuation = estate(cut, spray, money=money)
    made = advice_of(valuation, scouting_cost=unit * 150)
    assert (made["gain_per_ha"] < 0.1).all()
    assert (made["protect_gain_per_ha"] < 0).all()
    assert made["shared_with"].tolist() == ["A-Z2", "A-Z1"]
    assert made["advice"].tolist() == ["renew", "renew"]
    plan = plan_programme(valuation, years=2, shadow=False).table
    assert plan["zone_id"].tolist() == ["A-Z1", "A-Z2"]
    usual = plan_programme(estate(CUT, SPRAY), years=2, shadow=False).table
    np.testing.assert_allclose(plan["npv"], unit * usual["npv"])


def test_a_zone_left_alone_shares_no_visit(valuation, zones, decline):
    """In block A one zone is renewed and one kept; the one in B is alone."""
    made = decide_zones(valuation, zones, decline)
    assert made["shared_with"].tolist() == ["", "", ""]
    assert made["mobilisation_share"].tolist() == [1.0, 1.0, 1.0]


def test_visits_at_their_borders():
    one, two = np.ones(1), np.ones(2)
    assert share_visits(np.array([[150.0], [0.05]]), np.array([100.0]), two).tolist() == [0, 0]
    lend = np.array([[150.0], [-10.0]])
    assert share_visits(lend, np.array([100.0]), 0.3 * two, least_ha=0.5).tolist() == [0, 0]
    assert share_visits(np.array([[100.4]]), np.array([100.0]), one).tolist() == [0]
    ten = np.full((10, 1), 10.0)
    for cost, joined in ((100.0, KEPT), (99.5, 0)):
        assert share_visits(ten, np.array([cost]), np.ones(10)).tolist() == [joined] * 10


def test_many_zones_join_only_visits_that_are_worth_something_to_them():
    """Ten zones, one visit: those worth 0.6 join it, the one worth nothing in it does not."""
    worth = np.full((10, 2), 50.0)
    worth[:, 1] = 0.2
    worth[4, 0], worth[7, 0] = 0.6, 0.0
    found = share_visits(worth, np.array([100.0, 100.0]), np.ones(10))
    assert found.tolist() == [0] * 7 + [KEPT] + [0] * 2


def test_zones_that_stay_out_of_a_visit_add_nothing_to_it():
    """Nine times 10 for a visit of 90: nothing is gained, whatever a tenth zone is worth elsewhere."""
    worth = np.zeros((10, 2))
    worth[:9, 0], worth[9, 1] = 10.0, 5.0
    assert (share_visits(worth, np.array([90.0, 100.0]), np.ones(10)) == KEPT).all()


def test_waiting_at_its_borders():
    some = np.array([[[0.9, 0.5]]])
    assert cost_of_waiting(some, some[:, 0, 0], 0).mean == pytest.approx(0.4)
    even = np.array([[[-5.0, -9.0]], [[5.0, 1.0]]])  # worth nothing on average
    found = cost_of_waiting(even, even[:, 0, 0], 0)
    assert (found.mean, found.low, found.high) == (0.0, 0.0, 0.0)


# ---------------------------------------------------------------- words at their borders
@pytest.mark.parametrize(
    ("best", "whole", "said"),
    [(1000.0, 999.6, "whole block"), (1000.0, 999.5, "2 of 3 zones"), (1000.0, 999.2, "2 of 3 zones")],
)
def test_a_block_is_done_as_a_whole_where_that_is_worth_the_same(best, whole, said):
    row = {"best_gain": best, "whole_gain": whole, "best_zones": "A B", "best_visits": "replanting in 2026",
           "mixed_ages": False}  # fmt: skip
    assert _say_block(row, 3, "AUD").startswith(f"Best is {'the ' * (said == 'whole block')}{said}")
    assert "at once." in _say_block(row | {"whole_gain": 1.0}, 3, "AUD")
    assert "two or more ages" in _say_block(row | {"whole_gain": 1.0, "mixed_ages": True}, 3, "AUD")


def test_a_block_done_in_two_visits_has_vines_of_two_ages(estate):
    """The one without gaps is cut, the other, of which half is missing, filled: all zones, two ages."""
    cut = replace(CUT, mobilisation_per_block=10.0)
    fill = replace(INFILL, mobilisation_per_block=10.0, crop_share_by_year_after=(0.0, 0.9))
    valuation = estate(cut, fill, keep=(4.0, 10.0), missing=[0.0, 0.5])
    row = compare_blocks(valuation).iloc[0]
    assert row["best_zones"] == "A-Z1 A-Z2"
    assert row["best_visits"] == "trunk renewal in 2026, infilling the missing vines in 2026"
    assert row["mixed_ages"]


@pytest.mark.parametrize(
    ("shares", "said"),
    [
        ((0.0, -4.0, 4.0), "0 % above what 3 untouched zones lead one to expect"),
        ((0.6, -4.0, 4.0), "1 % above"), ((-0.6, -4.0, 4.0), "1 % below"),
        ((5.0, 0.0, 9.0), "within what zones do by themselves."), ((5.0, 0.4, 9.0), "clearly more."),
        ((-5.0, -9.0, 0.0), "within what zones do by themselves, as the first"),
        ((-5.0, -9.0, -0.4), "clearly less, as the first"), ((0.0, -9.0, 3.0), "by themselves."),
    ],
)  # fmt: skip
def test_words_of_a_change_at_their_borders(shares, said):
    assert said in _say_change(np.array(shares), 2023, 1, 3)


def test_sentences_of_a_gain_of_less_than_one():
    small = replace(FACTS, gain=0.5, gain_low=0.2, gain_high=0.9)
    assert "would be worth" in say_scout(small)
    assert "no renewal pays" not in say_watch(small)
    assert "asked for" not in say_watch(small)
    lost = replace(FACTS, gain=-400.0, protect_gain=0.6)
    assert "wound protection is worth 1 AUD/ha" in say_watch(lost)
    assert "wound protection is worth 1 AUD/ha" in say_keep(lost)
    assert change_codes(small, "watch", NO_TURN) == ["sooner"]
    assert change_codes(small, "renew", Turn(650.0, 402.0, 18.0)) == ["loss_below", "price_below"]
    assert change_codes(FACTS, "renew", Turn(0.5, 0.4, np.nan)) == ["price_below"]


def test_amounts_and_intervals_never_print_a_minus_nought():
    assert say_amount(100.6) == "100"  # to ten from a hundred on
    gains = replace(FACTS, decline_pct=-1.0, decline_low=-3.0, decline_high=0.04)
    assert state_words(gains).endswith("gains about 1.0 % (0.0-3.0 %) a year")
    falls = replace(FACTS, loss_pct=-1.0, loss_low=-3.0, loss_high=-0.4)
    assert "(loss -3 to 0 %)" in state_words(falls)


def test_gain_by_price_is_told_by_its_sign():
    one = {"method": "trunk_renewal", "price_per_t": 650.0, "break_even_price_per_t": 480.0,
           "gain_per_price": 0.5, "loss_pct": 20.0, "break_even_loss_pct": 12.0}  # fmt: skip
    assert "pays from a price of" in _say_turning(one, "AUD")


def test_infill_is_told_with_the_share_of_places_that_are_empty(estate):
    made = advice_of(estate(INFILL, keep=(10.0, 10.0), missing=0.37)).iloc[0]
    assert made["best_method"] == "infill"
    assert "with 37 % of vine places empty" in made["reason"]


# ---------------------------------------------------------------- scouting
def test_a_class_of_five_draws_is_enough_and_of_four_is_not():
    """Eight classes, halved: 80 draws leave five to learn from, 79 and fewer four in some, 64 in all."""

    def value(draws: int) -> float:
        share = np.linspace(0, 1, draws)
        return scouting_value((1000 * (0.5 - share))[:, None], share, np.zeros(draws))

    assert value(64) == 0.0
    assert value(80) == pytest.approx(125.0, rel=0.05)  # E[max(0, 1000 (0.5 - U))]
    assert 0.0 < value(72) < 0.9 * value(80)


def test_a_count_that_tells_nothing_is_worth_nothing():
    """No vine has symptoms on any draw: draws that lie in the order of their gains are told by nothing."""
    gains = np.linspace(1000.0, -1000.0, 400)[:, None]
    assert scouting_value(gains, np.zeros(400), np.linspace(-2, 2, 400)) == 0.0


def test_a_scouting_is_worth_its_hectares(make_draws, one_zone, plain_money):
    """Renewing pays only where vines are sound: the worth of telling is that of a hectare times the area."""
    frail = replace(CUT, take_drop_symptomatic=0.9, mobilisation_per_block=0.0)
    draws = make_draws([10.0] * 10, draw_count=400)
    sick = np.tile([0.0, 0.8], 200)[:, None]
    draws = replace(draws, symptomatic_share=sick)
    worth = []
    for area in (1.0, 3.0):
        zone = one_zone.assign(area_ha=area, vines=round(1000 * area))
        out = value_options(draws, zone, methods=[frail], money=plain_money, horizon_year=2036,
                            rng=np.random.default_rng(3))  # fmt: skip
        made = advice_of(out).iloc[0]
        window = out.gain[:, 0].reshape(400, -1)
        window = window[:, np.isfinite(window).all(axis=0)]
        hectare = scouting_value(window, sick[:, 0], out.samples.look[:, 0])
        assert made["scouting_value"] == pytest.approx(area * hectare)
        worth.append(made["scouting_value"])
    assert worth[0] > 100
    assert worth[1] == pytest.approx(3 * worth[0])
    none = value_options(draws, one_zone, methods=[], money=plain_money, rng=np.random.default_rng(3))
    assert advice_of(none)["scouting_value"].tolist() == [0.0]


# ---------------------------------------------------------------- money and crops
def samples(methods: int = 1) -> Samples:
    shape = (4, methods)
    return Samples(np.ones(4), np.ones(shape), np.zeros(shape), np.full(shape, 0.5), np.zeros((4, 2)))


def test_sound_zones_and_those_above_their_healthy_yield_are_paid_in_full(estate, plain_money):
    """MOG at its threshold: every kilogram of old wood costs, and a zone without loss has none of it."""
    money = replace(plain_money, mog_share=0.01, mog_threshold_share=0.01, mog_share_old_wood=1.0)
    valuation = estate(keep=(20.0, 22.0), money=money)
    income = cash.keep_flows(valuation.standing, money, samples(), 2026).income
    np.testing.assert_allclose(income[0, 0], 20 * 500.0)
    np.testing.assert_allclose(income[0, 1], 22 * 500.0)


@pytest.mark.parametrize(("annual", "left", "worth"), [(100.0, 1.0, 100 / 1.05), (0.05, 1.0, 0.05 / 1.05)])
def test_credit_of_a_planting_one_year_before_the_end(annual, left, worth):
    found = cash.chain_credit(np.array([[annual]]), np.array([left]), 20, 0.05)
    assert found[0, 0] == pytest.approx(worth)


def test_takes_at_the_ends_of_the_symptomatic_share(estate):
    """Without symptoms and loss the share itself; more than all vines cannot be symptomatic."""
    method = replace(CUT, take_share=0.9, take_drop_symptomatic=0.5)
    sound = estate(keep=(20.0,), area=(1.0,)).standing
    np.testing.assert_allclose(crops.take_share(sound, method, np.zeros(4), 2026), 0.9)
    falling = estate(keep=(np.linspace(20.0, 2.0, 10),), area=(1.0,), symptomatic=0.6).standing
    np.testing.assert_allclose(crops.take_share(falling, method, np.zeros(4), 2036), 0.9 - 0.5)


def test_infill_of_a_zone_that_lost_nothing_adds_nothing(estate):
    sound = estate(keep=(20.0, 22.0), missing=0.2).standing
    np.testing.assert_array_equal(crops.full_crop(sound, INFILL), 0.0)


def test_infill_forgoes_no_crop(estate):
    plan = plan_programme(estate(INFILL, keep=(10.0, 10.0), missing=0.4), years=1, shadow=False).table
    assert plan["tonnes_out"].tolist() == [0.0, 0.0]


def test_crop_forgone_is_that_of_the_last_vintage_for_the_last_winter(estate):
    """Falling by 1 t/ha a year from 16: work in 2035 leaves the 7 t/ha of 2036 out."""
    valuation = estate(replace(CUT, cost_per_vine=0.0), keep=(np.arange(16.0, 6.0, -1.0),), area=(1.0,))
    plan = plan_programme(valuation, years=10, min_tonnes={"Shiraz": {2027: 0.0}}, not_before={"A": 2035},
                          together=[["A"]], shadow=False)  # fmt: skip
    assert plan.table.empty  # it would only lose
    choices = list_choices(valuation, years=10, value_per_ha=valuation.gain.mean(axis=0), keep_losing=True,
                           not_before={"A": 2035}, not_after={})  # fmt: skip
    assert choices.out_t.tolist() == pytest.approx([7.0])


# ---------------------------------------------------------------- turning points
def test_factors_are_sought_from_an_eighth_to_eight_times():
    assert _crossing(lambda one: one - 8.0) == pytest.approx(8.0)
    assert np.isnan(_crossing(lambda one: one - 8.1))
    assert _crossing(lambda one: one - 0.126) == pytest.approx(0.126, rel=1e-3)
    assert np.isnan(_crossing(lambda one: one - 0.12))
    assert _crossing(lambda one: (one - 0.5) * (one - 3.0)) == pytest.approx(0.5, rel=1e-3)  # the nearer one
    assert _crossing(lambda one: (one - 1 / 3) * (one - 2.5)) == pytest.approx(2.5, rel=1e-3)


def test_nothing_is_valued_twice_or_farther_out_than_the_answer():
    """The steps are 8 to the ninths: the third ends at 2, the fourth at 2.52."""
    asked = []

    def gain(factor):
        asked.append(factor)
        return factor - 2.2

    assert _crossing(gain) == pytest.approx(2.2, rel=1e-3)
    assert max(asked) == pytest.approx(8 ** (4 / 9))
    assert min(asked) == pytest.approx(8 ** (-4 / 9))
    assert len(asked) == len(set(asked))


def test_a_price_of_nothing_has_no_slope_and_a_small_one_has(estate, plain_money):
    free = estate(keep=(10.0,), area=(1.0,), money=replace(plain_money, price_per_t=0.0))
    none = break_even(free, "A-Z1", method="trunk_renewal", year=2026)
    assert none["gain_per_price"] == 0.0
    assert np.isnan(none["price_per_t"])
    cheap = estate(keep=(10.0,), area=(1.0,), money=replace(plain_money, price_per_t=0.5))
    usual = estate(keep=(10.0,), area=(1.0,))
    slopes = [
        break_even(one, "A-Z1", method="trunk_renewal", year=2026)["gain_per_price"] for one in (cheap, usual)
    ]
    assert slopes[0] == pytest.approx(slopes[1])  # tonnes


def test_a_faster_decline_ends_at_nothing(estate):
    """From 8 to 6 and 1 t/ha of 20: half as fast again is 5 and, below nothing, 0."""
    standing = estate(keep=([8.0, 6.0, 1.0],), area=(1.0,), span=3).standing
    fast = _scale_decline(standing, 1.5)
    np.testing.assert_allclose(fast.keep[0, 0], [8.0, 5.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(fast.rate, 1.5 * 7 / (3 * 20))
    np.testing.assert_allclose(_scale_decline(standing, 100.0).rate, 1.0)


# ---------------------------------------------------------------- standing and valuation
def test_a_forecast_of_one_vintage_leaves_one_winter(estate):
    valuation = estate(span=1)
    assert valuation.start_years.tolist() == [2026]


def test_shares_stay_shares_and_healthy_yields_as_they_are(estate):
    odd = estate(keep=(0.04,), area=(1.0,), missing=1.2, symptomatic=1.3, healthy=0.05).standing
    assert (odd.missing == 1.0).all()
    assert (odd.symptomatic == 1.0).all()
    assert (odd.healthy == 0.05).all()
    none = estate(keep=(0.0,), area=(1.0,), healthy=0.0).standing
    assert np.isfinite(none.rate).all()


@pytest.mark.parametrize("change", [{"years": np.arange(0)}, {"years": np.array([2027, 2028, 2030])}])
def test_years_of_a_forecast_are_one_after_the_other(make_draws, one_zone, change):
    given = {"first_year": 2026, "horizon_year": 2029, "trellis_life_years": 35,
             "rng": np.random.default_rng(1)}  # fmt: skip
    with pytest.raises(DataError, match="are not consecutive"):
        prepare_standing(replace(make_draws([10.0] * 3), **change), one_zone, **given)
    with pytest.raises(DataError, match=r"have shape \(8, 1, 3\) for 1 zones and 4 years, 0 of them"):
        prepare_standing(
            replace(make_draws([10.0] * 3), years=np.arange(2027, 2031)), one_zone,
            **(given | {"horizon_year": 2030}),
        )  # fmt: skip


def test_rows_a_metre_apart_may_be_paid_by_the_metre(make_draws, one_zone, plain_money):
    out = value_options(
        make_draws([10.0] * 4), one_zone.assign(row_spacing_m=1.0), methods=[replace(CUT, cost_per_m=0.5)],
        money=plain_money, horizon_year=2030, rng=np.random.default_rng(1),
    )  # fmt: skip
    np.testing.assert_allclose(value_module.mean_cost(out, 0), 5 * 1000 + 0.5 * 10_000)


def test_an_option_is_valued_where_every_draw_is():
    gain = np.zeros((3, 1, 1, 4))
    for draw in range(3):
        gain[draw, 0, 0, draw] = np.nan
    assert value_module.every_draw_finite(gain).tolist() == [[[False, False, False, True]]]
    assert value_module.every_draw_finite(np.zeros((0, 1, 1, 2))).tolist() == [[[True, True]]]


def test_infill_needs_no_column_of_counts_in_the_decline_table(estate):
    """Where the decline table does not speak of missing vines, the draws do."""
    assert advice_of(estate(INFILL, keep=(10.0, 10.0), missing=0.4))["best_method"].tolist() == ["infill"] * 2


# ---------------------------------------------------------------- lists
def test_cash_flows_of_a_later_first_winter_begin_with_nothing(estate):
    """The vintage of the first winter itself is over, though it was forecast."""
    valuation = estate(keep=(10.0,), area=(1.0,), first_year=2029)
    table = explain_zone(valuation, "A-Z1", method="trunk_renewal", year=2030)
    assert table["year"].tolist() == list(range(2029, 2037))
    assert table[["keep_income", "keep_cost", "renew_income", "renew_cost"]].iloc[0].tolist() == [0.0] * 4
    assert table["keep_income"].iloc[1] == 5000.0
    worth = float(valuation.alone_gain(0)[:, 0, 1].mean())
    assert table["difference_discounted"].sum() == pytest.approx(worth)


def test_a_zone_at_the_capacity_now_is_over_it_after_its_renewal(estate):
    valuation = estate(keep=(4.0, 4.0), missing=0.0)
    advice = advice_of(valuation)
    assert set(advice["advice"]) == {"renew"}
    made = name_over_capacity(valuation, advice, capacity_t_ha=4.0)
    assert made["over"].tolist() == ["after renewal"] * 2
    low = name_over_capacity(valuation, advice, capacity_t_ha=0.5)  # below one is a capacity too
    assert low["over"].tolist() == ["now"] * 2


@pytest.mark.parametrize(("same", "controls"), [(3, 3), (2, 4)])
def test_three_controls_of_the_same_variety_are_enough(same, controls):
    """Yields of less than 1 t/ha are yields."""
    names = list("ABCDE")
    table = pd.DataFrame(
        [(zone, year, 0.5) for zone in names for year in (2020, 2022)],
        columns=["zone_id", "vintage", "yield_t_ha"],
    )
    zones = pd.DataFrame({
        "zone_id": names, "block_id": names, "variety": ["Fiano"] * (1 + same) + ["Shiraz"] * (4 - same)
    })  # fmt: skip
    done = pd.DataFrame({"zone_id": ["A"], "year": [2020], "method": ["infill"]})
    assert check_renewals(table, zones, done)["controls"].tolist() == [controls]


def test_work_without_shares_is_of_every_place(estate):
    rows = pd.DataFrame({"row_id": ["A-1"], "block_id": "A", "zone_id": "A-Z1", "from_vine": 1,
                         "to_vine": 100, "length_m": 30.0})  # fmt: skip
    plan = pd.DataFrame({"year": [2026], "block_id": ["A"], "zone_id": ["A-Z1"], "method": ["trunk_renewal"],
                         "area_ha": [1.0], "cost": [900.0], "crew_days": [3.0]})  # fmt: skip
    methods = [replace(CUT, refill_share=0.5)]
    for shares in ({}, {"missing_share": {"A-Z9": 0.5}, "refill_share": {"A-Z9": 0.5}}):
        made = list_work(plan, rows, methods=methods, post_spacing_m=1.0, **shares).iloc[0]
        assert (made["vines"], made["refill_vines"], made["posts"]) == (100, 0, 31)


def test_tables_behind_the_advice_are_numbered_through(estate):
    trace = trace_advice(valuation := estate(), advice_of(valuation))
    for table in (trace.cash_flows, trace.sensitivity):
        assert table.index.tolist() == list(range(len(table)))
        assert table["zone_id"].nunique() == 2
