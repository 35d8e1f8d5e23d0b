from __future__ import annotations

import shutil
import sqlite3
import subprocess
from contextlib import closing
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio

from vinemap.errors import DataError
from vinemap.publish import Coverage, MapSurface, name_coverages, write_geopackage

ALBERS = "EPSG:9473"


@pytest.fixture
def package(layers, grid, tmp_path):
    error = SimpleNamespace(values=grid.values / 10, spec=grid.spec)
    given = {
        "yield B1 2026": Coverage(grid, "t/ha", "Yield of block B1 in 2026"),
        "standard error B1 2026": Coverage(error, "t/ha", "Its kriging standard error"),
    }
    return write_geopackage(tmp_path / "a.gpkg", layers, crs=ALBERS, description="x", coverages=given)


def test_values_place_and_gaps_come_back(package, grid):
    with rasterio.open(f"GPKG:{package}:yield_b1_2026") as back:
        assert back.dtypes == ("float32",)
        assert back.crs.to_epsg() == 9473
        assert back.res == (grid.spec.cell_m, grid.spec.cell_m)
        assert (back.bounds.left, back.bounds.top) == (grid.spec.west, grid.spec.north)
        values = back.read(1, masked=True).filled(np.nan)
    np.testing.assert_allclose(values, grid.values.astype(np.float32))


def test_surfaces_of_the_map_are_named_by_block_and_vintage(grid):
    empty = SimpleNamespace(values=np.full_like(grid.values, np.nan), spec=grid.spec)
    named = name_coverages([
        MapSurface("yield", "B1", 2026, grid), MapSurface("loss", "B1", None, grid),
        MapSurface("loss", "B2", None, empty),
    ])  # fmt: skip
    assert {name: one.units for name, one in named.items()} == {"yield B1 2026": "t/ha", "loss B1": "%"}
    assert named["yield B1 2026"].description == "Yield, block B1 2026"


def test_unit_and_meaning_stand_in_the_tables_of_the_extension(package):
    # OGC 17-066r1, table 1 (gpkg_2d_gridded_coverage_ancillary): datatype, uom, quantity_definition
    with closing(sqlite3.connect(package)) as connection:
        rows = connection.execute(
            "SELECT tile_matrix_set_name, datatype, uom, quantity_definition, data_null "
            "FROM gpkg_2d_gridded_coverage_ancillary ORDER BY 1"
        ).fetchall()
        kinds = dict(connection.execute("SELECT table_name, data_type FROM gpkg_contents"))
    assert rows[1] == ("yield_b1_2026", "float", "t/ha", "Yield of block B1 in 2026", -9999.0)
    assert kinds["yield_b1_2026"] == kinds["standard_error_b1_2026"] == "2d-gridded-coverage"


def test_layers_and_metadata_stay_as_they_are(package, layers):
    assert len(gpd.read_file(package, layer="zone")) == len(layers["zone"])
    assert len(pyogrio.read_dataframe(package, layer="layer_styles")) == 7
    with closing(sqlite3.connect(package)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("SELECT count(*) FROM gpkg_data_columns").fetchall()[0][0] > 80


@pytest.mark.parametrize("crs", [ALBERS, "+proj=laea +lat_0=-34.4 +lon_0=142.2 +ellps=GRS80 +units=m"])
def test_gdal_validator_finds_nothing(layers, grid, tmp_path, crs):
    python = shutil.which("python3", path="/usr/bin")
    module = "osgeo_utils.samples.validate_gpkg"
    if python is None or subprocess.run([python, "-c", f"import {module}"], capture_output=True).returncode:
        pytest.skip("GDAL's validate_gpkg.py is not installed (Debian: python3-gdal)")
    moved = {
        name: one.to_crs(crs) if isinstance(one, gpd.GeoDataFrame) else one for name, one in layers.items()
    }
    for name in ("block", "zone"):
        moved[name]["area_ha"] = moved[name].area / 1e4
    spec = SimpleNamespace(
        **{name: getattr(grid.spec, name) for name in ("west", "north", "cell_m")}, crs=crs
    )
    surface = Coverage(SimpleNamespace(values=grid.values, spec=spec), "t/ha", "Yield")
    path = write_geopackage(
        tmp_path / "a.gpkg", moved, crs=crs, description="x", coverages={"yield B1": surface}
    )
    done = subprocess.run([python, "-m", module, "-k", path], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout.strip(), done.stderr.strip()) == (0, "", "")


def test_surface_without_values_is_refused_and_no_file_left(layers, grid, tmp_path):
    empty = SimpleNamespace(values=np.full_like(grid.values, np.nan), spec=grid.spec)
    with pytest.raises(DataError, match=r"No cell of loss B1 holds a value"):
        write_geopackage(
            tmp_path / "a.gpkg",
            layers,
            crs=ALBERS,
            description="x",
            coverages={"loss B1": Coverage(empty, "%", "")},
        )
    assert not list(tmp_path.iterdir())
