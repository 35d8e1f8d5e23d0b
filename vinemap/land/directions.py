"""Direction of vine rows, from where the harvester drove or from the outline."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vinemap.errors import GeometryError

Floats = NDArray[np.float64]
FEWEST_READINGS = 20  # fewer readings do not tell a direction
STEP_M = 15.0  # [m] a heading is taken over about this distance, so that GPS jitter matters less
MOST_STEPS = 25
SHORTEST, LONGEST = 0.5, 2.0  # of the usual step: below is standstill or a turn, above a gap in the log
PEAK_WIDTH_DEG = 2.0  # [deg] headings within a few of these of the peak belong to the rows


def mean_direction(bearing_deg: Any, weight: Any) -> float:
    """Weighted mean of undirected bearings, in [0, 180).

    Parameters
    ----------
    bearing_deg : array_like, shape (n,)
        Bearings [deg]; 10 and 190 are the same.
    weight : array_like, shape (n,)

    Returns
    -------
    float
        [deg]

    References
    ----------
    Mardia, K.V. & Jupp, P.E. 2000, Directional Statistics, Wiley, ch. 1 (axial data by doubled angles).

    Examples
    --------
    >>> round(mean_direction([179.0, 1.0, 181.0], [1.0, 1.0, 1.0]), 6) % 180.0
    0.333454
    """
    doubled = np.radians(2.0 * np.asarray(bearing_deg, dtype=float))
    vector = np.sum(np.asarray(weight, dtype=float) * np.exp(1j * doubled))
    return float(np.degrees(np.angle(vector)) / 2.0 % 180.0)


def estimate_bearing(outline: Any, *, easting: Any = None, northing: Any = None) -> float:
    """Estimate the direction of the rows from where the harvester drove, else from the outline's long sides.

    Parameters
    ----------
    outline : shapely.Polygon or shapely.MultiPolygon
        In a CRS in metres.
    easting, northing : array_like, shape (n,), optional
        Readings in the order they were logged [m].

    Returns
    -------
    float
        Bearing from grid north, in [0, 180) [deg].

    Raises
    ------
    GeometryError
        If the outline is empty.

    Examples
    --------
    >>> round(estimate_bearing(shapely.box(0, 0, 100, 400)), 3) % 180.0
    0.0
    """
    if outline.is_empty:
        raise GeometryError("The outline is empty.", remedy="Give the outline of a block.")
    if easting is not None and northing is not None:
        headings = _headings(np.asarray(easting, dtype=float), np.asarray(northing, dtype=float))
        if len(headings) >= FEWEST_READINGS:
            return _peak_direction(headings, np.ones(len(headings)))
    bearing, length = _sides(outline)
    return _peak_direction(bearing, length)


def _headings(east: Floats, north: Floats) -> Floats:
    if len(east) < FEWEST_READINGS:
        return np.zeros(0)
    single = np.hypot(np.diff(east), np.diff(north))
    moving = single[single > 0]
    usual = float(np.median(moving)) if len(moving) else STEP_M
    count = int(np.clip(round(STEP_M / usual), 1, min(MOST_STEPS, len(east) - 1)))
    step_east, step_north = east[count:] - east[:-count], north[count:] - north[:-count]
    length = np.hypot(step_east, step_north)
    keep = (length >= SHORTEST * usual * count) & (length <= LONGEST * usual * count)
    return np.asarray(np.degrees(np.arctan2(step_east[keep], step_north[keep])) % 180.0, dtype=float)


def _sides(outline: Any) -> tuple[Floats, Floats]:
    polygons = shapely.get_parts(outline)
    bearing, length = [], []
    for polygon in polygons:
        points = shapely.get_coordinates(polygon.exterior)
        step = np.diff(points, axis=0)
        bearing.append(np.degrees(np.arctan2(step[:, 0], step[:, 1])) % 180.0)
        length.append(np.hypot(step[:, 0], step[:, 1]))
    return np.concatenate(bearing), np.concatenate(length)


def _peak_direction(bearing: Floats, weight: Floats) -> float:
    edges = np.arange(0.0, 181.0, 1.0)
    count, _ = np.histogram(bearing, bins=edges, weights=weight)
    centre = edges[:-1] + 0.5
    apart = np.abs((centre[:, None] - centre[None, :] + 90.0) % 180.0 - 90.0)
    smooth = np.exp(-0.5 * (apart / PEAK_WIDTH_DEG) ** 2) @ count
    peak = float(centre[int(np.argmax(smooth))])
    for _ in range(3):
        close = np.abs((bearing - peak + 90.0) % 180.0 - 90.0) <= 3 * PEAK_WIDTH_DEG
        peak = mean_direction(bearing[close], weight[close])
    return peak


__all__ = ["estimate_bearing", "mean_direction"]
