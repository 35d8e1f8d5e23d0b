"""Writes that are whole or not at all, and the lock against a second writer."""

from __future__ import annotations

import errno
import json
import os
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from vinemap.errors import StoreError

LOCK_NAME = ".lock"
LOCK_WAIT_S = 30.0
HELD_NAME = ".lock.held"
HELD_PAUSE_S = 0.2
NO_LOCKS = (errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP)
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

    Raises
    ------
    StoreError
        If another program holds the file open.
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
    """Write UTF-8 text whole or not at all; StoreError as of `write_whole`."""
    write_whole(path, lambda file: write_text(file, text))


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text with the same line ends on every system, to a (staged) file."""
    path.write_text(text, encoding="utf-8", newline="\n")


@contextmanager
def locked(folder: Path, wait_s: float = LOCK_WAIT_S) -> Iterator[None]:
    """Hold the estate's lock; the lock falls with the process, also if that is killed.

    The lock is one of the operating system on the file ``.lock``. Network shares pass it on to their server
    (NFS version 4, SMB). One that cannot lock at all says so, and then a file ``.lock.held`` that names its
    holder stands in: it is taken over if its holder was a process of this machine that is gone, else it is
    waited for. A share that claims to lock but does so on each machine alone (NFS mounted with ``nolock``)
    cannot be told from a good one: do not write to an estate there from two machines.

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
        raise _still_held(file, "Another program", wait_s) from None
    except (OSError, NotImplementedError) as error:
        if not _cannot_lock(error):
            raise StoreError(
                f"The lock cannot be taken: {error}.",
                where=str(file),
                remedy="Check that the folder can be written to.",
            ) from error
        with _held_by_name(folder / HELD_NAME, wait_s):
            yield
        return
    try:
        yield
    finally:
        lock.release()


def _cannot_lock(error: Exception) -> bool:
    """Whether the file system has no locks, as some network shares."""
    return isinstance(error, NotImplementedError) or getattr(error, "errno", None) in NO_LOCKS


def _still_held(file: Path, who: str, wait_s: float) -> StoreError:
    return StoreError(
        f"{who} is writing here and did not finish within {wait_s:g} s.",
        where=str(file),
        remedy="Wait until it is done and try again.",
    )


@contextmanager
def _held_by_name(file: Path, wait_s: float) -> Iterator[None]:
    """Hold a lock that is a file naming its holder, made in one step or not at all."""
    own = json.dumps({"host": socket.gethostname(), "pid": os.getpid()})
    until = time.monotonic() + wait_s
    while True:
        try:
            handle = os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
            break
        except FileExistsError:
            holder = _read_holder(file)
            if holder and _is_gone(holder):
                file.unlink(missing_ok=True)
                continue
            if time.monotonic() >= until:
                raise _still_held(file, _describe_holder(holder), wait_s) from None
            time.sleep(min(HELD_PAUSE_S, wait_s / 10))
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            out.write(own)
        yield
    finally:
        file.unlink(missing_ok=True)


def _read_holder(file: Path) -> dict[str, object]:
    try:
        held = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}  # just being written, or just gone
    return held if isinstance(held, dict) else {}


def _describe_holder(holder: dict[str, object]) -> str:
    if not holder:
        return "Another program (which one is not known; delete this file if none is)"
    return (
        f"Process {holder.get('pid')} on {str(holder.get('host'))[:60]!r} "
        "(delete this file if it is no longer there)"
    )


def _is_gone(holder: dict[str, object]) -> bool:
    """Whether the holder was a process of this machine that has ended; on Windows that is not looked up."""
    pid = holder.get("pid")
    if holder.get("host") != socket.gethostname() or not isinstance(pid, int) or os.name != "posix":
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except PermissionError:
        return False
    return False
