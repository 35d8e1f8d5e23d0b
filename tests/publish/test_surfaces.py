from __future__ import annotations

import shutil
import subprocess
from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
from affine import Affine

from vinemap.errors import DataError
from vinemap.publish import write_surface


@pytest.fixture
def surface(grid, tmp_path):
    return write_surface(
        tmp_path / "yield.tif",
        grid,
        units="t/ha",
        vintage=2026,
        description="Yield of B1",
        tags={"RUN": "ab12"},
    )


def test_values_place_and_tags_come_back(surface, grid):
    with rasterio.open(surface) as back:
        assert back.dtypes == ("float32",)
        assert back.nodata == -9999
        assert back.crs.to_epsg() == 9473
        assert (back.bounds.left, back.bounds.top) == (grid.spec.west, grid.spec.north)
        assert back.res == (grid.spec.cell_m, grid.spec.cell_m)
        assert back.units == ("t/ha",)
        assert back.descriptions == ("Yield of B1",)
        tags = back.tags()
        assert (tags["VINTAGE"], tags["UNITS"], tags["RUN"]) == ("2026", "t/ha", "ab12")
        values = back.read(1, masked=True).filled(np.nan)
    np.testing.assert_allclose(values, grid.values.astype(np.float32))


def test_statistics_are_those_of_the_cells_with_data(surface, grid):
    with rasterio.open(surface) as back:
        tags = back.tags(1)
    assert float(tags["STATISTICS_MEAN"]) == pytest.approx(np.nanmean(grid.values), rel=1e-6)
    assert float(tags["STATISTICS_MAXIMUM"]) == pytest.approx(np.nanmax(grid.values), rel=1e-6)


def test_layout_is_cloud_optimized_with_overviews(surface):
    with rasterio.open(surface) as back:
        assert back.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert back.block_shapes == [(128, 128)]
        assert back.overviews(1)
    python = shutil.which("python3", path="/usr/bin")
    module = "osgeo_utils.samples.validate_cloud_optimized_geotiff"
    if python is None or subprocess.run([python, "-c", f"import {module}"], capture_output=True).returncode:
        pytest.skip("GDAL's COG validator is not installed (Debian: python3-gdal)")
    done = subprocess.run([python, "-m", module, surface], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout
    assert "is a valid cloud optimized GeoTIFF" in done.stdout


def test_a_second_validator_finds_nothing_either(surface):
    cogeo = pytest.importorskip("rio_cogeo.cogeo", reason="rio-cogeo validates COGs without GDAL's scripts")
    assert cogeo.cog_validate(surface, strict=True, quiet=True) == (True, [], [])


def test_the_second_validator_sees_a_plain_tiff_for_what_it_is(grid, tmp_path):
    cogeo = pytest.importorskip("rio_cogeo.cogeo", reason="rio-cogeo validates COGs without GDAL's scripts")
    rows, columns = 600, 700  # larger than a tile, so that overviews are due
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "height": rows, "width": columns}
    place = Affine(2.0, 0.0, grid.spec.west, 0.0, -2.0, grid.spec.north)
    with rasterio.open(tmp_path / "plain.tif", "w", crs="EPSG:9473", transform=place, **profile) as target:
        target.write(np.zeros((1, rows, columns), np.float32))
    assert cogeo.cog_validate(tmp_path / "plain.tif", strict=True, quiet=True)[0] is False


def test_bands_keep_their_names(grid, tmp_path):
    error = SimpleNamespace(values=grid.values / 10, spec=grid.spec)
    path = write_surface(
        tmp_path / "y.tif",
        {"yield": grid, "standard_error": error},
        units="t/ha",
        vintage=None,
        description="Y",
    )
    with rasterio.open(path) as back:
        assert back.descriptions == ("yield", "standard_error")
        np.testing.assert_allclose(
            np.nanmax(back.read(2, masked=True).filled(np.nan)), np.nanmax(grid.values) / 10, rtol=1e-6
        )


def test_bands_over_other_cells_are_refused(grid, tmp_path):
    small = SimpleNamespace(values=grid.values[:-1], spec=grid.spec)
    with pytest.raises(DataError, match=r"Band 'b' lies over other cells"):
        write_surface(tmp_path / "y.tif", {"a": grid, "b": small}, units="", vintage=None, description="")


def test_empty_surface_is_refused_and_no_file_left(grid, tmp_path):
    empty = SimpleNamespace(values=np.full_like(grid.values, np.nan), spec=grid.spec)
    with pytest.raises(DataError, match=r"y\.tif: No cell holds a value"):
        write_surface(tmp_path / "y.tif", empty, units="", vintage=None, description="")
    assert not list(tmp_path.iterdir())
