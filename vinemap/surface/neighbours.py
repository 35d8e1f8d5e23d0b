"""Readings sorted into square bins, and the exact search for the nearest of them.

A regular bin grid suits harvest readings better than a tree: they lie at a steady density along rows, so the
64 nearest are found in about a microsecond, inside the compiled kriging loop, without an array of neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

from vinemap.surface.covariance import Floats

READINGS_PER_NEIGHBOUR_BIN = 1 / 12  # of the neighbours wanted: a window of 5 x 5 bins then mostly suffices
GUESS_WITHIN = 0.06  # of the squared distance: from one cell to the next it mostly changes by less
MAX_BINS_PER_READING = 4  # bounds memory when a stray reading stretches the bounding box

compiled = numba.njit(cache=True, nogil=True, fastmath={"contract", "reassoc", "nsz", "arcp"})


@dataclass(frozen=True, slots=True)
class Bins:
    """Readings in the order of their square bins (row by row from the south-west).

    Attributes
    ----------
    order : ndarray of shape (n,)
        Index of each sorted reading in the caller's order.
    starts : ndarray of shape (rows * columns + 1,)
        First sorted reading of each bin.
    west, south, side_m : float
        Corner and bin side [m].
    rows, columns : int
    """

    order: npt.NDArray[np.int64]
    starts: npt.NDArray[np.int64]
    west: float
    south: float
    side_m: float
    rows: int
    columns: int


def sort_into_bins(points: Floats, side_m: float) -> Bins:
    """Sort readings into square bins of about this side.

    Parameters
    ----------
    points : ndarray of shape (n, 2)
        Easting and northing [m].
    side_m : float
        Wanted side [m]; widened where it would make too many bins.

    Returns
    -------
    Bins

    Examples
    --------
    >>> bins = sort_into_bins(np.array([[9.0, 0.0], [0.0, 0.0], [1.0, 0.0]]), 5.0)
    >>> bins.order.tolist(), bins.starts.tolist()
    ([1, 2, 0], [0, 2, 3])
    """
    west, south = points.min(axis=0)
    extent = points.max(axis=0) - points.min(axis=0)
    while True:
        columns, rows = (int(size // side_m) + 1 for size in extent)
        if columns * rows <= MAX_BINS_PER_READING * len(points) + 64:
            break
        side_m *= 1.5
    column = np.minimum(((points[:, 0] - west) / side_m).astype(np.int64), columns - 1)
    row = np.minimum(((points[:, 1] - south) / side_m).astype(np.int64), rows - 1)
    cell = row * columns + column
    order = np.argsort(cell, kind="stable").astype(np.int64)
    starts = np.zeros(rows * columns + 1, dtype=np.int64)
    np.cumsum(np.bincount(cell, minlength=rows * columns), out=starts[1:])
    return Bins(order, starts, float(west), float(south), float(side_m), rows, columns)


def neighbour_bin_side(points: Floats, neighbours: int) -> float:
    """Find the side of the bins that suits a search for some number of neighbours.

    Parameters
    ----------
    points : ndarray of shape (n, 2)
        Easting and northing of the readings [m].
    neighbours : int
        Readings wanted.

    Returns
    -------
    float
        [m]
    """
    extent = np.maximum(points.max(axis=0) - points.min(axis=0), 1e-3)
    wanted = max(1.0, neighbours * READINGS_PER_NEIGHBOUR_BIN)
    side = float(np.sqrt(np.prod(extent) * wanted / len(points)))
    coarse = sort_into_bins(points, max(side, float(extent.max()) / 1000.0))
    filled = np.count_nonzero(np.diff(coarse.starts)) / (len(coarse.starts) - 1)
    return coarse.side_m * float(np.sqrt(max(filled, 0.05)))


@compiled
def part_below(key, index, low, high, limit):  # type: ignore[no-untyped-def]
    """Bring keys below a limit to the front of a stretch, without a branch; give where the others begin."""
    front = low
    for j in range(low, high):
        k, i = key[j], index[j]
        key[j], index[j] = key[front], index[front]
        key[front], index[front] = k, i
        front += k < limit
    return front


@compiled
def select_smallest(key, index, count, wanted, guess):  # type: ignore[no-untyped-def]
    """Bring the `wanted` smallest of the first `count` keys to the front; give the largest of those.

    `guess` is what that is likely to be near, or nought: a good one leaves little to sort out.
    """
    low, high, target = 0, count - 1, wanted - 1
    if guess > 0.0:
        above = part_below(key, index, 0, count, guess * (1.0 + GUESS_WITHIN))
        if above < wanted:
            low = above
        else:
            below = part_below(key, index, 0, above, guess * (1.0 - GUESS_WITHIN))
            low, high = (0, below - 1) if below >= wanted else (below, above - 1)
    while low < high:
        pivot = key[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while key[i] < pivot:
                i += 1
            while key[j] > pivot:
                j -= 1
            if i <= j:
                key[i], key[j] = key[j], key[i]
                index[i], index[j] = index[j], index[i]
                i += 1
                j -= 1
        if target <= j:
            high = j
        elif target >= i:
            low = i
        else:
            break
    return key[target]


@compiled
def collect_window(x, y, label, row, column, reach, limit, px, py, labels, starts, rows, columns, key, index):  # type: ignore[no-untyped-def]
    """Gather the readings of a window of bins no further than sqrt(limit); give their number."""
    count = 0
    left, right = max(column - reach, 0), min(column + reach, columns - 1)
    for r in range(max(row - reach, 0), min(row + reach, rows - 1) + 1):
        for i in range(starts[r * columns + left], starts[r * columns + right + 1]):
            if label >= 0 and labels[i] == label:
                continue
            squared = (px[i] - x) ** 2 + (py[i] - y) ** 2
            if squared <= limit:
                key[count] = squared
                index[count] = i
                count += 1
    return count


@compiled
def covered_distance(x, y, row, column, reach, west, south, side, rows, columns):  # type: ignore[no-untyped-def]
    """Distance within which a window of bins is sure to hold every reading."""
    covered = np.inf
    if column - reach > 0:
        covered = min(covered, x - (west + (column - reach) * side))
    if column + reach < columns - 1:
        covered = min(covered, west + (column + reach + 1) * side - x)
    if row - reach > 0:
        covered = min(covered, y - (south + (row - reach) * side))
    if row + reach < rows - 1:
        covered = min(covered, south + (row + reach + 1) * side - y)
    return max(covered, 0.0)


@compiled
def find_nearest(  # type: ignore[no-untyped-def]
    x, y, label, wanted, px, py, labels, starts, west, south, side, rows, columns, key, index, guess
):
    """Put the nearest readings to the front of key (squared distance) and index; give their number.

    Readings that carry `label` are passed over where it is not negative. The search is exact. After it
    ``key[wanted - 1]`` is the largest squared distance, a good `guess` for a place close by (else nought).
    """
    column = min(max(int(np.floor((x - west) / side)), 0), columns - 1)
    row = min(max(int(np.floor((y - south) / side)), 0), rows - 1)
    reach = 2
    while True:
        count = collect_window(
            x, y, label, row, column, reach, np.inf, px, py, labels, starts, rows, columns, key, index
        )
        covered = covered_distance(x, y, row, column, reach, west, south, side, rows, columns)
        if count >= wanted:
            break
        if covered == np.inf:
            return count
        reach *= 2
    furthest = select_smallest(key, index, count, wanted, guess)
    if furthest > covered * covered:
        reach += int((np.sqrt(furthest) - covered) / side) + 1
        # A hair more: the same distance may round differently where the loop is compiled a second time.
        limit = furthest * (1.0 + 1e-12)
        count = collect_window(
            x, y, label, row, column, reach, limit, px, py, labels, starts, rows, columns, key, index
        )
        select_smallest(key, index, count, wanted, 0.0)
    return wanted
