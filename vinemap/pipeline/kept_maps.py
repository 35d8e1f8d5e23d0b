"""Surfaces of the map: as files of their own, for the page, and kept so that a plan needs no readings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from vinemap import publish
from vinemap.estate.layout import file_stem
from vinemap.land import Grid, GridSpec
from vinemap.pipeline.fitting import BlockMaps
from vinemap.pipeline.measured import Measured


def write_loss(folder: Path, maps: list[BlockMaps]) -> None:
    """Write the loss surface of each block that has one as a GeoTIFF [%]."""
    for one in maps:
        if one.loss is not None and np.isfinite(one.loss.values).any():
            publish.write_surface(
                folder / f"loss_{file_stem(one.block_id)}.tif",
                one.loss,
                units="%",
                vintage=None,
                description=f"Loss of block {one.block_id}: share of healthy yield lost of late",
            )


def list_map_surfaces(maps: list[BlockMaps]) -> list[publish.MapSurface]:
    """List the surfaces that the map shows: yield by block and vintage, loss by block."""
    found = []
    for one in maps:
        found += [
            publish.MapSurface("yield", one.block_id, year, grid)
            for year, grid in sorted(one.surfaces.items())
        ]
        if one.loss is not None:
            found.append(publish.MapSurface("loss", one.block_id, None, one.loss))
    return found


def save_maps(maps: list[BlockMaps], folder: Path) -> None:
    """Keep the surfaces in one compressed file."""
    arrays: dict[str, Any] = {}
    for place, one in enumerate(maps):
        grids = {str(year): grid for year, grid in one.surfaces.items()} | (
            {"loss": one.loss} if one.loss else {}
        )
        for name, grid in grids.items():
            arrays[f"{place}|{name}"] = grid.values.astype(np.float32)
            spec = grid.spec
            arrays[f"{place}|spec"] = np.array([spec.west, spec.north, spec.cell_m])
        arrays[f"{place}|block"] = np.array(one.block_id)
    np.savez_compressed(folder / "surfaces.npz", **arrays)


def load_maps(folder: Path, measured: Measured) -> list[BlockMaps]:
    """Read the surfaces that `save_maps` kept, in the CRS of the blocks."""
    crs = measured.blocks.crs
    grids: dict[str, dict[str, Any]] = {}
    with np.load(folder / "surfaces.npz") as arrays:
        for key in arrays.files:
            place, name = key.split("|", 1)
            grids.setdefault(place, {})[name] = arrays[key]
    maps = []
    for held in grids.values():
        block_id = str(held.pop("block"))
        west, north, cell_m = (float(one) for one in held.pop("spec", (0.0, 0.0, 1.0)))
        made = {
            name: Grid(values, GridSpec(crs, west, north, cell_m, values.shape))
            for name, values in held.items()
        }
        loss = made.pop("loss", None)
        maps.append(BlockMaps(block_id, {int(year): grid for year, grid in made.items()}, loss))
    return maps
