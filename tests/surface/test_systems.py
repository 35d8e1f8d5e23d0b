import numpy as np
import pytest

from vinemap.surface.lanes import LANES
from vinemap.surface.systems import (
    PIVOTS,
    closest_to,
    cubic_weights,
    eliminate,
    inverse_root,
    pad,
    solve_cell,
)


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


@pytest.mark.parametrize(("count", "padded"), [(0, 0), (1, 8), (7, 8), (8, 8), (9, 16), (64, 64)])
def test_padding_rounds_up(count, padded):
    assert pad(count, 8) == padded


def test_cubic_weights_read_cubics_between_their_nodes():
    for part in (0.0, 0.2, 0.5, 0.99):
        weights = np.array(cubic_weights(part))
        for power in range(4):
            assert weights @ np.arange(-1.0, 3.0) ** power == pytest.approx(part**power, abs=1e-12)


def test_a_pivot_too_small_counts_for_nothing():
    assert inverse_root(4.0, 1e-9) == 0.5
    assert inverse_root(1e-9, 1e-9) == 0.0
    assert inverse_root(-1.0, 0.0) == 0.0


def test_estimate_and_variance_are_those_of_ordinary_kriging():
    rng = np.random.default_rng(3)
    root = rng.normal(size=(5, 8))
    full, values, to_cell = root @ root.T + np.eye(5), rng.normal(size=5), rng.uniform(0.1, 0.5, 5)
    matrix = np.zeros((8, 16))
    matrix[:5, :5] = np.triu(full)
    matrix[:5, 8], matrix[:5, 9], matrix[:5, 10] = values, 1.0, to_cell
    eliminate(matrix, 8, 16, 0.0)
    system = np.ones((6, 6))
    system[:5, :5], system[5, 5] = full, 0.0
    solved = np.linalg.solve(system, np.append(to_cell, 1.0))
    mean, variance = solve_cell(matrix, 8, 10, 5, 2.0)
    assert mean == pytest.approx(solved[:5] @ values)
    assert variance == pytest.approx(2.0 - solved @ np.append(to_cell, 1.0))
    assert solve_cell(matrix, 8, 10, 5, -9.0)[1] == 0.0  # rounding never makes it negative


def test_the_nearest_reading_is_told():
    near = np.array([[3.0, 0.0, 9.0], [4.0, 7.0, 9.0]])
    assert closest_to(near, 3, 0.0, 0.0) == 5.0
    assert closest_to(near, 2, 0.0, 6.0) == 1.0
