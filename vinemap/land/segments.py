"""Row segments by zone: whole vine places, every one in exactly one zone."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from vinemap.errors import GeometryError
from vinemap.land.along import points_along
from vinemap.land.rows import find_gaps, place_vines

COLUMNS = ["row_id", "block_id", "zone_id", "row_no", "from_vine", "to_vine", "vines", "length_m"]


def segment_rows(rows: gpd.GeoDataFrame, zones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Cut rows where the zone changes, between whole vine places.

    A vine place belongs to the zone that holds its centre; one that lies in no zone, e.g. at a ragged border,
    to the nearest zone of its block. Only places in the gap of a row (`find_gaps`) are left out: no vines
    stand there.

    Parameters
    ----------
    rows : geopandas.GeoDataFrame
        Rows of one or more blocks (`vinemap.tables.ROWS`), CRS in metres.
    zones : geopandas.GeoDataFrame
        zone_id, geometry and, if rows are of several blocks, block_id; same CRS.

    Returns
    -------
    geopandas.GeoDataFrame
        row_id, block_id, zone_id, row_no, from_vine, to_vine (both counted in), vines, length_m (on the
        ground [m]), geometry from the start of place from_vine to the end of place to_vine. Ordered
        as `rows`, then along the row.

    Raises
    ------
    GeometryError
        If CRSs differ, or a block has rows but no zone.

    Examples
    --------
    >>> from vinemap.land.rows import lay_rows
    >>> outline = shapely.box(4_321_000, 3_210_000, 4_321_006, 3_210_100)
    >>> rows = lay_rows(outline, block_id="A1", row_spacing_m=3.0,
    ...                 vine_spacing_m=2.0, bearing_deg=0.0, crs="EPSG:3035")
    >>> zones = gpd.GeoDataFrame({"zone_id": ["A1-Z1", "A1-Z2"]}, crs="EPSG:3035", geometry=[
    ...     shapely.box(4_321_000, 3_210_000, 4_321_006, 3_210_040),
    ...     shapely.box(4_321_000, 3_210_040, 4_321_006, 3_210_100)])
    >>> segment_rows(rows, zones)[["row_id", "zone_id", "from_vine", "to_vine"]]
      row_id zone_id  from_vine  to_vine
    0   A1-1   A1-Z1          1       20
    1   A1-1   A1-Z2         21       50
    2   A1-2   A1-Z1          1       20
    3   A1-2   A1-Z2         21       50
    """
    _check(rows, zones)
    vines = rows["vines"].to_numpy(dtype=np.int64)
    row = np.repeat(np.arange(len(rows)), vines)
    number = np.arange(len(row)) - np.repeat(np.cumsum(vines) - vines, vines) + 1
    zone = _zone_of_places(rows, zones, row, number)
    starts = np.flatnonzero(np.append(True, (np.diff(row) != 0) | (np.diff(zone) != 0)))
    ends = np.append(starts[1:], len(row)) - 1
    kept = zone[starts] >= 0
    starts, ends = starts[kept], ends[kept]
    return _as_table(rows, zones, row[starts], zone[starts], number[starts], number[ends])


def _as_table(
    rows: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    row: NDArray[np.intp],
    zone: NDArray[np.intp],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
) -> gpd.GeoDataFrame:
    vines = rows["vines"].to_numpy(dtype=np.int64)[row]
    length = rows["length_m"].to_numpy(dtype=float)[row]
    frame = pd.DataFrame(
        {
            "row_id": rows["row_id"].to_numpy(dtype=object)[row],
            "block_id": rows["block_id"].to_numpy(dtype=object)[row],
            "zone_id": zones["zone_id"].to_numpy(dtype=object)[zone],
            "row_no": rows["row_no"].to_numpy(dtype=np.int64)[row],
            "from_vine": first,
            "to_vine": last,
            "vines": last - first + 1,
            "length_m": length * (last - first + 1) / vines,
        },
        columns=COLUMNS,
    )
    lines = _substrings(rows.geometry.to_numpy()[row], (first - 1) / vines, last / vines)
    return gpd.GeoDataFrame(frame, geometry=lines, crs=rows.crs)


def _zone_of_places(
    rows: gpd.GeoDataFrame, zones: gpd.GeoDataFrame, row: NDArray[np.intp], number: NDArray[np.int64]
) -> NDArray[np.intp]:
    """Index of the zone of each vine place, -1 for places in the gap of a row."""
    length = rows["length_m"].to_numpy(dtype=float)[row]
    vines = rows["vines"].to_numpy(dtype=np.int64)[row]
    share = place_vines(number, length_m=length, vines=vines) / length
    points = points_along(rows.geometry.to_numpy(), row, share)
    zone = np.full(len(row), -1, dtype=np.intp)
    for places, members in _by_block(rows, zones, row):
        zone[places] = members[_nearest_zone(points[places], zones.geometry.to_numpy()[members])]
    zone[find_gaps(rows, row, share * length)] = -1
    return zone


def _by_block(
    rows: gpd.GeoDataFrame, zones: gpd.GeoDataFrame, row: NDArray[np.intp]
) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Pairs of (places, zones) that belong together."""
    if "block_id" not in zones:
        return [(np.arange(len(row)), np.arange(len(zones)))]
    block_of_row = rows["block_id"].to_numpy(dtype=object)
    block_of_zone = zones["block_id"].to_numpy(dtype=object)
    blocks = list(dict.fromkeys(block_of_row))
    missing = [str(one) for one in blocks if one not in set(block_of_zone)]
    if missing:
        raise GeometryError(
            f"There are rows but no zone for block {', '.join(missing)}.",
            where="segment_rows",
            remedy="Pass only rows of blocks that have zones.",
        )
    return [
        (np.flatnonzero(block_of_row[row] == one), np.flatnonzero(block_of_zone == one)) for one in blocks
    ]


def _nearest_zone(points: NDArray[np.float64], outlines: NDArray[np.object_]) -> NDArray[np.intp]:
    """Index of the outline that holds each point (n, 2), else of the nearest."""
    found = np.full(len(points), -1, dtype=np.intp)
    # A centre exactly on a shared border goes to the zone listed first.
    for number in reversed(range(len(outlines))):
        found[shapely.intersects_xy(outlines[number], points)] = number
    stray = np.flatnonzero(found < 0)
    if len(stray):
        found[stray] = shapely.STRtree(outlines).nearest(shapely.points(points[stray]))
    return found


def _substrings(lines: NDArray[np.object_], start: NDArray[Any], end: NDArray[Any]) -> NDArray[np.object_]:
    """Part of each line between two shares of its length."""
    if (shapely.get_num_points(lines) == 2).all():
        each = np.arange(len(lines))
        ends = [points_along(lines, each, share) for share in (start, end)]
        return np.asarray(shapely.linestrings(np.stack(ends, axis=1)), dtype=object)
    parts = np.empty(len(lines), dtype=object)
    for index, line in enumerate(lines):
        parts[index] = substring(line, float(start[index]), float(end[index]), normalized=True)
    return parts


def _check(rows: gpd.GeoDataFrame, zones: gpd.GeoDataFrame) -> None:
    if not len(rows):
        raise GeometryError(
            "There are no vine rows.", where="segment_rows", remedy="Lay them with land.lay_rows."
        )
    if not len(zones):
        raise GeometryError("There are no zones.", where="segment_rows", remedy="Pass at least one zone.")
    if rows.crs != zones.crs:
        raise GeometryError(
            f"Rows are in {getattr(rows.crs, 'name', None)}, zones in {getattr(zones.crs, 'name', None)}.",
            where="segment_rows",
            remedy="Bring both to the estate CRS.",
        )


__all__ = ["segment_rows"]
