"""Writes that are whole or not at all, and the lock against a second writer."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from vinemap.errors import StoreError

LOCK_NAME = ".lock"
LOCK_WAIT_S = 30.0
# A virus scanner or a reader can hold a file open for a moment on Windows and on network shares.
REPLACE_TRIES = 20
REPLACE_PAUSE_S = 0.05


def reached(step: str) -> None:
    """Mark a step after which the power may fail; does nothing but let tests cut in here."""


def sync_file(path: Path) -> None:
    """Force the content of a file onto the disk."""
    with path.open("rb+") as handle:
        os.fsync(handle.fileno())


def sync_folder(folder: Path) -> None:
    """Force a folder's list of names onto the disk, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:
        # Some network shares refuse this; the rename itself is still whole.
        pass
    finally:
        os.close(handle)


def replace_file(source: Path, target: Path) -> None:
    """Put `source` in the place of `target` in one step, waiting out other programs for a moment.

    Raises
    ------
    StoreError
        If another program holds the target open.
    """
    for attempt in range(REPLACE_TRIES):
        try:
            os.replace(source, target)  # noqa: PTH105
            return
        except PermissionError as error:
            if attempt == REPLACE_TRIES - 1:
                raise StoreError(
                    f"It cannot be replaced: {error.strerror}.",
                    where=str(target),
                    remedy="Close the program that has it open; nothing is lost, open the estate again.",
                ) from error
            time.sleep(REPLACE_PAUSE_S)


def write_whole(path: Path, write: Callable[[Path], None]) -> None:
    """Write a file whole or not at all: temporary file beside it, fsync, rename, fsync of the folder.

    Parameters
    ----------
    path : pathlib.Path
        The file to make or replace.
    write : callable
        Called with the path of the temporary file.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        write(temporary)
        sync_file(temporary)
        reached(f"written {path.name}")
        replace_file(temporary, path)
    except Exception:
        temporary.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)
    reached(f"in place {path.name}")


def write_text_whole(path: Path, text: str) -> None:
    """Write UTF-8 text whole or not at all."""
    write_whole(path, lambda file: _write_text(file, text))


def _write_text(file: Path, text: str) -> None:
    file.write_text(text, encoding="utf-8", newline="\n")


@contextmanager
def locked(folder: Path, wait_s: float = LOCK_WAIT_S) -> Iterator[None]:
    """Hold the estate's lock; the lock falls with the process, also if that is killed.

    Parameters
    ----------
    folder : pathlib.Path
    wait_s : float
        Longest wait [s] for another writer.

    Raises
    ------
    StoreError
        If another writer still holds it, naming the lock file.
    """
    file = folder / LOCK_NAME
    lock = FileLock(file)
    try:
        lock.acquire(timeout=wait_s)
    except Timeout:
        raise StoreError(
            f"Another program is writing here and did not finish within {wait_s:g} s.",
            where=str(file),
            remedy="Wait until it is done and try again.",
        ) from None
    except OSError as error:
        raise StoreError(
            f"The lock cannot be taken: {error}.",
            where=str(file),
            remedy="Check that the folder can be written to.",
        ) from error
    try:
        yield
    finally:
        lock.release()
