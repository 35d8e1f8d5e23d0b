"""A process of its own that imports vinemap once and forks one short import per line of its input.

A line is ``import FOLDER LOG STEPS DELAY_MS`` (killed with SIGKILL so long after it went through so many of
the steps of a change, 0 for its beginning; a delay below 0 never kills) or ``limit FOLDER LOG BYTES`` (no
file may grow beyond so many bytes: a full disk as the kernel reports it). It answers with the child's status,
below 0 for the number of a signal, and the time [ms] that it ran. The parent itself never touches an estate,
so that no thread of a library is alive when it forks; it only makes ready what every child would have to.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import time
from pathlib import Path

import pyarrow.dataset
import pyarrow.pandas_compat  # noqa: F401
import pyproj

from vinemap.errors import VinemapError
from vinemap.estate import atomic, open_store
from vinemap.estate.sorter import turn_from_wgs84


def add_log(folder: str, log: str, began: int) -> int:
    """Import one log that was read before, telling when storing begins; 1 where it was refused."""
    taken = pickle.loads(Path(log).read_bytes())
    atomic.reached = lambda _: os.write(began, b".")
    os.write(began, b".")
    try:
        open_store(folder).add(taken)
    except VinemapError as error:
        return 1 if "the estate is as before" in str(error) else 2
    return 0


def start_child(order: str, folder: str, log: str, number: float) -> tuple[int, int]:
    reads, began = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reads)
        if order == "limit":
            import resource  # POSIX only, as all of this; the file itself is imported everywhere for doctests

            resource.setrlimit(resource.RLIMIT_FSIZE, (int(number), int(number)))
        status = 3
        try:
            status = add_log(folder, log, began)
        finally:
            os._exit(status)
    os.close(began)
    return pid, reads


def run_child(
    order: str, folder: str, log: str, steps: int = 0, delay_ms: float = -1.0, limit: float = 0.0
) -> tuple[int, float]:
    pid, reads = start_child(order, folder, log, limit)
    os.read(reads, 1)
    started = time.perf_counter()
    if delay_ms >= 0:
        while steps > 0 and os.read(reads, 1):
            steps -= 1
        time.sleep(delay_ms / 1000)
        os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    os.close(reads)
    return os.waitstatus_to_exitcode(status), 1000 * (time.perf_counter() - started)


def run_both(folder: str, first: str, second: str) -> list[int]:
    """Two imports into one estate at the same time."""
    children = [start_child("import", folder, log, -1) for log in (first, second)]
    statuses = [os.waitpid(pid, 0)[1] for pid, _ in children]
    return [os.waitstatus_to_exitcode(one) for one in statuses]


def make_ready() -> None:
    """Work out what is the same for every child: the transformation to the CRS of the trial estate."""
    for folder in sys.argv[1:]:
        turn_from_wgs84(crs_of(folder))


def crs_of(folder: str) -> str:
    return str(pyproj.CRS.from_json((Path(folder) / "crs.json").read_text(encoding="utf-8")).to_wkt())


def main() -> None:
    make_ready()
    for line in sys.stdin:
        order, *words = line.rstrip("\n").split("\t")
        if order == "both":
            print(*run_both(*words), flush=True)
        else:
            status, took = (
                run_child(order, words[0], words[1], limit=float(words[2]))
                if order == "limit"
                else run_child(order, words[0], words[1], int(words[2]), float(words[3]))
            )
            print(status, f"{took:.3f}", flush=True)


if __name__ == "__main__":
    main()
