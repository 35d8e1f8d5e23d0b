"""Locks where the file system has none, folders of an older format, names that Windows does not take."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys

import geopandas as gpd
import pytest
import shapely

from vinemap.errors import StoreError
from vinemap.estate import atomic, create_estate, layout, migrate, open_store
from vinemap.intake import read_frame


def blocks(*names: str):
    boxes = [shapely.box(140.5 + 0.004 * n, -34.2, 140.502 + 0.004 * n, -34.198) for n in range(len(names))]
    frame = gpd.GeoDataFrame(
        {"block_id": list(names), "row_spacing_m": 3.0, "vine_spacing_m": 2.0}, geometry=boxes, crs=4326
    )
    return read_frame(frame, "blocks")


class NoLock:
    """A file system without locks, as the kernel reports it."""

    def __init__(self, _file) -> None:
        pass

    def acquire(self, **_given: float) -> None:
        raise OSError(errno.ENOLCK, "No locks available")


@pytest.fixture
def share(tmp_path, monkeypatch):
    folder = create_estate(tmp_path / "estate").folder
    monkeypatch.setattr(atomic, "FileLock", NoLock)
    monkeypatch.setattr(atomic, "HELD_PAUSE_S", 0.01)
    return folder


def test_share_without_locks_is_written_to_and_left_clean(share):
    store = open_store(share)
    store.add(blocks("A1"))
    assert not (share / atomic.HELD_NAME).exists()
    assert store.verify() == []


@pytest.mark.parametrize(
    ("holder", "sentence"),
    [
        ({"host": "another-machine", "pid": 77}, "Process 77 on 'another-machine' .delete this file"),
        (None, "Another program .which one is not known"),
    ],
)
def test_holder_elsewhere_is_waited_for_and_named(share, holder, sentence):
    text = json.dumps(holder) if holder else "{"
    (share / atomic.HELD_NAME).write_text(text, encoding="utf-8")
    with pytest.raises(StoreError, match=sentence) as caught:
        open_store(share, wait_s=0.05).add(blocks("A1"))
    assert caught.value.where.endswith(atomic.HELD_NAME)
    assert len(open_store(share).blocks()) == 0


@pytest.mark.skipif(os.name != "posix", reason="whether a process is gone is only looked up on POSIX")
def test_holder_that_is_gone_is_taken_over(share):
    import socket

    with subprocess.Popen([sys.executable, "-c", "pass"]) as gone:
        gone.wait()
    held = {"host": socket.gethostname(), "pid": gone.pid}
    (share / atomic.HELD_NAME).write_text(json.dumps(held), encoding="utf-8")
    open_store(share, wait_s=0.5).add(blocks("A1"))
    assert len(open_store(share).blocks()) == 1
    own = held | {"pid": os.getpid()}
    (share / atomic.HELD_NAME).write_text(json.dumps(own), encoding="utf-8")
    with pytest.raises(StoreError, match=f"Process {os.getpid()}"):
        open_store(share, wait_s=0.05).add(blocks("A2"))


def step(folder, change) -> str:
    """A format 2 that keeps a file of its own."""
    names = sorted(gpd.read_parquet(folder / "blocks.parquet")["block_id"])
    change.put("names.json", lambda path: path.write_text(json.dumps(names), encoding="utf-8"))
    return "names of blocks are listed."


@pytest.fixture
def old(tmp_path, monkeypatch):
    """An estate of this version, opened by a later one."""
    store = create_estate(tmp_path / "estate")
    store.add(blocks("A1", "A2"))
    monkeypatch.setattr(layout, "FORMAT", 2)
    monkeypatch.setattr(migrate, "STEPS", {1: step})
    return store.folder


def test_older_folder_is_brought_up_on_opening(old):
    store = open_store(old)
    assert store.recovered == ["The folder was brought from format 1 to 2: names of blocks are listed."]
    assert json.loads((old / "names.json").read_text(encoding="utf-8")) == ["A1", "A2"]
    assert layout.read_format(old) == 2
    assert open_store(old).recovered == []
    assert store.verify() == []


def test_step_that_is_cut_off_anywhere_is_done_or_not_done(old, tmp_path, monkeypatch):
    class PowerCutError(BaseException):
        pass

    steps: list[str] = []
    monkeypatch.setattr(atomic, "reached", steps.append)
    open_store(shutil.copytree(old, tmp_path / "whole"))
    assert "in place journal.json" in steps
    for place in range(len(steps)):
        folder = shutil.copytree(old, tmp_path / f"cut {place}")
        left = iter(range(1000))

        def reached(name: str, left=left, place=place) -> None:
            if next(left) == place:
                raise PowerCutError(name)

        monkeypatch.setattr(atomic, "reached", reached)
        with pytest.raises(PowerCutError):
            open_store(folder)
        assert (layout.read_format(folder) == 2) <= (folder / "names.json").exists()
        monkeypatch.setattr(atomic, "reached", lambda _name: None)
        assert open_store(folder).verify() == []
        assert layout.read_format(folder) == 2
        assert (folder / "names.json").exists()


def test_format_without_a_way_is_refused(old, monkeypatch):
    monkeypatch.setattr(migrate, "STEPS", {})
    with pytest.raises(StoreError, match=r"is of format 1; .* reads format 2. Open it once with the version"):
        open_store(old)


def test_step_on_a_full_disk_changes_nothing(old, monkeypatch):
    def full(path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(atomic, "sync_file", full)
    with pytest.raises(StoreError, match="could not be brought from format 1 to 2"):
        open_store(old)
    monkeypatch.undo()
    assert layout.read_format(old) == 1
    assert not (old / "names.json").exists()


# Names that Windows does not take as they are: devices, colons, dots and blanks at the end, separators.
ODD = ["CON", "aux", "COM1", "A:1", "A1.", "A1 B", "A/1", "A\\1", "..", "A*?", 'A"<>|', "Été", "葡萄" * 10]


def test_blocks_of_any_name_make_files_that_windows_takes(tmp_path):
    store = create_estate(tmp_path / "estate")
    store.add(blocks(*ODD))
    stems = [layout.file_stem(one) for one in store.blocks()["block_id"]]
    assert [layout.block_of(one) for one in stems] == ODD
    for stem in stems:
        assert not set(stem) & set('<>:"/\\|?*.'), stem
        assert not stem.endswith((" ", "."))
        assert stem.upper() not in {"CON", "PRN", "AUX", "NUL", "COM1", "LPT1"}
        assert len(f"{stem}.parquet") < 255
    assert len({one.casefold() for one in stems}) == len(stems)


def test_name_too_long_for_a_file_is_refused_with_its_reason():
    taken = blocks("A1", "葡" * 30)
    assert taken.table["block_id"].tolist() == ["A1"]
    assert "too long for a file name" in taken.refused["reason"].iloc[0]
