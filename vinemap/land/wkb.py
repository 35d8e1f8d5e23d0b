"""Points in well-known binary, to and from bare coordinates: a whole column at once, without shapes.

Making a million shapes takes longer than reading a million readings; here none is made.

References
----------
OGC 06-103r4 (Simple feature access, part 1), 8.2: byte order, type, coordinates. Of types with a height two
spellings are in use: that of the standard (1001) and the older one with the highest bit set.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyarrow as pa

Floats = npt.NDArray[np.float64]
_PLANE, _HIGH = 21, 29  # bytes of a point without and with a height
_TYPES = {_PLANE: (1,), _HIGH: (1001, 0x80000001)}
_HEAD = [("order", "u1"), ("type", "<u4"), ("x", "<f8"), ("y", "<f8")]


def encode_points(x: Floats, y: Floats) -> pa.Array:
    """Write points as well-known binary.

    Parameters
    ----------
    x, y : array of float, shape (points,)

    Returns
    -------
    pyarrow.BinaryArray, shape (points,)

    Examples
    --------
    >>> encode_points(np.array([1.0]), np.array([2.0]))[0].as_py().hex()[:10]
    '0101000000'
    """
    points = np.empty(len(x), dtype=np.dtype(_HEAD))
    points["order"], points["type"], points["x"], points["y"] = 1, 1, x, y
    starts = np.arange(len(x) + 1, dtype="<i4") * _PLANE
    return pa.Array.from_buffers(pa.binary(), len(x), [None, pa.py_buffer(starts), pa.py_buffer(points)])


def decode_points(column: pa.ChunkedArray | pa.Array) -> tuple[Floats, Floats] | None:
    """Coordinates of points in well-known binary.

    Parameters
    ----------
    column : pyarrow array, shape (points,)

    Returns
    -------
    (x, y), each an array of float of shape (points,), or None
        NaN where a point is missing; None if something in it is not a point, or not little-endian.

    Examples
    --------
    >>> decode_points(encode_points(np.array([1.0, 3.0]), np.array([2.0, 4.0])))
    (array([1., 3.]), array([2., 4.]))
    """
    if not (pa.types.is_binary(column.type) or pa.types.is_large_binary(column.type)):
        return None
    chunks = column.chunks if isinstance(column, pa.ChunkedArray) else [column]
    x, y = np.empty(len(column)), np.empty(len(column))
    first = 0
    for one in chunks:
        place = slice(first, first + len(one))
        if not _decode_into(one, x[place], y[place]):
            return None
        first += len(one)
    return x, y


def _decode_into(chunk: pa.Array, x: Floats, y: Floats) -> bool:
    """Fill in the coordinates of one chunk; False if it does not hold plain points."""
    held = chunk
    filled: slice | npt.NDArray[np.bool_] = slice(None)
    if chunk.null_count:
        held, filled = chunk.drop_null(), np.asarray(chunk.is_valid())
        x[:], y[:] = np.nan, np.nan
    if not len(held):
        return True
    _, offsets, data = held.buffers()
    width = np.dtype("<i8" if pa.types.is_large_binary(held.type) else "<i4")
    starts = np.frombuffer(offsets, dtype=width)[held.offset : held.offset + len(held) + 1]
    size = int(starts[1] - starts[0])
    if size not in _TYPES or (np.diff(starts) != size).any():
        return False
    kind = np.dtype(_HEAD if size == _PLANE else [*_HEAD, ("height", "<f8")])
    points = np.frombuffer(data, dtype=kind, count=len(held), offset=int(starts[0]))
    known = np.logical_or.reduce([points["type"] == one for one in _TYPES[size]])
    if not known.all() or (points["order"] != 1).any():
        return False
    x[filled], y[filled] = points["x"], points["y"]
    return True
