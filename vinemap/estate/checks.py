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
from vinemap.estate.transaction import needs_recovery


def verify_store(folder: Path) -> list[str]:
    """Check that every file can be read, counts agree with the ledger, and nothing lies about.

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
    for file in _data_files(folder):
        problems += _count_file(folder, file, held)
    problems += _compare(ledger, held)
    return problems + _temporary_files(folder) + _harvest_without_block(folder)


def _data_files(folder: Path) -> list[Path]:
    names = (
        "harvest/*/*.parquet",
        "loads/*.parquet",
        "counts/*.parquet",
        "imports/*.parquet",
        "renewals.parquet",
        "imagery/index.parquet",
        "blocks.parquet",
        "rows.parquet",
    )
    return sorted(file for name in names for file in folder.glob(name) if not file.name.startswith("."))


def _count_file(folder: Path, file: Path, held: dict[int, int]) -> list[str]:
    """Read one file wholly and count its rows by import."""
    name = file.relative_to(folder).as_posix()
    counts: Counter[int] = Counter()
    try:
        with pq.ParquetFile(file) as source:
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
        return [f"{name} has no column import_id: it was not written by vinemap."]
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
    stems = sorted({layout.block_of(one.stem) for one in folder.glob("harvest/*/*.parquet")})
    return [
        f"Readings of block {one!r} are stored but there is no such block."
        for one in stems
        if one not in known
    ]
