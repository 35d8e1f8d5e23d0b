"""Contiguous clustering of the cells and the number of zones by a penalised criterion."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from sklearn.cluster import AgglomerativeClustering

from vinemap.zones.cells import FloatArray, IntArray, RowCells

PENALTY = 1.5  # in units of log of the independent cells, per zone and feature; set on invented blocks


def adjacency(cells: RowCells) -> sparse.csr_matrix:
    """Row-frame neighbours (4-neighbour) that touch inside the outline, over the cells inside (n, n)."""
    number = np.full(cells.inside.shape, -1)
    number[cells.inside] = np.arange(cells.inside.sum())
    left = np.concatenate([number[:-1][cells.door_across], number[:, :-1][cells.door_along]])
    right = np.concatenate([number[1:][cells.door_across], number[:, 1:][cells.door_along]])
    size = int(cells.inside.sum())
    one_way = sparse.coo_matrix((np.ones(left.size), (left, right)), shape=(size, size))
    return (one_way + one_way.T).tocsr()


def cluster_cells(
    scaled: FloatArray,
    graph: sparse.csr_matrix,
    *,
    independent_share: float,
    max_zones: int,
    zones: int | None = None,
) -> tuple[IntArray, pd.DataFrame]:
    """Cluster cells into contiguous zones.

    Parameters
    ----------
    scaled : float array (n, p)
        Features in units of their noise.
    graph : sparse matrix (n, n)
        Which cells are neighbours.
    independent_share : float
        Independent cells per cell.
    max_zones : int
    zones : int, optional
        Number of zones; by the criterion where not given.

    Returns
    -------
    labels : int array (n,)
    criterion : pandas.DataFrame
        zones, within (sum of squares), criterion (least is best).

    Notes
    -----
    Features have about unit noise, so minus twice the log likelihood of a partition is the sum of squares
    within its zones. Neighbouring cells share their noise; only a share of them counts. The criterion is that
    of Schwarz 1978 (Annals of Statistics 6:461-464), sum of squares + 2 log(n) p k, with the independent
    cells as n.
    """
    parts, piece = connected_components(graph, directed=False)
    labels = np.zeros(scaled.shape[0], dtype=np.int64)
    tables = []
    for one in range(parts):
        members = np.flatnonzero(piece == one)
        own, table = _cluster_piece(
            scaled[members], graph[members][:, members], independent_share, max_zones, zones
        )
        labels[members] = own + labels.max() + 1
        tables.append((members.size, table))
    return np.unique(labels, return_inverse=True)[1].astype(np.int64), max(tables, key=lambda two: two[0])[1]


def _cluster_piece(
    scaled: FloatArray, graph: sparse.csr_matrix, independent_share: float, max_zones: int, zones: int | None
) -> tuple[IntArray, pd.DataFrame]:
    size, features = scaled.shape
    most = min(max_zones, size)
    candidates = {1: np.zeros(size, dtype=np.int64)}
    if most > 1:
        model = AgglomerativeClustering(
            n_clusters=2, connectivity=graph, linkage="ward", compute_full_tree=True
        )
        children = model.fit(scaled).children_
        candidates |= {count: _cut(children, size, count) for count in range(2, most + 1)}
    within = {count: _within(scaled, labels) for count, labels in candidates.items()}
    worth = max(size * independent_share, 2.0)
    scores = {count: independent_share * total + PENALTY * features * count * np.log(worth)
              for count, total in within.items()}  # fmt: skip
    best = min(scores, key=lambda count: scores[count]) if zones is None else min(zones, most)
    table = pd.DataFrame(
        {"zones": list(within), "within": list(within.values()), "criterion": list(scores.values())}
    )
    return candidates[best], table


def _cut(children: IntArray, size: int, count: int) -> IntArray:
    """Labels after the merges that leave `count` clusters."""
    parent = np.arange(size + len(children))
    merges = size - count
    parent[children[:merges].ravel()] = np.repeat(size + np.arange(merges), 2)
    for node in range(size + merges - 1, -1, -1):  # parents have higher numbers
        parent[node] = parent[parent[node]]
    return np.unique(parent[:size], return_inverse=True)[1].astype(np.int64)


def _within(scaled: FloatArray, labels: IntArray) -> float:
    count = np.bincount(labels).astype(float)
    sums = np.stack([np.bincount(labels, weights=column) for column in scaled.T], axis=1)
    return float((scaled**2).sum() - (sums**2 / count[:, None]).sum())
