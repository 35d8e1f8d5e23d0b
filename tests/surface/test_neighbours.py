import numpy as np
import pytest
from scipy.spatial import cKDTree

from vinemap.surface.neighbours import (
    collect_window,
    covered_distance,
    find_nearest,
    neighbour_bin_side,
    part_below,
    select_smallest,
    sort_into_bins,
)


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


def test_bins_hold_their_readings_row_by_row_from_the_south_west():
    rng = np.random.default_rng(3)
    points = rng.uniform(0, 100, (300, 2)) + np.array([500.0, -40.0])
    bins = sort_into_bins(points, 12.0)
    assert bins.side_m == 12.0
    assert (bins.west, bins.south) == tuple(points.min(axis=0))
    assert (bins.columns, bins.rows) == tuple((np.ptp(points, axis=0) // 12.0 + 1).astype(int))
    assert sorted(bins.order) == list(range(300))
    for number in range(bins.rows * bins.columns):
        own = points[bins.order[bins.starts[number] : bins.starts[number + 1]]]
        row, column = divmod(number, bins.columns)
        assert ((own[:, 0] - bins.west) // 12.0 == column).all()
        assert ((own[:, 1] - bins.south) // 12.0 == row).all()


def test_bins_are_widened_only_as_far_as_they_must():
    points = np.stack(np.meshgrid(np.arange(10.0), np.arange(10.0)), -1).reshape(-1, 2) * 10.0
    assert sort_into_bins(points, 4.5).side_m == 4.5  # 21 x 21 = 441 bins of 464 that 100 readings may have
    assert sort_into_bins(points, 4.0).side_m == 6.0  # 23 x 23 would be too many


@pytest.mark.parametrize("neighbours", [16, 64])
def test_bins_for_a_search_hold_a_twelfth_of_what_is_wanted(neighbours):
    rng = np.random.default_rng(2)
    even = rng.uniform(0, 200, (5000, 2))
    side = neighbour_bin_side(even, neighbours)
    assert side**2 * 5000 / 200**2 == pytest.approx(neighbours / 12, rel=0.35)
    one_row = np.column_stack([np.linspace(0, 500, 1000), np.zeros(1000)])
    assert 0.4 <= neighbour_bin_side(one_row, neighbours) <= 20.0
    clustered = np.concatenate([even / 50.0, even / 50.0 + 1000.0])
    assert neighbour_bin_side(clustered, neighbours) < 8.0


@pytest.mark.parametrize("guess", [0.0, 0.02, 0.3, 0.5, 0.9, 3.0])
@pytest.mark.parametrize("wanted", [1, 7, 30, 60])
def test_the_smallest_keys_come_to_the_front_with_their_readings(wanted, guess):
    key = np.random.default_rng(wanted).uniform(0, 1, 60)
    key[40:45] = key[3]  # as far as one another
    index, before = np.arange(60), key.copy()
    largest = select_smallest(key, index, 60, wanted, guess)
    assert (before[index] == key).all()
    assert sorted(key[:wanted]) == sorted(before)[:wanted]
    assert largest == key[wanted - 1] == sorted(before)[wanted - 1]


def test_keys_beyond_the_count_are_left_alone():
    key, index = np.r_[5.0, 4.0, 3.0, 0.1], np.arange(4)
    assert select_smallest(key, index, 3, 2, 0.0) == 4.0
    assert key[3] == 0.1


def test_keys_are_parted_at_a_limit():
    key, index = np.array([5.0, 1.0, 4.0, 2.0, 0.0]), np.arange(5)
    assert part_below(key, index, 1, 4, 3.0) == 3
    assert key[0] == 5.0
    assert sorted(key[1:3]) == [1.0, 2.0]
    assert key[3] == 4.0
    assert index[4] == 4


def test_a_window_is_sure_of_what_lies_no_further_than_its_nearest_inner_edge():
    def covered(x, y, row, column, reach):
        return covered_distance(x, y, row, column, reach, 100.0, 200.0, 10.0, 20, 30)

    # Bins of 10 m from (100, 200), 30 across and 20 up; bin (5, 7) spans 170-180 and 250-260.
    assert covered(172.0, 254.0, 5, 7, 1) == 12.0  # to 160 m east
    assert covered(178.0, 254.0, 5, 7, 1) == 12.0  # to 190 m
    assert covered(175.0, 251.0, 5, 7, 2) == 21.0  # to 230 m north
    assert covered(175.0, 259.0, 5, 7, 2) == 21.0  # to 280 m
    assert covered(172.0, 254.0, 5, 7, 6) == 62.0  # to 110 m; south it reaches beyond all
    assert covered(172.0, 254.0, 5, 7, 40) == np.inf
    assert covered(20.0, 254.0, 5, 0, 1) == pytest.approx(14.0)
    assert covered(500.0, 254.0, 5, 29, 1) == pytest.approx(14.0)


def test_a_window_gives_the_readings_within_the_limit_of_other_labels():
    points = np.stack(np.meshgrid(np.arange(10.0), np.arange(10.0)), -1).reshape(-1, 2) * 10.0
    bins = sort_into_bins(points, 10.0)
    x, y = (np.ascontiguousarray(column[bins.order]) for column in points.T)
    labels = (x // 10).astype(int)
    key, index = np.empty(100), np.empty(100, np.int64)

    def window(label, reach, limit):
        count = collect_window(
            41.0,
            52.0,
            label,
            5,
            4,
            reach,
            limit,
            x,
            y,
            labels,
            bins.starts,
            bins.rows,
            bins.columns,
            key,
            index,
        )
        assert key[:count] == pytest.approx((x[index[:count]] - 41.0) ** 2 + (y[index[:count]] - 52.0) ** 2)
        return count

    assert window(-1, 1, np.inf) == 9
    assert window(-1, 50, np.inf) == 100
    assert window(4, 1, np.inf) == 6
    assert window(0, 50, np.inf) == 90
    assert window(-1, 2, 85.0) == 3  # at 5, 69 and 85
    assert window(-1, 2, 84.9) == 2
