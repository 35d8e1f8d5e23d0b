import numpy as np
import pytest

from vinemap.surface.systems import eliminate


@pytest.mark.parametrize("size", [1, 3, 4, 7, 64])
def test_elimination_is_the_cholesky_factor_and_solves_the_further_columns(size):
    rng = np.random.default_rng(size)
    root = rng.normal(size=(size, size + 3))
    full, sides = root @ root.T + np.eye(size), rng.normal(size=(size, 5))
    matrix = np.ascontiguousarray(np.hstack([np.triu(full), sides]))
    eliminate(matrix, size, 0.0)
    upper = np.triu(matrix[:, :size])
    assert upper.T @ upper == pytest.approx(full, rel=1e-10, abs=1e-10)
    assert upper.T @ matrix[:, size:] == pytest.approx(sides, rel=1e-9, abs=1e-9)


def test_a_reading_that_adds_nothing_is_passed_over():
    matrix = np.array([[4.0, 4.0, 2.0, 1.0], [0.0, 4.0, 2.0, 1.0], [0.0, 0.0, 4.0, 1.0]])
    eliminate(matrix, 3, 1e-9)
    assert np.isfinite(matrix).all()
    assert (matrix[1, 1:] == 0).all()
    assert matrix[2, 3] == pytest.approx((1.0 - 0.5) / np.sqrt(3.0))  # as without the second reading
