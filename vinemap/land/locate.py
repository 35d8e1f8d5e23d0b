"""Which block points belong to; which row, and which place along it."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from vinemap.errors import GeometryError
from vinemap.land.directions import mean_direction
from vinemap.land.rows import RowFrame

Floats = NDArray[np.float64]
LONE_ROW_SPACING_M = 3.0  # [m] where a single row tells nothing of the spacing; common practice, no source
PARALLEL_M = (
    0.05  # [m] ends of rows of one block deviate less than this from parallel, or rows are not straight
)
RUN = 1 << 14  # points looked at together


def find_outlines(east: Floats, north: Floats, outlines: Any, *, tolerance_m: float) -> NDArray[np.int64]:
    """Give the place in `outlines` of the one in which each point lies, else of the nearest; -1 for none.

    Parameters
    ----------
    east, north : array of float, shape (n,)
        Points [m].
    outlines : array of shapely polygons, shape (blocks,)
        In the same CRS; prepared here.
    tolerance_m : float
        Largest distance from an outline at which a point that lies in none still belongs to it [m].

    Returns
    -------
    array of int, shape (n,)

    Examples
    --------
    >>> outlines = np.array([shapely.box(0, 0, 10, 10)])
    >>> find_outlines(np.array([5.0, 11.0, 50.0]), np.array([5.0, 5.0, 5.0]), outlines, tolerance_m=3.0)
    array([ 0,  0, -1])
    """
    shapely.prepare(outlines)
    owner = np.full(len(east), -1, dtype="int64")
    # Readings follow one another in the field: a run of them meets few blocks, and stays in the cache.
    for first in range(0, len(east), RUN):
        run = slice(first, first + RUN)
        _find_in_run(east[run], north[run], outlines, tolerance_m, owner[run])
    return owner


def _find_in_run(
    east: Floats, north: Floats, outlines: Any, tolerance_m: float, owner: NDArray[np.int64]
) -> None:
    """Fill in the owner of each point of a run."""
    reached = _within_reach(outlines, east, north, tolerance_m)
    for index in reached:
        near = _in_box(east, north, outlines[index], 0.0)
        near = near[owner[near] < 0]
        owner[near[shapely.intersects_xy(outlines[index], east[near], north[near])]] = index
    # Distances are dear: only points that lie in no block are measured.
    left = np.flatnonzero(owner < 0)
    nearest = np.full(len(left), np.inf)
    for index in reached if len(left) else ():
        near = _in_box(east[left], north[left], outlines[index], tolerance_m)
        places = left[near]
        distance = shapely.distance(outlines[index], shapely.points(east[places], north[places]))
        better = (distance <= tolerance_m) & (distance < nearest[near])
        owner[places[better]], nearest[near[better]] = index, distance[better]


def locate_in_rows(easting: Any, northing: Any, rows: gpd.GeoDataFrame) -> pd.DataFrame:
    """Find the row of each point, how far along it and how far beside it the point lies.

    Parameters
    ----------
    easting, northing : array_like, shape (n,)
        Points in the CRS of `rows` [m].
    rows : geopandas.GeoDataFrame
        Rows of one block (`vinemap.tables.ROWS`). Direction and spacing are derived from them.

    Returns
    -------
    pandas.DataFrame, n rows
        row_no : row, -1 if no row lies within half a spacing (beside it or beyond its ends);
        along_m : distance from the row's first coordinate, on the ground, within 0 and its length [m];
        across_m : distance to the right of the row seen from its start, on the ground [m]. NaN without a row.

    Raises
    ------
    GeometryError
        If there are no rows, rows of several blocks, or arrays of unlike length.

    Examples
    --------
    >>> from vinemap.land.rows import lay_rows
    >>> outline = shapely.box(4_321_000, 3_210_000, 4_321_030, 3_210_100)
    >>> rows = lay_rows(outline, block_id="A1", row_spacing_m=3.0,
    ...                 vine_spacing_m=2.0, bearing_deg=0.0, crs="EPSG:3035")
    >>> locate_in_rows([4_321_004.7, 4_321_090.0], [3_210_020.0, 3_210_020.0], rows).round(3)
       row_no  along_m  across_m
    0       2     20.0       0.2
    1      -1      NaN       NaN
    """
    east, north = _pair(easting, northing)
    _check_rows(rows)
    known = np.isfinite(east) & np.isfinite(north)
    east, north = np.where(known, east, 0.0), np.where(known, north, 0.0)
    lines = rows.geometry.to_numpy()
    straight = shapely.get_num_points(lines) == 2
    first = shapely.get_coordinates(shapely.get_point(lines, 0))
    last = shapely.get_coordinates(shapely.get_point(lines, -1))
    frame, low, high, across = _row_geometry(first, last)
    if straight.all() and float(np.ptp(across, axis=1).max(initial=0.0)) <= PARALLEL_M:
        index, along, beside, beyond = _locate_parallel(east, north, frame, low, high, across.mean(axis=1))
    else:
        index, along, beside, beyond = _locate_crooked(east, north, lines)
    half = _half_spacing(across.mean(axis=1))
    found = known & (np.abs(beside) <= half + 1e-6) & (beyond <= half + 1e-6)
    return _as_table(rows, index, along, beside, found)


def _as_table(
    rows: gpd.GeoDataFrame, index: NDArray[np.intp], along: Floats, beside: Floats, found: NDArray[np.bool_]
) -> pd.DataFrame:
    planar = shapely.length(rows.geometry.to_numpy())
    ground = rows["length_m"].to_numpy(dtype=float) if "length_m" in rows else planar
    per_planar = (ground / planar)[index]
    return pd.DataFrame(
        {
            "row_no": np.where(found, rows["row_no"].to_numpy(dtype=np.int64)[index], -1),
            "along_m": np.where(found, np.clip(along * per_planar, 0.0, ground[index]), np.nan),
            # Areas are kept, so what is stretched along the rows is shrunk across them.
            "across_m": np.where(found, beside / per_planar, np.nan),
        }
    )


def _row_geometry(first: Floats, last: Floats) -> tuple[RowFrame, Floats, Floats, Floats]:
    """Frame along the rows; start and end along it, and (row, 2) across at both ends."""
    step = last - first
    bearing = mean_direction(np.degrees(np.arctan2(step[:, 0], step[:, 1])), np.hypot(step[:, 0], step[:, 1]))
    origin = (first + last).mean(axis=0) / 2
    frame = RowFrame(bearing, float(origin[0]), float(origin[1]))
    along_first, across_first = frame.from_grid(first[:, 0], first[:, 1])
    along_last, across_last = frame.from_grid(last[:, 0], last[:, 1])
    return frame, along_first, along_last, np.stack([across_first, across_last], axis=1)


def _locate_parallel(
    east: Floats, north: Floats, frame: RowFrame, start: Floats, end: Floats, across: Floats
) -> tuple[NDArray[np.intp], Floats, Floats, Floats]:
    along, beside = frame.from_grid(east, north)
    order = np.argsort(across, kind="stable")
    middles = (across[order][1:] + across[order][:-1]) / 2
    index = order[np.searchsorted(middles, beside)]
    # Rows drawn against the frame run the other way: along and right-hand side turn over.
    sign = np.where(end >= start, 1.0, -1.0)[index]
    from_start = (along - start[index]) * sign
    beyond = np.maximum(np.maximum(-from_start, from_start - np.abs(end - start)[index]), 0.0)
    return index, from_start, (beside - across[index]) * sign, beyond


def _locate_crooked(
    east: Floats, north: Floats, lines: NDArray[np.object_]
) -> tuple[NDArray[np.intp], Floats, Floats, Floats]:
    points = np.asarray(shapely.points(east, north), dtype=object)
    index = np.asarray(shapely.STRtree(lines).nearest(points), dtype=np.intp)
    nearest = lines[index]
    along = shapely.line_locate_point(nearest, points)
    distance = shapely.distance(nearest, points)
    length = shapely.length(nearest)
    before = shapely.get_coordinates(shapely.line_interpolate_point(nearest, np.maximum(along - 0.5, 0.0)))
    after = shapely.get_coordinates(shapely.line_interpolate_point(nearest, np.minimum(along + 0.5, length)))
    heading = after - before
    turn = heading[:, 0] * (north - before[:, 1]) - heading[:, 1] * (east - before[:, 0])
    return index, along, np.where(turn > 0, -distance, distance), np.zeros(len(points))


def _half_spacing(across: Floats) -> float:
    gaps = np.diff(np.sort(across))
    gaps = gaps[gaps > PARALLEL_M]
    return float(np.median(gaps) if len(gaps) else LONE_ROW_SPACING_M) / 2


def _check_rows(rows: gpd.GeoDataFrame) -> None:
    if not len(rows):
        raise GeometryError("There are no vine rows.", remedy="Lay them first with land.lay_rows.")
    blocks = sorted(set(rows["block_id"])) if "block_id" in rows else []
    if len(blocks) > 1:
        raise GeometryError(
            f"Rows of {len(blocks)} blocks ({', '.join(map(str, blocks[:3]))}, ...) were given.",
            where="locate_in_rows",
            remedy="Pass the rows of one block, e.g. rows[rows.block_id == 'A1'].",
        )


def _pair(easting: Any, northing: Any) -> tuple[Floats, Floats]:
    east = np.atleast_1d(np.asarray(easting, dtype=float))
    north = np.atleast_1d(np.asarray(northing, dtype=float))
    if east.shape != north.shape or east.ndim != 1:
        raise GeometryError(
            f"Easting has shape {east.shape}, northing {north.shape}.",
            remedy="Pass two arrays of one length.",
        )
    return east, north


def _within_reach(outlines: Any, east: Floats, north: Floats, margin: float) -> NDArray[np.intp]:
    """Outlines whose box meets the box of the points: most blocks of a large estate drop out at once."""
    finite = np.isfinite(east) & np.isfinite(north)
    if not finite.any() or not len(outlines):
        return np.zeros(0, dtype=np.intp)
    box = shapely.bounds(outlines)
    low_east, high_east = east[finite].min() - margin, east[finite].max() + margin
    low_north, high_north = north[finite].min() - margin, north[finite].max() + margin
    meets = (box[:, 0] <= high_east) & (box[:, 2] >= low_east)
    return np.flatnonzero(meets & (box[:, 1] <= high_north) & (box[:, 3] >= low_north))


def _in_box(east: Floats, north: Floats, outline: Any, margin: float) -> NDArray[np.intp]:
    if outline is None or outline.is_empty:
        return np.zeros(0, dtype=np.intp)
    west, south, right, top = outline.bounds
    inside = (east >= west - margin) & (east <= right + margin) & (north >= south - margin)
    return np.flatnonzero(inside & (north <= top + margin))


__all__ = ["find_outlines", "locate_in_rows"]
