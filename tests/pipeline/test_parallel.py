"""Blocks in several processes: results in order, a dead worker told plainly, plain scripts welcome."""

from __future__ import annotations

import math
import os
import subprocess
import sys
import time
from concurrent.futures.process import BrokenProcessPool

import numpy as np
import psutil
import pytest

from vinemap.errors import VinemapError
from vinemap.pipeline.parallel import map_tasks, open_workers, start_tasks
from vinemap.progress import report_nothing

HELD = []


def hold_memory(mib):
    """Keep so much memory for good, take longer than loky waits to look, and tell which process this is."""
    if not HELD:
        HELD.append(np.ones(mib << 17))
    time.sleep(0.6)
    return os.getpid()


SCRIPT = """
import math
from vinemap.pipeline.parallel import map_tasks, open_workers
from vinemap.progress import report_nothing

with open_workers(workers=2, tasks=3) as pool:
    print(map_tasks(math.sqrt, [1.0, 4.0, 9.0], pool=pool, report=report_nothing, stage="Roots"))
"""


@pytest.mark.parametrize("workers", [1, 2])
def test_results_come_in_the_order_of_the_tasks(workers):
    told = []
    with open_workers(workers=workers, tasks=4) as pool:
        roots = map_tasks(
            math.sqrt,
            [16.0, 9.0, 4.0, 1.0],
            pool=pool,
            report=lambda *words: told.append(words),
            stage="Roots",
        )
    assert roots == [4.0, 3.0, 2.0, 1.0]
    assert told[0] == ("Roots", 0, 4)
    assert told[-1] == ("Roots", 4, 4)


def test_a_worker_that_dies_is_told_with_what_to_do():
    with (
        open_workers(workers=2, tasks=2) as pool,
        pytest.raises(VinemapError, match=r"Dying: A worker process died.*Run again, with --workers 1"),
    ):
        map_tasks(os._exit, [9, 9], pool=pool, report=report_nothing, stage="Dying")


def test_a_worker_that_died_while_it_waited_is_told_in_the_same_words():
    with open_workers(workers=2, tasks=2) as pool:
        assert isinstance(pool.submit(os._exit, 9).exception(timeout=60), BrokenProcessPool)
        with pytest.raises(VinemapError, match=r"Late: A worker process died.*Run again, with --workers 1"):
            map_tasks(int, ["1", "2"], pool=pool, report=report_nothing, stage="Late")


@pytest.mark.parametrize("workers", [1, 2])
def test_tasks_handed_out_are_waited_for_later(workers, tmp_path):
    told = []
    with open_workers(workers=workers, tasks=2) as pool:
        wait = start_tasks(
            os.mkdir,
            [tmp_path / "a", tmp_path / "b"],
            pool=pool,
            report=lambda *words: told.append(words),
            stage="Making",
        )
        assert told == []
        if pool is not None:  # workers begin at once
            deadline = time.monotonic() + 60
            while len(list(tmp_path.iterdir())) < 2:
                assert time.monotonic() < deadline
                time.sleep(0.05)
        assert wait() == [None, None]
    assert len(list(tmp_path.iterdir())) == 2
    assert told[0] == ("Making", 0, 2)
    assert told[-1] == ("Making", 2, 2)


def test_what_goes_wrong_in_a_task_handed_out_is_raised_where_it_is_waited_for(tmp_path):
    with open_workers(workers=2, tasks=2) as pool:
        wait = start_tasks(
            os.rmdir, [tmp_path / "none", tmp_path / "no"], pool=pool, report=report_nothing, stage="Taking"
        )
        with pytest.raises(FileNotFoundError):
            wait()


@pytest.mark.skipif(not hasattr(os, "nice"), reason="Windows has no niceness")
def test_workers_leave_the_processor_to_the_process_that_started_them():
    with open_workers(workers=2, tasks=2) as pool:
        levels = map_tasks(os.nice, [0, 0], pool=pool, report=report_nothing, stage="Asking")
    assert min(levels) > os.nice(0) or min(levels) == 19


def test_a_worker_that_holds_a_large_block_is_not_replaced(recwarn):
    # loky looks at a worker after a task, once a second, and would end one 300 MB above its start.
    with open_workers(workers=2, tasks=2) as pool:
        seen = [pool.submit(hold_memory, 400).result() for _ in range(8)]
    assert len(set(seen)) <= 2
    assert not [one for one in recwarn if "restarted" in str(one.message)]


def test_a_plain_script_without_a_guard_can_use_workers(tmp_path):
    # A grower's notebook or script has no `if __name__ == "__main__":`; its workers must not run it again.
    script = tmp_path / "plain.py"
    script.write_text(SCRIPT, encoding="utf-8")
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, encoding="utf-8")
    assert done.stdout.splitlines() == ["[1.0, 2.0, 3.0]"], done.stderr


ENDLESS = """
import time

from vinemap.pipeline.parallel import map_tasks, open_workers
from vinemap.progress import report_nothing

with open_workers(workers=2, tasks=2) as pool:
    pool.submit(time.sleep, 0.0).result()
    print("at work", flush=True)
    map_tasks(time.sleep, [600.0, 600.0], pool=pool, report=report_nothing, stage="Sleeping")
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows does not tell a process that its parent has gone")
def test_workers_end_when_the_run_is_killed():
    with subprocess.Popen([sys.executable, "-c", ENDLESS], stdout=subprocess.PIPE, text=True) as run:
        said = run.stdout.readline()
        workers = psutil.Process(run.pid).children(recursive=True)
        run.kill()
    _, alive = psutil.wait_procs(workers, timeout=30)
    for one in alive:
        one.kill()
    assert said == "at work\n"
    assert workers
    assert not alive
