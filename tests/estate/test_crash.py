"""Cut off at any step, the estate is as before or complete, never in between.

The power cut is an exception that nothing in the code catches; after it the folder is opened anew, as after
a restart. Every step that calls `atomic.reached` is tried, for every kind of change.
"""

from __future__ import annotations

import errno
import hashlib
import shutil
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.errors import StoreError
from vinemap.estate import atomic, create_estate, open_store, transaction
from vinemap.intake import read_frame


class PowerCut(BaseException):
    """Not an Exception: no clean-up code runs on it."""


def blocks(variety: str = "Shiraz"):
    boxes = [shapely.box(140.5 + 0.004 * n, -34.2, 140.502 + 0.004 * n, -34.198) for n in range(2)]
    frame = gpd.GeoDataFrame(
        {"block_id": ["A1", "A2"], "variety": variety, "row_spacing_m": 3.0, "vine_spacing_m": 2.0},
        geometry=boxes,
        crs=4326,
    )
    return read_frame(frame, "blocks", name=f"blocks {variety}")


def log(day: str):
    """Readings in both blocks, so that an import touches several files."""
    count = 12
    frame = pd.DataFrame(
        {
            "time": (
                pd.Timestamp(f"2024-03-{day}T08:00:00Z") + pd.to_timedelta(np.arange(count), unit="s")
            ).astype(str),
            "latitude": np.linspace(-34.1998, -34.1982, count),
            "longitude": np.tile([140.501, 140.505], count // 2),
            "mass_flow_kg_s": 2.0,
            "speed_m_s": 1.0,
            "machine": "H1",
        }
    )
    return read_frame(frame, "harvest", name=f"log {day}")


def loads():
    return read_frame(
        pd.DataFrame({"ticket": ["1"], "vintage": 2024, "block": ["A1"], "net (kg)": [9000]}),
        "loads",
        name="loads",
    )


CHANGES = {
    "harvest": lambda store: store.add(log("02")),
    "blocks": lambda store: store.add(blocks("Merlot")),
    "loads": lambda store: store.add(loads()),
    "undo": lambda store: store.undo(2),
}


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    folder = tmp_path_factory.mktemp("crash") / "estate"
    store = create_estate(folder)
    store.add(blocks())
    store.add(log("01"))
    return folder


def content(folder: Path) -> dict[str, str]:
    """Every file of the estate but locks and staging, by its hash; the ledger without its times."""
    out = {}
    for file in sorted(folder.rglob("*")):
        name = file.relative_to(folder).as_posix()
        if file.is_file() and not name.startswith((".lock", ".staging")):
            if name == "ledger.parquet":
                out[name] = pd.read_parquet(file).drop(columns="time").to_json()
            else:
                out[name] = hashlib.sha256(file.read_bytes()).hexdigest()
    return out


def steps_of(change, folder: Path, monkeypatch) -> list[str]:
    steps: list[str] = []
    monkeypatch.setattr(atomic, "reached", steps.append)
    change(open_store(folder))
    return steps


@pytest.mark.parametrize("name", CHANGES)
def test_power_cut_at_every_step_leaves_all_or_nothing(prepared, tmp_path, monkeypatch, name):
    change = CHANGES[name]
    before = content(prepared)
    whole = tmp_path / "whole"
    shutil.copytree(prepared, whole)
    steps = steps_of(change, whole, monkeypatch)
    after = content(whole)
    assert after != before
    assert "in place journal.json" in steps
    outcomes = []
    for place in range(len(steps)):
        folder = tmp_path / f"cut {place}"
        shutil.copytree(prepared, folder)
        cut_at(place, monkeypatch)
        with pytest.raises(PowerCut):
            change(open_store(folder))
        monkeypatch.setattr(atomic, "reached", lambda _step: None)
        again = open_store(folder)
        assert content(folder) in (before, after), f"cut after {steps[place]!r}"
        assert again.verify() == []
        assert not transaction.needs_recovery(folder)
        outcomes.append(content(folder) == after)
        shutil.rmtree(folder)
    # Before the journal is in place nothing has happened, from then on everything has.
    commit = steps.index("in place journal.json")
    assert outcomes == [place >= commit for place in range(len(steps))]


def cut_at(place: int, monkeypatch) -> None:
    left = iter(range(10_000))

    def reached(step: str) -> None:
        if next(left) == place:
            raise PowerCut(step)

    monkeypatch.setattr(atomic, "reached", reached)


def test_power_cut_during_recovery_is_recovered_too(prepared, tmp_path, monkeypatch):
    folder = tmp_path / "estate"
    shutil.copytree(prepared, folder)
    steps = steps_of(CHANGES["harvest"], shutil.copytree(prepared, tmp_path / "whole"), monkeypatch)
    cut_at(steps.index("in place journal.json"), monkeypatch)
    with pytest.raises(PowerCut):
        CHANGES["harvest"](open_store(folder))
    for _ in range(2):
        cut_at(0, monkeypatch)
        with pytest.raises(PowerCut):
            open_store(folder)
    monkeypatch.setattr(atomic, "reached", lambda _step: None)
    store = open_store(folder)
    assert store.recovered == ["Import 3 had been cut off while it was put in place; it was finished."]
    assert content(folder) == content(tmp_path / "whole")


def test_next_import_after_a_cut_recovers_by_itself(prepared, tmp_path, monkeypatch):
    """A store that was opened before another program was cut off finishes that one's work first."""
    folder = tmp_path / "estate"
    shutil.copytree(prepared, folder)
    opened = open_store(folder)
    steps = steps_of(CHANGES["harvest"], shutil.copytree(prepared, tmp_path / "whole"), monkeypatch)
    cut_at(steps.index("in place journal.json"), monkeypatch)
    with pytest.raises(PowerCut):
        CHANGES["harvest"](open_store(folder))
    monkeypatch.setattr(atomic, "reached", lambda _step: None)
    assert opened.add(loads()).import_id == 4
    assert opened.verify() == []
    assert len(opened.readings(2024, "A1")) == 12


def test_full_disk_leaves_the_estate_as_before(prepared, tmp_path, monkeypatch):
    folder = tmp_path / "estate"
    shutil.copytree(prepared, folder)
    before = content(folder)

    def full(path: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(atomic, "sync_file", full)
    with pytest.raises(StoreError, match=r"No space left on device; the estate is as before"):
        open_store(folder).add(log("02"))
    monkeypatch.undo()
    assert content(folder) == before
    assert open_store(folder).verify() == []


def test_file_held_open_by_another_program_is_finished_later(prepared, tmp_path, monkeypatch):
    """As Windows does it: the rename is refused after the commit point; nothing is thrown away."""
    folder = tmp_path / "estate"
    shutil.copytree(prepared, folder)
    real = atomic.os.replace

    def held(source, target) -> None:
        if str(target).endswith("A2.parquet"):
            raise PermissionError(errno.EACCES, "in use")
        real(source, target)

    monkeypatch.setattr(atomic.os, "replace", held)
    monkeypatch.setattr(atomic, "REPLACE_PAUSE_S", 0.0)
    with pytest.raises(StoreError, match=r"Close the program that has it open; nothing is lost"):
        open_store(folder).add(log("02"))
    monkeypatch.undo()
    store = open_store(folder)
    assert "it was finished" in store.recovered[0]
    assert len(store.readings(2024, "A2")) == 12
    assert store.verify() == []


@pytest.mark.parametrize(
    "target", ["../evil.parquet", "/evil.parquet", "C:/evil.parquet", "a\\..\\evil.parquet"]
)
def test_journal_that_leads_outside_is_refused(prepared, tmp_path, target):
    folder = tmp_path / "estate"
    shutil.copytree(prepared, folder)
    stage = folder / ".staging" / "000009"
    stage.mkdir(parents=True)
    (stage / "0000").write_bytes(b"x")
    (stage / "journal.json").write_text(
        f'{{"moves": [["0000", {target!r}]], "removals": []}}'.replace("'", '"'), encoding="utf-8"
    )
    with pytest.raises(StoreError, match=r"outside the estate"):
        open_store(folder)


def test_damaged_journal_is_told(prepared, tmp_path):
    folder = tmp_path / "estate"
    shutil.copytree(prepared, folder)
    stage = folder / ".staging" / "000009"
    stage.mkdir(parents=True)
    (stage / "journal.json").write_text("{", encoding="utf-8")
    with pytest.raises(StoreError, match=r"journal of a cut-off import is damaged"):
        open_store(folder)


KILLED = """
import os, sys, pathlib
sys.path.insert(0, str(pathlib.Path(sys.argv[3])))
import test_crash as t
from vinemap.estate import atomic, open_store
place = int(sys.argv[2])
left = iter(range(10_000))
def reached(step):
    if next(left) == place:
        os._exit(9)
atomic.reached = reached
open_store(sys.argv[1]).add(t.log("02"))
"""


@pytest.mark.slow
@pytest.mark.parametrize("place", [0, 3, 5, 8])
def test_killed_process_leaves_all_or_nothing(prepared, tmp_path, place):
    """The same with a process that dies at once, its lock with it."""
    folder = tmp_path / "estate"
    shutil.copytree(prepared, folder)
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(folder), str(place), str(Path(__file__).parent)],
        check=False,
        timeout=120,
    )
    assert done.returncode == 9
    store = open_store(folder)
    assert store.verify() == []
    assert len(store.readings(2024, "A1")) in (6, 12)
    assert not store.add(loads()).duplicate
