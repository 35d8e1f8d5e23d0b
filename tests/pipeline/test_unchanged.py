"""An assessment stands for as long as nothing it was measured from has changed."""

from __future__ import annotations

import shutil
import sqlite3

import pandas as pd
import pandas.testing as pdt
import pytest

from vinemap.estate import Settings
from vinemap.job import new_estate, open_estate
from vinemap.pipeline import result
from vinemap.pipeline.unchanged import LATER_SECTIONS, digest_inputs, find_unchanged


def key_of(estate, *, vintage=None, blocks=None):
    return digest_inputs(estate.store, vintage=vintage, blocks=blocks)


@pytest.fixture
def estate(small_files, tmp_path):
    _, files = small_files
    made = new_estate(tmp_path / "estate")
    made.add("blocks", files / "blocks.geojson")
    return made


def set_value(estate, before, after):
    file = estate.folder / "estate.toml"
    text = file.read_text(encoding="utf-8")
    assert before in text
    file.write_text(text.replace(before, after), encoding="utf-8")
    return open_estate(estate.folder)


def test_same_inputs_have_the_same_key(estate):
    assert key_of(estate) == key_of(open_estate(estate.folder))


def test_new_data_change_the_key_and_undo_brings_it_back(estate, small_files):
    _, files = small_files
    before = key_of(estate)
    file = sorted((files / "harvest").glob("2026*"))[0]
    taken = estate.add("harvest", file, vintage=2026)
    assert key_of(estate) != before
    estate.undo(taken.import_id)
    assert key_of(estate) == before


def test_what_is_asked_for_changes_the_key(estate):
    keys = {key_of(estate), key_of(estate, vintage=2025), key_of(estate, blocks=["S1"])}
    assert len(keys) == 3


@pytest.mark.parametrize(
    ("before", "after", "anew"),
    [
        ("price_per_tonne = 650.0", "price_per_tonne = 500.0", False),
        ('language = "en"', 'language = "en" # again', False),
        ("cell_m = 2.0", "cell_m = 3.0", True),
        ("trellis_life_years = 35", "trellis_life_years = 30", True),
    ],
)
def test_a_price_needs_no_new_maps_but_a_cell_size_does(estate, before, after, anew):
    key = key_of(estate)
    assert (key_of(set_value(estate, before, after)) != key) is anew


def test_sections_left_out_are_sections_of_the_settings():
    assert set(Settings.model_fields) > LATER_SECTIONS


@pytest.mark.slow
def test_outputs_that_are_missing_or_planned_otherwise_are_written_anew(assessed, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(assessed.estate.folder, copy)
    estate = open_estate(copy)
    assert find_unchanged(estate.store) is not None
    assessed_again = estate.assess(workers=1)
    (assessed_again.folder / "lists" / "programme.csv").unlink()
    assert find_unchanged(estate.store) is None
    assert (estate.assess(workers=1).folder / "lists" / "programme.csv").exists()
    assert find_unchanged(estate.store) is not None
    estate.plan(exclude=list(assessed_again.layers["zone"]["zone_id"]))
    assert find_unchanged(estate.store) is None
    again = estate.assess(workers=1)
    pdt.assert_frame_equal(again.programme.table, assessed_again.programme.table)


@pytest.mark.slow
def test_assessing_the_same_again_measures_nothing_but_takes_new_prices(small_files, tmp_path, monkeypatch):
    _, files = small_files
    estate = new_estate(tmp_path / "estate")
    estate.add("blocks", files / "blocks.geojson")
    for file in sorted((files / "harvest").glob("202[456]*")):
        estate.add("harvest", file, vintage=int(file.name[:4]))
    first = estate.assess(workers=1)
    monkeypatch.setattr(result, "measure_estate", lambda *_given, **_named: pytest.fail("measured anew"))
    cheap = set_value(estate, "price_per_tonne = 650.0", "price_per_tonne = 100.0").assess(workers=1)
    columns = ["zone_id", "loss_pct", "yield_now_t_ha"]
    pdt.assert_frame_equal(
        pd.DataFrame(cheap.layers["zone"][columns]), pd.DataFrame(first.layers["zone"][columns])
    )
    before, after = (pd.DataFrame(one.layers["renewal_option"])["npv_per_ha"] for one in (first, cheap))
    assert (after != before).any()
    # Where nothing at all has changed, nothing is written either, and the tables are those written before.
    monkeypatch.setattr(result, "write_files", lambda *_given, **_named: pytest.fail("written anew"))
    same = open_estate(estate.folder).assess(workers=1)
    assert same.to_dict() == cheap.to_dict()
    pdt.assert_frame_equal(
        pd.DataFrame(same.layers["renewal_option"]), pd.DataFrame(cheap.layers["renewal_option"])
    )
    monkeypatch.undo()
    # Nor do outputs asked for later: the surfaces go into the GeoPackage from where they lie.
    asked = set_value(estate, "coverages = false", "coverages = true").assess(workers=1)
    with sqlite3.connect(asked.geopackage_file) as base:
        kinds = [one for (one,) in base.execute("SELECT data_type FROM gpkg_contents")]
    base.close()
    assert kinds.count("2d-gridded-coverage") >= 3 * 3  # three blocks, three vintages
