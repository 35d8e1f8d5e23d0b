"""Cleaning and settlement on estates of `vinemap.simulate`: smear, dying vines, MOG, shared loads."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vinemap.harvest import apply_settlement, clean_readings, settle_vintage, summarise_rows
from vinemap.simulate import brolga
from vinemap.simulate.estate import simulate_estate

VINTAGE = 2026
BLOCKS = ("B04", "B05", "B08", "B09")  # shared by machines; shared; missing vines; dying all over


@pytest.fixture(name="estate", scope="module", params=[5, 2], ids=["5s", "2s"])
def estate_fixture(request):
    plans = [one for one in brolga.DEMO_BLOCKS if one.block_id in BLOCKS]
    return simulate_estate(
        rng=np.random.default_rng(11), blocks=plans, vintages=[VINTAGE], machines=brolga.DEMO_MACHINES,
        season_effects=brolga.DEMO_SEASONS, interval_s=request.param,
    )  # fmt: skip


@pytest.fixture(name="cleaned", scope="module")
def cleaned_fixture(estate):
    table = pd.concat(estate.readings.values(), ignore_index=True)
    points = gpd.points_from_xy(table["longitude"], table["latitude"], crs=4326)
    names = ["time", "machine", "block_id", "speed_m_s", "width_m", "mass_flow_kg_s"]
    readings = gpd.GeoDataFrame(table[names], geometry=points).to_crs(estate.rows.crs)
    readings = readings.assign(reading_id=table.index, import_id=1, source_row=table.index)
    blocks = estate.blocks.to_crs(estate.rows.crs).set_index("block_id")
    results = {
        name: clean_readings(
            readings[readings["block_id"] == name], estate.rows[estate.rows["block_id"] == name],
            outline=blocks.geometry[name], row_spacing_m=blocks.loc[name, "row_spacing_m"],
        )
        for name in BLOCKS
    }  # fmt: skip
    flags = pd.concat([one.readings["flag"] for one in results.values()])
    along = pd.concat([one.readings["along_m"] for one in results.values()])
    row_no = pd.concat([one.readings["row_no"] for one in results.values()])
    length = estate.rows.set_index(["block_id", "row_no"])["length_m"]
    key = pd.MultiIndex.from_arrays([table["block_id"], row_no.sort_index().astype(int)])
    to_end = np.minimum(along.sort_index(), length.reindex(key).to_numpy() - along.sort_index())
    return results, table.assign(flag=flags, to_end_m=to_end), blocks


def test_delay_is_found_within_a_second(estate, cleaned):
    truth = estate.truth.machines.set_index("machine")["effective_delay_s"]
    estimates = [one for result in cleaned[0].values() for one in result.report.delays]
    assert {one.machine for one in estimates} == {"Heron", "Ibis"}
    for one in estimates:
        assert abs(one.delay_s - truth[one.machine]) <= 1.0


def test_faults_are_found_and_good_readings_kept(cleaned):
    table = cleaned[1]
    gross = table["fault"].isin(["jump", "zero", "stuck"])
    assert (table.loc[gross, "flag"] != "").mean() >= 0.97
    # A delay before the row begins there are no grapes of the row yet: not lost, there was nothing to keep.
    good = (table["fault"] == "") & (table["row_no"] > 0)
    lost = good & ~table["flag"].isin(["", "headland", "idle"])
    assert lost.sum() <= 0.015 * good.sum()
    spike, local = table["fault"] == "spike", table["flag"].isin(["local", "limits"])
    missed = (spike & (table["flag"] == "")).sum()
    # A reading that spans the row's end mixes row and headland: leaving it out is no loss either.
    hits, wrong = (spike & local).sum(), (local & (table["fault"] == "") & (table["to_end_m"] > 3.0)).sum()
    assert 2 * hits / (2 * hits + missed + wrong) >= 0.8


def test_bias_and_totals_are_settled(estate, cleaned):
    results, _, blocks = cleaned
    rows = {name: estate.rows[estate.rows["block_id"] == name] for name in BLOCKS}
    summary = pd.concat(
        [
            summarise_rows(
                results[name].readings,
                rows[name],
                block_id=name,
                row_spacing_m=blocks.loc[name, "row_spacing_m"],
            )
            for name in BLOCKS
        ]
    )
    settlement = settle_vintage(summary, estate.loads.assign(import_id=1), vintage=VINTAGE)
    bias = settlement.machines.set_index("machine")["log_bias"]
    truth = estate.truth.machines.set_index("machine")["bias_start"]
    for name in bias.index:
        assert np.expm1(bias[name]) == pytest.approx(truth[name], abs=0.012)
    table = settlement.blocks.set_index("block_id")
    grapes = estate.truth.block_vintages.set_index("block_id")["grapes_t"]
    settled = table["factor"] * table["integrated_t"]
    assert settled.sum() == pytest.approx(grapes.sum(), rel=0.002)
    np.testing.assert_allclose(settled, grapes[table.index], rtol=0.01)
    for name in BLOCKS:
        kept = apply_settlement(results[name].readings, settlement, block_id=name)
        again = summarise_rows(
            kept, rows[name], block_id=name, row_spacing_m=blocks.loc[name, "row_spacing_m"]
        )
        total = (again["yield_t_ha"] * again["area_ha"]).sum()
        assert total == pytest.approx(grapes[name], rel=0.02)
