"""Contiguous pieces of a block to begin with: cells that are alike and touch."""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from sklearn.cluster import AgglomerativeClustering

from vinemap.zones.cells import FloatArray, IntArray, RowCells


def adjacency(cells: RowCells) -> sparse.csr_matrix:
    """Give the row-frame neighbours (4-neighbour) that touch inside the outline.

    Parameters
    ----------
    cells : RowCells

    Returns
    -------
    scipy.sparse.csr_matrix (n, n)
        Over the n cells inside, band by band; 1 for neighbours.
    """
    number = np.full(cells.inside.shape, -1)
    number[cells.inside] = np.arange(cells.inside.sum())
    left = np.concatenate([number[:-1][cells.door_across], number[:, :-1][cells.door_along]])
    right = np.concatenate([number[1:][cells.door_across], number[:, 1:][cells.door_along]])
    size = int(cells.inside.sum())
    one_way = sparse.coo_matrix((np.ones(left.size), (left, right)), shape=(size, size))
    return (one_way + one_way.T).tocsr()


def cluster_cells(scaled: FloatArray, cells: RowCells, *, pieces: int) -> IntArray:
    """Cluster cells into contiguous pieces by Ward's criterion.

    Parameters
    ----------
    scaled : float array (band, stretch, p)
        Features in units of their spread.
    cells : RowCells
    pieces : int
        How many, in each part of the outline that lies apart.

    Returns
    -------
    int array (band, stretch)
        -1 outside.

    References
    ----------
    Ward 1963, Journal of the American Statistical Association 58:236-244; merges only of neighbours, as
    scikit-learn's AgglomerativeClustering does with a connectivity.
    """
    graph, values = adjacency(cells), scaled[cells.inside]
    parts, part = connected_components(graph, directed=False)
    flat = np.zeros(len(values), dtype=np.int64)
    for one in range(parts):
        members = np.flatnonzero(part == one)
        count = min(pieces, members.size)
        if count > 1:
            model = AgglomerativeClustering(count, connectivity=graph[members][:, members], linkage="ward")
            flat[members] = model.fit_predict(values[members])
        flat[members] += flat[part < one].max(initial=-1) + 1
    labels = np.full(cells.inside.shape, -1, dtype=np.int64)
    labels[cells.inside] = flat
    return labels
