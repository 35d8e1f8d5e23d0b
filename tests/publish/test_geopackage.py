from __future__ import annotations

import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from vinemap import tables
from vinemap.errors import GeometryError, StoreError, TableError
from vinemap.publish import write_geopackage

ALBERS = "EPSG:9473"
# Debian's python3-gdal brings GDAL's validator; it needs the system interpreter, which has osgeo.
VALIDATORS = [
    Path("/usr/lib/python3/dist-packages/osgeo_utils/samples/validate_gpkg.py"),
    Path("/usr/share/doc/python3-gdal/examples/validate_gpkg.py"),
]


def query(path: Path, sql: str) -> list[tuple]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql).fetchall()


def local_crs() -> pyproj.CRS:
    described = pyproj.CRS.from_proj4(
        "+proj=laea +lat_0=-34.4 +lon_0=142.2 +ellps=GRS80 +units=m"
    ).to_json_dict()
    return pyproj.CRS.from_json_dict(described | {"name": "Estate equal area"})


@pytest.fixture(scope="module")
def package(layers, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("gpkg") / "vinemap.gpkg"
    return write_geopackage(path, layers, crs=ALBERS, description="Invented estate", currency="AUD")


def test_header_is_geopackage_1_3(package):
    # OGC 12-128r18, requirement 2: application_id 0x47504B47, user_version 10300 [S]
    assert query(package, "PRAGMA application_id") == [(0x47504B47,)]
    assert query(package, "PRAGMA user_version") == [(10300,)]


@pytest.mark.parametrize("table", tables.OUTPUTS, ids=lambda one: one.name)
def test_each_table_comes_back_with_its_columns_and_types(package, layers, table):
    back = pyogrio.read_dataframe(package, layer=table.name, use_arrow=False)
    want = layers[table.name]
    assert len(back) == len(want)
    assert [name for name in back.columns if name != "geometry"] == table.names
    kinds = dict(query(package, f"SELECT name, type FROM pragma_table_info('{table.name}')"))
    sql = {"int": ("INTEGER", "MEDIUMINT"), "float": ("REAL",), "str": ("TEXT",)}
    assert all(kinds[one.name] in sql[one.kind] for one in table.columns)
    for one in table.columns:
        if one.kind == "str":
            assert back[one.name].fillna("").tolist() == want[one.name].tolist()
        else:
            got = back[one.name].astype("float64").to_numpy()
            np.testing.assert_allclose(got, want[one.name].astype("float64").to_numpy(), rtol=1e-12)


def test_missing_year_is_null_and_not_a_number(package, layers):
    ((nulls,),) = query(package, "SELECT count(*) FROM zone WHERE best_year IS NULL")
    assert nulls == int(layers["zone"]["best_year"].isna().sum()) > 0
    assert query(package, "SELECT DISTINCT typeof(best_year) FROM zone ORDER BY 1") == [
        ("integer",),
        ("null",),
    ]


def test_area_column_equals_the_area_of_the_geometry(package):
    for layer in ("block", "zone"):
        back = gpd.read_file(package, layer=layer)
        np.testing.assert_allclose(back["area_ha"], back.area / 10_000, rtol=1e-9)
        assert all(ring.is_ccw for ring in back.geometry.explode().exterior)


def test_contents_say_what_each_layer_is(package):
    rows = query(package, "SELECT table_name, data_type, description, srs_id FROM gpkg_contents")
    kinds = {name: (kind, description) for name, kind, description, _ in rows}
    for table in tables.OUTPUTS:
        want = "features" if table.geometry else "attributes"
        assert kinds[table.name] == (want, table.meaning)
    indexed = {
        one for (one,) in query(package, "SELECT name FROM sqlite_master WHERE name LIKE 'rtree_%_geom'")
    }
    assert indexed == {f"rtree_{one.name}_geom" for one in tables.OUTPUTS if one.geometry}


def test_every_column_carries_meaning_and_unit(package):
    told = {(table, column): text for table, column, text in query(
        package, "SELECT table_name, column_name, description FROM gpkg_data_columns")}  # fmt: skip
    assert set(told) == {(table.name, one) for table in tables.OUTPUTS for one in table.names}
    assert told[("zone", "gain_per_ha")].endswith("[AUD/ha]")
    assert told[("zone", "loss_pct")].endswith("[%]")
    limits = query(
        package, "SELECT min, max FROM gpkg_data_column_constraints WHERE constraint_name = 'share'"
    )
    assert limits == [(0, 1)]


def test_a_gis_user_can_ask_hectares_to_renew_by_variety_and_year(package, layers):
    sql = (
        "SELECT b.variety, z.best_year, sum(z.area_ha) FROM zone z JOIN block b USING (block_id) "
        "WHERE z.advice = 'renew' GROUP BY 1, 2 ORDER BY 1, 2"
    )
    rows = query(package, sql)
    renew = layers["zone"][layers["zone"]["advice"] == "renew"]
    assert sum(row[2] for row in rows) == pytest.approx(renew["area_ha"].sum())
    assert {row[1] for row in rows} == {2026}


def test_absent_tables_stand_empty_with_all_columns(tmp_path, layers):
    some = {name: layers[name] for name in ("block", "zone")}
    path = write_geopackage(tmp_path / "a.gpkg", some, crs=ALBERS, description="part")
    for table in tables.OUTPUTS:
        info = pyogrio.read_info(path, layer=table.name)
        assert list(info["fields"]) == table.names
    assert pyogrio.read_info(path, layer="vine_row")["geometry_type"] == "LineString"


def test_local_crs_without_a_code_is_written_in_full(tmp_path, layers):
    crs = local_crs()
    moved = {
        name: one.to_crs(crs) if isinstance(one, gpd.GeoDataFrame) else one for name, one in layers.items()
    }
    for name in ("block", "zone"):
        moved[name]["area_ha"] = moved[name].area / 10_000
    path = write_geopackage(tmp_path / "local.gpkg", moved, crs=crs, description="local")
    back = gpd.read_file(path, layer="zone").crs
    assert back.name == "Estate equal area"
    assert back.coordinate_operation.method_name == "Lambert Azimuthal Equal Area"
    assert {one.name: one.value for one in back.coordinate_operation.params}[
        "Longitude of natural origin"
    ] == 142.2
    ((wkt,),) = query(path, "SELECT definition_12_063 FROM gpkg_spatial_ref_sys WHERE srs_id = 100000")
    assert wkt.startswith("PROJCRS")


@pytest.mark.parametrize("crs", [ALBERS, "local"])
def test_gdal_validator_finds_nothing(tmp_path, layers, crs):
    script = next((one for one in VALIDATORS if one.is_file()), None)
    python = shutil.which("python3", path="/usr/bin")
    if script is None or python is None:
        pytest.skip("GDAL's validate_gpkg.py is not installed (Debian: python3-gdal)")
    wanted = local_crs() if crs == "local" else pyproj.CRS(crs)
    moved = {
        name: one.to_crs(wanted) if isinstance(one, gpd.GeoDataFrame) else one for name, one in layers.items()
    }
    for name in ("block", "zone"):
        moved[name]["area_ha"] = moved[name].area / 10_000
    path = write_geopackage(tmp_path / "a.gpkg", moved, crs=wanted, description="x")
    done = subprocess.run(
        [python, script, "-k", path], capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode, done.stdout.strip(), done.stderr.strip()) == (0, "", "")


def test_a_second_run_replaces_the_file(tmp_path, layers):
    path = write_geopackage(tmp_path / "a.gpkg", layers, crs=ALBERS, description="first")
    write_geopackage(path, layers | {"zone": layers["zone"].iloc[:2]}, crs=ALBERS, description="second")
    assert query(path, "SELECT count(*) FROM zone") == [(2,)]
    assert [one.name for one in tmp_path.iterdir()] == ["a.gpkg"]


def test_file_open_in_a_gis_is_refused_and_left_whole(tmp_path, layers):
    path = write_geopackage(tmp_path / "a.gpkg", layers, crs=ALBERS, description="first")
    with closing(sqlite3.connect(path)) as gis:
        gis.execute("PRAGMA journal_mode=WAL")
        gis.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match=r"a\.gpkg is open in another program.*Close the layer"):
            write_geopackage(path, layers, crs=ALBERS, description="second")
        gis.rollback()
    assert query(path, "SELECT count(*) FROM zone") == [(len(layers["zone"]),)]


def test_log_left_by_a_crashed_gis_does_not_spoil_the_new_file(tmp_path, layers):
    path = write_geopackage(tmp_path / "a.gpkg", layers, crs=ALBERS, description="first")
    held = sqlite3.connect(path)
    held.execute("PRAGMA journal_mode=WAL")
    held.execute("PRAGMA wal_autocheckpoint=0")
    held.execute("UPDATE run_info SET value = 'edited'")
    held.commit()
    left = {one: (tmp_path / one).read_bytes() for one in ("a.gpkg", "a.gpkg-wal")}
    held.close()
    for name, raw in left.items():
        (tmp_path / name).write_bytes(raw)
    write_geopackage(path, layers, crs=ALBERS, description="second")
    assert query(path, "SELECT value FROM run_info LIMIT 1") == [("0.1.0",)]
    assert query(path, "PRAGMA integrity_check") == [("ok",)]


def test_layer_in_another_crs_is_refused(tmp_path, layers):
    with pytest.raises(GeometryError, match=r"layer zone.*WGS 84.*to_crs"):
        write_geopackage(
            tmp_path / "a.gpkg", layers | {"zone": layers["zone"].to_crs(4326)}, crs=ALBERS, description="x"
        )


def test_self_crossing_zone_is_named(tmp_path, layers):
    zone = layers["zone"].copy()
    bow = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    zone.loc[1, "geometry"] = bow
    with pytest.raises(GeometryError, match=r"row 1.*B1-Z2.*Self-intersection"):
        write_geopackage(tmp_path / "a.gpkg", layers | {"zone": zone}, crs=ALBERS, description="x")
    assert not list(tmp_path.iterdir())


def test_area_that_disagrees_with_its_geometry_is_refused(tmp_path, layers):
    zone = layers["zone"].copy()
    zone.loc[0, "area_ha"] *= 1.01
    with pytest.raises(TableError, match=r"area_ha of 'B1-Z1'"):
        write_geopackage(tmp_path / "a.gpkg", layers | {"zone": zone}, crs=ALBERS, description="x")


def test_missing_column_is_named(tmp_path, layers):
    with pytest.raises(TableError, match=r"layer zone: Column chance_pays is missing"):
        write_geopackage(
            tmp_path / "a.gpkg",
            layers | {"zone": layers["zone"].drop(columns="chance_pays")},
            crs=ALBERS,
            description="x",
        )


def test_callers_frames_are_not_touched(tmp_path, layers):
    before = {name: frame.copy() for name, frame in layers.items()}
    write_geopackage(tmp_path / "a.gpkg", layers, crs=ALBERS, description="x")
    for name, frame in layers.items():
        pd.testing.assert_frame_equal(pd.DataFrame(frame), pd.DataFrame(before[name]))
