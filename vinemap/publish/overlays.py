"""Surfaces for the map: each a small grey PNG whose level is the value, coloured and read out in the page."""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pyproj
from affine import Affine
from rasterio.warp import Resampling, reproject

from vinemap.publish.surfaces import GridLike

# Level 0 is "no data"; the others cut the range of the values into 254 equal steps.
LEVELS = 254
WEB_MERCATOR = "EPSG:3857"
# All images of a map together hold at most this many cells; about 0.4 byte each once packed.
CELL_BUDGET = 3_000_000
MIN_SIDE = 24
Warped = tuple[npt.NDArray[np.float32], Affine]  # values in web Mercator, and where they lie
Warp = Callable[[GridLike, int], Warped]  # of a grid and the cells it may hold there


@dataclass(frozen=True, slots=True)
class MapSurface:
    """One surface for the map: yield [t/ha] of a block and vintage, or its loss [%] (vintage None)."""

    kind: Literal["yield", "loss"]
    block_id: str
    vintage: int | None
    grid: GridLike


def pack_surfaces(surfaces: Sequence[MapSurface], *, warp: Warp | None = None) -> dict[str, Any]:
    """Turn surfaces into data-URI images in web Mercator with one scale for each kind.

    Parameters
    ----------
    surfaces : sequence of MapSurface
    warp : callable, optional
        `warp_surface`, or what gives the same from somewhere it was kept.

    Returns
    -------
    dict
        ``ranges``: (low, high) by kind; ``images``: list of dicts with kind, block_id, vintage, bounds
        ((south, west), (north, east)) [deg], steps and the PNG as data URI.
    """
    # One surface at a time: a grid may lie in a file, and only what the map can show of it is kept.
    cells, warp = cells_each(len(surfaces)), warp or warp_surface
    drawn = [(one, *warp(one.grid, cells)) for one in surfaces]
    drawn = [parts for parts in drawn if np.isfinite(parts[1]).any()]
    ranges = {
        kind: _range(kind, [values for one, values, _ in drawn if one.kind == kind])
        for kind in sorted({one.kind for one, _, _ in drawn})
    }
    return {
        "ranges": ranges,
        "steps": LEVELS,
        "images": [_pack(one, values, affine, ranges[one.kind]) for one, values, affine in drawn],
    }


def _range(kind: str, grids: Sequence[npt.NDArray[np.float32]]) -> tuple[float, float]:
    """Range that all but the outermost hundredth of cells lie in, with round ends."""
    values = np.concatenate([one[np.isfinite(one)] for one in grids]).astype(np.float64)
    low, high = np.quantile(values, [0.005, 0.995])
    step = 10.0 ** math.floor(math.log10(max(high - low, 1e-6))) / 2
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    return (0.0 if kind == "loss" else max(low, 0.0), high if high > low else low + step)


def _pack(
    surface: MapSurface, values: npt.NDArray[np.float32], transform: Affine, scale: tuple[float, float]
) -> dict[str, Any]:
    height, width = values.shape
    west, north = transform.c, transform.f
    east, south = west + transform.a * width, north + transform.e * height
    (left, right), (bottom, top) = _from(WEB_MERCATOR, "EPSG:4326").transform([west, east], [south, north])
    return {
        "kind": surface.kind,
        "block_id": surface.block_id,
        "vintage": surface.vintage,
        "bounds": [[round(bottom, 7), round(left, 7)], [round(top, 7), round(right, 7)]],
        "png": "data:image/png;base64," + base64.b64encode(encode_png(to_levels(values, scale))).decode(),
    }


def cells_each(surfaces: int) -> int:
    """Cells that each of so many surfaces may hold on one map.

    A power of two, so that one vintage more seldom changes how finely all the others are drawn.

    Examples
    --------
    >>> cells_each(117), cells_each(130), cells_each(1100)
    (16384, 16384, 2048)
    """
    share = max(CELL_BUDGET / max(surfaces, 1), MIN_SIDE**2)
    return 1 << math.floor(math.log2(share))


def warp_surface(grid: GridLike, cells: int) -> Warped:
    """Bring a surface to web Mercator, with at most about so many cells.

    Parameters
    ----------
    grid : GridLike
        Values (row, col), NaN for no data; a spec in metres.
    cells : int

    Returns
    -------
    values : ndarray of float32 (row, col)
        NaN for no data.
    transform : Affine
        Column and row to map metres.
    """
    spec = grid.spec
    source = np.asarray(grid.values, dtype=np.float32)
    height, width = source.shape
    crs = pyproj.CRS.from_user_input(spec.crs).to_wkt()
    west, south, east, north, cell = _mercator_frame(crs, spec.west, spec.north, spec.cell_m, height, width)
    shrink = max(1.0, math.sqrt((east - west) * (north - south) / cell**2 / cells))
    step = shrink * cell
    columns, rows = max(1, math.ceil((east - west) / step)), max(1, math.ceil((north - south) / step))
    transform = Affine(step, 0.0, west, 0.0, -step, north)
    out = np.full((rows, columns), np.nan, dtype=np.float32)
    reproject(
        source, out, src_transform=Affine(spec.cell_m, 0.0, spec.west, 0.0, -spec.cell_m, spec.north),
        src_crs=crs, src_nodata=np.nan, dst_transform=transform, dst_crs=WEB_MERCATOR, dst_nodata=np.nan,
        resampling=Resampling.average if shrink > 1.5 else Resampling.bilinear,
    )  # fmt: skip
    return out, transform


@lru_cache(maxsize=512)  # all vintages of a block lie on one grid
def _mercator_frame(
    crs: str, west: float, north: float, cell_m: float, height: int, width: int
) -> tuple[float, float, float, float, float]:
    """West, south, east, north [map m] of a grid in web Mercator, and the side of its cell there."""
    bounds = (west, north - height * cell_m, west + width * cell_m, north)
    to_mercator, to_degrees = _from(crs, WEB_MERCATOR), _from(crs, "EPSG:4326")
    _, latitude = to_degrees.transform((bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2)
    left, bottom, right, top = to_mercator.transform_bounds(*bounds)
    return left, bottom, right, top, cell_m / math.cos(math.radians(latitude))


@lru_cache(maxsize=8)
def _from(crs: str, target: str) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(crs, target, always_xy=True)


def to_levels(values: npt.NDArray[np.floating], scale: tuple[float, float]) -> npt.NDArray[np.uint8]:
    """Levels 1-255 for low to high of `scale` (values beyond it clipped), 0 for NaN; shape of `values`.

    Examples
    --------
    >>> to_levels(np.array([[0.0, 5.0, 12.0, np.nan]]), (0.0, 10.0)).tolist()
    [[1, 128, 255, 0]]
    """
    low, high = scale
    share = np.clip((values - low) / (high - low), 0.0, 1.0)
    return np.where(np.isfinite(values), 1 + np.rint(np.nan_to_num(share) * LEVELS), 0).astype(np.uint8)


def encode_png(levels: npt.NDArray[np.uint8]) -> bytes:
    """Write an 8-bit grey PNG, rows filtered "up" (smooth surfaces pack well so).

    Parameters
    ----------
    levels : ndarray of uint8 (row, col)

    Returns
    -------
    bytes

    References
    ----------
    W3C, Portable Network Graphics (PNG) Specification (Third Edition), clauses 9.2, 10 and 11.2.
    """
    above = np.vstack([np.zeros((1, levels.shape[1]), np.uint8), levels[:-1]])
    rows = np.column_stack([np.full(levels.shape[0], 2, np.uint8), levels - above])
    head = struct.pack(">IIBBBBB", levels.shape[1], levels.shape[0], 8, 0, 0, 0, 0)
    chunks = [(b"IHDR", head), (b"IDAT", zlib.compress(rows.tobytes(), 7)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks
    )
