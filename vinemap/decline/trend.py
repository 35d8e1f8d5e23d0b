"""Plain trend checks: the Mann-Kendall test and Sen's slope, the comparator beside the model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from vinemap.errors import DataError


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Result of the Mann-Kendall test.

    Attributes
    ----------
    s : float
        Sum of signs of all pairs, later less earlier.
    variance : float
        Variance of S under no trend, ties taken into account.
    z : float
        Standard score with continuity correction.
    p_value : float
        Two-sided.
    tau : float
        Kendall's tau-a, S over the number of pairs.
    """

    s: float
    variance: float
    z: float
    p_value: float
    tau: float


def mann_kendall(values: npt.ArrayLike) -> MannKendall:
    """Test a series in time order for a monotone trend.

    Parameters
    ----------
    values : array-like (n,)
        Values in time order; NaN are left out.

    Returns
    -------
    MannKendall

    Raises
    ------
    DataError
        If fewer than three values are left.

    References
    ----------
    Mann 1945; Kendall 1975; US EPA QA/G-9S, section 4.3.4 (worked examples used in the tests).

    Examples
    --------
    >>> mann_kendall([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]).s
    22.0
    """
    series = _finite(values, at_least=3)
    first, second = np.triu_indices(series.size, k=1)
    s = float(np.sign(series[second] - series[first]).sum())
    n = series.size
    ties = np.unique(series, return_counts=True)[1].astype(float)
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18
    z = 0.0 if s == 0 or variance == 0 else (s - np.sign(s)) / np.sqrt(variance)
    return MannKendall(s, variance, float(z), float(2 * special.ndtr(-abs(z))), s / (n * (n - 1) / 2))


def sen_slope(values: npt.ArrayLike, times: npt.ArrayLike | None = None) -> float:
    """Give the median of all pairwise slopes [unit of values per unit of time].

    Parameters
    ----------
    values : array-like (n,)
        NaN are left out.
    times : array-like (n,), optional
        0, 1, 2, ... if not given. Pairs at the same time are left out.

    Returns
    -------
    float

    Raises
    ------
    DataError
        If no two values at different times are left.

    References
    ----------
    Sen 1968, Journal of the American Statistical Association 63:1379-1389.

    Examples
    --------
    >>> sen_slope([1, 2, 3, 4, 5, 16, 7])
    1.0
    """
    series = np.asarray(values, dtype=float)
    moments = np.arange(series.size, dtype=float) if times is None else np.asarray(times, dtype=float)
    good = np.isfinite(series) & np.isfinite(moments)
    series, moments = series[good], moments[good]
    first, second = np.triu_indices(series.size, k=1)
    span = moments[second] - moments[first]
    apart = span != 0
    if not apart.any():
        raise DataError(
            f"Sen's slope needs two values at different times; {series.size} usable value(s) were given.",
            remedy="Wait for another vintage.",
        )
    return float(np.median((series[second] - series[first])[apart] / span[apart]))


def _finite(values: npt.ArrayLike, *, at_least: int) -> npt.NDArray[np.float64]:
    """Values that are numbers, or refuse them where they are too few."""
    series = np.asarray(values, dtype=float)
    series = series[np.isfinite(series)]
    if series.size < at_least:
        raise DataError(
            f"The trend test needs {at_least} values; {series.size} were given.",
            remedy="Wait for more vintages.",
        )
    return np.asarray(series)
