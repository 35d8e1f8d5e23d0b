"""Surfaces of an assessment as files: written block by block, read again only when something shows them.

What one block needs is in memory while it is worked on; what all blocks gave lies in `surfaces/`. So the
memory of an assessment does not grow with its surfaces, and a plan finds them where they are.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from affine import Affine

from vinemap import land, publish, zones
from vinemap.estate.layout import block_of, file_stem
from vinemap.pipeline.cache import ResultCache, code_of, digest, hash_of

WARPED = "warped.npz"
WARP_CODE = ("publish/overlays.py", "publish/surfaces.py", "pipeline/surface_files.py")
_YIELD, _LOSS = re.compile(r"yield_(.+)_(\d+)\.tif"), re.compile(r"loss_(.+)\.tif")


def yield_file(folder: Path, block_id: str, vintage: int) -> Path:
    """Where the yield of a block and vintage lies [t/ha], its standard error as the second band."""
    return folder / f"yield_{file_stem(block_id)}_{vintage}.tif"


def relative_file(folder: Path, block_id: str) -> Path:
    """Where the mean relative yield of a block lies [1]."""
    return folder / f"relative_{file_stem(block_id)}.tif"


def loss_file(folder: Path, block_id: str) -> Path:
    """Where the loss of a block lies [%]."""
    return folder / f"loss_{file_stem(block_id)}.tif"


@dataclass(frozen=True, slots=True)
class LossTask:
    """What the loss surface of one block needs, and its surfaces for the map; picklable.

    Parameters
    ----------
    cache : ResultCache
        Where the surfaces are kept as the map shows them.
    map_cells : int
        Cells that each may hold there; 0 if the map shows no surfaces.
    """

    block: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    zone_vintage: pd.DataFrame
    vintages: tuple[int, ...]
    cell_m: float
    folder: Path
    cache: ResultCache
    map_cells: int


def draw_loss(task: LossTask) -> None:
    """Write the loss surface of a block as a GeoTIFF [%], and make all its surfaces ready for the map.

    Parameters
    ----------
    task : LossTask
    """
    _write_loss(task)
    if task.map_cells:
        block_id, warp = str(task.block["block_id"].iloc[0]), KeptWarp(task.cache)
        files = [yield_file(task.folder, block_id, year) for year in task.vintages]
        for file in (*files, loss_file(task.folder, block_id)):
            if file.exists():  # a block of which nothing is known to be lost has no file of it
                warp.keep(StoredGrid(file, task.block.crs), task.map_cells)


def _write_loss(task: LossTask) -> None:
    block_id = str(task.block["block_id"].iloc[0])
    spec = land.grid_over(task.block.geometry.iloc[0], cell_m=task.cell_m, crs=task.block.crs)
    grids = {
        year: land.Grid(publish.read_surface(yield_file(task.folder, block_id, year))[0], spec)
        for year in task.vintages
    }
    loss = zones.loss_surface(grids, zones=task.zones, zone_vintage=task.zone_vintage)
    if np.isfinite(loss.values).any():
        publish.write_surface(
            loss_file(task.folder, block_id),
            loss,
            units="%",
            vintage=None,
            description=f"Loss of block {block_id}: share of healthy yield lost of late",
        )


@dataclass(frozen=True, slots=True)
class StoredGrid:
    """A grid whose values stay in their file until they are asked for.

    Parameters
    ----------
    path : pathlib.Path
        As `publish.write_surface` wrote it; the first band counts.
    crs : pyproj.CRS
    """

    path: Path
    crs: Any

    @property
    def values(self) -> np.ndarray:
        """Values (row, col), NaN for no data; read anew each time."""
        values: np.ndarray = publish.read_surface(self.path)[0]
        return values

    @property
    def spec(self) -> land.GridSpec:
        """Where the cells lie."""
        west, north, cell_m, shape = publish.read_cells(self.path)
        return land.GridSpec(self.crs, west, north, cell_m, shape)


@dataclass(frozen=True, slots=True)
class KeptWarp:
    """`publish.warp_surface` of stored grids, each worked out once: most stay the same from run to run.

    Parameters
    ----------
    cache : ResultCache
    """

    cache: ResultCache

    def __call__(self, grid: publish.GridLike, cells: int) -> publish.Warped:
        """Give the surface in web Mercator as `publish.warp_surface` does."""
        if not isinstance(grid, StoredGrid):
            return publish.warp_surface(grid, cells)
        with np.load(self.keep(grid, cells) / WARPED) as kept:
            return kept["values"], Affine(*kept["transform"])

    def keep(self, grid: StoredGrid, cells: int) -> Path:
        """Work it out unless it is known; gives the folder where it lies."""
        key = digest("warped", code_of(*WARP_CODE), hash_of(grid.path), grid.crs.to_wkt(), cells)
        return self.cache.fetch(key, lambda place: _write_warped(place, publish.warp_surface(grid, cells)))


def _write_warped(place: Path, warped: publish.Warped) -> None:
    values, transform = warped
    np.savez(place / WARPED, values=values, transform=np.array(transform[:6]))


def list_map_surfaces(folder: Path, blocks: Iterable[str], *, crs: Any) -> list[publish.MapSurface]:
    """List the surfaces that a map can show: yield by block and vintage, loss by block.

    Parameters
    ----------
    folder : pathlib.Path
    blocks : iterable of str
        Ids; other files in the folder are passed over.
    crs : pyproj.CRS
        Of the surfaces.

    Returns
    -------
    list of publish.MapSurface
        By block, vintages rising, then loss; their values are in the files still.
    """
    place = {file_stem(block_id): number for number, block_id in enumerate(blocks)}
    found = []
    for file in folder.glob("*.tif"):
        named = _YIELD.fullmatch(file.name) or _LOSS.fullmatch(file.name)
        if named is not None and named[1] in place:
            vintage = int(named[2]) if named.re is _YIELD else None
            found.append((place[named[1]], vintage is None, vintage or 0, named[1], file))
    return [
        publish.MapSurface(
            "loss" if of_all else "yield", block_of(stem), vintage or None, StoredGrid(file, crs)
        )
        for _, of_all, vintage, stem, file in sorted(found)
    ]
