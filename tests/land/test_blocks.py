"""Blocks made fit for work: areas against geodesics, repairs, refusals that name block and remedy."""

import geopandas as gpd
import numpy as np
import pytest
from shapely import MultiPolygon, Point, Polygon, affinity, box

from vinemap import units
from vinemap.errors import GeometryError
from vinemap.land import choose_crs, compare_areas, prepare_blocks

CRS = "EPSG:9473"
EAST, NORTH = 731_000.0, -3_789_000.0


def _blocks(*outlines, crs=CRS, **columns):
    """Blocks A1, A2, ... with outlines moved to the place of the tests."""
    moved = [one if one is None else affinity.translate(one, EAST, NORTH) for one in outlines]
    frame = {
        "block_id": [f"A{index + 1}" for index in range(len(moved))],
        "row_spacing_m": 3.0,
        "vine_spacing_m": 2.1,
        "row_bearing_deg": 0.0,
    } | columns
    return gpd.GeoDataFrame(frame, geometry=moved, crs=crs)


@pytest.mark.parametrize(
    ("longitude", "latitude"),
    [
        (140.5, -34.3),
        (116.0, -33.9),
        (-122.4, 38.4),
        (-6.8, 42.0),
        (18.9, -33.9),
        (-70.7, -33.6),
        (173.8, -41.5),
    ],
)
def test_planar_area_is_geodesic_area(longitude, latitude):
    """Block-size outlines, planar in the chosen CRS against Karney 2013 (pyproj.Geod): within 0.01 %."""
    ring = [(0, 0), (0.006, 0.001), (0.007, 0.005), (0.002, 0.006)]
    hole = [(0.003, 0.002), (0.004, 0.002), (0.004, 0.003)]
    outline = affinity.translate(Polygon(ring, [hole]), longitude, latitude)
    blocks = gpd.GeoDataFrame({"block_id": ["A1"]}, geometry=[outline], crs=4326)
    areas = compare_areas(blocks.to_crs(choose_crs(blocks)))
    assert list(areas.columns) == ["block_id", "planar_ha", "geodesic_ha", "difference_pct"]
    assert 15 < areas["geodesic_ha"].iloc[0] < 35
    assert abs(areas["difference_pct"].iloc[0]) < 0.01


def test_utm_fails_the_area_check_that_equal_area_passes():
    """The check can fail: a zone's central meridian is 0.08 % short in area (k0 = 0.9996)."""
    blocks = _blocks(box(0, 0, 400, 400)).to_crs(32754)
    assert abs(compare_areas(blocks)["difference_pct"].iloc[0]) > 0.01


@pytest.mark.parametrize(
    ("row_ft", "vine_ft", "vines_per_acre"),
    [(11, 5, 792), (10, 7, 622.3), (8, 5, 1089), (10, 6, 726), (12, 8, 453.75)],
)
def test_vines_per_acre_table(row_ft, vine_ft, vines_per_acre):
    """Handbook section 8: 43,560 / (row ft x vine ft); 11 x 5 [R], 10 x 7 [P, C]. A 10 acre square."""
    side = np.sqrt(10 * units.ACRE_M2)
    blocks = _blocks(
        box(0, 0, side, side), row_spacing_m=row_ft * units.FOOT_M, vine_spacing_m=vine_ft * units.FOOT_M
    )
    prepared = prepare_blocks(blocks, crs=CRS).blocks
    assert prepared["area_ha"].iloc[0] / units.ACRE_HA == pytest.approx(10.0, rel=1e-9)
    assert prepared["vines"].iloc[0] == pytest.approx(10 * vines_per_acre, abs=1.0)


def test_prepared_blocks_keep_index_and_leave_the_caller_alone():
    blocks = _blocks(box(0, 0, 200, 300), box(300, 0, 500, 300)).to_crs(4326)
    blocks.index = [7, 3]
    before = blocks.copy()
    prepared = prepare_blocks(blocks)
    assert prepared.blocks.index.tolist() == [7, 3]
    assert prepared.blocks.crs.to_epsg() == 9473
    assert prepared.blocks["area_ha"].tolist() == pytest.approx([6.0, 6.0], rel=1e-6)
    assert prepared.blocks["vines"].dtype == np.int64
    assert prepared.notes == []
    assert blocks.equals(before)


def test_row_direction_turns_from_true_to_grid_north():
    """Grid convergence of the place is about 3.6 degrees; checked against pyproj in test_ground."""
    prepared = prepare_blocks(_blocks(box(0, 0, 200, 300), row_bearing_deg=10.0)).blocks
    assert prepared["grid_bearing_deg"].iloc[0] == pytest.approx(13.6, abs=0.3)
    assert prepared["row_bearing_deg"].iloc[0] == 10.0


def test_missing_row_direction_is_taken_along_the_long_sides_with_a_note():
    prepared = prepare_blocks(_blocks(box(0, 0, 100, 400), row_bearing_deg=np.nan))
    assert min(prepared.blocks["grid_bearing_deg"].iloc[0] % 180, 180) == pytest.approx(0.0, abs=1e-6)
    assert len(prepared.notes) == 1
    assert "Block A1 has no row direction" in prepared.notes[0]


def test_bow_tie_is_refused_naming_block_and_place():
    bow = Polygon([(0, 0), (200, 200), (200, 0), (0, 200)])
    with pytest.raises(
        GeometryError, match=r"block A2 crosses itself near latitude -34\.\d+.*in doubt.*again"
    ):
        prepare_blocks(_blocks(box(300, 0, 500, 200), bow))


def test_small_self_crossing_is_repaired_with_a_note():
    """A 2 m loop in the side of a 4 ha block."""
    ring = [(0, 0), (200, 0), (200, 200), (0, 200), (1, 100), (-1, 101), (1, 102)]
    outline = Polygon(ring)
    assert not outline.is_valid
    prepared = prepare_blocks(_blocks(outline))
    assert prepared.blocks.geometry.iloc[0].geom_type == "Polygon"
    assert prepared.blocks.geometry.iloc[0].is_valid
    assert prepared.blocks["area_ha"].iloc[0] == pytest.approx(4.0, rel=0.01)
    assert "outline of block A1 was repaired (self-intersection near latitude" in prepared.notes[0]


def test_overlap_is_refused_naming_both_and_the_area():
    with pytest.raises(
        GeometryError, match=r"A1 and A2 by 4,000 m2 \(10 % of the smaller\).*Redraw the border"
    ):
        prepare_blocks(_blocks(box(0, 0, 200, 200), box(180, 0, 400, 200)))


def test_sliver_overlap_is_trimmed_with_a_note():
    prepared = prepare_blocks(_blocks(box(0, 0, 200, 200), box(199.5, 0, 400, 200)))
    first, second = prepared.blocks.geometry
    assert first.intersection(second).area == pytest.approx(0.0, abs=1e-6)
    assert prepared.blocks["area_ha"].tolist() == pytest.approx([4.0, 4.0])
    assert prepared.notes == ["Blocks A1 and A2 overlap by 100 m2; the overlap was taken off A2."]


def test_shared_border_needs_no_note():
    prepared = prepare_blocks(_blocks(box(0, 0, 200, 200), box(200, 0, 400, 200)).to_crs(4326))
    assert prepared.notes == []


def test_block_in_two_parts_stays_one_block():
    parts = MultiPolygon([box(0, 0, 100, 100), box(120, 0, 220, 100)])
    prepared = prepare_blocks(_blocks(parts)).blocks
    assert prepared.geometry.iloc[0].geom_type == "MultiPolygon"
    assert prepared["area_ha"].iloc[0] == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"row_spacing_m": [3.0, np.nan]}, r"Block A2 has no row spacing\. Fill in row_spacing_m"),
        ({"vine_spacing_m": np.nan}, r"Block A1, A2 has no vine spacing"),
        (
            {"row_spacing_m": [3.0, 10.0]},
            r"row spacing of block A2 \(10 m\) is not between.*--unit row_spacing_m=ft",
        ),
        ({"vine_spacing_m": [-1.0, 2.0]}, r"vine spacing of block A1 \(-1 m\)"),
        ({"block_id": ["A1", "A1 "]}, r"Block A1 is given more than once\..*own block_id"),
        ({"block_id": ["A1", None]}, r"Outline 2 has no block_id"),
    ],
    ids=["no row spacing", "no vine spacing", "feet", "negative", "double", "no name"],
)
def test_refusals_name_block_and_remedy(changes, message):
    with pytest.raises(GeometryError, match=message):
        prepare_blocks(_blocks(box(0, 0, 200, 200), box(300, 0, 500, 200), **changes))


@pytest.mark.parametrize(
    ("outline", "message"),
    [
        (Point(0, 0), r"Block A2 is drawn as a Point, not as an area"),
        (None, r"Block A2 has no outline"),
        (Polygon(), r"Block A2 has no outline"),
        (box(300, 0, 305, 5), r"Block A2 \(25\.0 m2\) is smaller than 100 m2"),
        (box(300, 0, 9300, 9000), r"Block A2 \(8,100 ha\) is larger than 1,000 ha"),
    ],
    ids=["point", "none", "empty", "tiny", "huge"],
)
def test_outline_that_is_no_block_is_refused(outline, message):
    with pytest.raises(GeometryError, match=message):
        prepare_blocks(_blocks(box(0, 0, 200, 200), outline))


def test_missing_spacing_column_is_refused():
    blocks = _blocks(box(0, 0, 200, 200)).drop(columns="row_spacing_m")
    with pytest.raises(GeometryError, match="Block A1 has no row spacing"):
        prepare_blocks(blocks)


def test_crs_that_is_not_equal_area_gets_a_note():
    prepared = prepare_blocks(_blocks(box(0, 0, 200, 200)), crs="EPSG:32754")
    assert "is not an equal-area CRS" in prepared.notes[0]
    assert prepared.blocks.crs.to_epsg() == 32754


def test_degrees_as_estate_crs_are_refused():
    with pytest.raises(GeometryError, match="estate CRS: WGS 84 is in degree; metres are needed"):
        prepare_blocks(_blocks(box(0, 0, 200, 200)), crs="EPSG:4326")


def test_unlikely_latitude_gets_a_note():
    """45 N 5 E read as 5 N 45 E: nothing impossible, but worth a word."""
    outline = gpd.GeoSeries([box(45.0, 5.0, 45.002, 5.002)], crs=4326)
    blocks = gpd.GeoDataFrame(
        {"block_id": ["A1"], "row_spacing_m": 3.0, "vine_spacing_m": 2.0, "row_bearing_deg": 0.0},
        geometry=outline,
    )
    assert "latitude 5.00, longitude 45.00, where few vineyards are" in prepare_blocks(blocks).notes[0]
