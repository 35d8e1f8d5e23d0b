"""Variogram models, their covariances, and the terms that the compiled kernels compute them from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple, get_args

import numpy as np
import numpy.typing as npt

from vinemap.errors import DataError

Floats = npt.NDArray[np.float64]
Model = Literal["exponential", "spherical", "matern_3_2", "matern_5_2"]
MODELS: tuple[Model, ...] = get_args(Model)

SQUARINGS = 8  # exp(x) in the kernels is a polynomial of x / 256, squared eight times: good to 1e-13
FURTHEST = 50.0  # ranges; exp(-50) = 2e-22: beyond this the covariance is taken as nought


class Structure(NamedTuple):
    """One structure of a variogram.

    Attributes
    ----------
    model : {"exponential", "spherical", "matern_3_2", "matern_5_2"}
    partial_sill : float
        [values squared]
    range_m : float
        [m]
    """

    model: Model
    partial_sill: float
    range_m: float


@dataclass(frozen=True, slots=True)
class Variogram:
    """A variogram: a structure (or several) with a nested nugget, the same in all directions or not.

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
    bearing_deg : float
        Direction in which `range_m` holds, clockwise from grid north [degrees]: that of the rows.
    ratio : float
        Range across that direction over range along it; 1 is the same in all directions.
    further : tuple of Structure
        Structures beside the first one, in the same directions.

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
    bearing_deg: float = 0.0
    ratio: float = 1.0
    further: tuple[Structure, ...] = ()

    def __post_init__(self) -> None:
        for one in self.structures:
            if one.model not in MODELS:
                raise DataError(
                    f"Variogram model {one.model!r} is not known.", remedy=f"Use one of {MODELS}."
                )
        sills = [("nugget", self.nugget), *(("partial_sill", one.partial_sill) for one in self.structures)]
        for name, value in sills:
            if not (np.isfinite(value) and value >= 0):
                raise DataError(f"Variogram {name} is {value}.", remedy="It must be finite and not negative.")
        for one in self.structures:
            if not (np.isfinite(one.range_m) and one.range_m > 0):
                raise DataError(
                    f"Variogram range is {one.range_m} m.", remedy="It must be finite and positive."
                )
        if not (np.isfinite(self.ratio) and self.ratio > 0 and np.isfinite(self.bearing_deg)):
            raise DataError(
                f"Variogram ratio is {self.ratio} at a bearing of {self.bearing_deg} degrees.",
                remedy="Give a positive ratio of ranges and a bearing in degrees.",
            )

    @property
    def structures(self) -> tuple[Structure, ...]:
        """All structures, the first one first."""
        return (Structure(self.model, self.partial_sill, self.range_m), *self.further)

    @property
    def structured_sill(self) -> float:
        """Sum of the partial sills [values squared]."""
        return float(sum(one.partial_sill for one in self.structures))

    @property
    def sill(self) -> float:
        """Nugget plus partial sills [values squared]."""
        return self.nugget + self.structured_sill

    def correlation(self, distance_m: npt.ArrayLike) -> Floats:
        """Give the correlation of the first structure, nugget left out.

        Parameters
        ----------
        distance_m : array_like
            Distances along the bearing [m].

        Returns
        -------
        ndarray of the same shape
            0 to 1.
        """
        return _CORRELATION[self.model](np.abs(np.asarray(distance_m, dtype=float)) / self.range_m)

    def structure(self, distance_m: npt.ArrayLike) -> Floats:
        """Give the covariance of all structures, nugget left out.

        Parameters
        ----------
        distance_m : array_like
            Distances along the bearing [m].

        Returns
        -------
        ndarray of the same shape
            [values squared]
        """
        distance = np.abs(np.asarray(distance_m, dtype=float))
        total = self.partial_sill * self.correlation(distance)
        for one in self.further:
            total = total + one.partial_sill * _CORRELATION[one.model](distance / one.range_m)
        return total

    def scale_places(self, places: Floats) -> Floats:
        """Turn and stretch positions so that the variogram is the same in all directions.

        Parameters
        ----------
        places : ndarray of shape (n, 2)
            Easting and northing [m].

        Returns
        -------
        ndarray of shape (n, 2)
            Along the bearing, and across it over `ratio` [m]; the positions as they are where `ratio` is 1.

        Examples
        --------
        >>> rows = Variogram("exponential", 0.0, 1.0, 40.0, bearing_deg=0.0, ratio=0.5)
        >>> rows.scale_places(np.array([[3.0, 0.0], [0.0, 3.0]])).tolist()
        [[0.0, 6.0], [3.0, 0.0]]
        """
        if self.ratio == 1.0:
            return places
        turn = np.deg2rad(self.bearing_deg)
        east, north = places[:, 0], places[:, 1]
        along = east * np.sin(turn) + north * np.cos(turn)
        across = east * np.cos(turn) - north * np.sin(turn)
        return np.column_stack([along, across / self.ratio])

    def covariance(self, distance_m: npt.ArrayLike) -> Floats:
        """Give the covariance, nugget and all.

        Parameters
        ----------
        distance_m : array_like
            Distances along the bearing [m].

        Returns
        -------
        ndarray of the same shape
            [values squared]; at distance nought it includes the nugget.
        """
        distance = np.asarray(distance_m, dtype=float)
        return self.structure(distance) + np.where(distance == 0, self.nugget, 0.0)

    def semivariance(self, distance_m: npt.ArrayLike) -> Floats:
        """Give the semivariance.

        Parameters
        ----------
        distance_m : array_like
            Distances along the bearing [m].

        Returns
        -------
        ndarray of the same shape
            [values squared]; nought at distance nought.
        """
        return self.sill - self.covariance(distance_m)


def kernel_terms(variogram: Variogram) -> Floats:
    """Write the covariance of the structure as the compiled kernels compute it.

    With u = min(h sqrt(t0), t1) it is (t3 + t4 u + t5 u^2 + t6 u^3) exp(256 t2 u).

    Parameters
    ----------
    variogram : Variogram

    Returns
    -------
    ndarray of shape (structures, 7)

    Examples
    --------
    >>> t = kernel_terms(Variogram("exponential", 0.0, 4.0, 40.0))[0]
    >>> u = min(33.3 * np.sqrt(t[0]), t[1])
    >>> value = (t[3] + t[4] * u + t[5] * u**2 + t[6] * u**3) * np.exp(2**SQUARINGS * t[2] * u)
    >>> bool(abs(value - Variogram("exponential", 0.0, 4.0, 40.0).structure(33.3)) < 1e-12)
    True
    """
    lines = []
    for one in variogram.structures:
        furthest, rate, coefficients = _KERNEL[one.model]
        start = [one.range_m**-2, furthest, -rate / 2**SQUARINGS]
        lines.append([*start, *(one.partial_sill * value for value in coefficients)])
    return np.array(lines)


def _spherical(u: Floats) -> Floats:
    inside = np.minimum(u, 1.0)
    return 1.0 - inside * (1.5 - 0.5 * inside**2)


_CORRELATION: dict[str, Callable[[Floats], Floats]] = {
    "exponential": lambda u: np.exp(-u),
    "spherical": _spherical,
    "matern_3_2": lambda u: (1.0 + u) * np.exp(-u),
    "matern_5_2": lambda u: (1.0 + u + u**2 / 3.0) * np.exp(-u),
}
# Where to stop, rate of the exponential, and coefficients of the polynomial before it.
_KERNEL: dict[str, tuple[float, float, tuple[float, float, float, float]]] = {
    "exponential": (FURTHEST, 1.0, (1.0, 0.0, 0.0, 0.0)),
    "spherical": (1.0, 0.0, (1.0, -1.5, 0.0, 0.5)),
    "matern_3_2": (FURTHEST, 1.0, (1.0, 1.0, 0.0, 0.0)),
    "matern_5_2": (FURTHEST, 1.0, (1.0, 1.0, 1.0 / 3.0, 0.0)),
}
