"""Blocks over a Dask cluster: the same results, a worker killed mid-run survived, plain refusals."""

from __future__ import annotations

import os
import signal
import time
import warnings
from contextlib import contextmanager

import pandas as pd
import pandas.testing as pdt
import pytest

from vinemap.errors import VinemapError
from vinemap.job import list_demo_files, new_estate
from vinemap.pipeline import cache
from vinemap.pipeline import cluster as clusters
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
    monkeypatch.setattr(clusters, "CONNECT_S", 0.5)
    with (
        pytest.raises(VinemapError, match=r"does not answer.*dask scheduler"),
        open_workers(workers=None, tasks=1, scheduler="tcp://127.0.0.1:9"),
    ):
        pass


def change_code(*, back: bool):
    cache.code_of = clusters.code_of = real_code_of if back else lambda _name: "of another version"


def test_workers_with_other_code_are_refused(cluster):
    with distributed.Client(cluster) as client:
        client.run(change_code, back=False)
        try:
            with (
                pytest.raises(VinemapError, match=r"workers .* run another version.*constraints"),
                open_workers(workers=None, tasks=1, scheduler=cluster.scheduler_address),
            ):
                pass
        finally:
            client.run(change_code, back=True)


def test_a_worker_with_other_code_that_joins_later_is_refused(cluster):
    with distributed.Client(cluster) as client:

        def join(stage, done, total):
            if done == 1:
                client.run(change_code, back=False)

        try:
            with pytest.raises(VinemapError, match=r"A worker that joined runs another version.*constraints"):
                square_slowly(cluster, report=join)
        finally:
            client.run(change_code, back=True)


def wait_and_square(number):
    time.sleep(0.1)
    return number * number


def square_slowly(cluster, report=report_nothing):
    with open_workers(workers=None, tasks=400, scheduler=cluster.scheduler_address) as pool:
        return map_tasks(wait_and_square, range(400), pool=pool, report=report, stage="Squares")


@contextmanager
def small_cluster(workers: int):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of ports in use by others
        started = distributed.LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=False,
            dashboard_address=None,
            protocol="tcp://",
        )
    with started:
        yield started


def test_a_scheduler_without_workers_is_told(monkeypatch):
    monkeypatch.setattr(clusters, "CONNECT_S", 0.5)
    with (
        small_cluster(0) as empty,
        pytest.raises(VinemapError, match=r"has no workers, also after 0\.5 s\. Start some \(dask worker"),
    ):
        square_slowly(empty)


def test_a_run_whose_workers_are_all_gone_ends(monkeypatch):
    monkeypatch.setattr(clusters, "NO_WORKER_S", 0.5)
    monkeypatch.setattr(clusters, "WATCH_S", 0.1)
    with small_cluster(1) as leaving:

        def leave(stage, done, total):
            if done == 1:
                leaving.scale(0)

        with pytest.raises(VinemapError, match=r"No Dask worker is left, for 0\.5 s.*is kept.*same command"):
            square_slowly(leaving, report=leave)


def test_a_scheduler_that_ends_in_the_middle_is_told(monkeypatch):
    monkeypatch.setattr(clusters, "CONNECT_S", 2.0)
    with small_cluster(1) as ending:

        def end(stage, done, total):
            if done == 1:
                ending.close()

        with pytest.raises(VinemapError, match=r"scheduler, or the way to it, was lost.*same command again"):
            square_slowly(ending, report=end)


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
