"""Choice of the estate CRS, and what its grid does to lengths and directions on the ground."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Geod, Transformer
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import LambertAzimuthalEqualAreaConversion

from vinemap.errors import GeometryError

WGS84 = CRS.from_epsg(4326)

# Official national and continental equal-area CRSs in metres, from the EPSG register; the first whose area of
# use covers every outline is taken, so smaller areas of use come before larger ones that overlap them.
OFFICIAL_EQUAL_AREA = {
    9473: "Australia (GDA2020 / Australian Albers)",
    9191: "New Zealand (WGS 84 / NIWA Albers)",
    9221: "South Africa (Hartebeesthoek94 / ZAF BSU Albers 25E)",
    3005: "British Columbia (NAD83 / BC Albers)",
    3175: "Great Lakes and St Lawrence (NAD83 / Great Lakes and St Lawrence Albers)",
    5070: "conterminous United States (NAD83 / Conus Albers)",
    3035: "Europe (ETRS89-extended / LAEA Europe)",
}
LOCAL_CENTRE_STEP_DEG = (
    0.1  # [deg] centre of a local CRS is rounded to this, so that it can be read and retyped
)
LOCAL_FALSE_ORIGIN_M = 500_000.0  # [m] keeps easting and northing positive within 500 km of the centre
PROBE_M = 50.0  # [m] half length of the short lines by which the grid is compared with the ground


def choose_crs(outlines: Any) -> CRS:
    """Choose the equal-area CRS in which an estate is worked out.

    The first official CRS of `OFFICIAL_EQUAL_AREA` whose area of use covers every outline is taken; elsewhere
    a Lambert azimuthal equal-area CRS is centred on the estate, its centre rounded to 0.1 degrees.

    Parameters
    ----------
    outlines : geopandas.GeoDataFrame or geopandas.GeoSeries
        Outlines in any CRS. Not altered.

    Returns
    -------
    pyproj.CRS
        Equal-area, axes in metres.

    Raises
    ------
    GeometryError
        If there is no outline, no CRS, latitude and longitude are swapped, or coordinates do not fit the CRS.

    References
    ----------
    EPSG Geodetic Parameter Dataset (as shipped with PROJ); Guidance Note 7-2 for the projection methods.

    Examples
    --------
    >>> from geopandas import GeoSeries
    >>> from shapely import box
    >>> choose_crs(GeoSeries([box(140.0, -34.5, 140.01, -34.49)], crs="EPSG:4326")).to_epsg()
    9473
    >>> choose_crs(GeoSeries([box(-68.9, -33.1, -68.89, -33.09)], crs="EPSG:4326")).name
    'Local equal-area (LAEA) centred on 33.1 S 68.9 W'
    """
    check_coordinates(outlines)
    west, south, east, north = outlines.geometry.to_crs(WGS84).total_bounds
    for code in OFFICIAL_EQUAL_AREA:
        crs = CRS.from_epsg(code)
        if _covers(crs, west, south, east, north):
            return crs
    return local_equal_area((south + north) / 2, (west + east) / 2)


def local_equal_area(latitude: float, longitude: float) -> CRS:
    """Define a Lambert azimuthal equal-area CRS on WGS84, centred near a place.

    Parameters
    ----------
    latitude, longitude : float
        Place [deg]; rounded to `LOCAL_CENTRE_STEP_DEG`.

    Returns
    -------
    pyproj.CRS
        Axes easting, northing [m], false origin 500,000 m in both.

    References
    ----------
    EPSG Guidance Note 7-2, Lambert Azimuthal Equal Area (EPSG method 9820).

    Examples
    --------
    >>> local_equal_area(-33.04, -68.87).name
    'Local equal-area (LAEA) centred on 33.0 S 68.9 W'
    """
    latitude = round(round(latitude / LOCAL_CENTRE_STEP_DEG) * LOCAL_CENTRE_STEP_DEG, 6)
    longitude = round(round(longitude / LOCAL_CENTRE_STEP_DEG) * LOCAL_CENTRE_STEP_DEG, 6)
    north, east = "S" if latitude < 0 else "N", "W" if longitude < 0 else "E"
    place = f"{abs(latitude):.1f} {north} {abs(longitude):.1f} {east}"
    conversion = LambertAzimuthalEqualAreaConversion(
        latitude_natural_origin=latitude,
        longitude_natural_origin=longitude,
        false_easting=LOCAL_FALSE_ORIGIN_M,
        false_northing=LOCAL_FALSE_ORIGIN_M,
    )
    name = f"Local equal-area (LAEA) centred on {place}"
    return CRS(ProjectedCRS(conversion=conversion, name=name, geodetic_crs=WGS84).to_wkt())


def is_equal_area(crs: CRS) -> bool:
    """Tell whether a CRS is projected by an equal-area method.

    Parameters
    ----------
    crs : pyproj.CRS

    Returns
    -------
    bool

    Examples
    --------
    >>> is_equal_area(CRS.from_epsg(3035)), is_equal_area(CRS.from_epsg(32754))
    (True, False)
    """
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    return crs.is_projected and "equal area" in method.lower()


def check_coordinates(outlines: Any, *, where: str = "block outlines") -> None:
    """Refuse outlines whose coordinates cannot be in the CRS they claim.

    Parameters
    ----------
    outlines : geopandas.GeoDataFrame or geopandas.GeoSeries
    where : str, optional
        File or table, for the message.

    Raises
    ------
    GeometryError
        No outline, no CRS, swapped latitude and longitude, degrees under a metre CRS or metres under degrees.

    Examples
    --------
    >>> from shapely import box
    >>> from geopandas import GeoSeries
    >>> try:
    ...     check_coordinates(GeoSeries([box(-34.5, 140.0, -34.4, 140.1)], crs="EPSG:4326"))
    ... except GeometryError as error:
    ...     print(error.what)
    Latitude 140.1 is beyond 90 degrees: latitude and longitude are swapped.
    """
    if len(outlines) == 0 or outlines.geometry.is_empty.all():
        raise GeometryError("There is no outline.", where=where, remedy="Give at least one block outline.")
    if outlines.crs is None:
        x, y = _first_corner(outlines)
        raise GeometryError(
            f"The outlines carry no CRS (first corner {x:.6g}, {y:.6g}).",
            where=where,
            remedy="Say which one they are in, e.g. --crs EPSG:4326 for longitude and latitude from a GPS.",
        )
    bounds = outlines.total_bounds
    if not np.isfinite(bounds).all():
        raise GeometryError(
            "An outline has a corner without a position.", where=where, remedy="Draw the outline again."
        )
    if outlines.crs.is_geographic:
        _check_degrees(bounds, where)
    else:
        _check_metres(outlines, bounds, where)


def ground_matrix(crs: CRS, easting: float, northing: float) -> NDArray[np.float64]:
    """Give the matrix that turns a short step on the grid into the step on the ground at a place.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected, axes in metres.
    easting, northing : float
        Place [m].

    Returns
    -------
    ndarray, shape (2, 2)
        ``matrix @ (grid east, grid north) = (true east, true north)``, metre per metre. Its determinant is 1
        for an equal-area CRS.

    References
    ----------
    Snyder, J.P. 1987, Map Projections: A Working Manual, USGS Professional Paper 1395,
    pp. 20-24 (distortion).

    Examples
    --------
    >>> matrix = ground_matrix(CRS.from_epsg(9473), 731274.0, -3789364.0)
    >>> round(float(np.linalg.det(matrix)), 6)
    1.0
    """
    inverse, geod = _to_ground(crs), geodesy_of(crs)[0]
    steps = np.array([[0.0, 0.0], [PROBE_M, 0.0], [-PROBE_M, 0.0], [0.0, PROBE_M], [0.0, -PROBE_M]])
    longitude, latitude = inverse.transform(easting + steps[:, 0], northing + steps[:, 1])
    azimuth, _, length = geod.inv(
        np.repeat(longitude[0], 4), np.repeat(latitude[0], 4), longitude[1:], latitude[1:]
    )
    angle = np.radians(azimuth)
    reached = np.stack([length * np.sin(angle), length * np.cos(angle)])
    # Centred differences: the curvature of the grid lines cancels.
    matrix = np.stack([reached[:, 0] - reached[:, 1], reached[:, 2] - reached[:, 3]], axis=1) / (2 * PROBE_M)
    if not np.isfinite(matrix).all():
        raise GeometryError(
            f"Place {easting:.1f} m E, {northing:.1f} m N lies outside {crs.name}.",
            remedy="Use the estate CRS of land.choose_crs.",
        )
    return matrix


def ground_scale(crs: CRS, easting: float, northing: float, bearing_deg: float) -> float:
    """Planar length over ground length of a short line in a direction.

    Equal-area CRSs keep areas and pay with lengths: in a continental Albers CRS a line is up to about 1 % too
    long or too short, so rows 3.0 m apart on the ground are not 3.0 m apart on the grid.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected, axes in metres.
    easting, northing : float
        Place [m].
    bearing_deg : float
        Direction from grid north, clockwise [deg].

    Returns
    -------
    float

    Raises
    ------
    GeometryError
        If the CRS is not in metres or the place lies outside it.

    Examples
    --------
    >>> round(ground_scale(CRS.from_epsg(9473), 731274.0, -3789364.0, 0.0), 3)
    1.004
    """
    return float(1.0 / np.linalg.norm(ground_matrix(crs, easting, northing) @ _direction(bearing_deg)))


def planar_spacing(crs: CRS, easting: float, northing: float, bearing_deg: float, spacing_m: float) -> float:
    """Give the distance on the grid between parallel lines that are `spacing_m` apart on the ground.

    A strip along the lines keeps its area up to the areal scale, so its planar width is its ground width
    times the areal scale over the scale along the lines. (The scale across the lines would do only where
    lines and their perpendiculars stay perpendicular on the grid.)

    Parameters
    ----------
    crs : pyproj.CRS
    easting, northing : float
        Place [m].
    bearing_deg : float
        Direction of the lines from grid north [deg].
    spacing_m : float
        Distance between the lines on the ground [m].

    Returns
    -------
    float
        Distance on the grid [m].

    Examples
    --------
    >>> round(planar_spacing(CRS.from_epsg(9473), 731274.0, -3789364.0, 0.0, 3.0), 2)
    2.99
    """
    matrix = ground_matrix(crs, easting, northing)
    areal = 1.0 / abs(float(np.linalg.det(matrix)))
    along = 1.0 / float(np.linalg.norm(matrix @ _direction(bearing_deg)))
    return spacing_m * areal / along


def grid_bearing(crs: CRS, easting: float, northing: float, true_bearing_deg: float) -> float:
    """Turn a bearing from true north into one from grid north.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected, axes in metres.
    easting, northing : float
        Place [m].
    true_bearing_deg : float
        Direction from true north, clockwise [deg].

    Returns
    -------
    float
        Direction from grid north, clockwise, in [0, 360) [deg].

    Raises
    ------
    GeometryError
        If the CRS is not in metres or the place lies outside it.

    Examples
    --------
    >>> round(grid_bearing(CRS.from_epsg(9473), 731274.0, -3789364.0, 0.0), 1)
    3.6
    """
    east, north = np.linalg.solve(ground_matrix(crs, easting, northing), _direction(true_bearing_deg))
    return float(np.degrees(np.arctan2(east, north)) % 360.0)


def true_bearing(crs: CRS, easting: float, northing: float, bearing_deg: float) -> float:
    """Turn a bearing from grid north into one from true north; the reverse of `grid_bearing`.

    Parameters
    ----------
    crs : pyproj.CRS
    easting, northing : float
        Place [m].
    bearing_deg : float
        Direction from grid north, clockwise [deg].

    Returns
    -------
    float
        Direction from true north, clockwise, in [0, 360) [deg].

    Examples
    --------
    >>> crs = CRS.from_epsg(9473)
    >>> round(true_bearing(crs, 731274.0, -3789364.0, grid_bearing(crs, 731274.0, -3789364.0, 90.0)), 6)
    90.0
    """
    east, north = ground_matrix(crs, easting, northing) @ _direction(bearing_deg)
    return float(np.degrees(np.arctan2(east, north)) % 360.0)


def check_metre_crs(crs: Any, *, where: str = "") -> CRS:
    """Give the CRS as pyproj.CRS if it is projected with axes in metres; else refuse.

    Parameters
    ----------
    crs : pyproj.CRS or anything pyproj takes for one
    where : str, optional
        For the message.

    Returns
    -------
    pyproj.CRS

    Raises
    ------
    GeometryError
        If it is missing, geographic, or not in metres.

    Examples
    --------
    >>> check_metre_crs("EPSG:3035").name
    'ETRS89-extended / LAEA Europe'
    """
    if crs is None:
        raise GeometryError("There is no CRS.", where=where, remedy="Use the estate CRS of land.choose_crs.")
    known = CRS.from_user_input(crs)
    unit = known.axis_info[0].unit_name if known.axis_info else ""
    if not known.is_projected or unit not in ("metre", "meter"):
        raise GeometryError(
            f"{known.name} is in {unit or 'unknown units'}; metres are needed.",
            where=where,
            remedy="Reproject first, e.g. blocks.to_crs(land.choose_crs(blocks)).",
        )
    return known


def geodesy_of(crs: CRS) -> tuple[Geod, CRS]:
    """Give the geodesic calculator and the geographic CRS beneath a projected CRS.

    Parameters
    ----------
    crs : pyproj.CRS

    Returns
    -------
    geod : pyproj.Geod
    geographic : pyproj.CRS

    Raises
    ------
    GeometryError
        If the CRS has no ellipsoid.

    Examples
    --------
    >>> geodesy_of(CRS.from_epsg(3035))[1].name
    'ETRS89'
    """
    geod, geographic = crs.get_geod(), crs.geodetic_crs
    if geographic is None or geod is None:
        raise GeometryError(f"{crs.name} has no ellipsoid.", remedy="Use the estate CRS of land.choose_crs.")
    return geod, geographic


def _direction(bearing_deg: float) -> NDArray[np.float64]:
    angle = np.radians(bearing_deg)
    return np.array([np.sin(angle), np.cos(angle)])


@lru_cache(maxsize=32)
def _to_ground(crs: CRS) -> Transformer:
    check_metre_crs(crs)
    return Transformer.from_crs(crs, geodesy_of(crs)[1], always_xy=True)


def _covers(crs: CRS, west: float, south: float, east: float, north: float) -> bool:
    area = crs.area_of_use
    if area is None or not (area.south <= south and north <= area.north):
        return False
    if area.west <= area.east:
        return bool(area.west <= west and east <= area.east)
    # Area of use across the 180th meridian.
    return bool((west >= area.west and east >= area.west) or (west <= area.east and east <= area.east))


def _first_corner(outlines: Any) -> tuple[float, float]:
    corner = outlines.geometry.get_coordinates().iloc[0]
    return float(corner["x"]), float(corner["y"])


def _check_degrees(bounds: NDArray[np.float64], where: str) -> None:
    west, south, east, north = (float(one) for one in bounds)
    largest_x, largest_y = max(abs(west), abs(east)), max(abs(south), abs(north))
    if largest_x <= 180.0 and largest_y <= 90.0:
        return
    if largest_x <= 90.0 and largest_y <= 180.0:
        raise GeometryError(
            f"Latitude {max(south, north, key=abs):.6g} is beyond 90 degrees: "
            "latitude and longitude are swapped.",
            where=where,
            remedy="Swap the two columns, or export the outlines again with longitude first.",
        )
    raise GeometryError(
        f"Coordinates up to {largest_x:.0f}, {largest_y:.0f} cannot be degrees, "
        "yet the CRS is longitude and latitude.",
        where=where,
        remedy="They look like metres or feet: name the projected CRS they are in with --crs EPSG:<code>.",
    )


def _check_metres(outlines: Any, bounds: NDArray[np.float64], where: str) -> None:
    west, south, east, north = (float(one) for one in bounds)
    in_degrees = max(abs(west), abs(east)) <= 180.0 and max(abs(south), abs(north)) <= 180.0
    # A block drawn in metres is wider than a tenth of a metre; one drawn in degrees hardly spans one unit.
    if not in_degrees or max(east - west, north - south) > 5.0:
        return
    raise GeometryError(
        f"Coordinates such as {west:.6g}, {south:.6g} look like degrees, yet the CRS is {outlines.crs.name} "
        f"({outlines.crs.axis_info[0].unit_name}).",
        where=where,
        remedy="If they are longitude and latitude, say so with --crs EPSG:4326.",
    )


__all__ = [
    "OFFICIAL_EQUAL_AREA",
    "WGS84",
    "check_coordinates",
    "check_metre_crs",
    "choose_crs",
    "geodesy_of",
    "grid_bearing",
    "ground_matrix",
    "ground_scale",
    "is_equal_area",
    "local_equal_area",
    "planar_spacing",
    "true_bearing",
]
