"""Layers of points read as bare coordinates give what the usual reader gives, or are left to it."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import shapely

from vinemap.errors import IntakeError
from vinemap.intake import read_source
from vinemap.intake.points import parquet_points, read_points
from vinemap.intake.raw import Places
from vinemap.intake.readers import read_raw

ROWS = 40


def layer(points=None, **columns) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(2)
    if points is None:
        points = shapely.points(140.5 + rng.uniform(0, 1e-3, ROWS), -34.2 + rng.uniform(0, 1e-3, ROWS))
    plain = {
        "time": pd.date_range("2024-03-01T08:00:00Z", periods=len(points), freq="s"),
        "flow_kg_s": rng.uniform(1, 5, len(points)),
        "machine": "Häher",
        "rows": np.arange(len(points)),
    }
    return gpd.GeoDataFrame(plain | columns, geometry=points, crs=4326)


def write(frame: gpd.GeoDataFrame, file) -> None:
    frame.to_parquet(file) if file.suffix == ".parquet" else frame.to_file(file)


@pytest.mark.parametrize("name", ["a.gpkg", "a.geojson", "a.shp", "a.fgb", "a.parquet"])
def test_bare_points_give_what_shapes_give(tmp_path, name, monkeypatch):
    """The same file through `pyogrio.read_dataframe` or `geopandas.read_parquet` is the reference."""
    holes = np.array(shapely.points(np.linspace(140.5, 140.501, ROWS), -34.2), dtype=object)
    holes[[3, 7]] = None
    frame = layer(holes) if name != "a.fgb" else layer()
    if name in ("a.shp", "a.fgb"):  # the clock of the one is a day alone, that of the other has no zone
        frame["time"] = frame["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    write(frame, tmp_path / name)
    quick = read_source(tmp_path / name, "harvest")
    assert isinstance(read_raw(tmp_path / name, "harvest").geometry, Places)
    monkeypatch.setattr("vinemap.intake.vector.read_points", lambda *_: None)
    monkeypatch.setattr("vinemap.intake.vector.parquet_points", lambda *_: None)
    usual = read_source(tmp_path / name, "harvest")
    pd.testing.assert_frame_equal(pd.DataFrame(quick.table), pd.DataFrame(usual.table))
    pd.testing.assert_frame_equal(quick.refused, usual.refused)
    assert quick.rows_read == usual.rows_read == ROWS
    assert [one.header for one in quick.guesses] == [one.header for one in usual.guesses]


def test_points_with_a_height_and_another_crs(tmp_path):
    frame = layer().to_crs(28354)
    high = frame.set_geometry(shapely.points(frame.geometry.x, frame.geometry.y, 50.0), crs=28354)
    write(high, tmp_path / "a.gpkg")
    assert isinstance(read_raw(tmp_path / "a.gpkg", "harvest").geometry, Places)
    table = read_source(tmp_path / "a.gpkg", "harvest").table
    expected = frame.geometry.to_crs(4326)
    np.testing.assert_allclose(table.geometry.x, expected.x, atol=1e-9)
    np.testing.assert_allclose(table.geometry.y, expected.y, atol=1e-9)
    assert not table.geometry.has_z.any()


def test_clock_without_a_zone_stays_one(tmp_path):
    """Arrow takes every time of a GeoPackage for UTC; one without a zone is left to the usual reader."""
    frame = layer()
    frame["time"] = frame["time"].dt.tz_localize(None)
    write(frame, tmp_path / "a.gpkg")
    assert read_points(tmp_path / "a.gpkg", "a") is None
    table = read_source(tmp_path / "a.gpkg", "harvest", timezone="Australia/Adelaide").table
    assert str(table["time"].iloc[0]) == "2024-02-29 21:30:00+00:00"


def test_what_is_not_plainly_points_is_left_to_the_usual_reader(tmp_path):
    many = [shapely.MultiPoint([(140.5, -34.2 + n * 1e-5)]) for n in range(ROWS)]
    write(layer(many), tmp_path / "a.gpkg")
    assert read_points(tmp_path / "a.gpkg", "a") is None
    assert len(read_source(tmp_path / "a.gpkg", "harvest").table) == ROWS
    arrow = layer().to_parquet(tmp_path / "a.parquet", geometry_encoding="geoarrow")
    assert arrow is None
    assert parquet_points(pq.read_table(tmp_path / "a.parquet")) is None
    assert len(read_source(tmp_path / "a.parquet", "harvest").table) == ROWS
    write(layer(shapely.buffer(shapely.points(140.5, np.full(ROWS, -34.2)), 1e-4)), tmp_path / "b.gpkg")
    with pytest.raises(IntakeError, match="Readings must be points; this layer holds Polygon"):
        read_source(tmp_path / "b.gpkg", "harvest")


def test_parquet_without_a_crs_is_degrees_and_a_null_one_unknown(tmp_path):
    """GeoParquet 1.0.0, "crs": OGC:CRS84 if it is not there, unknown if it is null."""
    layer().set_crs(None, allow_override=True).to_parquet(tmp_path / "a.parquet")
    with pytest.raises(IntakeError, match=r"names no coordinate system\. Name it with --crs"):
        read_source(tmp_path / "a.parquet", "harvest")
    table = pq.read_table(tmp_path / "a.parquet")
    said = table.schema.metadata[b"geo"].replace(b'"crs": null, ', b"")
    pq.write_table(table.replace_schema_metadata({b"geo": said}), tmp_path / "b.parquet")
    assert b"crs" not in said
    assert len(read_source(tmp_path / "b.parquet", "harvest").table) == ROWS


def test_row_names_of_pandas_are_no_column(tmp_path):
    frame = layer().set_index("rows")
    frame.to_parquet(tmp_path / "a.parquet")
    assert "rows" not in read_raw(tmp_path / "a.parquet", "harvest").frame.columns
    pd.DataFrame(frame.drop(columns="geometry")).assign(lat=-34.2, lon=140.5).to_parquet(
        tmp_path / "b.parquet"
    )
    assert "rows" not in read_raw(tmp_path / "b.parquet", "harvest").frame.columns


def test_layer_of_points_alone(tmp_path):
    gpd.GeoDataFrame(geometry=layer().geometry).to_file(tmp_path / "a.gpkg")
    with pytest.raises(IntakeError, match="No column was recognised as time or date"):
        read_source(tmp_path / "a.gpkg", "harvest")
