"""The random field has the covariance it says."""

import numpy as np
import pytest

from vinemap.errors import DataError
from vinemap.simulate.fields import sample_field


def test_variance_one_and_exponential_correlation():
    east, north = (axis.ravel() for axis in np.meshgrid(np.arange(0, 600, 10.0), np.arange(0, 600, 10.0)))
    rng = np.random.default_rng(4)
    drawn = [sample_field(east, north, range_m=40.0, rng=rng).reshape(60, 60) for _ in range(12)]
    assert np.mean([one.var() for one in drawn]) == pytest.approx(1.0, abs=0.12)
    for lag in (2, 4, 8):
        product = np.mean([(one[:, lag:] * one[:, :-lag]).mean() for one in drawn])
        assert product == pytest.approx(np.exp(-10.0 * lag / 40.0), abs=0.12)


def test_a_range_of_zero_is_refused():
    with pytest.raises(DataError, match="Range 0 m is not positive"):
        sample_field(np.zeros(2), np.zeros(2), range_m=0, rng=np.random.default_rng(1))
