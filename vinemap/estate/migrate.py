"""Bringing an estate folder of an older format to the present one: whole or not at all, step by step.

A step is a function of the folder and a `Transaction`: it stages the files that change and says in words what
it did. The new number of the format is written in the same transaction, so that a step cut off anywhere is
either not done or done. A new format needs `layout.FORMAT` raised by one and one more line in `STEPS`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from vinemap.errors import StoreError
from vinemap.estate import atomic, layout
from vinemap.estate.transaction import Transaction, recover

Step = Callable[[Path, Transaction], str]
# Format before to the step that leads to the next; format 1 is the first.
STEPS: dict[int, Step] = {}


def migrate_folder(folder: Path, *, wait_s: float) -> list[str]:
    """Bring a folder to the present format; call it without the lock.

    Parameters
    ----------
    folder : pathlib.Path
    wait_s : float
        Longest wait [s] for another writer.

    Returns
    -------
    list of str
        What was done, in words; empty if the format is the present one.

    Raises
    ------
    StoreError
        If no way leads from the folder's format to the present one, or it cannot be written.
    """
    if layout.read_format(folder) == layout.FORMAT:
        return []
    with atomic.locked(folder, wait_s):
        notes = recover(folder)
        while (version := layout.read_format(folder)) != layout.FORMAT:
            step = STEPS.get(version)
            if version > layout.FORMAT or step is None:
                raise _no_way(folder, version)
            notes.append(_take_step(folder, version, step))
    return notes


def _take_step(folder: Path, version: int, step: Step) -> str:
    change = Transaction(folder, 0)
    try:
        note = step(folder, change)
        text = layout.format_text(version + 1)
        change.put(layout.FORMAT_FILE, lambda path: atomic.write_text(path, text))
        change.commit()
    except OSError as error:
        change.abandon()
        raise StoreError(
            f"The folder could not be brought from format {version} to {version + 1}: {error}.",
            where=str(folder),
            remedy="Check the space on the disk and the rights on the folder; nothing is lost.",
        ) from error
    except Exception:
        change.abandon()
        raise
    return f"The folder was brought from format {version} to {version + 1}: {note}"


def _no_way(folder: Path, version: int) -> StoreError:
    return StoreError(
        f"The folder is of format {version}; this version of vinemap reads format {layout.FORMAT}.",
        where=str(folder),
        remedy="Install a newer vinemap."
        if version > layout.FORMAT
        else "Open it once with the version that made it.",
    )
