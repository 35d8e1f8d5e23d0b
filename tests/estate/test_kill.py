"""Really killed, really out of space, really two at once: all or nothing, every time.

`test_crash` cuts an import at every step that the code knows of; here the kernel does it wherever it happens
to be. Whole trials run in one helper process (`killer.py`), so that 200 of them stay under a minute.
"""

from __future__ import annotations

import importlib.util
import pickle
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from vinemap.estate import open_store
from vinemap.intake import read_source

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL, fork and file size limits are of POSIX"),
]
KILLS = 200
STEPS = 12  # of an import into two blocks: files staged, journal written, files moved
AFTER_STEP_MS = 2.0
HERE = Path(__file__).parent


def load_crash():
    """Get the estate and the comparison of `test_crash`, which is no package."""
    spec = importlib.util.spec_from_file_location("crash_tools", HERE / "test_crash.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


crash = load_crash()


def write_log(file: Path, minute: int) -> Path:
    """Write readings in both blocks of the estate, and beside them what reading them gives."""
    count = 60
    times = pd.Timestamp(f"2024-03-05T08:{minute:02d}:00Z") + pd.to_timedelta(np.arange(count), unit="s")
    pd.DataFrame(
        {
            "time": times.astype(str),
            "latitude": np.linspace(-34.1998, -34.1982, count),
            "longitude": np.tile([140.501, 140.505], count // 2),
            "mass_flow_kg_s": 2.0,
            "speed_m_s": 1.0,
            "machine": "H1",
        }
    ).to_csv(file, index=False)
    read = file.with_suffix(".pickle")
    read.write_bytes(pickle.dumps(read_source(file, "harvest")))
    return read


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kill") / "estate"
    store = crash.create_estate(folder)
    store.add(crash.blocks())
    store.add(crash.log("01"))
    return folder


@pytest.fixture(scope="module")
def killer(prepared):
    """Give a function that sends one line to the helper and waits for its answer."""
    with subprocess.Popen(
        [sys.executable, str(HERE / "killer.py"), str(prepared)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as helper:

        def ask(*words: object) -> list[str]:
            helper.stdin.write("\t".join(map(str, words)) + "\n")
            helper.stdin.flush()
            return helper.stdout.readline().split()

        yield ask
        helper.stdin.close()


def choose_moment(rng: np.random.Generator, usual_ms: float) -> tuple[int, float]:
    """Step and delay [ms] after it at which to kill: any time, or near a step of putting things in place."""
    if rng.random() < 0.3:
        return 0, rng.uniform(0.0, 0.9) * usual_ms
    return int(rng.integers(1, STEPS)), rng.exponential(AFTER_STEP_MS)


def test_killed_two_hundred_times_at_random_points(prepared, tmp_path, killer):
    """SIGKILL at a random moment; before or complete, the store verifies, and the log can be added after."""
    log = write_log(tmp_path / "log.csv", 0)
    whole = shutil.copytree(prepared, tmp_path / "whole")
    status, took = killer("import", whole, log, 0, -1)
    assert status == "0"
    before, after = crash.content(prepared), crash.content(whole)
    rng, usual = np.random.default_rng(3), float(took)
    folder = tmp_path / "trial"
    outcomes = {"killed": 0, "not in time": 0, "before": 0, "complete": 0, "recovered": 0}
    while outcomes["killed"] < KILLS and outcomes["not in time"] < 3 * KILLS:
        if not folder.exists():
            shutil.copytree(prepared, folder)
        moment = choose_moment(rng, usual)
        status, _ = killer("import", folder, log, *moment)
        store = open_store(folder)
        outcomes["recovered"] += bool(store.recovered)
        now = crash.content(folder)
        assert now in (before, after), f"killed {moment[1]:.2f} ms after step {moment[0]}"
        if status == "-9":
            outcomes["killed"] += 1
            outcomes["before" if now == before else "complete"] += 1
        else:
            outcomes["not in time"] += 1
        if rng.random() < 0.1:
            assert store.verify() == []
            assert store.add(read_source(log.with_suffix(".csv"), "harvest")).duplicate == (now == after)
            shutil.rmtree(folder)
        elif now == after:
            shutil.rmtree(folder)
    print(outcomes)
    assert outcomes["killed"] == KILLS
    assert outcomes["before"] > 0.1 * KILLS
    assert outcomes["complete"] > 0.1 * KILLS
    assert outcomes["recovered"] > 0.1 * KILLS


def test_full_disk_at_any_size(prepared, tmp_path, killer):
    """The kernel refuses to let files grow: the import is refused in words and nothing has changed."""
    log = write_log(tmp_path / "log.csv", 0)
    before = crash.content(prepared)
    refused = 0
    for place, limit in enumerate(np.geomspace(16, 60_000, 24).astype(int)):
        folder = shutil.copytree(prepared, tmp_path / f"full {place}")
        status, _ = killer("limit", folder, log, limit)
        assert status in ("0", "1"), f"limit {limit}"
        refused += status == "1"
        store = open_store(folder)
        assert store.verify() == []
        assert (crash.content(folder) == before) == (status == "1")
    assert 5 < refused < 24


def test_two_writers_at_once_wait_for_one_another(prepared, tmp_path, killer):
    folder = shutil.copytree(prepared, tmp_path / "estate")
    logs = [write_log(tmp_path / f"{minute}.csv", minute) for minute in (1, 2)]
    assert killer("both", folder, *logs) == ["0", "0"]
    store = open_store(folder)
    assert sorted(store.ledger()["file"])[:2] == ["1.csv", "2.csv"]
    assert store.ledger()["import_id"].is_unique
    assert len(store.readings(2024, "A1")) == 6 + 60
    assert store.verify() == []
