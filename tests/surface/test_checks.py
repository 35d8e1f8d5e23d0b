"""What is refused at the door, in words that name the value, and what is let in."""

import numpy as np
import pytest
from scipy.sparse import csr_matrix

from vinemap.errors import DataError
from vinemap.surface.checks import check_columns, check_coordinates, check_readings, check_values


def test_positions_are_pairs_of_finite_numbers():
    found = check_coordinates([[1, 2], [3, 4]], where="x")
    assert found.tolist() == [[1.0, 2.0], [3.0, 4.0]]
    assert found.flags.c_contiguous
    assert check_coordinates(np.zeros((0, 2)), where="x").shape == (0, 2)
    for wrong in ([1.0, 2.0], [[1.0], [2.0]], np.zeros((2, 2, 2))):
        with pytest.raises(DataError, match=r"Positions have shape"):
            check_coordinates(wrong, where="x")
    with pytest.raises(DataError, match=r"A position is not .* in 1 of 3 readings \(first at index 2\)"):
        check_coordinates([[1, 2], [3, 4], [np.inf, 0]], where="x")


def test_columns_are_dense_and_real():
    assert check_columns([[1, 2, 3]], where="x").shape == (1, 3)
    for wrong, words in (
        (csr_matrix((2, 2)), "sparse"), (np.ones((2, 2)) * 1j, "Complex"), (np.ones(2), "Reshape your data"),
    ):  # fmt: skip
        with pytest.raises(DataError, match=words):
            check_columns(wrong, where="x")


def test_values_in_other_shapes_than_a_column_are_left_to_the_next_check():
    assert check_values(np.ones((3, 2)), where="x").shape == (3, 2)
    assert check_values([1, 2], where="x").shape == (2,)
    with pytest.warns(UserWarning, match="column-vector"):
        assert check_values([[1], [2]], where="x").shape == (2,)


def test_readings_match_and_noise_is_one_or_one_each():
    places = [[0, 0], [3, 0], [5, 5]]
    assert check_readings(places, [1, 2, 3], None, where="x")[2].tolist() == [0.0, 0.0, 0.0]
    assert check_readings(places, [1, 2, 3], 0.5, where="x")[2].tolist() == [0.5, 0.5, 0.5]
    assert check_readings(places, [1, 2, 3], [0, 1, 2], where="x")[2].tolist() == [0.0, 1.0, 2.0]
    with pytest.raises(DataError, match=r"3 positions but values of shape \(2,\)"):
        check_readings(places, [1, 2], None, where="x")
    with pytest.raises(
        DataError, match=r"A value is not a finite number .* in 2 of 3 readings .first at index 1"
    ):
        check_readings(places, [1, np.nan, np.inf], None, where="x")
    with pytest.raises(DataError, match="A noise variance is not a finite number"):
        check_readings(places, [1, 2, 3], np.nan, where="x")
    with pytest.raises(DataError, match=r"Noise variance is -0.5 at reading 1"):
        check_readings(places, [1, 2, 3], [0.0, -0.5, -2.0], where="x")
    with pytest.raises(DataError, match="There are no readings"):
        check_readings(np.zeros((0, 2)), [], None, where="x")
