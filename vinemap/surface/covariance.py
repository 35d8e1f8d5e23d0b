"""Variogram models, their covariances, and the table that the compiled kernels look them up in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicHermiteSpline

from vinemap.errors import DataError

Floats = npt.NDArray[np.float64]
Model = Literal["exponential", "spherical", "matern_3_2", "matern_5_2"]
MODELS: tuple[Model, ...] = get_args(Model)

TABLE_NODES_PER_RANGE = 128  # cubic Hermite error (1/128)^4/384 = 1e-11 of the partial sill
TABLE_RANGES = 40  # exp(-40) = 4e-18: beyond this the covariance is taken as nought


@dataclass(frozen=True, slots=True)
class Variogram:
    """An isotropic variogram: one structure with a nested nugget.

    Parameters
    ----------
    model : {"exponential", "spherical", "matern_3_2", "matern_5_2"}
        Shape of the structure. With u = h / range_m the correlations are exp(-u);
        1 - 1.5 u + 0.5 u^3 up to u = 1; (1 + u) exp(-u); (1 + u + u^2 / 3) exp(-u).
    nugget : float
        Semivariance just beyond distance nought [values squared].
    partial_sill : float
        Further rise to the sill [values squared].
    range_m : float
        Distance parameter [m]: where the spherical model reaches its sill; of the others the e-folding
        distance (95 % of the sill is reached at about 3, 4.7 and 5.9 of them).

    Raises
    ------
    DataError
        If the model is not known, a sill is negative or not finite, or the range not positive.

    References
    ----------
    Chiles, J.-P., and Delfiner, P. (2012), Geostatistics: Modeling Spatial Uncertainty, 2nd ed., section 2.5.

    Examples
    --------
    >>> spherical = Variogram("spherical", nugget=0.5, partial_sill=2.0, range_m=100.0)
    >>> spherical.semivariance([0.0, 50.0, 100.0, 300.0]).tolist()
    [0.0, 1.875, 2.5, 2.5]
    """

    model: Model
    nugget: float
    partial_sill: float
    range_m: float

    def __post_init__(self) -> None:
        if self.model not in MODELS:
            raise DataError(f"Variogram model {self.model!r} is not known.", remedy=f"Use one of {MODELS}.")
        for name in ("nugget", "partial_sill"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= 0):
                raise DataError(f"Variogram {name} is {value}.", remedy="It must be finite and not negative.")
        if not (np.isfinite(self.range_m) and self.range_m > 0):
            raise DataError(f"Variogram range is {self.range_m} m.", remedy="It must be finite and positive.")

    @property
    def sill(self) -> float:
        """Nugget plus partial sill [values squared]."""
        return self.nugget + self.partial_sill

    def correlation(self, distance_m: npt.ArrayLike) -> Floats:
        """Correlation of the structure, nugget left out, at each distance [m]."""
        return _CORRELATION[self.model](np.abs(np.asarray(distance_m, dtype=float)) / self.range_m)

    def structure(self, distance_m: npt.ArrayLike) -> Floats:
        """Covariance of the structure, nugget left out [values squared], at each distance [m]."""
        return self.partial_sill * self.correlation(distance_m)

    def covariance(self, distance_m: npt.ArrayLike) -> Floats:
        """Covariance [values squared] at each distance [m]; at distance nought it includes the nugget."""
        distance = np.asarray(distance_m, dtype=float)
        return self.structure(distance) + np.where(distance == 0, self.nugget, 0.0)

    def semivariance(self, distance_m: npt.ArrayLike) -> Floats:
        """Semivariance [values squared] at each distance [m]; nought at distance nought."""
        return self.sill - self.covariance(distance_m)


def tabulate_covariance(variogram: Variogram) -> tuple[Floats, float]:
    """Tabulate the covariance of the structure as piecewise cubics for the compiled kernels.

    Parameters
    ----------
    variogram : Variogram

    Returns
    -------
    coefficients : ndarray of shape (segments, 4)
        Rising powers of the fraction of a segment; the last segment is nought and stands for all beyond.
    step_m : float
        Length of a segment [m]; the range is a whole number of them, so that the spherical model is exact.

    Examples
    --------
    >>> variogram = Variogram("exponential", 0.0, 4.0, 40.0)
    >>> coefficients, step_m = tabulate_covariance(variogram)
    >>> segment, fraction = divmod(33.3 / step_m, 1.0)
    >>> value = coefficients[int(segment)] @ fraction ** np.arange(4)
    >>> bool(abs(value - variogram.structure(33.3)) < 1e-10)
    True
    """
    ranges = 1 if variogram.model == "spherical" else TABLE_RANGES
    nodes = np.arange(ranges * TABLE_NODES_PER_RANGE + 1) / TABLE_NODES_PER_RANGE
    value = _CORRELATION[variogram.model](nodes)
    slope = _SLOPE[variogram.model](nodes)
    spline = CubicHermiteSpline(nodes * TABLE_NODES_PER_RANGE, value, slope / TABLE_NODES_PER_RANGE)
    coefficients = np.vstack([spline.c[::-1].T, np.zeros(4)]) * variogram.partial_sill
    return np.ascontiguousarray(coefficients), variogram.range_m / TABLE_NODES_PER_RANGE


def _spherical(u: Floats) -> Floats:
    inside = np.minimum(u, 1.0)
    return 1.0 - inside * (1.5 - 0.5 * inside**2)


_CORRELATION: dict[str, Callable[[Floats], Floats]] = {
    "exponential": lambda u: np.exp(-u),
    "spherical": _spherical,
    "matern_3_2": lambda u: (1.0 + u) * np.exp(-u),
    "matern_5_2": lambda u: (1.0 + u + u**2 / 3.0) * np.exp(-u),
}
_SLOPE: dict[str, Callable[[Floats], Floats]] = {
    "exponential": lambda u: -np.exp(-u),
    "spherical": lambda u: np.where(u < 1.0, 1.5 * (u**2 - 1.0), 0.0),
    "matern_3_2": lambda u: -u * np.exp(-u),
    "matern_5_2": lambda u: -u * (1.0 + u) / 3.0 * np.exp(-u),
}
