"""Map a function over blocks: in this process, in several, or over a Dask cluster."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Any, TypeVar

from vinemap.errors import VinemapError
from vinemap.progress import Report

Task = TypeVar("Task")
Result = TypeVar("Result")
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@contextmanager
def open_workers(*, workers: int | None, tasks: int, scheduler: str | None = None) -> Iterator[Any]:
    """Start what runs the tasks and end it again.

    Parameters
    ----------
    workers : int, optional
        Processes; as many as there are cores if None. 1 stays in this process.
    tasks : int
        Number of tasks; no more processes than that are started.
    scheduler : str, optional
        Address of a Dask scheduler; overrides `workers`.

    Yields
    ------
    concurrent.futures.Executor or None
        None means: run in this process.

    Raises
    ------
    VinemapError
        If a scheduler is named but Dask distributed is not installed.
    """
    wanted = min(workers or os.cpu_count() or 1, max(tasks, 1))
    if scheduler:
        with _dask_client(scheduler) as client:
            yield client.get_executor()
    elif wanted == 1:
        yield None
    else:
        with _single_threaded(), ProcessPoolExecutor(wanted, mp_context=get_context("spawn")) as pool:
            yield pool


def map_tasks(
    function: Callable[[Task], Result],
    tasks: Sequence[Task],
    *,
    pool: Executor | None,
    report: Report,
    stage: str,
) -> list[Result]:
    """Apply `function` to every task and give the results in the order of the tasks.

    Parameters
    ----------
    function : callable
        Module-level, so that other processes can import it.
    tasks : sequence
    pool : Executor, optional
        As given by `open_workers`.
    report : callable
        Told (stage, done, total) as tasks end.
    stage : str
        Name of the stage in words.

    Returns
    -------
    list
    """
    report(stage, 0, len(tasks))
    if pool is None:
        results = []
        for number, task in enumerate(tasks, 1):
            results.append(function(task))
            report(stage, number, len(tasks))
        return results
    futures = [pool.submit(function, task) for task in tasks]
    for number, future in enumerate(as_completed(futures) if _is_local(pool) else futures, 1):
        future.result()
        report(stage, number, len(tasks))
    return [future.result() for future in futures]


def _is_local(pool: Executor) -> bool:
    return isinstance(pool, ProcessPoolExecutor)


@contextmanager
def _single_threaded() -> Iterator[None]:
    # One process a core is the unit of parallel work; BLAS threads on top of that only get in the way.
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _dask_client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError as error:
        raise VinemapError(
            "Dask distributed is not installed.",
            where=f"--scheduler {address}",
            remedy="Install it with: pip install 'vinemap[cluster]'.",
        ) from error
    return Client(address)
