"""Kriging from stretches of row: a picked weight is the mean of a row or panel, not of its middle."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve

from vinemap.errors import DataError
from vinemap.surface.checks import check_coordinates, check_readings
from vinemap.surface.covariance import Floats, Variogram
from vinemap.surface.support import discretise_block, mean_covariance

NODES = 6  # Gauss-Legendre nodes along a stretch; the mean covariance then errs by well under 1 % (see tests)
MOST_STRETCHES = 1500  # all are used for every block: the system is solved once
CELLS_AT_ONCE = 500  # bounds memory


def krige_stretches(
    ends: npt.ArrayLike,
    values: npt.ArrayLike,
    positions: npt.ArrayLike,
    *,
    variogram: Variogram,
    noise_variance: npt.ArrayLike | None = None,
    block_m: float = 10.0,
) -> tuple[Floats, Floats]:
    """Estimate block means from means over straight stretches, each with its own length as support.

    Parameters
    ----------
    ends : array_like of shape (n, 2, 2)
        Both ends of each stretch: easting, northing [m]. Equal ends are a point.
    values : array_like of shape (n,)
        Mean over each stretch.
    positions : array_like of shape (m, 2)
        Block centres [m].
    variogram : Variogram
        Of places (not of stretches); its nugget is taken as noise of one stretch.
    noise_variance : array_like of shape (n,) or scalar, optional
        Error variance of each stretch beyond that [values squared], such as that of its vines over their
        number.
    block_m : float
        Side of the block [m]; 0 for points.

    Returns
    -------
    mean, standard_error : ndarray of shape (m,)

    Raises
    ------
    DataError
        If ends do not fit, stretches are too many, or two are one and the same without noise.

    Notes
    -----
    An assessment does not use it: the variogram fitted there is that of the stretches counted, and that of
    places cannot be told from it safely where all stretches have one length. It takes their middles with the
    ground they cover for support (`krige_grid`); this function is for who knows the variogram of places.

    References
    ----------
    Journel, A. G., and Huijbregts, C. J. (1978), Mining Geostatistics, section V.A (data of any support).

    Examples
    --------
    >>> ends = [[[0.0, 0.0], [100.0, 0.0]], [[0.0, 3.0], [100.0, 3.0]]]
    >>> field = Variogram("exponential", 0.1, 4.0, 30.0)
    >>> krige_stretches(ends, [10.0, 12.0], [[50.0, 1.5]], variogram=field)[0].round(6).tolist()
    [11.0]
    """
    lines = np.asarray(ends, dtype=np.float64)
    if lines.ndim != 3 or lines.shape[1:] != (2, 2) or len(lines) > MOST_STRETCHES:
        raise DataError(
            f"Ends of stretches have shape {lines.shape}.",
            where="krige_stretches",
            remedy=f"Pass (n, 2, 2), of {MOST_STRETCHES} stretches at most.",
        )
    _, numbers, noise = check_readings(lines.mean(axis=1), values, noise_variance, where="krige_stretches")
    places = check_coordinates(positions, where="krige_stretches")
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    nodes, weights = (nodes + 1.0) / 2.0, weights / 2.0
    spots = lines[:, :1] + nodes[:, None] * (lines[:, 1:] - lines[:, :1])  # (n, NODES, 2)
    matrix = _covariances(variogram, spots, weights, spots, weights)
    matrix[np.diag_indices_from(matrix)] += noise + variogram.nugget
    offsets, shares = discretise_block(block_m, 4, "gauss")
    factor = _factorise(matrix)
    ones = cho_solve(factor, np.ones(len(lines)))
    within = mean_covariance(variogram, offsets, shares)
    out = np.empty((2, len(places)))
    for first in range(0, len(places), CELLS_AT_ONCE):
        some = slice(first, first + CELLS_AT_ONCE)
        to_cells = _covariances(variogram, spots, weights, places[some][:, None] + offsets, shares)
        solved = cho_solve(factor, to_cells)
        slack = (1.0 - ones @ to_cells) / ones.sum()
        weight = solved + ones[:, None] * slack
        out[0, some] = numbers @ weight
        variance = within - (solved * to_cells).sum(axis=0) + slack**2 * ones.sum()
        out[1, some] = np.sqrt(np.maximum(variance, 0.0))
    return out[0], out[1]


def _factorise(matrix: Floats) -> tuple[Floats, bool]:
    try:
        factor: tuple[Floats, bool] = cho_factor(matrix)
    except np.linalg.LinAlgError:
        raise DataError(
            "Two stretches are one and the same, and there is no noise.",
            where="krige_stretches",
            remedy="Average them first, or give the variogram a nugget.",
        ) from None
    return factor


def _covariances(
    variogram: Variogram, one: Floats, one_weights: Floats, other: Floats, other_weights: Floats
) -> Floats:
    """Mean covariance of each support with each other one, (n, m), from their weighted points."""
    total = np.zeros((len(one), len(other)))
    left = [variogram.scale_places(one[:, k]) for k in range(one.shape[1])]
    right = [variogram.scale_places(other[:, k]) for k in range(other.shape[1])]
    for a, share in zip(left, one_weights, strict=True):
        for b, part in zip(right, other_weights, strict=True):
            step = a[:, None] - b[None]
            total += share * part * variogram.structure(np.hypot(step[..., 0], step[..., 1]))
    return total
