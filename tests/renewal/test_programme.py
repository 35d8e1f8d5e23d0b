"""The programme against exhaustive enumeration, and its limits."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vinemap.errors import SettingsError
from vinemap.renewal import default_methods, plan_programme, value_options
from vinemap.renewal.example import example_draws, example_zones, mixed_draws
from vinemap.renewal.methods import Money
from vinemap.renewal.value import mean_cost, picked_crop
from vinemap.tables import PROGRAMME


def small_case(seed, *, zones=4, methods=2):
    rng = np.random.default_rng(seed)
    draws = mixed_draws(zones, rng=rng, draw_count=10, span=12, least_loss=0.1, least_missing=0.05)
    chosen = [default_methods()[n] for n in (0, 2, 3)][:methods]
    table = example_zones(zones)
    return value_options(draws, table, methods=chosen, money=Money(), horizon_year=2038, rng=rng)


def enumerate_best(valuation, years, budget, most_days, min_shiraz=None):
    """Best value over every way of doing each zone by each method in each winter, or not at all."""
    standing, methods = valuation.standing, valuation.methods
    gain, visit = valuation.gain.mean(axis=0), valuation.visit.mean(axis=0)
    cost = [mean_cost(valuation, m) * standing.area_ha for m in range(len(methods))]
    gaps = standing.missing.mean(axis=0)
    crop = {(m, y): picked_crop(valuation, m, 2026 + y) for m in range(len(methods)) for y in range(years)}
    kept = picked_crop(valuation)
    options = [None, *itertools.product(range(len(methods)), range(years))]
    best = -np.inf
    for plan in itertools.product(options, repeat=len(standing.zone_ids)):
        picked = [(z, *one) for z, one in enumerate(plan) if one is not None]
        if any(not np.isfinite(gain[one]) for one in picked):
            continue
        visits = {(standing.block_ids[z], m, y) for z, m, y in picked}
        spent, days = np.zeros(years), np.zeros(years)
        total = sum(gain[z, m, y] * standing.area_ha[z] for z, m, y in picked)
        for z, m, y in picked:
            spent[y] += cost[m][z]
            share = gaps[z] if methods[m].keeps_standing else 1 - gaps[z]
            days[y] += methods[m].crew_days_per_ha * standing.area_ha[z] * share
        for _, m, y in visits:
            total -= visit[m, y]
            spent[y] += visit[m, y] * 1.05**y
        if (spent > budget + 1e-6).any() or (days > most_days + 1e-6).any():
            continue
        if min_shiraz is not None:
            after = kept.copy()
            for z, m, y in picked:
                after[z] = crop[m, y][z]
            mine = np.asarray([one == "Shiraz" for one in standing.varieties])
            tonnes = (after * standing.area_ha[:, None])[mine].sum(axis=0)[:years]
            if (tonnes < min_shiraz - 1e-6).any():
                continue
        best = max(best, total)
    return best


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.1, 1.0), days=st.floats(10.0, 120.0))
def test_optimum_is_that_of_enumeration(seed, share, days):
    valuation = small_case(seed)
    budget = share * 100_000.0
    out = plan_programme(valuation, years=2, budget=budget, crew_days=days, mip_gap=0.0, shadow=False)
    assert out.npv == pytest.approx(enumerate_best(valuation, 2, budget, days), rel=1e-7, abs=1e-4)
    assert out.table["npv"].sum() == pytest.approx(out.npv, rel=1e-9, abs=1e-6)
    by_year = out.table.groupby("year")
    assert (by_year["cost"].sum() <= budget + 1e-6).all()
    assert (by_year["crew_days"].sum() <= days + 1e-6).all()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_least_tonnes_bind_as_in_enumeration(seed):
    valuation = small_case(seed, zones=3)
    standing = valuation.standing
    mine = np.asarray([one == "Shiraz" for one in standing.varieties])
    kept = (picked_crop(valuation) * standing.area_ha[:, None])[mine].sum(axis=0)[:2].min()
    least = 0.8 * kept
    free = plan_programme(valuation, years=2, mip_gap=0.0, shadow=False)
    out = plan_programme(valuation, years=2, min_tonnes={"Shiraz": least}, mip_gap=0.0, shadow=False)
    best = enumerate_best(valuation, 2, np.inf, np.inf, min_shiraz=least)
    assert out.npv == pytest.approx(best, rel=1e-7)
    assert out.npv <= free.npv + 1e-6


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 1000), budget=st.floats(5000.0, 80_000.0), more=st.floats(0.0, 80_000.0))
def test_larger_budget_never_lowers_the_optimum(seed, budget, more):
    valuation = small_case(seed, zones=6, methods=3)
    small, large = (
        plan_programme(valuation, years=4, budget=one, mip_gap=0.0, shadow=False).npv
        for one in (budget, budget + more)
    )
    assert large >= small - 1e-6 * max(1.0, small)
    assert small >= 0.0


def test_table_keeps_the_contract_and_gives_a_reason(valuation):
    out = plan_programme(valuation, years=5, budget=60_000.0)
    assert list(out.table.columns[: len(PROGRAMME.names)]) == PROGRAMME.names
    assert out.table["rank"].tolist() == list(range(1, len(out.table) + 1))
    assert out.table["reason"].str.contains("AUD").all()
    assert out.table["zone_id"].is_unique
    assert out.gap <= 0.001
    assert out.bound >= out.npv
    lost = out.table.set_index("zone_id").loc["A-Z1"]
    column = valuation.method_index(lost["method"])
    first = int(lost["year"]) + 1 - 2027
    kept = picked_crop(valuation)[0, first]
    crop = picked_crop(valuation, column, int(lost["year"]))[0, first]
    assert lost["tonnes_out"] == pytest.approx((kept - crop) * valuation.standing.area_ha[0])


def test_shadow_cost_is_what_a_looser_limit_adds(valuation):
    whole = plan_programme(valuation, years=1, mip_gap=0.0, shadow=False)
    assert set(whole.table["zone_id"]) == {"A-Z1", "B-Z3"}
    short = 0.95 * whole.table["cost"].sum()  # both fit only if the budget grows by a tenth
    tight = plan_programme(valuation, years=1, budget=short, crew_days=1000.0, mip_gap=0.0)
    assert len(tight.table) == 1
    assert tight.shadow_costs["limit"].tolist() == ["budget 2026"]
    row = tight.shadow_costs.iloc[0]
    assert row["adds"] == pytest.approx(whole.npv - tight.npv, rel=1e-9)
    assert row["adds"] > 0
    assert row["used"] == pytest.approx(tight.table["cost"].sum())
    assert (row["allowed"], row["moved_to"]) == (pytest.approx(short), pytest.approx(1.1 * short))


def test_clashing_limits_say_by_how_much(valuation):
    standing = valuation.standing
    shiraz = np.asarray([one == "Shiraz" for one in standing.varieties])
    kept = (picked_crop(valuation) * standing.area_ha[:, None])[shiraz].sum(axis=0)
    out = plan_programme(valuation, years=1, budget=0.0, min_tonnes={"Shiraz": float(kept[0]) + 12.0})
    assert out.table.empty
    assert list(out.table.columns) == PROGRAMME.names
    assert out.clashes[0].startswith("These limits clash")
    assert out.clashes[1].startswith("least tonnes of Shiraz 2027: missed by 12.0 t (asked for 1")
    assert f"with nothing renewed it is {kept[0]:,.0f} t" in out.clashes[1]


def test_zones_left_idle_bring_no_tonnes(make_draws, one_zone, plain_money):
    """2 t/ha at 500 bring 1,000 against 3,000 of growing: better idle at 700, so it promises nothing."""
    money = replace(plain_money, growing_cost_per_ha=3000.0, growing_cost_out_of_crop_per_ha=1500.0,
                    idle_cost_per_ha=700.0)  # fmt: skip
    cut = replace(
        default_methods()[0], take_share=1.0, take_sd=0.0, take_drop_symptomatic=0.0, refill_share=0.0
    )
    poor = value_options(make_draws([2.0] * 10), one_zone, methods=[cut], money=money,
                         rng=np.random.default_rng(1))  # fmt: skip
    np.testing.assert_array_equal(picked_crop(poor), 0.0)
    # 20 t/ha x 0.95: nothing in the 1st vintage, 60 % in the 2nd, 95 % in the 3rd
    np.testing.assert_allclose(picked_crop(poor, 0, 2026)[0, :4], [0.0, 11.4, 18.05, 19.0])
    short = plan_programme(poor, years=2, min_tonnes={"Shiraz": 1.5}, shadow=False)
    assert short.clashes[1] == (
        "least tonnes of Shiraz 2027: missed by 1.5 t (asked for 2 t; with nothing renewed it is 0 t)"
    )
    assert plan_programme(poor, years=2, shadow=False).table["tonnes_out"].tolist() == [0.0]
    good = value_options(make_draws([8.0] * 10), one_zone, methods=[cut], money=money,
                         rng=np.random.default_rng(1))  # fmt: skip
    np.testing.assert_allclose(picked_crop(good), 8.0)
    assert plan_programme(good, years=2, shadow=False).table["tonnes_out"].tolist() == [8.0]


def test_dates_groups_hectares_and_left_out_zones_hold(valuation):
    late = plan_programme(valuation, years=6, not_before={"A": 2028}, not_after={"B-Z3": 2026}, shadow=False)
    by_zone = late.table.set_index("zone_id")["year"]
    assert by_zone["A-Z1"] == 2028  # it falls every year: the first winter that is allowed
    assert by_zone["B-Z3"] == 2026
    both = plan_programme(valuation, years=3, together=[["A-Z1", "B-Z3"]], budget=45_000.0, shadow=False)
    assert set(both.table["zone_id"]) & {"A-Z1", "B-Z3"} in (set(), {"A-Z1", "B-Z3"})
    free = plan_programme(valuation, years=3, budget=45_000.0, shadow=False)
    assert both.npv <= free.npv
    none_out = plan_programme(valuation, years=3, most_ha_out=0.0, shadow=False)
    assert set(none_out.table["method"]) <= {"infill"}
    without = plan_programme(valuation, years=3, exclude=["A-Z1"], shadow=False)
    assert "A-Z1" not in set(without.table["zone_id"])


def test_crop_forgone_is_that_of_the_vintage_after_the_work(make_draws, one_zone, plain_money):
    cut = replace(default_methods()[0], crop_share_by_year_after=(0.0, 0.5))
    draws = make_draws([10.0, 8.0, 6.0, *[4.0] * 9])
    valuation = value_options(draws, one_zone, methods=[cut], money=plain_money, rng=np.random.default_rng(1))
    for year, kept in ((2026, 10.0), (2027, 8.0), (2028, 6.0)):
        plan = plan_programme(valuation, years=3, not_before={"A": year}, not_after={"A": year}, shadow=False)
        assert plan.table[["year", "tonnes_out"]].to_numpy().tolist() == [[year, kept]]


def test_scouted_zones_wait_for_the_scout(valuation, zones):
    advised = zones.assign(advice=["scout", "keep", "renew"])
    out = plan_programme(valuation, advised, years=2, shadow=False)
    assert "A-Z1" not in set(out.table["zone_id"])


def test_cautious_programme_is_worth_less_than_the_expected_one(valuation):
    mean = plan_programme(valuation, years=3, shadow=False)
    careful = plan_programme(valuation, years=3, risk_quantile=0.1, shadow=False)
    assert careful.npv < mean.npv


def test_estate_without_anything_to_do_gets_an_empty_programme():
    draws = example_draws(rng=np.random.default_rng(1), draw_count=10, loss_now=(0.0,), yearly_loss=(0.0,),
                          missing=(0.0,))  # fmt: skip
    out = value_options(draws, example_zones(1), methods=default_methods(), money=Money(),
                        rng=np.random.default_rng(1))  # fmt: skip
    plan = plan_programme(out, years=5, budget=1e6)
    assert plan.table.empty
    assert plan.npv == 0.0
    assert plan.clashes == ()


def test_programme_longer_than_the_valuation_says_so(valuation):
    out = plan_programme(valuation, years=40, shadow=False)
    assert out.notes == ("Only 15 winters were valued, so only these are planned.",)


def test_limits_that_make_no_sense_are_refused(valuation):
    with pytest.raises(SettingsError, match=r"Limit on budget is -5"):
        plan_programme(valuation, budget=-5.0)
    with pytest.raises(SettingsError, match=r"'Q' is neither a zone nor a block"):
        plan_programme(valuation, not_before={"Q": 2027})
    with pytest.raises(SettingsError, match=r"No zone is of variety 'Malbec'"):
        plan_programme(valuation, min_tonnes={"Malbec": 5.0})
    with pytest.raises(SettingsError, match=r"Risk quantile is 20"):
        plan_programme(valuation, risk_quantile=20.0)
    with pytest.raises(SettingsError, match=r"A programme of 0 years"):
        plan_programme(valuation, years=0)


@pytest.mark.slow
def test_five_hundred_zones_are_planned_to_one_percent_in_a_minute():
    rng = np.random.default_rng(3)
    count = 500
    draws = mixed_draws(count, rng=rng, draw_count=100, span=25)
    names = [f"B{n // 5}-Z{n}" for n in range(count)]
    draws = replace(draws, zone_ids=names)
    zones = example_zones(count).assign(zone_id=names, block_id=[one.split("-")[0] for one in names])
    out = value_options(draws, zones, methods=default_methods(), money=Money(), rng=rng)
    plan = plan_programme(out, years=15, budget=2.0e6, crew_days=1500.0, shadow=False, mip_gap=0.01)
    assert plan.gap <= 0.01
    assert len(plan.table) > 200
