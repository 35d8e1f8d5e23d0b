"""Entry checks shared by the stage functions: shapes, finite values, enough readings."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from sklearn.utils.validation import column_or_1d

from vinemap.errors import DataError
from vinemap.surface.covariance import Floats


def check_coordinates(coordinates: npt.ArrayLike, *, where: str) -> Floats:
    """Give positions as a contiguous float array of shape (n, 2) [m], or refuse them.

    Parameters
    ----------
    coordinates : array_like of shape (n, 2)
        Easting and northing [m].
    where : str
        Named in the message.

    Returns
    -------
    ndarray of shape (n, 2)
        [m]

    Raises
    ------
    DataError
        If the shape is not (n, 2) or a position is not finite.

    Examples
    --------
    >>> check_coordinates([[1, 2], [3, 4]], where="readings").shape
    (2, 2)
    """
    points = np.ascontiguousarray(coordinates, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise DataError(
            f"Positions have shape {points.shape}.",
            where=where,
            remedy="Pass (n, 2): easting, northing in m.",
        )
    _refuse_non_finite(points.sum(axis=1), "position", where)
    return points


def check_columns(table: npt.ArrayLike, *, where: str) -> Floats:
    """Give numbers in rows and columns as a float array of shape (n, columns), or refuse them.

    Parameters
    ----------
    table : array_like of shape (n, columns)
    where : str
        Named in the message.

    Returns
    -------
    ndarray of shape (n, columns)

    Raises
    ------
    DataError
        If they are sparse, complex or not in two dimensions.

    Examples
    --------
    >>> check_columns([[1, 2], [3, 4]], where="readings").dtype
    dtype('float64')
    """
    if hasattr(table, "toarray"):
        raise DataError("Positions are a sparse array.", where=where, remedy="Pass a dense one.")
    plain = np.asarray(table)
    if np.iscomplexobj(plain):
        raise DataError("Complex data not supported.", where=where, remedy="Pass metres as plain numbers.")
    if plain.ndim != 2:
        raise DataError(
            f"Positions have shape {plain.shape}.",
            where=where,
            remedy="Reshape your data to (n, 2): easting, northing in m.",
        )
    return np.ascontiguousarray(plain, dtype=np.float64)


def check_values(values: npt.ArrayLike | None, *, where: str) -> Floats:
    """Give values as an array of shape (n,); a single column is laid flat with scikit-learn's warning.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, 1), or None
    where : str
        Named in the message.

    Returns
    -------
    ndarray of shape (n,)

    Raises
    ------
    DataError
        If there are none.

    Examples
    --------
    >>> check_values([5, 7], where="readings").tolist()
    [5.0, 7.0]
    """
    if values is None:
        raise DataError(
            "It requires y to be passed, but the target y is None.",
            where=where,
            remedy="Pass the values read.",
        )
    plain = np.asarray(values, dtype=np.float64)
    return column_or_1d(plain, warn=True) if plain.ndim == 2 and plain.shape[1] == 1 else plain


def check_readings(
    coordinates: npt.ArrayLike, values: npt.ArrayLike, noise_variance: npt.ArrayLike | None, *, where: str
) -> tuple[Floats, Floats, Floats]:
    """Give positions, values and noise variances as matching finite arrays, or refuse them.

    Parameters
    ----------
    coordinates : array_like of shape (n, 2)
        Easting and northing [m].
    values : array_like of shape (n,)
    noise_variance : array_like of shape (n,) or scalar, optional
        Error variance of each reading [values squared]; none is nought.
    where : str
        Named in the message.

    Returns
    -------
    points : ndarray of shape (n, 2)
    values : ndarray of shape (n,)
    noise_variance : ndarray of shape (n,)

    Raises
    ------
    DataError
        If there are no readings, lengths differ, or a value is not finite or a variance negative.

    Examples
    --------
    >>> points, values, noise = check_readings([[0, 0], [3, 0]], [5.0, 7.0], None, where="demo")
    >>> noise.tolist()
    [0.0, 0.0]
    """
    points = check_coordinates(coordinates, where=where)
    numbers = np.ascontiguousarray(values, dtype=np.float64)
    if numbers.shape != (len(points),):
        raise DataError(
            f"{len(points)} positions but values of shape {numbers.shape}.",
            where=where,
            remedy="Pass one each.",
        )
    if len(points) == 0:
        raise DataError("There are no readings.", where=where, remedy="Leave this block and vintage out.")
    _refuse_non_finite(numbers, "value", where)
    noise = np.zeros(len(points)) if noise_variance is None else np.asarray(noise_variance, dtype=np.float64)
    noise = np.ascontiguousarray(np.broadcast_to(noise, numbers.shape))
    _refuse_non_finite(noise, "noise variance", where)
    if np.any(noise < 0):
        first = int(np.argmax(noise < 0))
        raise DataError(
            f"Noise variance is {noise[first]:.4g} at reading {first}.",
            where=where,
            remedy="It cannot be negative.",
        )
    return points, numbers, noise


def _refuse_non_finite(numbers: Floats, what: str, where: str) -> None:
    """Refuse numbers that are not finite, with their count and the first."""
    bad = ~np.isfinite(numbers)
    if not bad.any():
        return
    count, first = int(bad.sum()), int(np.argmax(bad))
    all_of = "all " if count == len(numbers) else ""
    raise DataError(
        f"A {what} is not a finite number (NaN or inf) in {all_of}{count} of {len(numbers)} readings "
        f"(first at index {first}).",
        where=where,
        remedy="Drop those readings first, e.g. by their flag.",
    )
