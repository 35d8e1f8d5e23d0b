"""Repairs of outlines that leave no doubt; refusal of all others."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from vinemap.errors import GeometryError
from vinemap.units import HECTARE_M2

WHERE = "blocks"
SURE_SHARE = 0.01  # a repair or trimming that changes less than 1 % of a block's area is made with a note
UNNOTED_M2 = 1.0  # [m2] rounding of shared borders; trimmed without a note


def mend_outlines(
    outlines: NDArray[np.object_], names: Sequence[str], *, crs: CRS
) -> tuple[NDArray[np.object_], list[str]]:
    """Repair outlines that cross themselves, where the area is beyond doubt.

    Parameters
    ----------
    outlines : ndarray of shapely geometries, shape (n,)
        In `crs` [m].
    names : sequence of str, length n
        Blocks.
    crs : pyproj.CRS
        For the place in the message.

    Returns
    -------
    outlines : ndarray of shapely.Polygon or shapely.MultiPolygon, shape (n,)
    notes : list of str

    Raises
    ------
    GeometryError
        If an outline is missing, not a polygon, or crosses itself so that its area is in doubt.

    Examples
    --------
    >>> mend_outlines(np.array([shapely.box(0, 0, 9, 9)], dtype=object), ["A1"], crs=CRS.from_epsg(3035))[1]
    []
    """
    mended = np.empty(len(outlines), dtype=object)
    notes: list[str] = []
    for index, (name, outline) in enumerate(zip(names, outlines, strict=True)):
        mended[index], note = _mend(outline, name, crs)
        notes += note
    return mended, notes


def trim_overlaps(
    outlines: NDArray[np.object_], names: Sequence[str]
) -> tuple[NDArray[np.object_], list[str]]:
    """Trim sliver overlaps between blocks; refuse others.

    Parameters
    ----------
    outlines : ndarray of shapely polygons, shape (n,)
        Valid, in metres.
    names : sequence of str, length n
        Blocks.

    Returns
    -------
    outlines : ndarray of shapely polygons, shape (n,)
        The later block of an overlapping pair gives way.
    notes : list of str

    Raises
    ------
    GeometryError
        If two blocks overlap by 1 % of the smaller one or more.

    Examples
    --------
    >>> pair = np.array([shapely.box(0, 0, 100, 100), shapely.box(99.5, 0, 200, 100)], dtype=object)
    >>> trim_overlaps(pair, ["A1", "A2"])[1]
    ['Blocks A1 and A2 overlap by 50 m2; the overlap was taken off A2.']
    """
    trimmed, notes, refused = outlines.copy(), [], []
    first, second = shapely.STRtree(outlines).query(outlines, predicate="intersects")
    pairs = sorted((int(a), int(b)) for a, b in zip(first, second, strict=True) if a < b)
    for one, other in pairs:
        shared = float(shapely.intersection(outlines[one], outlines[other]).area)
        if shared <= 0.0:
            continue
        share = shared / min(outlines[one].area, outlines[other].area)
        if share >= SURE_SHARE:
            refused.append(
                f"{names[one]} and {names[other]} by {shared:,.0f} m2 ({100 * share:.0f} % of the smaller)"
            )
            continue
        trimmed[other] = _largest_parts(shapely.difference(trimmed[other], outlines[one]))
        if shared >= UNNOTED_M2:
            notes.append(
                f"Blocks {names[one]} and {names[other]} overlap by {shared:,.0f} m2; "
                f"the overlap was taken off {names[other]}."
            )
    if refused:
        raise GeometryError(
            f"Blocks overlap: {'; '.join(refused)}.",
            where=WHERE,
            remedy="Redraw the border between them, or leave out the outline that is out of date.",
        )
    return trimmed, notes


def _mend(outline: Any, name: str, crs: CRS) -> tuple[Any, list[str]]:
    if outline is None or outline.is_empty:
        raise GeometryError(
            f"Block {name} has no outline.", where=WHERE, remedy="Draw its outline, or leave the block out."
        )
    if outline.geom_type not in ("Polygon", "MultiPolygon"):
        raise GeometryError(
            f"Block {name} is drawn as a {outline.geom_type}, not as an area.",
            where=WHERE,
            remedy="Draw its outline as a closed polygon.",
        )
    flat = shapely.force_2d(outline)
    if flat.is_valid:
        return _single(flat), []
    valid = _largest_parts(shapely.make_valid(flat))
    drawn = sum(_shoelace(part) for part in shapely.get_parts(flat))
    doubt = abs(valid.area - drawn)
    reason, place = _fault(flat, crs)
    if valid.is_empty or doubt >= SURE_SHARE * valid.area:
        raise GeometryError(
            f"The outline of block {name} crosses itself{place}, so its area is in doubt "
            f"({drawn / HECTARE_M2:.2f} or {valid.area / HECTARE_M2:.2f} ha).",
            where=WHERE,
            remedy="Draw the outline again with its corners in order around the block.",
        )
    return valid, [
        f"The outline of block {name} was repaired ({reason}{place}); its area changed by {doubt:.0f} m2."
    ]


def _single(outline: Any) -> Any:
    parts = shapely.get_parts(outline)
    return parts[0] if len(parts) == 1 else outline


def _largest_parts(outline: Any) -> Any:
    """Polygon parts of an outline, crumbs below 1 % of its area left out."""
    parts = shapely.get_parts(outline)
    parts = shapely.get_parts(parts[np.isin(shapely.get_type_id(parts), (3, 6))])
    area = shapely.area(parts)
    parts = parts[area >= SURE_SHARE * area.sum()] if len(parts) else parts
    return _single(shapely.MultiPolygon(list(parts)))


def _shoelace(polygon: Any) -> float:
    """Area as the corners are drawn, with parts that run the other way round counted off."""
    rings = [polygon.exterior, *polygon.interiors]
    areas = [abs(_signed(shapely.get_coordinates(ring))) for ring in rings]
    return float(areas[0] - sum(areas[1:]))


def _signed(points: NDArray[np.float64]) -> float:
    moved = points - points[0]
    return float(np.sum(moved[:-1, 0] * moved[1:, 1] - moved[1:, 0] * moved[:-1, 1]) / 2.0)


def _fault(outline: Any, crs: CRS) -> tuple[str, str]:
    text = str(shapely.is_valid_reason(outline))
    reason = text.split("[", maxsplit=1)[0].strip().lower()
    match = re.search(r"\[(\S+) (\S+?)\]", text)
    if match is None or crs.geodetic_crs is None:
        return reason, ""
    transform = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    longitude, latitude = transform.transform(float(match[1]), float(match[2]))
    return reason, f" near latitude {latitude:.5f}, longitude {longitude:.5f}"


__all__ = ["mend_outlines", "trim_overlaps"]
