"""Places along lines."""

from __future__ import annotations

import numpy as np
import shapely

from vinemap.land import points_along


def test_points_along_rows_are_those_of_shapely():
    """Straight, bent and pointlike rows, far from the origin as on maps: doubles are 1e-9 m apart there."""
    rng = np.random.default_rng(8)
    ends = rng.uniform(-300.0, 300.0, size=(40, 2, 2)) + np.array([300_000.0, 6_200_000.0])
    straight = shapely.linestrings(ends)
    bent = shapely.linestrings(np.concatenate([ends[:5], ends[5:10]], axis=1))
    point = shapely.linestrings(np.repeat(ends[:1, :1], 2, axis=1))
    lines = np.concatenate([straight, bent, point])
    which, share = rng.integers(0, lines.size, size=2000), rng.uniform(size=2000)
    expected = shapely.line_interpolate_point(lines[which], share, normalized=True)
    made = points_along(lines, which, share)
    np.testing.assert_allclose(made, shapely.get_coordinates(expected), rtol=0, atol=2e-9)
