"""Grids for the map."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from vinemap.errors import DataError
from vinemap.land import Grid, GridSpec
from vinemap.zones import loss_surface, relative_surface

SPEC = GridSpec(pyproj.CRS.from_epsg(3035), west=0.0, north=4.0, cell_m=2.0, shape=(2, 2))


def grids(**by_vintage: list[list[float]]) -> dict[int, Grid]:
    return {int(name[1:]): Grid(np.array(values), SPEC) for name, values in by_vintage.items()}


def test_relative_surface_leaves_seasons_out():
    made = relative_surface(grids(v2023=[[10, 20], [30, np.nan]], v2024=[[1, 2], [3, np.nan]]))
    np.testing.assert_allclose(made.values, [[0.5, 1.0], [1.5, np.nan]])


def test_a_weak_cell_that_always_was_has_no_loss():
    made = loss_surface(grids(v2023=[[10, 20], [20, 20]], v2024=[[10, 20], [20, 20]]))
    np.testing.assert_allclose(made.values, 0.0, atol=1e-9)
    assert not np.signbit(made.values[made.values == 0]).any()  # a GIS shows -0.0 as such


def test_loss_against_zones_keeps_the_loss_of_the_zone():
    """The whole zone fell by 30 %; the first cell by more than the others, yet is no weaker for its soil."""
    zones = gpd.GeoDataFrame({"zone_id": ["A-Z1"]}, geometry=[shapely.box(0, 0, 4, 4)], crs=SPEC.crs)
    table = pd.DataFrame({
        "zone_id": "A-Z1", "vintage": [2023, 2024], "yield_t_ha": [20.0, 14.0], "relative_yield": [1.0, 0.7],
    })  # fmt: skip
    stack = grids(v2023=[[10, 20], [20, 20]], v2024=[[7, 14], [14, 14]])
    made = loss_surface(stack, zones=zones, zone_vintage=table)
    np.testing.assert_allclose(made.values, 30.0, atol=1e-9)


def test_no_data_stays_no_data():
    made = loss_surface(grids(v2023=[[10, np.nan], [20, 20]], v2024=[[10, np.nan], [20, 20]]))
    assert np.isnan(made.values[0, 1])


def test_surfaces_on_different_grids_are_refused():
    other = GridSpec(SPEC.crs, west=0.0, north=4.0, cell_m=1.0, shape=(2, 2))
    both = {2023: Grid(np.ones((2, 2)), SPEC), 2024: Grid(np.ones((2, 2)), other)}
    with pytest.raises(DataError, match="surface of 2024 lies on another grid"):
        relative_surface(both)
