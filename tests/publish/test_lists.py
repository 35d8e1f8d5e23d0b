from __future__ import annotations

import csv
import json
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vinemap import tables
from vinemap.intake import read_source
from vinemap.publish import write_lists
from vinemap.publish.handhelds import GPX
from vinemap.publish.lists import list_count_sheet, list_rows, safe_cell, write_csv


@pytest.fixture(scope="module")
def written(layers, tmp_path_factory):
    folder = tmp_path_factory.mktemp("lists")
    return {one.name: one for one in write_lists(folder, layers)}


def read(path):
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_rows_are_those_of_the_programme_in_walking_order(written, layers):
    rows = read(written["rows_2026.csv"])
    zones = set(layers["programme"]["zone_id"])
    want = layers["vine_row"][layers["vine_row"]["zone_id"].isin(zones)]
    assert len(rows) == len(want)
    assert sum(int(row["vines"]) for row in rows) == int((want["to_vine"] - want["from_vine"] + 1).sum())
    assert sum(float(row["length_m"]) for row in rows) == pytest.approx(want["length_m"].sum(), rel=1e-3)
    places = [(row["block_id"], int(row["row_no"]), int(row["from_vine"])) for row in rows]
    assert places == sorted(places)
    assert {row["work"] for row in rows} == {"trunk renewal"}


def test_without_a_programme_the_advice_of_the_zones_decides(layers):
    plain = {**layers, "programme": tables.empty_table(tables.PROGRAMME)}
    zone = layers["zone"]
    want = set(zone.loc[zone["advice"] == "renew", "zone_id"])
    assert set(list_rows(plain)["zone_id"]) == want


def test_lists_of_years_without_work_are_removed(layers, tmp_path):
    write_lists(tmp_path, layers)
    later = layers["programme"].assign(year=2028)
    write_lists(tmp_path, {**layers, "programme": later})
    assert [one.name for one in tmp_path.glob("rows_*.csv")] == ["rows_2028.csv"]


# OWASP, CSV Injection: cells that begin with = + - @ TAB CR LF, and the full-width forms of the signs.
@pytest.mark.parametrize(
    "text", ["=1+1", "+A1", "-A1", "@SUM(A1)", "\tx", "\rx", "\nx", "＝1", "-2+3", '=HYPERLINK("x")']
)
def test_formulas_are_defused(text, tmp_path):
    path = write_csv(tmp_path / "a.csv", pd.DataFrame({"why": [text], "gain": [-3.5]}))
    (row,) = read(path)
    assert row["why"] == "'" + text
    assert row["gain"] == "-3.5"


@pytest.mark.parametrize("value", ["-3.5", "+12", "B-1", "", -3.5, 7, None, "1e-3"])
def test_numbers_and_plain_words_pass_untouched(value):
    assert safe_cell(value) is value


def test_csv_survives_quotes_commas_and_accents(tmp_path):
    path = write_csv(tmp_path / "a.csv", pd.DataFrame({"why": ['say "no", Zoë']}))
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    assert read(path) == [{"why": 'say "no", Zoë'}]


def test_count_sheet_filled_in_is_read_as_row_counts(layers, tmp_path):
    """One line a point, the stretch named; filled in by hand it goes back through the reader of counts."""
    points = layers["scouting_point"].assign(to_vine=lambda one: one["vine_no"] + 19)
    sheet = list_count_sheet(layers | {"scouting_point": points})
    assert len(sheet) == len(points)
    assert (sheet["vines"] == 20).all()
    assert (sheet["missing"] == "").all()
    filled = sheet.assign(missing=1, symptomatic=7, dead_arm=2, box_width_m=0.45)
    found = read_source(write_csv(tmp_path / "counts.csv", filled), "counts").table
    assert found["symptomatic"].tolist() == [7] * len(points)
    assert found["box_width_m"].tolist() == [0.45] * len(points)
    assert sorted(found["from_vine"]) == sorted(points["vine_no"])
    assert found["block_id"].tolist() == sheet["block_id"].tolist()


def test_points_lie_where_they_lie(written, layers):
    rows = read(written["scouting.csv"])
    want = layers["scouting_point"].set_index("point_id").to_crs(4326).geometry
    for row in rows:
        assert float(row["longitude_deg"]) == pytest.approx(want[row["point_id"]].x, abs=1e-7)
        assert float(row["latitude_deg"]) == pytest.approx(want[row["point_id"]].y, abs=1e-7)


def test_gpx_has_the_elements_of_the_schema_in_order(written, layers):
    # GPX 1.1 schema: gpxType is metadata, wpt*, rte*, trk*; wptType has name before desc.
    root = ElementTree.parse(written["scouting.gpx"]).getroot()
    assert (root.tag, root.get("version")) == (f"{{{GPX}}}gpx", "1.1")
    assert root.get("creator", "").startswith("vinemap")
    tags = [child.tag.removeprefix(f"{{{GPX}}}") for child in root]
    assert tags == ["metadata"] + ["wpt"] * len(layers["scouting_point"]) + ["rte"]
    for point in root.iter(f"{{{GPX}}}wpt"):
        assert [child.tag.removeprefix(f"{{{GPX}}}") for child in point] == ["name", "desc"]
        assert -90 <= float(point.get("lat", "nan")) <= 90
        assert -180 <= float(point.get("lon", "nan")) < 180
    assert len(gpd.read_file(written["scouting.gpx"], layer="waypoints")) == len(layers["scouting_point"])


def test_geojson_is_rfc_7946(written, layers):
    # RFC 7946: sections 3.1.1 (longitude first), 4 (WGS 84, no "crs"), 3.2 (type, geometry, properties).
    data = json.loads(written["scouting.geojson"].read_text(encoding="utf-8"))
    assert data["type"] == "FeatureCollection"
    assert "crs" not in data
    assert len(data["features"]) == len(layers["scouting_point"])
    for feature in data["features"]:
        longitude, latitude = feature["geometry"]["coordinates"]
        assert 142.1 < longitude < 142.3
        assert -34.5 < latitude < -34.3
        assert isinstance(feature["properties"]["vine_no"], int)


def test_control_characters_do_not_break_the_gpx(layers, tmp_path):
    points = layers["scouting_point"].copy()
    points["why"] = "a\x00<b>&\x0b"
    paths = {one.name: one for one in write_lists(tmp_path, {**layers, "scouting_point": points})}
    root = ElementTree.parse(paths["scouting.gpx"]).getroot()
    assert root.findtext(f"{{{GPX}}}wpt/{{{GPX}}}desc", "").endswith(": a<b>&")


def test_no_points_and_no_work_still_give_files_with_heads(layers, tmp_path):
    none = {
        **layers,
        "scouting_point": layers["scouting_point"].iloc[:0],
        "programme": tables.empty_table(tables.PROGRAMME),
        "zone": layers["zone"].assign(advice="keep"),
    }
    names = [one.name for one in write_lists(tmp_path, none)]
    assert names == [
        "scouting.csv",
        "scouting_counts.csv",
        "scouting.gpx",
        "scouting.geojson",
        "programme.csv",
    ]
    head = (tmp_path / "programme.csv").read_text(encoding="utf-8-sig").splitlines()
    assert head == [",".join(tables.PROGRAMME.names)]
    told = pd.DataFrame(
        {"year": [2026], "zone_id": ["A-Z1"], "npv": [1234.5], "rank": [1], "reason": ["pays"]}
    )
    write_lists(tmp_path, none | {"programme": tables.empty_table(tables.PROGRAMME).merge(told, how="outer")})
    written = pd.read_csv(tmp_path / "programme.csv", encoding="utf-8-sig")
    assert list(written.columns) == [*tables.PROGRAMME.names, "npv", "rank", "reason"]
    assert written["reason"].tolist() == ["pays"]
    assert np.array_equal(read(tmp_path / "scouting.csv"), [])
