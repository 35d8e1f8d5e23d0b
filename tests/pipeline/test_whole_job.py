"""The whole job on a small invented estate: what is flagged truly declines, and all files are there."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio

from vinemap import tables
from vinemap.job import open_estate
from vinemap.publish.dictionary import known_columns
from vinemap.publish.list_columns import LISTS, list_key

pytestmark = [pytest.mark.xdist_group("small-estate"), pytest.mark.slow]


def zone_of(assessed) -> pd.DataFrame:
    return pd.DataFrame(assessed.result.layers["zone"])


def test_declining_block_is_found_and_others_are_not(assessed):
    zone = zone_of(assessed)
    falling = zone[zone["block_id"] == "D1"]
    others = zone[zone["block_id"] != "D1"]
    assert (falling["chance_declining"] > 0.9).all()
    assert (others["chance_declining"] < 0.6).all()
    assert not others["advice"].eq("renew").any()


def test_loss_is_near_the_truth_and_inside_its_interval(assessed):
    truth = assessed.simulated.truth.blocks.set_index("block_id")["loss_pct"]
    zone = zone_of(assessed)
    area = zone.groupby("block_id")["area_ha"].sum()
    loss = (zone["loss_pct"] * zone["area_ha"]).groupby(zone["block_id"]).sum() / area
    # Vines were counted once, at the end: when they went missing is told from the yields alone.
    assert loss["D1"] == pytest.approx(truth["D1"], abs=12.0)
    fallen = zone[zone["block_id"] == "D1"]
    assert fallen["loss_pct_low"].min() < truth["D1"] < fallen["loss_pct_high"].max()
    assert loss["S1"] == pytest.approx(truth["S1"], abs=6.0)
    assert ((zone["loss_pct_low"] <= zone["loss_pct"]) & (zone["loss_pct"] <= zone["loss_pct_high"])).all()


def test_settled_tonnes_are_the_true_ones(assessed):
    # Weighed loads carry a small weighing error, so block totals agree to about a percent.
    truth = assessed.simulated.truth.block_vintages
    seen = assessed.result.settlement.merge(truth, on=["block_id", "vintage"], suffixes=("", "_true"))
    ratio = seen["weighed_t"] / seen["grapes_t"]
    assert len(seen) == 3 * 8
    assert ratio.to_numpy() == pytest.approx(np.ones(len(seen)), abs=0.03)


def test_geopackage_holds_every_layer_and_column(assessed):
    path = assessed.result.geopackage_file
    names = {str(one[0]) for one in pyogrio.list_layers(path)}
    for table in tables.OUTPUTS:
        assert table.name in names
        info = pyogrio.read_info(path, layer=table.name)
        assert set(table.names) <= set(info["fields"])


def test_zone_areas_add_up_to_blocks_and_rows_to_vines(assessed):
    layers = assessed.result.layers
    zone, block, rows = layers["zone"], layers["block"], layers["vine_row"]
    by_zone = zone.groupby("block_id")["area_ha"].sum()
    by_block = block.set_index("block_id")["area_ha"]
    assert by_zone.to_numpy() == pytest.approx(by_block[by_zone.index].to_numpy(), rel=1e-6)
    assert zone.geometry.area.to_numpy() / 1e4 == pytest.approx(zone["area_ha"].to_numpy(), rel=1e-6)
    assert set(rows["zone_id"]) == set(zone["zone_id"])


def test_surfaces_have_units_and_errors(assessed):
    with rasterio.open(assessed.result.folder / "surfaces" / "yield_D1_2026.tif") as source:
        mean, error = source.read(1, masked=True), source.read(2, masked=True)
        assert source.nodata is not None
        assert source.crs == assessed.result.layers["zone"].crs
    truth = assessed.simulated.truth.block_vintages.set_index(["block_id", "vintage"])["true_t_ha"]
    assert float(mean.mean()) == pytest.approx(truth["D1", 2026], rel=0.06)
    assert float(error.min()) > 0


def test_run_file_says_what_made_it(assessed):
    run = json.loads((assessed.result.folder / "run.json").read_text(encoding="utf-8"))
    assert run["run"]["vintages"] == "2019, 2020, 2021, 2022, 2023, 2024, 2025, 2026"
    assert len(run["run"]["inputs_hash"]) == 64
    reasons = run["reports"]["cleaning"]["S1"]["2026"]
    assert reasons, "the cleaning report travels with the run"


def test_every_column_of_every_list_is_in_the_dictionary(assessed):
    folder = assessed.result.folder
    told = (folder / "dictionary.md").read_text(encoding="utf-8")
    seen = set()
    for path in (folder / "lists").glob("*.csv"):
        columns = list(pd.read_csv(path, encoding="utf-8-sig", nrows=0).columns)
        if path.stem == "programme":
            known = {one.name for one in known_columns(tables.PROGRAMME, columns)}
        else:
            known = {one.name for one in LISTS[list_key(path.stem)][1]}
        assert set(columns) == known, path.name
        assert path.stem == "programme" or f"### `{list_key(path.stem)}.csv`" in told
        seen.add(list_key(path.stem))
    assert {"settlement", "why_cash_flows", "cleaning"} <= seen


def test_map_sheet_and_lists_are_there_and_name_the_estate(assessed):
    folder = assessed.result.folder
    page = assessed.result.map_file.read_text(encoding="utf-8")
    assert "Invented small estate" in page
    assert (folder / "sheets" / "D1.html").exists()
    assert (folder / "lists" / "programme.csv").exists()
    assert (folder / "lists" / "settlement.csv").exists()


def test_plan_with_another_price_changes_money_but_not_maps(assessed, tmp_path):
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(assessed.estate.folder, copy)
    before = {one.name: one.stat().st_mtime_ns for one in (copy / "out" / "2026" / "surfaces").iterdir()}
    text = (copy / "estate.toml").read_text(encoding="utf-8")
    changed = text.replace("price_per_tonne = ", "price_per_tonne = 1", 1)
    assert changed != text
    (copy / "estate.toml").write_text(changed, encoding="utf-8")
    planned = open_estate(copy).plan(years=3)
    after = {one.name: one.stat().st_mtime_ns for one in (copy / "out" / "2026" / "surfaces").iterdir()}
    old, new = zone_of(assessed), pd.DataFrame(planned.layers["zone"])
    assert after == before
    assert not np.allclose(old["gain_per_ha"].astype(float), new["gain_per_ha"].astype(float))
    assert (old["loss_pct"] == new["loss_pct"]).all()


def test_gain_of_every_zone_is_rebuilt_from_its_list_of_cash_flows(assessed):
    """As one would in a spreadsheet: incomes less costs, discounted, summed; nothing else is read."""
    folder = assessed.result.folder
    rows = pd.read_csv(folder / "lists" / "why_cash_flows.csv", encoding="utf-8-sig")
    kept, renewed = rows["keep_income"] - rows["keep_cost"], rows["renew_income"] - rows["renew_cost"]
    rate = open_estate(assessed.estate.folder).settings.money.discount_rate_pct / 100
    worth = (renewed - kept) / (1 + rate) ** (rows["year"] - assessed.result.vintage)
    zone = zone_of(assessed).set_index("zone_id")
    by_zone = worth.groupby(rows["zone_id"]).sum()
    assert len(by_zone) == len(zone) >= 3
    assert by_zone.to_numpy() == pytest.approx(zone["gain_per_ha"][by_zone.index].to_numpy(), abs=0.01)


def test_plan_keeps_dates_groups_and_zones_left_out(assessed, tmp_path):
    import shutil

    copy = tmp_path / "dated"
    shutil.copytree(assessed.estate.folder, copy)
    free = open_estate(copy).plan(years=4).programme.table
    assert len(free) > 0
    late = open_estate(copy).plan(years=4, not_before={"D1": 2028}, not_after={"D1": 2028}).programme.table
    assert set(late["year"]) == {2028}
    one = free["zone_id"].iloc[0]
    without = open_estate(copy).plan(years=4, exclude=[one], together=[["D1", "S1"]]).programme.table
    assert one not in set(without["zone_id"])


def test_zone_and_row_names_stay_from_run_to_run(assessed, tmp_path):
    import shutil

    copy = tmp_path / "again"
    shutil.copytree(assessed.estate.folder, copy)
    again = open_estate(copy).assess(workers=1)
    old, new = assessed.result.layers, again.layers
    assert new["zone"]["zone_id"].tolist() == old["zone"]["zone_id"].tolist()
    assert new["vine_row"]["row_id"].tolist() == old["vine_row"]["row_id"].tolist()
    assert new["zone"]["loss_pct"].to_numpy() == pytest.approx(old["zone"]["loss_pct"].to_numpy())


def test_one_block_can_be_assessed_alone_with_two_processes(assessed, tmp_path):
    import shutil

    copy = tmp_path / "alone"
    shutil.copytree(assessed.estate.folder, copy)
    alone = open_estate(copy).assess(blocks=["D1", "S1"], workers=2)
    assert set(alone.layers["block"]["block_id"]) == {"D1", "S1"}
    assert isinstance(alone.layers["zone"], gpd.GeoDataFrame)


def test_cleaning_mog_and_capacity_are_handed_over(assessed):
    lists = assessed.result.folder / "lists"
    cleaning = pd.read_csv(lists / "cleaning.csv")
    assert len(cleaning) == 3 * 8
    assert (cleaning["kept"] <= cleaning["readings"]).all()
    told = (lists / "cleaning.md").read_text(encoding="utf-8")
    assert "## Block D1, vintage 2026" in told
    capacity = pd.read_csv(lists / "harvester_capacity.csv")
    assert set(capacity["block_id"]) == {"S1", "D1", "W1"}
    assert set(pd.read_csv(lists / "mog.csv")["block_id"]) >= {"S1", "D1", "W1"}
