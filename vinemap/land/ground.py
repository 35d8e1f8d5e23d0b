"""What the grid of a CRS does to lengths and directions on the ground."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Geod, Transformer

from vinemap.errors import GeometryError
from vinemap.land.crs import check_metre_crs

PROBE_M = 50.0  # [m] half length of the short lines by which the grid is compared with the ground


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

    Raises
    ------
    GeometryError
        If the CRS is not in metres or the place lies outside it.

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
    crs, easting, northing
        As in `ground_matrix`.
    bearing_deg : float
        Direction from grid north, clockwise [deg].

    Returns
    -------
    float

    Raises
    ------
    GeometryError
        As of `ground_matrix`.

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
    crs, easting, northing
        As in `ground_matrix`.
    bearing_deg : float
        Direction of the lines from grid north [deg].
    spacing_m : float
        Distance between the lines on the ground [m].

    Returns
    -------
    float
        Distance on the grid [m].

    Raises
    ------
    GeometryError
        As of `ground_matrix`.

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
    crs, easting, northing
        As in `ground_matrix`.
    true_bearing_deg : float
        Direction from true north, clockwise [deg].

    Returns
    -------
    float
        Direction from grid north, clockwise, in [0, 360) [deg].

    Raises
    ------
    GeometryError
        As of `ground_matrix`.

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
    crs, easting, northing
        As in `ground_matrix`.
    bearing_deg : float
        Direction from grid north, clockwise [deg].

    Returns
    -------
    float
        Direction from true north, clockwise, in [0, 360) [deg].

    Raises
    ------
    GeometryError
        As of `ground_matrix`.

    Examples
    --------
    >>> crs = CRS.from_epsg(9473)
    >>> round(true_bearing(crs, 731274.0, -3789364.0, grid_bearing(crs, 731274.0, -3789364.0, 90.0)), 6)
    90.0
    """
    east, north = ground_matrix(crs, easting, northing) @ _direction(bearing_deg)
    return float(np.degrees(np.arctan2(east, north)) % 360.0)


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


__all__ = ["geodesy_of", "grid_bearing", "ground_matrix", "ground_scale", "planar_spacing", "true_bearing"]
