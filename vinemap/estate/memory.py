"""How columns of files were meant, kept in the estate for the next file of the same shape."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

from vinemap.errors import StoreError
from vinemap.estate.atomic import write_text
from vinemap.taken import Remembered

MEMORY_FILE = "columns.json"
MOST = 500  # shapes; the oldest are forgotten


def read_memory(folder: Path) -> list[Remembered]:
    """Read what is remembered, the latest last.

    Raises
    ------
    StoreError
        If the file is damaged.
    """
    file = folder / MEMORY_FILE
    if not file.is_file():
        return []
    try:
        return [Remembered(**one) for one in json.loads(file.read_text(encoding="utf-8"))]
    except (OSError, ValueError, TypeError) as error:
        raise StoreError(
            f"What is remembered of columns cannot be read: {error}.",
            where=str(file),
            remedy="Delete this file; nothing else is lost.",
        ) from error


def with_memory(known: list[Remembered], new: Remembered, *, file: str, import_id: int) -> list[Remembered]:
    """Give the memory with one more shape; what was known of the same shape gives way."""
    kept = [one for one in known if (one.kind, one.headers) != (new.kind, new.headers)]
    return [*kept, replace(new, file=file, import_id=import_id)][-MOST:]


def without_import(known: list[Remembered], import_id: int) -> list[Remembered]:
    """Give the memory without what one import taught."""
    return [one for one in known if one.import_id != import_id]


def write_memory(memory: list[Remembered], path: Path) -> None:
    """Write the memory to a (staged) file."""
    write_text(path, json.dumps([asdict(one) for one in memory], indent=1, ensure_ascii=False))
