"""Map a function over blocks: in this process, in several, or over a Dask cluster."""

from __future__ import annotations

import atexit
import gc
import importlib
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, TypeVar

from loky import ProcessPoolExecutor

from vinemap.errors import VinemapError
from vinemap.pipeline.cluster import open_cluster
from vinemap.progress import Report

COLLECT_AFTER = 50_000  # objects; Python looks for cycles after 700 to 2,000, a twentieth of all work here
MANNERS = 5  # niceness of workers: what the main process does meanwhile, all wait for
WATCH_S = 1.0  # how often a worker looks whether it is still wanted
Task = TypeVar("Task")
Result = TypeVar("Result")
# One process a core is the unit of parallel work; BLAS threads on top of that only get in the way.
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
# A worker holds the arrays of one large block at a time; loky would take 300 MB more than at its start for a
# leak, warn and start another.
ROOM = {"LOKY_MAX_MEMORY_LEAK_SIZE": "1e9"}  # bytes


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
        If a scheduler is named but Dask distributed is not installed, the scheduler does not answer, has no
        workers or is lost, or a worker runs another version of vinemap.
    """
    wanted = min(workers or os.cpu_count() or 1, max(tasks, 1))
    if scheduler:
        with open_cluster(scheduler) as pool:
            yield pool
    elif wanted == 1:
        yield None
    else:
        # Workers of loky do not import the script they are started from, so a plain script can assess.
        mine = os.getpid()
        with ProcessPoolExecutor(wanted, env=ONE_THREAD | ROOM, initializer=_begin, initargs=(mine,)) as pool:
            pool.submit(int)  # starts the processes: they load what they need while this one does
            yield pool


def choose_local(pool: Executor | None) -> Executor | None:
    """Give the workers if they are processes of this machine, None for those of a cluster."""
    return pool if isinstance(pool, ProcessPoolExecutor) else None


def _begin(parent: int) -> None:
    """Load in a new worker what its tasks need."""
    _end_with(parent)
    if hasattr(os, "nice"):
        os.nice(MANNERS)
    gc.set_threshold(COLLECT_AFTER)
    atexit.register(os._exit, 0)  # nothing is left to do then; taking all that was loaded apart takes 0.3 s
    importlib.import_module("vinemap.pipeline.mapped")


def _end_with(parent: int) -> None:
    """End this worker soon after the process that started it was killed; else it would wait for ever.

    So does a worker that starts when its parent has gone already. A system that never tells that a parent has
    gone (Windows) ends workers when their pipe breaks.
    """

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(WATCH_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


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

    Raises
    ------
    VinemapError
        If a worker process dies.
    """
    return start_tasks(function, tasks, pool=pool, report=report, stage=stage)()


def start_tasks(
    function: Callable[[Task], Result],
    tasks: Sequence[Task],
    *,
    pool: Executor | None,
    report: Report,
    stage: str,
) -> Callable[[], list[Result]]:
    """Hand out tasks as `map_tasks` does, to wait for them later; without workers, waiting does them.

    Parameters
    ----------
    function, tasks, pool, report, stage
        As in `map_tasks`.

    Returns
    -------
    callable
        Waits and gives the results in the order of the tasks; raises as `map_tasks` does.
    """
    if pool is None:
        return lambda: _do_here(function, tasks, report, stage)
    with _telling_death(stage):
        futures = [pool.submit(function, task) for task in tasks]  # refused if a worker died while it waited
    return lambda: _gather(futures, report, stage)


def _do_here(
    function: Callable[[Task], Result], tasks: Sequence[Task], report: Report, stage: str
) -> list[Result]:
    report(stage, 0, len(tasks))
    results = []
    for number, task in enumerate(tasks, 1):
        results.append(function(task))
        report(stage, number, len(tasks))
    return results


def _gather(futures: list[Future[Result]], report: Report, stage: str) -> list[Result]:
    report(stage, 0, len(futures))
    try:
        with _telling_death(stage):
            for number, future in enumerate(as_completed(futures), 1):
                future.result()
                report(stage, number, len(futures))
    finally:
        for future in futures:
            future.cancel()
    return [future.result() for future in futures]


@contextmanager
def _telling_death(stage: str) -> Iterator[None]:
    """Say in words that a worker died, and what to do."""
    try:
        yield
    except Exception as error:
        if not _tells_death(error):
            raise
        raise VinemapError(
            "A worker process died; most often the memory was full.",
            where=stage,
            remedy="What was finished is kept. Run again, with --workers 1 if memory is short.",
        ) from error


def _tells_death(error: Exception) -> bool:
    """Whether an error says that a process died: of a pool, or of a cluster after several tries."""
    return isinstance(error, BrokenProcessPool) or type(error).__name__ == "KilledWorker"
