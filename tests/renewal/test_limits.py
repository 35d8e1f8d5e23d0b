"""Limits of the programme as rows, what loosening adds, and how a clash is said: small cases by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import sparse

from vinemap.errors import DataError, SettingsError
from vinemap.renewal import Method, plan_programme, solving, standing, value_options
from vinemap.renewal import limits as module
from vinemap.renewal import programme as planning
from vinemap.renewal.blocks import compare_blocks
from vinemap.renewal.example import ExampleDraws
from vinemap.renewal.limits import Rows, build_rows, by_year, list_choices

CUT = Method(
    name="trunk_renewal", cost_per_vine=5.0, crop_share_by_year_after=(0.0, 0.5, 0.9), held_years=50.0,
    mobilisation_per_block=1000.0, crew_days_per_ha=4.0, orders_per_vine=2.0,
)  # fmt: skip
SPRAY = Method(
    name="keep_protected", yearly_cost_per_ha=10.0, efficacy_low=0.5, efficacy_mode=0.5, efficacy_high=0.5
)


@pytest.fixture
def estate(plain_money):
    """Three zones of 20 t/ha healthy that bear 4, 6 and 16 t/ha: 2, 1 and 1 ha, blocks A, A and B."""

    def make(*methods, missing: float = 0.1, keep=(4.0, 6.0, 16.0), varieties=("Shiraz", "Shiraz", "Fiano"),
             money=plain_money):  # fmt: skip
        kept = np.tile(np.array(keep)[None, :, None], (4, 1, 10))
        draws = ExampleDraws(
            zone_ids=["A-Z1", "A-Z2", "B-Z1"], years=np.arange(2027, 2037), keep_t_ha=kept,
            healthy_t_ha=np.full((4, 3), 20.0), now_t_ha=kept[:, :, 0],
            missing_share=np.full((4, 3), missing),
            symptomatic_share=np.zeros((4, 3)),
        )  # fmt: skip
        zones = pd.DataFrame({
            "zone_id": draws.zone_ids, "block_id": ["A", "A", "B"], "area_ha": [2.0, 1.0, 1.0],
            "vines": [2000, 1000, 1000], "variety": varieties, "year_planted": 2015,
            "trellis_year": 2015, "row_spacing_m": 3.0,
        })  # fmt: skip
        return value_options(draws, zones, methods=methods or (CUT,), money=money, horizon_year=2036,
                             rng=np.random.default_rng(1))  # fmt: skip

    return make


def choices_of(valuation, years: int = 2, **more):
    given = {"keep_losing": True, "not_before": {}, "not_after": {}} | more
    value = valuation.gain.mean(axis=0)
    return list_choices(valuation, years=years, value_per_ha=value, **given)


def rows_of(valuation, choices, years: int = 2, **more) -> Rows:
    given = {"budget": None, "crew_days": None, "most_orders": None, "most_ha_out": None, "min_tonnes": {},
             "together": ()} | more  # fmt: skip
    return build_rows(valuation, choices, years=years, **given)


def named(rows: Rows) -> dict[str, tuple[np.ndarray, float, float]]:
    dense = rows.matrix().toarray()
    return {
        rows.names[n]: (dense[n], rows.low[n], rows.high[n]) for n in range(len(rows.names)) if rows.soft[n]
    }


# ---------------------------------------------------------------- choices
def test_choices_carry_totals_of_their_zone(estate):
    """3 zones x 2 winters; 90 % of the places are worked on, in tenths of 1,000 vines/ha."""
    valuation = estate()
    made = choices_of(valuation)
    assert made.size == 6
    area = np.array([2.0, 1.0, 1.0])[made.zone]
    np.testing.assert_allclose(made.cost, 5 * 900 * area)
    np.testing.assert_allclose(made.crew_days, 4 * 0.9 * area)
    np.testing.assert_allclose(made.orders, 2 * 900 * area)
    np.testing.assert_allclose(made.out_t, np.array([4.0, 6.0, 16.0])[made.zone] * area)
    gain = valuation.gain.mean(axis=0)
    np.testing.assert_allclose(made.value, gain[made.zone, made.method, made.start] * area)
    assert len(made.visits) == 4  # two blocks, two winters
    np.testing.assert_allclose(made.visit_cost, 1000.0)
    np.testing.assert_allclose(made.visit_value, 1000 * 1.05 ** -made.visits[:, 2].astype(float))
    for zone, start, visit in zip(made.zone, made.start, made.visit, strict=True):
        assert made.visits[visit].tolist() == [int(zone == 2), 0, start]


def test_orders_hold_the_refills_of_the_winter_after(estate):
    valuation = estate(replace(CUT, refill_share=1.0, take_share=0.8))
    refilled = 0.1 + 0.9 * 0.2
    np.testing.assert_allclose(choices_of(valuation).orders[0], 2000 * (2 * 0.9 + refilled))


def test_choices_that_lose_are_left_out_unless_tonnes_must_be_held_up(estate):
    """Renewing a zone at 16 of 20 t/ha loses; protection is never a choice of the programme."""
    valuation = estate(CUT, SPRAY)
    assert valuation.gain.mean(axis=0)[2, 0].max() < 0
    assert set(choices_of(valuation, keep_losing=False).zone) == {0, 1}
    assert set(choices_of(valuation).zone) == {0, 1, 2}
    assert set(choices_of(valuation).method) == {0}
    assert set(choices_of(valuation, years=1).start) == {0}


@pytest.mark.parametrize(
    ("limit", "left"),
    [
        ({"not_before": {"A-Z1": 2027}}, {(0, 2027), (1, 2026), (1, 2027), (2, 2026), (2, 2027)}),
        ({"not_after": {"A-Z1": 2026}}, {(0, 2026), (1, 2026), (1, 2027), (2, 2026), (2, 2027)}),
        ({"not_before": {"A": 2027}, "not_after": {"B": 2026}}, {(0, 2027), (1, 2027), (2, 2026)}),
    ],
)
def test_dates_of_zones_and_blocks(estate, limit, left):
    made = choices_of(estate(), **limit)
    assert {(int(z), 2026 + int(s)) for z, s in zip(made.zone, made.start, strict=True)} == left
    with pytest.raises(SettingsError, match="'C' is neither a zone nor a block"):
        choices_of(estate(), not_after={"C": 2026})


def test_zones_are_taken_in_parts_as_all_at_once(estate, monkeypatch):
    valuation = estate()
    whole = choices_of(valuation)
    tonnes = {"Shiraz": 10.0}
    limits = named(rows_of(valuation, whole, min_tonnes=tonnes))
    monkeypatch.setattr(standing, "ZONES_AT_A_TIME", 1)
    parts = choices_of(valuation)
    np.testing.assert_allclose(parts.out_t, whole.out_t)
    for name, (row, low, high) in named(rows_of(valuation, parts, min_tonnes=tonnes)).items():
        np.testing.assert_allclose(row, limits[name][0])
        assert (low, high) == limits[name][1:]


# ---------------------------------------------------------------- rows
def test_yearly_limits_hold_their_winter_only(estate):
    valuation = estate()
    made = choices_of(valuation)
    rows = named(rows_of(valuation, made, budget={2027: 9000.0}, crew_days=5.0, most_orders=1e9))
    assert set(rows) == {
        "budget 2027",
        "crew days 2026",
        "crew days 2027",
        "vines or buds 2026",
        "vines or buds 2027",
    }
    row, low, high = rows["budget 2027"]
    assert (low, high) == (-np.inf, 9000.0)
    np.testing.assert_allclose(row[:6], np.where(made.start == 1, made.cost, 0.0))
    np.testing.assert_allclose(row[6:], np.where(made.visits[:, 2] == 1, 1000.0, 0.0))
    row, _, high = rows["crew days 2026"]
    assert high == 5.0
    np.testing.assert_allclose(row[:6], np.where(made.start == 0, made.crew_days, 0.0))
    assert (row[6:] == 0).all()
    np.testing.assert_allclose(rows["vines or buds 2027"][0][:6], np.where(made.start == 1, made.orders, 0.0))


def test_structure_lets_each_zone_be_done_once_and_with_its_visit(estate):
    valuation = estate()
    made = choices_of(valuation)
    rows = rows_of(valuation, made)
    matrix, x = rows.matrix().toarray(), np.zeros(10)
    high = np.array(rows.high)
    assert not any(rows.soft)

    def allowed(*on: int) -> bool:
        chosen = x.copy()
        chosen[list(on)] = 1.0
        return bool((matrix @ chosen <= high + 1e-9).all())

    first, again = np.flatnonzero(made.zone == 0)
    assert allowed()
    assert allowed(first, 6 + made.visit[first])
    assert not allowed(first)
    assert not allowed(first, again, 6 + made.visit[first], 6 + made.visit[again])
    assert allowed(6)  # a visit without work is only dear


def test_hectares_out_of_crop_are_those_below_half_a_crop(estate):
    """Ramp 0, 0.5, 0.9: only the first vintage after the work is below half."""
    valuation = estate()
    made = choices_of(valuation, years=3)
    rows = named(rows_of(valuation, made, years=3, most_ha_out={2028: 2.5}))
    assert set(rows) == {"hectares out of crop 2028"}
    row, _, high = rows["hectares out of crop 2028"]
    assert high == 2.5
    area = np.array([2.0, 1.0, 1.0])[made.zone]
    np.testing.assert_allclose(row[: made.size], np.where(made.start == 1, area, 0.0))
    slow = estate(replace(CUT, crop_share_by_year_after=(0.0, 0.49, 0.9)))
    row = named(rows_of(slow, made, years=3, most_ha_out={2028: 2.5}))["hectares out of crop 2028"][0]
    np.testing.assert_allclose(row[: made.size], np.where(made.start <= 1, area, 0.0))
    fill = estate(replace(CUT, name="infill", keeps_standing=True))
    row = named(rows_of(fill, choices_of(fill, years=3), years=3, most_ha_out=1.0))[
        "hectares out of crop 2028"
    ][0]
    assert (row == 0).all()  # standing vines go on bearing


def test_tonnes_of_a_variety_change_by_what_is_renewed(estate):
    """Kept: 2 x 4 + 6 = 14 t of Shiraz; in full bearing a worked place bears 20 t/ha."""
    valuation = estate()
    made = choices_of(valuation)
    rows = named(rows_of(valuation, made, min_tonnes={"Shiraz": {2028: 20.0}}))
    assert set(rows) == {"least tonnes of Shiraz 2028"}
    row, low, high = rows["least tonnes of Shiraz 2028"]
    assert low == pytest.approx(20.0 - 14.0)
    assert high == np.inf
    kept, area = np.array([4.0, 6.0, 16.0])[made.zone], np.array([2.0, 1.0, 1.0])[made.zone]
    after = np.where(made.start == 0, 0.5 * 0.9 * 20, 0.0)  # 2028: second vintage, or first
    np.testing.assert_allclose(row[:6], np.where(made.zone == 2, 0.0, (after - kept) * area))
    with pytest.raises(SettingsError, match="No zone is of variety 'Malbec'"):
        rows_of(valuation, made, min_tonnes={"Malbec": 1.0})


def test_grafting_moves_tonnes_from_one_variety_to_another(estate):
    graft = replace(CUT, name="graft_over", new_variety="Malbec")
    valuation = estate(graft)
    made = choices_of(valuation, years=1)
    rows = named(rows_of(valuation, made, years=1, min_tonnes={"Malbec": 1.0, "Shiraz": 1.0, "Fiano": 1.0}))
    kept, area = np.array([4.0, 6.0, 16.0]), np.array([2.0, 1.0, 1.0])
    assert rows["least tonnes of Malbec 2027"][1] == 1.0
    np.testing.assert_allclose(
        rows["least tonnes of Malbec 2027"][0][:3], 0.0
    )  # no crop in the first vintage
    np.testing.assert_allclose(rows["least tonnes of Shiraz 2027"][0][:3], [-8.0, -6.0, 0.0])
    np.testing.assert_allclose(rows["least tonnes of Fiano 2027"][0][:3], [0.0, 0.0, -16.0])
    later = named(rows_of(valuation, choices_of(valuation), min_tonnes={"Malbec": {2028: 1.0}}))
    np.testing.assert_allclose(later["least tonnes of Malbec 2028"][0][[0, 2, 4]], 0.5 * 0.9 * 20 * area)
    assert kept.size == 3


def test_zones_that_go_together_are_equal_winter_by_winter(estate):
    valuation = estate()
    made = choices_of(valuation)
    for group in (["A"], ["A-Z1", "A-Z2"]):
        rows = rows_of(valuation, made, together=[group])
        plain = len(rows_of(valuation, made).names)
        extra = rows.matrix().toarray()[plain:]
        assert extra.shape[0] == 2  # one row a winter
        for place, row in enumerate(extra):
            expected = np.where(
                made.start == place, np.select([made.zone == 0, made.zone == 1], [1.0, -1.0]), 0.0
            )
            np.testing.assert_allclose(row[:6], expected)
        assert rows.low[plain:] == rows.high[plain:] == [0.0, 0.0]
    with pytest.raises(SettingsError, match="'Z' is neither a zone nor a block"):
        rows_of(valuation, made, together=[["A", "Z"]])


def test_no_limit_of_a_year_is_no_limit():
    assert by_year(None, np.array([2026, 2027])).tolist() == [np.inf, np.inf]
    assert by_year({2027: 0.0}, np.array([2026, 2027])).tolist() == [np.inf, 0.0]
    assert by_year(4, np.array([2026])).tolist() == [4.0]


# ---------------------------------------------------------------- programmes
def test_best_programme_without_limits_is_both_bad_zones_at_once(estate):
    valuation = estate()
    made = plan_programme(valuation, years=3)
    gain = valuation.gain.mean(axis=0)[:, 0, 0]
    assert made.npv == pytest.approx(2 * gain[0] + gain[1] - 1000)
    assert made.table["zone_id"].tolist() == ["A-Z1", "A-Z2"]  # by value per cost
    assert made.table["year"].tolist() == [2026, 2026]
    np.testing.assert_allclose(made.table["cost"], [9000 + 1000 * 2 / 3, 4500 + 1000 / 3])
    np.testing.assert_allclose(made.table["npv"], [2 * gain[0] - 2000 / 3, gain[1] - 1000 / 3])
    assert made.table["npv"].sum() == pytest.approx(made.npv)
    assert made.table["rank"].tolist() == [1, 2]
    assert made.table["vines"].tolist() == [3600, 1800]
    assert made.table["crew_days"].tolist() == pytest.approx([7.2, 3.6])
    assert made.table["tonnes_out"].tolist() == pytest.approx([8.0, 6.0])
    assert made.bound >= made.npv
    assert 0 <= made.gap <= 0.001
    assert made.clashes == made.notes == ()


def test_budget_puts_the_second_zone_off_and_its_shadow_cost_says_what_for(estate):
    """One zone a winter: the dear one first; a tenth more money brings nothing as both cost 15,500."""
    valuation = estate()
    made = plan_programme(valuation, years=3, budget=11_000.0)
    assert made.table[["zone_id", "year"]].to_numpy().tolist() == [["A-Z1", 2026], ["A-Z2", 2027]]
    costs = made.shadow_costs.set_index("limit")
    assert costs.loc["budget 2026", "used"] == pytest.approx(10_000.0)
    assert costs.loc["budget 2026", "allowed"] == 11_000.0
    assert costs.loc["budget 2026", "moved_to"] == pytest.approx(12_100.0)
    assert costs.loc["budget 2026", "adds"] == 0.0
    assert costs.loc["budget 2026", "words"].endswith("would add nothing.")
    assert costs.loc["budget 2027", "used"] == pytest.approx(5500.0)  # half of it, which may bind
    assert "budget 2028" not in costs.index
    assert plan_programme(valuation, years=3, budget=11_001.0, shadow=False).shadow_costs.empty
    near = plan_programme(
        valuation, years=3, budget=14_000.0
    )  # a tenth more, 15,400, fits 9,000 + 4,500 + 1,000
    assert near.table["year"].tolist() == [2026, 2027]
    adds = near.shadow_costs.set_index("limit").loc["budget 2026", "adds"]
    assert adds == pytest.approx(plan_programme(valuation, years=3, budget=15_400.0).npv - near.npv)
    assert adds > 0
    assert plan_programme(valuation, years=3, budget=14_500.0).table["year"].tolist() == [2026, 2026]


def test_tonnes_that_bind_have_a_shadow_cost(estate):
    """Shiraz kept at 14 t or more: nothing can be cut in 2026; a tenth less lets nothing through either."""
    made = plan_programme(estate(), years=1, min_tonnes={"Shiraz": 14.0})
    assert made.table.empty
    assert made.npv == 0
    free = plan_programme(estate(), years=1, min_tonnes={"Shiraz": 6.0})
    assert free.table["zone_id"].tolist() == ["A-Z1"]  # 8 t out leaves 6
    tight = free.shadow_costs.set_index("limit").loc["least tonnes of Shiraz 2027"]
    assert tight["unit"] == "t"
    assert tight["allowed"] == pytest.approx(6.0 - 14.0)


def test_promised_tonnes_may_ask_for_a_renewal_that_loses(estate):
    """Fiano at 17 t in 2029 needs the zone of 16 t/ha renewed by 2026; its line says what it costs."""
    valuation = estate(replace(CUT, crop_share_by_year_after=(0.0, 0.5)), missing=0.0)
    made = plan_programme(valuation, years=3, min_tonnes={"Fiano": {2029: 17.0}})
    row = made.table.set_index("zone_id").loc["B-Z1"]
    assert row["year"] == 2026
    assert row["npv"] < 0
    assert "it holds up the tonnes promised" in row["reason"]
    assert made.clashes == ()


def test_a_clash_says_by_how_much(estate):
    """30 t of Fiano cannot come from one hectare; crew days of 2027 have room and are not named."""
    made = plan_programme(estate(), years=2, min_tonnes={"Fiano": {2027: 30.0}}, crew_days=50.0)
    assert made.table.empty
    assert (made.npv, made.bound, made.gap) == (0.0, 0.0, 0.0)
    assert len(made.clashes) == 2
    assert made.clashes[1].startswith("least tonnes of Fiano 2027: missed by 14.0 t (asked for 30 t;")
    assert "with nothing renewed it is 16 t" in made.clashes[1]


def test_a_clash_without_anything_to_choose_is_said_too(estate):
    sound = estate(keep=(20.0, 20.0, 20.0))
    made = plan_programme(
        sound, years=2, exclude=["A-Z1", "A-Z2", "B-Z1"], min_tonnes={"Fiano": {2027: 30.0}}
    )
    assert made.clashes[1].startswith("least tonnes of Fiano 2027: missed by 10.0 t")
    fine = plan_programme(
        sound, years=2, exclude=["A-Z1", "A-Z2", "B-Z1"], min_tonnes={"Fiano": {2027: 20.0}}
    )
    assert fine.clashes == ()
    assert fine.table.empty
    assert fine.shadow_costs.empty
    assert fine.shadow_costs.columns.tolist() == made.shadow_costs.columns.tolist()


def test_of_a_budget_and_tonnes_that_clash_the_lesser_gives_way(estate):
    """20 t of Fiano in 2029 need 6,000 in 2026: a fifth more than the budget, against four of four tonnes."""
    valuation = estate(replace(CUT, crop_share_by_year_after=(0.0, 0.5)), missing=0.0)
    made = plan_programme(valuation, years=3, budget=5000.0, min_tonnes={"Fiano": {2029: 20.0}})
    assert made.table.empty
    assert made.clashes[1:] == ("budget 2026: missed by 1,000.0 AUD (allowed are 5,000)",)


def test_zones_excluded_not_given_or_to_be_scouted_are_not_planned(estate):
    valuation = estate()
    assert plan_programme(valuation, years=1, exclude=["A-Z1"]).table["zone_id"].tolist() == ["A-Z2"]
    some = pd.DataFrame({"zone_id": ["A-Z1", "A-Z2"], "advice": ["scout", "renew"]})
    assert plan_programme(valuation, some, years=1).table["zone_id"].tolist() == ["A-Z2"]
    assert plan_programme(valuation, some[["zone_id"]], years=1).table["zone_id"].tolist() == ["A-Z1", "A-Z2"]


def test_a_quantile_of_the_gain_is_planned_for(valuation):
    low = plan_programme(valuation, years=2, risk_quantile=0.05)
    quantile = np.quantile(valuation.gain, 0.05, axis=0)
    for row in low.table.to_dict("records"):
        place = valuation.zone_index(row["zone_id"])
        method, start = valuation.method_index(row["method"]), row["year"] - 2026
        alone = quantile[place, method, start] * row["area_ha"]
        assert row["npv"] <= alone + 1e-6
        assert row["npv"] == pytest.approx(alone - valuation.visit.mean(axis=0)[method, start], rel=1e-6)
    for bad in (0.0, 1.0, -0.1):
        with pytest.raises(SettingsError, match="Risk quantile"):
            plan_programme(valuation, risk_quantile=bad)


def test_reasons_name_worth_per_money_and_the_best_winter(estate):
    made = plan_programme(estate(), years=3, budget=11_000.0)
    first, second = made.table["reason"]
    per = 1000 * made.table["npv"].iloc[0] / made.table["cost"].iloc[0]
    assert first.startswith("Number 1: trunk renewal of 2.0 ha in the winter of 2026 is worth")
    assert f"{round(per / 100) * 100:,d} AUD for each 1,000 AUD spent; its best winter." in first
    assert second.endswith("on its own its best winter would be 2026.")
    free = plan_programme(estate(replace(CUT, cost_per_vine=0.0, mobilisation_per_block=0.0)), years=1)
    assert "? AUD for each 1,000" in free.table["reason"].iloc[0]


@pytest.mark.parametrize(
    ("used", "low", "high", "full"),
    [(50.0, -np.inf, 100.0, 0.5), (0.0, -np.inf, 0.0, 1.0), (6.0, 6.0, np.inf, 1.0),
     (9.0, 6.0, np.inf, 1 - 3 / 9),
     (-4.0, -8.0, np.inf, 0.5), (-8.0, -8.0, np.inf, 1.0)],
)  # fmt: skip
def test_how_far_a_limit_is_used(used, low, high, full):
    assert planning._fullness(used, low, high) == pytest.approx(full)


def test_looser_means_a_tenth_more_or_less():
    rows = Rows(width=1)
    rows.add("most", "t", np.ones(1), high=50.0)
    rows.add("least", "t", np.ones(1), low=20.0)
    rows.add("less", "t", np.ones(1), low=-20.0)
    assert [planning._loosen(rows, n)[1] for n in range(3)] == pytest.approx([55.0, 18.0, -22.0])
    looser = planning._loosen(rows, 1)[0]
    assert looser.low == [-np.inf, 18.0, -20.0]
    assert looser.high[0] == 50.0
    assert rows.low[1] == 20.0


@pytest.mark.parametrize(
    ("change", "adds", "said"),
    [(10.0, 0.4, "Another 10 AUD for x would add nothing."),
     (9.9, 0.6, "Another 9.9 AUD for x would add about 1 AUD."),
     (-200.0, 5.0, "200 AUD less of x would add about 5 AUD."),
     (0.0, 5.0, "Another 0.0 AUD for x would add about 5 AUD.")],
)  # fmt: skip
def test_words_of_a_shadow_cost(change, adds, said):
    assert planning._say_shadow("x", "AUD", change, adds, "AUD") == said


def test_nothing_found_in_time_is_nothing_done_or_a_refusal():
    rows = Rows(width=2)
    rows.add("most", "t", np.ones(2), high=0.0)
    made = solving.do_nothing(rows, 3.0)
    assert made.x.tolist() == [0.0, 0.0]
    assert (made.npv, made.gap) == (0.0, 1.0)
    rows.add("more", "t", np.ones(2), high=5.0)
    assert solving.do_nothing(rows, 3.0).npv == 0.0  # limits from above are kept by doing nothing
    rows.add("least", "t", np.ones(2), low=0.5)
    with pytest.raises(DataError, match="within 3 s"):
        solving.do_nothing(rows, 3.0)


def test_size_of_a_limit_is_one_at_least():
    assert planning._size(-np.inf, 0.2) == 1.0
    assert planning._size(-np.inf, 40.0) == 40.0
    assert planning._size(-30.0, np.inf) == 30.0


def test_rows_put_structure_and_limits_in_order():
    rows = Rows(width=2)
    rows.add_structure(sparse.csr_array(np.eye(2)), low=0.0, high=1.0)
    rows.add("most", "t", np.array([1.0, 2.0]), high=3.0, detail="why")
    assert rows.matrix().toarray().tolist() == [[1, 0], [0, 1], [1, 2]]
    assert (rows.names, rows.soft) == (["", "", "most"], [False, False, True])
    assert (rows.low, rows.high) == ([0.0, 0.0, -np.inf], [1.0, 1.0, 3.0])
    assert rows.details == ["", "", "why"]


@pytest.mark.parametrize("years", [0, -1])
def test_a_programme_lasts_a_year_at_least(estate, years):
    with pytest.raises(SettingsError, match=f"A programme of {years} years"):
        plan_programme(estate(), years=years)
    assert module.OUT_OF_CROP == 0.5


# ---------------------------------------------------------------- blocks
def test_block_against_its_best_zones(estate):
    """A: both zones in one visit, which is the whole block; B: nothing pays, and it is said."""
    valuation = estate()
    made = compare_blocks(valuation).set_index("block_id")
    gain = valuation.gain.mean(axis=0)[:, 0]
    a = made.loc["A"]
    assert a["best_zones"] == "A-Z1 A-Z2"
    assert a["best_visits"] == "trunk renewal in 2026"
    assert a["best_gain"] == a["whole_gain"] == pytest.approx(2 * gain[0, 0] + gain[1, 0] - 1000)
    assert (a["best_ha"], a["whole_ha"], a["whole_year"], a["mixed_ages"]) == (3.0, 3.0, 2026, False)
    assert a["words"].startswith("Best is the whole block (trunk renewal in 2026), worth")
    b = made.loc["B"]
    assert (b["best_zones"], b["best_visits"], b["best_ha"], b["best_gain"]) == ("", "", 0.0, 0.0)
    assert b["whole_gain"] < 0
    assert b["words"] == "No renewal pays in this block."
    assert not b["mixed_ages"]


def test_part_of_a_block_leaves_two_ages(estate):
    valuation = estate(keep=(4.0, 17.0, 16.0))
    row = compare_blocks(valuation).iloc[0]
    gain = valuation.gain.mean(axis=0)[:, 0]
    assert row["best_zones"] == "A-Z1"
    assert row["mixed_ages"]
    assert row["whole_gain"] == pytest.approx((2 * gain[0] + gain[1]).max() - 1000, rel=0.05)
    assert row["words"].startswith("Best is 1 of 2 zones (trunk renewal in 2026), worth")
    assert "more than renewing the whole block at once and leaves the block with vines" in row["words"]
    assert compare_blocks(valuation, least_area_ha=2.5).iloc[0]["best_zones"] != "A-Z1"
    assert compare_blocks(valuation, least_area_ha=2.0).iloc[0]["best_zones"] == "A-Z1"


def test_block_that_cannot_be_renewed_as_a_whole(estate):
    """Infilling needs gaps; one zone has none."""
    fill = replace(CUT, name="infill", keeps_standing=True, least_missing_share=0.05)
    valuation = estate(fill)
    gaps = valuation.gain.copy()
    gaps[:, 1] = np.nan
    row = compare_blocks(replace(valuation, gain=gaps)).iloc[0]
    assert row["whole_method"] == ""
    assert pd.isna(row["whole_year"])
    assert np.isnan(row["whole_gain"])
    assert row["words"] == "No renewal pays in this block." or "more than" not in row["words"]
