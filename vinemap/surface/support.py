"""Block support: discretisation of a block or polygon, and the mean covariance within it."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from vinemap.errors import DataError
from vinemap.surface.covariance import Floats, Variogram

Integers = npt.NDArray[np.int64]
Quadrature = Literal["exact", "regular", "gauss"]

CELLS_PER_HALF = 16  # of a block side: nodes of the table of covariances with a block, then good to 1e-5
TABLE_BLOCKS = 2.5  # sides of the block that the table reaches out; beyond it 4 x 4 Gauss nodes are as good
CELL_NODES = 3  # Gauss nodes of a cell of the table
CORNER_NODES = 24  # of the mean covariance within a block


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
    quadrature : {"regular", "gauss", "exact"}
        Centres of equal cells with equal weights, or Gauss-Legendre nodes with their weights (both for
        "exact", which uses them far from the block only).

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
    elif quadrature in ("gauss", "exact"):
        nodes, weights = np.polynomial.legendre.leggauss(points_per_side)
        nodes, weights = nodes / 2.0, weights / 2.0
    else:
        raise DataError(
            f"Quadrature {quadrature!r} is not known.", remedy="Use 'exact', 'regular' or 'gauss'."
        )
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
    points = variogram.scale_places(points)
    step = points[:, None, :] - points[None, :, :]
    covariance = variogram.structure(np.hypot(step[..., 0], step[..., 1]))
    # Plain sums: a matrix product would wake the threads of a linear algebra library in every worker.
    return float(((covariance * weights).sum(axis=1) * weights).sum())


def tabulate_block(variogram: Variogram, block_m: float) -> tuple[Floats, float, float, float]:
    """Tabulate the mean covariance of a place with a square block, exact integrals rather than few points.

    The integral over a block is the sum and difference of integrals over four rectangles with a corner in the
    place; those are running sums of the integrals over small cells.

    Parameters
    ----------
    variogram : Variogram
        Where its ranges differ with direction, the block lies along its bearing, in scaled coordinates.
    block_m : float
        Side of the block [m].

    Returns
    -------
    table : ndarray of shape (nodes, nodes)
        By steps across (row) and along (column) from the centre, beginning at -1 step.
    per_column, per_row : float
        Steps per metre of scaled coordinates.
    within : float
        Mean covariance within the block [values squared].

    Examples
    --------
    >>> variogram = Variogram("exponential", 1.0, 4.0, 40.0)
    >>> table, per_column, per_row, within = tabulate_block(variogram, 10.0)
    >>> points, weights = discretise_block(10.0, 40)
    >>> bool(abs(within - mean_covariance(variogram, points, weights)) < 2e-3)
    True
    >>> bool(abs(table[1, 1] - variogram.structure(np.hypot(*points.T)) @ weights) < 1e-4)
    True
    """
    half, sides = CELLS_PER_HALF, (block_m, block_m / variogram.ratio)
    steps = tuple(side / (2 * half) for side in sides)
    nodes = int(np.ceil(2 * TABLE_BLOCKS * half)) + 4
    corner = _corner_integrals(variogram, steps, nodes + half)
    at = np.arange(-1, nodes - 1)
    high, low = at + half, at - half

    def part(row: Integers, column: Integers) -> Floats:
        sign = np.sign(row)[:, None] * np.sign(column)[None, :]
        return np.asarray(sign * corner[np.ix_(np.abs(row), np.abs(column))])

    table = part(high, high) - part(high, low) - part(low, high) + part(low, low)
    table /= sides[0] * sides[1]
    return np.ascontiguousarray(table), 1 / steps[0], 1 / steps[1], _mean_within(variogram, sides)


def _corner_integrals(variogram: Variogram, steps: tuple[float, ...], nodes: int) -> Floats:
    """Integrals of the covariance over rectangles from the origin to each node; row across, column along."""
    places, weights = np.polynomial.legendre.leggauss(CELL_NODES)
    at = (np.arange(nodes)[:, None] + (places + 1.0) / 2.0).ravel()
    squared = (at[:, None] * steps[1]) ** 2 + (at[None, :] * steps[0]) ** 2
    value = variogram.structure(np.sqrt(squared)).reshape(nodes, CELL_NODES, nodes, CELL_NODES)
    value = (value * weights[:, None, None]).sum(axis=1)
    cells = (value * weights).sum(axis=2) * (steps[0] * steps[1] / 4.0)
    out = np.zeros((nodes + 1, nodes + 1))
    out[1:, 1:] = cells.cumsum(axis=0).cumsum(axis=1)
    return out


def _mean_within(variogram: Variogram, sides: tuple[float, float]) -> float:
    """Mean covariance of two places of a block, by their distance along and across."""
    nodes, weights = np.polynomial.legendre.leggauss(CORNER_NODES)
    nodes, weights = (nodes + 1.0) / 2.0, weights / 2.0
    far, turn = np.meshgrid(nodes, nodes)
    total = 0.0
    for along, across in ((far, far * turn), (far * turn, far)):  # two triangles that meet in the corner
        value = variogram.structure(np.hypot(along * sides[0], across * sides[1]))
        value = value * (1.0 - along) * (1.0 - across) * far
        total += float(((value * weights).sum(axis=1) * weights).sum())
    return 4.0 * total
