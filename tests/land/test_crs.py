"""Choice of the estate CRS and refusal of coordinates that cannot be in the CRS they claim."""

import geopandas as gpd
import pytest
from pyproj import CRS, Transformer
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from shapely import box

from vinemap.errors import GeometryError
from vinemap.land import choose_crs, is_equal_area, local_equal_area
from vinemap.land.crs import OFFICIAL_EQUAL_AREA, check_coordinates, check_metre_crs


def _outline(longitude, latitude, size=0.01, crs="EPSG:4326"):
    return gpd.GeoSeries([box(longitude, latitude, longitude + size, latitude + size)], crs=crs)


@pytest.mark.parametrize("code", OFFICIAL_EQUAL_AREA)
def test_official_crs_is_registered_equal_area_in_metres(code):
    """Each CRS of the table is a live entry of the EPSG register (as shipped with PROJ)."""
    registered = {one.code for one in query_crs_info(auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS])}
    crs = CRS.from_epsg(code)
    assert str(code) in registered
    assert is_equal_area(crs)
    assert {axis.unit_name for axis in crs.axis_info} == {"metre"}
    assert crs.area_of_use is not None
    assert crs.name in OFFICIAL_EQUAL_AREA[code]


@pytest.mark.parametrize(
    ("longitude", "latitude", "code"),
    [
        (140.5, -34.3, 9473),  # inland river plain, south-eastern Australia
        (173.8, -41.5, 9191),  # New Zealand
        (18.9, -33.9, 9221),  # South Africa
        (-119.5, 49.4, 3005),  # British Columbia
        (-79.2, 43.2, 3175),  # Great Lakes
        (-122.4, 38.4, 5070),  # California
        (4.8, 44.1, 3035),  # Rhone
    ],
)
def test_official_crs_is_taken_where_its_area_of_use_covers(longitude, latitude, code):
    """Places by region; expected codes from the EPSG areas of use."""
    assert choose_crs(_outline(longitude, latitude)).to_epsg() == code


@pytest.mark.parametrize(("longitude", "latitude"), [(-70.7, -33.6), (-68.9, -33.1), (45.6, 41.8)])
def test_local_crs_elsewhere_is_equal_area_and_centred(longitude, latitude):
    crs = choose_crs(_outline(longitude, latitude))
    assert crs.to_epsg() is None
    assert is_equal_area(crs)
    assert crs.name.startswith("Local equal-area (LAEA) centred on")
    east, north = Transformer.from_crs(4326, crs, always_xy=True).transform(longitude, latitude)
    assert east == pytest.approx(500_000, abs=10_000)
    assert north == pytest.approx(500_000, abs=10_000)


def test_estate_across_the_border_of_an_area_of_use_gets_a_local_crs():
    """Covers means covers fully: one block inside, one far outside."""
    two = gpd.GeoSeries([box(153.0, -30.0, 153.01, -29.99), box(160.0, -30.0, 160.01, -29.99)], crs=4326)
    assert choose_crs(two).to_epsg() != 9473


def test_area_of_use_across_the_180th_meridian():
    """EPSG:9191 runs from 155 E to 169.99 W."""
    assert choose_crs(_outline(-176.5, -44.0)).to_epsg() == 9191
    assert choose_crs(_outline(-165.0, -44.0)).to_epsg() is None


def test_projected_outlines_give_the_same_crs_as_the_same_in_degrees():
    degrees = _outline(140.5, -34.3)
    assert choose_crs(degrees.to_crs(32754)) == choose_crs(degrees)


def test_local_crs_survives_storage_as_text():
    """WKT2 and PROJJSON are what GeoPackage and GeoParquet keep."""
    crs = local_equal_area(-33.04, -68.87)
    assert CRS.from_wkt(crs.to_wkt()) == crs
    assert CRS.from_json(crs.to_json()) == crs
    assert [axis.abbrev for axis in crs.axis_info] == ["E", "N"]


def test_epsg_worked_example_lambert_azimuthal():
    """EPSG Guidance Note 7-2, Lambert azimuthal equal-area (EPSG:3035): 50 N 5 E. Handbook section 6 [R]."""
    transform = Transformer.from_crs(CRS.from_epsg(3035).geodetic_crs, 3035, always_xy=True)
    east, north = transform.transform(5.0, 50.0)
    assert east == pytest.approx(3962799.45, abs=0.005)
    assert north == pytest.approx(2999718.85, abs=0.005)


def test_local_crs_uses_the_method_of_the_worked_example():
    """The same worked example, through `local_equal_area`: only the false origin differs. [R]"""
    crs = local_equal_area(52.0, 10.0)
    assert crs.coordinate_operation is not None
    assert crs.coordinate_operation.method_name == CRS.from_epsg(3035).coordinate_operation.method_name
    east, north = Transformer.from_crs(4326, crs, always_xy=True).transform(5.0, 50.0)
    # WGS84 and GRS80 differ by 0.1 mm in the minor axis.
    assert east - 500_000 == pytest.approx(3962799.45 - 4_321_000, abs=0.005)
    assert north - 500_000 == pytest.approx(2999718.85 - 3_210_000, abs=0.005)


def test_epsg_worked_example_albers():
    """EPSG Guidance Note 7-2, Albers: 42 deg 45' N 78 deg 45' W, EPSG:3174. Handbook section 6 [R]."""
    transform = Transformer.from_crs(CRS.from_epsg(3174).geodetic_crs, 3174, always_xy=True)
    east, north = transform.transform(-78.75, 42.75)
    assert east == pytest.approx(1466493.492, abs=0.001)
    assert north == pytest.approx(702903.006, abs=0.001)
    method = CRS.from_epsg(3174).coordinate_operation.method_name
    for code in (9473, 9191, 9221, 3005, 3175, 5070):
        assert CRS.from_epsg(code).coordinate_operation.method_name == method


def test_no_crs_is_refused_with_a_remedy():
    with pytest.raises(GeometryError, match=r"no CRS \(first corner 140.01, -34\.5\).*--crs EPSG:4326"):
        choose_crs(_outline(140.0, -34.5, crs=None))


@pytest.mark.parametrize(("x", "y"), [(-34.5, 140.0), (38.4, -122.4)])
def test_swapped_latitude_and_longitude_are_named(x, y):
    with pytest.raises(GeometryError, match="beyond 90 degrees: latitude and longitude are swapped"):
        choose_crs(_outline(x, y))


def test_swapped_coordinates_that_stay_within_90_degrees_land_near_a_pole():
    """Chile and Argentina: 33 S 70 W read as 70 S 33 W."""
    with pytest.raises(GeometryError, match=r"no vines grow beyond 65 degrees.*most likely swapped"):
        choose_crs(_outline(-33.6, -70.7))


def test_metres_under_a_degree_crs_are_named():
    metres = gpd.GeoSeries([box(450_000, 6_180_000, 450_400, 6_180_300)], crs="EPSG:4326")
    with pytest.raises(GeometryError, match=r"cannot be degrees.*metres or feet"):
        choose_crs(metres)


def test_degrees_under_a_metre_crs_are_named():
    with pytest.raises(GeometryError, match=r"look like degrees, yet the CRS is WGS 84 / UTM zone 54S"):
        choose_crs(_outline(140.0, -34.5, crs="EPSG:32754"))


def test_nothing_at_all_is_refused():
    with pytest.raises(GeometryError, match="There is no outline"):
        choose_crs(gpd.GeoSeries([], crs="EPSG:4326"))


def test_small_block_in_metres_is_not_taken_for_degrees():
    check_coordinates(gpd.GeoSeries([box(100, 50, 130, 80)], crs="EPSG:3035"))


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:2226", None])
def test_metre_crs_is_required(crs):
    """EPSG:2226 is a state plane CRS in US survey feet."""
    with pytest.raises(GeometryError, match=r"metres are needed|There is no CRS"):
        check_metre_crs(crs)
