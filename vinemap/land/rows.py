"""Vine rows from an outline, a direction and two spacings; which row and vine place a point belongs to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from vinemap.errors import GeometryError
from vinemap.land.crs import check_metre_crs
from vinemap.land.ground import ground_scale, planar_spacing

Floats = NDArray[np.float64]
FEWEST_VINES = 2  # a shorter piece of row is a sliver at a corner of the outline, not a row
MOST_ROWS = 20_000


@dataclass(frozen=True, slots=True)
class RowFrame:
    """Coordinates along and across rows: `along` in the direction of the bearing, `across` to its right.

    Parameters
    ----------
    bearing_deg : float
        Direction of the rows from grid north [deg].
    easting, northing : float
        Origin [m].

    Examples
    --------
    >>> frame = RowFrame(90.0, 10.0, 20.0)
    >>> along, across = frame.from_grid(np.array([15.0]), np.array([18.0]))
    >>> [round(float(one), 9) for one in (along[0], across[0])]
    [5.0, 2.0]
    """

    bearing_deg: float
    easting: float
    northing: float

    def from_grid(self, easting: Any, northing: Any) -> tuple[Floats, Floats]:
        """Along and across [m] of points given by easting and northing [m], shapes as given."""
        sine, cosine = np.sin(np.radians(self.bearing_deg)), np.cos(np.radians(self.bearing_deg))
        east = np.asarray(easting, dtype=float) - self.easting
        north = np.asarray(northing, dtype=float) - self.northing
        return east * sine + north * cosine, east * cosine - north * sine

    def to_grid(self, along: Any, across: Any) -> tuple[Floats, Floats]:
        """Easting and northing [m] of points given by along and across [m], shapes as given."""
        sine, cosine = np.sin(np.radians(self.bearing_deg)), np.cos(np.radians(self.bearing_deg))
        along, across = np.asarray(along, dtype=float), np.asarray(across, dtype=float)
        return (
            self.easting + along * sine + across * cosine,
            self.northing + along * cosine - across * sine,
        )


def lay_rows(
    outline: Any,
    *,
    block_id: str,
    row_spacing_m: float,
    vine_spacing_m: float,
    bearing_deg: float,
    crs: Any,
    offset_m: float = 0.0,
) -> gpd.GeoDataFrame:
    """Lay parallel vine rows over an outline.

    Rows are numbered from 1 at the left of the bearing; the first coordinate of each is its start, the end
    towards the reverse of the bearing. The first row stands half a spacing inside the outline's left side.
    A row that leaves a concave outline and comes back stays one line from its first to its last crossing;
    ``gap_m`` tells how much of it lies outside, ``gaps`` where (see `find_gaps`). Vine places are counted on
    across a gap, so that number and distance always agree.

    Parameters
    ----------
    outline : shapely.Polygon or shapely.MultiPolygon
        Outline of the block in `crs` [m].
    block_id : str
        Block, for ``row_id``.
    row_spacing_m, vine_spacing_m : float
        Spacings on the ground [m]; the distortion of the CRS at the block is allowed for.
    bearing_deg : float
        Direction of the rows from grid north, clockwise [deg].
    crs : pyproj.CRS
        Projected, axes in metres.
    offset_m : float, optional
        Shift of all rows to the right of the bearing, on the ground [m], e.g. from `snap_rows`.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of `vinemap.tables.ROWS`, gap_m (ground length outside the outline within the row [m]) and
        gaps (from where to where along the row, e.g. "45.0 to 105.0" [m], several joined by ";", "" if none).
        ``vines`` places of ``length_m / vines`` each, about `vine_spacing_m`, fill the row end to end.

    Raises
    ------
    GeometryError
        If a spacing is not positive, the CRS not in metres, the outline not valid, or no row fits.

    Examples
    --------
    >>> outline = shapely.box(4_321_000, 3_210_000, 4_321_030, 3_210_100)
    >>> rows = lay_rows(outline, block_id="A1", row_spacing_m=3.0,
    ...                 vine_spacing_m=2.0, bearing_deg=0.0, crs="EPSG:3035")
    >>> len(rows), rows["vines"].iloc[0], rows["row_id"].iloc[9]
    (10, np.int64(50), 'A1-10')
    >>> shapely.set_precision(rows.geometry.iloc[0], 0.001).wkt
    'LINESTRING (4321001.5 3210000, 4321001.5 3210100)'
    """
    known = check_metre_crs(crs, where=f"block {block_id}")
    _check_request(outline, block_id, row_spacing_m, vine_spacing_m, bearing_deg)
    centre = outline.envelope.centroid
    spacing = planar_spacing(known, centre.x, centre.y, bearing_deg, row_spacing_m)
    scale = ground_scale(known, centre.x, centre.y, bearing_deg)
    frame = RowFrame(bearing_deg, centre.x, centre.y)
    turned = turn_outline(outline, frame)
    left, low, right, high = turned.bounds
    shift = offset_m * spacing / row_spacing_m
    across = _row_positions(left, right, spacing, shift, block_id)
    cut = _cut_rows(turned, across, low, high, FEWEST_VINES * vine_spacing_m * scale)
    if not len(cut.across):
        raise GeometryError(
            f"No vine row fits: across rows on bearing {bearing_deg:g} degrees the block is "
            f"{(right - left) / spacing * row_spacing_m:.1f} m wide, row spacing is {row_spacing_m:g} m.",
            where=f"block {block_id}",
            remedy="Check row direction, row spacing and vine spacing of this block.",
        )
    length = (cut.end - cut.start) / scale
    number = np.arange(1, len(length) + 1)
    return gpd.GeoDataFrame(
        {
            "row_id": np.array([f"{block_id}-{one}" for one in number], dtype=object),
            "block_id": np.array([block_id] * len(number), dtype=object),
            "row_no": number,
            "length_m": length,
            "vines": np.maximum(np.rint(length / vine_spacing_m), 1).astype(np.int64),
            "gap_m": np.maximum(length - cut.inside / scale, 0.0).round(6),
            "gaps": np.array([_gaps_as_text(one, scale) for one in cut.gaps], dtype=object),
        },
        geometry=cut.lines(frame),
        crs=known,
    )


def find_gaps(rows: gpd.GeoDataFrame, row: Any, along_m: Any) -> NDArray[np.bool_]:
    """Tell which places along rows stand in a gap, where the row crosses land outside its block.

    Parameters
    ----------
    rows : geopandas.GeoDataFrame
        From `lay_rows`; rows without a ``gaps`` column have no gap.
    row : array_like of int, shape (n,)
        Position of the row in `rows`, from 0.
    along_m : array_like, shape (n,)
        Distance along the row [m].

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> dam = shapely.box(4_321_000, 3_210_040, 4_321_020, 3_210_060)
    >>> outline = shapely.box(4_321_000, 3_210_000, 4_321_030, 3_210_100).difference(dam.buffer(0.5))
    >>> rows = lay_rows(outline, block_id="A1", row_spacing_m=3.0,
    ...                 vine_spacing_m=2.0, bearing_deg=0.0, crs="EPSG:3035")
    >>> find_gaps(rows, [0, 0, 9], [20.0, 50.0, 50.0]).tolist()
    [False, True, False]
    """
    row, along = np.asarray(row, dtype=np.intp), np.asarray(along_m, dtype=float)
    found = np.zeros(len(row), dtype=bool)
    if "gaps" not in rows:
        return found
    texts = rows["gaps"].to_numpy(dtype=object)
    for index in np.flatnonzero([isinstance(one, str) and one != "" for one in texts]):
        for piece in texts[index].split(";"):
            start, end = (float(one) for one in piece.split(" to "))
            found |= (row == index) & (along > start) & (along < end)
    return found


def number_vines(along_m: Any, *, length_m: Any, vines: Any) -> NDArray[np.int64]:
    """Give the number of the vine place at a distance along a row, from 1 at the start of the row.

    Parameters
    ----------
    along_m : array_like, shape (n,)
        Distance along the row [m].
    length_m : float or array_like, shape (n,)
        Length of the row [m].
    vines : int or array_like, shape (n,)
        Vine places in the row.

    Returns
    -------
    ndarray of int, shape (n,)
        Within 1 and `vines`.

    Examples
    --------
    >>> number_vines([0.0, 1.9, 2.1, 100.0], length_m=100.0, vines=50).tolist()
    [1, 1, 2, 50]
    """
    place = np.asarray(length_m, dtype=float) / np.asarray(vines)
    number = np.floor(np.asarray(along_m, dtype=float) / place).astype(np.int64) + 1
    return np.asarray(np.clip(number, 1, np.asarray(vines)), dtype=np.int64)


def place_vines(vine_no: Any, *, length_m: Any, vines: Any) -> Floats:
    """Give the distance along a row of the centre of a vine place; the reverse of `number_vines`.

    Parameters
    ----------
    vine_no : array_like of int, shape (n,)
        From 1 at the start of the row.
    length_m, vines
        As in `number_vines`.

    Returns
    -------
    ndarray of float, shape (n,)
        Distance [m].

    Examples
    --------
    >>> place_vines([1, 50], length_m=100.0, vines=50).tolist()
    [1.0, 99.0]
    """
    place = np.asarray(length_m, dtype=float) / np.asarray(vines)
    return np.asarray((np.asarray(vine_no) - 0.5) * place, dtype=float)


def turn_outline(outline: Any, frame: RowFrame) -> Any:
    """Outline in row coordinates: x across, y along, so that rows run upwards."""

    def _turn(points: Floats) -> Floats:
        along, across = frame.from_grid(points[:, 0], points[:, 1])
        return np.stack([across, along], axis=1)

    return shapely.transform(shapely.force_2d(outline), _turn)


def _check_request(outline: Any, block_id: str, row_m: float, vine_m: float, bearing_deg: float) -> None:
    where = f"block {block_id}"
    if not (row_m > 0 and vine_m > 0 and np.isfinite(row_m) and np.isfinite(vine_m)):
        raise GeometryError(
            f"Row spacing is {row_m} m and vine spacing {vine_m} m.",
            where=where,
            remedy="Give both as positive lengths in metres.",
        )
    if not np.isfinite(bearing_deg):
        raise GeometryError(
            f"Row direction is {bearing_deg}.",
            where=where,
            remedy="Give it in degrees clockwise from north, or use land.estimate_bearing.",
        )
    if outline.is_empty or outline.geom_type not in ("Polygon", "MultiPolygon"):
        raise GeometryError(
            f"The outline is {'empty' if outline.is_empty else 'a ' + outline.geom_type}.",
            where=where,
            remedy="Give the block as a polygon.",
        )
    if not outline.is_valid:
        raise GeometryError(
            f"The outline is not valid: {shapely.is_valid_reason(outline)}.",
            where=where,
            remedy="Pass the blocks through land.prepare_blocks, or draw the outline again.",
        )


def _row_positions(left: float, right: float, spacing: float, shift: float, block_id: str) -> Floats:
    first_row = left + spacing / 2 + shift
    first, last = int(np.ceil((left - first_row) / spacing)), int(np.floor((right - first_row) / spacing))
    if last - first > MOST_ROWS:
        raise GeometryError(
            f"{last - first:,} rows would be needed.",
            where=f"block {block_id}",
            remedy="Check the row spacing (metres) and the outline.",
        )
    return np.asarray(first_row + spacing * np.arange(first, last + 1), dtype=float)


@dataclass(frozen=True, slots=True)
class _Cut:
    """Rows in row coordinates: start, end, length inside the outline, position across, gaps; all planar."""

    start: Floats
    end: Floats
    inside: Floats
    across: Floats
    gaps: list[Floats]

    def lines(self, frame: RowFrame) -> Any:
        """Rows as lines on the grid [m]."""
        first, last = frame.to_grid(self.start, self.across), frame.to_grid(self.end, self.across)
        return shapely.linestrings(np.stack([np.stack(first, axis=-1), np.stack(last, axis=-1)], axis=1))


def _cut_rows(turned: Any, across: Floats, low: float, high: float, shortest: float) -> _Cut:
    below = np.stack([across, np.full_like(across, low - 1.0)], axis=-1)
    above = np.stack([across, np.full_like(across, high + 1.0)], axis=-1)
    pieces = shapely.intersection(shapely.linestrings(np.stack([below, above], axis=1)), turned)
    parts, row = shapely.get_parts(pieces, return_index=True)
    # Collections (a touch at a corner beside a real crossing) come apart one level deeper.
    parts, deeper = shapely.get_parts(parts, return_index=True)
    row = row[deeper]
    keep = (shapely.get_type_id(parts) == 1) & (shapely.length(parts) >= shortest)
    bounds, row = shapely.bounds(parts[keep]), row[keep]
    order = np.lexsort((bounds[:, 1], row))
    low_end, high_end, row = bounds[order, 1], bounds[order, 3], row[order]
    laid, first, count = np.unique(row, return_index=True, return_counts=True)
    last = first + count - 1
    inside = np.zeros(len(across))
    np.add.at(inside, row, high_end - low_end)
    gaps = [
        np.stack([high_end[a:b], low_end[a + 1 : b + 1]], axis=-1) - low_end[a]
        for a, b in zip(first, last, strict=True)
    ]
    return _Cut(low_end[first], high_end[last], inside[laid], across[laid], gaps)


def _gaps_as_text(gaps: Floats, scale: float) -> str:
    return ";".join(f"{start / scale:.3f} to {end / scale:.3f}" for start, end in gaps)


__all__ = ["RowFrame", "find_gaps", "lay_rows", "number_vines", "place_vines", "turn_outline"]
