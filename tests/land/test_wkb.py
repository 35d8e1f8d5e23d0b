"""Well-known binary of points, against shapely."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from vinemap.land.wkb import decode_points, encode_points

NUMBERS = st.floats(allow_nan=False, allow_infinity=False, width=64)


@given(st.lists(st.tuples(NUMBERS, NUMBERS), max_size=20))
def test_points_go_there_and_back_and_are_those_of_shapely(pairs):
    x, y = np.array(pairs, dtype=float).reshape(-1, 2).T
    written = encode_points(x, y)
    assert written.to_pylist() == shapely.to_wkb(shapely.points(x, y)).tolist()
    read = decode_points(written)
    np.testing.assert_array_equal(read, [x, y])


@pytest.mark.parametrize("flavor", ["iso", "extended"])
def test_height_is_left_out_in_both_spellings(flavor):
    points = shapely.points([1.0, 2.0], [3.0, 4.0], [5.0, 6.0])
    column = pa.array(shapely.to_wkb(points, flavor=flavor), pa.binary())
    np.testing.assert_array_equal(decode_points(column), [[1.0, 2.0], [3.0, 4.0]])


def test_missing_points_and_parts_of_columns():
    wkb = shapely.to_wkb(shapely.points([1.0, 2.0, 3.0], 0.0)).tolist()
    column = pa.chunked_array(
        [pa.array([wkb[0], None, wkb[1]], pa.binary()).slice(1), pa.array([wkb[2]], pa.binary()), []]
    )
    x, y = decode_points(column)
    np.testing.assert_array_equal(x, [np.nan, 2.0, 3.0])
    np.testing.assert_array_equal(y, [np.nan, 0.0, 0.0])
    assert decode_points(pa.array([wkb[0]], pa.large_binary())) is not None


@pytest.mark.parametrize(
    "column",
    [
        pa.array(shapely.to_wkb([shapely.box(0, 0, 1, 1)]), pa.binary()),
        pa.array(shapely.to_wkb(shapely.points([1.0], [2.0]), byte_order=0), pa.binary()),
        pa.array([b"x" * 21], pa.binary()),
        pa.array([b""], pa.binary()),
        pa.array(["POINT (1 2)"]),
    ],
    ids=["outline", "big-endian", "nonsense", "nothing", "text"],
)
def test_anything_else_is_not_taken(column):
    assert decode_points(column) is None
