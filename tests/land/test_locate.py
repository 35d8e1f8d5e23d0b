"""Points to rows and blocks: exact against shapely, fast, and true to each row's own direction."""

import time

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS
from shapely import LineString, Polygon, affinity, box

from vinemap.errors import GeometryError
from vinemap.land import RowFrame, find_outlines, ground_scale, lay_rows, locate_in_rows

AUSTRALIA = CRS.from_epsg(9473)
PLACE = (770_000.0, -3_765_000.0)
LSHAPE = affinity.translate(Polygon([(0, 0), (240, 0), (240, 80), (90, 80), (90, 300), (0, 300)]), *PLACE)


def _rows(bearing=27.0, outline=LSHAPE):
    return lay_rows(
        outline, block_id="A1", row_spacing_m=3.0, vine_spacing_m=2.1, bearing_deg=bearing, crs=AUSTRALIA
    )


def _points(rng, count=4000):
    west, south, east, north = LSHAPE.bounds
    return rng.uniform(west - 20, east + 20, count), rng.uniform(south - 20, north + 20, count)


@pytest.mark.parametrize("bearing", [0.0, 27.0, 90.0, 143.0, 200.0, 355.0])
def test_agrees_with_shapely_point_by_point(bearing):
    """Reference: nearest row by shapely distance; along by line_locate_point, brought to the ground."""
    rows = _rows(bearing)
    east, north = _points(np.random.default_rng(1))
    found = locate_in_rows(east, north, rows)
    points = shapely.points(east, north)
    lines = rows.geometry.to_numpy()
    distance = shapely.distance(lines[:, None], points[None, :])
    nearest = distance.argmin(axis=0)
    spacing = distance.min(axis=0)
    half = 1.5 * ground_scale(AUSTRALIA, *PLACE, bearing + 90)
    clear = (spacing < half - 0.05) | (spacing > half * 1.5)
    expected = np.where(spacing < half, rows["row_no"].to_numpy()[nearest], -1)
    assert (found["row_no"].to_numpy()[clear] == expected[clear]).mean() > 0.999
    both = (found["row_no"] == expected) & (expected > 0)
    ground = rows["length_m"].to_numpy()[nearest] / shapely.length(lines[nearest])
    along = shapely.line_locate_point(lines[nearest], points) * ground
    assert found["along_m"][both].to_numpy() == pytest.approx(along[both.to_numpy()], abs=1e-4)


def test_points_set_beside_a_row_come_back():
    """Ground distances along and across, set by hand and recovered."""
    rows = _rows(27.0)
    rng = np.random.default_rng(2)
    row = rng.integers(10, 30, 500)
    lines = rows.geometry.to_numpy()[row]
    length = rows["length_m"].to_numpy()[row]
    along, across = rng.uniform(1, length - 1), rng.uniform(-1.3, 1.3, 500)
    frame = RowFrame(27.0, 0.0, 0.0)
    start = shapely.get_coordinates(shapely.get_point(lines, 0))
    scale = ground_scale(AUSTRALIA, *PLACE, 27.0)
    step_east, step_north = frame.to_grid(along * scale, across / scale)
    found = locate_in_rows(start[:, 0] + step_east, start[:, 1] + step_north, rows)
    assert found["row_no"].tolist() == (row + 1).tolist()
    assert found["along_m"].to_numpy() == pytest.approx(along, abs=0.01)
    assert found["across_m"].to_numpy() == pytest.approx(across, abs=0.001)


def test_headland_and_neighbouring_land_belong_to_no_row():
    rows = _rows(0.0, box(PLACE[0], PLACE[1], PLACE[0] + 60, PLACE[1] + 100))
    west, south = PLACE
    found = locate_in_rows(
        [west + 1.5, west + 1.5, west - 4, west + 1.5], [south - 1, south - 5, south + 50, np.nan], rows
    )
    assert found["row_no"].tolist() == [1, -1, -1, -1]
    assert found["along_m"].iloc[0] == 0.0
    assert found.loc[1:, ["along_m", "across_m"]].isna().all(axis=None)
    assert found["row_no"].dtype == np.int64


def test_every_second_row_drawn_the_other_way_round():
    """Along and right-hand side follow each row's own first coordinate, as a serpentine file has them."""
    rows = _rows(27.0)
    flipped = rows.copy()
    reverse = np.arange(len(rows)) % 2 == 1
    flipped.loc[reverse, "geometry"] = flipped.loc[reverse, "geometry"].reverse()
    east, north = _points(np.random.default_rng(3), 1000)
    plain, other = locate_in_rows(east, north, rows), locate_in_rows(east, north, flipped)
    assert (plain["row_no"] == other["row_no"]).all()
    hit = plain["row_no"].to_numpy() > 0
    turned = hit & (plain["row_no"].to_numpy() % 2 == 0)
    length = rows["length_m"].to_numpy()[plain["row_no"].to_numpy()[turned] - 1]
    assert other["along_m"][turned].to_numpy() == pytest.approx(length - plain["along_m"][turned], abs=1e-6)
    assert other["across_m"][turned].to_numpy() == pytest.approx(
        -plain["across_m"][turned].to_numpy(), abs=1e-6
    )
    straight = hit & ~turned
    assert other["along_m"][straight].to_numpy() == pytest.approx(plain["along_m"][straight].to_numpy())


def test_curved_rows_are_followed():
    """Contour rows: three arcs 3 m apart, a point 0.5 m to the right at a third of the way."""
    angle = np.radians(np.linspace(0, 60, 61))
    arcs = [LineString(np.stack([r * np.sin(angle), r * np.cos(angle)], -1)) for r in (103.0, 100.0, 97.0)]
    rows = gpd.GeoDataFrame(
        {"block_id": "C", "row_no": [1, 2, 3], "length_m": [one.length for one in arcs]},
        geometry=arcs,
        crs=3035,
    )
    # Clockwise arcs about the origin: their right-hand side faces the origin.
    third = np.radians(20.0)
    found = locate_in_rows([99.5 * np.sin(third)], [99.5 * np.cos(third)], rows)
    assert found["row_no"].tolist() == [2]
    assert found["along_m"].iloc[0] == pytest.approx(100 * third, abs=0.05)
    assert found["across_m"].iloc[0] == pytest.approx(0.5, abs=0.02)


def test_one_row_alone_uses_a_common_spacing():
    rows = _rows(0.0).iloc[[5]]
    line = rows.geometry.iloc[0]
    east, north = line.coords[0][0], line.coords[0][1] + 10
    found = locate_in_rows([east + 1.4, east + 1.6], [north, north], rows)
    assert found["row_no"].tolist() == [6, -1]


def test_a_hundred_thousand_points_take_a_moment():
    rows = _rows(27.0)
    east, north = _points(np.random.default_rng(4), 100_000)
    locate_in_rows(east[:10], north[:10], rows)
    best = min(_seconds(east, north, rows) for _ in range(3))
    # 0.02 s on a free core; room for a busy machine.
    assert best < 0.2


def _seconds(east, north, rows):
    start = time.perf_counter()
    locate_in_rows(east, north, rows)
    return time.perf_counter() - start


def test_rows_of_several_blocks_and_no_rows_are_refused():
    rows = _rows()
    two = rows.copy()
    two.loc[3:, "block_id"] = "B7"
    with pytest.raises(GeometryError, match=r"Rows of 2 blocks \(A1, B7.*Pass the rows of one block"):
        locate_in_rows([0.0], [0.0], two)
    with pytest.raises(GeometryError, match="There are no vine rows"):
        locate_in_rows([0.0], [0.0], rows.iloc[:0])
    with pytest.raises(GeometryError, match=r"shape \(2,\), northing \(1,\)"):
        locate_in_rows([0.0, 1.0], [0.0], rows)


def _outlines():
    west, south = PLACE
    return np.array(
        [box(west, south, west + 100, south + 100), box(west + 102, south, west + 200, south + 100)]
    )


def test_points_go_to_the_block_they_lie_in_or_the_nearest_within_reach():
    west, south = PLACE
    east = west + np.array([50.0, 150.0, 100.5, 101.5, 100.0, 203.5, 50.0, np.nan])
    north = south + np.array([50.0, 50.0, 50.0, 50.0, 50.0, 50.0, -2.9, 50.0])
    assigned = find_outlines(east, north, _outlines(), tolerance_m=3.0)
    assert assigned.tolist() == [0, 1, 0, 1, 0, -1, 0, -1]
    assert assigned.dtype == "int64"
    assert find_outlines(east[:6], north[:6], _outlines(), tolerance_m=0.0).tolist()[2] == -1


def test_assignment_agrees_with_a_spatial_join():
    """Reference: geopandas.sjoin, within."""
    west, south = PLACE
    rng = np.random.default_rng(5)
    east, north = west + rng.uniform(-50, 250, 3000), south + rng.uniform(-50, 150, 3000)
    points = gpd.GeoDataFrame(geometry=gpd.points_from_xy(east, north), crs=AUSTRALIA)
    blocks = gpd.GeoDataFrame(geometry=_outlines(), crs=AUSTRALIA)
    joined = gpd.sjoin(points, blocks, how="left", predicate="within")["index_right"].fillna(-1)
    assert (find_outlines(east, north, _outlines(), tolerance_m=0.0) == joined.to_numpy()).all()
