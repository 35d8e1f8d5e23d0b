"""Grids as values: where the cells lie, what they hold, which are inside an outline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from vinemap.errors import GeometryError
from vinemap.land.crs import check_metre_crs

Floats = NDArray[np.float64]
LARGEST_CELLS = 100_000_000  # a grid beyond this (800 MB of float64) is a mistake in cell size or units


@dataclass(frozen=True, slots=True)
class GridSpec:
    """Where the cells of a grid lie: north up, rows from north to south, square cells.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected, axes in metres.
    west, north : float
        Outer corner of the first cell [m].
    cell_m : float
        Cell size [m].
    shape : tuple of int
        (rows, columns).

    Raises
    ------
    GeometryError
        If the cell size or the shape is not positive.

    Examples
    --------
    >>> spec = GridSpec(CRS.from_epsg(3035), west=4_000_000.0, north=3_000_000.0, cell_m=2.0, shape=(3, 5))
    >>> spec.bounds
    (4000000.0, 2999994.0, 4000010.0, 3000000.0)
    >>> easting, northing = spec.centres()
    >>> easting.shape, float(easting[0, 0]), float(northing[0, 0])
    ((3, 5), 4000001.0, 2999999.0)
    """

    crs: CRS
    west: float
    north: float
    cell_m: float
    shape: tuple[int, int]

    def __post_init__(self) -> None:
        """Refuse a grid without cells."""
        if not (self.cell_m > 0 and np.isfinite(self.cell_m)):
            raise GeometryError(
                f"Cell size is {self.cell_m} m.", remedy="Give a positive cell size in metres."
            )
        if len(self.shape) != 2 or min(self.shape) < 1:
            raise GeometryError(
                f"Grid shape is {self.shape}.", remedy="Give (rows, columns), both 1 or more."
            )

    @property
    def affine(self) -> Any:
        """Affine from (column, row) to (easting, northing) of cell corners, north up."""
        return Affine(self.cell_m, 0.0, self.west, 0.0, -self.cell_m, self.north)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Outer edges (west, south, east, north) [m]."""
        rows, columns = self.shape
        return self.west, self.north - rows * self.cell_m, self.west + columns * self.cell_m, self.north

    def centres(self) -> tuple[Floats, Floats]:
        """Easting and northing of the cell centres, both of shape (rows, columns) [m]."""
        rows, columns = self.shape
        return _centres(self, slice(0, rows), slice(0, columns))

    def cells_at(self, easting: Any, northing: Any) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Row and column of the cells that hold points; -1 for both outside the grid.

        Parameters
        ----------
        easting, northing : array_like, shape (n,)
            Points [m].

        Returns
        -------
        row, column : ndarray of int, shape (n,)
        """
        column = np.floor((np.asarray(easting, dtype=float) - self.west) / self.cell_m)
        row = np.floor((self.north - np.asarray(northing, dtype=float)) / self.cell_m)
        inside = (row >= 0) & (row < self.shape[0]) & (column >= 0) & (column < self.shape[1])
        return np.where(inside, row, -1).astype(np.intp), np.where(inside, column, -1).astype(np.intp)


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Values on a grid; NaN is no data.

    Parameters
    ----------
    values : ndarray of float, shape (rows, columns)
    spec : GridSpec

    Raises
    ------
    GeometryError
        If the shapes differ.

    Examples
    --------
    >>> spec = GridSpec(CRS.from_epsg(3035), west=0.0, north=4.0, cell_m=2.0, shape=(2, 2))
    >>> Grid(np.array([[1.0, 2.0], [3.0, np.nan]]), spec).values.shape
    (2, 2)
    """

    values: Floats
    spec: GridSpec

    def __post_init__(self) -> None:
        """Refuse values that do not fit the grid."""
        values = np.asarray(self.values, dtype=float)
        if values.shape != tuple(self.spec.shape):
            raise GeometryError(
                f"Values have shape {values.shape}, the grid {self.spec.shape}.",
                remedy="Pass one value for each cell, shape (rows, columns).",
            )
        object.__setattr__(self, "values", values)


def grid_over(outline: Any, *, cell_m: float, crs: Any) -> GridSpec:
    """Lay the smallest grid over an outline whose edges are multiples of the cell size.

    Grids of one cell size in one CRS therefore always fall on one another.

    Parameters
    ----------
    outline : shapely.Polygon or shapely.MultiPolygon
        In `crs` [m].
    cell_m : float
        Cell size [m].
    crs : pyproj.CRS
        Projected, axes in metres.

    Returns
    -------
    GridSpec

    Raises
    ------
    GeometryError
        If the outline is empty, the CRS not in metres, or the grid would have an absurd number of cells.

    Examples
    --------
    >>> grid_over(shapely.box(1.0, 1.0, 8.5, 3.9), cell_m=2.0, crs="EPSG:3035").bounds
    (0.0, 0.0, 10.0, 4.0)
    """
    known = check_metre_crs(crs, where="grid")
    if outline.is_empty:
        raise GeometryError("The outline is empty.", where="grid", remedy="Give the outline of a block.")
    if not cell_m > 0:
        raise GeometryError(f"Cell size is {cell_m} m.", remedy="Give a positive cell size in metres.")
    west, south, east, north = outline.bounds
    first_column, last_column = _snap_down(west / cell_m), -_snap_down(-east / cell_m)
    first_row, last_row = _snap_down(south / cell_m), -_snap_down(-north / cell_m)
    rows, columns = max(last_row - first_row, 1), max(last_column - first_column, 1)
    if rows * columns > LARGEST_CELLS:
        raise GeometryError(
            f"A grid of {cell_m} m cells over this outline has {rows * columns:,} cells.",
            where="grid",
            remedy=f"Use a larger cell (no more than {LARGEST_CELLS:,} cells), or check the outline's units.",
        )
    return GridSpec(known, first_column * cell_m, (first_row + rows) * cell_m, cell_m, (rows, columns))


def mask_inside(spec: GridSpec, outline: Any) -> NDArray[np.bool_]:
    """Tell which cells have their centre inside an outline.

    Parameters
    ----------
    spec : GridSpec
    outline : shapely.Polygon or shapely.MultiPolygon
        In the CRS of the grid.

    Returns
    -------
    ndarray of bool, shape (rows, columns)

    Examples
    --------
    >>> outline = shapely.box(0.0, 0.0, 4.0, 2.0)
    >>> spec = grid_over(outline.buffer(2.0), cell_m=2.0, crs="EPSG:3035")
    >>> int(mask_inside(spec, outline).sum())
    2
    """
    mask = np.zeros(spec.shape, dtype=bool)
    rows, columns = _window(spec, outline)
    if rows.stop > rows.start and columns.stop > columns.start:
        easting, northing = _centres(spec, rows, columns)
        shapely.prepare(outline)
        mask[rows, columns] = shapely.contains_xy(outline, easting, northing)
    return mask


def average_in(grid: Grid, polygons: Any) -> Floats:
    """Mean of the cells of a grid whose centre lies in each polygon, cells without data left out.

    Parameters
    ----------
    grid : Grid
    polygons : sequence of shapely.Polygon, or GeoSeries, or GeoDataFrame; length n
        In the CRS of the grid. One that holds no cell centre gets the cell under its representative point.

    Returns
    -------
    ndarray of float, shape (n,)
        NaN where no cell with data lies in the polygon.

    Examples
    --------
    >>> spec = GridSpec(CRS.from_epsg(3035), west=0.0, north=4.0, cell_m=2.0, shape=(2, 2))
    >>> grid = Grid(np.array([[1.0, 2.0], [3.0, np.nan]]), spec)
    >>> average_in(grid, [shapely.box(0, 0, 4, 4), shapely.box(0, 2, 4, 4)]).tolist()
    [2.0, 1.5]
    """
    shapes = polygons.geometry if hasattr(polygons, "geometry") else polygons
    return np.array([_average(grid, one) for one in shapes], dtype=float)


def _average(grid: Grid, polygon: Any) -> float:
    inside = mask_inside(grid.spec, polygon)
    if not inside.any() and not polygon.is_empty:
        point = polygon.representative_point()
        row, column = grid.spec.cells_at([point.x], [point.y])
        inside[row[row >= 0], column[row >= 0]] = True
    values = grid.values[inside]
    values = values[np.isfinite(values)]
    return float(values.mean()) if len(values) else float("nan")


def _snap_down(position: float) -> int:
    nearest = round(position)
    # A bound that is a multiple of the cell up to rounding error does not need another cell.
    return int(nearest) if abs(position - nearest) < 1e-6 else int(np.floor(position))


def _centres(spec: GridSpec, rows: slice, columns: slice) -> tuple[Floats, Floats]:
    easting = spec.west + (np.arange(columns.start, columns.stop) + 0.5) * spec.cell_m
    northing = spec.north - (np.arange(rows.start, rows.stop) + 0.5) * spec.cell_m
    grid_easting, grid_northing = np.meshgrid(easting, northing)
    return grid_easting, grid_northing


def _window(spec: GridSpec, outline: Any) -> tuple[slice, slice]:
    if outline.is_empty:
        return slice(0, 0), slice(0, 0)
    west, south, east, north = outline.bounds
    rows, columns = spec.shape
    top = int(np.clip(np.floor((spec.north - north) / spec.cell_m), 0, rows))
    bottom = int(np.clip(np.ceil((spec.north - south) / spec.cell_m), 0, rows))
    left = int(np.clip(np.floor((west - spec.west) / spec.cell_m), 0, columns))
    right = int(np.clip(np.ceil((east - spec.west) / spec.cell_m), 0, columns))
    return slice(top, bottom), slice(left, right)


__all__ = ["Grid", "GridSpec", "average_in", "grid_over", "mask_inside"]
