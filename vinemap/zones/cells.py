"""Cells in the frame of the rows: bands of adjacent rows by stretches along them, and what they hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from scipy import ndimage

from vinemap.errors import DataError, GeometryError
from vinemap.land import Grid

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
BAND_M = 10.0  # width of a band of rows; a harvester map resolves no less
STRETCH_M = 20.0  # length of a stretch along the rows
MARGIN_M = 5.0  # outermost cells reach past the outline, which clips them
LEAST_AREA_M2 = 1e-6
COUNT_REACH_M = (
    20.0  # how far a count of missing vines speaks for what is about it; common practice, no source
)
LEAST_PLACES = 5.0  # vine places, by weight, from which a share is believed
LEAST_DOOR_M = 0.5  # two cells are neighbours if they share this much border inside the outline


@dataclass(frozen=True, slots=True)
class RowCells:
    """A lattice of cells in the row frame; shape (band, stretch).

    Attributes
    ----------
    corners : float array (bands + 1, stretches + 1, 2)
        Easting and northing of the lattice points [m].
    across_edges, along_edges : float array
        Edges in the row frame [m].
    bearing_deg : float
        Direction of the rows from grid north [deg].
    origin : tuple of float
        Easting and northing of the frame's origin [m].
    area_m2 : float array (bands, stretches)
        Area inside the outline.
    inside : bool array (bands, stretches)
        Whether any of the cell lies inside.
    door_across : bool array (bands - 1, stretches)
        Whether band i and i + 1 touch inside the outline.
    door_along : bool array (bands, stretches - 1)
        The same along the rows.
    """

    corners: FloatArray
    across_edges: FloatArray
    along_edges: FloatArray
    bearing_deg: float
    origin: tuple[float, float]
    area_m2: FloatArray
    inside: BoolArray
    door_across: BoolArray
    door_along: BoolArray

    def find(self, easting: FloatArray, northing: FloatArray) -> tuple[IntArray, IntArray]:
        """Find the cells of points.

        Parameters
        ----------
        easting, northing : float array (n,)
            [m]

        Returns
        -------
        band, stretch : int array (n,)
            -1 outside the lattice.
        """
        along, across = _to_frame(easting, northing, self.bearing_deg, self.origin)
        band = np.searchsorted(self.across_edges, across, side="right") - 1
        stretch = np.searchsorted(self.along_edges, along, side="right") - 1
        out = (band < 0) | (band >= self.across_edges.size - 1)
        out |= (stretch < 0) | (stretch >= self.along_edges.size - 1)
        return np.where(out, -1, band), np.where(out, -1, stretch)


def lay_cells(rows: gpd.GeoDataFrame, outline: Any, *, min_segment_m: float) -> RowCells:
    """Lay bands of adjacent rows, cut into stretches, over an outline.

    Parameters
    ----------
    rows : geopandas.GeoDataFrame
        Rows of one block, LineStrings, CRS in metres.
    outline : shapely.Polygon or shapely.MultiPolygon
    min_segment_m : float
        Shortest row segment that can be worked [m]; stretches are a whole part of it.

    Returns
    -------
    RowCells

    Raises
    ------
    GeometryError
        If there are no rows or the outline is empty.

    Examples
    --------
    >>> lines = [shapely.LineString([(x, 0), (x, 100)]) for x in (1.5, 4.5, 7.5, 10.5, 13.5, 16.5)]
    >>> rows = gpd.GeoDataFrame({"row_no": range(1, 7)}, geometry=lines, crs="EPSG:3035")
    >>> cells = lay_cells(rows, shapely.box(0, 0, 18, 100), min_segment_m=60)
    >>> cells.area_m2.shape, float(cells.area_m2.sum().round(6))
    ((2, 5), 1800.0)
    """
    if not len(rows) or outline.is_empty:
        raise GeometryError(
            f"{len(rows)} rows and an outline of {outline.area:.0f} m2.",
            where="zones",
            remedy="Lay the rows of the block first (land.lay_rows).",
        )
    bearing, origin = _frame(rows)
    ends = np.array([[line.coords[0], line.coords[-1]] for line in rows.geometry])[..., :2]
    _, across = _to_frame(ends[..., 0], ends[..., 1], bearing, origin)
    points = shapely.get_coordinates(outline)
    edge_along, edge_across = _to_frame(points[:, 0], points[:, 1], bearing, origin)
    across_edges = _bands(np.sort(across.mean(axis=1)), edge_across)
    along_edges = _stretches(edge_along, min_segment_m)
    return _clip(across_edges, along_edges, bearing, origin, outline)


def _frame(rows: gpd.GeoDataFrame) -> tuple[float, tuple[float, float]]:
    """Bearing of the rows [deg] and the origin of their frame [m]."""
    steps = np.array([np.subtract(line.coords[-1][:2], line.coords[0][:2]) for line in rows.geometry])
    longest = steps[np.argmax(np.hypot(steps[:, 0], steps[:, 1]))]
    steps *= np.sign(steps @ longest)[:, None]  # some rows may be drawn the other way
    east, north = steps.sum(axis=0)
    start = rows.geometry.iloc[0].coords[0]
    return float(np.degrees(np.arctan2(east, north))), (float(start[0]), float(start[1]))


def _to_frame(
    easting: FloatArray, northing: FloatArray, bearing_deg: float, origin: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Distances along and across the rows from the origin [m]."""
    sine, cosine = np.sin(np.radians(bearing_deg)), np.cos(np.radians(bearing_deg))
    east, north = easting - origin[0], northing - origin[1]
    return east * sine + north * cosine, east * cosine - north * sine


def _bands(rows_across: FloatArray, outline_across: FloatArray) -> FloatArray:
    """Edges midway between rows, so that no row is split; a thin last band joins the one before."""
    low, high = outline_across.min() - MARGIN_M, outline_across.max() + MARGIN_M
    gaps = np.diff(rows_across)
    spacing = float(np.median(gaps[gaps > 0.05])) if (gaps > 0.05).any() else BAND_M
    count = max(1, round(BAND_M / spacing))
    bands = max(1, round(rows_across.size / count))
    first = np.round(np.linspace(0, rows_across.size, bands + 1)[1:-1]).astype(int)
    middle = (rows_across[first - 1] + rows_across[first]) / 2
    middle = middle[(middle > low) & (middle < high)]
    return np.concatenate([[low], np.unique(middle), [high]])


def _stretches(outline_along: FloatArray, min_segment_m: float) -> FloatArray:
    """Edges along the rows: a whole number of them makes the shortest segment."""
    step = min_segment_m / max(1, round(min_segment_m / STRETCH_M))
    low, high = float(outline_along.min()), float(outline_along.max())
    count = max(1, round((high - low) / step))
    edges = np.linspace(low, high, count + 1)
    edges[[0, -1]] = low - MARGIN_M, high + MARGIN_M
    return edges


def _clip(
    across: FloatArray, along: FloatArray, bearing: float, origin: tuple[float, float], outline: Any
) -> RowCells:
    """Clip the lattice of these edges to the outline: areas, and where cells touch inside it."""
    sine, cosine = np.sin(np.radians(bearing)), np.cos(np.radians(bearing))
    beside, ahead = np.meshgrid(across, along, indexing="ij")
    corners = np.stack(
        [origin[0] + ahead * sine + beside * cosine, origin[1] + ahead * cosine - beside * sine], axis=-1
    )
    ring = np.stack([corners[:-1, :-1], corners[1:, :-1], corners[1:, 1:], corners[:-1, 1:]], axis=2)
    shapely.prepare(outline)
    area = shapely.area(shapely.intersection(shapely.polygons(ring), outline))
    between_bands = shapely.linestrings(np.stack([corners[1:-1, :-1], corners[1:-1, 1:]], axis=2))
    between_stretches = shapely.linestrings(np.stack([corners[:-1, 1:-1], corners[1:, 1:-1]], axis=2))
    inside = area > LEAST_AREA_M2
    doors = [shapely.length(shapely.intersection(lines, outline)) >= LEAST_DOOR_M
             for lines in (between_bands, between_stretches)]  # fmt: skip
    return RowCells(
        corners, across, along, bearing, origin, area, inside,
        doors[0] & inside[1:] & inside[:-1], doors[1] & inside[:, 1:] & inside[:, :-1],
    )  # fmt: skip


def average_cells(cells: RowCells, surfaces: Mapping[int, Grid]) -> FloatArray:
    """Average grids over cells (vintage, band, stretch); NaN where a cell holds no value.

    Parameters
    ----------
    cells : RowCells
    surfaces : mapping of int to Grid
        By vintage; may lie on different grids.

    Returns
    -------
    float array (V, bands, stretches)

    Raises
    ------
    DataError
        If there is no surface.
    """
    if not surfaces:
        raise DataError("There is no yield surface.", where="zones", remedy="Pass one vintage or more.")
    shape = cells.inside.shape
    out = np.full((len(surfaces), *shape), np.nan)
    known: dict[Any, tuple[IntArray, IntArray]] = {}
    for number, vintage in enumerate(sorted(surfaces)):
        grid = surfaces[vintage]
        key = (grid.spec.west, grid.spec.north, grid.spec.cell_m, grid.spec.shape)
        if key not in known:
            easting, northing = grid.spec.centres()
            known[key] = cells.find(easting.ravel(), northing.ravel())
        band, stretch = known[key]
        values = grid.values.ravel()
        good = np.isfinite(values) & (band >= 0)
        flat = band[good] * shape[1] + stretch[good]
        count = np.bincount(flat, minlength=shape[0] * shape[1])
        total = np.bincount(flat, weights=values[good], minlength=count.size)
        out[number] = np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(shape)
    return np.where(cells.inside, out, np.nan)


def count_missing(cells: RowCells, stand: gpd.GeoDataFrame | None) -> FloatArray | None:
    """Share of vine places without a vine about every cell, from counted stretches of row.

    Parameters
    ----------
    cells : RowCells
    stand : geopandas.GeoDataFrame or None
        Points with vines (places looked at) and missing; counts of several vintages are added up.

    Returns
    -------
    float array (bands, stretches) or None
        None if nobody counted. Stretches weigh by their places and by a Gaussian of their distance; cells far
        from all take the share of the nearest that is not.
    """
    if stand is None:
        return None
    counted = stand[(stand["vines"] > 0) & stand["missing"].notna()]
    if counted.empty:
        return None
    places, gone = (counted[name].to_numpy(dtype=float) for name in ("vines", "missing"))
    middle = (cells.corners[:-1, :-1] + cells.corners[1:, 1:]) / 2
    spot = np.column_stack([counted.geometry.x, counted.geometry.y])
    away = ((middle[..., None, :] - spot) ** 2).sum(axis=-1)
    weight = np.exp(-away / (2 * COUNT_REACH_M**2)) * places
    total = weight.sum(axis=-1)
    near = total > LEAST_PLACES
    share = (weight @ (gone / places)) / np.maximum(total, LEAST_PLACES)
    return fill_nearest(np.where(near, share, np.nan)) if near.any() else None


def fill_nearest(values: FloatArray) -> FloatArray:
    """Fill NaN of a lattice by the nearest known value.

    Parameters
    ----------
    values : float array (band, stretch)

    Returns
    -------
    float array (band, stretch)
        As it was where nothing is known or nothing is missing.

    Examples
    --------
    >>> fill_nearest(np.array([[1.0, np.nan, np.nan, 4.0]])).tolist()
    [[1.0, 1.0, 4.0, 4.0]]
    """
    unknown = ~np.isfinite(values)
    if not unknown.any() or unknown.all():
        return values
    nearest = ndimage.distance_transform_edt(unknown, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(nearest)])


def moran_i(values: FloatArray) -> float:
    """Give Moran's I of a lattice with rook neighbours.

    Parameters
    ----------
    values : float array (row, col)
        NaN cells are left out.

    Returns
    -------
    float
        NaN where it has no meaning: no neighbours, or all cells alike.

    References
    ----------
    Moran 1950, Biometrika 37:17-23. Handbook: 3 x 3 lattice of 1 to 9 gives 0.5.

    Examples
    --------
    >>> moran_i(np.arange(1.0, 10.0).reshape(3, 3))
    0.5
    """
    centred = values - np.nanmean(values)
    products = [centred[1:] * centred[:-1], centred[:, 1:] * centred[:, :-1]]
    pairs = sum(int(np.isfinite(one).sum()) for one in products)
    squares = float(np.nansum(centred**2))
    if pairs == 0 or squares == 0:
        return float("nan")
    return float(sum(np.nansum(one) for one in products) / pairs / (squares / np.isfinite(values).sum()))
