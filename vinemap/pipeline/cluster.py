"""A Dask cluster as an executor: found, of one version, and told when it is lost."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future
from contextlib import contextmanager
from typing import Any, ParamSpec, TypeVar

from vinemap._version import __version__
from vinemap.errors import VinemapError
from vinemap.pipeline.cache import code_of

CONNECT_S = 20.0  # longest wait for the answer of a scheduler, and for its first worker
NO_WORKER_S = 60.0  # longest wait for another worker when all are gone
WATCH_S = 2.0  # how often it is looked whether a worker is left
Given = ParamSpec("Given")
Result = TypeVar("Result")


@contextmanager
def open_cluster(address: str) -> Iterator[Executor]:
    """Give the cluster of a scheduler as an executor.

    Parameters
    ----------
    address : str
        Of the Dask scheduler, e.g. ``tcp://host:8786``.

    Yields
    ------
    concurrent.futures.Executor

    Raises
    ------
    VinemapError
        If Dask distributed is not installed, the scheduler does not answer, it has no workers or loses them
        all, the way to it is lost, or a worker runs another version of vinemap.
    """
    with _connect(address) as client:
        _need_workers(client, address)
        _check_versions(client, address)
        pool = client.get_executor()
        with _telling_lost(client, pool, address):
            yield _OfOneVersion(pool, address)


class _OfOneVersion(Executor):
    """Every task looks whether its worker runs the same code: workers may join at any time."""

    def __init__(self, pool: Executor, address: str) -> None:
        self.pool = pool
        self.address = address

    def submit(
        self, fn: Callable[Given, Result], /, *args: Given.args, **kwargs: Given.kwargs
    ) -> Future[Result]:
        return self.pool.submit(_run_checked, code_of("."), self.address, fn, *args, **kwargs)


def _run_checked(
    code: str, address: str, fn: Callable[Given, Result], /, *args: Given.args, **kwargs: Given.kwargs
) -> Result:
    if code_of(".") != code:
        raise _other_version("A worker that joined runs", address)
    return fn(*args, **kwargs)


def _other_version(who: str, address: str) -> VinemapError:
    return VinemapError(
        f"{who} another version of vinemap or of its libraries.",
        where=f"--scheduler {address}",
        remedy=f"Install vinemap {__version__} and scripts/constraints.txt on all of them, then run again.",
    )


def _connect(address: str) -> Any:
    try:
        import distributed
    except ImportError as error:
        raise VinemapError(
            "Dask distributed is not installed.",
            where=f"--scheduler {address}",
            remedy="Install it with: pip install 'vinemap[cluster]'.",
        ) from error
    connect: Any = distributed.Client  # typed only where it is installed
    try:
        return connect(address, timeout=CONNECT_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise VinemapError(
            f"The Dask scheduler does not answer: {error}.",
            where=f"--scheduler {address}",
            remedy="Start it (dask scheduler) and its workers (dask worker ADDRESS), then run again.",
        ) from error


def _need_workers(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
    except TimeoutError as error:
        raise VinemapError(
            f"The Dask scheduler has no workers, also after {CONNECT_S:g} s.",
            where=f"--scheduler {address}",
            remedy=f"Start some (dask worker {address} --nworkers 2 --nthreads 1), then run again.",
        ) from error


def _check_versions(client: Any, address: str) -> None:
    """Refuse workers that run other code: their results would be kept under other names, or differ."""
    seen = client.run(code_of, ".", on_error="return")
    others = sorted(worker for worker, code in seen.items() if code != code_of("."))
    if others:
        raise _other_version(f"{len(others)} of {len(seen)} workers ({others[0]}) run", address)


@contextmanager
def _telling_lost(client: Any, pool: Executor, address: str) -> Iterator[None]:
    """Say in words that the scheduler or all workers are gone; Dask itself waits for workers for ever."""
    done, none_left = threading.Event(), threading.Event()

    def watch() -> None:
        last_seen = time.monotonic()
        while not done.wait(WATCH_S):
            if client.status != "running" or _count_workers(client):
                last_seen = time.monotonic()
            elif time.monotonic() - last_seen > NO_WORKER_S:
                none_left.set()
                pool.shutdown(wait=False)  # cancels what still waits
                return

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield
    except VinemapError:
        raise
    except Exception as error:
        lost = isinstance(error, CancelledError) or none_left.is_set() or client.status != "running"
        if not lost:  # else what is raised depends on what Dask was doing just then
            raise
        raise VinemapError(
            f"No Dask worker is left, for {NO_WORKER_S:g} s now."
            if none_left.is_set()
            else "The Dask scheduler, or the way to it, was lost.",
            where=f"--scheduler {address}",
            remedy="What was finished is kept. Start the scheduler and its workers again, then run the same "
            "command again.",
        ) from error
    finally:
        done.set()
        watcher.join()


def _count_workers(client: Any) -> int:
    try:
        return len(client.nthreads())
    except (OSError, TimeoutError):
        return 1  # the way to the scheduler is being lost, which the tasks tell
