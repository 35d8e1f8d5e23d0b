"""A small invented estate: what the plans say is in the data, found by plain sums and regressions."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError
from vinemap.land import choose_crs, locate_in_rows
from vinemap.simulate import BlockPlan, MachinePlan, simulate_estate
from vinemap.simulate.logs import drive_rows, log_job, sense_flow
from vinemap.simulate.plan import FaultRates
from vinemap.tables import BLOCKS, COUNTS, LOADS, RENEWALS, ROWS, check_table

SPAN = 5  # s, logging interval of the fixture


def test_tables_have_the_documented_columns(small):
    check_table(small.blocks, BLOCKS)
    check_table(small.rows, ROWS)
    check_table(small.loads.assign(import_id=0), LOADS)
    check_table(small.counts.assign(import_id=0), COUNTS)
    check_table(small.renewals.assign(import_id=0), RENEWALS)
    assert small.blocks.crs == "EPSG:4326"
    assert small.rows.crs == choose_crs(small.blocks)


def test_true_tonnes_of_a_sound_block_are_those_of_the_plan(small):
    truth = small.truth.block_vintages.set_index(["block_id", "vintage"])
    level = small.truth.blocks.set_index("block_id")["healthy_t_ha"]
    assert level["K1"] == pytest.approx(20.0, rel=0.1)  # soil pattern of a small block shifts it
    season = small.truth.seasons.set_index(["variety", "vintage"])["effect_log"]
    for year in (2023, 2024, 2025, 2026):
        expected = level["K1"] * (1 - truth.loc[("K1", year), "loss_pct"] / 100)
        expected *= np.exp(season["Shiraz", year])
        assert truth.loc[("K1", year), "true_t_ha"] == pytest.approx(expected, rel=0.2)  # block season 5 %


def test_loads_add_up_to_the_true_tonnes_and_mog(small):
    truth = small.truth.block_vintages
    for year, part in small.loads.groupby("vintage"):
        mine = truth[truth["vintage"] == year]
        with_mog = (mine["grapes_t"] / (1 - mine["mog_pct"] / 100)).sum()
        assert part["net_kg"].sum() / 1000 == pytest.approx(with_mog, rel=0.004)
    assert (small.loads["gross_kg"] - small.loads["tare_kg"] == small.loads["net_kg"]).all()
    assert small.loads["load_id"].is_unique


def test_load_parts_hold_each_blocks_grapes(small):
    parts = small.truth.load_parts.groupby(["block_id", "vintage"])["grapes_kg"].sum() / 1000
    truth = small.truth.block_vintages.set_index(["block_id", "vintage"])["grapes_t"]
    np.testing.assert_allclose(parts.loc[truth.index], truth, rtol=1e-3)


def test_mog_lies_in_range_and_rises_with_dead_wood(small):
    mog = small.truth.block_vintages.pivot_table(index="block_id", columns="vintage", values="mog_pct")
    assert mog.to_numpy().min() >= 0.8
    assert mog.to_numpy().max() <= 4.0
    assert mog.loc["K3", 2024] > mog.loc["K1", 2024]  # K3 is sick until its renewal


@pytest.mark.parametrize(
    ("vintage", "machine", "block", "bias"),
    [
        (2023, "Plover", "K1", -0.08),
        (2023, "Teal", "K3", 0.04),
        (2025, "Teal", "K2", 0.04),
        (2026, "Teal", "K3", -0.2),
    ],
)
def test_logged_mass_shows_the_bias_of_the_machine(small, vintage, machine, block, bias):
    log = small.readings[vintage, machine]
    log = log[log["block_id"] == block]
    sound = log[log["fault"].isin(["", "jump"])]
    slope = (sound["mass_flow_kg_s"] @ sound["true_flow_kg_s"]) / (
        sound["true_flow_kg_s"] @ sound["true_flow_kg_s"]
    )
    assert slope == pytest.approx(1 + bias, abs=0.008)
    truth = small.truth.block_vintages.set_index(["block_id", "vintage"]).loc[(block, vintage)]
    true_t = truth["grapes_t"] / (1 - truth["mog_pct"] / 100)
    assert log["mass_flow_kg_s"].sum() * SPAN / 1000 == pytest.approx(true_t * (1 + bias), rel=0.05)


def test_drift_moves_the_bias_through_the_vintage(small):
    log = small.readings[2026, "Plover"]
    log = log[log["fault"] == ""]
    first, last = log.iloc[: len(log) // 4], log.iloc[-len(log) // 4 :]
    ratio = [part["mass_flow_kg_s"].sum() / part["true_flow_kg_s"].sum() for part in (first, last)]
    assert ratio[1] - ratio[0] == pytest.approx(0.075, abs=0.015)  # three quarters of the 0.1


@pytest.mark.parametrize(("machine", "delay"), [("Plover", 11), ("Teal", 8)])
def test_flow_comes_late_by_the_stated_delay(small, machine, delay):
    plan = next(one for one in small.machines if one.name == machine)
    rng = np.random.default_rng(2)
    vines = small.truth.vines["K1"]
    rows = small.rows[small.rows["block_id"] == "K1"]
    job = drive_rows(rows, vines.grapes_kg[:, 0], vines.table["row_no"].to_numpy(int), machine=plan, rng=rng)
    quiet = FaultRates(0.0, 0, 0, 0, 0, 0, sensor_cv=0.0)
    log = log_job(job, machine=plan, bias=(0.0, 0.0), interval_s=1, faults=quiet, rng=rng)
    flow, picked = log["mass_flow_kg_s"].to_numpy(), job.picked_kg
    score = [np.corrcoef(flow[lag:], picked[: picked.size - lag])[0, 1] for lag in range(25)]
    assert int(np.argmax(score)) in (delay, delay + 1)
    centre = [np.average(np.arange(values.size), weights=values) for values in (flow, picked)]
    truth = small.truth.machines.set_index(["machine", "vintage"]).loc[(machine, 2023)]
    mean_lag = truth["effective_delay_s"] - SPAN / 2
    assert centre[0] - centre[1] == pytest.approx(mean_lag, abs=0.5)
    assert picked.sum() == pytest.approx(vines.grapes_kg[:, 0].sum(), rel=1e-9)


def test_conveyor_keeps_the_mass_and_drains_in_turns():
    flow = sense_flow(np.array([2.0] * 50 + [0.0] * 60), delay_s=8, smear_s=2.0)
    assert flow.sum() == pytest.approx(100.0, rel=1e-6)
    assert flow[57] > 1.99
    assert 0 < flow[62] < 0.5
    assert (flow[:8] == 0).all()


def test_readings_lie_in_their_rows(small):
    log = small.readings[2023, "Plover"]
    log = log[(log["row_no"] > 0) & (log["fault"] != "jump") & (log["block_id"] == "K1")]
    points = gpd.points_from_xy(log["longitude"], log["latitude"], crs=4326).to_crs(small.rows.crs)
    rows = small.rows[small.rows["block_id"] == "K1"]
    found = locate_in_rows(points.x, points.y, rows)
    assert (found["row_no"].to_numpy() == log["row_no"].to_numpy()).mean() > 0.98
    on = found["row_no"].to_numpy() == log["row_no"].to_numpy()
    off = found["along_m"].to_numpy()[on] - log["along_m"].to_numpy()[on]
    assert np.std(off) == pytest.approx(0.4, abs=0.12)
    assert np.std(found["across_m"].to_numpy()[on]) == pytest.approx(0.4, abs=0.12)


def test_rows_are_driven_to_and_fro_with_turns_outside(small):
    log = small.readings[2023, "Plover"]
    log = log[(log["block_id"] == "K1") & (log["fault"] == "")]
    forth = log[log["row_no"] > 0].groupby("row_no")["along_m"].agg(lambda way: way.iloc[-1] > way.iloc[0])
    assert (forth.loc[1::2]).all()
    assert not forth.loc[2::2].any()
    assert 0.03 < (log["row_no"] == 0).mean() < 0.25
    assert log["speed_m_s"].quantile([0.2, 0.8]).between(1.0, 2.2).all()


def test_faults_are_there_and_rare(small):
    faults = pd.concat(small.readings.values())["fault"].value_counts(normalize=True)
    assert {"spike", "zero", "jump"} <= set(faults.index)
    assert faults[""] > 0.95


def test_a_stuck_sensor_repeats_one_value_and_lost_readings_leave_gaps(small):
    rng = np.random.default_rng(3)
    vines = small.truth.vines["K1"]
    rows = small.rows[small.rows["block_id"] == "K1"]
    plan = small.machines[0]
    job = drive_rows(rows, vines.grapes_kg[:, 0], vines.table["row_no"].to_numpy(int), machine=plan, rng=rng)
    often = FaultRates(stuck=0.002, dropout=0.005)
    log = log_job(job, machine=plan, bias=(0.0, 0.0), interval_s=5, faults=often, rng=rng)
    stuck = log[log["fault"] == "stuck"]
    assert 20 < len(stuck) < 0.5 * len(log)
    assert stuck["mass_flow_kg_s"].nunique() < len(stuck) / 5
    assert log["second"].diff().max() >= 25


def test_shared_and_unlogged_rows(small):
    assert (
        small.truth.block_vintages.set_index(["block_id", "vintage"]).loc[("K1", 2024), "machines"]
        == "Plover;Teal"
    )
    log = small.readings[2026, "Plover"]
    rows = log.loc[(log["block_id"] == "K2") & (log["row_no"] > 0), "row_no"]
    most = small.rows.loc[small.rows["block_id"] == "K2", "row_no"].max()
    assert rows.min() == pytest.approx(0.4 * most, abs=1.5)
    weighed = small.loads[(small.loads["vintage"] == 2026) & small.loads["block_id"].str.contains("K2")]
    assert len(weighed) > 0


def test_renewed_block_drops_and_comes_back(small):
    loss = small.truth.block_vintages.pivot_table(index="block_id", columns="vintage", values="loss_pct").loc[
        "K3"
    ]
    assert loss[2025] > 85
    assert loss[2026] < loss[2025] - 40


def test_grapes_follow_the_state_of_the_vines(small):
    for block in ("K2", "K3"):
        vines = small.truth.vines[block]
        assert (vines.grapes_kg[~vines.standing] == 0).all()
        season = vines.grapes_kg.sum(axis=0) / (
            vines.healthy_kg @ vines.output
        )  # 5 % block, 10 % shared season
        assert ((season > 0.65) & (season < 1.5)).all()
    truth = small.truth.block_vintages.set_index(["block_id", "vintage"])
    healthy = small.truth.blocks.set_index("block_id").loc["K3", "healthy_t_ha"]
    assert truth.loc[("K3", 2025), "true_t_ha"] < 0.15 * healthy


def test_counts_agree_with_the_truth_but_for_the_counters_errors(small):
    counts = small.counts.groupby(["block_id", "vintage"])[["vines", "missing", "symptomatic"]].sum()
    truth = small.truth.block_vintages.set_index(["block_id", "vintage"])
    share = 100 * counts["symptomatic"] / (counts["vines"] - counts["missing"])
    sick = share.loc[("K3", 2024)] / truth.loc[("K3", 2024), "symptomatic_pct"]
    assert sick == pytest.approx(0.88, abs=0.05)
    assert share.loc[("K1", 2024)] < 1.5
    missing = 100 * counts["missing"] / counts["vines"]
    assert (missing - truth.loc[missing.index, "missing_pct"]).abs().max() < 2.5


def test_stretches_weighed_by_hand_show_the_true_yield(small):
    counts = small.counts[(small.counts["vintage"] == 2026) & (small.counts["block_id"] == "K1")]
    assert small.counts.loc[small.counts["vintage"] == 2024, "picked_kg"].isna().all()
    per_place = counts["picked_kg"].sum() / counts["vines"].sum()
    truth = small.truth.block_vintages.set_index(["block_id", "vintage"]).loc[("K1", 2026), "true_t_ha"]
    assert per_place / (3.0 * 2.1) * 10 == pytest.approx(truth, rel=0.05)  # kg/m2 to t/ha


def test_cells_add_up_to_the_block(small):
    cells = small.truth.cells
    assert (cells["easting"] % 10 == 5).all()
    for block, part in cells.groupby("block_id"):
        truth = small.truth.block_vintages.set_index(["block_id", "vintage"]).loc[(block, 2026)]
        assert np.average(part["yield_2026"], weights=part["vines"]) == pytest.approx(
            truth["true_t_ha"], rel=0.02
        )
    sick = cells[(cells["block_id"] == "K2") & (cells["trouble"] == "focal")]
    sound = cells[(cells["block_id"] == "K2") & (cells["trouble"] == "")]
    assert sick["loss_2026"].mean() > 30 > 5 > sound["loss_2026"].mean()


def test_yields_vary_within_a_block_as_published(small):
    # [S] Bramley 2001: within one block yields vary 8- to 10-fold (at the scale of readings)
    log = small.readings[2023, "Plover"]
    inside = log[(log["block_id"] == "K2") & (log["row_no"] > 0) & (log["true_flow_kg_s"] > 0.5)]
    rate = inside["true_flow_kg_s"] / inside["speed_m_s"]
    low, high = rate.quantile([0.001, 0.999])
    assert 4 < high / low < 40


def test_same_seed_gives_the_same_estate():
    plan = BlockPlan("K1", "North", "Shiraz", ((0, 0), (60, 0), (60, 60), (0, 60)), 2005, 2005, 0.0, 20.0)
    made = [
        simulate_estate(
            rng=np.random.default_rng(1),
            blocks=(plan,),
            vintages=(2026,),
            machines=(MachinePlan("Teal", 0.0),),
        )
        for _ in range(2)
    ]
    pd.testing.assert_frame_equal(made[0].harvest[2026, "Teal"], made[1].harvest[2026, "Teal"])
    pd.testing.assert_frame_equal(made[0].loads, made[1].loads)


def test_an_unknown_machine_is_refused():
    plan = BlockPlan(
        "K1", "North", "Shiraz", ((0, 0), (60, 0), (60, 60), (0, 60)), 2005, 2005, 0.0, 20.0, machine="Snipe"
    )
    with pytest.raises(DataError, match=r"block K1: Machine Snipe is not among Teal"):
        simulate_estate(
            rng=np.random.default_rng(1),
            blocks=(plan,),
            vintages=(2026,),
            machines=(MachinePlan("Teal", 0.0),),
        )


def test_an_empty_estate_is_refused():
    with pytest.raises(DataError, match="Cannot simulate 0 blocks"):
        simulate_estate(rng=np.random.default_rng(1), blocks=(), vintages=(2026,), machines=())
