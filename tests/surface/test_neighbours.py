import numpy as np
import pytest
from scipy.spatial import cKDTree

from vinemap.surface.neighbours import find_nearest, neighbour_bin_side, sort_into_bins


def nearest(points, query, wanted, *, label=-1, labels=None, guess=0.0):
    bins = sort_into_bins(points, neighbour_bin_side(points, wanted))
    x, y = (np.ascontiguousarray(column[bins.order]) for column in points.T)
    labels = np.full(len(points), -1) if labels is None else labels[bins.order]
    key, index = np.empty(len(points)), np.empty(len(points), np.int64)
    found = find_nearest(
        query[0], query[1], label, wanted, x, y, labels, bins.starts,
        bins.west, bins.south, bins.side_m, bins.rows, bins.columns, key, index, guess,
    )  # fmt: skip
    return bins.order[index[:found]]


def scattered(kind, rng):
    if kind == "even":
        return rng.uniform(0, 100, (800, 2))
    if kind == "clusters":
        return np.concatenate([rng.normal(centre, 1.0, (200, 2)) for centre in ((0, 0), (90, 5), (40, 70))])
    if kind == "one row":
        return np.column_stack([np.sort(rng.uniform(0, 500, 300)), np.full(300, 7.0)])
    return np.concatenate([rng.uniform(0, 50, (400, 2)), [[1e5, 1e5]]])


@pytest.mark.parametrize("kind", ["even", "clusters", "one row", "a stray"])
@pytest.mark.parametrize("wanted", [1, 8, 64])
def test_same_readings_as_a_tree(kind, wanted):
    rng = np.random.default_rng(wanted)
    points = scattered(kind, rng)
    tree = cKDTree(points)
    queries = np.concatenate([rng.uniform(-60, 160, (60, 2)), points[:5], [[1e5, 1e5], [-1e4, 30.0]]])
    for query in queries:
        expected = np.atleast_1d(tree.query(query, wanted)[1])
        assert set(nearest(points, query, wanted)) == set(expected)
        furthest = ((points[expected[-1]] - query) ** 2).sum()
        for guess in (1e-9, 0.5 * furthest, 0.95 * furthest, furthest, 1.05 * furthest, 9 * furthest):
            assert set(nearest(points, query, wanted, guess=guess)) == set(expected)


def test_fewer_readings_than_wanted_gives_all():
    points = np.random.default_rng(1).uniform(0, 10, (9, 2))
    assert sorted(nearest(points, (500.0, -3.0), 64)) == list(range(9))


def test_readings_with_the_label_are_passed_over():
    points = np.column_stack([np.arange(10.0), np.zeros(10)])
    labels = np.arange(10) // 2
    assert set(nearest(points, (4.0, 0.0), 2, label=2, labels=labels)) == {3, 6}


def test_bins_stay_few_when_a_stray_stretches_the_box():
    points = np.concatenate([np.zeros((50, 2)), [[1e7, 1e7]]])
    bins = sort_into_bins(points, 1.0)
    assert bins.rows * bins.columns <= 4 * 51 + 64
    assert bins.starts[-1] == 51
