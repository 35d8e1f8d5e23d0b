"""Outliers of yield: beyond the block's limits, and against the readings around.

References
----------
Anselin 1995, Geographical Analysis 27:93-115 (local Moran's I).
Sokal, Oden & Thomson 1998, Geographical Analysis 30:331-354, eqs. A7 and A8 (its moments).
Vega et al. 2019, Precision Agriculture 20(5):1030-1044 (local Moran's I to clean yield readings).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

HIGHEST_T_HA = 100.0  # no vineyard row bears more over metres; common practice, no source
LIMIT_HIGH_MAD = 4.5  # robust deviations of log yield above the median; recovered truth
LIMIT_LOW_MAD = 6.0  # wider below: weak and dying stretches are what is looked for; recovered truth
NEIGHBOURS = 24  # about three readings along the row and two rows to each side
RESIDUAL_MAD = 3.8  # robust deviations from the neighbours' median; recovered truth
MORAN_Z = -2.6  # local Moran's I clearly negative, one-sided 0.5 %
MORAN_RESIDUAL_MAD = 3.0  # and then a milder residual is enough; recovered truth
FLOOR_SHARE = 0.05  # of the median: logs go no lower, a zero is not infinitely far off
MAD_TO_SD = 1.4826
ROUNDS = 2  # the second round judges by neighbours that the first has rid of outliers


@dataclass(frozen=True, slots=True)
class LocalMoran:
    """Local Moran's I with row-standardised weights.

    Parameters
    ----------
    statistic : numpy.ndarray, (n,)
        I of each place.
    expectation, variance : numpy.ndarray, (n,)
        Under conditional randomisation.
    """

    statistic: np.ndarray
    expectation: np.ndarray
    variance: np.ndarray

    @property
    def z(self) -> np.ndarray:
        """Standardised statistic; 0 where it has no variance."""
        with np.errstate(invalid="ignore", divide="ignore"):
            z = (self.statistic - self.expectation) / np.sqrt(self.variance)
        return np.where(np.isfinite(z), z, 0.0)


def local_moran(values: np.ndarray, neighbours: np.ndarray) -> LocalMoran:
    """Local Moran's I with its analytical moments (no permutations).

    Parameters
    ----------
    values : numpy.ndarray, (n,)
    neighbours : numpy.ndarray of int, (n, k)
        Places of the k neighbours of each; all weigh 1/k.

    Returns
    -------
    LocalMoran

    References
    ----------
    Anselin 1995; moments from Sokal, Oden & Thomson 1998, eqs. A7 and A8.

    Examples
    --------
    >>> line = np.array([1.0, 1.0, 1.0, 9.0, 1.0, 1.0])
    >>> beside = np.array([[1, 2], [0, 2], [1, 3], [2, 4], [3, 5], [4, 3]])
    >>> int(np.argmin(local_moran(line, beside).statistic))
    3
    """
    n, k = neighbours.shape
    z = values - values.mean()
    m2 = float(np.mean(z**2))
    if m2 == 0.0 or n < 3:
        nothing = np.zeros(n)
        return LocalMoran(nothing, nothing, nothing)
    lag = z[neighbours].mean(axis=1)
    statistic = (n - 1) / n * z * lag / m2
    expectation = -(z**2) / ((n - 1) * m2)
    weights = 1.0 / k - 1.0 / (n - 1)  # sum of squared weights less (sum of weights)^2 / (n - 1)
    variance = (z / m2) ** 2 * n / (n - 2) * weights * (m2 - z**2 / (n - 1))
    return LocalMoran(statistic, expectation, variance)


def find_beyond_limits(yield_t_ha: np.ndarray, spared: np.ndarray) -> np.ndarray:
    """Mark yields beyond any crop, or far outside the block's on a log scale.

    Parameters
    ----------
    yield_t_ha : numpy.ndarray, (n,)
        NaN where left out already.
    spared : numpy.ndarray of bool, (n,)
        Low readings that the rows beside confirm.

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> values = np.r_[np.linspace(8, 12, 50), 300.0, 0.01]
    >>> np.flatnonzero(find_beyond_limits(values, np.zeros(52, dtype=bool))).tolist()
    [50, 51]
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.log(np.where(yield_t_ha > 0, yield_t_ha, np.nan))
        if not np.isfinite(log).any():
            return np.zeros(yield_t_ha.size, dtype=bool)
        middle = np.nanmedian(log)
        scale = MAD_TO_SD * np.nanmedian(np.abs(log - middle))
        high = (log > middle + LIMIT_HIGH_MAD * scale) | (yield_t_ha > HIGHEST_T_HA)
        low = ~(log >= middle - LIMIT_LOW_MAD * scale) & np.isfinite(yield_t_ha)
    return np.asarray(high | (low & ~spared) | (yield_t_ha < 0))


def median_beside(
    yield_t_ha: np.ndarray, along_m: np.ndarray, row_no: np.ndarray, wanted: np.ndarray, *, step_m: float
) -> np.ndarray:
    """Median yield of other rows beside the wanted readings.

    Parameters
    ----------
    yield_t_ha, along_m : numpy.ndarray, (n,)
        Yield (NaN is no neighbour) and distance along a direction common to all rows.
    row_no : numpy.ndarray of int, (n,)
    wanted : numpy.ndarray of bool, (n,)
        Where it is asked for.
    step_m : float
        Usual distance between readings [m].

    Returns
    -------
    numpy.ndarray, (n,)
        NaN where not wanted or with fewer than three neighbours on other rows within two rows.
    """
    out = np.full(yield_t_ha.size, np.nan)
    use = np.flatnonzero(np.isfinite(yield_t_ha) & (row_no >= 0))
    ask = np.flatnonzero(wanted & (row_no >= 0) & np.isfinite(along_m))
    if use.size < 4 or ask.size == 0:
        return out
    tree = cKDTree(np.column_stack([along_m[use] / step_m, row_no[use]]))
    count = min(NEIGHBOURS, use.size)
    far, near = tree.query(np.column_stack([along_m[ask] / step_m, row_no[ask]]), k=count)
    value = yield_t_ha[use][near]
    value[(row_no[use][near] == row_no[ask][:, None]) | (far > 3.0)] = np.nan
    enough = np.isfinite(value).sum(axis=1) >= 3
    out[ask[enough]] = np.nanmedian(value[enough], axis=1)
    return out


def find_local_outliers(
    yield_t_ha: np.ndarray, along_m: np.ndarray, row_no: np.ndarray, *, step_m: float
) -> np.ndarray:
    """Mark readings far from the median of those around them on the same row and the rows beside.

    A reading is marked where its log yield is more than `RESIDUAL_MAD` robust deviations from its neighbours'
    median, or more than `MORAN_RESIDUAL_MAD` where local Moran's I is clearly negative as well.

    Parameters
    ----------
    yield_t_ha : numpy.ndarray, (n,)
        NaN where left out already [t/ha].
    along_m : numpy.ndarray, (n,)
        Distance along a direction common to all rows [m].
    row_no : numpy.ndarray of int, (n,)
    step_m : float
        Usual distance between readings [m]; one step counts as far as one row.

    Returns
    -------
    numpy.ndarray of bool, (n,)
    """
    out = np.zeros(yield_t_ha.size, dtype=bool)
    for _ in range(ROUNDS):
        use = np.flatnonzero(np.isfinite(yield_t_ha) & (row_no >= 0) & ~out)
        ask = np.flatnonzero(np.isfinite(yield_t_ha) & (row_no >= 0))
        if use.size <= NEIGHBOURS:
            return out
        log = np.log(np.maximum(yield_t_ha, FLOOR_SHARE * np.median(yield_t_ha[use])))
        scaled = np.column_stack([along_m / step_m, row_no.astype(float)])
        near = _neighbours(scaled[use], scaled[ask], np.searchsorted(use, ask), out[ask])
        around = log[use][near]
        residual = log[ask] - np.median(around, axis=1)
        scale = MAD_TO_SD * np.median(np.abs(residual[~out[ask]]))
        if scale == 0:
            return out
        opposed = _moran_z(log[ask], log[use], near) < MORAN_Z
        distance = np.abs(residual) / scale
        out = np.zeros_like(out)
        out[ask] = (distance > RESIDUAL_MAD) | (opposed & (distance > MORAN_RESIDUAL_MAD))
    return out


def _neighbours(places: np.ndarray, asked: np.ndarray, own: np.ndarray, outside: np.ndarray) -> np.ndarray:
    """Nearest places of each asked one, itself left out, as positions in `places`."""
    near = np.asarray(cKDTree(places).query(asked, k=NEIGHBOURS + 1)[1])
    own = np.where(outside, -1, own)
    itself = near == own[:, None]
    itself[~itself.any(axis=1), -1] = True  # not among them: the farthest goes instead
    return np.asarray(near[~itself].reshape(asked.shape[0], NEIGHBOURS))


def _moran_z(log_asked: np.ndarray, log_places: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Local Moran's z of asked places against neighbours among `places`."""
    n, k = log_places.size, near.shape[1]
    mean, m2 = log_places.mean(), max(float(log_places.var()), 1e-12)
    z, lag = log_asked - mean, (log_places - mean)[near].mean(axis=1)
    statistic = (n - 1) / n * z * lag / m2
    expectation = -(z**2) / ((n - 1) * m2)
    weights = 1.0 / k - 1.0 / (n - 1)
    variance = (z / m2) ** 2 * n / (n - 2) * weights * np.maximum(m2 - z**2 / (n - 1), 1e-12)
    return LocalMoran(statistic, expectation, variance).z


def common_along(easting: np.ndarray, northing: np.ndarray, direction: tuple[float, float]) -> np.ndarray:
    """Distance along a direction common to all rows [m], from positions [m] and a unit vector.

    Examples
    --------
    >>> common_along(np.array([3.0]), np.array([4.0]), (0.0, 1.0)).tolist()
    [4.0]
    """
    return np.asarray(easting * direction[0] + northing * direction[1])
