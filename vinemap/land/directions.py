"""Direction and phase of vine rows, from outlines and from where the harvester drove."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vinemap.errors import GeometryError
from vinemap.land.crs import check_metre_crs, planar_spacing
from vinemap.land.rows import RowFrame, turn_outline

Floats = NDArray[np.float64]
CLEAR_CONCENTRATION = (
    0.3  # below this the readings do not tell where the rows stand; common practice, no source
)
FEWEST_READINGS = 20  # fewer readings tell neither direction nor phase
STEP_READINGS = 3  # a heading is taken over this many readings, so that GPS jitter matters less
SMALLEST_STEP_M, LARGEST_STEP_M = 2.0, 30.0  # [m] shorter is jitter at standstill, longer a gap in the log
PEAK_WIDTH_DEG = 2.0  # [deg] headings within a few of these of the peak belong to the rows


@dataclass(frozen=True, slots=True)
class RowPhase:
    """Where rows stand across a block as told by readings.

    Parameters
    ----------
    offset_m : float
        For `lay_rows` [m], within half a row spacing of 0.
    concentration : float
        Mean resultant length, 0 (readings anywhere) to 1 (all on rows).
    readings : int
        Readings used.
    """

    offset_m: float
    concentration: float
    readings: int

    @property
    def clear(self) -> bool:
        """Whether the readings tell the phase clearly enough to be used."""
        return self.readings >= FEWEST_READINGS and self.concentration >= CLEAR_CONCENTRATION


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


def snap_rows(
    outline: Any,
    *,
    row_spacing_m: float,
    bearing_deg: float,
    crs: Any,
    easting: Any,
    northing: Any,
) -> RowPhase:
    """Find the shift of the rows at which the readings lie on them.

    The position of each reading across the rows, as an angle over one row spacing, is averaged on the circle;
    readings further than a quarter spacing from the mean are left out of a second and third average.

    Parameters
    ----------
    outline : shapely.Polygon or shapely.MultiPolygon
        Outline of the block in `crs` [m].
    row_spacing_m : float
        Row spacing on the ground [m].
    bearing_deg : float
        Direction of the rows from grid north [deg].
    crs : pyproj.CRS
        Projected, axes in metres.
    easting, northing : array_like, shape (n,)
        Readings [m]; those outside the outline are not used.

    Returns
    -------
    RowPhase
        Use ``offset_m`` in `lay_rows` only if ``clear``.

    Raises
    ------
    GeometryError
        If the CRS is not in metres.

    References
    ----------
    Mardia, K.V. & Jupp, P.E. 2000, Directional Statistics, Wiley, ch. 2 (mean direction, resultant length).

    Examples
    --------
    >>> outline = shapely.box(4_321_000, 3_210_000, 4_321_030, 3_210_100)
    >>> north = 3_210_000 + np.arange(100.0)
    >>> east = 4_321_000 + 2.0 + 3.0 * (np.arange(100) % 10)
    >>> phase = snap_rows(outline, row_spacing_m=3.0, bearing_deg=0.0, crs="EPSG:3035",
    ...                   easting=east, northing=north)
    >>> round(phase.offset_m, 3), round(phase.concentration, 3), phase.clear
    (0.5, 1.0, True)
    """
    known = check_metre_crs(crs, where="snap_rows")
    centre = outline.envelope.centroid
    spacing = planar_spacing(known, centre.x, centre.y, bearing_deg, row_spacing_m)
    frame = RowFrame(bearing_deg, centre.x, centre.y)
    east, north = _inside(outline, easting, northing)
    if not len(east):
        return RowPhase(0.0, 0.0, 0)
    left = turn_outline(outline, frame).bounds[0]
    _, across = frame.from_grid(east, north)
    angle = 2 * np.pi * (across - left - spacing / 2) / spacing
    mean = _robust_mean_angle(angle)
    concentration = float(np.abs(np.exp(1j * angle).mean()))
    return RowPhase(mean / (2 * np.pi) * row_spacing_m, concentration, len(east))


def _robust_mean_angle(angle: Floats) -> float:
    unit = np.exp(1j * angle)
    mean = float(np.angle(unit.mean()))
    for _ in range(3):
        close = np.abs(np.angle(unit * np.exp(-1j * mean))) <= np.pi / 2
        if not close.any():
            break
        mean = float(np.angle(unit[close].mean()))
    return mean


def _inside(outline: Any, easting: Any, northing: Any) -> tuple[Floats, Floats]:
    east, north = np.asarray(easting, dtype=float), np.asarray(northing, dtype=float)
    if not len(east):
        return east, north
    shapely.prepare(outline)
    keep = shapely.intersects_xy(outline, east, north)
    return east[keep], north[keep]


def _headings(east: Floats, north: Floats) -> Floats:
    step_east = east[STEP_READINGS:] - east[:-STEP_READINGS]
    step_north = north[STEP_READINGS:] - north[:-STEP_READINGS]
    length = np.hypot(step_east, step_north)
    keep = (length >= SMALLEST_STEP_M) & (length <= LARGEST_STEP_M)
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


__all__ = ["RowPhase", "estimate_bearing", "mean_direction", "snap_rows"]
