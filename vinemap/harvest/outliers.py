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

from vinemap.harvest.robust import MAD_TO_SD

HIGHEST_T_HA = 100.0  # no vineyard row bears more over metres; common practice, no source
LIMIT_HIGH_MAD = 4.5  # robust deviations of log yield above the median; recovered truth
LIMIT_LOW_MAD = 10.0  # much wider below: bare stretches are real, and are looked for; recovered truth
DIP_SHARE = 0.35  # of the usual yield: the conveyor's smear lets no gap come and go at once; recovered truth
NEIGHBOURS = 24  # about three readings along the row and two rows to each side
# The next eight were set on invented blocks with known spikes (2-6 times the truth), dips and dying vines,
# where they give the best F1 at 1 s and 5 s logs together; recovered truth.
HIGH_MAD = 4.2  # robust deviations above the neighbours' median (of square roots of yield)
LOW_MAD = 3.6  # below it
HIGH_OWN_SPREAD = 0.8  # of the neighbours' own spread that counts against a high reading
LOW_OWN_SPREAD = 1.4  # against a low one: among dying vines single bare stretches are real
HIGH_QUANTILE = 0.95  # of the block: a sound vine among dead ones is no spike
MORAN_EASE = 0.9  # of these limits where local Moran's I is clearly negative as well
MORAN_Z = -2.6  # one-sided 0.5 %
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
    z = values - values.mean()
    if len(values) < 3 or not np.any(z):
        nothing = np.zeros(len(values))
        return LocalMoran(nothing, nothing, nothing)
    return LocalMoran(*_moran_moments(z, z, neighbours))


def find_beyond_limits(yield_t_ha: np.ndarray, spared: np.ndarray) -> np.ndarray:
    """Mark yields beyond any crop, or far outside the block's on a log scale.

    Parameters
    ----------
    yield_t_ha : numpy.ndarray, (n,)
        NaN where left out already [t/ha].
    spared : numpy.ndarray of bool, (n,)
        Low readings that the rows beside, or those before and after, confirm.

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


def in_a_dip(yield_t_ha: np.ndarray, pass_no: np.ndarray, usual_t_ha: float) -> np.ndarray:
    """Mark readings whose neighbour in the same pass is low as well: a gap in the row, not a fault.

    Parameters
    ----------
    yield_t_ha : numpy.ndarray, (n,)
        In order of time; NaN where left out already [t/ha].
    pass_no : numpy.ndarray of int, (n,)
    usual_t_ha : float
        Of the block [t/ha].

    Returns
    -------
    numpy.ndarray of bool, (n,)

    Examples
    --------
    >>> in_a_dip(np.array([20.0, 6.0, 0.3, 19.0, 0.3, 21.0]), np.zeros(6), 20.0).tolist()
    [False, True, True, False, False, False]
    """
    with np.errstate(invalid="ignore"):
        low = yield_t_ha < DIP_SHARE * usual_t_ha
    same = (np.diff(pass_no) == 0) & (pass_no[1:] >= 0)
    out = np.zeros(low.size, dtype=bool)
    out[1:] |= low[:-1] & same
    out[:-1] |= low[1:] & same
    return np.asarray(out & low)


def median_beside(
    yield_t_ha: np.ndarray, along_m: np.ndarray, row_no: np.ndarray, wanted: np.ndarray, *, step_m: float
) -> np.ndarray:
    """Median yield of other rows beside the wanted readings.

    Parameters
    ----------
    yield_t_ha : numpy.ndarray, (n,)
        [t/ha]; NaN is no neighbour.
    along_m : numpy.ndarray, (n,)
        Distance along a direction common to all rows [m].
    row_no : numpy.ndarray of int, (n,)
    wanted : numpy.ndarray of bool, (n,)
        Where it is asked for.
    step_m : float
        Usual distance between readings [m].

    Returns
    -------
    numpy.ndarray, (n,)
        [t/ha]; NaN where not wanted or with fewer than three neighbours on other rows within three steps (a
        step along the row counts as far as one row).
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

    Distances are taken on square roots of yield, whose spread hardly moves with the level, in robust
    deviations of the block or of the neighbours themselves, whichever is wider. High readings must also be
    high for the block, and low ones be farther off where the neighbours differ much: weak and dying stretches
    are patchy, and are what is looked for. Where local Moran's I is clearly negative as well (a high reading
    among low ones or the reverse), a little less is enough.

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
    ask = np.flatnonzero(np.isfinite(yield_t_ha) & (row_no >= 0))
    root = np.sqrt(np.maximum(np.nan_to_num(yield_t_ha), 0.0))
    scaled = np.column_stack([along_m / step_m, row_no.astype(float)])
    for _ in range(ROUNDS):
        use = ask[~out[ask]]
        if use.size <= NEIGHBOURS:
            return out
        near = _neighbours(scaled[use], scaled[ask], np.searchsorted(use, ask), out[ask])
        far = _far_from_neighbours(root[ask], root[use], near, out[ask])
        out = np.zeros_like(out)
        out[ask] = far
    return out


def _far_from_neighbours(
    asked: np.ndarray, places: np.ndarray, near: np.ndarray, outside: np.ndarray
) -> np.ndarray:
    """Mark asked values too far above or below the median of their neighbours among `places`."""
    around = places[near]
    middle = np.median(around, axis=1)
    residual = asked - middle
    scale = MAD_TO_SD * np.median(np.abs(residual[~outside]))
    own = MAD_TO_SD * np.median(np.abs(around - middle[:, None]), axis=1)
    ease = np.where(_moran_z(asked, places, near) < MORAN_Z, MORAN_EASE, 1.0)
    high = residual > ease * HIGH_MAD * np.maximum(scale, HIGH_OWN_SPREAD * own)
    low = -residual > ease * LOW_MAD * np.maximum(scale, LOW_OWN_SPREAD * own)
    return np.asarray(((high & (asked > np.quantile(places, HIGH_QUANTILE))) | low) & (scale > 0))


def _neighbours(places: np.ndarray, asked: np.ndarray, own: np.ndarray, outside: np.ndarray) -> np.ndarray:
    """Nearest places of each asked one, itself left out, as positions in `places`."""
    near = np.asarray(cKDTree(places).query(asked, k=NEIGHBOURS + 1)[1])
    own = np.where(outside, -1, own)
    itself = near == own[:, None]
    itself[~itself.any(axis=1), -1] = True  # not among them: the farthest goes instead
    return np.asarray(near[~itself].reshape(asked.shape[0], NEIGHBOURS))


def _moran_z(asked: np.ndarray, places: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Local Moran's z of asked values, in `places` or not, against their neighbours among `places`."""
    moments = _moran_moments(asked - places.mean(), places - places.mean(), near)
    return LocalMoran(*moments).z


def _moran_moments(
    z: np.ndarray, places: np.ndarray, near: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Statistic, expectation and variance of deviations `z` with neighbours among deviations `places`."""
    n, k = places.size, near.shape[1]
    m2 = max(float(np.mean(places**2)), 1e-12)
    statistic = (n - 1) / n * z * places[near].mean(axis=1) / m2
    expectation = -(z**2) / ((n - 1) * m2)
    weights = 1.0 / k - 1.0 / (n - 1)  # sum of squared weights less (sum of weights)^2 / (n - 1)
    variance = (z / m2) ** 2 * n / (n - 2) * weights * np.maximum(m2 - z**2 / (n - 1), 0.0)
    return statistic, expectation, variance


def common_along(easting: np.ndarray, northing: np.ndarray, direction: tuple[float, float]) -> np.ndarray:
    """Give distances along a direction common to all rows.

    Parameters
    ----------
    easting, northing : numpy.ndarray, (n,)
        [m]
    direction : tuple of float
        Unit vector, easting and northing (`common_direction`).

    Returns
    -------
    numpy.ndarray, (n,)
        [m]

    Examples
    --------
    >>> common_along(np.array([3.0]), np.array([4.0]), (0.0, 1.0)).tolist()
    [4.0]
    """
    return np.asarray(easting * direction[0] + northing * direction[1])
