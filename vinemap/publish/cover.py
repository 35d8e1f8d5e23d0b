"""Zones of a block as one cover: shared borders shared exactly, no gap, no overlap.

Every border is cut into edges where borders meet, the edges are closed to faces, and each face is given to
one zone. Two zones that lie side by side then have the very same corners along their border.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import MultiPolygon, Polygon

from vinemap.errors import GeometryError

# What a drawing program leaves where lines should meet; half a row of vines is more than ten times this.
SLIVER_M = 0.05
MEET_M = 0.001  # corners nearer than this are one corner
SPECK_M2 = 0.5  # nor does any vine stand on less than this


@dataclass(frozen=True, slots=True)
class Cover:
    """Zones that cover an outline.

    Attributes
    ----------
    shapes : list of Polygon or MultiPolygon
        In the order given.
    gaps, overlaps : list of Polygon
        Faces too wide to be mended: in no zone, or in several (these were left to the first of them).
    overlapping : list of tuple of int
        Places of the zones that share each of `overlaps`.
    mended_m2 : float
        Area of slivers given to one zone [m2].
    outside_m2 : float
        Area of the zones beyond the outline, cut off [m2].
    """

    shapes: list[Any]
    gaps: list[Polygon]
    overlaps: list[Polygon]
    overlapping: list[tuple[int, ...]]
    mended_m2: float
    outside_m2: float


def is_cover(shapes: Sequence[Any], outline: Any, *, tolerance_m2: float = 1e-4) -> bool:
    """Tell whether shapes cover the outline without gap or overlap, but for rounding.

    Examples
    --------
    >>> is_cover([shapely.box(0, 0, 5, 9), shapely.box(5, 0, 9, 9)], shapely.box(0, 0, 9, 9))
    True
    >>> is_cover([shapely.box(0, 0, 5, 9), shapely.box(6, 0, 9, 9)], shapely.box(0, 0, 9, 9))
    False
    """
    plain = np.array(shapes, dtype=object)
    union = shapely.union_all(plain)
    off = shapely.area(shapely.symmetric_difference(union, outline)) + shapely.area(plain).sum() - union.area
    return bool(off <= tolerance_m2)


def mend_cover(
    shapes: Sequence[Any],
    outline: Any,
    *,
    sliver_m: float = SLIVER_M,
    names: Sequence[str] = (),
    fill_gaps: bool = False,
) -> Cover:
    """Make zones cover an outline: cut off what lies outside, close slivers, share borders exactly.

    Parameters
    ----------
    shapes : sequence of Polygon or MultiPolygon
        Zones of one block, metre CRS.
    outline : Polygon or MultiPolygon
        Outline of the block.
    sliver_m : float
        Gaps and overlaps nowhere wider than this, or smaller than `SPECK_M2`, are mended [m].
    names : sequence of str, optional
        Names of the zones, for messages.
    fill_gaps : bool
        Give gaps of any width to the zone with which they share most border (the outline was moved).

    Returns
    -------
    Cover

    Raises
    ------
    GeometryError
        If a zone lies wholly outside the outline or inside another zone.

    Examples
    --------
    >>> two = [shapely.box(0, 0, 50, 90), shapely.box(50.02, 0, 90, 95)]
    >>> mended = mend_cover(two, shapely.box(0, 0, 90, 90))
    >>> [round(one.area, 1) for one in mended.shapes], round(mended.outside_m2)
    ([4500.0, 3600.0], 200)
    """
    outline, *plain = _meet([outline, *shapes])
    faces = _cut_faces([outline, *plain])
    inside = faces[shapely.contains(_prepared(outline), shapely.point_on_surface(faces))]
    owners = _find_owners(inside, plain)
    thin = shapely.is_empty(shapely.buffer(inside, -sliver_m / 2)) | (shapely.area(inside) < SPECK_M2)
    if fill_gaps:
        thin |= np.array([not own for own in owners], dtype=bool)
    gaps = [inside[at] for at, own in enumerate(owners) if not own and not thin[at]]
    shared = [(inside[at], tuple(own)) for at, own in enumerate(owners) if own[1:] and not thin[at]]
    given = np.array([own[0] if own else -1 for own in owners], dtype=int)
    odd = np.array([len(own) != 1 for own in owners], dtype=bool) & thin
    _give_slivers(inside, given, thin)
    return Cover(
        shapes=[
            _join(inside[given == place], names[place] if names else str(place + 1))
            for place in range(len(plain))
        ],
        gaps=gaps,
        overlaps=[face for face, _ in shared],
        overlapping=[own for _, own in shared],
        mended_m2=float(shapely.area(inside[odd]).sum()),
        outside_m2=float(shapely.area(shapely.difference(shapely.union_all(plain), outline))),
    )


def _meet(shapes: Sequence[Any]) -> list[Any]:
    """Shapes whose corners are the very same where they are less than `MEET_M` apart; the first ones stay."""
    flat = shapely.force_2d(np.array(shapes, dtype=object))
    corners = shapely.get_coordinates(flat)
    near: Any = cKDTree(corners).query_ball_point(corners, MEET_M)
    met = shapely.set_coordinates(flat, corners[[min(one) for one in near]])
    whole = [make_areal(one) for one in shapely.remove_repeated_points(met)]
    return [before if one.is_empty else one for one, before in zip(whole, flat, strict=True)]


def make_areal(shape: Any) -> Any:
    """Make a polygon valid, keeping only what has area.

    Examples
    --------
    >>> spike = Polygon([(0, 0), (4, 0), (9, 0), (4, 0), (4, 4), (0, 4)])
    >>> make_areal(spike).area
    16.0
    """
    if shape.is_valid:
        return shape
    parts = shapely.get_parts(shapely.get_parts(shapely.make_valid(shape)))
    areal = [one for one in parts if one.geom_type == "Polygon"]
    return areal[0] if len(areal) == 1 else MultiPolygon(areal)


def _prepared(shape: Any) -> Any:
    shapely.prepare(shape)
    return shape


def _cut_faces(shapes: list[Any]) -> Any:
    lines = shapely.union_all(shapely.boundary(np.array(shapes, dtype=object)))
    return shapely.get_parts(shapely.polygonize([lines]))


def _find_owners(faces: Any, shapes: list[Any]) -> list[list[int]]:
    """Places of the zones that hold each face, by a point on it."""
    points = shapely.point_on_surface(faces)
    held = [shapely.contains(_prepared(shape), points) for shape in shapes]
    return [[place for place, one in enumerate(held) if one[face]] for face in range(len(faces))]


def _give_slivers(faces: Any, given: Any, thin: Any) -> None:
    """Give each thin face without a zone to the zone with which it shares most border; in place."""
    for _ in range(len(faces)):
        left = np.flatnonzero((given < 0) & thin)
        moved = False
        for face in left:
            shared: dict[int, float] = {}
            for other in np.flatnonzero(given >= 0):
                length = shapely.intersection(faces[face], faces[other]).length
                shared[given[other]] = shared.get(given[other], 0.0) + length
            best = max(shared, key=lambda one: shared[one], default=-1)
            if best >= 0 and shared[best] > 0:
                given[face], moved = best, True
        if not moved:
            return


def _join(faces: Any, name: str) -> Any:
    if not len(faces):
        raise GeometryError(
            f"Zone {name} lies outside the block or inside another zone.",
            remedy="Move it into the block, or delete it.",
        )
    # Not a plain union: that would drop the corners which neighbours have on a straight border.
    joined: Any = shapely.coverage_union_all(faces)
    return joined
