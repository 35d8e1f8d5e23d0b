"""Surface and zones of a vintage that was counted, not logged: weights picked by row or panel.

Whole rows and panels are longer than the squares that are mapped, so that each counts as the mean over its
length. The variogram of places cannot be read off the differences of such means; it is fitted by restricted
likelihood, their covariances being integrals along the stretches. What is left as noise of a stretch is for
the most part ground that differs from vine to vine: a square, smaller than a stretch, has the more of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.linalg import cho_factor, cho_solve

from vinemap.land import Grid, GridSpec, mask_inside
from vinemap.surface.checks import check_readings
from vinemap.surface.covariance import Floats, Variogram
from vinemap.surface.polygons import points_inside
from vinemap.surface.stretches import (
    StretchSystem,
    check_ends,
    krige_stretches,
    lay_spots,
    stretch_covariances,
)
from vinemap.surface.support import mean_covariance
from vinemap.surface.surfaces import Surface

RANGES_M = (6.0, 12.0, 25.0, 50.0, 100.0, 200.0)  # tried
NOISE_SHARES = (0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9)  # tried: of the variance of a usual stretch
MOST_FITTED = 400  # stretches, evenly taken; more hardly change the fit
BLOCK_POINTS = 2  # Gauss nodes along a side of a 10 m block: means along stretches are smooth


def fit_stretches(ends: npt.ArrayLike, values: npt.ArrayLike) -> Variogram:
    """Fit the variogram of places to means over stretches, by restricted likelihood.

    Parameters
    ----------
    ends : array_like of shape (n, 2, 2)
        Both ends of each stretch: easting, northing [m].
    values : array_like of shape (n,)
        Mean over each stretch.

    Returns
    -------
    Variogram
        Exponential; its nugget is the noise of a stretch of median length [values squared], that of others
        goes by one over their length.

    References
    ----------
    Patterson, H. D., and Thompson, R. (1971), Recovery of inter-block information when block sizes are
    unequal, Biometrika 58, 545-554; Kyriakidis, P. C. (2004), A geostatistical framework for area-to-point
    spatial interpolation, Geographical Analysis 36, 259-289.

    Examples
    --------
    >>> rows = [[[0.0, 3.0 * one], [60.0, 3.0 * one]] for one in range(40)]
    >>> fit_stretches(rows, np.sin(np.arange(40) / 6.0)).range_m > 12
    True
    """
    lines = check_ends(ends)
    _, numbers, _ = check_readings(lines.mean(axis=1), values, None, where="fit_stretches")
    some = np.unique(np.linspace(0, len(lines) - 1, MOST_FITTED).round().astype(int))
    lines, numbers = lines[some], numbers[some]
    spots, relative = lay_spots(lines), relative_noise(lines)
    fixed = np.column_stack([np.ones(len(lines)), numbers - numbers.mean()])
    best, found = -np.inf, (1.0, RANGES_M[0], 0.0)
    for range_m in RANGES_M:
        smooth = stretch_covariances(Variogram("exponential", 0.0, 1.0, range_m), spots)
        usual = float(np.median(np.diag(smooth)))
        for share in NOISE_SHARES:
            matrix = (1.0 - share) * smooth / usual + np.diag(share * relative)
            likelihood, variance = _restricted(matrix, fixed)
            if likelihood > best:
                best, found = likelihood, ((1.0 - share) * variance / usual, range_m, share * variance)
    sill, range_m, noise = found
    return Variogram("exponential", noise, sill, range_m)


def _restricted(matrix: Floats, fixed: Floats) -> tuple[float, float]:
    """Log restricted likelihood and variance of values (second column) about their mean (first)."""
    factor = cho_factor(matrix, lower=True)
    solved = cho_solve(factor, fixed)
    normal = float(fixed[:, 0] @ solved[:, 0])
    square = float(fixed[:, 1] @ solved[:, 1]) - float(fixed[:, 0] @ solved[:, 1]) ** 2 / normal
    free = len(fixed) - 1
    variance = max(square / max(free, 1), 1e-12)
    spread = 2.0 * float(np.log(np.diag(factor[0])).sum()) + float(np.log(normal))
    return -0.5 * (free * float(np.log(variance)) + spread), variance


def _lengths(ends: Floats) -> Floats:
    """Length of each stretch [m], (n,)."""
    return np.asarray(np.hypot(*(ends[:, 1] - ends[:, 0]).T))


def relative_noise(ends: Floats) -> Floats:
    """Give the noise variance of stretches over that of one of median length.

    Parameters
    ----------
    ends : ndarray of shape (n, 2, 2)
        Both ends of each stretch: easting, northing [m].

    Returns
    -------
    ndarray of shape (n,)
        1 over the relative length.
    """
    length = _lengths(ends)
    return np.asarray(np.median(length) / np.maximum(length, 0.1))


def krige_stretch_grid(
    ends: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    spec: GridSpec,
    outline: Any,
    row_spacing_m: float,
    block_m: float = 10.0,
    max_distance_m: float = 15.0,
) -> Surface:
    """Krige block means onto the cells of a grid from means over stretches of row.

    Parameters
    ----------
    ends : array_like of shape (n, 2, 2)
        Both ends of each stretch: easting, northing [m].
    values : array_like of shape (n,)
        Mean over each stretch.
    spec : GridSpec
    outline : shapely Polygon or MultiPolygon
        Cells with their centre outside have no data.
    row_spacing_m : float
        Distance between rows [m].
    block_m : float
        Side of the block about each cell centre [m].
    max_distance_m : float
        Cells further than this from every stretch have no data [m].

    Returns
    -------
    Surface
        Its variogram is that of `fit_stretches`.

    Examples
    --------
    >>> from vinemap.land import grid_over
    >>> outline = shapely.box(0, 0, 60, 60)
    >>> spec = grid_over(outline, cell_m=10.0, crs="EPSG:3035")
    >>> rows = [[[0.0, 3.0 * one], [60.0, 3.0 * one]] for one in range(20)]
    >>> yields = 10.0 + np.arange(20) / 5.0
    >>> surface = krige_stretch_grid(rows, yields, spec=spec, outline=outline, row_spacing_m=3.0)
    >>> surface.mean.values[:, 3].round().tolist()
    [14.0, 13.0, 12.0, 12.0, 11.0, 10.0]
    """
    lines = check_ends(ends)
    variogram = fit_stretches(lines, values)
    easting, northing = spec.centres()
    cells = np.column_stack([easting.ravel(), northing.ravel()])
    tree = shapely.STRtree(shapely.linestrings(lines))
    inside = np.flatnonzero(mask_inside(spec, outline).ravel())
    near = tree.query(shapely.points(cells[inside]), predicate="dwithin", distance=max_distance_m)[0]
    wanted = inside[np.unique(near)]
    mean, error = krige_stretches(
        lines, values, cells[wanted],
        variogram=_places_only(variogram), noise_variance=variogram.nugget * relative_noise(lines),
        block_m=block_m, points_per_side=BLOCK_POINTS,
    )  # fmt: skip
    error = np.hypot(error, np.sqrt(_ground_variance(variogram, lines, row_spacing_m, block_m**2)))
    grids = np.full((2, cells.shape[0]), np.nan)
    grids[:, wanted] = mean, error
    length = float(np.median(_lengths(lines)))
    note = (
        f"{len(lines)} stretches of row, {length:.0f} m as a rule, each taken as the mean over its length; "
        f"variogram of places by restricted likelihood: exponential, range {variogram.range_m:.0f} m, "
        f"partial sill {variogram.partial_sill:.3g}, noise of a stretch {variogram.nugget:.3g}. "
        f"{100 * (1 - len(wanted) / max(len(inside), 1)):.0f} % of the outline has no data."
    )
    mean_of, error_of = (Grid(one.reshape(spec.shape), spec) for one in grids)
    return Surface(mean_of, error_of, variogram, None, note)


def krige_stretch_polygons(
    ends: npt.ArrayLike,
    values: npt.ArrayLike,
    polygons: Iterable[Any],
    *,
    variogram: Variogram,
    row_spacing_m: float,
) -> pd.DataFrame:
    """Estimate the mean over each polygon from means over stretches of row.

    Parameters
    ----------
    ends : array_like of shape (n, 2, 2)
        Both ends of each stretch: easting, northing [m].
    values : array_like of shape (n,)
        Mean over each stretch.
    polygons : iterable of shapely Polygon or MultiPolygon
        Zones, in the same metre CRS.
    variogram : Variogram
        As `fit_stretches` gives it.
    row_spacing_m : float
        Distance between rows [m].

    Returns
    -------
    pandas.DataFrame
        One row per polygon: mean, standard_error (block support).

    Examples
    --------
    >>> rows = [[[0.0, 3.0 * one], [60.0, 3.0 * one]] for one in range(20)]
    >>> zones = [shapely.box(0, 0, 60, 30), shapely.box(0, 30, 60, 60)]
    >>> krige_stretch_polygons(rows, np.full(20, 12.0), zones, row_spacing_m=3.0,
    ...     variogram=Variogram("exponential", 1.0, 1.0, 50.0))["mean"].round(6).tolist()
    [12.0, 12.0]
    """
    lines = check_ends(ends)
    places = _places_only(variogram)
    system = StretchSystem.of(lines, values, places, variogram.nugget * relative_noise(lines))
    found = []
    for polygon in polygons:
        points = points_inside(polygon)
        shares = np.full(len(points), 1.0 / len(points))
        mean, variance = system.estimate(points[None], shares, mean_covariance(places, points, shares))
        ground = _ground_variance(variogram, lines, row_spacing_m, polygon.area)
        found.append((float(mean[0]), float(np.sqrt(variance[0] + ground))))
    return pd.DataFrame(found, columns=["mean", "standard_error"])


def _places_only(variogram: Variogram) -> Variogram:
    """Variogram of places without the noise of a stretch."""
    return Variogram(variogram.model, 0.0, variogram.partial_sill, variogram.range_m)


def _ground_variance(variogram: Variogram, ends: Floats, row_spacing_m: float, area_m2: float) -> float:
    """Variance of the mean over an area by ground that differs from vine to vine [values squared]."""
    length = float(np.median(_lengths(ends)))
    return variogram.nugget * length * row_spacing_m / area_m2
