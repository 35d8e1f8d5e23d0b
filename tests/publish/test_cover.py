from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import MultiPoint, Point, Polygon, affinity

from vinemap.errors import GeometryError
from vinemap.publish import write_geopackage
from vinemap.publish.cover import SLIVER_M, is_cover, mend_cover

JITTER_M = 0.005  # an exported coordinate is rounded to a centimetre or so


def cut(outline: Polygon, count: int, rng: np.random.Generator) -> list:
    """Cells around `count` random points: zones of any shape that cover the outline."""
    west, south, east, north = outline.bounds
    points: list[Point] = []
    while len(points) < count:
        point = Point(rng.uniform(west, east), rng.uniform(south, north))
        if outline.contains(point) and all(point.distance(one) > 8 for one in points):
            points.append(point)
    if count == 1:
        return [outline]
    cells = shapely.get_parts(shapely.voronoi_polygons(MultiPoint(points), extend_to=outline))
    return [outline.intersection(cell) for cell in cells]


def jitter(shape, rng: np.random.Generator):
    """Grow or shrink each zone and shift it, as if each had been drawn alone."""
    grown = shape.buffer(rng.uniform(-JITTER_M, JITTER_M), join_style="mitre", mitre_limit=1.5)
    return affinity.translate(grown, *rng.uniform(-JITTER_M, JITTER_M, 2))


def outline_of(corners: int, size: float, turn: float, rng: np.random.Generator) -> Polygon:
    """A star-shaped block far from the origin, as in a national grid, concave as like as not."""
    angles = np.sort(rng.uniform(0, 2 * np.pi, corners)) + 0.01 * np.arange(corners)
    radii = size * rng.uniform(0.7, 1.3, corners)
    ring = np.column_stack([radii * np.cos(angles), radii * np.sin(angles)])
    hull = Polygon(ring).buffer(0)
    if hull.geom_type != "Polygon" or hull.area < 0.3 * size**2:
        hull = Polygon(ring).convex_hull
    return affinity.translate(affinity.rotate(hull, turn), 930_000.4, -3_790_000.7)


@given(
    seed=st.integers(0, 10**6),
    corners=st.integers(4, 12),
    size=st.floats(60, 400),
    turn=st.floats(0, 180),
    count=st.integers(1, 9),
)
@settings(max_examples=60, deadline=None)
def test_random_zones_drawn_one_by_one_become_a_cover(seed, corners, size, turn, count):
    rng = np.random.default_rng(seed)
    outline = outline_of(corners, size, turn, rng)
    drawn = [jitter(one, rng) for one in cut(outline, count, rng)]
    cover = mend_cover(drawn, outline)
    assert not cover.gaps
    assert not cover.overlaps
    assert is_cover(cover.shapes, outline)
    assert all(one.is_valid for one in cover.shapes)
    if hasattr(shapely, "coverage_is_valid"):  # shapely 2.1: shared borders have the very same corners
        assert shapely.coverage_is_valid(np.array(cover.shapes, dtype=object))
    for one, before in zip(cover.shapes, drawn, strict=True):
        assert abs(one.area - before.area) <= 4 * JITTER_M * before.length + 1


@given(seed=st.integers(0, 10**6), counts=st.tuples(*[st.integers(1, 3)] * 3))
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_written_zones_of_random_estates_share_their_borders(seed, counts, layers, tmp_path):
    """Read back from the file: no gap, no overlap, and areas in the table equal those of the geometry."""
    rng = np.random.default_rng(seed)
    outlines = layers["block"].set_index("block_id").geometry
    rows, shapes = [], []
    for block_id, count in zip(outlines.index, counts, strict=True):
        mine = layers["zone"][layers["zone"]["block_id"] == block_id].iloc[:1]
        for number, cell in enumerate(cut(outlines[block_id], count, rng), 1):
            shape = jitter(cell, rng)
            rows.append(mine.assign(zone_id=f"{block_id}-Z{number}", area_ha=shape.area / 1e4))
            shapes.append(shape)
    zone = gpd.GeoDataFrame(pd.concat(rows, ignore_index=True)).set_geometry(shapes, crs="EPSG:9473")
    path = tmp_path / "a.gpkg"
    write_geopackage(path, {**layers, "zone": zone}, crs="EPSG:9473", description="random")
    back = gpd.read_file(path, layer="zone")
    np.testing.assert_allclose(back["area_ha"], back.area / 1e4, rtol=1e-6)
    for block_id, own in back.groupby("block_id"):
        outline = gpd.read_file(path, layer="block").set_index("block_id").geometry[block_id]
        assert is_cover(list(own.geometry), outline)


def test_gap_wider_than_a_sliver_is_told_and_left_open():
    outline = shapely.box(0, 0, 100, 100)
    cover = mend_cover([shapely.box(0, 0, 50, 100), shapely.box(53, 0, 100, 100)], outline)
    assert [one.area for one in cover.gaps] == [300]
    assert [one.area for one in cover.shapes] == [5000, 4700]


@pytest.mark.parametrize(("gap_m", "mended"), [(SLIVER_M * 0.9, True), (SLIVER_M * 1.1, False)])
def test_slivers_are_told_by_their_width(gap_m, mended):
    outline = shapely.box(0, 0, 100, 100)
    cover = mend_cover([shapely.box(0, 0, 50, 100), shapely.box(50 + gap_m, 0, 100, 100)], outline)
    assert bool(cover.gaps) is not mended
    assert (cover.mended_m2 > 0) is mended


def test_overlap_wider_than_a_sliver_is_told_with_both_zones():
    outline = shapely.box(0, 0, 100, 100)
    cover = mend_cover([shapely.box(0, 0, 60, 100), shapely.box(50, 0, 100, 100)], outline)
    assert cover.overlapping == [(0, 1)]
    assert cover.overlaps[0].area == 1000


def test_zone_beyond_the_block_is_cut_and_its_excess_told():
    outline = shapely.box(0, 0, 100, 100)
    cover = mend_cover([shapely.box(-5, 0, 100, 100)], outline)
    assert cover.outside_m2 == 500
    assert cover.shapes[0].equals(outline)


def test_hole_of_the_block_stays_a_hole():
    outline = shapely.box(0, 0, 100, 100).difference(shapely.box(40, 40, 60, 60))
    cover = mend_cover([shapely.box(0, 0, 50, 100), shapely.box(50, 0, 100, 100)], outline)
    assert is_cover(cover.shapes, outline)
    assert cover.outside_m2 == 400


def test_a_zone_elsewhere_is_refused():
    with pytest.raises(GeometryError, match=r"Zone 2 lies outside the block"):
        mend_cover([shapely.box(0, 0, 9, 9), shapely.box(20, 0, 29, 9)], shapely.box(0, 0, 9, 9))


def test_overlapping_zones_are_refused_when_written(layers, tmp_path):
    zone = layers["zone"].copy()
    grown = zone.geometry.iloc[0].buffer(3.0)
    zone.loc[0, ["geometry", "area_ha"]] = [grown, grown.area / 1e4]
    with pytest.raises(GeometryError, match=r"layer zone: B1-Z1 and B1-Z2 overlap by \d+ m2"):
        write_geopackage(tmp_path / "a.gpkg", layers | {"zone": zone}, crs="EPSG:9473", description="x")
