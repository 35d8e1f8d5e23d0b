"""Experimental variogram over all pairs of readings, by a compiled sweep over bins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vinemap.errors import DataError
from vinemap.surface.checks import check_readings
from vinemap.surface.covariance import Floats
from vinemap.surface.lanes import count_up
from vinemap.surface.neighbours import compiled, sort_into_bins

BINS_PER_REACH = 8  # bins of an eighth of the distance sought: few pairs are looked at in vain
CHUNK = 256  # pairs whose distances are worked out at once; they stay in the nearest cache
COPIES = 4  # of the sums, so that pairs in the same lag do not wait for one another


@dataclass(frozen=True, slots=True)
class ExperimentalVariogram:
    """Semivariances of pairs of readings by distance.

    Attributes
    ----------
    distance_m : ndarray of shape (lags,)
        Mean distance of the pairs of each lag [m].
    semivariance : ndarray of shape (lags,)
        Half the mean squared difference [values squared].
    pairs : ndarray of shape (lags,)
        Number of pairs; lags without any are left out.
    variance : float
        Variance of the values used [values squared].
    """

    distance_m: Floats
    semivariance: Floats
    pairs: npt.NDArray[np.int64]
    variance: float = float("nan")


def experimental_variogram(
    coordinates: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    max_distance_m: float,
    bin_m: float,
    bearing_deg: float | None = None,
    tolerance_deg: float = 22.5,
    thin_to: int | None = None,
    rng: np.random.Generator | None = None,
) -> ExperimentalVariogram:
    """Measure half the mean squared difference of all pairs of readings by distance (Matheron's estimator).

    Parameters
    ----------
    coordinates : array_like of shape (n, 2)
        Easting and northing [m].
    values : array_like of shape (n,)
        Values.
    max_distance_m : float
        Longest distance of a pair [m].
    bin_m : float
        Width of a lag [m]; a pair at distance h falls in lag ceil(h / bin_m), as in gstat. Pairs in one and
        the same place are left out.
    bearing_deg : float, optional
        Only pairs along this bearing (clockwise from grid north), e.g. that of the rows, or across them.
    tolerance_deg : float
        Largest angle between a pair and the bearing [degrees].
    thin_to : int, optional
        Draw at random this many readings first: quicker by the square of the share kept, and noisier.
    rng : numpy.random.Generator, optional
        Needed with `thin_to`.

    Returns
    -------
    ExperimentalVariogram

    Raises
    ------
    DataError
        If a value is not finite, or a distance not positive, or `thin_to` comes without `rng`.

    References
    ----------
    Matheron, G. (1963), Economic Geology 58:1246-1266.

    Examples
    --------
    >>> places = [[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]]
    >>> found = experimental_variogram(places, [1.0, 2.0, 4.0], max_distance_m=2.0, bin_m=1.0)
    >>> found.distance_m.tolist(), found.semivariance.tolist(), found.pairs.tolist()
    ([1.0, 2.0], [1.25, 4.5], [2, 1])
    """
    points, numbers, _ = check_readings(coordinates, values, None, where="experimental_variogram")
    if not (0 < bin_m <= max_distance_m < np.inf):
        raise DataError(
            f"Lag width {bin_m} m and longest distance {max_distance_m} m do not fit.",
            where="experimental_variogram",
            remedy="Give 0 < bin_m <= max_distance_m.",
        )
    if thin_to is not None and thin_to < len(points):
        if rng is None:
            raise DataError(f"thin_to is {thin_to} but rng is missing.", remedy="Pass a numpy Generator.")
        kept = np.sort(rng.choice(len(points), size=thin_to, replace=False))
        points, numbers = points[kept], numbers[kept]
    lags = int(np.ceil(max_distance_m / bin_m * (1 - 1e-12)))
    pairs, distance, squares = _sweep(
        points, numbers, max_distance_m, bin_m, lags, bearing_deg, tolerance_deg
    )
    filled = pairs > 0
    return ExperimentalVariogram(
        distance_m=distance[filled] / pairs[filled],
        semivariance=squares[filled] / (2.0 * pairs[filled]),
        pairs=pairs[filled].astype(np.int64),
        variance=float(numbers.var()),
    )


def _sweep(
    points: Floats,
    values: Floats,
    reach: float,
    bin_m: float,
    lags: int,
    bearing: float | None,
    tolerance: float,
) -> tuple[Floats, Floats, Floats]:
    bins = sort_into_bins(points, reach / BINS_PER_REACH)
    sorted_points = points[bins.order] - points.min(axis=0)
    x, y = (np.ascontiguousarray(column) for column in sorted_points.T)
    z = np.ascontiguousarray(values[bins.order] - values.mean())
    turn = np.deg2rad(0.0 if bearing is None else bearing)
    least_cosine = -1.0 if bearing is None else float(np.cos(np.deg2rad(tolerance)))
    sums = sum_pairs(
        x, y, z, bins.starts, bins.rows, bins.columns, float(bins.side_m), float(reach), 1.0 / bin_m, lags,
        float(np.sin(turn)), float(np.cos(turn)), least_cosine,
    )  # fmt: skip
    return sums[0, 1:-1], sums[1, 1:-1] * bin_m, sums[2, 1:-1]


@compiled
def sum_run(  # type: ignore[no-untyped-def]
    x,
    y,
    z,
    xi,
    yi,
    zi,
    first,
    last,
    per_bin,
    furthest,
    lags,
    sine,
    cosine,
    least_cosine,
    lag,
    step,
    square,
    sums,
):
    """Add the pairs of one reading with a run of others to the sums by copy and lag."""
    for begin in range(first, last, CHUNK):
        size = min(CHUNK, last - begin)
        bx, by, bz = x[begin:], y[begin:], z[begin:]
        for c in range(size):
            east, north = bx[c] - xi, by[c] - yi
            h = np.sqrt(east * east + north * north)
            along = abs(east * sine + north * cosine)
            outside = (h > furthest) | (along < least_cosine * h)
            step[c] = h * per_bin
            difference = bz[c] - zi
            square[c] = difference * difference
            lag[c] = lags + 1 if outside else min(int(np.ceil(step[c])), lags)
        for c in range(size):
            count_up(sums, c % COPIES * (lags + 2) + lag[c], step[c], square[c])


@compiled
def sum_pairs(x, y, z, starts, rows, columns, side, furthest, per_bin, lags, sine, cosine, least_cosine):  # type: ignore[no-untyped-def]
    """Count, distance and squared difference by lag (first: same place; last: too far), each pair once."""
    sums = np.zeros((COPIES * (lags + 2), 4))
    lag, step, square = np.empty(CHUNK, np.int64), np.empty(CHUNK), np.empty(CHUNK)
    reach = int(furthest / side) + 1
    for row in range(rows):
        for column in range(columns):
            for i in range(starts[row * columns + column], starts[row * columns + column + 1]):
                for r in range(row, min(row + reach, rows - 1) + 1):
                    gap = max(0.0, r * side - y[i])
                    if gap > furthest:
                        break
                    # A fused multiply-add can make the difference of equal squares negative.
                    chord = np.sqrt(max((furthest - gap) * (furthest + gap), 0.0))
                    left = max(int(np.floor((x[i] - chord) / side - 1e-9)), 0)
                    right = min(int(np.floor((x[i] + chord) / side + 1e-9)), columns - 1)
                    first = i + 1 if r == row else starts[r * columns + left]
                    last = starts[r * columns + right + 1]
                    sum_run(
                        x, y, z, x[i], y[i], z[i], first, last, per_bin, furthest, lags,
                        sine, cosine, least_cosine, lag, step, square, sums,
                    )  # fmt: skip
    out = np.zeros((3, lags + 2))
    for part in range(3):
        for k in range(lags + 2):
            for copy in range(COPIES):
                out[part, k] += sums[copy * (lags + 2) + k, part]
    return out
