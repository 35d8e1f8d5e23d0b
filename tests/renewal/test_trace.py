"""Tables behind the advice, zone against block, and crops above the cleaning capacity."""

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import SettingsError
from vinemap.renewal import (
    break_even,
    compare_blocks,
    decide_zones,
    name_over_capacity,
    trace_advice,
    value_options,
)
from vinemap.renewal.example import example_draws, example_zones
from vinemap.renewal.methods import Money, default_methods


@pytest.fixture
def advice(valuation, zones, decline):
    return decide_zones(valuation, zones, decline)


def test_cash_flows_add_up_to_every_gain(valuation, advice):
    flows = trace_advice(valuation, advice).cash_flows
    summed = flows.groupby("zone_id")["difference_discounted"].sum()
    for row in advice.itertuples():
        assert summed[row.zone_id] == pytest.approx(row.gain_per_ha, rel=1e-6)
    assert not flows.duplicated(["zone_id", "year"]).any()


def test_turning_points_and_sensitivity_are_of_zones_to_act_on(valuation, advice):
    trace = trace_advice(valuation, advice)
    acted = set(advice.loc[advice["advice"] != "keep", "zone_id"])
    assert set(trace.turning_points["zone_id"]) == acted
    assert set(trace.sensitivity["zone_id"]) == acted
    row = trace.turning_points.set_index("zone_id").loc["A-Z1"]
    share = advice.set_index("zone_id").loc["A-Z1", "mobilisation_share"]
    even = break_even(valuation, "A-Z1", method=row["method"], year=row["year"], mobilisation_share=share)
    assert row["break_even_price_per_t"] == even["price_per_t"]
    assert row["break_even_loss_pct"] < row["loss_pct"] < 45
    assert row["words"].startswith("Trunk renewal pays from a price of about ")
    assert "(now 40 %)" in row["words"]
    top = trace.sensitivity.groupby("zone_id").first()
    assert (top["swing"] == trace.sensitivity.groupby("zone_id")["swing"].max()).all()


def test_turning_points_taken_from_the_decision_are_those_worked_out_anew(valuation, zones, decline):
    """Also of zones where nothing pays, for which the decision asks about another winter."""
    anew, known = (
        trace_advice(
            valuation, decide_zones(valuation, zones, decline, turning_points=told).assign(advice="watch")
        )
        for told in (False, True)
    )
    assert (known.turning_points["gain_per_ha"] <= 0).any()
    pd.testing.assert_frame_equal(known.turning_points, anew.turning_points, check_exact=True)


def test_trace_of_an_estate_without_methods_is_empty(zones, decline):
    draws = example_draws(rng=np.random.default_rng(1), draw_count=20)
    out = value_options(draws, zones, methods=[], money=Money(), rng=np.random.default_rng(1))
    trace = trace_advice(out, decide_zones(out, zones, decline))
    assert trace.cash_flows.empty
    assert trace.turning_points.empty


def test_best_set_of_zones_is_never_worse_than_the_whole_block(valuation):
    table = compare_blocks(valuation).set_index("block_id")
    assert (table["best_gain"] >= table["whole_gain"].fillna(-np.inf)).all()
    assert (table["best_gain"] >= 0).all()
    assert table.loc["A", "mixed_ages"]
    assert not table.loc["B", "mixed_ages"]
    assert "more than renewing the whole block at once" in table.loc["A", "words"]


def test_best_set_is_that_of_enumeration():
    """Every way of giving two zones of a block to trunk renewal in three winters, or to none."""
    draws = example_draws(rng=np.random.default_rng(4), loss_now=(0.4, 0.3), yearly_loss=(0.04, 0.03),
                          missing=(0.0, 0.0))  # fmt: skip
    out = value_options(draws, example_zones(2), methods=default_methods()[:1], money=Money(), start_years=3,
                        rng=np.random.default_rng(5))  # fmt: skip
    worth = out.gain.mean(axis=0)[:, 0] * out.standing.area_ha[:, None]
    visit = out.visit.mean(axis=0)[0]
    best = max(
        sum(worth[zone, pick] for zone, pick in enumerate(picks) if pick >= 0)
        - sum(visit[pick] for pick in set(picks) - {-1})
        for picks in itertools.product(range(-1, 3), repeat=2)
    )
    assert compare_blocks(out)["best_gain"].iloc[0] == pytest.approx(best, rel=1e-9)


def test_block_where_nothing_pays_says_so(valuation):
    poor = replace(valuation, gain=np.where(np.isfinite(valuation.gain), -1000.0, np.nan))
    table = compare_blocks(poor)
    assert table["words"].tolist() == ["No renewal pays in this block."] * 2
    assert table["best_gain"].tolist() == [0.0, 0.0]


def test_crops_above_the_cleaning_capacity_are_named(valuation, advice):
    """Handbook 8 [P]: systems are good for about 5-7 short tons/acre; 6 are 13.5 t/ha."""
    named = name_over_capacity(valuation, advice, capacity_t_ha=13.5).set_index("zone_id")
    assert named["over"].to_dict() == {"A-Z1": "after renewal", "A-Z2": "now", "B-Z3": "now"}
    assert "A-Z1 will bear, once renewed, about 20.9 t/ha" in named.loc["A-Z1", "words"]
    assert name_over_capacity(valuation, advice, capacity_t_ha=60.0).empty
    with pytest.raises(SettingsError, match=r"Cleaning capacity is 0 t/ha"):
        name_over_capacity(valuation, advice, capacity_t_ha=0)
