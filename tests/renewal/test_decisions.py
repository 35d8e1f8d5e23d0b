"""From values to decisions, cash flows and turning points: on zones whose sums can be done by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError, SettingsError
from vinemap.renewal import Method, decide_zones, explain_zone, value_options
from vinemap.renewal.cashflow import all_gains
from vinemap.renewal.change import find_turn
from vinemap.renewal.decide import loss_value
from vinemap.renewal.example import example_facts
from vinemap.renewal.explain import option_of
from vinemap.renewal.finance import annuity_factor
from vinemap.renewal.trace import trace_advice
from vinemap.renewal.turning import break_even, measure_sensitivity
from vinemap.renewal.waiting import total_waiting

CUT = Method(name="trunk_renewal", cost_per_vine=5.0, crop_share_by_year_after=(0.0, 0.5), held_years=50.0,
             mobilisation_per_block=1000.0)  # fmt: skip
SPRAY = Method(
    name="keep_protected", yearly_cost_per_ha=40.0, efficacy_low=0.5, efficacy_mode=0.5, efficacy_high=0.5
)


@pytest.fixture
def valued(make_draws, one_zone, plain_money):
    """One zone of 20 t/ha healthy, 2 ha, to 2036; every draw alike unless told."""

    def make(
        *methods, keep=(10.0,) * 10, money=plain_money, zone=None, spread: float = 0.0, horizon=2036, **draws
    ):
        given = {"draw_count": 40, "missing": 0.2, "symptomatic": 0.1} | draws
        made = make_draws(keep, **given)
        if spread:
            factor = np.linspace(1 - spread, 1 + spread, 40)[:, None, None]
            made = replace(made, keep_t_ha=made.keep_t_ha * factor, now_t_ha=made.now_t_ha * factor[:, :, 0])
        zone = one_zone.assign(area_ha=2.0, vines=2000) if zone is None else zone
        return value_options(made, zone, methods=methods or (CUT,), money=money, horizon_year=horizon,
                             rng=np.random.default_rng(1))  # fmt: skip

    return make


def row_of(**changed) -> pd.DataFrame:
    row = {"zone_id": "A-Z1", "block_id": "A", "vintages": 8, "yield_healthy_t_ha": 20.0, "loss_pct": 50.0,
           "loss_pct_low": 45.0, "loss_pct_high": 55.0, "decline_pct_per_year": 1.0, "missing_pct": 20.0,
           "symptomatic_pct": 10.0}  # fmt: skip
    return pd.DataFrame([row | changed])


def decide(valuation, *, row=None, **more) -> pd.Series:
    zones = pd.DataFrame({"zone_id": ["A-Z1"]})
    return decide_zones(valuation, zones, row_of() if row is None else row, **more).iloc[0]


# ---------------------------------------------------------------- decisions
def test_decision_of_one_zone_by_hand(valued):
    """The best winter is the first; its gain carries the whole mobilisation, 500 a hectare."""
    valuation = valued()
    gains = valuation.gain[0, 0, 0] - 500 * 1.05 ** -np.arange(valuation.start_years.size)
    made = decide(valuation)
    assert made["advice"] == "renew"
    assert (made["best_method"], made["best_year"]) == ("trunk_renewal", 2026)
    assert (
        made["gain_per_ha"] == made["gain_per_ha_low"] == made["gain_per_ha_high"] == pytest.approx(gains[0])
    )
    assert made["wait_cost_per_ha"] == pytest.approx(gains[0] - gains[1])
    assert made["wait_cost_per_ha_low"] == pytest.approx(made["wait_cost_per_ha_high"])
    assert made["chance_pays"] == 1.0
    assert made["mobilisation_share"] == 1.0
    assert made["shared_with"] == ""
    assert np.isnan(made["protect_gain_per_ha"])
    assert made["chance_declining"] == 0.0
    assert made["loss_value_per_ha"] == pytest.approx(500 * 10.0)
    assert pd.isna(made["idle_year"])
    assert made["scouting_value"] == 0.0


def test_interval_and_chance_are_those_of_the_draws(valued):
    valuation = valued(spread=0.9)
    made = decide(valuation)
    draws = valuation.gain[:, 0, 0, made["best_year"] - 2026]
    draws = draws - 500 * 1.05 ** -float(made["best_year"] - 2026)
    assert made["gain_per_ha"] == pytest.approx(draws.mean())
    assert made["gain_per_ha_low"] == pytest.approx(np.quantile(draws, 0.05))
    assert made["gain_per_ha_high"] == pytest.approx(np.quantile(draws, 0.95))
    assert made["chance_pays"] == pytest.approx((draws > 0).mean())
    assert 0 < made["chance_pays"] < 1
    edge = float(made["chance_pays"])
    assert decide(valuation, chance_threshold=edge, scouting_cost=1e9)["advice"] == "renew"
    assert decide(valuation, chance_threshold=edge + 0.01, scouting_cost=1e9)["advice"] == "watch"


def test_chance_and_advice_do_not_depend_on_the_currency(valued, plain_money):
    """In a currency of which one is worth 100,000: gains below one are gains all the same."""
    unit = 1e-5
    dear = replace(plain_money, price_per_t=unit * 500.0)
    cut = replace(CUT, cost_per_vine=unit * 5.0, mobilisation_per_block=unit * 1000.0)
    usual, other = (
        decide(valued(spread=0.9)),
        decide(valued(cut, money=dear, spread=0.9), scouting_cost=unit * 150),
    )
    assert 0 < other["gain_per_ha"] < 1
    assert other["gain_per_ha"] == pytest.approx(unit * usual["gain_per_ha"])
    assert 0 < usual["chance_pays"] < 1
    for name in ("chance_pays", "advice", "best_year", "chance_declining"):
        assert other[name] == usual[name]


@pytest.mark.parametrize("bad", [-0.01, 1.01])
def test_threshold_is_a_share(valued, bad):
    with pytest.raises(SettingsError, match="Chance threshold"):
        decide(valued(), chance_threshold=bad)
    for good in (0.0, 1.0):
        assert decide(valued(), chance_threshold=good)["advice"] == "renew"


@pytest.mark.parametrize(
    ("vintages", "missing", "symptomatic", "advice"),
    [(5, None, None, "scout"), (6, None, None, "renew"), (5, 20.0, None, "renew"), (5, None, 10.0, "renew"),
     (1, 0.0, None, "renew")],
)  # fmt: skip
def test_a_short_record_needs_a_count(valued, vintages, missing, symptomatic, advice):
    """Five vintages or fewer never lead to renewal on yield alone."""
    row = row_of(vintages=vintages, missing_pct=missing, symptomatic_pct=symptomatic)
    assert decide(valued(), row=row)["advice"] == advice
    if missing is None and symptomatic is None:
        bare = row.drop(columns=["missing_pct", "symptomatic_pct"])
        assert decide(valued(), row=bare)["advice"] == "renew"  # counted, as the draws say
        unseen = valued(missing=np.nan, symptomatic=np.nan)
        assert decide(unseen, row=bare)["advice"] == advice


@pytest.mark.parametrize(("loss", "chance"), [(0.29, 0.0), (0.31, 1.0)])
def test_declining_is_losing_more_than_half_a_percent_a_year(valued, loss, chance):
    """Over the next three years, of 20 t/ha healthy: 0.3 t/ha."""
    keep = [10.0 - loss * (n + 1) / 3 for n in range(10)]
    assert decide(valued(keep=keep, now=10.0))["chance_declining"] == chance


def test_protection_that_is_worth_more_stands_against_a_renewal(valued):
    keep = [18.0 - n for n in range(10)]
    dear = replace(CUT, cost_per_vine=9.0)
    valuation = valued(dear, SPRAY, keep=keep, now=19.0)
    worth = valuation.gain[0, 0, 1].max()
    made = decide(valuation)
    assert made["protect_gain_per_ha"] == pytest.approx(worth)
    assert made["gain_per_ha"] < worth
    assert made["advice"] == "watch"
    assert made["best_method"] == "trunk_renewal"


@pytest.mark.parametrize(("renewed", "recovery", "advice", "first"), [
    (2020, None, "renew", 2026), (2021, 80.0, "watch", 2027), (2021, 90.0, "keep", 2027),
    (2024, None, "watch", 2030),
    (2024, 95.0, "keep", 2030),
])  # fmt: skip
def test_a_zone_renewed_within_five_years_waits(valued, renewed, recovery, advice, first):
    row = row_of(renewed_year=renewed, recovery_pct=recovery)
    made = decide(valued(), row=row)
    assert made["advice"] == advice
    assert made["best_year"] == first
    if advice != "renew":
        assert f"Renewed in {renewed}" in made["reason"]


def test_a_kept_crop_that_no_longer_pays_has_its_year(valued, plain_money):
    """Growing 3,000, idle 1,000: 4 t/ha at 500 loses 1,000, as idling does; below that idling loses less."""
    money = replace(plain_money, growing_cost_per_ha=3000.0, growing_cost_out_of_crop_per_ha=1000.0,
                    idle_cost_per_ha=1000.0)  # fmt: skip
    keep = [10.0, 8.0, 4.0, 3.9, 3.0] + [2.0] * 5
    assert decide(valued(keep=keep, money=money, now=10.0))["idle_year"] == 2030
    late = [10.0] * 9 + [1.0]
    assert decide(valued(keep=late, money=money, now=10.0))["idle_year"] == 2036
    assert pd.isna(decide(valued(keep=late, money=money, now=10.0, horizon=2035))["idle_year"])


def test_infill_is_not_weighed_where_gaps_were_not_counted(valued):
    fill = replace(CUT, name="infill", keeps_standing=True)
    valuation = valued(fill)
    assert decide(valuation)["best_method"] == "infill"
    blind = decide(valuation, row=row_of(missing_pct=None))
    assert blind["best_method"] == ""
    assert pd.isna(blind["best_year"])
    assert blind["gain_per_ha"] == blind["chance_pays"] == 0.0


def test_yearly_worth_of_the_crop_lost(valued, plain_money):
    """10 t/ha at 500 less 70 of harvest, 2 % off for MOG; nothing where the crop is above the healthy one."""
    money = replace(plain_money, harvest_cost_per_t=70.0, mog_share=0.03)
    np.testing.assert_allclose(loss_value(valued(money=money)), 10 * (500 * 0.98 - 70))
    assert loss_value(valued(keep=[25.0] * 10)).tolist() == [0.0]
    assert loss_value(valued(money=replace(money, price_per_t=10.0))).tolist() == [0.0]


def test_waiting_of_an_estate_is_the_sum_of_its_zones(valued):
    valuation = valued()
    made = decide(valuation)
    total = total_waiting(valuation, pd.DataFrame([made]))
    assert total.mean == pytest.approx(2.0 * made["wait_cost_per_ha"])
    assert total.low == pytest.approx(total.high)
    none = pd.DataFrame([made]).assign(best_year=pd.NA)
    assert total_waiting(valuation, none).mean == 0


def test_zones_come_in_the_order_asked_for(valuation, zones, decline):
    made = decide_zones(valuation, zones.iloc[[2, 0]], decline)
    assert made["zone_id"].tolist() == ["B-Z3", "A-Z1"]
    with pytest.raises(DataError, match="Zone Q was not valued"):
        decide_zones(valuation, pd.DataFrame({"zone_id": ["Q"]}), decline)
    with pytest.raises(DataError, match="Zone B-Z3 has no row in the decline table"):
        decide_zones(valuation, zones, decline.iloc[:2])


# ---------------------------------------------------------------- cash flows
def test_cash_flows_of_trunk_renewal_by_hand(valued, plain_money):
    money = replace(plain_money, harvest_cost_per_t=100.0, growing_cost_per_ha=2000.0,
                    growing_cost_out_of_crop_per_ha=1000.0, idle_cost_per_ha=500.0,
                    removal_per_ha=300.0)  # fmt: skip
    cut = replace(CUT, aftercare_per_vine_by_year=(1.0,), take_share=0.75)
    valuation = valued(cut, money=money, horizon=2031)
    table = explain_zone(valuation, "A-Z1", method="trunk_renewal", year=2027, mobilisation_share=0.5)
    assert table["year"].tolist() == [2026, 2027, 2028, 2029, 2030, 2031]
    np.testing.assert_allclose(table["discount_factor"], 1.05 ** -np.arange(6))
    full = 0.75 * 0.8 * 20
    assert table["keep_t_ha"].tolist() == [10.0] * 6
    np.testing.assert_allclose(table["renew_t_ha"], [10, 10, 0, full / 2, full, full])
    assert table["keep_income"].tolist() == [0, 4000, 4000, 4000, 4000, 4000]
    assert table["keep_cost"].tolist() == [0, 2000, 2000, 2000, 2000, 2300]
    np.testing.assert_allclose(table["renew_income"], [0, 4000, 0, 200 * full, 400 * full, 400 * full])
    work = 5 * 800 + 0.5 * 1000 / 2
    np.testing.assert_allclose(table["renew_cost"], [0, 2000 + work, 1000 + 800, 1500, 2000, 2300])
    np.testing.assert_allclose(table["difference"], table["renew_net"] - table["keep_net"])
    assert (table["keep_idle_share"] == 0).all()
    worth = valuation.gain[:, 0, 0, 1].mean() - 0.5 * 500 / 1.05
    assert table["difference_discounted"].sum() == pytest.approx(worth)


def test_cash_flows_of_protection_and_replanting_by_hand(valued, plain_money):
    money = replace(plain_money, growing_cost_per_ha=1000.0, idle_cost_per_ha=400.0, removal_per_ha=900.0)
    new = Method(name="replant", cost_per_ha=10_000.0, restores_stand=True, renews_trellis=True,
                 life_years=20, held_years=50.0)  # fmt: skip
    keep = [18.0 - 2 * n for n in range(10)]
    valuation = valued(SPRAY, new, keep=keep, now=20.0, money=money, horizon=2031)
    table = explain_zone(valuation, "A-Z1", method="keep_protected", year=2026)
    half = 0.5 * 0.9  # of the loss of sound vines
    np.testing.assert_allclose(table["renew_t_ha"], [20, *(k + half * (20 - k) for k in keep[:5])])
    np.testing.assert_allclose(table["renew_cost"], [40, 1040, 1040, 1040, 1040, 1000 + 900])
    planted = explain_zone(valuation, "A-Z1", method="replant", year=2027)
    cost = planted["renew_cost"].tolist()
    assert cost == [0, 1000 + 900, 0, 0, 0, 0]
    flows = np.full(20, 20 * 500 - 1000.0)
    flows[-1] -= 900
    annual = ((flows * 1.05 ** -np.arange(1, 21)).sum() - 10_000) / annuity_factor(0.05, 20)
    np.testing.assert_allclose(planted["renew_income"].iloc[2:], annual)
    worth = valuation.gain[:, 0, 1, 1].mean()
    assert planted["difference_discounted"].sum() == pytest.approx(worth)


def test_option_explained_is_the_best_that_fits_what_was_asked(valued):
    fill = replace(CUT, name="infill", keeps_standing=True)
    valuation = valued(CUT, fill, SPRAY, keep=[18.0 - 2 * n for n in range(9)] + [0.0], now=20.0)
    mean = valuation.alone_gain(0).mean(axis=0)
    assert option_of(valuation, 0, None, None) == tuple(
        np.unravel_index(np.nanargmax(mean[:2]), mean[:2].shape)
    )
    assert option_of(valuation, 0, "infill", None)[0] == 1
    assert option_of(valuation, 0, "infill", 2029) == (1, 3)
    assert option_of(valuation, 0, "keep_protected", 2030) == (2, 4)
    assert option_of(valuation, 0, None, 2028)[1] == 2
    with pytest.raises(DataError, match="no value for any renewal in 2050"):
        option_of(valuation, 0, None, 2050)


# ---------------------------------------------------------------- turning points
def test_break_even_price_and_loss_by_hand(valued):
    """Free of growing costs the gain is a price times tonnes, less the costs: both ends follow."""
    valuation = valued()
    after = np.array([0.0, 8.0, *[16.0] * 8])
    weights = 1.05 ** -np.arange(1, 11)
    cost = 5 * 800 + 500
    even = break_even(valuation, "A-Z1", method="trunk_renewal", year=2026)
    tonnes = float(((after - 10) * weights).sum())
    assert even["price_per_t"] == pytest.approx(cost / tonnes, rel=1e-3)
    assert even["gain_per_price"] == pytest.approx(tonnes)
    kept = (500 * float((after * weights).sum()) - cost) / (500 * weights.sum())
    assert even["loss_pct"] == pytest.approx(100 * (1 - kept / 20), abs=0.02)
    half = break_even(valuation, "A-Z1", method="trunk_renewal", year=2026, mobilisation_share=0.0)
    assert half["price_per_t"] == pytest.approx(4000 / tonnes, rel=1e-3)
    later = break_even(valuation, "A-Z1", method="trunk_renewal", year=2028)
    fewer = float(((after[:8] - 10) * weights[:8]).sum())
    assert later["price_per_t"] == pytest.approx(cost / fewer, rel=1e-3)


def test_break_even_may_lie_above_or_out_of_reach(valued):
    """A zone that holds: no price makes work pay; a dear one pays from a higher price than is set."""
    sound = break_even(valued(keep=[20.0] * 10), "A-Z1", method="trunk_renewal", year=2026)
    assert np.isnan(sound["price_per_t"])
    dear = break_even(valued(replace(CUT, cost_per_vine=40.0)), "A-Z1", method="trunk_renewal", year=2026)
    assert 500 < dear["price_per_t"] < 4000
    fill = break_even(
        valued(replace(CUT, name="infill", keeps_standing=True)), "A-Z1", method="infill", year=2026
    )
    assert np.isnan(fill["loss_pct"])
    dear_spray = replace(SPRAY, yearly_cost_per_ha=400.0)
    spray = break_even(valued(dear_spray, keep=[18.0 - n for n in range(10)], now=20.0), "A-Z1",
                       method="keep_protected", year=2026)  # fmt: skip
    assert np.isnan(spray["loss_pct"])
    assert 0 < spray["price_per_t"] < 500


def test_price_of_a_new_variety_moves_with_the_others(valued, plain_money):
    """Both prices doubled double the gain before costs: the break-even factor is one for both."""
    graft = replace(CUT, name="graft_over", new_variety="Fiano", new_price_per_t=600.0)
    even = break_even(valued(graft), "A-Z1", method="graft_over", year=2026)
    after, weights = np.array([0.0, 8.0, *[16.0] * 8]), 1.05 ** -np.arange(1, 11)
    margin = float(((1.2 * after - 10) * weights).sum())
    assert even["price_per_t"] == pytest.approx(4500 / margin, rel=1e-3)
    by_variety = replace(plain_money, price_by_variety={"Shiraz": 400.0})
    other = break_even(valued(money=by_variety), "A-Z1", method="trunk_renewal", year=2026)
    tonnes = float(((after - 10) * weights).sum())
    assert other["price_per_t"] == pytest.approx(4500 / tonnes, rel=1e-3)


@pytest.fixture
def moved(valued, plain_money):
    """Sensitivity of trunk renewal on a zone where every input matters."""
    money = replace(plain_money, harvest_cost_per_t=60.0, growing_cost_per_ha=3500.0,
                    growing_cost_out_of_crop_per_ha=2000.0, idle_cost_per_ha=1500.0)  # fmt: skip
    keep = [9.0 - 0.6 * n for n in range(10)]

    def make(method=CUT, **changed):
        given = {"money": money, "keep": keep, "now": 9.6} | changed
        return valued(replace(method, take_share=0.8, full_level=0.9), **given)

    return make, money, keep


def at(valuation) -> float:
    return float(valuation.alone_gain(0)[:, 0, 0].mean())


def test_sensitivity_moves_each_input_by_what_is_said(moved):
    """Each end is the gain of a valuation with that one input so."""
    make, money, keep = moved
    table = measure_sensitivity(make(), "A-Z1", method="trunk_renewal", year=2026).set_index("input")

    def ends(name: str) -> tuple[float, float]:
        return float(table.loc[name, "gain_low"]), float(table.loc[name, "gain_high"])

    def both(name: str, factors: tuple[float, float]) -> list[float]:
        return [at(make(money=replace(money, **{name: factor * getattr(money, name)}))) for factor in factors]

    base = make()
    assert ends("price") == pytest.approx(both("price_per_t", (0.8, 1.2)))
    assert ends("cost of leaving idle") == pytest.approx(both("idle_cost_per_ha", (0.5, 1.5)))
    growing = [
        at(make(money=replace(money, growing_cost_per_ha=f * 3500, growing_cost_out_of_crop_per_ha=f * 2000)))
        for f in (0.8, 1.2)
    ]
    assert ends("growing cost") == pytest.approx(growing)
    assert ends("discount rate") == pytest.approx(
        [at(make(money=replace(money, discount_rate=rate))) for rate in (0.03, 0.07)]
    )
    assert table.loc["discount rate", ["low", "high"]].tolist() == ["3.0 %", "7.0 %"]
    dear = [at(make(replace(CUT, cost_per_vine=f * 5, mobilisation_per_block=f * 1000))) for f in (0.8, 1.2)]
    assert ends("cost of work") == pytest.approx(dear)
    one = base.methods[0]
    take = [at(replaced(base, replace(one, take_share=share))) for share in (0.7, 0.9)]
    assert ends("take share") == pytest.approx(take)
    level = [at(replaced(base, replace(one, full_level=share))) for share in (0.81, 0.99)]
    assert ends("full level") == pytest.approx(level)
    late = at(replaced(base, replace(one, crop_share_by_year_after=(0.0, 0.0, 0.5))))
    assert ends("first crop") == pytest.approx([late, at(base)])
    speed = [at(make(keep=[9.6 - f * (9.6 - k) for k in keep])) for f in (0.5, 1.5)]
    assert ends("speed of decline") == pytest.approx(speed)
    np.testing.assert_allclose(table["swing"], (table["gain_high"] - table["gain_low"]).abs())
    assert table["swing"].is_monotonic_decreasing
    assert len(table) == 9


def replaced(valuation, method):
    """The same valuation with another method in its place."""
    gain = all_gains(valuation.standing, [method], money=valuation.money, samples=valuation.samples,
                     first_year=valuation.first_year, start_years=valuation.start_years)  # fmt: skip
    return replace(valuation, gain=gain, methods=(method,))


def test_inputs_at_their_ends_stay_there(valued, plain_money):
    """A rate of 1 % goes down to nothing, a take of 95 % up to all; protection has no take."""
    low = valued(replace(CUT, take_share=0.95), money=replace(plain_money, discount_rate=0.01))
    table = measure_sensitivity(low, "A-Z1", method="trunk_renewal", year=2026).set_index("input")
    assert table.loc["discount rate", ["low", "high"]].tolist() == ["0.0 %", "3.0 %"]
    sure = replaced(low, replace(low.methods[0], take_share=1.0))
    assert table.loc["take share", "gain_high"] == pytest.approx(at(sure))
    poor = valued(replace(CUT, take_share=0.05))
    none = measure_sensitivity(poor, "A-Z1", method="trunk_renewal", year=2026).set_index("input")
    assert none.loc["take share", "gain_low"] == pytest.approx(
        at(replaced(poor, replace(poor.methods[0], take_share=0.0)))
    )
    spray = measure_sensitivity(valued(SPRAY), "A-Z1", method="keep_protected", year=2026)
    assert not set(spray["input"]) & {"take share", "full level", "first crop"}


def test_turn_is_asked_about_this_winter_where_nothing_pays(valued):
    """Where the best is a loss, the last winter is the least bad: no answer to anyone."""
    dear = replace(CUT, cost_per_vine=40.0)
    valuation = valued(dear)
    facts = replace(example_facts(), method="trunk_renewal", year=2034, gain=-1.0)
    turn = find_turn(valuation, "A-Z1", facts, mobilisation_share=1.0)
    even = break_even(valuation, "A-Z1", method="trunk_renewal", year=2026)
    assert (turn.price_per_t, turn.even_price_per_t) == (500.0, even["price_per_t"])
    assert turn.even_loss_pct == even["loss_pct"]
    paying = find_turn(valuation, "A-Z1", replace(facts, gain=1.0, year=2028), mobilisation_share=1.0)
    assert (
        paying.even_price_per_t
        == break_even(valuation, "A-Z1", method="trunk_renewal", year=2028)["price_per_t"]
    )
    zero = find_turn(valuation, "A-Z1", replace(facts, gain=0.0), mobilisation_share=1.0)
    assert zero == turn
    shut = replace(valuation, gain=np.where(valuation.start_years == 2026, np.nan, valuation.gain))
    late = find_turn(shut, "A-Z1", facts, mobilisation_share=1.0)
    assert np.isnan(late.even_price_per_t) or late.even_price_per_t > turn.even_price_per_t
    none = find_turn(valuation, "A-Z1", replace(facts, method=""), mobilisation_share=1.0)
    assert np.isnan(none.price_per_t)


# ---------------------------------------------------------------- what goes out beside the advice
def test_trace_carries_gain_loss_and_price_of_each_zone(valuation, zones, decline):
    advice = decide_zones(valuation, zones, decline)
    made = trace_advice(valuation, advice)
    acted = advice[advice["advice"] != "keep"].set_index("zone_id")
    points = made.turning_points.set_index("zone_id")
    assert sorted(points.index) == sorted(acted.index)
    for zone, row in points.iterrows():
        place = valuation.zone_index(zone)
        loss = 100 * (1 - (valuation.standing.now[:, place] / valuation.standing.healthy[:, place]).mean())
        assert row["loss_pct"] == pytest.approx(loss)
        assert row["gain_per_ha"] == pytest.approx(acted.loc[zone, "gain_per_ha"])
        assert row["price_per_t"] == 650.0
        assert row["year"] == acted.loc[zone, "best_year"]
        assert row["words"].endswith(".")
    leading = made.cash_flows.columns[:3].tolist()
    assert leading == ["zone_id", "method", "renew_year"]
    assert made.sensitivity.columns[:3].tolist() == ["zone_id", "method", "year"]
    assert set(made.cash_flows["zone_id"]) == set(advice.loc[advice["best_method"] != "", "zone_id"])
