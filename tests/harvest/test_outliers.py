"""Local Moran's I against the reference library; limits and neighbours on plain cases."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vinemap.harvest import local_moran
from vinemap.harvest.outliers import find_beyond_limits, find_local_outliers, median_beside


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
