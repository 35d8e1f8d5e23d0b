"""Many estates in one run: seasons shared, every estate's zones under its own name, one table and one map."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import SettingsError
from vinemap.job import assess_region, new_estate, open_estate


@pytest.fixture
def two_estates(assessed, tmp_path):
    """The small estate and the same again under another name: seasons and soils are the same."""
    folders = [tmp_path / "North", tmp_path / "South"]
    for folder in folders:
        shutil.copytree(assessed.estate.folder, folder)
    return folders


@pytest.mark.slow
def test_a_region_is_summed_up_estate_by_estate(two_estates, assessed, tmp_path, run_json):
    status, told = run_json("region", *two_estates, "--out", tmp_path / "region")
    assert status == 0
    table = pd.DataFrame(told["estates"])
    assert table["estate"].tolist() == ["North", "South"]
    zone = assessed.result.layers["zone"]
    np.testing.assert_allclose(table["area_ha"], zone["area_ha"].sum(), atol=0.01)
    assert (table["zones"] == len(zone)).all()
    # The same vines twice: what is told of the two differs by the sampler only, and little from each alone.
    alone = (zone["loss_pct"] * zone["area_ha"]).sum() / zone["area_ha"].sum()
    assert abs(table["loss_pct"].diff().iloc[1]) < 3
    assert (table["loss_pct"] - alone).abs().max() < 6
    assert (table["wait_cost_low"] <= table["wait_cost"]).all()
    with closing(sqlite3.connect(told["geopackage"])) as base:
        names = [one for (one,) in base.execute("SELECT zone_id FROM zone ORDER BY zone_id")]
    assert len(names) == len(set(names)) == 2 * len(zone)
    assert {one.split("/")[0] for one in names} == {"North", "South"}
    page = (tmp_path / "region" / "region.html").read_text(encoding="utf-8")
    assert "North/D1" in page
    assert "South/D1" in page
    assert len(pd.read_csv(tmp_path / "region" / "region.csv")) == 2


def test_estates_of_one_name_or_of_two_currencies_are_refused(tmp_path):
    here, there = new_estate(tmp_path / "a" / "Same").folder, new_estate(tmp_path / "b" / "Same").folder
    with pytest.raises(SettingsError, match=r"2 folders with 1 different names.*name of its own"):
        assess_region([here, there], tmp_path / "out")
    with pytest.raises(SettingsError, match="two or more estate folders"):
        assess_region([here], tmp_path / "out")
    other = new_estate(tmp_path / "b" / "Other").folder
    toml = other / "estate.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace('"AUD"', '"USD"'), encoding="utf-8")
    assert open_estate(other).settings.estate.currency == "USD"
    with pytest.raises(SettingsError, match=r"estates count in AUD, USD.*one currency"):
        assess_region([here, other], tmp_path / "out")
