"""Cross-validation by whole rows: leaving out single readings flatters, the next one being a metre away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vinemap.errors import DataError
from vinemap.surface.checks import check_readings
from vinemap.surface.covariance import Floats, Variogram
from vinemap.surface.kriging import LocalBlockKriging, fit_labelled

NORMAL_90 = 1.6448536269514722  # two-sided 90 % quantile of the normal distribution


@dataclass(frozen=True, slots=True)
class CrossValidation:
    """How well left-out rows are predicted from the others.

    Attributes
    ----------
    readings : int
        Readings predicted.
    rmse : float
        Root-mean-square error of a reading [values].
    mean_error : float
        Mean of prediction less reading [values].
    coverage_90 : float
        Share of readings within the 90 % interval (reading noise included) [0-1].
    mean_squared_ratio : float
        Mean of squared error over kriging variance; 1 is calibrated.
    prediction, standard_error : ndarray of shape (n,)
        Of each reading, from the other rows; NaN where there were none.
    """

    readings: int
    rmse: float
    mean_error: float
    coverage_90: float
    mean_squared_ratio: float
    prediction: Floats
    standard_error: Floats


def cross_validate_rows(
    coordinates: npt.ArrayLike,
    values: npt.ArrayLike,
    row_no: npt.ArrayLike,
    *,
    variogram: Variogram,
    neighbours: int = 64,
    noise_variance: npt.ArrayLike | None = None,
    max_readings: int | None = None,
    rng: np.random.Generator | None = None,
) -> CrossValidation:
    """Predict each reading from the readings of all other rows, and compare.

    Parameters
    ----------
    coordinates : array_like of shape (n, 2)
        Easting and northing [m].
    values : array_like of shape (n,)
        Values.
    row_no : array_like of shape (n,)
        Row of each reading (not negative).
    variogram : Variogram
    neighbours : int
        Nearest readings of other rows.
    noise_variance : array_like of shape (n,) or scalar, optional
        Error variance of each reading beyond the nugget [values squared].
    max_readings : int, optional
        Predict only this many, drawn at random.
    rng : numpy.random.Generator, optional
        Needed with `max_readings`.

    Returns
    -------
    CrossValidation

    Raises
    ------
    DataError
        If values are not finite, a row number is negative, or there is only one row.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> places = np.stack(np.meshgrid(np.arange(0.0, 60, 2), np.arange(0.0, 30, 3)), -1).reshape(-1, 2)
    >>> rows = (places[:, 1] / 3).astype(int)
    >>> noise = Variogram("exponential", 1.0, 0.0, 30.0)
    >>> found = cross_validate_rows(places, rng.normal(10, 1, len(rows)), rows, variogram=noise)
    >>> 0.85 < found.coverage_90 < 0.95
    True
    """
    points, numbers, noise = check_readings(coordinates, values, noise_variance, where="cross_validate_rows")
    rows = np.asarray(row_no, dtype=np.int64)
    if rows.shape != numbers.shape or rows.min() < 0 or len(np.unique(rows)) < 2:
        raise DataError(
            f"Row numbers of shape {rows.shape}, {np.unique(rows)[:3]} ..., cannot be left out.",
            where="cross_validate_rows",
            remedy="Give a row number, not negative, for each reading, of two rows or more.",
        )
    wanted = _draw(len(points), max_readings, rng)
    model = LocalBlockKriging(variogram, neighbours=neighbours, block_m=0.0)
    fit_labelled(model, points, numbers, noise, rows)
    prediction, standard_error = np.full((2, len(points)), np.nan)
    mean, variance, _ = model.predict_parts(points[wanted], rows[wanted])
    prediction[wanted], standard_error[wanted] = mean, np.sqrt(variance + noise[wanted])
    return _summarise(numbers, prediction, standard_error)


def _draw(count: int, wanted: int | None, rng: np.random.Generator | None) -> npt.NDArray[np.int64]:
    """Draw which readings to predict."""
    if wanted is None or wanted >= count:
        return np.arange(count)
    if rng is None:
        raise DataError(f"max_readings is {wanted} but rng is missing.", remedy="Pass a numpy Generator.")
    return np.sort(rng.choice(count, size=wanted, replace=False))


def _summarise(values: Floats, prediction: Floats, standard_error: Floats) -> CrossValidation:
    """Compare predictions with values where there is one."""
    told = np.isfinite(prediction)
    error = (prediction - values)[told]
    spread = standard_error[told]
    known = spread > 0
    ratio = float(np.mean((error[known] / spread[known]) ** 2)) if known.any() else float("nan")
    return CrossValidation(
        readings=int(told.sum()),
        rmse=float(np.sqrt(np.mean(error**2))),
        mean_error=float(error.mean()),
        coverage_90=float(np.mean(np.abs(error) <= NORMAL_90 * spread + 1e-9 * np.abs(values[told]))),
        mean_squared_ratio=ratio,
        prediction=prediction,
        standard_error=standard_error,
    )
