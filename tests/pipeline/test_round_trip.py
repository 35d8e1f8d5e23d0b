"""A person draws zones and writes notes in the GeoPackage and gives it back: both stand from then on."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

from vinemap.errors import IntakeError
from vinemap.job import open_estate
from vinemap.publish import read_edits

pytestmark = [pytest.mark.xdist_group("small-estate"), pytest.mark.slow]
NOTE = "frost pocket, replant late"


def draw(path):
    """Cut the sound block in two across, half a metre apart, and note something on a zone of another."""
    zones = pyogrio.read_dataframe(path, layer="zone")
    sound = zones[zones["block_id"] == "S1"]
    whole = shapely.union_all(sound.geometry.array)
    west, south, east, north = whole.bounds
    middle = (south + north) / 2
    lower = whole.intersection(shapely.box(west - 9, south - 9, east + 9, middle - 0.25))
    upper = whole.intersection(shapely.box(west - 9, middle + 0.25, east + 9, north + 9))
    drawn = gpd.GeoDataFrame(
        {"zone_id": ["S1-Z1", None], "block_id": "S1"}, geometry=[lower, upper], crs=zones.crs
    )
    kept = zones[zones["block_id"] != "S1"]
    edited = pd.concat([kept, drawn], ignore_index=True)
    edited["note"] = [NOTE if one == kept["zone_id"].iloc[0] else None for one in edited["zone_id"]]
    pyogrio.write_dataframe(
        edited, path, layer="zone", driver="GPKG", layer_options={"GEOMETRY_NAME": "geom"}
    )
    return kept["zone_id"].iloc[0], lower.area, upper.area


@pytest.fixture(scope="module")
def round_trip(assessed, tmp_path_factory):
    """Estate as assessed, the file edited, given back and assessed anew (the sound and the noted block)."""
    place = tmp_path_factory.mktemp("round-trip")
    shutil.copytree(assessed.estate.folder, place / "estate")
    edited = shutil.copy(assessed.result.geopackage_file, place / "edited.gpkg")
    noted, *areas = draw(edited)
    estate = open_estate(place / "estate")
    report = estate.add("zones", edited)
    result = estate.assess(blocks=["S1", noted.rpartition("-")[0]])
    return estate, report, result, noted, areas


def test_drawn_zones_stand_in_the_next_assessment(round_trip):
    _, report, result, _, areas = round_trip
    assert (report.kind, report.rows_stored) == ("zones", 2)
    zone = gpd.read_file(result.geopackage_file, layer="zone")
    drawn = zone[zone["block_id"] == "S1"].sort_values("zone_id")
    assert drawn["zone_id"].tolist() == ["S1-Z1", "S1-Z2"]
    assert drawn.area.tolist() == pytest.approx(areas, rel=0.01)
    assert drawn["yield_now_t_ha"].notna().all()
    rows = gpd.read_file(result.geopackage_file, layer="vine_row")
    assert set(rows.loc[rows["block_id"] == "S1", "zone_id"]) == {"S1-Z1", "S1-Z2"}


def test_notes_come_back_in_their_column(round_trip):
    _, _, result, noted, _ = round_trip
    zone = gpd.read_file(result.geopackage_file, layer="zone").set_index("zone_id")
    assert zone.loc[noted, "note"] == NOTE
    assert (zone["note"].fillna("") != "").sum() == 1


def test_other_blocks_keep_the_zones_that_were_found(round_trip, assessed):
    _, _, result, noted, _ = round_trip
    block = noted.rpartition("-")[0]
    before = assessed.result.layers["zone"].set_index("zone_id").area
    after = result.layers["zone"].set_index("zone_id").area
    same = [one for one in before.index if one.startswith(block)]
    assert after[same].tolist() == pytest.approx(before[same].tolist())


def test_the_file_given_back_unchanged_is_refused_with_the_way_out(round_trip):
    estate, _, result, _, _ = round_trip
    clean = result.folder.parent / "clean.gpkg"
    shutil.copy(result.geopackage_file, clean)
    with pytest.raises(IntakeError, match=r"Nothing was drawn or noted .* vinemap add blocks"):
        estate.add("zones", clean)


def test_undoing_gives_the_found_zones_back(round_trip):
    estate, report, *_ = round_trip
    assert len(estate.store.drawn_zones()) == 2
    assert estate.store.verify() == []
    estate.undo(report.import_id)
    assert len(estate.store.drawn_zones()) == 0
    assert len(estate.store.remarks()) == 0
    assert estate.store.verify() == []


def test_result_shows_itself_in_a_notebook_and_its_tables_know_their_units(round_trip):
    _, _, result, *_ = round_trip
    html = result._repr_html_()
    assert "Invented small estate" in html
    assert html.count("<title>") == len(result.layers["zone"])
    assert result.layers["zone"].attrs["units"]["loss_pct"] == "%"
    assert result.layers["zone"].attrs["units"]["wait_cost_per_ha"].endswith("/ha")
    assert "currency" not in result.layers["zone"].attrs["units"]["wait_cost_per_ha"]


def test_ids_lead_from_every_table_to_its_zone_and_block(round_trip):
    _, _, result, *_ = round_trip
    for table in (
        "vine_row",
        "scouting_point",
        "zone_vintage",
        "zone_forecast",
        "renewal_option",
        "programme",
    ):
        lost = f"SELECT zone_id FROM {table} WHERE zone_id NOT IN (SELECT zone_id FROM zone)"
        assert len(pyogrio.read_dataframe(result.geopackage_file, sql=lost)) == 0, table
    lost = "SELECT zone_id FROM zone WHERE block_id NOT IN (SELECT block_id FROM block)"
    assert len(pyogrio.read_dataframe(result.geopackage_file, sql=lost)) == 0


# ------------------------------------------------------------------------------------- by whatever program
ADD_COLUMN = "ALTER TABLE zone ADD COLUMN seen TEXT"
WRITE_NOTE = "UPDATE zone SET seen = 'wet' WHERE zone_id = '{}'"


def note_with_sqlite(path, zone_id):
    """A script that opens the file as the SQLite database that it is.

    SQLite wants to know the functions that the triggers of the spatial index name (OGC 12-128r19, clause
    F.3); a note moves no geometry, so but for ST_IsEmpty they are not called.
    """
    with sqlite3.connect(path) as base:
        base.create_function("ST_IsEmpty", 1, lambda _geometry: 0, deterministic=True)
        for name in ("ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            base.create_function(name, 1, pytest.fail)
        base.execute(ADD_COLUMN)
        base.execute(WRITE_NOTE.format(zone_id))
    base.close()


def note_with_gdal(path, zone_id):
    """GDAL's own program on the command line."""
    if shutil.which("ogrinfo") is None:
        pytest.skip("ogrinfo is not installed (Debian: gdal-bin)")
    for statement in (ADD_COLUMN, WRITE_NOTE.format(zone_id)):
        subprocess.run(["ogrinfo", "-q", path, "-sql", statement], check=True, capture_output=True)


def note_with_geopandas(path, zone_id):
    """A notebook that writes the whole layer again."""
    zones = pyogrio.read_dataframe(path, layer="zone")
    zones["seen"] = [("wet" if one == zone_id else None) for one in zones["zone_id"]]
    pyogrio.write_dataframe(zones, path, layer="zone")


@pytest.mark.parametrize("write_note", [note_with_sqlite, note_with_gdal, note_with_geopandas])
def test_a_note_comes_back_whatever_program_wrote_it(assessed, tmp_path, write_note):
    path = tmp_path / "vinemap.gpkg"
    shutil.copyfile(assessed.result.geopackage_file, path)
    zone_id = assessed.result.layers["zone"]["zone_id"].iloc[0]
    write_note(path, zone_id)
    edits = read_edits(path)
    assert edits.remarks[["layer", "id", "column", "value"]].to_numpy().tolist() == [
        ["zone", zone_id, "seen", "wet"]
    ]
    assert len(edits.zones) == 0  # nothing was drawn
    assert len(edits.blocks) == 0
