"""Surfaces as tiled gridded coverages inside the GeoPackage, for whoever wants one file for everything.

References
----------
OGC 17-066r1, GeoPackage Extension for Tiled Gridded Coverage Data 1.0: float cells in TIFF tiles.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import rasterio
from affine import Affine

from vinemap.errors import DataError
from vinemap.publish.overlays import MapSurface
from vinemap.publish.surfaces import NODATA, GridLike

TILE_CELLS = 256
_NOT_WORD = re.compile(r"\W+", re.ASCII)


@dataclass(frozen=True, slots=True)
class Coverage:
    """One surface to go into the GeoPackage: its grid, the unit of its values and what they are."""

    grid: GridLike
    units: str
    description: str


def table_names(names: Mapping[str, Coverage] | list[str]) -> dict[str, str]:
    """Name a table for each surface: ASCII letters, digits and underscores, no two alike.

    Examples
    --------
    >>> table_names(["yield B 1/2 2026", "yield B-1-2 2026"])
    {'yield B 1/2 2026': 'yield_b_1_2_2026', 'yield B-1-2 2026': 'yield_b_1_2_2026_2'}
    """
    out: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        plain = _NOT_WORD.sub("_", name).strip("_").lower() or "surface"
        plain = plain if plain[0].isalpha() else f"surface_{plain}"
        fresh, number = plain, 1
        while fresh in taken:
            number += 1
            fresh = f"{plain}_{number}"
        taken.add(fresh)
        out[name] = fresh
    return out


def name_coverages(surfaces: Sequence[MapSurface]) -> dict[str, Coverage]:
    """Make coverages of the surfaces of the map, named by what they show, block and vintage.

    Parameters
    ----------
    surfaces : sequence of MapSurface
        Yield [t/ha] by block and vintage, loss [%] by block.

    Returns
    -------
    dict of str to Coverage
    """
    out = {}
    for one in surfaces:
        if not np.isfinite(one.grid.values).any():
            continue
        year = "" if one.vintage is None else f" {one.vintage}"
        units = {"yield": "t/ha", "loss": "%"}[one.kind]
        what = {"yield": "Yield", "loss": "Share of healthy yield lost of late"}[one.kind]
        text = f"{what}, block {one.block_id}{year}"
        out[f"{one.kind} {one.block_id}{year}"] = Coverage(one.grid, units, text)
    return out


def append_coverages(path: Path, coverages: Mapping[str, Coverage]) -> dict[str, str]:
    """Append surfaces to a GeoPackage, one coverage each.

    Parameters
    ----------
    path : pathlib.Path
        GeoPackage that is there and is not in use.
    coverages : mapping of str to Coverage
        By name.

    Returns
    -------
    dict of str to str
        Table by name.

    Raises
    ------
    DataError
        If no cell of a surface holds a value.
    """
    tables = table_names(coverages)
    for name, one in coverages.items():
        values = np.asarray(one.grid.values, dtype=np.float32)
        if not np.isfinite(values).any():
            raise DataError(f"No cell of {name} holds a value.", where=path.name, remedy="Leave it out.")
        _append(path, tables[name], values, one)
    return tables


def _append(path: Path, table: str, values: np.ndarray, coverage: Coverage) -> None:
    # Written anew and not copied from another raster: rasterio turns the texts of a copy into capitals.
    spec = coverage.grid.spec
    with rasterio.open(
        path,
        "w",
        driver="GPKG",
        dtype="float32",
        count=1,
        height=values.shape[0],
        width=values.shape[1],
        crs=rasterio.CRS.from_wkt(pyproj.CRS.from_user_input(spec.crs).to_wkt()),
        transform=Affine(spec.cell_m, 0.0, spec.west, 0.0, -spec.cell_m, spec.north),
        append_subdataset="YES",
        raster_table=table,
        raster_identifier=table,
        raster_description=coverage.description,
        tile_format="TIFF",
        blocksize=str(TILE_CELLS),
        uom=coverage.units,
        field_name="value",
        quantity_definition=coverage.description,
        grid_cell_encoding="grid-value-is-area",
    ) as target:
        target.write(np.where(np.isfinite(values), values, NODATA).astype(np.float32), 1)
    _name_missing(path, table)


def _name_missing(path: Path, table: str) -> None:
    """Say which value stands for no data, and drop the statistics that counted it as a value.

    rasterio cannot pass it to this driver; in float tiles it changes nothing but these two tables.
    """
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "UPDATE gpkg_2d_gridded_coverage_ancillary SET data_null = ? WHERE tile_matrix_set_name = ?",
            (NODATA, table),
        )
        connection.execute(
            "UPDATE gpkg_2d_gridded_tile_ancillary SET min = NULL, max = NULL, mean = NULL, std_dev = NULL "
            "WHERE tpudt_name = ?",
            (table,),
        )
