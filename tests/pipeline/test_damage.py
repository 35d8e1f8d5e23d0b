"""Files cut short: what was stored is refused plainly, what can be made again is made again."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3

import pandas as pd
import pandas.testing as pdt
import pytest

from vinemap.errors import DISK_FULL, StoreError
from vinemap.job import open_estate
from vinemap.pipeline import out_folder, result
from vinemap.pipeline.cache import ResultCache
from vinemap.pipeline.out_folder import LEFTOVER_S, clear_leftovers, telling_full


@pytest.fixture
def copy(assessed, tmp_path):
    folder = tmp_path / "copy"
    shutil.copytree(assessed.estate.folder, folder)
    return folder


def cut(file, share=0.6):
    os.truncate(file, int(share * file.stat().st_size))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["harvest/2021/D1.parquet", "blocks.parquet", "counts"])
def test_a_stored_file_cut_short_is_told_by_status_and_refused(copy, run, name):
    file = copy / name if name.endswith("parquet") else next((copy / name).glob("*.parquet"))
    cut(file)
    shutil.rmtree(copy / "cache")
    status, out, err = run("status", copy)
    assert status == 1
    assert file.name in out + err
    status, _, err = run("assess", copy, "--workers", "1")
    assert status == 1
    assert err.splitlines()[-1].startswith("Refused.")
    assert file.name in err


def test_a_kept_result_cut_short_is_made_anew(tmp_path):
    cache = ResultCache(tmp_path)
    for _ in range(2):
        place = cache.fetch("key", lambda place: (place / "sum.txt").write_text("300", encoding="utf-8"))
        assert (place / "sum.txt").read_text(encoding="utf-8") == "300"
        cut(place / "sum.txt")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["measured/draws.npz", "measured/zones.parquet", "surfaces/loss_D1.tif"])
def test_measures_cut_short_are_measured_anew_and_not_planned_from(copy, assessed, name):
    estate = open_estate(copy)
    folder = next((copy / "out").glob("[0-9]*"))
    cut(folder / name)
    with pytest.raises(StoreError, match=r"missing or cut short.*vinemap assess again"):
        estate.plan(budget=50_000)
    zone, before = (pd.DataFrame(one.layers["zone"]) for one in (estate.assess(workers=1), assessed.result))
    pdt.assert_frame_equal(zone, before)


def test_outputs_that_a_killed_run_had_moved_aside_come_back(tmp_path):
    (tmp_path / ".old-2026-abc").mkdir()
    (tmp_path / ".old-2026-abc" / "map.html").write_text("kept", encoding="utf-8")
    for name, age in ((".new-left", 2 * LEFTOVER_S), (".new-at-work", 0.0)):
        (tmp_path / name).mkdir()
        then = (tmp_path / name).stat().st_mtime - age
        os.utime(tmp_path / name, (then, then))
    clear_leftovers(tmp_path)
    assert (tmp_path / "2026" / "map.html").read_text(encoding="utf-8") == "kept"
    assert not (tmp_path / ".new-left").exists()
    assert (tmp_path / ".new-at-work").exists()


def test_a_full_disk_is_told_whatever_a_library_makes_of_it(tmp_path, monkeypatch):
    monkeypatch.setattr(out_folder, "_has_room", lambda _folder: False)
    with pytest.raises(StoreError, match="disk is full"), telling_full(tmp_path):
        raise sqlite3.OperationalError("no such table: gpkg_contents")
    with pytest.raises(StoreError, match="as it was"), telling_full(tmp_path):
        raise StoreError("as it was")
    monkeypatch.undo()
    with pytest.raises(sqlite3.OperationalError), telling_full(tmp_path):
        raise sqlite3.OperationalError("no such table: gpkg_contents")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_full_disk_is_a_refusal_and_leaves_the_outputs(copy, run, monkeypatch):
    def full(*_given, **_named):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(result, "write_files", full)
    before = sorted((copy / "out").rglob("*"))
    (copy / "out" / "2026" / "lists" / "programme.csv").write_text("changed", encoding="utf-8")
    status, _, err = run("assess", copy, "--workers", "1")
    assert status == 1
    assert DISK_FULL.what in err
    assert sorted((copy / "out").rglob("*")) == before
