"""Yield surfaces as Cloud-Optimized GeoTIFF: float32, tiled, with overviews, units and statistics in tags.

References
----------
OGC 21-026, Cloud Optimized GeoTIFF Standard 1.0.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
import rasterio.shutil
from affine import Affine
from rasterio.io import MemoryFile

from vinemap.errors import DataError
from vinemap.publish.files import written_aside

NODATA = -9999.0
# A block is a few hundred cells across; tiles of 512 would leave it without any overview.
TILE_CELLS = 128


class SpecLike(Protocol):
    """What is needed of a grid's spec (`vinemap.land.GridSpec`)."""

    @property
    def crs(self) -> Any:
        """CRS in metres, as pyproj takes it."""

    @property
    def west(self) -> float:
        """Western edge [m]."""

    @property
    def north(self) -> float:
        """Northern edge [m]."""

    @property
    def cell_m(self) -> float:
        """Side of a cell [m]."""


class GridLike(Protocol):
    """What is needed of a grid (`vinemap.land.Grid`): values (row, col) with NaN for no data, and a spec."""

    @property
    def values(self) -> npt.NDArray[np.float64]:
        """Values (row, col), first row in the north."""

    @property
    def spec(self) -> SpecLike:
        """Where the cells lie."""


def write_surface(
    path: Path | str,
    grid: GridLike | Mapping[str, GridLike],
    *,
    units: str,
    vintage: int | None,
    description: str,
    tags: Mapping[str, str] | None = None,
) -> Path:
    """Write one grid, or several bands over the same cells, as a Cloud-Optimized GeoTIFF.

    Parameters
    ----------
    path : path-like
    grid : Grid or mapping of str to Grid
        Values (row, col), NaN for no data; with a mapping each name describes its band.
    units : str
        Unit of the values, for example ``"t/ha"``.
    vintage : int or None
        Vintage, None where the surface spans several.
    description : str
        What the values are.
    tags : mapping of str to str, optional
        More tags (version, settings hash, ...).

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    DataError
        If no cell holds a value, or the bands do not lie over the same cells.
    """
    bands = dict(grid) if isinstance(grid, Mapping) else {description: grid}
    spec = _shared_spec(bands, Path(path).name)
    values = np.stack([np.asarray(one.values, dtype=np.float32) for one in bands.values()])
    if not np.isfinite(values).any():
        raise DataError("No cell holds a value.", where=Path(path).name, remedy="Leave this surface out.")
    profile = {
        "driver": "GTiff",
        "dtype": "float32",
        "nodata": NODATA,
        "count": len(bands),
        "height": values.shape[1],
        "width": values.shape[2],
        "crs": rasterio.CRS.from_wkt(pyproj.CRS.from_user_input(spec.crs).to_wkt()),
        "transform": Affine(spec.cell_m, 0.0, spec.west, 0.0, -spec.cell_m, spec.north),
    }
    labels = {"VINTAGE": "" if vintage is None else str(vintage), "UNITS": units, **(tags or {})}
    with written_aside(Path(path)) as aside, MemoryFile() as memory:
        with memory.open(**profile) as source:
            source.write(np.where(np.isfinite(values), values, NODATA).astype(np.float32))
            source.update_tags(TIFFTAG_IMAGEDESCRIPTION=description, TIFFTAG_SOFTWARE="vinemap", **labels)
            source.descriptions = list(bands)
            source.units = [units] * len(bands)
        with memory.open() as source:
            _copy_to_cog(source, aside)
    return Path(path)


def read_surface(path: Path | str) -> npt.NDArray[np.float64]:
    """Read the bands of a surface that `write_surface` wrote.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    numpy.ndarray, (band, row, col)
        NaN for no data; of the precision of the file (float32).
    """
    with rasterio.open(path) as source:
        values: npt.NDArray[np.float64] = source.read().astype(np.float64)
    values[values == NODATA] = np.nan
    return values


def read_cells(path: Path | str) -> tuple[float, float, float, tuple[int, int]]:
    """Read where the cells of a surface lie: west, north and side of a cell [m], (rows, columns)."""
    with rasterio.open(path) as source:
        affine = source.transform
        return affine.c, affine.f, affine.a, source.shape


def _shared_spec(bands: Mapping[str, GridLike], where: str) -> SpecLike:
    first = next(iter(bands.values()))
    for name, one in bands.items():
        mine = (np.shape(one.values), one.spec.west, one.spec.north, one.spec.cell_m)
        if mine != (np.shape(first.values), first.spec.west, first.spec.north, first.spec.cell_m):
            raise DataError(
                f"Band {name!r} lies over other cells: {mine}.",
                where=where,
                remedy="Give all bands one spec.",
            )
    return first.spec


def _copy_to_cog(source: Any, path: Path) -> None:
    rasterio.shutil.copy(
        source,
        path,
        driver="COG",
        COMPRESS="DEFLATE",
        PREDICTOR="YES",
        BLOCKSIZE=str(TILE_CELLS),
        OVERVIEWS="IGNORE_EXISTING",
        RESAMPLING="AVERAGE",
        STATISTICS="YES",
    )
