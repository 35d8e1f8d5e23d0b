"""The ledger: every import, what it stored and refused, and whether it was taken back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from vinemap._version import __version__
from vinemap.errors import StoreError, TableError
from vinemap.estate.layout import describe_damage
from vinemap.tables import LEDGER, check_table, empty_table, read_plain

LEDGER_FILE = "ledger.parquet"


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What one import (or its undoing) did.

    Attributes
    ----------
    import_id : int
        Number in the ledger; of a duplicate file, the number under which it is stored already.
    kind, file : str
    rows_read, rows_stored, rows_refused : int
    reasons : dict of str to int
        Refusals by reason.
    notes : list of str
    duplicate : bool
        The same file is stored already; nothing was done.
    first : dict of str to str
        Where each reason was met first in the file, and the value seen.
    """

    import_id: int
    kind: str
    file: str
    rows_read: int
    rows_stored: int
    rows_refused: int
    reasons: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    duplicate: bool = False
    first: dict[str, str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


def read_ledger(folder: Path) -> pd.DataFrame:
    """Read the ledger of an estate folder.

    Raises
    ------
    StoreError
        If it is damaged.
    """
    file = folder / LEDGER_FILE
    if not file.exists():
        return empty_table(LEDGER)
    try:
        return check_table(read_plain(file), LEDGER, where=LEDGER_FILE)
    except (OSError, ValueError, TableError) as error:
        raise StoreError(
            f"The ledger cannot be read: {describe_damage(error)}.",
            where=str(file),
            remedy="Take it back from a backup copy.",
        ) from error


def write_ledger(ledger: pd.DataFrame, path: Path) -> None:
    """Write the ledger to a (staged) file."""
    ledger.to_parquet(path, index=False)


def next_number(ledger: pd.DataFrame) -> int:
    """Give the number of the next import."""
    return int(ledger["import_id"].max()) + 1 if len(ledger) else 1


def stored_already(ledger: pd.DataFrame, sha256: str, kind: str) -> pd.Series | None:
    """Ledger line of the same file stored as the same kind and not taken back, None if there is none."""
    same = ledger[(ledger["sha256"] == sha256) & (ledger["kind"] == kind) & ~ledger["undone"]]
    return same.iloc[0] if len(same) else None


def add_line(ledger: pd.DataFrame, report: ImportReport, *, sha256: str, vintage: int) -> pd.DataFrame:
    """Give the ledger with one more line; the ledger passed is not altered."""
    line = pd.DataFrame(
        [
            {
                "import_id": report.import_id,
                "kind": report.kind,
                "file": report.file,
                "sha256": sha256,
                "vintage": vintage,
                "rows_read": report.rows_read,
                "rows_stored": report.rows_stored,
                "rows_refused": report.rows_refused,
                "reasons": json.dumps(report.reasons, ensure_ascii=False),
                "time": pd.Timestamp.now(tz="UTC"),
                "version": __version__,
                "undone": False,
            }
        ]
    )
    checked = check_table(line, LEDGER)
    return pd.concat([ledger, checked], ignore_index=True) if len(ledger) else checked


def mark_undone(ledger: pd.DataFrame, import_id: int) -> pd.DataFrame:
    """Give the ledger with one import marked as taken back."""
    out = ledger.copy()
    out.loc[out["import_id"] == import_id, "undone"] = True
    return out


def find_line(ledger: pd.DataFrame, import_id: int) -> pd.Series:
    """Ledger line of an import.

    Raises
    ------
    StoreError
        If there is none, or it was taken back before.
    """
    lines = ledger[ledger["import_id"] == import_id]
    if not len(lines):
        known = ", ".join(str(one) for one in ledger["import_id"].tail(10)) or "none"
        raise StoreError(
            f"There is no import {import_id}.", where=LEDGER_FILE, remedy=f"The last ones are: {known}."
        )
    if bool(lines.iloc[0]["undone"]):
        raise StoreError(
            f"Import {import_id} was taken back before.", where=LEDGER_FILE, remedy="Nothing to do."
        )
    return lines.iloc[0]


def reasons_of(line: Mapping[str, Any] | pd.Series) -> dict[str, int]:
    """Refusals by reason of one ledger line."""
    return {str(key): int(value) for key, value in json.loads(line["reasons"] or "{}").items()}
