"""What the grid does to lengths and directions, against geodesics (Karney 2013, through pyproj.Geod)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer

from vinemap.errors import GeometryError
from vinemap.land import (
    grid_bearing,
    ground_matrix,
    ground_scale,
    local_equal_area,
    planar_spacing,
    true_bearing,
)

PLACES = [
    (9473, 140.5, -34.3),
    (9473, 116.0, -33.9),
    (5070, -122.4, 38.4),
    (3035, -6.8, 42.0),
    (9221, 18.9, -33.9),
    (3005, -119.5, 49.4),
]


def _place(code, longitude, latitude):
    crs = CRS.from_epsg(code)
    east, north = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform(longitude, latitude)
    return crs, east, north


@pytest.mark.parametrize(("code", "longitude", "latitude"), PLACES)
@pytest.mark.parametrize("bearing", [0.0, 37.0, 90.0, 151.0])
def test_scale_is_planar_over_geodesic_length(code, longitude, latitude, bearing):
    """A 200 m line measured on the grid and on the ellipsoid, other end reached by geodesic."""
    crs, east, north = _place(code, longitude, latitude)
    geod = crs.get_geod()
    forward = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    azimuth = true_bearing(crs, east, north, bearing)
    ends = [geod.fwd(longitude, latitude, azimuth + turn, 100.0)[:2] for turn in (0.0, 180.0)]
    a, b = (np.array(forward.transform(*end)) for end in ends)
    assert ground_scale(crs, east, north, bearing) == pytest.approx(np.linalg.norm(a - b) / 200.0, abs=1e-7)
    step = a - b
    turn = np.degrees(np.arctan2(step[0], step[1])) - bearing
    assert (turn + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(("code", "longitude", "latitude"), PLACES)
def test_areal_scale_is_one(code, longitude, latitude):
    """Equal-area: the determinant of the ground matrix is 1."""
    crs, east, north = _place(code, longitude, latitude)
    assert np.linalg.det(ground_matrix(crs, east, north)) == pytest.approx(1.0, abs=1e-7)


def test_scale_agrees_with_the_distortion_factors_of_proj():
    """Albers: parallels and meridians are the principal directions; PROJ gives their scales."""
    from pyproj import Proj

    crs, east, north = _place(9473, 140.5, -34.3)
    factors = Proj(crs).get_factors(140.5, -34.3)
    along_meridian = grid_bearing(crs, east, north, 0.0)
    along_parallel = grid_bearing(crs, east, north, 90.0)
    assert ground_scale(crs, east, north, along_meridian) == pytest.approx(factors.meridional_scale, abs=1e-7)
    assert ground_scale(crs, east, north, along_parallel) == pytest.approx(factors.parallel_scale, abs=1e-7)
    # Grid convergence: true north seen from grid north.
    assert (along_meridian + 180) % 360 - 180 == pytest.approx(-factors.meridian_convergence, abs=1e-4)


def test_distortion_of_a_continental_crs_is_worth_correcting():
    """Up to about 1 %: over a 600 m wide block more than a row of 3 m."""
    crs, east, north = _place(9473, 140.5, -34.3)
    worst = max(abs(ground_scale(crs, east, north, bearing) - 1.0) for bearing in range(0, 180, 5))
    assert 0.003 < worst < 0.012


def test_local_crs_hardly_distorts():
    crs = local_equal_area(-33.0, -68.9)
    assert ground_scale(crs, 505_000.0, 505_000.0, 30.0) == pytest.approx(1.0, abs=1e-5)
    assert grid_bearing(crs, 500_000.0, 500_000.0, 30.0) == pytest.approx(30.0, abs=1e-4)


@settings(max_examples=25, deadline=None)
@given(bearing=st.floats(0, 359.9), place=st.sampled_from(PLACES))
def test_bearings_turn_back_and_spacing_keeps_area(bearing, place):
    crs, east, north = _place(*place)
    back = grid_bearing(crs, east, north, true_bearing(crs, east, north, bearing))
    assert (back - bearing + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-9)
    # A strip 1 m long and 3 m wide on the ground covers 3 m2 on the grid.
    strip = planar_spacing(crs, east, north, bearing, 3.0) * ground_scale(crs, east, north, bearing)
    assert strip == pytest.approx(3.0, rel=1e-7)


def test_geodesic_octant():
    """The calculator beneath `compare_areas`: handbook section 6, 63758202715511.06 m2 on WGS84 [R]."""
    area, _ = Geod(ellps="WGS84").polygon_area_perimeter([0, 90, 0], [0, 0, 90])
    assert area == pytest.approx(63758202715511.06, rel=1e-12)


def test_degrees_are_refused():
    with pytest.raises(GeometryError, match=r"WGS 84 is in degree; metres are needed"):
        ground_scale(CRS.from_epsg(4326), 140.0, -34.0, 0.0)


def test_place_outside_the_crs_is_refused():
    with pytest.raises(GeometryError, match="lies outside"):
        ground_scale(CRS.from_epsg(3035), 9e7, 9e7, 0.0)
