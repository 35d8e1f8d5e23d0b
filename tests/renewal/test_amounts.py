"""Crops, costs and margins worked out by hand on zones of one hectare or a few."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError, SettingsError
from vinemap.renewal import Method, Money, crops, default_methods, value_options
from vinemap.renewal import cashflow as cash
from vinemap.renewal import value as value_module
from vinemap.renewal.example import example_draws
from vinemap.renewal.finance import annuity_factor
from vinemap.renewal.standing import Samples, Standing, draw_samples, prepare_standing, zone_parts
from vinemap.renewal.value import (
    mean_cost,
    mean_crop,
    option_crop,
    picked_crop,
    refilled_mean,
    worked_mean,
)

KEEP = [16.0, 14.0, 12.0, 10.0, 8.0, 6.0]


@pytest.fixture
def stand(make_draws, one_zone):
    """One zone, healthy 20 t/ha, now 18, falling by 2 t/ha a year from 2027 on; planted 2010."""

    def make(keep=KEEP, *, now=18.0, zone=None, first_year=2026, horizon=2032, **draws) -> Standing:
        made, _ = prepare_standing(
            make_draws(keep, now=now, draw_count=2, **draws), one_zone if zone is None else zone,
            first_year=first_year, horizon_year=horizon, trellis_life_years=35, rng=np.random.default_rng(1),
        )  # fmt: skip
        return made

    return make


def samples(
    methods: int = 1, *, price: float = 1.0, cost: float = 1.0, take: float = 0.0, efficacy: float = 0.5
):
    shape = (2, methods)
    return Samples(np.full(2, price), np.full(shape, cost), np.full(shape, take), np.full(shape, efficacy),
                   np.zeros((2, 1)))  # fmt: skip


CUT = Method(name="trunk_renewal", take_share=0.9, crop_share_by_year_after=(0.0, 0.5), held_years=2.0)


# ---------------------------------------------------------------- standing
def test_standing_takes_over_the_draws_and_densities(stand):
    made = stand()
    assert made.vines_per_ha.tolist() == [1000.0]
    assert made.metres_per_ha == pytest.approx([3000.0])
    assert made.planted.tolist() == [2010.0]
    assert np.isnan(made.renewed).all()
    assert made.varieties == ("Shiraz",)
    assert made.block_ids == ("A",)
    np.testing.assert_allclose(made.rate, (18.0 - 6.0) / (6 * 20.0))
    long = stand([18.0 - n for n in range(1, 15)])
    np.testing.assert_allclose(long.rate, 10.0 / (10 * 20.0))  # over ten years at the most
    assert (stand([19.0] * 6).rate == 0).all()  # a zone that gains does not decline


def test_shares_that_were_never_counted_are_filled(stand):
    made = stand(missing=np.nan, symptomatic=np.nan)
    assert (made.missing == 0).all()
    assert ((made.symptomatic >= 0) & (made.symptomatic <= 0.1 + 1e-9)).all()  # up to the whole loss of 10 %
    assert made.counted.tolist() == [False]
    assert made.gaps_counted.tolist() == [False]
    told = stand(missing=0.3, symptomatic=0.2)
    np.testing.assert_allclose(told.missing, 0.3)
    np.testing.assert_allclose(told.symptomatic, 0.2)
    assert told.gaps_counted.tolist() == [True]
    assert (stand(now=25.0, symptomatic=np.nan).symptomatic == 0).all()


@pytest.mark.parametrize(
    ("trellis", "planted", "horizon", "note"),
    [
        (2000, 2010, 2035, None), (None, 2002, 2037, None), (None, None, 2046, "have no trellis year"),
        (1980, 2010, 2031, "past its life"), (1996, 2010, 2031, None), (1995, 2010, 2031, "past its life"),
        (2011, 2010, 2046, None), (2012, 2010, 2046, "lasts longer"),
    ],
)  # fmt: skip
def test_horizon_is_the_end_of_the_trellis(make_draws, one_zone, trellis, planted, horizon, note):
    """35 years from the trellis, else from planting; five years at least, no further than the forecast."""
    zone = one_zone.assign(trellis_year=trellis, year_planted=planted)
    made, notes = prepare_standing(
        make_draws([10.0] * 20), zone, first_year=2026, horizon_year=None, trellis_life_years=35,
        rng=np.random.default_rng(1),
    )  # fmt: skip
    assert made.horizon.tolist() == [horizon]
    assert len(notes) == (note is not None)
    assert note is None or note in notes[0]


def test_least_years_of_a_short_forecast_end_with_it(make_draws, one_zone):
    made, notes = prepare_standing(
        make_draws([10.0] * 3), one_zone.assign(trellis_year=1980), first_year=2026, horizon_year=None,
        trellis_life_years=35, rng=np.random.default_rng(1),
    )  # fmt: skip
    assert made.horizon.tolist() == [2029]
    assert "valued to vintage 2029" in notes[0]


def test_first_winter_must_lie_before_a_forecast_vintage(make_draws, one_zone):
    for year, good in ((2025, False), (2026, True), (2028, True), (2029, False)):
        given = {
            "first_year": year,
            "horizon_year": 2029,
            "trellis_life_years": 35,
            "rng": np.random.default_rng(1),
        }
        if good:
            prepare_standing(make_draws([10.0] * 3), one_zone, **given)
        else:
            with pytest.raises(DataError, match=f"First year of work {year} does not fit"):
                prepare_standing(make_draws([10.0] * 3), one_zone, **given)


def test_parts_of_a_standing_are_its_zones(valuation):
    whole = valuation.standing
    part = whole.of(slice(1, 3))
    assert part.zone_ids == whole.zone_ids[1:3]
    np.testing.assert_array_equal(part.keep, whole.keep[:, 1:3])
    np.testing.assert_array_equal(part.horizon, whole.horizon[1:3])
    np.testing.assert_array_equal(valuation.samples.of(slice(1, 3)).look, valuation.samples.look[:, 1:3])
    assert [(one.start, one.stop) for one in zone_parts(450)] == [(0, 200), (200, 400), (400, 450)]
    assert list(zone_parts(0)) == []


def test_samples_have_the_mean_and_spread_that_is_set():
    """Factors lognormal with mean 1; efficacy triangular: mean of its three points."""
    spray = Method(name="keep_protected", efficacy_low=0.2, efficacy_mode=0.5, efficacy_high=0.9)
    fixed = replace(spray, efficacy_low=0.4, efficacy_mode=0.4, efficacy_high=0.4)
    money = Money(price_sd_share=0.3, cost_sd_share=0.1)
    made = draw_samples(40_000, 2, methods=[spray, fixed], money=money, rng=np.random.default_rng(1))
    for values, sd in ((made.price, 0.3), (made.cost, 0.1)):
        assert values.mean() == pytest.approx(1.0, abs=0.005)
        assert values.std() == pytest.approx(sd, rel=0.03)
        assert np.log(values).std() == pytest.approx(np.sqrt(np.log1p(sd**2)), rel=0.03)
    assert made.efficacy[:, 0].mean() == pytest.approx((0.2 + 0.5 + 0.9) / 3, abs=0.005)
    assert made.efficacy[:, 0].min() >= 0.2
    assert made.efficacy[:, 0].max() <= 0.9
    assert (made.efficacy[:, 1] == 0.4).all()
    for values in (made.take, made.look):
        assert values.shape == (40_000, 2)
        assert values.std() == pytest.approx(1.0, rel=0.02)


# ---------------------------------------------------------------- crops
def test_crop_before_the_work_is_todays_or_that_vintages(stand):
    made = stand()
    for year, crop in ((2026, 18.0), (2027, 16.0), (2029, 12.0), (2032, 6.0), (2040, 6.0)):
        np.testing.assert_allclose(crops.crop_at_start(made, year), crop)
    assert [crops.first_vintage(made, year) for year in (2020, 2026, 2027, 2031, 2040)] == [0, 0, 1, 5, 6]


def test_take_falls_with_symptoms_age_and_luck(stand):
    """0.9, less 0.4 a share with symptoms (and with what is lost since), less 1 % a year over ten."""
    made = stand(symptomatic=0.25)
    method = replace(CUT, take_drop_symptomatic=0.4, take_drop_per_year=0.01, take_age_from=10.0, take_sd=0.1)
    zero = np.zeros(2)
    np.testing.assert_allclose(crops.take_share(made, method, zero, 2026), 0.9 - 0.4 * 0.25 - 0.01 * 6)
    later = 0.9 - 0.4 * (0.25 + 4.0 / 20) - 0.01 * 8
    np.testing.assert_allclose(crops.take_share(made, method, zero, 2028), later)
    one_up = crops.take_share(made, method, np.array([1.0, -1.0]), 2026)[:, 0]
    np.testing.assert_allclose(one_up, [0.74 + 0.1, 0.74 - 0.1])
    assert crops.take_share(made, method, np.array([9.0, -9.0]), 2026)[:, 0].tolist() == [1.0, 0.0]
    young = crops.take_share(made, replace(method, take_age_from=20.0), zero, 2026)
    np.testing.assert_allclose(young, 0.8)


def test_age_that_is_not_known_lowers_no_take(stand, one_zone):
    made = stand(zone=one_zone.assign(year_planted=None))
    method = replace(CUT, take_drop_per_year=0.5, take_age_from=0.0)
    np.testing.assert_allclose(crops.take_share(made, method, np.zeros(2), 2026), 0.9)


def test_crop_shape_rises_holds_and_falls(stand):
    """No crop, half, full for two years held, then falls as fast as now (10 % a year), to nothing."""
    made = stand()
    shape = crops.crop_shape(made, CUT, 7)[0, 0]
    np.testing.assert_allclose(shape, [0.0, 0.5, 1.0, 1.0, 0.9, 0.8, 0.7])
    fast = crops.crop_shape(made, replace(CUT, decline_speed=4.0), 8)[0, 0]
    np.testing.assert_allclose(fast, [0.0, 0.5, 1.0, 1.0, 0.6, 0.2, 0.0, 0.0], atol=1e-12)
    assert crops.crop_shape(made, CUT, 1).tolist() == [[[0.0]], [[0.0]]]
    assert crops.young_ages(CUT) == 2


@pytest.mark.parametrize(
    ("changed", "worked", "full"),
    [
        ({}, 0.7, 0.7 * 20), ({"restores_stand": True}, 1.0, 20.0),
        ({"full_level": 0.8}, 0.7, 0.8 * 0.7 * 20),
        ({"keeps_standing": True}, 0.3, 0.1 * 20),
    ],
)  # fmt: skip
def test_vines_worked_and_their_full_crop(stand, changed, worked, full):
    """30 % missing; infilling gains no more than the 10 % that is lost."""
    made, method = stand(missing=0.3), replace(CUT, **changed)
    np.testing.assert_allclose(crops.worked_share(made, method), worked)
    np.testing.assert_allclose(crops.full_crop(made, method), full)


def test_infill_gains_no_more_than_its_vines_bear(stand):
    made = stand(missing=0.05)
    fill = replace(CUT, keeps_standing=True, full_level=0.9)
    np.testing.assert_allclose(crops.full_crop(made, fill), 0.9 * 20 * 0.05)


def test_refilled_places_bear_from_a_winter_later_on(stand):
    """Half of the failed and missing places: 0.5 (0.2 + 0.8 x 0.1); nothing, nothing, half, full at 0.6."""
    made = stand(missing=0.2)
    method = replace(CUT, refill_share=0.5, refill_full_level=0.6, refill_crop_share_by_year_after=(0.0, 0.5),
                     held_years=50.0)  # fmt: skip
    take = np.full((2, 1), 0.9)
    refilled = 0.5 * (0.2 + 0.8 * 0.1)
    np.testing.assert_allclose(crops.refilled_share(made, method, take), refilled)
    assert crops.refill_shape(method, 5).tolist() == [0.0, 0.0, 0.5, 1.0, 1.0]
    assert crops.refill_shape(method, 2).tolist() == [0.0, 0.0]
    young = 0.6 * 20 * refilled * np.array([0.0, 0.0, 0.5, 1.0, 1.0])
    old = 0.9 * 0.8 * 20 * np.array([0.0, 0.5, 1.0, 1.0, 1.0])
    np.testing.assert_allclose(crops.crop_after(made, method, take, 5)[0, 0], old + young)
    whole = crops.crop_after(made, replace(method, restores_stand=True), take, 5)[0, 0]
    np.testing.assert_allclose(whole, 20 * np.array([0.0, 0.5, 1.0, 1.0, 1.0]))  # failed vines are set again


def test_protection_works_on_later_losses_of_sound_vines(stand):
    made = stand(symptomatic=0.4)
    spray = Method(name="keep_protected", effect_after_years=2)
    first, fall = crops.protected_fall(made, spray, 2026)
    assert first == 2
    np.testing.assert_allclose(fall[0, 0], [2.0, 4.0, 6.0, 8.0])  # against the 14 t/ha of 2028
    np.testing.assert_allclose(crops.slowing(made, samples(efficacy=0.5), 0), 0.3)
    gaining = stand([19.0, 20.0, 20.0])
    assert (crops.protected_fall(gaining, replace(spray, effect_after_years=0), 2026)[1] == 0).all()


def test_grafting_needs_another_variety_and_infill_enough_gaps(stand):
    made = stand(missing=0.1)
    graft = replace(CUT, name="graft_over")
    for variety, can in (("", False), ("Shiraz", False), ("Fiano", True)):
        assert crops.possible(made, replace(graft, new_variety=variety)).tolist() == [can]
    fill = replace(CUT, name="infill", keeps_standing=True)
    for least, can in ((0.1, True), (0.11, False)):
        assert crops.possible(made, replace(fill, least_missing_share=least)).tolist() == [can]
    assert crops.possible(stand(missing=np.nan), fill).tolist() == [False]
    assert crops.possible(stand(missing=np.nan), CUT).tolist() == [True]


def test_a_zone_comes_back_for_five_years():
    renewed, starts = np.array([2023.0, np.nan]), np.arange(2026, 2031)
    assert crops.still_recovering(renewed, starts).tolist() == [[True] * 3 + [False] * 2, [False] * 5]


# ---------------------------------------------------------------- margins and costs
def test_keeping_earns_price_less_harvest_and_growing(stand, plain_money):
    """Old wood costs part of the price: 5 % of the price at 25 % lost, none of it within the threshold."""
    money = replace(plain_money, harvest_cost_per_t=50.0, growing_cost_per_ha=3000.0, idle_cost_per_ha=800.0,
                    mog_share=0.01, mog_share_old_wood=0.2, mog_threshold_share=0.01)  # fmt: skip
    flows = cash.keep_flows(stand(horizon=2031), money, samples(price=1.2), 2026)
    keep = np.array(KEEP)
    income = keep * (600 * (1 - 0.2 * (1 - keep / 20)) - 50)
    np.testing.assert_allclose(flows.income[0, 0], income)
    margin = np.maximum(income - 3000, -800)
    margin[5:] = 0.0  # past the trellis
    np.testing.assert_allclose(flows.margin[0, 0], margin)
    worth = margin * 1.05 ** -np.arange(1, 7)
    np.testing.assert_allclose(flows.after[0, 0], [worth[n:].sum() for n in range(7)])
    np.testing.assert_allclose(flows.price, 600.0)


def test_growing_costs_follow_the_crop_of_young_vines(plain_money):
    """4,000 in crop, 1,000 out of it; dearer out of crop than in it counts as in it."""
    money = replace(plain_money, growing_cost_per_ha=4000.0, growing_cost_out_of_crop_per_ha=1000.0)
    assert cash.growing_after(CUT, money, 4).tolist() == [1000.0, 2500.0, 4000.0, 4000.0]
    assert cash.growing_after(CUT, money, 1).tolist() == [1000.0]
    odd = replace(money, growing_cost_out_of_crop_per_ha=9000.0)
    assert cash.growing_after(CUT, odd, 3).tolist() == [4000.0] * 3


def test_young_vines_are_not_left_idle(plain_money):
    money = replace(plain_money, growing_cost_per_ha=4000.0, growing_cost_out_of_crop_per_ha=1000.0,
                    idle_cost_per_ha=500.0)  # fmt: skip
    margin = cash.margin_after(CUT, money, np.zeros((1, 1, 4)))
    assert margin[0, 0].tolist() == [-1000.0, -2500.0, -500.0, -500.0]


def test_work_is_paid_by_vine_metre_and_hectare(stand):
    made = stand(missing=0.2)
    method = replace(CUT, cost_per_vine=5.0, cost_per_m=0.5, cost_per_ha=300.0)
    factor = np.array([1.0, 1.1])
    whole = 5 * 800 + 0.5 * 3000 + 300
    np.testing.assert_allclose(cash.work_cost(made, method, factor)[:, 0], [whole, 1.1 * whole])
    fill = replace(method, keeps_standing=True)
    np.testing.assert_allclose(cash.work_cost(made, fill, np.ones(2)), 5 * 200 + 0.2 * (0.5 * 3000 + 300))


def test_aftercare_trains_and_sets_again_or_refills(stand):
    made, take, factor = stand(missing=0.2), np.full((2, 1), 0.9), np.full(2, 2.0)
    care = replace(CUT, aftercare_per_vine_by_year=(1.5, 1.0), cost_per_vine=5.0)
    cost = cash.aftercare_cost(made, care, factor, take, 3)[0, 0]
    np.testing.assert_allclose(cost, [2 * 1200.0, 2 * 800.0, 0.0])
    again = cash.aftercare_cost(made, replace(care, restores_stand=True), factor, take, 3)[0, 0]
    np.testing.assert_allclose(again, [2 * (1500 + 1000 * 0.1 * 5), 2 * 1000.0, 0.0])
    refill = replace(care, refill_share=1.0, refill_cost_per_vine=20.0)
    young = cash.aftercare_cost(made, refill, factor, take, 3)[0, 0]
    np.testing.assert_allclose(young, [2 * (1200 + 20 * 1000 * (0.2 + 0.8 * 0.1)), 2 * 800.0, 0.0])
    assert cash.aftercare_cost(made, refill, factor, take, 0).shape == (2, 1, 0)


def test_a_tonne_after_the_work_is_paid_by_variety_and_mog(stand, plain_money):
    money = replace(plain_money, price_by_variety={"Fiano": 800.0, "Shiraz": 600.0}, harvest_cost_per_t=70.0,
                    mog_share=0.03, mog_threshold_share=0.01, mog_deduction=2.0)  # fmt: skip
    made, drawn = stand(), samples(price=0.9)
    for changed, price in (({}, 600.0), ({"new_variety": "Fiano"}, 800.0), ({"new_variety": "Malbec"}, 500.0),
                           ({"new_variety": "Fiano", "new_price_per_t": 900.0}, 900.0)):  # fmt: skip
        net = cash.net_price(made, replace(CUT, **changed), money, drawn)
        np.testing.assert_allclose(net, 0.9 * price * 0.96 - 70)


@pytest.mark.parametrize(
    ("annual", "left", "worth"), [(100.0, 6.0, 6), (0.0, 6.0, 6), (-100.0, 6.0, 20), (100.0, 0.0, 0)]
)
def test_credit_of_a_planting_runs_to_the_horizon_but_a_loss_over_its_life(annual, left, worth):
    found = cash.chain_credit(np.array([[annual]]), np.array([left]), 20, 0.05)
    assert found[0, 0] == pytest.approx(annual * (annuity_factor(0.05, worth) if worth else 0.0))


def test_protection_costs_every_winter_to_the_last_but_one(make_draws, one_zone, plain_money):
    """From 2028 on, dated back to 2026; what it saves is paid less the harvest and loses no MOG."""
    money = replace(plain_money, harvest_cost_per_t=100.0)
    spray = Method(name="keep_protected", yearly_cost_per_ha=100.0, efficacy_low=0.5, efficacy_mode=0.5,
                   efficacy_high=0.5)  # fmt: skip
    out = value_options(make_draws(KEEP, now=18.0), one_zone, methods=[spray], money=money, horizon_year=2032,
                        rng=np.random.default_rng(1))  # fmt: skip
    saved = 0.5 * np.array([2.0, 4.0, 6.0, 8.0]) * 400  # against the 14 t/ha of 2028
    years = np.arange(3, 7)
    worth = (saved * 1.05**-years).sum() - 100 * (1.05 ** -np.arange(2, 6)).sum()
    np.testing.assert_allclose(out.gain[:, 0, 0, 2], worth)


# ---------------------------------------------------------------- the valuation as a whole
@pytest.fixture
def valued(make_draws, one_zone, plain_money):
    def make(*methods, keep=KEEP, money=plain_money, **more):
        given = {"horizon_year": 2032} | more
        return value_options(make_draws(keep, now=18.0, missing=0.2), one_zone, methods=methods, money=money,
                             rng=np.random.default_rng(1), **given)  # fmt: skip

    return make


def test_start_years_run_to_the_winter_before_the_last_vintage(valued):
    assert valued(CUT).start_years.tolist() == list(range(2026, 2032))
    assert valued(CUT, start_years=3).start_years.tolist() == [2026, 2027, 2028]
    assert valued(CUT, first_year=2028).start_years.tolist() == list(range(2028, 2032))
    assert valued(CUT).first_year == 2026
    assert (
        valued(CUT, keep=[10.0] * 30, horizon_year=2056).start_years.size == 15
    )  # fifteen winters, unless told


def test_options_carry_mobilisation_alone_and_an_annual_value(valued):
    method = replace(CUT, mobilisation_per_block=700.0)
    out = valued(method)
    free = valued(CUT)
    np.testing.assert_allclose(out.gain, free.gain)
    later = 1.05 ** -np.arange(6)
    np.testing.assert_allclose(out.visit[0, 0], 700 * later)
    np.testing.assert_allclose(out.options["npv_per_ha"], free.gain[0, 0, 0] - 700 * later)
    np.testing.assert_allclose(
        out.options["annual_per_ha"] * annuity_factor(0.05, 6), out.options["npv_per_ha"]
    )
    np.testing.assert_allclose(out.alone_gain(0)[0, 0], free.gain[0, 0, 0] - 700 * later)
    assert ((out.options["chance_pays"] == 1) == (out.options["npv_per_ha"] > 0)).all()
    np.testing.assert_allclose(out.options["npv_low"], out.options["npv_high"])


def test_mobilisation_is_shared_by_the_area(make_draws, one_zone, plain_money):
    """Two hectares bear half of it each."""
    method = replace(CUT, mobilisation_per_block=700.0)
    out = value_options(make_draws(KEEP), one_zone.assign(area_ha=2.0, vines=2000), methods=[method],
                        money=plain_money, horizon_year=2032, rng=np.random.default_rng(1))  # fmt: skip
    np.testing.assert_allclose(out.options["npv_per_ha"].iloc[0], out.gain[0, 0, 0, 0] - 350.0)


def test_crop_of_an_option_year_by_year(valued):
    """Kept to the work, then that of the work; infill adds to what stands; protection to the later losses."""
    cut = replace(CUT, held_years=50.0)
    fill = replace(CUT, name="infill", keeps_standing=True, held_years=50.0)
    spray = Method(name="keep_protected", efficacy_low=0.5, efficacy_mode=0.5, efficacy_high=0.5)
    out = valued(cut, fill, spray)
    full = 0.9 * 0.8 * 20
    np.testing.assert_allclose(mean_crop(out, 0, 2028)[0], [16, 14, 0.0, 0.5 * full, full, full])
    gain = 0.9 * 20 * 0.1
    np.testing.assert_allclose(
        mean_crop(out, 1, 2026)[0], np.array(KEEP) + gain * np.array([0, 0.5, 1, 1, 1, 1])
    )
    np.testing.assert_allclose(mean_crop(out, 2, 2027)[0], [16, 15, 14, 13, 12, 11])
    assert option_crop(out, 0, 2050)[0, 0].tolist() == KEEP
    np.testing.assert_allclose(worked_mean(out, 0), 0.8)
    np.testing.assert_allclose(mean_cost(valued(replace(spray, yearly_cost_per_ha=70.0)), 0), 70.0)


def test_refills_are_the_places_that_failed_or_were_empty(valued):
    method = replace(CUT, refill_share=1.0)
    spray = Method(name="keep_protected", refill_share=1.0)
    new = replace(method, name="replant", restores_stand=True)
    out = valued(method, spray, new)
    np.testing.assert_allclose(refilled_mean(out, 0), 0.2 + 0.8 * 0.1)
    assert refilled_mean(out, 1).tolist() == refilled_mean(out, 2).tolist() == [0.0]
    assert refilled_mean(valued(CUT), 0).tolist() == [0.0]


def test_a_crop_that_does_not_pay_is_not_picked(valued, plain_money):
    """At 500/t and growing 4,900, idle 900: 8 t/ha is picked (as good as idling), 6 is not."""
    money = replace(plain_money, growing_cost_per_ha=4900.0, growing_cost_out_of_crop_per_ha=1000.0,
                    idle_cost_per_ha=900.0)  # fmt: skip
    cut = replace(CUT, held_years=50.0, full_level=0.5)
    fill = replace(CUT, name="infill", keeps_standing=True, held_years=50.0)
    out = valued(cut, fill, money=money)
    np.testing.assert_allclose(picked_crop(out)[0], [16, 14, 12, 10, 8, 0])
    # young vines are picked whatever they bear: 0 and 3.6 t/ha; in full bearing 7.2 t/ha does not pay
    np.testing.assert_allclose(picked_crop(out, 0, 2027)[0], [16, 0, 3.6, 0, 0, 0])
    np.testing.assert_allclose(picked_crop(out, 1, 2026)[0], [16, 14.9, 13.8, 11.8, 9.8, 0])


def test_the_vintage_before_the_work_is_picked_or_left_as_a_kept_one(valued, plain_money):
    """6 t/ha in 2028 does not pay; work in the winter of 2028 changes nothing of that vintage."""
    money = replace(plain_money, growing_cost_per_ha=4900.0, growing_cost_out_of_crop_per_ha=1000.0,
                    idle_cost_per_ha=900.0)  # fmt: skip
    out = valued(replace(CUT, held_years=50.0), keep=[16.0, 6.0, 12.0, 10.0, 9.0, 9.0], money=money)
    np.testing.assert_allclose(picked_crop(out, 0, 2028)[0], [16, 0, 0, 7.2, 14.4, 14.4])


def test_questions_about_what_was_not_valued_are_refused(valued):
    out = valued(CUT)
    with pytest.raises(DataError, match="Zone 'B' was not valued"):
        out.zone_index("B")
    with pytest.raises(SettingsError, match="Method 'infill' was not valued"):
        out.method_index("infill")


@pytest.mark.parametrize("spacing", [None, 0.0, -3.0])
def test_cost_by_metre_needs_row_spacing(make_draws, one_zone, plain_money, spacing):
    zone = one_zone.assign(row_spacing_m=spacing)
    for method, refused in ((replace(CUT, cost_per_m=0.5), True), (CUT, False)):
        given = {
            "methods": [method],
            "money": plain_money,
            "horizon_year": 2032,
            "rng": np.random.default_rng(1),
        }
        if refused:
            with pytest.raises(DataError, match="row_spacing_m is not known"):
                value_options(make_draws(KEEP), zone, **given)
        elif spacing != 0.0:
            assert len(value_options(make_draws(KEEP), zone, **given).options)


def test_many_options_are_summed_up_in_parts_as_at_once(monkeypatch, zones):
    def table() -> pd.DataFrame:
        draws = example_draws(rng=np.random.default_rng(1), draw_count=30)
        rng = np.random.default_rng(2)
        return value_options(draws, zones, methods=default_methods(), money=Money(), rng=rng).options

    whole = table()
    monkeypatch.setattr(value_module, "OPTIONS_AT_A_TIME", 7)
    pd.testing.assert_frame_equal(table(), whole)
