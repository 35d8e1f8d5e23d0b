"""A process of its own that imports vinemap once and forks one short import per line of its input.

A line is ``import FOLDER LOG DELAY_MS`` (killed with SIGKILL after the delay; below 0 never) or
``limit FOLDER LOG BYTES`` (no file may grow beyond so many bytes: a full disk as the kernel reports it). It
answers with the child's status, below 0 for the number of a signal, and the time [ms] that it ran. The parent
itself never touches the estate, so that no thread of a library is alive when it forks.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import time
from pathlib import Path

from vinemap.errors import VinemapError
from vinemap.estate import open_store


def add_log(folder: str, log: str, began: int) -> int:
    """Import one log that was read before, telling when storing begins; 1 where it was refused."""
    taken = pickle.loads(Path(log).read_bytes())
    os.write(began, b"x")
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


def run_child(order: str, folder: str, log: str, number: float) -> tuple[int, float]:
    pid, reads = start_child(order, folder, log, number)
    os.read(reads, 1)
    started = time.perf_counter()
    if order == "import" and number >= 0:
        time.sleep(number / 1000)
        os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    os.close(reads)
    return os.waitstatus_to_exitcode(status), 1000 * (time.perf_counter() - started)


def run_both(folder: str, first: str, second: str) -> list[int]:
    """Two imports into one estate at the same time."""
    children = [start_child("import", folder, log, -1) for log in (first, second)]
    statuses = [os.waitpid(pid, 0)[1] for pid, _ in children]
    return [os.waitstatus_to_exitcode(one) for one in statuses]


def main() -> None:
    for line in sys.stdin:
        order, *words = line.rstrip("\n").split("\t")
        if order == "both":
            print(*run_both(*words), flush=True)
        else:
            status, took = run_child(order, words[0], words[1], float(words[2]))
            print(status, f"{took:.3f}", flush=True)


if __name__ == "__main__":
    main()
