"""Polygons of zones: exact cover, no slivers, no zone without rows, whatever the outline and the labels."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from vinemap.land import Grid, grid_over, lay_rows, prepare_blocks, segment_rows
from vinemap.simulate.fields import sample_field
from vinemap.zones import lay_cells
from vinemap.zones.cells import average_cells
from vinemap.zones.cluster import cluster_cells
from vinemap.zones.draw import draw_polygons
from vinemap.zones.tidy import Rules, tidy_labels

CRS = pyproj.CRS.from_epsg(3035)
DEMO_BLOCKS = Path(__file__).parents[2] / "data" / "demo" / "blocks.geojson"
LEAST_HA = 0.25


def assert_workable(zones: gpd.GeoDataFrame, outline, rows: gpd.GeoDataFrame) -> None:
    """Cover without overlap; every zone large enough and with row segments, unless it is the block."""
    shapes = zones.geometry.to_numpy()
    assert shapely.union_all(shapes).symmetric_difference(outline).area < 1e-3  # m2
    assert shapely.area(shapes).sum() == pytest.approx(outline.area, abs=1e-3)
    segments = segment_rows(rows, zones)
    if len(zones) > 1:
        assert (shapely.area(shapes) >= LEAST_HA * 1e4).all()
        assert set(segments["zone_id"]) == set(zones["zone_id"])


@pytest.fixture(scope="module")
def slanting():
    """Block B11 of the demo: the corner of a cell at its slanting edge is cut off, 0.1 m2, without rows."""
    prepared = prepare_blocks(gpd.read_file(DEMO_BLOCKS)).blocks
    return prepared[prepared["block_id"] == "B11"]


@pytest.mark.parametrize("seed", [0, 7])
def test_a_sliver_at_a_slanting_edge_is_no_zone(slanting, seed):
    block = slanting.iloc[0]
    rows = lay_rows(
        block.geometry, block_id="B11", row_spacing_m=block["row_spacing_m"],
        vine_spacing_m=block["vine_spacing_m"], bearing_deg=block["grid_bearing_deg"], crs=slanting.crs,
    )  # fmt: skip
    spec = grid_over(block.geometry, cell_m=5.0, crs=slanting.crs)
    easting, northing = spec.centres()
    drawn = sample_field(easting.ravel(), northing.ravel(), range_m=60.0, rng=np.random.default_rng(seed))
    cells = lay_cells(rows, block.geometry, min_segment_m=40.0)
    level = average_cells(cells, {2026: Grid(drawn.reshape(easting.shape), spec)})
    scaled = np.nan_to_num(level.transpose(1, 2, 0))
    labels = tidy_labels(cluster_cells(scaled, cells, pieces=9), scaled, cells, Rules(LEAST_HA * 1e4, 2))
    shapes, members = draw_polygons(labels, cells, block.geometry, rows, min_area_m2=LEAST_HA * 1e4)
    zones = gpd.GeoDataFrame(
        {"zone_id": [f"B11-Z{one}" for one in range(len(shapes))], "block_id": "B11"},
        geometry=shapes, crs=slanting.crs,
    )  # fmt: skip
    assert len(zones) == len(members) > 1
    assert_workable(zones, block.geometry, rows)


@st.composite
def outlines(draw):
    """Star-shaped polygons of 5 to 14 corners, some with a hole and some with an island 30 m away."""
    corners = draw(st.integers(5, 14))
    radius = np.array(draw(st.lists(st.floats(40.0, 160.0), min_size=corners, max_size=corners)))
    angle = 2 * np.pi * np.arange(corners) / corners
    ring = np.column_stack([4_321_000 + radius * np.cos(angle), 3_210_000 + radius * np.sin(angle)])
    outline = shapely.Polygon(ring)
    if draw(st.booleans()):
        outline = outline.difference(shapely.Point(4_321_000, 3_210_000).buffer(draw(st.floats(2.0, 15.0))))
    if draw(st.booleans()):
        west, side = outline.bounds[2] + 30.0, draw(st.floats(12.0, 70.0))
        outline = outline.union(shapely.box(west, 3_210_000, west + side, 3_210_000 + side))
    return outline


@settings(max_examples=25, deadline=None, derandomize=True)
@given(outline=outlines(), bearing=st.floats(0.0, 179.0), seed=st.integers(0, 2**31))
def test_any_labels_in_any_outline_give_workable_zones(outline, bearing, seed):
    parts = shapely.get_parts(outline)
    largest = max(parts, key=lambda one: one.area)
    plan = {"row_spacing_m": 3.0, "vine_spacing_m": 2.0, "bearing_deg": bearing, "crs": CRS}
    rows = lay_rows(largest, block_id="A", **plan)  # an island has no rows of its own
    cells = lay_cells(rows, outline, min_segment_m=40.0)
    rng = np.random.default_rng(seed)
    coarse = rng.integers(0, 4, [1 + size // 3 for size in cells.inside.shape])
    labels = np.kron(coarse, np.ones((3, 3), dtype=int))[: cells.inside.shape[0], : cells.inside.shape[1]]
    labels = np.where(cells.inside, labels, -1)
    shapes, _ = draw_polygons(labels, cells, outline, rows, min_area_m2=LEAST_HA * 1e4)
    zones = gpd.GeoDataFrame(
        {"zone_id": [f"A-Z{one}" for one in range(len(shapes))], "block_id": "A"}, geometry=shapes, crs=CRS
    )
    assert_workable(zones, outline, rows)
    if outline.geom_type == "Polygon":
        assert set(zones.geom_type) == {"Polygon"}
