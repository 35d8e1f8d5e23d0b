"""Places along lines, many at a time."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray


def points_along(
    lines: NDArray[np.object_], which: NDArray[np.integer], share: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give points at a share of the length of `lines[which]`.

    As `shapely.line_interpolate_point` reckons them, share of length first, so that ties further on fall as
    with it; but without an object a point where the line is straight.

    Parameters
    ----------
    lines : numpy.ndarray of shapely.LineString, (m,)
    which : numpy.ndarray of int, (n,)
    share : numpy.ndarray, (n,)
        0 at the start, 1 at the end.

    Returns
    -------
    numpy.ndarray, (n, 2)
        Easting and northing, in the units of the lines.

    Examples
    --------
    >>> row = np.array([shapely.LineString([(0, 0), (0, 10)])])
    >>> points_along(row, np.array([0, 0]), np.array([0.0, 0.25])).tolist()
    [[0.0, 0.0], [0.0, 2.5]]
    """
    begin, end = (shapely.get_coordinates(shapely.get_point(lines, place)) for place in (0, -1))
    length = np.sqrt(((end - begin) ** 2).sum(axis=1))
    plain = ((shapely.get_num_points(lines) == 2) & (length > 0))[which]
    out = np.empty((which.size, 2))
    own = which[plain]
    part = length[own] * share[plain] / length[own]
    out[plain] = (end - begin)[own] * part[:, None] + begin[own]
    bent = shapely.line_interpolate_point(lines[which[~plain]], share[~plain], normalized=True)
    out[~plain] = shapely.get_coordinates(bent)
    return out


__all__ = ["points_along"]
