"""Vine rows from an outline: parallel, exactly spaced on the ground, numbered from the left, inside."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from shapely import MultiPolygon, Polygon, affinity, box

from vinemap import units
from vinemap.errors import GeometryError
from vinemap.land import (
    RowFrame,
    choose_crs,
    ground_scale,
    lay_rows,
    number_vines,
    place_vines,
    prepare_blocks,
)
from vinemap.tables import ROWS, check_table

EUROPE = CRS.from_epsg(3035)
AUSTRALIA = CRS.from_epsg(9473)
CENTRE = (4_321_000.0, 3_210_000.0)  # origin of EPSG:3035, where planar and ground lengths agree
INLAND = (770_000.0, -3_765_000.0)  # south-eastern Australia

SQUARE = box(0, 0, 120, 200)
LSHAPE = Polygon([(0, 0), (240, 0), (240, 80), (90, 80), (90, 300), (0, 300)])
TRIANGLE = Polygon([(0, 0), (300, 20), (120, 260)])
USHAPE = Polygon([(0, 0), (200, 0), (200, 200), (140, 200), (140, 80), (60, 80), (60, 200), (0, 200)])
DAM = Polygon(box(0, 0, 200, 200).exterior.coords, [box(80, 70, 130, 120).exterior.coords])
PARTS = MultiPolygon([box(0, 0, 100, 100), box(0, 115, 100, 200)])
OUTLINES = [SQUARE, LSHAPE, TRIANGLE, USHAPE, DAM, PARTS]
NAMES = ["square", "L", "triangle", "U", "dam", "two parts"]


def _rows(outline, *, bearing=0.0, place=CENTRE, crs=EUROPE, row=3.0, vine=2.0, **more):
    moved = affinity.translate(outline, *place)
    rows = lay_rows(
        moved, block_id="A1", row_spacing_m=row, vine_spacing_m=vine, bearing_deg=bearing, crs=crs, **more
    )
    return rows, moved


def _ends(rows):
    lines = rows.geometry.to_numpy()
    first = shapely.get_coordinates(shapely.get_point(lines, 0))
    return first, shapely.get_coordinates(shapely.get_point(lines, -1))


def test_square_block_by_hand():
    """120 m by 200 m, rows to the north at 3 m: 40 rows of 200 m, 1.5 m to 118.5 m."""
    rows, _ = _rows(SQUARE)
    first, last = _ends(rows)
    assert rows["row_no"].tolist() == list(range(1, 41))
    assert first[:, 0] - CENTRE[0] == pytest.approx(1.5 + 3.0 * np.arange(40), abs=1e-5)
    assert first[:, 1] - CENTRE[1] == pytest.approx(0.0, abs=1e-6)
    assert last[:, 1] - CENTRE[1] == pytest.approx(200.0, abs=1e-6)
    assert rows["length_m"].tolist() == pytest.approx([200.0] * 40, abs=1e-5)
    assert set(rows["vines"]) == {100}
    assert rows["row_id"].iloc[[0, -1]].tolist() == ["A1-1", "A1-40"]
    assert rows["gap_m"].max() == 0.0
    assert rows.crs == EUROPE
    check_table(rows, ROWS)


@pytest.mark.parametrize(
    ("bearing", "first_start"),
    [(0.0, (1.5, 0.0)), (90.0, (0.0, 198.5)), (180.0, (118.5, 200.0)), (270.0, (120.0, 1.5))],
)
def test_first_row_is_on_the_left_and_starts_behind(bearing, first_start):
    """Looking along the bearing, row 1 is the leftmost and starts at the end behind."""
    rows, _ = _rows(SQUARE, bearing=bearing)
    first, _ = _ends(rows)
    assert first[0] - CENTRE == pytest.approx(first_start, abs=1e-5)


@pytest.mark.parametrize("outline", OUTLINES, ids=NAMES)
@pytest.mark.parametrize("bearing", [0.0, 33.0, 90.0, 171.0])
def test_rows_times_spacing_is_area(outline, bearing):
    """Sum of row length inside the outline times spacing, against area: within 2 % (half a row)."""
    rows, moved = _rows(outline, bearing=bearing)
    inside = (rows["length_m"] - rows["gap_m"]).sum() * 3.0
    assert inside == pytest.approx(moved.area, rel=0.02)


@pytest.mark.parametrize("outline", OUTLINES, ids=NAMES)
def test_row_numbers_run_without_a_hole_and_rows_are_single_lines(outline):
    rows, _ = _rows(outline, bearing=20.0)
    assert rows["row_no"].tolist() == list(range(1, len(rows) + 1))
    assert (rows.geom_type == "LineString").all()
    assert (shapely.get_num_points(rows.geometry.to_numpy()) == 2).all()


def test_row_across_a_dam_stays_one_line_with_its_gap():
    rows, moved = _rows(DAM)
    middle = rows[rows["gap_m"] > 0]
    assert len(middle) == 16  # the dam reaches from 80 to 130 m: rows at 82.5, 85.5, ... 127.5 m
    assert middle["gap_m"].tolist() == pytest.approx([50.0] * 16, abs=1e-5)
    assert middle["length_m"].tolist() == pytest.approx([200.0] * 16, abs=1e-5)
    assert set(middle["gaps"]) == {"70.000 to 120.000"}
    assert set(rows.loc[rows["gap_m"] == 0, "gaps"]) == {""}
    outside = shapely.length(shapely.difference(rows.geometry.to_numpy(), moved))
    assert outside == pytest.approx(rows["gap_m"].to_numpy(), abs=1e-4)


def test_slivers_at_a_corner_are_no_rows():
    """The last chords of a triangle are shorter than two vines."""
    rows, _ = _rows(TRIANGLE, vine=2.0)
    assert rows["length_m"].min() >= 4.0
    assert rows["vines"].min() >= 2


def test_offset_moves_all_rows_to_the_right():
    plain, _ = _rows(SQUARE, bearing=180.0)
    moved, _ = _rows(SQUARE, bearing=180.0, offset_m=0.7)
    assert _ends(moved)[0][:, 0] - _ends(plain)[0][:, 0] == pytest.approx(-0.7, abs=1e-5)


convex = st.lists(st.tuples(st.floats(0, 400), st.floats(0, 400)), min_size=3, max_size=12).map(
    lambda points: shapely.convex_hull(shapely.MultiPoint(points))
)
convex = convex.filter(
    lambda one: one.geom_type == "Polygon" and shapely.minimum_clearance(one) > 1 and one.area > 3000
)


@settings(max_examples=60, deadline=None)
@given(outline=convex, bearing=st.floats(0, 360), spacing=st.floats(1.5, 4.0), offset=st.floats(-1, 1))
def test_rows_are_inside_parallel_and_exactly_spaced(outline, bearing, spacing, offset):
    rows, moved = _rows(outline, bearing=bearing, row=spacing, offset_m=offset)
    assert shapely.covers(moved.buffer(1e-3), rows.geometry.to_numpy()).all()
    first, last = _ends(rows)
    frame = RowFrame(bearing, *CENTRE)
    (along_first, across_first), (along_last, across_last) = (
        frame.from_grid(*first.T),
        frame.from_grid(*last.T),
    )
    assert across_first == pytest.approx(across_last, abs=1e-5)
    assert (along_last > along_first).all()
    assert np.diff(across_first) == pytest.approx(spacing, abs=1e-5)


@settings(max_examples=40, deadline=None)
@given(outline=convex, turn=st.floats(-180, 180), bearing=st.floats(0, 180))
def test_turning_the_block_turns_the_rows(outline, turn, bearing):
    """Rotation of outline and bearing together leaves row lengths and numbers as they were."""
    plain, _ = _rows(outline, bearing=bearing)
    # Bearings run clockwise, shapely's rotation the other way round.
    turned, _ = _rows(affinity.rotate(outline, -turn, origin=(0, 0)), bearing=bearing + turn)
    # A chord within a hair of the shortest row, or a row within a hair of the edge, may come or go.
    long_plain = np.sort(plain["length_m"])[::-1]
    long_turned = np.sort(turned["length_m"])[::-1]
    assert abs(len(long_plain) - len(long_turned)) <= 1
    count = min(len(long_plain), len(long_turned))
    assert long_turned[:count] == pytest.approx(long_plain[:count], abs=0.05)


@pytest.mark.parametrize(
    ("code", "longitude", "latitude"),
    [
        (9473, 140.5, -34.3),
        (5070, -122.4, 38.4),
        (3035, -6.8, 42.0),
        (9221, 18.9, -33.9),
        (9473, 116.0, -33.9),
    ],
)
@pytest.mark.parametrize("bearing", [5.0, 50.0, 95.0])
def test_spacing_on_the_ground_against_geodesics(code, longitude, latitude, bearing):
    """300 m of rows in a continental CRS, measured on the ellipsoid (Karney 2013, pyproj.Geod)."""
    crs = CRS.from_epsg(code)
    place = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform(longitude, latitude)
    rows, _ = _rows(box(-160, -160, 160, 160), bearing=bearing, place=place, crs=crs, row=3.0, vine=2.0)
    middle = len(rows) // 2
    lines = rows.geometry.iloc[[middle - 40, middle + 40]].to_numpy()
    apart, length = _on_the_ground(lines, crs)
    assert apart == pytest.approx(80 * 3.0, abs=0.01)
    assert length == pytest.approx(rows["length_m"].iloc[middle - 40], abs=0.005)


def test_ground_spacing_ignored_would_drift_by_rows():
    """3 m on the grid of EPSG:9473 is not 3 m on the ground: over 900 m more than half a row is lost."""
    east, north = INLAND
    planar = shapely.linestrings(
        [[[east, north], [east, north + 100]], [[east + 900, north], [east + 900, north + 100]]]
    )
    apart, _ = _on_the_ground(planar, AUSTRALIA)
    assert abs(apart - 900.0) > 1.5
    rows, _ = _rows(box(0, 0, 900, 100), place=INLAND, crs=AUSTRALIA)
    apart, _ = _on_the_ground(rows.geometry.iloc[[0, -1]].to_numpy(), AUSTRALIA)
    # The scale itself drifts by about 1e-5 over a block this wide.
    assert apart == pytest.approx((len(rows) - 1) * 3.0, abs=0.05)


def _on_the_ground(lines, crs):
    """Distance of the second line from the first, square to it at the middle, and length of the first [m]."""
    geod = crs.get_geod()
    inverse = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    start, end = (inverse.transform(*one) for one in lines[0].coords)
    middle = lines[0].interpolate(0.5, normalized=True)
    here = inverse.transform(middle.x, middle.y)
    there = inverse.transform(*lines[1].interpolate(lines[1].project(middle)).coords[0])
    along = geod.inv(*here, *end)[0]
    azimuth, _, distance = geod.inv(*here, *there)
    return abs(distance * np.sin(np.radians(azimuth - along))), geod.inv(*start, *end)[2]


def test_density_of_laid_rows_is_that_of_the_trade():
    """10 ft x 7 ft on a square of 10 acres: 622.3 vines/acre (handbook section 8 [P, C])."""
    side = np.sqrt(10 * units.ACRE_M2)
    rows, _ = _rows(box(0, 0, side, side), row=10 * units.FOOT_M, vine=7 * units.FOOT_M)
    assert rows["vines"].sum() / 10 == pytest.approx(622.3, rel=0.01)


def test_rows_of_prepared_blocks_hold_as_many_vines_as_the_blocks():
    """Area times density against vine places of laid rows, in a CRS that stretches by 0.4 %."""
    import geopandas as gpd

    outline = affinity.translate(LSHAPE, *INLAND)
    blocks = gpd.GeoDataFrame(
        {"block_id": ["A1"], "row_spacing_m": [3.0], "vine_spacing_m": [2.1], "row_bearing_deg": [12.0]},
        geometry=[outline],
        crs=AUSTRALIA,
    ).to_crs(4326)
    block = prepare_blocks(blocks).blocks.iloc[0]
    rows = lay_rows(
        block.geometry,
        block_id="A1",
        row_spacing_m=3.0,
        vine_spacing_m=2.1,
        bearing_deg=block["grid_bearing_deg"],
        crs=choose_crs(blocks),
    )
    places = (rows["vines"] * (1 - rows["gap_m"] / rows["length_m"])).sum()
    assert places == pytest.approx(block["vines"], rel=0.01)


def test_vine_places_fill_the_row_and_turn_back():
    numbers = np.arange(1, 96)
    along = place_vines(numbers, length_m=200.0, vines=95)
    assert (number_vines(along, length_m=200.0, vines=95) == numbers).all()
    assert along[0] == pytest.approx(200 / 95 / 2)
    assert number_vines([-1.0, 0.0, 200.0, 201.0], length_m=200.0, vines=95).tolist() == [1, 1, 95, 95]


def test_length_is_ground_length():
    rows, _ = _rows(box(0, 0, 90, 400), place=INLAND, crs=AUSTRALIA)
    scale = ground_scale(AUSTRALIA, INLAND[0] + 45, INLAND[1] + 200, 0.0)
    assert scale > 1.002
    assert rows["length_m"].to_numpy() == pytest.approx(400.0 / scale, abs=1e-3)


@pytest.mark.parametrize(
    ("outline", "changes", "message"),
    [
        (box(0, 0, 3, 1), {}, r"block A1: No vine row fits: across rows on bearing 0 degrees.*3\.0 m wide"),
        (SQUARE, {"row": 0.0}, r"Row spacing is 0\.0 m and vine spacing 2\.0 m"),
        (SQUARE, {"bearing": np.nan}, r"Row direction is nan\..*estimate_bearing"),
        (SQUARE, {"row": 0.001}, r"rows would be needed\. Check the row spacing"),
        (Polygon(), {}, "The outline is empty"),
        (SQUARE.exterior, {}, "The outline is a LinearRing"),
        (Polygon([(0, 0), (9, 9), (9, 0), (0, 9)]), {}, r"not valid: Self-intersection.*prepare_blocks"),
    ],
    ids=["narrow", "no spacing", "no bearing", "millimetres", "empty", "ring", "bow tie"],
)
def test_impossible_rows_are_refused(outline, changes, message):
    with pytest.raises(GeometryError, match=message):
        _rows(outline, **changes)


def test_degrees_are_refused():
    with pytest.raises(GeometryError, match="block A1: WGS 84 is in degree; metres are needed"):
        _rows(SQUARE, crs="EPSG:4326")
