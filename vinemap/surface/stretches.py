"""Kriging from stretches of row: a picked weight is the mean of a row or panel, not of its middle."""

from __future__ import annotations

from dataclasses import dataclass

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
    points_per_side: int = 4,
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
    points_per_side : int
        Gauss nodes along each side of the block.

    Returns
    -------
    mean, standard_error : ndarray of shape (m,)

    Raises
    ------
    DataError
        If ends do not fit, stretches are too many, or two are one and the same without noise.

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
    places = check_coordinates(positions, where="krige_stretches")
    system = StretchSystem.of(ends, values, variogram, noise_variance)
    offsets, shares = discretise_block(block_m, points_per_side, "gauss")
    within = mean_covariance(variogram, offsets, shares)
    out = np.empty((2, len(places)))
    for first in range(0, len(places), CELLS_AT_ONCE):
        some = slice(first, first + CELLS_AT_ONCE)
        out[:, some] = system.estimate(places[some, None] + offsets, shares, within)
    return out[0], np.sqrt(out[1])


@dataclass(frozen=True, slots=True)
class StretchSystem:
    """Ordinary kriging equations of stretches, solved once for any number of supports.

    Attributes
    ----------
    variogram : Variogram
    spots : ndarray of shape (n, NODES, 2)
        Places along each stretch that stand for it [m].
    values : ndarray of shape (n,)
    factor : tuple
        Of the covariances of the stretches (`scipy.linalg.cho_factor`).
    ones : ndarray of shape (n,)
        Solution for a right-hand side of ones.
    """

    variogram: Variogram
    spots: Floats
    values: Floats
    factor: tuple[Floats, bool]
    ones: Floats

    @classmethod
    def of(
        cls,
        ends: npt.ArrayLike,
        values: npt.ArrayLike,
        variogram: Variogram,
        noise_variance: npt.ArrayLike | None,
    ) -> StretchSystem:
        """Check the stretches and factorise their covariances.

        Parameters
        ----------
        ends, values, variogram, noise_variance
            As of `krige_stretches`.

        Returns
        -------
        StretchSystem

        Raises
        ------
        DataError
            As of `krige_stretches`.
        """
        lines = check_ends(ends)
        _, numbers, noise = check_readings(
            lines.mean(axis=1), values, noise_variance, where="krige_stretches"
        )
        spots = lay_spots(lines)
        matrix = stretch_covariances(variogram, spots)
        matrix[np.diag_indices_from(matrix)] += noise + variogram.nugget
        factor = _factorise(matrix)
        return cls(variogram, spots, numbers, factor, cho_solve(factor, np.ones(len(lines))))

    def estimate(self, points: Floats, shares: Floats, within: float) -> tuple[Floats, Floats]:
        """Estimate the means of supports given by weighted points.

        Parameters
        ----------
        points : ndarray of shape (m, points, 2)
            [m]
        shares : ndarray of shape (points,)
            They sum to one.
        within : float
            Mean covariance within each support [values squared].

        Returns
        -------
        mean, variance : ndarray of shape (m,)
        """
        to_supports = mean_covariances(self.variogram, self.spots, stretch_shares(), points, shares)
        solved = cho_solve(self.factor, to_supports)
        slack = (1.0 - self.ones @ to_supports) / self.ones.sum()
        weight = solved + self.ones[:, None] * slack
        variance = within - (solved * to_supports).sum(axis=0) + slack**2 * self.ones.sum()
        return self.values @ weight, np.maximum(variance, 0.0)


def check_ends(ends: npt.ArrayLike) -> Floats:
    """Give the ends of stretches as an array, or say what is wrong with them.

    Parameters
    ----------
    ends : array_like of shape (n, 2, 2)
        Both ends of each stretch: easting, northing [m].

    Returns
    -------
    ndarray of shape (n, 2, 2)

    Raises
    ------
    DataError
        If the shape is another, or stretches are too many.
    """
    lines = np.asarray(ends, dtype=np.float64)
    if lines.ndim != 3 or lines.shape[1:] != (2, 2) or len(lines) > MOST_STRETCHES:
        raise DataError(
            f"Ends of stretches have shape {lines.shape}.",
            where="krige_stretches",
            remedy=f"Pass (n, 2, 2), of {MOST_STRETCHES} stretches at most.",
        )
    return lines


def lay_spots(lines: Floats) -> Floats:
    """Give the places along stretches that stand for them.

    Parameters
    ----------
    lines : ndarray of shape (n, 2, 2)
        Both ends of each stretch [m].

    Returns
    -------
    ndarray of shape (n, NODES, 2)
        [m]; weighted by `stretch_shares`.
    """
    nodes = (np.polynomial.legendre.leggauss(NODES)[0] + 1.0) / 2.0
    return np.asarray(lines[:, :1] + nodes[:, None] * (lines[:, 1:] - lines[:, :1]))


def stretch_shares() -> Floats:
    """Give the weights of the places that stand for a stretch.

    Returns
    -------
    ndarray of shape (NODES,)
        They sum to one.
    """
    return np.asarray(np.polynomial.legendre.leggauss(NODES)[1] / 2.0)


def stretch_covariances(variogram: Variogram, spots: Floats) -> Floats:
    """Give the mean covariance of each stretch with each other one.

    Parameters
    ----------
    variogram : Variogram
    spots : ndarray of shape (n, NODES, 2)
        As `lay_spots` gives them [m].

    Returns
    -------
    ndarray of shape (n, n)
        [values squared]; without nugget.
    """
    return mean_covariances(variogram, spots, stretch_shares(), spots, stretch_shares())


def _factorise(matrix: Floats) -> tuple[Floats, bool]:
    """Cholesky factor of the covariances, or say why there is none."""
    try:
        factor: tuple[Floats, bool] = cho_factor(matrix)
    except np.linalg.LinAlgError:
        raise DataError(
            "Two stretches are one and the same, and there is no noise.",
            where="krige_stretches",
            remedy="Average them first, or give the variogram a nugget.",
        ) from None
    return factor


def mean_covariances(
    variogram: Variogram, one: Floats, one_weights: Floats, other: Floats, other_weights: Floats
) -> Floats:
    """Give the mean covariance of each support with each other one, from their weighted points.

    Parameters
    ----------
    variogram : Variogram
    one, other : ndarray of shape (n, points, 2) and (m, others, 2)
        Points that stand for the supports [m].
    one_weights, other_weights : ndarray of shape (points,) and (others,)
        They sum to one.

    Returns
    -------
    ndarray of shape (n, m)
        [values squared]; without nugget.
    """
    total = np.zeros((len(one), len(other)))
    left = [variogram.scale_places(one[:, k]) for k in range(one.shape[1])]
    right = [variogram.scale_places(other[:, k]) for k in range(other.shape[1])]
    for a, share in zip(left, one_weights, strict=True):
        for b, part in zip(right, other_weights, strict=True):
            step = a[:, None] - b[None]
            total += share * part * variogram.structure(np.hypot(step[..., 0], step[..., 1]))
    return total
