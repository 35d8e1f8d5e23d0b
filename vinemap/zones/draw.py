"""From labelled cells to polygons: whole faces of the outline, none too small and none without rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from scipy import ndimage

from vinemap.land import segment_rows
from vinemap.zones.cells import BoolArray, IntArray, RowCells

LEAST_BORDER_M = 0.01  # shapes that share less than this touch at a point, not along a border


@dataclass(slots=True)
class _Region:
    """Faces that make one zone."""

    faces: list[Any]
    cells: BoolArray
    vines: int

    @property
    def area_m2(self) -> float:
        return float(sum(one.area for one in self.faces))


def draw_polygons(
    labels: IntArray, cells: RowCells, outline: Any, rows: gpd.GeoDataFrame, *, min_area_m2: float
) -> tuple[list[Any], list[BoolArray]]:
    """Draw the zones of a lattice of labels inside the outline.

    Parameters
    ----------
    labels : int array (band, stretch)
        -1 outside.
    cells : RowCells
    outline : shapely.Polygon or shapely.MultiPolygon
    rows : geopandas.GeoDataFrame
        Rows of the block.
    min_area_m2 : float
        Smallest zone [m2].

    Returns
    -------
    shapes : list of shapely.Polygon or shapely.MultiPolygon
        They cover the outline exactly, without overlap.
    members : list of bool array (band, stretch)
        Cells of each.

    Notes
    -----
    The outline cuts cells into slivers, e.g. at a slanting edge. A face that is smaller than the limit or
    holds no vine place joins the one with which it shares most border. A part of the outline that lies apart
    from all others and is too small joins the nearest zone, which then has two parts.
    """
    regions = _list_regions(labels, cells, outline, rows)
    while len(regions) > 1:
        failing = [one for one in regions if one.area_m2 < min_area_m2 or one.vines == 0]
        if not failing:
            break
        least = min(failing, key=lambda one: (one.vines > 0, one.area_m2))
        others = [one for one in regions if one is not least]
        best = _best_neighbour(least, others)
        best.faces += least.faces
        best.cells = best.cells | least.cells
        best.vines += least.vines
        regions = others
    regions = sorted(regions, key=_place)
    return [shapely.coverage_union_all(one.faces) for one in regions], [one.cells for one in regions]


def _place(one: _Region) -> tuple[int, float]:
    """Zones from the first row on, and along the rows within that."""
    band, stretch = np.argwhere(one.cells).mean(axis=0)
    return round(float(band)), float(stretch)


def _best_neighbour(one: _Region, others: list[_Region]) -> _Region:
    """Region that shares most border with one, or else lies nearest."""
    own = shapely.union_all([face.boundary for face in one.faces])
    border = [sum(own.intersection(face.boundary).length for face in other.faces) for other in others]
    if max(border) > LEAST_BORDER_M:
        return others[int(np.argmax(border))]
    apart = [min(own.distance(face) for face in other.faces) for other in others]
    return others[int(np.argmin(apart))]


def _list_regions(labels: IntArray, cells: RowCells, outline: Any, rows: gpd.GeoDataFrame) -> list[_Region]:
    """Faces between the borders of the labels inside the outline, each a region to begin with."""
    known = labels >= 0
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    full = labels[tuple(nearest)]  # cells outside draw no border
    lines = shapely.union_all([outline.boundary, *_borders(full, cells)])  # one noding: edges shared exactly
    faces = [one for one in shapely.get_parts(shapely.polygonize([*shapely.get_parts(lines)]))
             if outline.contains(one.representative_point())]  # fmt: skip
    points = [one.representative_point() for one in faces]
    bands, stretches = cells.find(np.array([one.x for one in points]), np.array([one.y for one in points]))
    label = full[bands, stretches]
    vines = _count_vines(faces, rows)
    regions = []
    for place, face in enumerate(faces):
        largest = max(np.flatnonzero(label == label[place]), key=lambda one: faces[one].area)
        own = labels == label[place]
        if place != largest:  # a piece that the outline cut off its zone
            own = np.zeros(labels.shape, dtype=bool)
            own[bands[place], stretches[place]] = True
        regions.append(_Region([face], own, int(vines[place])))
    return regions


def _borders(labels: IntArray, cells: RowCells) -> list[Any]:
    """Edges of the lattice between cells of different labels."""
    corner = cells.corners
    bands, stretches = np.nonzero(labels[1:] != labels[:-1])
    across = np.stack([corner[bands + 1, stretches], corner[bands + 1, stretches + 1]], axis=1)
    bands, stretches = np.nonzero(labels[:, 1:] != labels[:, :-1])
    along = np.stack([corner[bands, stretches + 1], corner[bands + 1, stretches + 1]], axis=1)
    drawn: list[Any] = np.asarray(shapely.linestrings(np.concatenate([across, along]))).tolist()
    return drawn


def _count_vines(faces: list[Any], rows: gpd.GeoDataFrame) -> IntArray:
    """Vine places in every face; rows that touch it where the rows have no vine places."""
    if "vines" not in rows.columns:
        lines = rows.geometry.to_numpy()
        return np.array([int((shapely.length(shapely.intersection(lines, one)) > 0).sum()) for one in faces])
    named = gpd.GeoDataFrame({"zone_id": range(len(faces))}, geometry=faces, crs=rows.crs)
    cut = segment_rows(rows, named)
    number = cut["zone_id"].to_numpy(dtype=int)
    return np.bincount(number, weights=cut["vines"], minlength=len(faces)).astype(np.int64)
