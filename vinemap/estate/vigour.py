"""Canopy vigour on the grid of a block, out of the images of an estate: warped, masked, one value a cell."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import rasterio
from rasterio.enums import Resampling
from rasterio.errors import RasterioError, WindowError
from rasterio.warp import reproject, transform_bounds
from rasterio.windows import Window, from_bounds

from vinemap.errors import DataError, StoreError
from vinemap.land import Grid, GridSpec, average_in, grid_over

CELL_M = 2.0
EDGE_PIXELS = 2  # read beyond the grid, for interpolation at its edge
PIXELS_PER_CELL = 4  # of finer images no more than this along a cell is read
_INDEX_NAMES = re.compile(r"ndvi|ndre|gndvi|savi|evi|vigou?r|index|pcd|canopy", re.IGNORECASE)
_RED = re.compile(r"^(?!.*edge).*\bred\b", re.IGNORECASE)
_NEAR_INFRARED = re.compile(r"\bnir\b|near[ _-]?infra", re.IGNORECASE)
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Vigour:
    """Canopy vigour of one day.

    Attributes
    ----------
    vintage : int
        Of the growing season that the image is of.
    date : str
        ISO date, "" if the image names none.
    file : str
    measure : str
        What the values are: the band's own words, or the index worked out.
    grid : vinemap.land.Grid
        NaN where the image shows nothing.
    """

    vintage: int
    date: str
    file: str
    measure: str
    grid: Grid


def canopy_vigour(folder: Path, images: pd.DataFrame, spec: GridSpec) -> list[Vigour]:
    """Bring images to a grid.

    Parameters
    ----------
    folder : pathlib.Path
        Estate folder.
    images : pandas.DataFrame
        As `vinemap.estate.EstateStore.imagery` gives them.
    spec : vinemap.land.GridSpec

    Returns
    -------
    list of Vigour
        By date; images that do not reach the grid are left out.

    Raises
    ------
    StoreError
        If an image is damaged.

    Notes
    -----
    A single band is taken as it is. Of several, the one that is described as an index; else the normalised
    difference of those described as near infrared and red, (nir - red) / (nir + red); else the first. Cells
    larger than a pixel hold the mean of their pixels, smaller ones are interpolated bilinearly.

    References
    ----------
    Rouse, Haas, Schell & Deering 1974, Monitoring vegetation systems in the Great Plains with ERTS, NASA
    SP-351: 309-317 (normalised difference vegetation index).
    """
    found = []
    for image in images.sort_values(["date", "file"]).to_dict("records"):
        file = folder / image["path"]
        try:
            with rasterio.open(file) as source:
                values, measure = _read_vigour(source, image["crs"], spec)
        except RasterioError as error:
            raise StoreError(
                f"The image cannot be read: {str(error)[:200]}.",
                where=str(file),
                remedy="Take it back from a backup copy, or undo its import and add the image again.",
            ) from error
        if np.isfinite(values).any():
            seen = int(image["vintage"]), image["date"], image["file"]
            found.append(Vigour(*seen, measure, Grid(values, spec)))
    return found


def zone_vigour(
    folder: Path, images: pd.DataFrame, zones: gpd.GeoDataFrame, *, cell_m: float = CELL_M
) -> pd.DataFrame:
    """Vigour of the zones of one block against its mean, by vintage.

    Parameters
    ----------
    folder : pathlib.Path
        Estate folder.
    images : pandas.DataFrame
    zones : geopandas.GeoDataFrame
        With zone_id, in the estate CRS [m].
    cell_m : float
        Cell size [m].

    Returns
    -------
    pandas.DataFrame
        ``zone_id``, ``vintage``, ``relative_vigour`` (1 is the mean over all zones; days and cameras differ
        in level, so only the ratio is kept; mean of the images of the vintage), ``images`` (their number).

    Raises
    ------
    DataError
        If the zones name no coordinate system.
    GeometryError
        If it is not in metres.
    StoreError
        If an image is damaged.
    """
    if zones.crs is None:
        raise DataError("The zones name no coordinate system.", where="zones", remedy="Set it, in metres.")
    columns = ["zone_id", "vintage", "relative_vigour"]
    if not len(zones) or not len(images):
        return pd.DataFrame(columns=[*columns, "images"])
    outline = zones.geometry.union_all()
    spec = grid_over(outline, cell_m=cell_m, crs=pyproj.CRS(zones.crs))
    lines: list[tuple[Any, ...]] = []
    for one in canopy_vigour(folder, images, spec):
        whole = float(average_in(one.grid, [outline])[0])
        means = average_in(one.grid, zones) / whole if whole > 0 else np.full(len(zones), np.nan)
        lines += zip(zones["zone_id"], [one.vintage] * len(zones), means, strict=True)
    seen = pd.DataFrame(lines, columns=columns).dropna()
    by_zone = seen.groupby(["zone_id", "vintage"], sort=True)["relative_vigour"]
    return by_zone.agg(relative_vigour="mean", images="size").reset_index()


def _read_vigour(source: Any, crs: str, spec: GridSpec) -> tuple[Floats, str]:
    """One value per cell of the grid, and what it is."""
    bands, measure = _choose_bands(source)
    named = pyproj.CRS.from_user_input(source.crs.to_wkt() if source.crs is not None else crs)
    read = _read_window(source, named, spec, bands)
    if read is None:
        return np.full(spec.shape, np.nan), measure
    pixels, transform = read
    fine = _pixel_m(source, named) <= spec.cell_m
    warped = [_warp(one, transform, named, spec, fine) for one in pixels]
    if len(warped) == 1:
        return warped[0], measure
    near, red = warped
    total = near + red
    return np.divide(near - red, total, out=np.full(spec.shape, np.nan), where=total > 0), measure


def _choose_bands(source: Any) -> tuple[list[int], str]:
    """Bands to read, and what comes of them: an index as it is, or near infrared and red."""
    names = [text or "" for text in source.descriptions]
    if source.count == 1:
        return [1], names[0] or "the only band"
    index = [place for place, name in enumerate(names, 1) if _INDEX_NAMES.search(name)]
    if index:
        return index[:1], names[index[0] - 1]
    near, red = (_first_named(names, words) for words in (_NEAR_INFRARED, _RED))
    if near and red:
        return [near, red], f"NDVI of {names[near - 1]!r} and {names[red - 1]!r}"
    return [1], names[0] or f"band 1 of {source.count}, which name nothing"


def _first_named(names: Sequence[str], words: re.Pattern[str]) -> int:
    return next((place for place, name in enumerate(names, 1) if words.search(name.replace("_", " "))), 0)


def _read_window(
    source: Any, crs: pyproj.CRS, spec: GridSpec, bands: list[int]
) -> tuple[Floats, rasterio.Affine] | None:
    """Pixels that the grid needs, NaN without data, and their place; None if the image does not reach it."""
    whole = Window(0, 0, source.width, source.height)
    window = whole
    if source.transform.is_rectilinear:
        bounds = transform_bounds(spec.crs.to_wkt(), crs.to_wkt(), *spec.bounds, densify_pts=21)
        near = from_bounds(*bounds, transform=source.transform)
        wider = Window(
            near.col_off - EDGE_PIXELS,
            near.row_off - EDGE_PIXELS,
            near.width + 2 * EDGE_PIXELS,
            near.height + 2 * EDGE_PIXELS,
        )
        try:
            window = wider.round_offsets().round_lengths(op="ceil").intersection(whole)
        except WindowError:
            return None
    step = max(int(spec.cell_m / (PIXELS_PER_CELL * _pixel_m(source, crs))), 1)
    shape = (len(bands), -(-int(window.height) // step), -(-int(window.width) // step))
    held = source.read(bands, window=window, out_shape=shape, masked=True, resampling=Resampling.average)
    pixels = np.asarray(held.astype("float64").filled(np.nan))
    for place, band in enumerate(bands):
        pixels[place] = pixels[place] * source.scales[band - 1] + source.offsets[band - 1]
    return pixels, _part_of(source.transform, window, shape[1:])


def _part_of(place: rasterio.Affine, window: Window, shape: tuple[int, int]) -> rasterio.Affine:
    """Place of a window of an image that was read with so many rows and columns."""
    across, down = window.width / shape[1], window.height / shape[0]
    return rasterio.Affine(
        place.a * across,
        place.b * down,
        place.c + place.a * window.col_off + place.b * window.row_off,
        place.d * across,
        place.e * down,
        place.f + place.d * window.col_off + place.e * window.row_off,
    )


def _pixel_m(source: Any, crs: pyproj.CRS) -> float:
    """Size of a pixel on the ground [m], near enough to tell a fine image from a coarse one."""
    width, height = source.res
    if crs.is_geographic:
        return float(height) * 111_000.0  # metres in a degree of latitude
    factor = float(crs.axis_info[0].unit_conversion_factor) or 1.0
    return float(max(width, height)) * factor


def _warp(pixels: Floats, transform: rasterio.Affine, crs: pyproj.CRS, spec: GridSpec, fine: bool) -> Floats:
    out = np.full(spec.shape, np.nan)
    reproject(
        pixels,
        out,
        src_transform=transform,
        src_crs=crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=spec.affine,
        dst_crs=spec.crs.to_wkt(),
        dst_nodata=np.nan,
        resampling=Resampling.average if fine else Resampling.bilinear,
    )
    return out
