"""An estate on storage: fetched whole, only what changed again, outputs sent back, plain refusals."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from vinemap.errors import StoreError
from vinemap.estate import open_store
from vinemap.estate.remote import fetch_estate, send_outputs

fsspec = pytest.importorskip("fsspec", reason="the extra vinemap[cluster] is not installed")
URL = "memory://growers/estate"


def load_crash():
    """Get the estate of `test_crash`, which is no package."""
    spec = importlib.util.spec_from_file_location("crash_tools", Path(__file__).parent / "test_crash.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


crash = load_crash()


@pytest.fixture
def storage():
    made = fsspec.filesystem("memory")
    made.store.clear()
    yield made
    made.store.clear()


@pytest.fixture
def store(storage, tmp_path):
    store = crash.create_estate(tmp_path / "home")
    store.add(crash.blocks())
    store.add(crash.log("01"))
    upload(store.folder, storage)
    return store


def upload(folder, storage):
    for file in sorted(one for one in folder.rglob("*") if one.is_file() and one.name != ".lock"):
        storage.pipe_file(f"/growers/estate/{file.relative_to(folder).as_posix()}", file.read_bytes())


def test_an_estate_is_fetched_whole_and_then_only_what_changed(store, storage, tmp_path):
    here = tmp_path / "here"
    assert "blocks.parquet" in fetch_estate(URL, here)
    fetched = open_store(here)
    assert fetched.verify() == []
    assert fetched.harvest_keys() == store.harvest_keys()
    assert fetch_estate(URL, here) == []
    (here / "blocks.parquet").unlink()
    assert fetch_estate(URL, here) == ["blocks.parquet"]
    storage.pipe_file("/growers/estate/estate.toml", (here / "estate.toml").read_bytes() + b"\n# new\n")
    assert fetch_estate(URL, here) == ["estate.toml"]


def test_what_is_gone_from_the_storage_goes_here(store, storage, tmp_path):
    taken = store.add(crash.log("02"))
    upload(store.folder, storage)
    here = tmp_path / "here"
    fetch_estate(URL, here)
    store.undo(taken.import_id)
    storage.store.clear()
    upload(store.folder, storage)
    fetch_estate(URL, here)
    assert open_store(here).harvest_keys() == store.harvest_keys()
    assert open_store(here).verify() == []


def test_an_estate_written_to_meanwhile_is_refused(store, storage, tmp_path):
    name = next(one for one in storage.store if "/harvest/" in one)
    storage.rm_file(name)
    with pytest.raises(StoreError, match=r"not whole.*Fetch again"):
        fetch_estate(URL, tmp_path / "here")


def test_refusals(storage, store, tmp_path):
    with pytest.raises(StoreError, match=r"no estate there"):
        fetch_estate("memory://nowhere", tmp_path / "here")
    with pytest.raises(StoreError, match=r"was not fetched.*new folder"):
        fetch_estate(URL, store.folder)
    with pytest.raises(StoreError, match=r"address cannot be used"):
        fetch_estate("unheard-of://x/y", tmp_path / "here")
    with pytest.raises(StoreError, match=r"2026 was not assessed"):
        send_outputs(store.folder, URL, vintage=2026)


def test_outputs_are_sent_with_the_run_last(store, storage):
    made = store.output_folder(2024)
    (made / "surfaces").mkdir()
    for name in ("map.html", "run.json", "surfaces/loss_A.tif"):
        (made / name).write_text(name, encoding="utf-8")
    sent = send_outputs(store.folder, URL, vintage=2024)
    assert sent == ["out/2024/map.html", "out/2024/surfaces/loss_A.tif", "out/2024/run.json"]
    assert storage.cat_file("/growers/estate/out/2024/run.json") == b"run.json"
    with pytest.raises(StoreError, match="no estate there"):
        send_outputs(store.folder, "memory://nowhere", vintage=2024)


def test_the_command_line_fetches(store, storage, tmp_path, run):
    status, out, _ = run("fetch", URL, tmp_path / "here")
    files = len(storage.store)
    assert (status, out.strip()) == (0, f"{files} files copied to {tmp_path / 'here'}.")
    status, _, err = run("send", tmp_path / "here", URL)
    assert status == 1
    assert "Run vinemap assess first" in err
