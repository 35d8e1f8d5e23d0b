from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from vinemap import land
from vinemap.errors import GeometryError, IntakeError
from vinemap.publish import attach_remarks, fit_drawn_zones, read_edits, tell_refitting, write_geopackage
from vinemap.publish.cover import is_cover

ALBERS = "EPSG:9473"


@pytest.fixture(scope="module")
def given(layers) -> dict[str, pd.DataFrame]:
    """With the direction of the rows, which the pipeline passes along beyond the documented columns."""
    return {**layers, "block": layers["block"].assign(row_bearing_deg=[20.0, 27.0, 34.0])}


@pytest.fixture(scope="module")
def original(given, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("edits") / "vinemap.gpkg"
    return write_geopackage(path, given, crs=ALBERS, description="Invented estate")


@pytest.fixture
def package(original, tmp_path) -> Path:
    return Path(shutil.copy(original, tmp_path / "vinemap.gpkg"))


def load(path: Path, layer: str) -> gpd.GeoDataFrame:
    return pyogrio.read_dataframe(path, layer=layer)


def save(path: Path, layer: str, frame: gpd.GeoDataFrame) -> None:
    """As a GIS does: the layer is written anew, the rest of the file stays."""
    pyogrio.write_dataframe(frame, path, layer=layer, driver="GPKG", layer_options={"GEOMETRY_NAME": "geom"})


def halves(shape, share: float = 0.5):
    """Cut a shape by a line across its longer side."""
    box = shapely.minimum_rotated_rectangle(shape)
    a, b, c, d = shapely.get_coordinates(box)[:4]
    if np.hypot(*(b - a)) < np.hypot(*(c - b)):
        a, b, c, d = b, c, d, a
    first = shapely.Polygon([a, a + share * (b - a), d + share * (c - d), d]).buffer(1e-6)
    return shape.intersection(first), shape.difference(first)


def test_an_untouched_file_holds_no_edits(package):
    edits = read_edits(package)
    assert (len(edits.blocks), len(edits.zones), len(edits.remarks), edits.changes) == (0, 0, 0, [])


def test_saving_without_drawing_is_no_edit(package):
    """Another program may order corners differently or drop what is beyond a micrometre."""
    zones = load(package, "zone")
    zones["geometry"] = shapely.reverse(shapely.normalize(zones.geometry.array))
    save(package, "zone", zones)
    assert read_edits(package).changes == []


def test_a_moved_border_gives_the_zones_of_that_block_as_a_cover(package):
    zones = load(package, "zone")
    mine = zones["block_id"] == "B1"
    first, second = zones.index[mine][:2]
    part, rest = halves(zones.geometry[second], 0.3)
    grown = shapely.union_all([zones.geometry[first], part]).buffer(-0.2, join_style="mitre")
    zones.loc[[first, second], "geometry"] = [grown, rest]
    save(package, "zone", zones)
    edits = read_edits(package)
    assert set(edits.zones["block_id"]) == {"B1"}
    assert edits.zones["zone_id"].tolist() == ["B1-Z1", "B1-Z2", "B1-Z3"]
    outline = load(package, "block").set_index("block_id").geometry["B1"]
    assert is_cover(list(edits.zones.geometry), outline)
    np.testing.assert_allclose(edits.zones["area_ha"], edits.zones.area / 1e4)
    assert edits.zones["area_ha"].iloc[1] == pytest.approx(rest.area / 1e4, rel=0.02)  # with the strip
    assert len(edits.blocks) == 0
    assert edits.changes[0].startswith("Block B1: 3 zones as drawn; ")


def test_a_split_zone_keeps_its_name_on_the_larger_part(package):
    zones = load(package, "zone")
    large, small = halves(zones.geometry[0], 0.7)
    zones.loc[0, "geometry"] = small  # the program leaves the same name on both parts
    save(
        package,
        "zone",
        pd.concat([zones, zones.iloc[:1].set_geometry([large], crs=ALBERS)], ignore_index=True),
    )
    edits = read_edits(package)
    named = edits.zones.set_index("zone_id").area
    assert set(named.index) == {"B1-Z1", "B1-Z2", "B1-Z3", "B1-Z4"}
    assert named["B1-Z1"] == pytest.approx(max(large.area, small.area), rel=1e-3)
    assert "A zone of block B1 split from B1-Z1 is now B1-Z4." in edits.changes


def test_a_new_zone_without_a_name_gets_one_and_its_block(package):
    zones = load(package, "zone")
    kept, fresh = halves(zones.geometry[3], 0.6)
    zones.loc[3, "geometry"] = kept
    new = gpd.GeoDataFrame({"zone_id": [None], "block_id": [None]}, geometry=[fresh], crs=ALBERS)
    both = gpd.GeoDataFrame(pd.concat([zones[["zone_id", "block_id", "geometry"]], new], ignore_index=True))
    save(package, "zone", both)
    assert read_edits(package).zones["zone_id"].tolist() == ["B2-Z1", "B2-Z2", "B2-Z3"]


def test_merged_zones_are_one(package):
    zones = load(package, "zone")
    zones.loc[0, "geometry"] = shapely.union_all(zones.geometry[:2].array)
    save(package, "zone", zones.drop(index=1))
    assert read_edits(package).zones["zone_id"].tolist() == ["B1-Z1", "B1-Z3"]


def test_a_zone_taken_away_leaves_a_gap_that_is_told(package):
    zones = load(package, "zone")
    save(package, "zone", zones.drop(index=1))
    with pytest.raises(
        GeometryError, match=r"vinemap\.gpkg, block B1: \d+ m2 of the block lie in no zone near"
    ):
        read_edits(package)


def test_zones_that_overlap_are_named(package):
    zones = load(package, "zone")
    zones.loc[0, "geometry"] = zones.geometry[0].buffer(4.0)
    save(package, "zone", zones)
    with pytest.raises(GeometryError, match=r"block B1: B1-Z1 and B1-Z2 overlap by \d+ m2 near .* Cut one"):
        read_edits(package)


def test_a_zone_in_no_block_is_named(package):
    zones = load(package, "zone")
    zones.loc[2, "geometry"] = shapely.box(0, 0, 10, 10)
    save(package, "zone", zones)
    with pytest.raises(GeometryError, match=r"vinemap\.gpkg, feature 3: zone B1-Z3 lies in no block"):
        read_edits(package)


def test_a_border_with_a_loop_is_named(package):
    zones = load(package, "zone")
    west, south, east, north = zones.geometry[0].bounds
    zones.loc[0, "geometry"] = shapely.Polygon([(west, south), (east, north), (east, south), (west, north)])
    save(package, "zone", zones)
    with pytest.raises(GeometryError, match=r"feature 1: zone B1-Z1 crosses itself"):
        read_edits(package)


def test_a_moved_outline_gives_that_block_with_all_its_facts(package, given):
    blocks = load(package, "block")
    blocks.loc[1, "geometry"] = blocks.geometry[1].buffer(-5.0, join_style="mitre")
    save(package, "block", blocks)
    edits = read_edits(package)
    assert edits.blocks["block_id"].tolist() == ["B2"]
    assert edits.blocks["row_bearing_deg"].tolist() == [27.0]
    assert edits.blocks["variety"].tolist() == [given["block"]["variety"].iloc[1]]
    assert edits.blocks.area.iloc[0] < given["block"].area.iloc[1]
    assert edits.changes == ["Block B2: outline or facts changed."]


def test_a_corrected_fact_is_an_edit(package):
    blocks = load(package, "block")
    blocks.loc[2, "year_planted"] = 2003
    save(package, "block", blocks)
    assert read_edits(package).blocks[["block_id", "year_planted"]].to_numpy().tolist() == [["B3", 2003]]


def test_notes_in_columns_of_ones_own_survive_a_new_assessment(package, given, tmp_path):
    zones = load(package, "zone")
    zones["note"] = [None, "wet foot of the slope", *[None] * (len(zones) - 2)]
    save(package, "zone", zones)
    edits = read_edits(package)
    assert edits.remarks.to_numpy().tolist() == [["zone", "B1-Z2", "note", "wet foot of the slope"]]
    assert edits.changes == []
    later = write_geopackage(
        tmp_path / "later.gpkg", attach_remarks(given, edits.remarks), crs=ALBERS, description="later"
    )
    back = load(later, "zone").set_index("zone_id")
    assert back.loc["B1-Z2", "note"] == "wet foot of the slope"
    assert "note" not in given["zone"].columns


def test_a_file_without_fingerprints_counts_as_drawn_throughout(package, given):
    with closing(sqlite3.connect(package)) as connection, connection:
        connection.execute("DELETE FROM gpkg_metadata_reference")
        connection.execute("DELETE FROM gpkg_metadata")
    edits = read_edits(package)
    assert len(edits.blocks) == len(given["block"])
    assert len(edits.zones) == len(given["zone"])
    assert "no fingerprints" in edits.changes[0]


def test_another_file_is_refused(tmp_path, layers):
    path = tmp_path / "other.gpkg"
    layers["block"].to_file(path, layer="block", engine="pyogrio")
    with pytest.raises(IntakeError, match=r"other\.gpkg: Layer zone cannot be read"):
        read_edits(path)


def test_a_block_without_a_name_is_refused(package):
    blocks = load(package, "block")
    blocks.loc[1, "block_id"] = "B1"
    save(package, "block", blocks)
    with pytest.raises(
        GeometryError, match=r"layer block, feature 2: block_id 'B1' is empty or stands twice"
    ):
        read_edits(package)


def plan(outline):
    return land.lay_rows(
        outline, block_id="B1", row_spacing_m=3.0, vine_spacing_m=2.0, bearing_deg=0.0, crs="EPSG:3035"
    )


def test_drawn_zones_fit_rows_and_outline():
    outline = shapely.box(4_321_000, 3_210_000, 4_321_060, 3_210_100)
    drawn = gpd.GeoDataFrame(
        {"zone_id": ["B1-Z1", "B1-Z2"]},
        geometry=[shapely.box(4_320_990, 3_209_990, 4_321_060, 3_210_040),
                  shapely.box(4_321_000, 3_210_040.5, 4_321_060, 3_210_100)],
        crs="EPSG:3035",
    )  # fmt: skip
    rows = plan(outline)
    zones = fit_drawn_zones(drawn, outline=outline, rows=rows, block_id="B1")
    assert list(zones.columns) == ["zone_id", "block_id", "area_ha", "vines", "geometry"]
    assert zones["vines"].sum() == rows["vines"].sum()
    assert is_cover(list(zones.geometry), outline)
    assert zones["vines"].iloc[0] == pytest.approx(0.4 * rows["vines"].sum(), rel=0.03)


def square(west, south, east, north):
    return shapely.box(4_321_000 + west, 3_210_000 + south, 4_321_000 + east, 3_210_000 + north)


def test_drawn_zones_follow_an_outline_that_was_moved_since():
    """Cut back in the south, gone where wholly outside, grown over the ground gained in the north."""
    outline = square(0, 30, 60, 130)
    drawn = gpd.GeoDataFrame(
        {"zone_id": ["B1-Z1", "B1-Z2", "B1-Z3"]},
        geometry=[square(0, 0, 60, 20), square(0, 20, 60, 70), square(0, 70, 60, 100)],
        crs="EPSG:3035",
    )
    rows = plan(outline)
    fitted = fit_drawn_zones(drawn, outline=outline, rows=rows, block_id="B1")
    told = tell_refitting(drawn, fitted, block_id="B1")
    assert told == [
        "Block B1: hand-drawn zones were fitted to the outline as it is now: B1-Z1 lies outside and is gone; "
        "B1-Z2 0.30 -> 0.24 ha; B1-Z3 0.18 -> 0.36 ha."
    ]
    zones = fitted.set_index("zone_id")
    assert zones["area_ha"].to_dict() == pytest.approx({"B1-Z2": 0.24, "B1-Z3": 0.36}, abs=1e-6)
    assert is_cover(list(zones.geometry), outline)
    assert zones["vines"].sum() == rows["vines"].sum()


def test_drawn_zones_of_which_none_lies_in_the_block_any_longer_are_refused():
    drawn = gpd.GeoDataFrame({"zone_id": ["B1-Z1"]}, geometry=[square(200, 0, 260, 100)], crs="EPSG:3035")
    outline = square(0, 0, 60, 100)
    with pytest.raises(GeometryError, match=r"block B1: None of the 1 zones lies .* vinemap undo"):
        fit_drawn_zones(drawn, outline=outline, rows=plan(outline), block_id="B1")


def test_outline_and_zones_edited_in_one_file_fit_each_other(package):
    """The block is cut back on one side and grown by 12 m on the others; a border between zones moves too."""
    blocks, zones = load(package, "block"), load(package, "zone")
    old = blocks.geometry[0]
    kept, _ = halves(old.buffer(12.0, join_style="mitre"), 0.93)
    blocks.loc[0, "geometry"] = kept
    first, second = zones.index[zones["block_id"] == "B1"][:2]
    part, rest = halves(zones.geometry[second], 0.3)
    zones.loc[[first, second], "geometry"] = [zones.geometry[first].union(part), rest]
    save(package, "block", blocks)
    save(package, "zone", zones)
    edits = read_edits(package)
    assert edits.blocks["block_id"].tolist() == ["B1"]
    assert is_cover(list(edits.zones.geometry), kept, tolerance_m2=0.5)  # corners meet within a millimetre
    assert edits.zones["zone_id"].tolist() == ["B1-Z1", "B1-Z2", "B1-Z3"]
    told = next(one for one in edits.changes if "as drawn" in one)
    assert "given to the zones beside them, as the outline was moved" in told
