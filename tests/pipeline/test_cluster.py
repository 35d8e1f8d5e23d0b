"""Blocks over a Dask cluster: the same results, a worker killed mid-run survived, plain refusals."""

from __future__ import annotations

import os
import signal
import time
import warnings

import pandas as pd
import pandas.testing as pdt
import pytest

from vinemap.errors import VinemapError
from vinemap.job import list_demo_files, new_estate
from vinemap.pipeline import cache, parallel
from vinemap.pipeline.parallel import map_tasks, open_workers
from vinemap.progress import report_nothing

real_code_of = cache.code_of
distributed = pytest.importorskip("distributed", reason="the extra vinemap[cluster] is not installed")


@pytest.fixture(scope="module")
def cluster():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of ports in use by others
        started = distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, memory_limit=0
        )
    with started:
        yield started


def mark_and_die_once(task):
    """Die at the first call of task 1, the way the system kills a process that takes too much memory."""
    number, marker = task
    if number == 1 and not marker.exists():
        marker.write_text("died", encoding="utf-8")
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    time.sleep(0.05)
    return number * number


def test_a_worker_killed_in_its_work_is_survived(cluster, tmp_path):
    tasks = [(number, tmp_path / "marker") for number in range(6)]
    with open_workers(workers=None, tasks=6, scheduler=cluster.scheduler_address) as pool:
        squares = map_tasks(mark_and_die_once, tasks, pool=pool, report=report_nothing, stage="Squares")
    assert squares == [0, 1, 4, 9, 16, 25]
    assert (tmp_path / "marker").exists()


def test_a_scheduler_that_is_not_there_is_told(monkeypatch):
    monkeypatch.setattr(parallel, "CONNECT_S", 0.5)
    with (
        pytest.raises(VinemapError, match=r"does not answer.*dask scheduler"),
        open_workers(workers=None, tasks=1, scheduler="tcp://127.0.0.1:9"),
    ):
        pass


def change_code(*, back: bool):
    cache.code_of = real_code_of if back else lambda _name: "of another version"


def test_workers_with_other_code_are_refused(cluster):
    with distributed.Client(cluster) as client:
        client.run(change_code, back=False)
        with (
            pytest.raises(VinemapError, match=r"workers run another version.*constraints"),
            open_workers(workers=None, tasks=1, scheduler=cluster.scheduler_address),
        ):
            pass
        client.run(change_code, back=True)


@pytest.mark.slow
def test_results_over_a_cluster_equal_those_of_one_process(
    cluster, assessed, small_files, tmp_path, monkeypatch
):
    _, files = small_files
    monkeypatch.chdir(tmp_path)  # the workers run elsewhere, and the folder is named from here
    estate = new_estate("clustered", name="Invented small estate")
    for kind, file, vintage in list_demo_files(files):
        estate.add(kind, file, vintage=vintage)
    result = estate.assess(scheduler=cluster.scheduler_address)
    for name, frame in assessed.result.layers.items():
        if name != "run_info":
            pdt.assert_frame_equal(pd.DataFrame(result.layers[name]), pd.DataFrame(frame), check_exact=True)
    here, there = (
        sorted(one.name for one in (each.folder / "surfaces").iterdir()) for each in (result, assessed.result)
    )
    assert here == there
