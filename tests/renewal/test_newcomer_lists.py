"""Lists that stand beside the advice: every estimate has its interval, the most pressing comes first."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.renewal import compare_blocks, decide_zones, name_over_capacity
from vinemap.renewal.example import example_decline, example_valuation, example_zones


@pytest.fixture(scope="module")
def valuation():
    return example_valuation()


@pytest.fixture(scope="module")
def advice(valuation):
    return decide_zones(valuation, example_zones(), example_decline(valuation))


def test_gain_of_a_block_has_the_interval_of_its_draws(valuation):
    """Zone A-Z1 alone is the best set of block A: its draws, less one mobilisation, times its area."""
    row = compare_blocks(valuation).set_index("block_id").loc["A"]
    assert (row["best_zones"], row["best_visits"]) == ("A-Z1", "trunk renewal in 2026")
    column = valuation.method_index("trunk_renewal")
    draws = valuation.gain[:, 0, column, 0] * valuation.standing.area_ha[0] - valuation.visit[:, column, 0]
    low, high = np.quantile(draws, [0.05, 0.95])
    assert draws.mean() == pytest.approx(row["best_gain"])
    assert (row["best_gain_low"], row["best_gain_high"]) == pytest.approx((low, high))
    assert f"(90 %: {round(low / 100) * 100:,d} to {round(high / 100) * 100:,d})" in row["words"]


def test_a_whole_block_is_valued_on_the_draws_of_all_its_zones(valuation):
    row = compare_blocks(valuation).set_index("block_id").loc["A"]
    column, start = valuation.method_index(row["whole_method"]), int(row["whole_year"] - valuation.first_year)
    both = valuation.gain[:, :2, column, start] @ valuation.standing.area_ha[:2]
    draws = both - valuation.visit[:, column, start]
    assert draws.mean() == pytest.approx(row["whole_gain"])
    ends = row[["whole_gain_low", "whole_gain_high"]].to_numpy(dtype=float)
    np.testing.assert_allclose(ends, np.quantile(draws, [0.05, 0.95]))


def test_a_block_that_is_best_kept_has_no_gain_and_no_interval(valuation):
    row = compare_blocks(valuation, least_area_ha=1000.0).set_index("block_id").loc["A"]
    assert (row["best_zones"], row["best_gain"], row["best_gain_low"], row["best_gain_high"]) == ("", 0, 0, 0)


def test_too_heavy_crops_come_first_where_they_are_so_now(valuation, advice):
    """What is too much at the next harvest before what will be; the heaviest first in each."""
    named = name_over_capacity(valuation, advice, capacity_t_ha=13.5)
    assert named[["zone_id", "over"]].to_numpy().tolist() == [
        ["A-Z2", "now"], ["B-Z3", "now"], ["A-Z1", "after renewal"],
    ]  # fmt: skip
    first = named.iloc[0]
    crops = valuation.standing.now[:, 1]
    ends = first[["crop_now_low_t_ha", "crop_now_high_t_ha"]].to_numpy(dtype=float)
    np.testing.assert_allclose(ends, np.quantile(crops, [0.05, 0.95]))
    assert f"about {crops.mean():.1f} t/ha (90 %: {ends[0]:.1f} to {ends[1]:.1f})" in first["words"]


def test_slower_by_as_much_as_the_crop_is_too_heavy(valuation, advice):
    """Yield times speed is what the cleaning system takes in."""
    words = name_over_capacity(valuation, advice, capacity_t_ha=13.5)["words"]
    now = valuation.standing.now.mean(axis=0)
    assert words.iloc[0].endswith(f"at about {100 * 13.5 / now[1]:.0f} % of the usual speed.")
    assert (
        "the 13.5 t/ha that the harvester cleans well (cleaning_capacity_t_ha in estate.toml" in words.iloc[0]
    )


def test_a_heavy_zone_that_is_infilled_is_told_both_crops(valuation, advice):
    assert advice.set_index("zone_id").loc["B-Z3", "best_method"] == "infill"
    named = name_over_capacity(valuation, advice, capacity_t_ha=13.5).set_index("zone_id")
    after = named.loc["B-Z3", "crop_after_t_ha"]
    assert f" and about {after:.1f} t/ha once renewed, more than" in named.loc["B-Z3", "words"]
    assert "once renewed, more than" not in named.loc["A-Z2", "words"]
