"""Grids: snapped to multiples of the cell, centres inside, means in polygons."""

import numpy as np
import pytest
import rasterio.transform
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS
from rasterio.features import geometry_mask
from shapely import Point, Polygon, box

from vinemap.errors import GeometryError
from vinemap.land import Grid, GridSpec, average_in, grid_over, mask_inside

EUROPE = CRS.from_epsg(3035)


@given(
    west=st.floats(-3e6, 3e6),
    south=st.floats(-3e6, 3e6),
    width=st.floats(0.5, 400),
    height=st.floats(0.5, 400),
    cell=st.sampled_from([1.0, 2.0, 2.5, 5.0, 10.0]),
)
def test_grid_covers_the_outline_snapped_and_no_larger_than_needed(west, south, width, height, cell):
    outline = box(west, south, west + width, south + height)
    spec = grid_over(outline, cell_m=cell, crs=EUROPE)
    for edge, limit, sign in zip(spec.bounds, outline.bounds, (1, 1, -1, -1), strict=True):
        assert edge / cell == pytest.approx(round(edge / cell), abs=1e-9)
        assert -1e-4 <= sign * (limit - edge) < cell + 1e-4


@given(shift=st.integers(-500, 500), cell=st.sampled_from([1.0, 2.0, 2.5]))
def test_grids_of_one_cell_size_fall_on_one_another(shift, cell):
    """Moving the outline by whole cells moves the grid by as many."""
    outline = box(10.3, 20.7, 90.2, 71.1)
    one = grid_over(outline, cell_m=cell, crs=EUROPE)
    moved = box(*(np.array(outline.bounds) + shift * cell))
    other = grid_over(moved, cell_m=cell, crs=EUROPE)
    assert other.shape == one.shape
    assert other.west - one.west == pytest.approx(shift * cell, abs=1e-6)
    assert other.north - one.north == pytest.approx(shift * cell, abs=1e-6)


def test_centres_affine_and_bounds_agree():
    spec = GridSpec(EUROPE, west=100.0, north=60.0, cell_m=2.0, shape=(3, 4))
    easting, northing = spec.centres()
    assert easting.shape == northing.shape == (3, 4)
    assert rasterio.transform.xy(spec.affine, 0, 0) == (easting[0, 0], northing[0, 0])
    assert rasterio.transform.xy(spec.affine, 2, 3) == (easting[2, 3], northing[2, 3])
    assert spec.bounds == (100.0, 54.0, 108.0, 60.0)
    assert (np.diff(northing[:, 0]) < 0).all()


def test_cells_at_is_the_reverse_of_centres():
    spec = GridSpec(EUROPE, west=100.0, north=60.0, cell_m=2.0, shape=(3, 4))
    easting, northing = spec.centres()
    row, column = spec.cells_at(easting.ravel(), northing.ravel())
    assert (row.reshape(3, 4) == np.arange(3)[:, None]).all()
    assert (column.reshape(3, 4) == np.arange(4)[None, :]).all()
    assert [one.tolist() for one in spec.cells_at([99.0, np.nan], [59.0, 59.0])] == [[-1, -1], [-1, -1]]


def test_mask_agrees_with_rasterio():
    """Reference: rasterio.features.geometry_mask, cell centre rule."""
    outline = Polygon([(3, 4), (81, 13), (60, 77), (33, 40), (5, 66)], [[(40, 20), (50, 22), (45, 30)]])
    spec = grid_over(outline.buffer(7), cell_m=1.0, crs=EUROPE)
    reference = geometry_mask([outline], out_shape=spec.shape, transform=spec.affine, invert=True)
    assert (mask_inside(spec, outline) == reference).mean() > 0.999
    assert mask_inside(spec, outline).sum() == pytest.approx(outline.area, rel=0.02)


def test_mask_of_an_outline_elsewhere_is_empty():
    spec = GridSpec(EUROPE, west=0.0, north=10.0, cell_m=1.0, shape=(10, 10))
    assert not mask_inside(spec, box(100, 100, 110, 110)).any()
    assert not mask_inside(spec, Polygon()).any()


def test_mean_of_a_plane_over_polygons_is_its_value_at_the_centroid():
    outline = box(0, 0, 80, 60)
    spec = grid_over(outline, cell_m=1.0, crs=EUROPE)
    easting, northing = spec.centres()
    grid = Grid(2.0 + 0.1 * easting - 0.05 * northing, spec)
    polygons = [box(0, 0, 40, 60), Point(40, 30).buffer(20), box(70, 50, 80, 60)]
    expected = [2.0 + 0.1 * one.centroid.x - 0.05 * one.centroid.y for one in polygons]
    assert average_in(grid, polygons) == pytest.approx(expected, abs=0.02)


def test_mean_leaves_out_cells_without_data():
    spec = GridSpec(EUROPE, west=0.0, north=2.0, cell_m=1.0, shape=(2, 2))
    grid = Grid(np.array([[1.0, np.nan], [3.0, np.nan]]), spec)
    means = average_in(grid, [box(0, 0, 2, 2), box(1, 0, 2, 2), box(5, 5, 6, 6), box(0.1, 0.1, 0.2, 0.2)])
    assert means[[0, 3]].tolist() == [2.0, 3.0]
    assert np.isnan(means[[1, 2]]).all()


def test_impossible_grids_are_refused():
    with pytest.raises(GeometryError, match="Cell size is 0 m"):
        grid_over(box(0, 0, 1, 1), cell_m=0, crs=EUROPE)
    with pytest.raises(GeometryError, match=r"10,000,000,000 cells\. Use a larger cell"):
        grid_over(box(0, 0, 1e5, 1e5), cell_m=1.0, crs=EUROPE)
    with pytest.raises(GeometryError, match="metres are needed"):
        grid_over(box(0, 0, 1, 1), cell_m=1.0, crs="EPSG:4326")
    with pytest.raises(GeometryError, match=r"shape \(2, 3\), the grid \(3, 2\)"):
        Grid(np.zeros((2, 3)), GridSpec(EUROPE, 0.0, 0.0, 1.0, (3, 2)))
    with pytest.raises(GeometryError, match=r"Grid shape is \(0, 2\)"):
        GridSpec(EUROPE, 0.0, 0.0, 1.0, (0, 2))
