"""Surfaces stay in their files: found by block and vintage, read only when they are looked at."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from vinemap.estate.layout import file_stem
from vinemap.job import open_estate
from vinemap.land import Grid, GridSpec, choose_crs
from vinemap.pipeline import surface_files
from vinemap.pipeline.cache import ResultCache
from vinemap.pipeline.surface_files import (
    KeptWarp,
    list_map_surfaces,
    loss_file,
    relative_file,
    yield_file,
)
from vinemap.publish import read_surface, warp_surface, write_surface

# Names that could be taken for those of others: a year at the end, and what a file name cannot hold.
BLOCKS = ["A", "A_2024", "4/2: Gate"]


@pytest.fixture
def spec(small_files):
    return GridSpec(choose_crs(small_files[0].blocks), west=10.0, north=20.0, cell_m=2.0, shape=(3, 4))


def write(path, spec, value):
    write_surface(path, Grid(np.full(spec.shape, value), spec), units="t/ha", vintage=None, description="x")


@pytest.fixture
def folder(spec, tmp_path):
    for number, block_id in enumerate(BLOCKS):
        for year in (2025, 2024):
            write(yield_file(tmp_path, block_id, year), spec, year + number)
        write(loss_file(tmp_path, block_id), spec, number)
        write(relative_file(tmp_path, block_id), spec, 1.0)
    return tmp_path


def test_each_surface_is_found_once_by_block_and_vintage(folder, spec):
    found = list_map_surfaces(folder, BLOCKS, crs=spec.crs)
    assert [(one.block_id, one.vintage) for one in found] == [
        (block_id, vintage) for block_id in BLOCKS for vintage in (2024, 2025, None)
    ]
    assert [one.kind for one in found] == ["yield", "yield", "loss"] * 3
    assert [float(one.grid.values[0, 0]) for one in found[:3]] == [2024.0, 2025.0, 0.0]
    assert found[0].grid.spec == spec


def test_blocks_not_asked_for_are_passed_over(folder, spec):
    assert {one.block_id for one in list_map_surfaces(folder, ["A"], crs=spec.crs)} == {"A"}


def test_listing_reads_no_values(folder, spec, monkeypatch):
    monkeypatch.setattr(surface_files.publish, "read_surface", lambda path: pytest.fail(f"read {path}"))
    assert len(list_map_surfaces(folder, BLOCKS, crs=spec.crs)) == 9


def test_a_surface_is_brought_to_the_map_once_and_again_only_when_it_changes(spec, folder, tmp_path):
    warp = KeptWarp(ResultCache(tmp_path / "cache"))
    grid = list_map_surfaces(folder, ["A"], crs=spec.crs)[0].grid
    first, again, plain = warp(grid, 4096), warp(grid, 4096), warp_surface(grid, 4096)
    for values, transform in (first, again):
        np.testing.assert_array_equal(values, plain[0])
        assert values.dtype == plain[0].dtype
        assert transform == plain[1]
    assert len(list((tmp_path / "cache").iterdir())) == 1
    write(grid.path, spec, 7.0)
    assert np.nanmax(warp(grid, 4096)[0]) == 7.0
    assert len(list((tmp_path / "cache").iterdir())) == 2


def test_a_grid_in_memory_is_brought_to_the_map_without_a_cache(spec, tmp_path):
    grid = Grid(np.full(spec.shape, 5.0), spec)
    values, _ = KeptWarp(ResultCache(tmp_path / "cache"))(grid, 4096)
    assert np.nanmax(values) == 5.0
    assert not (tmp_path / "cache").exists()


@pytest.mark.slow
def test_an_assessment_leaves_a_loss_for_every_mapped_block(assessed):
    folder = assessed.result.folder / "surfaces"
    for block_id in assessed.result.layers["block"]["block_id"]:
        loss = read_surface(loss_file(folder, block_id))[0]
        assert -50 <= np.nanmin(loss) <= np.nanmax(loss) <= 100
        assert (folder / f"relative_{file_stem(block_id)}.tif").exists()
    assert np.nanmedian(read_surface(loss_file(folder, "D1"))) > np.nanmedian(
        read_surface(loss_file(folder, "S1"))
    )


@pytest.mark.slow
def test_the_map_of_a_large_estate_shows_zones_only(assessed, tmp_path):
    copy = tmp_path / "large"
    shutil.copytree(assessed.estate.folder, copy)
    toml = copy / "estate.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("map_surface_blocks = 300", "map_surface_blocks = 2"), encoding="utf-8")
    estate = open_estate(copy)
    small = estate.assess(workers=1).map_file.stat().st_size
    assert small < assessed.result.map_file.stat().st_size
