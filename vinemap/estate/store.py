"""The estate folder: GeoParquet tables in WGS84, every change whole or not at all, every import undoable."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from vinemap.errors import DataError, StoreError
from vinemap.estate import atomic, layout
from vinemap.estate.changes import stage_import, stage_readings, stage_undo
from vinemap.estate.ledger import (
    LEDGER_FILE,
    ImportReport,
    add_line,
    find_line,
    mark_undone,
    next_number,
    read_ledger,
    reasons_of,
    stored_already,
    write_ledger,
)
from vinemap.estate.memory import MEMORY_FILE, read_memory, with_memory, without_import, write_memory
from vinemap.estate.migrate import migrate_folder
from vinemap.estate.settings import default_settings_text
from vinemap.estate.shelf import EstateTables
from vinemap.estate.transaction import Transaction, needs_recovery, recover
from vinemap.taken import Intake, IntakeStream, Remembered


def create_estate(folder: Path | str, *, name: str = "My estate") -> EstateStore:
    """Make an estate folder with a commented estate.toml.

    Parameters
    ----------
    folder : pathlib.Path or str
        Must not exist, or be empty.
    name : str

    Returns
    -------
    EstateStore

    Raises
    ------
    StoreError
        If the folder holds anything already, or cannot be made.
    """
    path = Path(folder)
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise StoreError(
            "There is something here already.", where=str(path), remedy="Name a new folder, or open this one."
        )
    text = default_settings_text(name=name)
    try:
        path.mkdir(parents=True, exist_ok=True)
        atomic.write_text_whole(path / layout.SETTINGS_FILE, text)
        atomic.write_text_whole(path / layout.FORMAT_FILE, layout.format_text())
    except OSError as error:
        raise StoreError(
            f"The folder cannot be made: {error}.",
            where=str(path),
            remedy="Choose a folder that you may write to.",
        ) from error
    return open_store(path)


def open_store(folder: Path | str, *, wait_s: float = atomic.LOCK_WAIT_S) -> EstateStore:
    """Open an estate folder; finishes or takes back what a killed import left, and brings it up to date.

    Parameters
    ----------
    folder : pathlib.Path or str
    wait_s : float
        Longest wait [s] for another writer.

    Returns
    -------
    EstateStore

    Raises
    ------
    StoreError
        If it is not an estate, is of another format version, or is locked.
    """
    path = Path(folder)
    notes = migrate_folder(path, wait_s=wait_s)
    store = EstateStore(path, wait_s=wait_s)
    store.recovered += notes
    if needs_recovery(path):
        with atomic.locked(path, wait_s):
            store.recovered += recover(path)
    return store


class EstateStore(EstateTables):
    """An open estate folder; make it with `create_estate` or `open_store`.

    Parameters
    ----------
    folder : pathlib.Path
    wait_s : float
        Longest wait [s] for another writer.

    Attributes
    ----------
    folder : pathlib.Path
    recovered : list of str
        What was finished or taken back on opening, in words.
    """

    def __init__(self, folder: Path, *, wait_s: float = atomic.LOCK_WAIT_S) -> None:
        super().__init__(folder)
        self.wait_s = wait_s
        self.recovered: list[str] = []

    def add(self, taken: Intake | IntakeStream) -> ImportReport:
        """Store a file that was read, whatever its kind.

        Parameters
        ----------
        taken : Intake or IntakeStream
            From `vinemap.intake`; a stream is stored part by part.

        Returns
        -------
        ImportReport
            ``duplicate`` where the same file is stored already.

        Raises
        ------
        StoreError
            If the folder is locked or cannot be written to; the estate is as before.
        DataError
            If the table does not fit the estate (no blocks yet, readings elsewhere, ...).
        """
        with self._writing() as ledger:
            same = stored_already(ledger, taken.sha256, taken.kind)
            if same is not None:
                return _duplicate(same, taken)
            number = next_number(ledger)
            with self._transaction(number) as change:
                report, first = self._stage(change, taken, number)
                self._remember(change, first, number)
                new = add_line(ledger, report, sha256=taken.sha256, vintage=taken.vintage)
                change.put(LEDGER_FILE, lambda path: write_ledger(new, path))
        return report

    def remembered(self) -> list[Remembered]:
        """How columns of earlier files were meant; pass it to `vinemap.intake.read_source`.

        Raises
        ------
        StoreError
            If what is remembered is damaged.
        """
        return read_memory(self.folder)

    def _stage(
        self, change: Transaction, taken: Intake | IntakeStream, number: int
    ) -> tuple[ImportReport, Intake]:
        if taken.kind == "harvest":
            return stage_readings(self, change, taken, number)
        if isinstance(taken, IntakeStream):
            raise DataError(
                f"{taken.kind} cannot come in parts.", where=taken.file, remedy="Read it with read_source."
            )
        return stage_import(self, change, taken, number), taken

    def _remember(self, change: Transaction, taken: Intake, number: int) -> None:
        learnt = taken.details.get("remember")
        if isinstance(learnt, Remembered):
            memory = with_memory(self.remembered(), learnt, file=taken.file, import_id=number)
            change.put(MEMORY_FILE, lambda path: write_memory(memory, path))

    def undo(self, import_id: int) -> ImportReport:
        """Take one import back.

        Parameters
        ----------
        import_id : int
            Number in the ledger.

        Returns
        -------
        ImportReport
            ``rows_stored`` is minus the number of rows taken out.

        Raises
        ------
        StoreError
            If there is no such import, it was taken back before, or readings would lose their block.
        """
        with self._writing() as ledger:
            line = find_line(ledger, import_id)
            new = mark_undone(ledger, import_id)
            with self._transaction(next_number(ledger)) as change:
                removed = stage_undo(self, change, str(line["kind"]), import_id, new)
                memory = without_import(self.remembered(), import_id)
                if len(memory) != len(self.remembered()):
                    change.put(MEMORY_FILE, lambda path: write_memory(memory, path))
                change.put(LEDGER_FILE, lambda path: write_ledger(new, path))
        return ImportReport(
            import_id,
            str(line["kind"]),
            str(line["file"]),
            int(line["rows_read"]),
            -removed,
            int(line["rows_refused"]),
            reasons_of(line),
            [f"Import {import_id} was taken back; its file can be added again."],
        )

    @contextmanager
    def _writing(self) -> Iterator[pd.DataFrame]:
        """Hold the lock, finish what a killed writer left, give the ledger as it is now."""
        with atomic.locked(self.folder, self.wait_s):
            self.recovered += recover(self.folder)
            yield read_ledger(self.folder)

    @contextmanager
    def _transaction(self, number: int) -> Iterator[Transaction]:
        change = Transaction(self.folder, number)
        try:
            yield change
            change.commit()
        except OSError as error:
            state = (
                "it will be finished when the estate is opened again"
                if change.committed
                else "the estate is as before"
            )
            change.abandon()
            raise StoreError(
                f"It could not be written: {error}; {state}.",
                where=str(self.folder),
                remedy="Check the space on the disk and the rights on the folder.",
            ) from error
        except Exception:
            change.abandon()
            raise


def _duplicate(line: pd.Series, taken: Intake | IntakeStream) -> ImportReport:
    number = int(line["import_id"])
    note = f"The same file is stored already as import {number} ({line['file']}); nothing was done."
    read = int(line["rows_read"])
    return ImportReport(number, taken.kind, taken.file, read, 0, 0, {}, [note], duplicate=True)
