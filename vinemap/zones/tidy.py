"""From clusters to zones that can be worked: in one piece, long and large enough."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from vinemap.zones.cells import BoolArray, FloatArray, IntArray, RowCells

ROUNDS = 30  # of shortening, splitting and merging; they settle well within this


@dataclass(frozen=True, slots=True)
class Rules:
    """What a zone must be.

    Attributes
    ----------
    min_area_m2 : float
    min_cells : int
        Cells that make the shortest segment.
    """

    min_area_m2: float
    min_cells: int


def tidy_labels(labels: IntArray, scaled: FloatArray, cells: RowCells, rules: Rules) -> IntArray:
    """Bring a lattice of labels to zones that keep the rules.

    Parameters
    ----------
    labels : int array (band, stretch)
        -1 outside.
    scaled : float array (band, stretch, p)
    cells : RowCells
    rules : Rules

    Returns
    -------
    int array (band, stretch)
        0, 1, ...; -1 outside. A zone alone in its piece of outline may be smaller than the rules here;
        `draw_polygons` mends that.
    """
    labels = labels.copy()
    for _ in range(ROUNDS):
        before = labels.copy()
        _absorb_short_runs(labels, scaled, cells, rules.min_cells)
        labels = split_pieces(labels, cells)
        _merge_small(labels, scaled, cells, rules.min_area_m2)
        if np.array_equal(before, labels):
            break
    return _renumber(split_pieces(labels, cells))


def _renumber(labels: IntArray) -> IntArray:
    """Give the labels numbers from 0 on without gaps."""
    out = np.full(labels.shape, -1, dtype=np.int64)
    inside = labels >= 0
    out[inside] = np.unique(labels[inside], return_inverse=True)[1]
    return out


def _absorb_short_runs(labels: IntArray, scaled: FloatArray, cells: RowCells, shortest: int) -> None:
    """Give runs along a band that are too short to the zone beside them in the band that fits best."""
    for band in range(labels.shape[0]):
        for _ in range(labels.shape[1]):
            runs = [run for run in _runs(labels[band], cells.door_along[band]) if run[1] - run[0] < shortest]
            sides = [
                (run, near) for run in runs if (near := _beside(run, labels[band], cells.door_along[band]))
            ]
            if not sides:
                break
            run, near = min(sides, key=lambda two: two[0][1] - two[0][0])
            own = scaled[band, run[0] : run[1]].mean(axis=0)
            best = min(near, key=lambda zone: float(((own - scaled[labels == zone].mean(axis=0)) ** 2).sum()))
            labels[band, run[0] : run[1]] = best


def _runs(row: IntArray, doors: BoolArray) -> list[tuple[int, int]]:
    """Start and end of stretches of one label that are connected."""
    breaks = np.flatnonzero((row[1:] != row[:-1]) | ~doors) + 1
    edges = [0, *breaks.tolist(), row.size]
    return [(a, b) for a, b in itertools.pairwise(edges) if row[a] >= 0]


def _beside(run: tuple[int, int], row: IntArray, doors: BoolArray) -> list[int]:
    """Labels before and after a run of a band, where doors are open."""
    near = []
    if run[0] > 0 and doors[run[0] - 1]:
        near.append(int(row[run[0] - 1]))
    if run[1] < row.size and doors[run[1] - 1]:
        near.append(int(row[run[1]]))
    return near


def split_pieces(labels: IntArray, cells: RowCells) -> IntArray:
    """Give every connected piece of a label its own number (4-neighbour, doors only).

    Parameters
    ----------
    labels : int array (band, stretch)
        -1 outside.
    cells : RowCells

    Returns
    -------
    int array (band, stretch)
        0, 1, ...; -1 outside.
    """
    bands, stretches = labels.shape
    fine = np.zeros((2 * bands - 1, 2 * stretches - 1), dtype=np.int64)  # cells and doors as one picture
    open_across = cells.door_across & (labels[1:] == labels[:-1])
    open_along = cells.door_along & (labels[:, 1:] == labels[:, :-1])
    fine[::2, ::2] = labels >= 0
    fine[1::2, ::2] = open_across
    fine[::2, 1::2] = open_along
    pieces, _ = ndimage.label(fine)
    return np.where(labels >= 0, pieces[::2, ::2] - 1, -1)


def _merge_small(labels: IntArray, scaled: FloatArray, cells: RowCells, least_m2: float) -> None:
    """Merge zones that are too small, smallest first, into the neighbour most like them."""
    while True:
        pairs = neighbours(labels, cells)
        touching = {zone for pair in pairs for zone in pair}
        area = {zone: float(cells.area_m2[labels == zone].sum()) for zone in touching}
        small = [zone for zone in touching if area[zone] < least_m2]
        if not small:
            return
        least = min(small, key=lambda zone: area[zone])
        mean = {zone: scaled[labels == zone].mean(axis=0) for zone in touching}
        first, second = min(
            (pair for pair in pairs if least in pair),
            key=lambda pair: float(((mean[pair[0]] - mean[pair[1]]) ** 2).sum()),
        )
        labels[labels == second] = first


def neighbours(labels: IntArray, cells: RowCells) -> list[tuple[int, int]]:
    """List the pairs of zones that touch inside the outline.

    Parameters
    ----------
    labels : int array (band, stretch)
        -1 outside.
    cells : RowCells

    Returns
    -------
    list of tuple of int
        Smaller number first, each pair once.
    """
    across = np.stack([labels[:-1][cells.door_across], labels[1:][cells.door_across]], axis=1)
    along = np.stack([labels[:, :-1][cells.door_along], labels[:, 1:][cells.door_along]], axis=1)
    both = np.sort(np.concatenate([across, along]), axis=1)
    both = both[(both[:, 0] != both[:, 1]) & (both[:, 0] >= 0)]
    return [(int(a), int(b)) for a, b in np.unique(both, axis=0)]
