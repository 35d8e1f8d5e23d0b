"""Checking an estate folder against its ledger."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from vinemap.errors import StoreError
from vinemap.estate import layout
from vinemap.estate.ledger import read_ledger
from vinemap.estate.reading_files import list_harvest
from vinemap.estate.transaction import needs_recovery

STRAY_SUFFIXES = (".parquet", ".csv", ".xlsx")  # what a person may put into a folder of the store


def verify_store(folder: Path) -> list[str]:
    """Check that every file can be read, counts agree with the ledger, and nothing was left half done.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    list of str
        Problems in words, with what to do; empty if all is well.
    """
    try:
        ledger = read_ledger(folder)
    except StoreError as error:
        return [str(error)]
    problems = []
    if needs_recovery(folder):
        problems.append("An import was cut off or is under way; open the estate again to settle it.")
    held: dict[int, int] = {}
    for name in _data_files(folder):
        problems += _count_file(folder, name, held)
    problems += _compare(ledger, held)
    return problems + _temporary_files(folder) + _harvest_without_block(folder)


def find_strays(folder: Path) -> list[str]:
    """Tell of files that a person put among those of the imports; they are neither read nor harmed.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    list of str
        One sentence for each, with what to do.
    """
    own = set(_data_files(folder))
    found = (
        file.relative_to(folder).as_posix()
        for place in (layout.HARVEST, layout.LOADS, layout.COUNTS, layout.IMPORTS)
        for file in (folder / place).rglob("*")
        if file.suffix.lower() in STRAY_SUFFIXES and not file.name.startswith(".")
    )
    return [
        f"{name} was not put there by vinemap and is not used: take it out of the folder; what it holds goes "
        "in with vinemap add."
        for name in sorted(found)
        if name not in own
    ]


def _data_files(folder: Path) -> list[str]:
    """Files of the store that are there, relative to it."""
    single = (layout.RENEWALS_FILE, f"{layout.IMAGERY}/index.parquet", layout.BLOCKS_FILE, layout.ROWS_FILE)
    readings = [layout.harvest_file(*key) for key in list_harvest(folder)]
    parts = [name for kind in layout.PART_TABLES for name in layout.list_parts(folder, kind)]
    return sorted(readings + parts + [name for name in single if (folder / name).is_file()])


def _count_file(folder: Path, name: str, held: dict[int, int]) -> list[str]:
    """Read one file wholly and count its rows by import."""
    counts: Counter[int] = Counter()
    try:
        with pq.ParquetFile(folder / name) as source:
            numbered = "import_id" in source.schema_arrow.names
            for batch in source.iter_batches():
                if numbered:
                    counts.update(batch.column("import_id").to_pylist())
    except (pa.ArrowException, OSError) as error:
        return [
            f"{name} cannot be read ({layout.describe_damage(error)}): take it from a backup, or "
            "undo its import and add it again."
        ]
    if name in (layout.BLOCKS_FILE, layout.ROWS_FILE):
        return []
    if not numbered:
        return [
            f"{name} has no column import_id, so it was not written by vinemap: take it out of the folder; "
            "what it holds goes in with vinemap add."
        ]
    for number, count in counts.items():
        held[number] = held.get(number, 0) + count
    return []


def _compare(ledger: pd.DataFrame, held: dict[int, int]) -> list[str]:
    problems = []
    for line in ledger.to_dict(orient="records"):
        number = int(line["import_id"])
        expected = 0 if line["undone"] else int(line["rows_stored"])
        found = held.pop(number, 0)
        if found != expected:
            problems.append(
                f"Import {number} ({line['file']}) should have {expected:,} rows but {found:,} are stored: "
                "undo it and add the file again."
            )
    problems += [
        f"{count:,} rows belong to import {number}, which is not in the ledger."
        for number, count in held.items()
    ]
    return problems


def _temporary_files(folder: Path) -> list[str]:
    left = sorted(one.relative_to(folder).as_posix() for one in folder.rglob(".*.tmp"))
    return [f"{name} was left by a program that was cut off; it can be deleted." for name in left]


def _harvest_without_block(folder: Path) -> list[str]:
    file = folder / layout.BLOCKS_FILE
    try:
        known = (
            set(pq.read_table(file, columns=["block_id"]).column(0).to_pylist()) if file.exists() else set()
        )
    except (pa.ArrowException, OSError):
        return []
    stored = sorted({block for _, block in list_harvest(folder)})
    return [
        f"Readings of block {one!r} are stored but there is no such block."
        for one in stored
        if one not in known
    ]
