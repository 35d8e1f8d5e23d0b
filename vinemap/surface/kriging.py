"""Local block kriging with the face of a scikit-learn regressor."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from vinemap.errors import DataError
from vinemap.surface.checks import check_columns, check_coordinates, check_readings, check_values
from vinemap.surface.covariance import Floats, Variogram, kernel_terms
from vinemap.surface.neighbours import neighbour_bin_side, sort_into_bins
from vinemap.surface.support import Quadrature, discretise_block, mean_covariance, tabulate_block
from vinemap.surface.systems import SMALLEST_PIVOT, krige_groups

Integers = npt.NDArray[np.int64]


class LocalBlockKriging(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """Ordinary kriging of square blocks from the nearest readings.

    The nugget is taken as noise of single readings: it stands on the diagonal of the kriging system and
    averages out over a block, as in gstat. Kriging of points (``block_m=0``) predicts a new reading, noise
    included, and returns the reading itself where one lies.

    Parameters
    ----------
    variogram : Variogram
        Required when fitting.
    neighbours : int
        Number of nearest readings [readings].
    block_m : float
        Side of the block about each position [m]; 0 for points.
    discretisation : int
        Points along each side of the block, where the quadrature is not exact.
    quadrature : {"exact", "regular", "gauss"}
        Integrals over the block, tabulated once; or sums over equal cells or Gauss-Legendre nodes (gstat's
        default, with 4 points per side), which overstate the standard error by a few per cent.
    share_within_m : float
        Positions in the same square of this side [m] share the readings nearest to their mean, and with them
        one factorisation. 0 (exact) gives each position its own nearest readings.
    threads : int
        Threads of one call; the compiled loop does not hold the interpreter lock.

    Attributes
    ----------
    variogram_ : Variogram
    n_features_in_ : int
        2: easting and northing.
    feature_names_in_ : ndarray of shape (2,)
        Their names, where the readings came as a table with named columns.
    n_readings_ : int
        Readings after those in one place have been averaged (only where there is no noise at all).

    References
    ----------
    Isaaks, E. H., and Srivastava, R. M. (1989), An Introduction to Applied Geostatistics, chapters 12-14;
    Pebesma, E. J. (2004), Computers & Geosciences 30:683-691 (gstat).

    Examples
    --------
    The seven samples of Isaaks and Srivastava, chapter 12; the book's covariance is 10 exp(-0.3 h).

    >>> places = [[61, 139], [63, 140], [64, 129], [68, 128], [71, 140], [73, 141], [75, 128]]
    >>> ppm = [477, 696, 227, 646, 606, 791, 783]
    >>> model = LocalBlockKriging(Variogram("exponential", 0.0, 10.0, 1 / 0.3), block_m=0.0)
    >>> mean, standard_error = model.fit(places, ppm).predict([[65, 137]], return_std=True)
    >>> print(f"{mean[0]:.1f} ppm, variance {standard_error[0] ** 2:.2f}")
    592.7 ppm, variance 8.96
    """

    def __init__(
        self,
        variogram: Variogram | None = None,
        *,
        neighbours: int = 64,
        block_m: float = 10.0,
        discretisation: int = 4,
        quadrature: Quadrature = "exact",
        share_within_m: float = 0.0,
        threads: int = 1,
    ) -> None:
        self.variogram = variogram
        self.neighbours = neighbours
        self.block_m = block_m
        self.discretisation = discretisation
        self.quadrature = quadrature
        self.share_within_m = share_within_m
        self.threads = threads

    def fit(
        self,
        X: npt.ArrayLike,  # noqa: N803
        y: npt.ArrayLike,
        noise_variance: npt.ArrayLike | None = None,
    ) -> LocalBlockKriging:
        """Take in readings.

        Parameters
        ----------
        X : array_like of shape (n, 2)
            Easting and northing [m].
        y : array_like of shape (n,)
            Values.
        noise_variance : array_like of shape (n,) or scalar, optional
            Error variance of each reading beyond the nugget [values squared]; filtered from the estimate.

        Returns
        -------
        LocalBlockKriging
            Itself.

        Raises
        ------
        DataError
            If no variogram was given, a setting is out of bounds, or readings are missing or not finite
            (a ValueError too, as scikit-learn expects).
        """
        self.variogram_ = self._checked_variogram()
        where = "LocalBlockKriging.fit"
        places = self._check_places(X, where=where, reset=True)
        points, values, noise = check_readings(
            places, check_values(y, where=where), noise_variance, where=where
        )
        labels = np.full(len(points), -1, dtype=np.int64)
        return self._take_in(points, values, noise, labels)

    def predict(self, X: npt.ArrayLike, return_std: bool = False) -> Floats | tuple[Floats, Floats]:  # noqa: N803
        """Estimate block means about these positions.

        Parameters
        ----------
        X : array_like of shape (m, 2)
            Easting and northing of the block centres [m].
        return_std : bool
            Also give the kriging standard error.

        Returns
        -------
        mean : ndarray of shape (m,)
        standard_error : ndarray of shape (m,)
            Only with ``return_std``.

        Raises
        ------
        sklearn.exceptions.NotFittedError
            Before `fit`.
        DataError
            If positions are not (m, 2) or not finite.
        """
        mean, variance, _ = self.predict_parts(X)
        return (mean, np.sqrt(variance)) if return_std else mean

    def predict_parts(
        self,
        X: npt.ArrayLike,  # noqa: N803
        labels: npt.ArrayLike | None = None,
    ) -> tuple[Floats, Floats, Floats]:
        """Estimate block means, their kriging variances, and the distance to the nearest reading used.

        Parameters
        ----------
        X : array_like of shape (m, 2)
            Easting and northing of the block centres [m].
        labels : array_like of shape (m,), optional
            Readings fitted with the label of a position are kept from it (see `cross_validate_rows`).

        Returns
        -------
        mean : ndarray of shape (m,)
        variance : ndarray of shape (m,)
            [values squared]
        nearest_m : ndarray of shape (m,)
            [m]; NaN like the others where no reading is left.
        """
        check_is_fitted(self, "n_readings_")
        places = self._check_places(X, where="LocalBlockKriging.predict", reset=False)
        cells = self.variogram_.scale_places(places) - self._origin
        if labels is None:
            order, starts = group_positions(cells, self.share_within_m)
            group_labels = np.full(len(starts) - 1, -1, dtype=np.int64)
        else:
            order, starts = group_positions(cells, 0.0)
            group_labels = np.asarray(labels, dtype=np.int64)
        sorted_results = self._krige(np.ascontiguousarray(cells[order]), starts, group_labels)
        results = np.empty((3, len(cells)))
        results[:, order] = sorted_results
        return results[0] + self._centre, results[1] * self._variance_scale, results[2]

    def _check_places(self, table: npt.ArrayLike, *, where: str, reset: bool) -> Floats:
        """Positions as an array; number and names of the columns are kept at `fit` and compared later."""
        columns = check_columns(table, where=where)
        validate_data(self, table, reset=reset, skip_check_array=True)
        return check_coordinates(columns, where=where)

    def _checked_variogram(self) -> Variogram:
        """Give the variogram, or refuse settings."""
        if not isinstance(self.variogram, Variogram):
            raise DataError(
                f"The variogram is {self.variogram!r}.",
                where="LocalBlockKriging.fit",
                remedy="Pass a Variogram, e.g. the one fitted by fit_variogram.",
            )
        if self.neighbours < 1:
            raise DataError(f"neighbours is {self.neighbours}.", remedy="Give 1 or more; 64 is usual.")
        return self.variogram

    def _take_in(self, points: Floats, values: Floats, noise: Floats, labels: Integers) -> LocalBlockKriging:
        """Keep readings sorted into bins, in scaled positions about their mean."""
        variogram = self.variogram_
        # Nothing varies and nothing is noisy: any scale gives the same weights, and the variance is nought.
        flat = variogram.sill == 0 and not noise.any()
        self._variance_scale = 0.0 if flat else 1.0
        nugget = 1.0 if flat else variogram.nugget
        if nugget == 0 and not noise.all():
            points, values, noise, labels = merge_places(points, values, noise, labels)
        points = variogram.scale_places(points)
        self._origin, self._centre = points.min(axis=0), float(values.mean())
        points = points - self._origin
        bins = sort_into_bins(points, neighbour_bin_side(points, self.neighbours))
        self._bins, order = bins, bins.order
        self._points = np.ascontiguousarray(points[order])
        self._values = np.ascontiguousarray(values[order] - self._centre)
        self._diagonal = np.ascontiguousarray(noise[order] + nugget)
        self._labels = np.ascontiguousarray(labels[order])
        self._nugget = nugget
        self.n_readings_ = len(points)
        return self

    def _krige(self, cells: Floats, starts: Integers, group_labels: Integers) -> Floats:
        """Krige cells in parts, one a thread: mean, variance and distance to the nearest reading (3, m)."""
        out = np.full((3, len(cells)), np.nan)
        parts = min(max(self.threads, 1), max(len(starts) - 1, 1))
        edges = np.linspace(0, len(starts) - 1, parts + 1).astype(int)
        block = self._block()
        jobs = [(block, out, cells, starts[a : b + 1], group_labels[a:b]) for a, b in pairwise(edges)]
        if parts == 1:
            self._krige_part(*jobs[0])
        else:
            with ThreadPoolExecutor(parts) as pool:
                list(pool.map(lambda job: self._krige_part(*job), jobs))
        return out

    def _block(self) -> tuple[Floats, Floats, float, float, float]:
        """Points that stand for the block, its table, steps of that per metre, and the covariance within."""
        variogram = self.variogram_
        offsets, weights = discretise_block(self.block_m, self.discretisation, self.quadrature)
        support = np.column_stack([variogram.scale_places(offsets), weights])
        if self.quadrature == "exact" and self.block_m > 0:
            table, per_column, per_row, within = tabulate_block(variogram, self.block_m)
            return support, table, per_column, per_row, within
        within = mean_covariance(variogram, offsets, weights)
        return support, np.zeros((0, 0)), 1.0, 1.0, within

    def _krige_part(
        self,
        block: tuple[Floats, Floats, float, float, float],
        out: Floats,
        cells: Floats,
        starts: Integers,
        group_labels: Integers,
    ) -> None:
        """Hand a part of the cells to the kernel, which writes into `out`."""
        variogram, bins = self.variogram_, self._bins
        support, table, per_column, per_row, within = block
        coincident = self._nugget if self.block_m == 0 else 0.0
        smallest = SMALLEST_PIVOT * (variogram.structured_sill + float(self._diagonal.max()))
        krige_groups(
            cells, np.ascontiguousarray(starts), np.ascontiguousarray(group_labels),
            self._points, self._values, self._diagonal, self._labels,
            bins.starts, bins.west, bins.south, bins.side_m, bins.rows, bins.columns,
            min(self.neighbours, self.n_readings_), support, table, per_column, per_row,
            kernel_terms(variogram), variogram.structured_sill, float(coincident),
            float(within + coincident), smallest, out[0], out[1], out[2],
        )  # fmt: skip


def group_positions(cells: Floats, share_within_m: float) -> tuple[Integers, Integers]:
    """Group positions by squares of this side [m]: their order, and where each group starts in it.

    Parameters
    ----------
    cells : ndarray of shape (m, 2)
        Positions [m].
    share_within_m : float
        Side of the squares, laid from the south-western corner of the positions; 0 groups none.

    Returns
    -------
    order : ndarray of shape (m,)
    starts : ndarray of shape (groups + 1,)

    Examples
    --------
    >>> order, starts = group_positions(np.array([[1.0, 1.0], [9.0, 1.0], [3.0, 1.0]]), 4.0)
    >>> order.tolist(), starts.tolist()
    ([0, 2, 1], [0, 2, 3])
    """
    count = len(cells)
    if share_within_m <= 0 or count == 0:
        return np.arange(count, dtype=np.int64), np.arange(count + 1, dtype=np.int64)
    # Half a thousandth of a square keeps positions on a regular grid clear of the edges of the squares.
    square = np.floor((cells - cells.min(axis=0)) / share_within_m + 5e-4).astype(np.int64)
    number = square[:, 1] * (square[:, 0].max() + 1) + square[:, 0]
    order = np.argsort(number, kind="stable").astype(np.int64)
    changes = np.flatnonzero(np.diff(number[order])) + 1
    return order, np.concatenate([[0], changes, [count]]).astype(np.int64)


def merge_places(
    points: Floats, values: Floats, noise: Floats, labels: Integers
) -> tuple[Floats, Floats, Floats, Integers]:
    """Average readings in one and the same place, which without noise would make the system singular.

    Parameters
    ----------
    points : ndarray of shape (n, 2)
        [m]
    values, noise : ndarray of shape (n,)
        Values, and noise variances [values squared].
    labels : ndarray of shape (n,)

    Returns
    -------
    points, values, noise, labels : ndarrays
        As they were where no two readings share a place; else means of values, variances of them, and the
        label of the first reading of each place.
    """
    places, first, place = np.unique(points, axis=0, return_index=True, return_inverse=True)
    if len(places) == len(points):
        return points, values, noise, labels
    place = place.ravel()
    count = np.bincount(place)
    mean = np.bincount(place, values) / count
    return places, mean, np.bincount(place, noise) / count**2, labels[first]


def fit_labelled(
    model: LocalBlockKriging, points: Floats, values: Floats, noise: Floats, labels: Any
) -> LocalBlockKriging:
    """Fit with a label on each reading, so that `predict_parts` can keep readings from positions.

    Parameters
    ----------
    model : LocalBlockKriging
        Altered.
    points : ndarray of shape (n, 2)
        [m]
    values, noise : ndarray of shape (n,)
        Values, and noise variances [values squared]; checked already.
    labels : array_like of shape (n,)
        Integers, not negative.

    Returns
    -------
    LocalBlockKriging
        The model itself.
    """
    model.variogram_ = model._checked_variogram()
    model.n_features_in_ = points.shape[1]
    return model._take_in(points, values, noise, np.ascontiguousarray(labels, dtype=np.int64))
