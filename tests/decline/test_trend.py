"""Mann-Kendall and Sen against printed examples and other libraries."""

from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
from scipy import stats

from vinemap.decline import mann_kendall, sen_slope
from vinemap.errors import DataError

EPA_ELEVEN = [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]
EPA_FOURTEEN = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]


def test_epa_example_with_ties():
    """US EPA QA/G-9S, handbook section 6 [R]: S 22, Var 155.33, Z 1.685; Sen slope 1.0 [C]."""
    found = mann_kendall(EPA_ELEVEN)
    assert found.s == 22
    assert found.variance == pytest.approx(155.33, abs=0.005)
    assert found.z == pytest.approx(1.685, abs=0.0005)
    assert sen_slope(EPA_ELEVEN) == 1.0


def test_example_of_fourteen():
    """Handbook section 6: S 54, Z 2.9058 [R]; Sen slope 0.566667 [C]."""
    found = mann_kendall(EPA_FOURTEEN)
    assert (found.s, round(found.z, 4)) == (54, 2.9058)
    assert sen_slope(EPA_FOURTEEN) == pytest.approx(0.566667, abs=5e-7)


def test_one_to_hundred():
    """Handbook section 6 [R]: S 4950, Var 112750, Z 14.7386999821."""
    found = mann_kendall(np.arange(1, 101))
    assert (found.s, found.variance) == (4950, 112750)
    assert found.z == pytest.approx(14.7386999821, abs=1e-9)


def test_helsel_and_hirsch():
    """Helsel & Hirsch, handbook section 6 [M+]: S 21, tau 0.467; slope 1 despite one wild value, S 19."""
    found = mann_kendall([1.22, 2.20, 4.80, 1.28, 1.97, 1.46, 2.64, 2.34, 4.84, 2.96])
    assert (found.s, round(found.tau, 3)) == (21, 0.467)
    assert sen_slope([1, 2, 3, 4, 5, 16, 7]) == 1.0
    assert mann_kendall([1, 2, 3, 4, 5, 16, 7]).s == 19


@pytest.mark.parametrize("seed", range(4))
def test_same_as_pymannkendall_and_scipy(seed):
    rng = np.random.default_rng(seed)
    series = np.round(rng.normal(size=20) + 0.05 * np.arange(20), 1)  # rounding makes ties
    found, other = mann_kendall(series), pymannkendall.original_test(series)
    np.testing.assert_allclose(
        [found.s, found.variance, found.z, found.p_value, found.tau],
        [other.s, other.var_s, other.z, other.p, other.Tau],
        rtol=1e-9,
    )
    times = np.sort(rng.choice(60, 20, replace=False)).astype(float)
    assert sen_slope(series, times) == pytest.approx(stats.theilslopes(series, times).slope, rel=1e-12)


def test_gaps_are_left_out():
    assert sen_slope([1.0, np.nan, 3.0, 4.0]) == 1.0


def test_too_short_is_refused():
    with pytest.raises(DataError, match="needs 3 values; 2 were given"):
        mann_kendall([1.0, 2.0])
    with pytest.raises(DataError, match="two values at different times"):
        sen_slope([1.0])
