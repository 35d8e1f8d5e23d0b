"""Choice of the estate CRS, and refusal of coordinates that cannot be in the CRS they claim."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
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
BEYOND_VINES_DEG = 65.0  # [deg] no vineyard lies nearer a pole; common practice, no source
LOCAL_CENTRE_STEP_DEG = (
    0.1  # [deg] centre of a local CRS is rounded to this, so that it can be read and retyped
)
LOCAL_FALSE_ORIGIN_M = 500_000.0  # [m] keeps easting and northing positive within 500 km of the centre


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
    if largest_x <= 180.0 and largest_y <= BEYOND_VINES_DEG:
        return
    if largest_x <= 180.0 and largest_y <= 90.0:
        raise GeometryError(
            f"Latitude {max(south, north, key=abs):.6g}, longitude {west:.6g}: no vines grow beyond "
            f"{BEYOND_VINES_DEG:.0f} degrees of latitude; latitude and longitude are most likely swapped.",
            where=where,
            remedy="Swap the two columns, or export the outlines again with longitude first.",
        )
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
    "is_equal_area",
    "local_equal_area",
]
