"""Large programmes are solved by their core: as good as solved whole, never said to be better."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import sparse

from vinemap.errors import DataError
from vinemap.renewal import default_methods, plan_programme, solving, value_options
from vinemap.renewal import programme as planning
from vinemap.renewal.example import example_zones, mixed_draws
from vinemap.renewal.limits import Rows, build_rows, list_choices
from vinemap.renewal.methods import Money

YEARS = 6


def many_zones(count, seed):
    """Zones in every state, two of three in blocks of their own."""
    rng = np.random.default_rng(seed)
    draws = mixed_draws(count, rng=rng, draw_count=10)
    blocks = [f"B{n if n % 3 else n + 1}" for n in range(count)]
    names = [f"{block}-Z{n}" for n, block in enumerate(blocks)]
    zones = example_zones(count).assign(zone_id=names, block_id=blocks)
    return value_options(
        replace(draws, zone_ids=names), zones, methods=default_methods(), money=Money(), rng=rng
    )


def limits_of(valuation):
    """Sets of limits, each of which binds."""
    shiraz = float(plan_programme(valuation, years=1, shadow=False).table["tonnes_out"].sum())
    area = float(valuation.standing.area_ha.sum())
    pair = list(valuation.standing.zone_ids[:2])
    return {
        "nothing": {},
        "money": {"budget": 2_500.0 * area},
        "crew": {"crew_days": 0.3 * area, "most_orders": 150.0 * area},
        "ground": {"most_ha_out": 0.2 * area, "budget": {2026: 0.0, 2027: 9_000.0 * area}},
        "together": {"budget": 3_000.0 * area, "together": [pair]},
        "tonnes": {"budget": 4_000.0 * area, "min_tonnes": {"Shiraz": {2028: shiraz}}},
    }


@pytest.fixture
def by_core(monkeypatch):
    """Solve by a core of so many choices, however small the problem."""

    def plan(valuation, *, core, **given):
        with monkeypatch.context() as patch:
            patch.setattr(solving, "MANY_CHOICES", 0)
            patch.setattr(solving, "CORE_CHOICES", core)
            return plan_programme(valuation, years=YEARS, shadow=False, **given)

    return plan


@pytest.mark.parametrize("kind", ["nothing", "money", "crew", "ground", "together", "tonnes"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_solved_by_its_core_it_is_worth_the_same(by_core, kind, seed):
    valuation = many_zones(15, seed)
    given = limits_of(valuation)[kind]
    whole = plan_programme(valuation, years=YEARS, shadow=False, mip_gap=0.0, **given)
    assert len(whole.table) > 2
    for core in (1, 25):
        exact = by_core(valuation, core=core, mip_gap=0.0, **given)
        assert exact.npv == pytest.approx(whole.npv, rel=1e-6)
        assert exact.bound == pytest.approx(whole.npv, rel=1e-6)
        rough = by_core(valuation, core=core, mip_gap=0.05, **given)
        assert 0.95 * whole.npv - 1e-6 <= rough.npv <= whole.npv * (1 + 1e-6)
        assert rough.bound >= whole.npv * (1 - 1e-6)
        assert rough.gap == pytest.approx((rough.bound - rough.npv) / rough.bound)
        assert rough.gap <= 0.05
    if kind != "nothing":
        free = plan_programme(valuation, years=YEARS, shadow=False, mip_gap=0.0)
        assert free.npv > whole.npv * (1 + 1e-9)  # the limits bind, or nothing was tried


def test_limits_that_clash_are_seen_by_the_relaxation(by_core):
    valuation = many_zones(15, 1)
    asked = {"min_tonnes": {"Shiraz": 1e6}, "budget": 50_000.0}
    made = by_core(valuation, core=5, **asked)
    assert made.clashes == plan_programme(valuation, years=YEARS, shadow=False, **asked).clashes
    assert len(made.clashes) > 1


def test_what_must_give_way_is_found_without_whole_zones_where_they_are_many(monkeypatch):
    """A crop that no zone bears is missed by as much, in halves or whole; what whole zones miss is more."""
    valuation = many_zones(40, 1)
    asked = {"min_tonnes": {"Shiraz": {2027: 1e5}}, "budget": 50_000.0}
    whole = plan_programme(valuation, years=2, shadow=False, **asked).clashes
    monkeypatch.setattr(planning, "MANY_CHOICES", 0)
    assert plan_programme(valuation, years=2, shadow=False, **asked).clashes == whole
    assert whole[1].startswith("least tonnes of Shiraz 2027: missed by 9")


def problem_of(valuation, **limits):
    choices = list_choices(
        valuation, years=YEARS, value_per_ha=valuation.gain.mean(axis=0), keep_losing=False,
        not_before={}, not_after={},
    )  # fmt: skip
    none = {"budget": None, "crew_days": None, "most_orders": None, "most_ha_out": None}
    given = {**none, "min_tonnes": {}, "together": ()} | limits
    return choices, build_rows(valuation, choices, years=YEARS, **given)


def test_limits_that_only_halves_meet_clash_though_the_relaxation_does_not_see_it(monkeypatch):
    """Half a zone of two would do: no whole one does, whatever is left open."""
    valuation = many_zones(3, 1)
    choices, rows = problem_of(valuation)
    row = np.concatenate([np.where(choices.zone == choices.zone[0], 1.0, 0.0), np.zeros(len(choices.visits))])
    rows.add_structure(sparse.csr_array(row[None, :]), low=0.4, high=0.6)
    monkeypatch.setattr(solving, "MANY_CHOICES", 0)
    monkeypatch.setattr(solving, "CORE_CHOICES", 1)
    assert solving.solve(choices, rows, mip_gap=0.0, time_limit_s=20.0).status == solving.INFEASIBLE


def test_where_the_relaxation_takes_too_long_all_is_searched(by_core, monkeypatch):
    valuation = many_zones(15, 2)
    whole = plan_programme(valuation, years=YEARS, shadow=False, mip_gap=0.0, budget=60_000.0)
    monkeypatch.setattr(solving._Problem, "relax", lambda *_: None)
    made = by_core(valuation, core=5, mip_gap=0.0, budget=60_000.0)
    assert made.npv == pytest.approx(whole.npv, rel=1e-9)


def test_a_relaxation_stopped_by_the_clock_tells_nothing():
    valuation = many_zones(300, 2)
    choices, rows = problem_of(valuation, budget=5e5)
    problem = solving._Problem(choices, rows, 0.0)
    assert problem.seconds_left() == solving.LEAST_S
    assert problem.relax(1e-9) is None
    assert problem.relax(60.0) is not None


def test_nothing_found_in_time_is_not_said_to_be_nothing_worth_doing(monkeypatch):
    """A solver without time: the empty programme says why; where it breaks a limit, none is given."""
    valuation = many_zones(15, 2)
    monkeypatch.setattr(solving._Problem, "search", lambda *_: (None, False))
    made = plan_programme(valuation, years=YEARS, time_limit_s=3.0, shadow=False)
    assert made.table.empty
    assert made.notes == (
        "No programme was found within 3 s. That none is listed does not say that none pays: plan fewer "
        "years, or part of the estate at a time.",
    )
    with pytest.raises(DataError, match="No programme that keeps the limits was found within 3 s"):
        solving.do_nothing(replace(Rows(width=1), low=[1.0], high=[2.0]), 3.0)


@pytest.mark.slow
def test_three_thousand_zones_are_planned_to_a_thousandth():
    """Solved whole, of 10,000 zones none was found at all within a minute."""
    made = plan_programme(many_zones(3_000, 3), years=10, budget=1.2e7, crew_days=9_000.0, shadow=False)
    assert made.notes == ()
    assert made.gap <= 0.001
    assert len(made.table) > 1_000
    assert made.table.groupby("year")["cost"].sum().max() <= 1.2e7 * (1 + 1e-9)
