"""An outside series of district yields beside estate.toml: what it does to one block, end to end."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from vinemap.job import new_estate
from vinemap.pipeline.measured import load_measured, save_measured
from vinemap.pipeline.result import KEPT

pytestmark = pytest.mark.slow
YEARS = tuple(range(2020, 2027))


@pytest.fixture(scope="module")
def alone(tmp_path_factory, make_small_estate):
    """The falling block alone, hand-picked weights only; its district had the same seasons, and held or fell.

    Gives the assessment by name of the series, and the true loss [%].
    """
    simulated = make_small_estate(vintages=YEARS, weighed_vintages=YEARS)
    seasons = simulated.truth.seasons.set_index("vintage")["effect_log"].reindex(YEARS).to_numpy()
    truth = simulated.truth.block_vintages.set_index(["block_id", "vintage"])["loss_pct"]
    kept = 1 - truth["D1"].reindex(YEARS).to_numpy() / 100
    estate = new_estate(tmp_path_factory.mktemp("district") / "estate", name="One block (invented)")
    estate.add("blocks", simulated.blocks[simulated.blocks["block_id"] == "D1"])
    counts = simulated.counts[simulated.counts["block_id"] == "D1"]
    estate.add("counts", counts.drop(columns=["symptomatic", "dead_arm", "missing"]))
    made = {"none": estate.assess(workers=1)}
    for name, share in (("held", np.ones(len(YEARS))), ("fell", kept)):
        district = pd.DataFrame({"vintage": YEARS, "yield_t_ha": 14 * np.exp(seasons) * share})
        district.to_csv(estate.folder / "reference.csv", index=False, float_format="%.2f")
        made[name] = estate.assess(workers=1)
    return made, 100 * (1 - kept[-1])


def zone_of(assessment) -> pd.Series:
    zone = assessment.layers["zone"]
    return zone.sort_values("area_ha").iloc[-1]


def test_block_that_falls_while_its_district_holds_is_in_decline(alone):
    made, loss = alone
    assert zone_of(made["held"])["chance_declining"] > 0.95
    assert zone_of(made["held"])["loss_pct"] == pytest.approx(loss, abs=15)


def test_block_that_falls_with_its_district_had_poor_seasons(alone):
    made, _ = alone
    chance = {name: zone_of(one)["chance_declining"] for name, one in made.items()}
    assert chance["fell"] < chance["none"] <= chance["held"]
    assert zone_of(made["fell"])["loss_pct"] < zone_of(made["held"])["loss_pct"] - 20


def test_slopes_of_what_was_adjusted_for_are_kept_on_disk(alone, tmp_path):
    made, _ = alone
    measured = load_measured(made["held"].folder / KEPT)
    table = pd.DataFrame({"name": ["box_width_m"], "median": [0.9], "low": [0.6], "high": [1.2]})
    save_measured(replace(measured, decline=replace(measured.decline, slopes=table)), tmp_path)
    pd.testing.assert_frame_equal(load_measured(tmp_path).decline.slopes, table)


def test_inputs_are_not_called_the_same_after_another_series(alone):
    made, _ = alone
    hashes = {one.layers["run_info"].set_index("key").loc["inputs_hash", "value"] for one in made.values()}
    assert len(hashes) == len(made)
