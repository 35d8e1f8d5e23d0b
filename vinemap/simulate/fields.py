"""Gaussian random fields with exponential covariance, for soil and season patterns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vinemap.errors import DataError


def sample_field(
    easting: NDArray[np.float64],
    northing: NDArray[np.float64],
    *,
    range_m: float,
    rng: np.random.Generator,
    cell_m: float = 5.0,
) -> NDArray[np.float64]:
    """Draw a Gaussian field of mean 0 and variance 1 at points.

    The field is drawn exactly on a grid by circulant embedding and interpolated bilinearly, which takes off
    a little variance between cell centres.

    Parameters
    ----------
    easting, northing : numpy.ndarray
        Points, shape (n,) [m].
    range_m : float
        Distance parameter a of the covariance exp(-h / a) [m].
    rng : numpy.random.Generator
    cell_m : float, optional
        Grid cell [m].

    Returns
    -------
    numpy.ndarray
        Shape (n,).

    Raises
    ------
    DataError
        If the range is not positive.

    References
    ----------
    Dietrich & Newsam 1997, SIAM J. Sci. Comput. 18(4):1088-1107 (circulant embedding).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> sample_field(np.zeros(3), np.zeros(3), range_m=40.0, rng=rng).shape
    (3,)
    """
    if not range_m > 0:
        raise DataError(f"Range {range_m} m is not positive.", remedy="Give a range in metres.")
    column = (easting - easting.min()) / cell_m
    row = (northing - northing.min()) / cell_m
    grid = _grid_field(int(row.max()) + 2, int(column.max()) + 2, range_m / cell_m, rng)
    return np.asarray(ndimage.map_coordinates(grid, [row, column], order=1, mode="nearest"))


def _grid_field(rows: int, columns: int, range_cells: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw the field on a grid by circulant embedding."""
    margin = int(4 * range_cells)  # far enough that the wrapped copy is uncorrelated
    shape = (rows + margin, columns + margin)
    lag = [np.minimum(np.arange(n), n - np.arange(n)) for n in shape]
    covariance = np.exp(-np.hypot(lag[0][:, None], lag[1][None, :]) / range_cells)
    eigenvalue = np.maximum(np.fft.fft2(covariance).real, 0.0)
    noise = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    field = np.fft.fft2(np.sqrt(eigenvalue / eigenvalue.size) * noise)
    return np.asarray(field.real[:rows, :columns])
