"""Ordinary kriging of whole zones: the mean over a polygon and its block-support standard error."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vinemap.errors import DataError
from vinemap.surface.checks import check_readings
from vinemap.surface.covariance import Floats, Variogram, kernel_terms
from vinemap.surface.support import mean_covariance
from vinemap.surface.systems import SMALLEST_PIVOT, krige_support

POINTS_IN_POLYGON = 150  # discretisation; the mean covariance then changes by well under 1 % (see tests)
MARGIN_RANGES = 0.5  # readings up to this many ranges outside the zone still inform it
LONGEST_MARGIN_M = 30.0  # but no further than this: common practice, no source


def krige_polygons(
    coordinates: npt.ArrayLike,
    values: npt.ArrayLike,
    polygons: Iterable[Any],
    *,
    variogram: Variogram,
    noise_variance: npt.ArrayLike | None = None,
    max_points: int = 400,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Estimate the mean over each polygon by areal ordinary kriging.

    Readings in and near a polygon are averaged within the cells of a square lattice (laid at random) just
    coarse enough to leave no more than `max_points`; the noise of an average is that of its readings over
    their number.

    Parameters
    ----------
    coordinates : array_like of shape (n, 2)
        Easting and northing [m].
    values : array_like of shape (n,)
        Values.
    polygons : iterable of shapely Polygon or MultiPolygon
        Zones, in the same metre CRS.
    variogram : Variogram
        Its nugget counts as noise of single readings and averages out.
    noise_variance : array_like of shape (n,) or scalar, optional
        Error variance of each reading beyond the nugget [values squared].
    max_points : int
        Averages per polygon at most.
    rng : numpy.random.Generator
        Lays the lattice.

    Returns
    -------
    pandas.DataFrame
        One row per polygon: mean, standard_error (block support), readings (used) and points (averages).
        NaN where no reading lies in or near the polygon.

    Raises
    ------
    DataError
        If values are not finite, a polygon is empty, or `max_points` is below 2.

    References
    ----------
    Journel, A. G., and Huijbregts, C. J. (1978), Mining Geostatistics, section V (block kriging).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> places = rng.uniform(0, 100, (500, 2))
    >>> zones = [shapely.box(0, 0, 50, 100), shapely.box(50, 0, 100, 100)]
    >>> krige_polygons(places, np.full(500, 12.0), zones, variogram=Variogram("spherical", 1.0, 1.0, 50.0),
    ...     rng=rng)["mean"].round(6).tolist()
    [12.0, 12.0]
    """
    points, numbers, noise = check_readings(coordinates, values, noise_variance, where="krige_polygons")
    if max_points < 2:
        raise DataError(f"max_points is {max_points}.", remedy="Give 2 or more; 400 is usual.")
    centre = float(numbers.mean())
    noise = noise + variogram.nugget
    rows = []
    for number, polygon in enumerate(polygons):
        if polygon is None or polygon.is_empty or not polygon.area > 0:
            raise DataError(f"Polygon {number} is empty.", where="krige_polygons", remedy="Leave it out.")
        rows.append(_krige_one(points, numbers - centre, noise, polygon, variogram, max_points, rng))
    frame = pd.DataFrame(rows, columns=["mean", "standard_error", "readings", "points"])
    frame["mean"] += centre
    return frame.astype({"readings": "int64", "points": "int64"})


def points_inside(polygon: Any, count: int = POINTS_IN_POLYGON) -> Floats:
    """Lay about this many points on a square lattice inside a polygon.

    Parameters
    ----------
    polygon : shapely Polygon or MultiPolygon
    count : int

    Returns
    -------
    ndarray of shape (points, 2)
        At least one.

    Examples
    --------
    >>> points_inside(shapely.box(0, 0, 30, 10), 12).shape
    (12, 2)
    """
    west, south, east, north = polygon.bounds
    side = float(np.sqrt(polygon.area / count))
    for _ in range(4):
        columns, rows = (
            max(int(np.ceil(length / side - 1e-9)), 1) for length in (east - west, north - south)
        )
        x = west + (np.arange(columns) + 0.5) * (east - west) / columns
        y = south + (np.arange(rows) + 0.5) * (north - south) / rows
        lattice = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        inside: Floats = lattice[shapely.contains_xy(polygon, lattice[:, 0], lattice[:, 1])]
        if len(inside) >= count / 2:
            return inside
        side /= 2.0
    return inside if len(inside) else np.array([polygon.representative_point().coords[0]])


def thin_readings(
    points: Floats, values: Floats, noise: Floats, max_points: int, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    """Average readings within lattice cells until no more than `max_points` are left.

    Parameters
    ----------
    points : ndarray of shape (n, 2)
        [m]
    values, noise : ndarray of shape (n,)
        Values and noise variances.
    max_points : int
    rng : numpy.random.Generator
        Lays the lattice.

    Returns
    -------
    points, values, noise : ndarrays
        Means of position and value, variance of the mean.

    Examples
    --------
    >>> places, values = np.zeros((4, 2)), np.array([1.0, 2.0, 3.0, 6.0])
    >>> thin_readings(places, values, np.ones(4), 2, np.random.default_rng(1))[1:]
    (array([3.]), array([0.25]))
    """
    if len(points) <= max_points:
        return points, values, noise
    extent = np.maximum(np.ptp(points, axis=0), 1e-3)
    side = float(np.sqrt(extent.prod() / max_points)) * 0.7
    shift = rng.uniform(0.0, 1.0, 2)
    while True:
        cell = np.floor((points - points.min(axis=0)) / side + shift).astype(np.int64)
        number = cell[:, 1] * (cell[:, 0].max() + 1) + cell[:, 0]
        found, group, count = np.unique(number, return_inverse=True, return_counts=True)
        if len(found) <= max_points:
            break
        side *= max(1.02, float(np.sqrt(len(found) / max_points)) * 0.98)
    means = [np.bincount(group, column) / count for column in (points[:, 0], points[:, 1], values)]
    return np.column_stack(means[:2]), means[2], np.bincount(group, noise) / count**2


def _krige_one(
    points: Floats,
    values: Floats,
    noise: Floats,
    polygon: Any,
    variogram: Variogram,
    max_points: int,
    rng: np.random.Generator,
) -> tuple[float, float, int, int]:
    """Mean, standard error, readings and averages of one polygon."""
    near = _near(points, polygon, min(MARGIN_RANGES * variogram.range_m, LONGEST_MARGIN_M))
    if not near.any():
        return float("nan"), float("nan"), 0, 0
    places, numbers, error = thin_readings(points[near], values[near], noise[near], max_points, rng)
    support = points_inside(polygon)
    weights = np.full(len(support), 1.0 / len(support))
    within = mean_covariance(variogram, support, weights)
    smallest = SMALLEST_PIVOT * (variogram.structured_sill + float(error.max()))
    # Without any variance every scale gives the same weights, and the variance is nought.
    diagonal, scale = (error, 1.0) if smallest > 0 else (np.ones_like(error), 0.0)
    mean, variance = krige_support(
        variogram.scale_places(places), numbers, diagonal,
        np.column_stack([variogram.scale_places(support), weights]),
        kernel_terms(variogram), variogram.structured_sill, within, smallest,
    )  # fmt: skip
    variance *= scale
    return mean, float(np.sqrt(variance)), int(near.sum()), len(places)


def _near(points: Floats, polygon: Any, margin_m: float) -> npt.NDArray[np.bool_]:
    """Tell which points lie in a polygon or within a margin of it."""
    west, south, east, north = polygon.bounds
    x, y = points.T
    near = (x >= west - margin_m) & (x <= east + margin_m) & (y >= south - margin_m) & (y <= north + margin_m)
    hull = polygon.buffer(margin_m, quad_segs=2)
    shapely.prepare(hull)
    near[near] = shapely.contains_xy(hull, x[near], y[near])
    return np.asarray(near)
