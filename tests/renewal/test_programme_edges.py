"""The programme where limits are many, small beside one another, or nothing at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import sparse

from vinemap.renewal import Method, plan_programme, solving, value_options
from vinemap.renewal import programme as planning
from vinemap.renewal.example import ExampleDraws
from vinemap.renewal.limits import Rows, list_choices

CUT = Method(
    name="trunk_renewal", cost_per_vine=5.0, crop_share_by_year_after=(0.0, 0.5), held_years=50.0,
    mobilisation_per_block=0.0, crew_days_per_ha=4.0, orders_per_vine=1.0,
)  # fmt: skip


@pytest.fixture
def estate(plain_money):
    """Zones of 20 t/ha healthy that bear 4 t/ha, of 1 ha each in a block of its own."""

    def make(count: int = 3, *, keep=4.0, method=CUT, money=plain_money, varieties=None, **more):
        kept = np.tile(np.broadcast_to(keep, count)[None, :, None], (4, 1, 12)).astype(float)
        names = [f"B{n}" for n in range(count)]
        draws = ExampleDraws(
            zone_ids=[f"{one}-Z1" for one in names], years=np.arange(2027, 2039), keep_t_ha=kept,
            healthy_t_ha=np.full((4, count), 20.0), now_t_ha=kept[:, :, 0],
            missing_share=np.zeros((4, count)), symptomatic_share=np.zeros((4, count)),
        )  # fmt: skip
        zones = pd.DataFrame({
            "zone_id": draws.zone_ids, "block_id": names, "area_ha": 1.0, "vines": 1000,
            "variety": varieties or "Shiraz", "year_planted": 2015, "trellis_year": 2015,
            "row_spacing_m": 3.0,
        })  # fmt: skip
        given = {"horizon_year": 2038, "rng": np.random.default_rng(1)} | more
        return value_options(draws, zones, methods=[method], money=money, **given)

    return make


# ---------------------------------------------------------------- clashes
def test_a_small_breach_is_named_beside_a_large_limit(estate):
    """A tonne too much asked of a variety, under a budget of five million: the tonne is what clashes."""
    valuation = estate(2, keep=[4.0, 16.0], varieties=["Shiraz", "Fiano"])
    made = plan_programme(valuation, years=2, budget=5e6, min_tonnes={"Fiano": {2027: 17.0}})
    assert made.clashes[1:] == (
        "least tonnes of Fiano 2027: missed by 1.0 t (asked for 17 t; with nothing renewed it is 16 t)",
    )


def test_limits_without_anything_to_choose_clash_only_where_they_are_missed(estate):
    sound = estate(2, keep=20.0)
    left_out = {"exclude": ["B0-Z1", "B1-Z1"], "years": 2}
    assert plan_programme(sound, budget=0.0, crew_days=0.0, **left_out).clashes == ()
    assert plan_programme(sound, min_tonnes={"Shiraz": 40.0}, **left_out).clashes == ()
    short = plan_programme(sound, min_tonnes={"Shiraz": {2028: 40.08}}, **left_out)
    assert short.clashes[1].startswith("least tonnes of Shiraz 2028: missed by 0.1 t")


# ---------------------------------------------------------------- shadow costs
def test_shadow_costs_are_found_for_the_eight_limits_used_most_and_sorted(estate):
    """Twelve zones, one or two a winter: ten winters of 5,000 to 9,500 AUD, of which the fullest count."""
    budget = {2026 + n: 5000.0 + 500.0 * n for n in range(10)}
    made = plan_programme(estate(12), years=10, budget=budget, mip_gap=0.0)
    assert made.table.groupby("year").size().tolist() == [1] * 10
    costs = made.shadow_costs
    assert len(costs) == 8
    assert set(costs["limit"]) == {f"budget {2026 + n}" for n in range(8)}  # filled to 100, 91, ... 59 %
    np.testing.assert_allclose(costs["moved_to"], 1.1 * costs["allowed"])


def test_of_several_limits_the_one_that_adds_most_comes_first(estate):
    """A tenth more money in 2026 lets a second zone in; in 2027 it does not."""
    valuation = estate(4)
    made = plan_programme(
        valuation, years=2, budget={2026: 9_500.0, 2027: 5_000.0}, crew_days=1000.0, mip_gap=0.0
    )
    assert made.shadow_costs["limit"].tolist() == ["budget 2026", "budget 2027"]
    first, second = made.shadow_costs["adds"]
    assert first > 1000
    assert second == 0.0
    turned = plan_programme(valuation, years=2, budget={2026: 5_000.0, 2027: 9_500.0}, mip_gap=0.0)
    assert turned.shadow_costs["limit"].tolist() == ["budget 2027", "budget 2026"]


def test_no_time_is_no_shadow_cost(estate):
    made = plan_programme(estate(2), years=1, budget=5_000.0)
    assert len(made.shadow_costs) == 1
    choices = list_choices(estate(2), years=1, value_per_ha=estate(2).gain.mean(axis=0), keep_losing=False,
                           not_before={}, not_after={})  # fmt: skip
    rows = Rows(width=choices.size + len(choices.visits))
    rows.add("budget 2026", "AUD", np.concatenate([choices.cost, choices.visit_cost]), high=5_000.0)
    solved = planning.solve(choices, rows, mip_gap=0.001, time_limit_s=60.0)
    assert planning._shadow_costs(choices, rows, solved, 0.001, -1.0, "AUD").empty


@pytest.mark.parametrize(("used", "high", "full"), [(0.25, 0.5, 0.5), (0.5, 0.5, 1.0), (0.0, 0.5, 0.0)])
def test_limits_of_less_than_one_are_used_by_their_share(used, high, full):
    assert planning._fullness(used, -np.inf, high) == pytest.approx(full)


# ---------------------------------------------------------------- programmes
def test_ten_winters_are_planned_unless_told(estate):
    assert plan_programme(estate(start_years=10), shadow=False).notes == ()
    assert plan_programme(estate(start_years=9), shadow=False).notes[0].startswith("Only 9 winters")
    one = plan_programme(estate(12), budget=5_000.0, shadow=False)
    assert sorted(one.table["year"]) == list(range(2026, 2036))


def test_doing_nothing_keeps_rows_that_must_be_even():
    """Zones that go together: nought of both is even."""
    rows = Rows(width=2)
    rows.add_structure(sparse.csr_array(np.array([[1.0, -1.0]])), low=0.0, high=0.0)
    assert solving.do_nothing(rows, 3.0).npv == 0.0


def test_a_place_in_the_queue_is_worth_or_costs_by_its_sign(estate):
    valuation = estate(1)
    row = {"rank": 1, "method": "trunk_renewal", "area_ha": 1.0, "year": 2026, "zone_id": "B0-Z1"}
    said = planning._say_place(row | {"npv": 0.0, "cost": 5000.0}, valuation)
    assert said.endswith("costs 0 AUD over keeping; it holds up the tonnes promised.")
    said = planning._say_place(row | {"npv": 0.6, "cost": 0.5}, valuation)
    assert "is worth 1 AUD over keeping, 1,200 AUD for each 1,000 AUD spent; its best winter." in said


def test_the_queue_goes_by_value_per_money_within_a_year(estate):
    """All bear the same when renewed: the zone that bears least gains most for the same cost."""
    made = plan_programme(estate(3, keep=[6.0, 2.0, 4.0]), years=1, shadow=False).table
    assert made["zone_id"].tolist() == ["B1-Z1", "B2-Z1", "B0-Z1"]
    free = estate(3, keep=[6.0, 2.0, 4.0], method=replace(CUT, cost_per_vine=0.0))
    assert plan_programme(free, years=1, shadow=False).table["rank"].tolist() == [1, 2, 3]


def test_gap_to_the_bound_is_told_where_time_runs_out(estate, monkeypatch):
    """A solver that stops a twentieth below its bound."""
    solve = planning.solve

    def stopped(*given, **limits):
        return replace(solve(*given, **limits), gap=0.05)

    monkeypatch.setattr(planning, "solve", stopped)
    made = plan_programme(estate(2), years=1, time_limit_s=7.0, shadow=False)
    assert made.notes == ("The solver stopped after 7 s, 5.0 % from the bound.",)
    assert plan_programme(estate(2), years=1, mip_gap=0.05, shadow=False).notes == ()
