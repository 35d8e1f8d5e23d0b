"""Imports that touch several files, made whole by a redo journal.

1. Every new file is written into ``.staging/<number>/`` and synced.
2. ``journal.json`` is written there whole: it lists which staged file goes where and which files go away.
   This rename is the commit point.
3. The staged files are renamed into place (the ledger last), files to go are removed, the staging folder
   is removed.

A crash before 2 leaves a staging folder without a journal: `recover` throws it away and the estate is as
before. A crash after 2 leaves a journal: `recover` does the renames that are still to do, each of which
can be done again without harm, and the estate is complete.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path, PurePosixPath

from vinemap.errors import StoreError
from vinemap.estate import atomic

STAGING = ".staging"
JOURNAL = "journal.json"
WRITERS = 4  # files written at a time


class Transaction:
    """One change of the estate folder; take the lock before you start one.

    Parameters
    ----------
    folder : pathlib.Path
        The estate folder.
    number : int
        Number of the import (or of the undo), only for the name of the staging folder.
    """

    def __init__(self, folder: Path, number: int) -> None:
        self.folder = folder
        self.stage = folder / STAGING / f"{number:06d}"
        self.moves: list[tuple[str, str]] = []
        self.removals: list[str] = []
        shutil.rmtree(self.stage, ignore_errors=True)
        self.stage.mkdir(parents=True)

    def put(self, target: str, write: Callable[[Path], None]) -> None:
        """Stage one file.

        Parameters
        ----------
        target : str
            Where it goes, relative to the estate folder, with forward slashes.
        write : callable
            Called with the path to write to.
        """
        self.put_all([(target, write)])

    def put_all(self, files: Sequence[tuple[str, Callable[[Path], None]]]) -> None:
        """Stage several files, a few at a time: each target and what writes it, as in `put`.

        Packing and syncing one file leave a core and the disk idle. What writes them must not share state.
        """
        names = [f"{len(self.moves) + place:04d}" for place in range(len(files))]
        with ThreadPoolExecutor(min(WRITERS, len(files) or 1)) as pool:
            done = pool.map(self._write, names, [write for _, write in files])
            for name, (target, _), _ in zip(names, files, done, strict=True):
                self.moves.append((name, target))
                atomic.reached(f"staged {target}")

    def _write(self, name: str, write: Callable[[Path], None]) -> None:
        write(self.stage / name)
        atomic.sync_file(self.stage / name)

    def remove(self, target: str) -> None:
        """Let one file go away at the commit."""
        self.removals.append(target)

    def commit(self) -> None:
        """Make the change: write the journal (the commit point), then carry it out.

        Raises
        ------
        StoreError
            If another program holds a file open; the change is then finished on the next opening.
        """
        journal = json.dumps({"moves": self.moves, "removals": self.removals}, indent=1)
        atomic.write_text_whole(self.stage / JOURNAL, journal)
        _carry_out(self.folder, self.stage)

    @property
    def committed(self) -> bool:
        """Whether the journal stands: then the change will be finished, now or on the next opening."""
        return (self.stage / JOURNAL).exists()

    def abandon(self) -> None:
        """Throw the staged files away; after the commit point nothing is thrown away."""
        if not self.committed:
            shutil.rmtree(self.stage, ignore_errors=True)


def needs_recovery(folder: Path) -> bool:
    """Whether an earlier writer left something behind (or is at work right now)."""
    staging = folder / STAGING
    return staging.is_dir() and any(staging.iterdir())


def recover(folder: Path) -> list[str]:
    """Finish or throw away what a killed writer left; call it with the lock held.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    list of str
        What was done, in words.

    Raises
    ------
    StoreError
        If a journal cannot be read.
    """
    if not needs_recovery(folder):
        return []
    notes = []
    for stage in sorted((folder / STAGING).iterdir()):
        if (stage / JOURNAL).is_file():
            _carry_out(folder, stage)
            notes.append(f"{_named(stage)} had been cut off while it was put in place; it was finished.")
        else:
            shutil.rmtree(stage)
            notes.append(f"{_named(stage)} had been cut off; the estate is as before. Add the file again.")
    return notes


def _named(stage: Path) -> str:
    number = int(stage.name) if stage.name.isdigit() else 0
    return f"Import {number}" if number else "A change of the folder's format"


def _carry_out(folder: Path, stage: Path) -> None:
    moves, removals = _read_journal(stage / JOURNAL)
    touched = set()
    for staged, target in moves:
        goal = _inside(folder, target)
        if (stage / staged).exists():
            goal.parent.mkdir(parents=True, exist_ok=True)
            atomic.replace_file(stage / staged, goal)
            touched.add(goal.parent)
            atomic.reached(f"moved {target}")
    for target in removals:
        goal = _inside(folder, target)
        goal.unlink(missing_ok=True)
        atomic.reached(f"removed {target}")
    for parent in touched:
        atomic.sync_folder(parent)
    (stage / JOURNAL).unlink()
    atomic.reached("journal gone")
    shutil.rmtree(stage, ignore_errors=True)


def _read_journal(file: Path) -> tuple[list[tuple[str, str]], list[str]]:
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
        moves = [(PurePosixPath(staged).name, str(target)) for staged, target in content["moves"]]
        return moves, [str(target) for target in content["removals"]]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            "The journal of a cut-off import is damaged and does not say what was still to be done.",
            where=str(file),
            remedy="Keep a copy of the estate folder, then delete this journal's folder and add the file "
            "again.",
        ) from error


def _inside(folder: Path, target: str) -> Path:
    parts = PurePosixPath(target).parts
    if not parts or ".." in parts or PurePosixPath(target).is_absolute() or "\\" in target or ":" in target:
        raise StoreError(
            f"The journal names {target!r}, outside the estate.", where=STAGING, remedy="Delete that folder."
        )
    return folder.joinpath(*parts)
