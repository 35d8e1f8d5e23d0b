"""Valuation: hand-worked cases, equal horizons, limiting cases and properties."""

import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vinemap.errors import DataError, SettingsError
from vinemap.renewal import Method, Money, decide_zones, default_methods, explain_zone, value_options
from vinemap.renewal.decide import loss_value
from vinemap.renewal.example import example_decline, example_draws, example_zones
from vinemap.renewal.finance import annuity_factor, capital_recovery, present_value
from vinemap.renewal.value import mean_cost, mean_crop
from vinemap.tables import RENEWAL_OPTION

CUT = Method(
    name="trunk_renewal", cost_per_vine=6.0, cost_per_m=0.5, cost_per_ha=500.0, mobilisation_per_block=1000.0,
    crop_share_by_year_after=(0.0, 0.5), take_share=0.9, held_years=50.0,
)  # fmt: skip


def value(draws, zones, methods, money, **more):
    return value_options(draws, zones, methods=methods, money=money, rng=np.random.default_rng(5), **more)


def npv(valuation, method, year):
    table = valuation.options
    return float(table[(table["method"] == method) & (table["year"] == year)]["npv_per_ha"].iloc[0])


def test_trunk_renewal_worked_by_hand(make_draws, one_zone, plain_money):
    out = value(make_draws([10.0] * 4), one_zone, [CUT], plain_money, horizon_year=2030, start_years=2)
    cost = 6.0 * 1000 + 0.5 * 3000 + 500 + 1000
    full = 0.9 * 20.0
    kept, crops = [10.0] * 4, [0.0, 0.5 * full, full, full]
    now = present_value([-cost, *(500 * (b - a) for a, b in zip(kept, crops, strict=True))], 0.05)
    later = present_value([0.0, -cost, -5000.0, 500 * (0.5 * full - 10), 500 * (full - 10)], 0.05)
    assert npv(out, "trunk_renewal", 2026) == pytest.approx(now, rel=1e-12)
    assert npv(out, "trunk_renewal", 2027) == pytest.approx(later, rel=1e-12)


def test_infill_adds_only_to_what_gaps_lost(make_draws, one_zone, plain_money):
    fill = Method(name="infill", cost_per_vine=20.0, keeps_standing=True, crop_share_by_year_after=(0.0, 0.5),
                  held_years=50.0)  # fmt: skip
    # 30 % missing but only 25 % of the crop lost: neighbours fill part of the gap.
    out = value(make_draws([15.0] * 4, missing=0.30), one_zone, [fill], plain_money, horizon_year=2030)
    by_hand = present_value([-20.0 * 300, 0.0, 500 * 2.5, 500 * 5.0, 500 * 5.0], 0.05)
    assert npv(out, "infill", 2026) == pytest.approx(by_hand, rel=1e-12)


def test_work_by_metre_and_hectare_is_done_on_the_gaps_only(make_draws, one_zone, plain_money):
    fill = Method(name="infill", cost_per_vine=20.0, cost_per_m=0.5, cost_per_ha=1000.0, keeps_standing=True)
    out = value(make_draws([15.0] * 4, missing=0.30), one_zone, [fill], plain_money, horizon_year=2030)
    by_hand = 20.0 * 300 + 0.30 * (0.5 * 3000 + 1000.0)
    np.testing.assert_allclose(mean_cost(out, 0), [by_hand])


def test_replanting_is_credited_by_its_equivalent_annual_value(make_draws, one_zone, plain_money):
    money = replace(plain_money, growing_cost_per_ha=1000.0, growing_cost_out_of_crop_per_ha=600.0,
                    idle_cost_per_ha=200.0, removal_per_ha=2000.0)  # fmt: skip
    new = Method(name="replant", cost_per_ha=20_000.0, restores_stand=True, renews_trellis=True,
                 life_years=20, crop_share_by_year_after=(0.0, 0.0, 0.5), held_years=50.0)  # fmt: skip
    out = value(make_draws([8.0] * 6), one_zone, [new], money, horizon_year=2032)
    margins = [-600.0, -600.0, 500 * 10 - 800.0] + [500 * 20 - 1000.0] * 17
    flows = [-20_000.0, *margins]
    flows[-1] -= 2000.0
    annual = present_value(flows, 0.05) * capital_recovery(0.05, 20)
    spread = annuity_factor(0.05, 6)
    by_hand = (annual - (500 * 8.0 - 1000)) * spread - 2000 * (1 - 1.05**-6)
    assert npv(out, "replant", 2026) == pytest.approx(by_hand, rel=1e-12)


def test_planting_that_does_not_pay_bears_its_whole_loss(make_draws, one_zone, plain_money):
    """What would follow keeping is then nothing, so the new planting is not credited with ending early."""
    new = Method(name="replant", cost_per_ha=200_000.0, restores_stand=True, renews_trellis=True,
                 life_years=20, held_years=50.0)  # fmt: skip
    out = value(make_draws([8.0] * 6), one_zone, [new], plain_money, horizon_year=2032)
    flows = [-200_000.0] + [500 * 20.0] * 20
    by_hand = present_value(flows, 0.05) - 500 * 8.0 * annuity_factor(0.05, 6)
    assert npv(out, "replant", 2026) == pytest.approx(by_hand, rel=1e-12)


def test_nobody_goes_on_growing_a_crop_that_does_not_pay(make_draws, one_zone, plain_money):
    """2 t/ha at 500 brings 1,000 against 3,000 of growing: idle at 700 is the floor of keeping."""
    money = replace(plain_money, growing_cost_per_ha=3000.0, growing_cost_out_of_crop_per_ha=1500.0,
                    idle_cost_per_ha=700.0)  # fmt: skip
    cut = replace(CUT, take_share=1.0, cost_per_vine=0.0, cost_per_m=0.0, cost_per_ha=0.0,
                  mobilisation_per_block=0.0)  # fmt: skip
    out = value(make_draws([2.0] * 3), one_zone, [cut], money, horizon_year=2029)
    young = 1500 + 0.5 * 1500
    by_hand = present_value([0.0, -1500 + 700, 5000 - young + 700, 10_000 - 3000 + 700], 0.05)
    assert npv(out, "trunk_renewal", 2026) == pytest.approx(by_hand, rel=1e-12)
    table = explain_zone(out, "A-Z1", method="trunk_renewal", year=2026)
    assert table["keep_idle_share"].tolist() == [0.0, 1.0, 1.0, 1.0]
    assert table["keep_net"].tolist() == [0.0, -700.0, -700.0, -700.0]
    # Free and idle: a renewed zone that cannot pay either is left idle once it is in bearing.
    poor = value(make_draws([2.0] * 3), one_zone, [cut], replace(money, price_per_t=50.0), horizon_year=2029)
    assert npv(poor, "trunk_renewal", 2026) == pytest.approx(
        present_value([0.0, -1500 + 700, 500 - young + 700, 0.0], 0.05), rel=1e-12
    )


def test_failed_takes_and_gaps_are_refilled_at_a_cost_and_later(make_draws, one_zone, plain_money):
    cut = Method(name="trunk_renewal", cost_per_vine=6.0, take_share=0.75, held_years=50.0, refill_share=1.0,
                 refill_cost_per_vine=20.0, refill_full_level=0.8,
                 refill_crop_share_by_year_after=(0.0, 0.5))  # fmt: skip
    out = value(make_draws([10.0] * 5, missing=0.2), one_zone, [cut], plain_money, horizon_year=2031)
    taken, refilled = 0.8 * 0.75, 0.2 + 0.8 * 0.25
    full = 20.0 * taken
    young = [0.0, 0.0, 0.5 * 16 * refilled, 16 * refilled, 16 * refilled]
    costs = [6.0 * 800, 20.0 * 1000 * refilled]
    flows = [500 * (full + one - 10.0) for one in young]
    flows[0] -= costs[1]
    assert npv(out, "trunk_renewal", 2026) == pytest.approx(
        present_value([-costs[0], *flows], 0.05), rel=1e-12
    )
    np.testing.assert_allclose(mean_crop(out, 0, 2026)[0], [full + one for one in young])
    none = value(make_draws([10.0] * 5, missing=0.2), one_zone, [replace(cut, refill_share=0.0)], plain_money,
                 horizon_year=2031)  # fmt: skip
    np.testing.assert_allclose(mean_crop(none, 0, 2026)[0], [full] * 5)


def test_zone_that_comes_back_after_a_renewal_is_not_renewed_again(make_draws, one_zone, plain_money):
    young = one_zone.assign(renewed_year=2023)
    out = value(make_draws([10.0] * 8), young, [CUT], plain_money, horizon_year=2034)
    assert out.options["year"].min() == 2029


def test_equivalent_annual_credit_equals_a_chain_of_plantings(make_draws, one_zone, plain_money):
    """Limiting case: explicit chains of plantings over 400 years give the same difference."""
    new = Method(name="replant", cost_per_ha=20_000.0, restores_stand=True, renews_trellis=True,
                 life_years=10, crop_share_by_year_after=(0.0, 0.5), held_years=50.0)  # fmt: skip
    out = value(make_draws([8.0] * 6), one_zone, [new], plain_money, horizon_year=2032)

    def chain(begin):
        flows = np.zeros(601)
        flows[1 : begin + 1] = 500 * 8.0
        for plant in range(begin, 590, 10):
            flows[plant] -= 20_000.0
            flows[plant + 1 : plant + 11] += 500 * np.asarray([0.0, 10.0] + [20.0] * 8)
        return present_value(flows, 0.05)

    assert npv(out, "replant", 2026) == pytest.approx(chain(0) - chain(6), rel=1e-6)
    assert npv(out, "replant", 2029) == pytest.approx(chain(3) - chain(6), rel=1e-6)


def test_protection_slows_the_later_fall_only(make_draws, one_zone, plain_money):
    spray = Method(name="keep_protected", yearly_cost_per_ha=100.0, efficacy_low=0.5, efficacy_mode=0.5,
                   efficacy_high=0.5)  # fmt: skip
    draws = make_draws([18.0, 16.0, 14.0, 12.0], now=20.0)
    out = value(draws, one_zone, [spray], plain_money, horizon_year=2030)
    by_hand = present_value([-100.0, 500 - 100, 1000 - 100, 1500 - 100, 2000], 0.05)
    assert npv(out, "keep_protected", 2026) == pytest.approx(by_hand, rel=1e-12)
    sick = replace(draws, symptomatic_share=np.full((8, 1), 0.4))
    halved = value(sick, one_zone, [spray], plain_money, horizon_year=2030)
    by_hand = present_value([-100.0, 300 - 100, 600 - 100, 900 - 100, 1200], 0.05)
    assert npv(halved, "keep_protected", 2026) == pytest.approx(by_hand, rel=1e-12)


def test_more_symptoms_and_age_mean_fewer_takes(make_draws, one_zone, plain_money):
    frail = replace(CUT, take_drop_symptomatic=0.5, take_drop_per_year=0.01, take_age_from=10)
    gains = [
        npv(value(make_draws([10.0] * 8, symptomatic=one), one_zone, [frail], plain_money, horizon_year=2034),
            "trunk_renewal", 2026)
        for one in (0.0, 0.5, 1.0)
    ]  # fmt: skip
    assert gains[0] > gains[1] > gains[2]
    older = one_zone.assign(year_planted=1990)
    aged = value(make_draws([10.0] * 8), older, [frail], plain_money, horizon_year=2034)
    assert npv(aged, "trunk_renewal", 2026) < gains[0]


def test_net_present_and_equivalent_annual_rank_alike(valuation):
    for _, table in valuation.options.groupby("zone_id"):
        by_npv = table.sort_values("npv_per_ha", kind="stable").index.tolist()
        assert table.sort_values("annual_per_ha", kind="stable").index.tolist() == by_npv


def test_options_have_the_columns_and_bounds_of_the_table(valuation):
    table = valuation.options
    assert list(table.columns[: len(RENEWAL_OPTION.names)]) == RENEWAL_OPTION.names
    assert table["chance_pays"].between(0, 1).all()
    assert (table["npv_low"] <= table["npv_high"]).all()
    assert not table.duplicated(["zone_id", "method", "year"]).any()


def test_graft_over_needs_another_variety(valuation, zones):
    assert "graft_over" not in set(valuation.options["method"])
    graft = replace(default_methods()[1], new_variety="Shiraz", new_price_per_t=700.0)
    draws = example_draws(rng=np.random.default_rng(1), draw_count=20)
    table = value(draws, zones, [graft], Money()).options
    assert set(table["zone_id"]) == {"B-Z3"}


def test_infill_needs_gaps_that_were_counted(zones):
    draws = example_draws(rng=np.random.default_rng(1), draw_count=20, missing=(0.15, 0.01, 0.24))
    fill = [one for one in default_methods() if one.name == "infill"]
    assert set(value(draws, zones, fill, Money()).options["zone_id"]) == {"A-Z1", "B-Z3"}
    uncounted = zones.assign(missing_pct=[15.0, 1.0, np.nan])
    assert set(value(draws, uncounted, fill, Money()).options["zone_id"]) == {"A-Z1"}


@settings(max_examples=25, deadline=None)
@given(factor=st.floats(0.01, 200.0))
def test_currency_is_only_a_scale(factor):
    draws = example_draws(rng=np.random.default_rng(2), draw_count=12)
    money = Money(price_by_variety={"Shiraz": 520.0})
    dear = replace(
        money,
        price_per_t=factor * money.price_per_t,
        price_by_variety={"Shiraz": factor * 520.0},
        harvest_cost_per_t=factor * money.harvest_cost_per_t,
        growing_cost_per_ha=factor * money.growing_cost_per_ha,
        growing_cost_out_of_crop_per_ha=factor * money.growing_cost_out_of_crop_per_ha,
        idle_cost_per_ha=factor * money.idle_cost_per_ha,
        removal_per_ha=factor * money.removal_per_ha,
    )
    names = (
        "cost_per_vine", "cost_per_m", "cost_per_ha", "mobilisation_per_block", "yearly_cost_per_ha",
        "refill_cost_per_vine",
    )  # fmt: skip
    methods = default_methods()
    scaled = [
        replace(
            one,
            aftercare_per_vine_by_year=tuple(factor * care for care in one.aftercare_per_vine_by_year),
            **{name: factor * getattr(one, name) for name in names},
        )
        for one in methods
    ]
    plain = value(draws, example_zones(), methods, money)
    other = value(draws, example_zones(), scaled, dear)
    np.testing.assert_allclose(other.gain, factor * plain.gain, rtol=1e-9, atol=1e-6 * factor)


@settings(max_examples=25, deadline=None)
@given(
    price=st.floats(100.0, 5000.0),
    level=st.floats(0.3, 1.0),
    rate=st.floats(0.0, 0.15),
    take=st.floats(0.0, 1.0),
)
def test_zone_that_holds_is_never_renewed_while_its_trellis_lasts(price, level, rate, take):
    """No loss and no decline: work on the present trellis cannot pay at any price or rate."""
    draws = example_draws(
        rng=np.random.default_rng(3), draw_count=6, loss_now=(0.0,), yearly_loss=(0.0,), missing=(0.0,)
    )
    money = Money(price_per_t=price, price_sd_share=0.0, discount_rate=rate, mog_share_old_wood=0.0)
    cut = replace(CUT, full_level=level, take_share=take)
    fill = replace(default_methods()[2], least_missing_share=0.0)
    zone = example_zones(1)
    out = value(draws, zone, [cut, fill, default_methods()[4]], money)
    assert (out.options["chance_pays"] == 0).all()
    assert decide_zones(out, zone, example_decline(out))["advice"].iloc[0] == "keep"


@settings(max_examples=30, deadline=None)
@given(low=st.floats(0.0, 2000.0), more=st.floats(0.0, 2000.0))
def test_dearer_grapes_never_lower_the_value_of_the_loss(low, more):
    draws = example_draws(rng=np.random.default_rng(4), draw_count=10)
    cheap, dear = (
        loss_value(value(draws, example_zones(), [CUT], Money(price_per_t=one))) for one in (low, low + more)
    )
    assert (dear >= cheap - 1e-9).all()


def test_doubling_the_area_doubles_totals_and_leaves_the_hectare_alone():
    draws = example_draws(rng=np.random.default_rng(4), draw_count=10)
    zones = example_zones()
    double = zones.assign(area_ha=2 * zones["area_ha"], vines=2 * zones["vines"])
    free = [replace(one, mobilisation_per_block=0.0) for one in default_methods()]
    one, two = (value(draws, table, free, Money()) for table in (zones, double))
    np.testing.assert_allclose(two.gain, one.gain, rtol=1e-12)
    total = [v.gain.mean(axis=0) * v.standing.area_ha[:, None, None] for v in (one, two)]
    np.testing.assert_allclose(total[1], 2 * total[0], rtol=1e-12)


def test_crop_and_cost_by_vintage(make_draws, one_zone, plain_money):
    out = value(make_draws([10.0] * 5), one_zone, [CUT], plain_money, horizon_year=2031)
    np.testing.assert_allclose(mean_crop(out, 0, 2027)[0], [10.0, 0.0, 9.0, 18.0, 18.0])
    assert mean_cost(out, 0)[0] == pytest.approx(8000.0)


def test_renewed_zone_declines_again_after_its_held_years(make_draws, one_zone, plain_money):
    again = replace(CUT, held_years=1.0, decline_speed=0.5, take_share=1.0)
    fall = [19.0 - n for n in range(10)]
    out = value(make_draws(fall, now=20.0), one_zone, [again], plain_money, horizon_year=2036)
    crop = mean_crop(out, 0, 2026)[0]
    # 1 t/ha of 20 lost a year: 5 %; at half speed 2.5 % a year from the 4th vintage on
    np.testing.assert_allclose(crop[:5], [0.0, 10.0, 20.0, 19.5, 19.0])


def test_horizons_follow_the_trellis_and_say_what_was_assumed(zones):
    draws = example_draws(rng=np.random.default_rng(1), draw_count=5)
    mixed = zones.assign(trellis_year=pd.array([1985, 2000, None], dtype="Int64"), year_planted=None)
    out = value(draws, mixed, [CUT], Money())
    assert out.standing.horizon.tolist() == [2031, 2035, 2046]
    assert any("past its life" in one for one in out.notes)
    assert any("1 zones have no trellis year" in one for one in out.notes)
    given = value(draws, zones, [CUT], Money(), horizon_year={"A-Z1": 2035, "A-Z2": 2036, "B-Z3": 2099})
    assert given.standing.horizon.tolist() == [2035, 2036, 2046]
    assert any("the last forecast vintage" in one for one in given.notes)
    late = given.options[given.options["zone_id"] == "A-Z1"]["year"]
    assert late.max() == 2034


def test_same_seed_gives_the_same_values(zones):
    one, two = (
        value(example_draws(rng=np.random.default_rng(9)), zones, default_methods(), Money()).options
        for _ in range(2)
    )
    pd.testing.assert_frame_equal(one, two)


def test_sixty_zones_are_valued_fast_enough():
    """60 zones x 400 draws x 5 methods x 15 start years: 2 s asked for; far below on one core."""
    spread = np.linspace(0, 1, 60)
    draws = example_draws(
        rng=np.random.default_rng(1), draw_count=400, loss_now=tuple(0.6 * spread),
        yearly_loss=tuple(0.05 * spread), missing=tuple(0.3 * spread), span=25,
    )  # fmt: skip
    begin = time.process_time()
    out = value(draws, example_zones(60), default_methods(), Money())
    assert out.gain.shape == (400, 60, 5, 15)
    assert time.process_time() - begin < 2.0


def test_methods_that_do_not_fit_are_refused(zones):
    with pytest.raises(SettingsError, match=r"'top_work' is not known"):
        Method(name="top_work")
    with pytest.raises(SettingsError, match=r"take_share is 1.2"):
        Method(name="infill", take_share=1.2)
    with pytest.raises(SettingsError, match=r"crop_share_by_year_after is -0.1"):
        Method(name="infill", crop_share_by_year_after=(-0.1,))
    with pytest.raises(SettingsError, match=r"not in rising order"):
        Method(name="keep_protected", efficacy_low=0.8, efficacy_mode=0.5, efficacy_high=0.9)
    with pytest.raises(SettingsError, match=r"discount_rate is -0.1"):
        Money(discount_rate=-0.1)
    with pytest.raises(SettingsError, match=r"Price of Shiraz is -5"):
        Money(price_by_variety={"Shiraz": -5.0})
    draws = example_draws(rng=np.random.default_rng(1), draw_count=5)
    with pytest.raises(SettingsError, match=r"trunk_renewal is given twice"):
        value(draws, zones, [CUT, CUT], Money())


def test_tables_that_do_not_fit_are_refused(zones):
    draws = example_draws(rng=np.random.default_rng(1), draw_count=5)
    with pytest.raises(DataError, match=r"Zone B-Z3 has draws but is not among the zones"):
        value(draws, zones.iloc[:2], [CUT], Money())
    with pytest.raises(DataError, match=r"row_spacing_m is not known"):
        value(draws, zones.drop(columns="row_spacing_m"), [CUT], Money())
    with pytest.raises(DataError, match=r"First year of work 2060 does not fit"):
        value(draws, zones, [CUT], Money(), first_year=2060)
    with pytest.raises(DataError, match=r"are not consecutive"):
        value(replace(draws, years=draws.years * 2), zones, [CUT], Money())
    with pytest.raises(DataError, match=r"area 0.0 ha"):
        value(draws, zones.assign(area_ha=0.0), [CUT], Money())
    for vines in (0, np.nan):
        with pytest.raises(DataError, match=r"Zone A-Z2 of 3.5 ha has .* vine places"):
            value(draws, zones.assign(vines=[100, vines, 100]), [CUT], Money())
    broken = draws.keep_t_ha.copy()
    broken[0, 0, 0] = np.nan
    with pytest.raises(DataError, match=r"1 of them not a number"):
        value(replace(draws, keep_t_ha=broken), zones, [CUT], Money())


@pytest.mark.parametrize(
    ("missing", "symptomatic", "counted"),
    [(0.1, np.nan, True), (np.nan, 0.2, True), (0.1, 0.2, True), (np.nan, np.nan, False)],
)
def test_a_count_of_gaps_or_of_symptoms_is_a_count(
    make_draws, one_zone, plain_money, missing, symptomatic, counted
):
    draws = make_draws([10.0] * 4, missing=missing, symptomatic=symptomatic)
    standing = value(draws, one_zone, [CUT], plain_money, horizon_year=2030).standing
    assert standing.counted.tolist() == [counted]
