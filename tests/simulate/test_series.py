"""The light generator: what it says about itself is in its numbers."""

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError
from vinemap.simulate import SCENARIOS, Noise, simulate_zone_series

QUIET = Noise(vintage=0.0, variety=0.0, block=0.0, zone=0.0, sampling=1e-6, settlement=1e-6)


@pytest.mark.parametrize("scenario", list(SCENARIOS))
def test_every_scenario_gives_consistent_tables(scenario):
    made = simulate_zone_series(scenario, rng=np.random.default_rng(3))
    zones = set(made.zones["zone_id"])
    assert set(made.truth["zone_id"]) == zones
    assert set(made.zone_vintage["zone_id"]) <= zones
    assert set(made.stand["zone_id"]) <= zones
    assert (made.zone_vintage["yield_t_ha"] > 0).all()
    assert (made.zone_vintage["yield_se_t_ha"] > 0).all()
    assert made.zone_vintage.columns[:4].tolist() == ["zone_id", "vintage", "yield_t_ha", "yield_se_t_ha"]
    assert not (made.truth["declining"] & made.truth["borderline"]).any()


def test_same_seed_same_estate():
    first, second = (simulate_zone_series("mixed", rng=np.random.default_rng(5)) for _ in range(2))
    pd.testing.assert_frame_equal(first.zone_vintage, second.zone_vintage)
    pd.testing.assert_frame_equal(first.truth, second.truth)


def test_truth_of_loss_and_decline_follows_its_definition():
    made = simulate_zone_series("row_wise", rng=np.random.default_rng(2))
    loss = made.truth_vintage.pivot_table(index="zone_id", columns="vintage", values="loss_pct")
    truth = made.truth.set_index("zone_id").loc[loss.index]
    np.testing.assert_allclose(loss[2026], truth["loss_pct"])
    np.testing.assert_allclose((loss[2026] - loss[2023]) / 3, truth["decline_pct_per_year"])
    np.testing.assert_allclose(truth["now_t_ha"], truth["healthy_t_ha"] * (1 - truth["loss_pct"] / 100))


def test_without_noise_the_observed_yield_is_the_kept_yield():
    made = simulate_zone_series("focal", rng=np.random.default_rng(4), noise=QUIET)
    both = made.zone_vintage.merge(made.truth_vintage, on=["zone_id", "vintage"])
    np.testing.assert_allclose(both["yield_t_ha"], both["keep_t_ha"], rtol=1e-4)


def test_onset_is_the_first_vintage_with_three_percent_lost():
    made = simulate_zone_series("focal", rng=np.random.default_rng(6), blocks=20)
    loss = made.truth_vintage.merge(made.truth[["zone_id", "missing_pct", "onset_vintage"]], on="zone_id")
    loss = loss[loss["onset_vintage"].notna() & (loss["onset_vintage"] >= 2020)]
    disease = 1 - (1 - loss["loss_pct"] / 100) / (1 - loss["missing_pct"] / 100)
    assert (disease[loss["vintage"] >= loss["onset_vintage"]] >= 0.03 - 1e-9).all()
    assert (disease[loss["vintage"] < loss["onset_vintage"]] < 0.03).all()


@pytest.mark.parametrize("scenario", ["none", "bad_season", "biased_machine", "width_change", "weak_soil"])
def test_sound_scenarios_hold_no_declining_zone(scenario):
    truth = pd.concat(
        [simulate_zone_series(scenario, rng=np.random.default_rng(seed)).truth for seed in range(5)]
    )
    assert not truth["declining"].any()
    assert truth["loss_pct"].max() <= 3.0  # only the odd missing vine
    assert (truth["decline_pct_per_year"] == 0).all()


def test_bad_season_is_down_for_every_variety():
    made = simulate_zone_series("bad_season", rng=np.random.default_rng(8))
    worst = made.truth_seasons.groupby("vintage")["effect_log"].mean().min()
    assert -0.55 < worst < -0.25


def test_renewed_blocks_dip_and_recover():
    made = simulate_zone_series("renewed", rng=np.random.default_rng(1), vintages=10)
    work = made.renewals.iloc[0]
    level = made.truth_vintage[made.truth_vintage["zone_id"] == work["zone_id"]].set_index("vintage")
    healthy = made.truth.set_index("zone_id").loc[work["zone_id"], "healthy_t_ha"]
    assert level.loc[work["year"] + 1, "keep_t_ha"] < 0.2 * healthy
    if work["year"] + 3 <= 2026:
        assert level.loc[work["year"] + 3, "keep_t_ha"] > 0.9 * healthy


def test_late_onset_lies_in_the_last_vintages():
    made = simulate_zone_series("late_onset", rng=np.random.default_rng(2), blocks=20)
    assert made.truth["onset_vintage"].dropna().min() >= 2022


def test_counts_only_has_no_readings_and_no_settlement():
    made = simulate_zone_series("counts_only", rng=np.random.default_rng(2))
    assert (made.zone_vintage["readings"] == 0).all()
    assert made.settlement.empty
    assert made.stand["vintage"].nunique() == 8


def test_gaps_lose_about_a_quarter_of_the_block_vintages():
    made = simulate_zone_series("gaps", rng=np.random.default_rng(2), blocks=40)
    assert len(made.zone_vintage) / (len(made.zones) * 8) == pytest.approx(0.75, abs=0.08)


def test_stand_counts_scatter_about_the_truth():
    made = simulate_zone_series("missing_only", rng=np.random.default_rng(2), blocks=30)
    both = made.stand.merge(made.truth, on="zone_id", suffixes=("", "_true"))
    assert (both["missing_pct"] - both["missing_pct_true"]).mean() == pytest.approx(0.0, abs=0.5)
    assert both["missing_pct_true"].max() > 8


def test_observed_error_is_as_large_as_stated():
    made = simulate_zone_series("none", rng=np.random.default_rng(2), blocks=60)
    both = made.zone_vintage.merge(made.truth_vintage, on=["zone_id", "vintage"])
    both = both.merge(made.zones, on="zone_id").merge(made.settlement, on=["block_id", "vintage"])
    error = np.log(both["yield_t_ha"] / both["true_t_ha"])
    stated = np.hypot(both["yield_se_t_ha"] / both["yield_t_ha"], both["factor_se"])
    assert (error / stated).std() == pytest.approx(1.0, abs=0.1)


def test_unknown_scenario_is_refused_with_the_choices():
    with pytest.raises(DataError, match=r"Scenario 'hail' is not known.*focal"):
        simulate_zone_series("hail", rng=np.random.default_rng(1))


def test_no_vintage_is_refused():
    with pytest.raises(DataError, match="0 vintages"):
        simulate_zone_series("none", rng=np.random.default_rng(1), vintages=0)
