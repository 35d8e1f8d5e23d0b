import numpy as np
import pytest

from vinemap.surface.lanes import LANES
from vinemap.surface.systems import PIVOTS, eliminate, pad


@pytest.mark.parametrize("size", [1, 3, 4, 7, 64])
def test_elimination_is_the_cholesky_factor_and_solves_the_further_columns(size):
    rng = np.random.default_rng(size)
    root = rng.normal(size=(size, size + 3))
    full, sides = root @ root.T + np.eye(size), rng.normal(size=(size, 5))
    room = pad(size, LANES)
    matrix = np.zeros((room, room + LANES))
    matrix[:size, :size], matrix[:size, room : room + 5] = np.triu(full), sides
    eliminate(matrix, pad(size, PIVOTS), room + LANES, 0.0)
    upper = np.triu(matrix[:size, :size])
    assert upper.T @ upper == pytest.approx(full, rel=1e-10, abs=1e-10)
    assert upper.T @ matrix[:size, room : room + 5] == pytest.approx(sides, rel=1e-9, abs=1e-9)


def test_a_reading_that_adds_nothing_is_passed_over():
    matrix = np.zeros((4, 16))
    matrix[:3, :3] = [[4.0, 4.0, 2.0], [0.0, 4.0, 2.0], [0.0, 0.0, 4.0]]
    matrix[:3, 8] = 1.0
    eliminate(matrix, 4, 16, 1e-9)
    assert np.isfinite(matrix).all()
    assert (matrix[1, 1:] == 0).all()
    assert matrix[2, 8] == pytest.approx((1.0 - 0.5) / np.sqrt(3.0))  # as without the second reading
