"""Block support: discretisation of a block or polygon, and the mean covariance within it."""

from __future__ import annotations

from typing import Literal

import numpy as np

from vinemap.errors import DataError
from vinemap.surface.covariance import Floats, Variogram

Quadrature = Literal["regular", "gauss"]


def discretise_block(
    block_m: float, points_per_side: int = 4, quadrature: Quadrature = "regular"
) -> tuple[Floats, Floats]:
    """Lay the points that stand for a square block, seen from its centre.

    Parameters
    ----------
    block_m : float
        Side of the block [m]; 0 is a point.
    points_per_side : int
        Points along each side.
    quadrature : {"regular", "gauss"}
        Centres of equal cells with equal weights, or Gauss-Legendre nodes with their weights.

    Returns
    -------
    offsets : ndarray of shape (points, 2)
        Easting and northing from the centre [m].
    weights : ndarray of shape (points,)
        They sum to one.

    Raises
    ------
    DataError
        If the block is negative or not finite, the points fewer than one, or the quadrature unknown.

    References
    ----------
    Isaaks, E. H., and Srivastava, R. M. (1989), An Introduction to Applied Geostatistics, chapter 13;
    Carr, J. R., and Palmer, J. A. (1993), Mathematical Geology 25(1):1-16 (Gaussian quadrature).

    Examples
    --------
    >>> offsets, weights = discretise_block(10.0, 2)
    >>> offsets.tolist(), weights.tolist()
    ([[-2.5, -2.5], [2.5, -2.5], [-2.5, 2.5], [2.5, 2.5]], [0.25, 0.25, 0.25, 0.25])
    """
    if not (np.isfinite(block_m) and block_m >= 0):
        raise DataError(f"Block side is {block_m} m.", remedy="Give 0 (a point) or a positive length.")
    if points_per_side < 1:
        raise DataError(f"Discretisation is {points_per_side} points per side.", remedy="Give 1 or more.")
    if block_m == 0:
        return np.zeros((1, 2)), np.ones(1)
    if quadrature == "regular":
        nodes = (np.arange(points_per_side) + 0.5) / points_per_side - 0.5
        weights = np.full(points_per_side, 1.0 / points_per_side)
    elif quadrature == "gauss":
        nodes, weights = np.polynomial.legendre.leggauss(points_per_side)
        nodes, weights = nodes / 2.0, weights / 2.0
    else:
        raise DataError(f"Quadrature {quadrature!r} is not known.", remedy="Use 'regular' or 'gauss'.")
    east, north = np.meshgrid(nodes * block_m, nodes * block_m)
    return np.column_stack([east.ravel(), north.ravel()]), np.outer(weights, weights).ravel()


def mean_covariance(variogram: Variogram, points: Floats, weights: Floats) -> float:
    """Mean covariance within a support [values squared]; the nugget averages out over it.

    Parameters
    ----------
    variogram : Variogram
    points : ndarray of shape (points, 2)
        Discretisation points [m].
    weights : ndarray of shape (points,)
        Their weights, summing to one.

    Returns
    -------
    float

    Examples
    --------
    >>> points, weights = discretise_block(0.0)
    >>> mean_covariance(Variogram("exponential", 1.0, 4.0, 40.0), points, weights)
    4.0
    """
    step = points[:, None, :] - points[None, :, :]
    covariance = variogram.structure(np.hypot(step[..., 0], step[..., 1]))
    # Plain sums: a matrix product would wake the threads of a linear algebra library in every worker.
    return float(((covariance * weights).sum(axis=1) * weights).sum())
