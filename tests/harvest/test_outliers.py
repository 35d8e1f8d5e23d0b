"""Local Moran's I against the reference library; limits and neighbours on plain cases."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vinemap.harvest import local_moran
from vinemap.harvest.outliers import (
    common_along,
    find_beyond_limits,
    find_local_outliers,
    in_a_dip,
    median_beside,
)


@pytest.mark.filterwarnings("ignore")
def test_local_moran_equals_esda():
    # esda.Moran_Local, row-standardised nearest neighbours: Is, EIc, VIc (Sokal et al. 1998, A7 and A8).
    from esda.moran import Moran_Local
    from libpysal.weights import KNN

    rng = np.random.default_rng(3)
    places, values = rng.uniform(0, 100, (300, 2)), rng.gamma(4.0, 3.0, 300)
    weights = KNN.from_array(places, k=8)
    near = np.array([weights.neighbors[place] for place in range(300)])
    ours = local_moran(values, near)
    weights.transform = "r"
    theirs = Moran_Local(values, weights, permutations=0)
    np.testing.assert_allclose(ours.statistic, theirs.Is, rtol=1e-10)
    np.testing.assert_allclose(ours.expectation, theirs.EIc, rtol=1e-10)
    np.testing.assert_allclose(ours.variance, theirs.VIc, rtol=1e-10)


def test_local_moran_of_a_constant_is_nothing():
    near = np.array([[1, 2], [0, 2], [0, 1]])
    assert local_moran(np.full(3, 7.0), near).z.tolist() == [0.0, 0.0, 0.0]


def grid(rows=30, length=60, seed=0):
    rng = np.random.default_rng(seed)
    row, along = np.meshgrid(np.arange(rows), 1.4 * np.arange(length), indexing="ij")
    level = 12 * np.exp(0.3 * np.sin(along / 15) * np.cos(row / 6) + 0.1 * rng.normal(size=row.shape))
    return level.ravel(), along.ravel(), row.ravel()


def test_single_spikes_and_dips_are_found_and_a_dying_patch_is_kept():
    level, along, row = grid()
    wrong = np.random.default_rng(1).choice(level.size, 40, replace=False)
    value = level.copy()
    value[wrong[:20]] *= 3.0
    value[wrong[20:]] *= 0.2
    assert set(wrong) <= set(np.flatnonzero(find_local_outliers(value, along, row, step_m=1.4)))
    patch = (np.abs(row - 14) < 5) & (np.abs(along - 40) < 8)
    dying = np.where(patch, 0.15 * level, level)
    found = find_local_outliers(dying, along, row, step_m=1.4)
    assert found[patch].mean() < 0.1
    assert found[~patch].mean() < 0.02


def test_missing_yield_is_neither_outlier_nor_neighbour():
    level, along, row = grid()
    level[::3] = np.nan
    assert not find_local_outliers(level, along, row, step_m=1.4)[::3].any()


@settings(max_examples=15, deadline=None)
@given(scale=st.floats(0.01, 1000.0), shift=st.floats(-1e4, 1e4))
def test_outliers_do_not_depend_on_units_or_origin(scale, shift):
    level, along, row = grid(12, 30, seed=2)
    level[17] *= 6.0
    one = find_local_outliers(level, along, row, step_m=1.4)
    assert one[17]
    np.testing.assert_array_equal(find_local_outliers(scale * level, along + shift, row, step_m=1.4), one)


def test_limits_are_wide_below_and_spare_what_neighbours_confirm():
    value = np.r_[
        np.exp(np.random.default_rng(0).normal(2.5, 0.2, 500)), 120.0, 45.0, 1e-3, 1e-3, -1.0, np.nan
    ]
    spared = np.zeros(value.size, dtype=bool)
    spared[503] = True
    assert np.flatnonzero(find_beyond_limits(value, spared)).tolist() == [500, 501, 502, 504]
    assert not find_beyond_limits(np.full(4, np.nan), np.zeros(4, dtype=bool)).any()


def test_median_beside_takes_other_rows_only():
    row, along = np.repeat([1, 2, 3], 20), np.tile(np.arange(20.0), 3)
    value = np.where(row == 2, 0.0, 10.0 + row)
    asked = (row == 2) & (along == 9.0)
    beside = median_beside(value, along, row, asked, step_m=1.0)
    assert beside[asked].tolist() == [12.0]
    assert np.isnan(beside[~asked]).all()


def test_limits_are_four_and_a_half_deviations_above_and_ten_below():
    log = np.random.default_rng(1).normal(2.5, 0.1, 4001)
    deviation = 1.4826 * np.median(np.abs(log - np.median(log)))
    asked = np.median(log) + deviation * np.array([4.3, 4.7, -9.5, -10.5])
    found = find_beyond_limits(np.exp(np.r_[log, asked]), np.zeros(4005, dtype=bool))
    assert found[-4:].tolist() == [False, True, False, True]
    assert not find_beyond_limits(np.exp(np.r_[log, asked]), np.ones(4005, dtype=bool))[-1]


def test_no_row_bears_more_than_a_hundred_tonnes_and_less_than_none_is_always_a_fault():
    value = np.exp(np.random.default_rng(2).normal(3.0, 0.8, 500)).clip(1.0, 90.0)
    asked = np.r_[value, 99.0, 101.0, 0.0, 0.0, -0.1]
    spared = np.zeros(505, dtype=bool)
    spared[[503, 504]] = True
    found = find_beyond_limits(asked, spared)
    assert np.flatnonzero(found).tolist() == [501, 502, 504]


def test_a_dip_is_two_low_readings_of_one_pass():
    value = np.array([20.0, 6.9, 7.1, 20.0, 3.0, 3.0, 3.0, 3.0, np.nan, 3.0])
    pass_no = np.array([0, 0, 0, 0, 1, 2, -1, -1, 3, 3])
    assert not in_a_dip(value, pass_no, 20.0).any()
    value[2] = 6.9  # 0.35 of the usual 20 is 7
    assert np.flatnonzero(in_a_dip(value, pass_no, 20.0)).tolist() == [1, 2]


def test_rows_beside_are_three_neighbours_or_more_within_two_rows():
    row, along = np.array([1, 2, 2, 3, 3, 9, -1]), np.array([5.0, 4.0, 6.0, 5.0, 6.0, 5.0, 5.0])
    value = np.array([0.0, 10.0, 12.0, 14.0, 16.0, 99.0, 77.0])
    asked = np.array([True, False, False, False, False, True, True])
    beside = median_beside(value, along, row, asked, step_m=1.0)
    assert beside[0] == 13.0
    assert np.isnan(beside[1:]).all()  # row 9 has none near, and off the rows none is asked for
    value[[1, 2]] = np.nan
    assert np.isnan(median_beside(value, along, row, asked, step_m=1.0)).all()  # two are too few
    few = median_beside(value[:3], along[:3], row[:3], asked[:3], step_m=1.0)
    assert np.isnan(few).all()


@pytest.mark.parametrize(("gap", "told"), [(2.9, True), (3.2, False)])
def test_beside_is_no_further_than_three_steps(gap, told):
    row, along = np.array([1, 1, 1, 1, 1]), np.array([0.0, 0.0, 0.0, 0.0, 0.0])
    row[1:], along[1:] = 2, [np.sqrt(gap**2 - 1)] * 4
    beside = median_beside(np.full(5, 8.0), 2.0 * along, row, np.arange(5) == 0, step_m=2.0)
    assert np.isfinite(beside[0]) == told


def even_field(seed=0):
    """Yield whose square roots vary by 0.2 about 4 from place to place, 60 rows of 60 readings."""
    row, along = np.meshgrid(np.arange(60), np.arange(60.0), indexing="ij")
    root = 4.0 + 0.2 * np.random.default_rng(seed).normal(size=3600)
    return root, along.ravel(), row.ravel()


@pytest.mark.parametrize(("deviations", "found"), [(3.2, "few"), (6.0, "all"), (-3.0, "few"), (-8.0, "all")])
def test_an_outlier_lies_several_deviations_from_the_readings_around(deviations, found):
    root, along, row = even_field()
    at = np.arange(300, 3300, 61)
    root[at] = 4.0 + 0.2 * deviations
    share = find_local_outliers(root**2, along, row, step_m=1.0)[at].mean()
    assert share >= 0.95 if found == "all" else share < 0.15


def test_hardly_any_good_reading_is_an_outlier():
    shares = [
        find_local_outliers(root**2, along, row, step_m=1.0).mean() for root, along, row in [even_field(3)]
    ]
    assert shares[0] < 0.003


def test_readings_off_the_rows_are_neither_outlier_nor_neighbour():
    root, along, row = even_field()
    plain = find_local_outliers(root**2, along, row, step_m=1.0)
    value = np.r_[root**2, np.full(200, 300.0)]
    found = find_local_outliers(
        value, np.r_[along, np.full(200, 30.0)], np.r_[row, np.full(200, -1)], step_m=1.0
    )
    assert found[:3600].tolist() == plain.tolist()
    assert not found[3600:].any()


@pytest.mark.parametrize(("count", "told"), [(24, False), (26, True)])
def test_with_no_more_readings_than_neighbours_none_is_an_outlier(count, told):
    value = 12.0 + np.random.default_rng(1).normal(0, 0.3, count)
    value[5] = 90.0
    found = find_local_outliers(value, np.arange(float(count)), np.zeros(count, dtype=int), step_m=1.0)
    assert np.flatnonzero(found).tolist() == [5] * told


def test_a_spike_does_not_hide_its_neighbour():
    root, along, row = even_field(5)
    value = root**2
    cluster = (row == 30) & (np.abs(along - 30) <= 5)
    value[cluster] = 90.0
    assert find_local_outliers(value, along, row, step_m=1.0)[cluster].all()


def test_distance_along_a_slanting_direction():
    found = common_along(np.array([3.0, 10.0]), np.array([4.0, -5.0]), (0.6, 0.8))
    assert found.tolist() == pytest.approx([5.0, 2.0])


def test_local_moran_tells_a_high_among_low_from_its_like():
    row, along = np.meshgrid(np.arange(20), np.arange(20.0), indexing="ij")
    value = np.random.default_rng(4).normal(10.0, 1.0, 400)
    value[(along < 8).ravel()] += 6.0
    value[210 + 5] = 26.0  # alone among low ones
    places = np.column_stack([row.ravel(), along.ravel()])
    near = np.argsort(((places[:, None] - places[None]) ** 2).sum(axis=2), axis=1)[:, 1:9]
    moran = local_moran(value, near)
    assert np.argmin(moran.z) == 215
    assert moran.z[215] < -2.0
    assert moran.z[8 * 20 + 3] > 2.0  # high among high
    z = (moran.statistic - moran.expectation) / np.sqrt(moran.variance)
    np.testing.assert_allclose(moran.z, z)


@pytest.mark.parametrize("values", [[1.0], [1.0, 5.0], [3.0, 3.0, 3.0, 3.0]])
def test_local_moran_of_next_to_nothing_is_nothing(values):
    count = len(values)
    near = np.zeros((count, 1), dtype=int)
    assert local_moran(np.array(values), near).statistic.tolist() == [0.0] * count
