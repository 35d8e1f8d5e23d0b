"""Readings of an import on their way into the estate: kept in pieces, then joined block by block.

Pieces of a long log are written beside the estate, so that memory stays that of one part: neither a file nor
a block is ever held as a whole, but for 8 bytes a reading to know it again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from vinemap.estate import layout
from vinemap.estate.reading_files import (
    NOWHERE,
    ROW_GROUP,
    Box,
    Key,
    Marks,
    box_around,
    box_of,
    fit_table,
    iterate_rows,
    open_writer,
    stored_marks,
    wider,
)

HELD_BYTES = 200 << 20  # of readings in memory; what comes after waits on the disk


@dataclass(frozen=True, slots=True)
class Piece:
    """Readings of one block out of one part of a log.

    Attributes
    ----------
    marks : array of uint64, shape (rows,)
    table : pyarrow.Table or None
        The rows, where they are held in memory.
    file : pathlib.Path or None
        Where they are not: an Arrow file, and which of its batches.
    batch : int
    """

    marks: Marks
    table: pa.Table | None = None
    file: Path | None = None
    batch: int = 0

    def read(self) -> pa.Table:
        """Give the rows."""
        if self.file is None:
            return self.table
        with pa.OSFile(str(self.file)) as source, pa.ipc.open_file(source) as pieces:
            return pa.Table.from_batches([pieces.get_batch(self.batch)])


@dataclass(slots=True)
class Held:
    """What is known of one block and vintage: its pieces, and the box [degrees] around them."""

    pieces: list[Piece] = field(default_factory=list)
    box: Box = NOWHERE


class ReadingParts:
    """Readings of one import, by vintage and block.

    Parameters
    ----------
    folder : pathlib.Path
        Estate folder.
    place : pathlib.Path or None
        Folder for pieces beyond `HELD_BYTES`, thrown away with the transaction's; None to keep all in memory.
    """

    def __init__(self, folder: Path, place: Path | None) -> None:
        self.folder = folder
        self.place = place
        self.held: dict[Key, Held] = {}
        self._fresh: dict[Key, npt.NDArray[np.bool_]] = {}
        self._next: dict[Key, int] = {}
        self._files = self._bytes = 0

    def add(self, pieces: dict[Key, tuple[pa.Table, Marks]]) -> None:
        """Take the readings of one part."""
        tables = [table for table, _ in pieces.values()]
        self._bytes += sum(one.nbytes for one in tables)
        file = self._write(tables) if self.place and pieces and self._bytes > HELD_BYTES else None
        for batch, (key, (table, marks)) in enumerate(pieces.items()):
            held = self.held.setdefault(key, Held())
            held.pieces.append(Piece(marks, None if file else table, file, batch))
            held.box = wider(held.box, box_around(table))

    def _write(self, tables: list[pa.Table]) -> Path:
        """Write pieces as the batches of one Arrow file."""
        assert self.place is not None
        self.place.mkdir(exist_ok=True)
        file = self.place / f"{self._files:06d}.arrow"
        self._files += 1
        options = pa.ipc.IpcWriteOptions(compression="lz4")
        with (
            pa.OSFile(str(file), "wb") as sink,
            pa.ipc.new_file(sink, tables[0].schema, options=options) as out,
        ):
            for one in tables:
                out.write_batch(one.combine_chunks().to_batches()[0])
        return file

    def find_fresh(self) -> tuple[int, int]:
        """Tell the readings that are new from those stored before, or said twice by the file.

        Returns
        -------
        fresh, known : int
            Readings.

        Raises
        ------
        StoreError
            If what is stored is damaged.
        """
        fresh = known = 0
        for key, held in self.held.items():
            stored, self._next[key] = stored_marks(self.folder / layout.harvest_file(*key))
            news = _first_seen(np.concatenate([stored, *(one.marks for one in held.pieces)]))[len(stored) :]
            self._fresh[key] = news
            fresh += int(news.sum())
            known += int((~news).sum())
        return fresh, known

    @property
    def changed(self) -> list[Key]:
        """Vintages and blocks with a new reading, in order."""
        return sorted(key for key, news in self._fresh.items() if news.any())

    def join(self, key: Key, path: Path) -> None:
        """Write what is stored of a vintage and block and its new readings after it into one file.

        Raises
        ------
        StoreError
            If what is stored is damaged.
        """
        stored = self.folder / layout.harvest_file(*key)
        held = self.held[key]
        sample = held.pieces[0].read()
        schema = sample.schema.insert(0, pa.field("reading_id", pa.int64()))
        if stored.exists():
            old = pq.read_schema(stored)
            held.box = wider(held.box, box_of(old))
            schema = pa.unify_schemas([old.remove_metadata(), schema], promote_options="permissive")
        tables = _grouped(iterate_rows(stored) if stored.exists() else iter(()), self._new_rows(key))
        with open_writer(path, schema, held.box) as out:
            for one in tables:
                out.write_table(fit_table(one, schema))

    def _new_rows(self, key: Key) -> Iterator[pa.Table]:
        """Give the new readings of a block, numbered on."""
        first, number = 0, self._next[key]
        for piece in self.held[key].pieces:
            news = self._fresh[key][first : first + len(piece.marks)]
            first += len(piece.marks)
            if not news.any():
                continue
            table = piece.read() if news.all() else piece.read().filter(pa.array(news))
            yield table.add_column(0, "reading_id", pa.array(np.arange(number, number + len(table))))
            number += len(table)


def _first_seen(marks: Marks) -> npt.NDArray[np.bool_]:
    """Whether each mark stands here for the first time."""
    return ~pd.Series(marks, copy=False).duplicated().to_numpy(dtype=bool)


def _grouped(*sources: Iterator[pa.Table]) -> Iterator[pa.Table]:
    """Put small pieces together to groups of rows worth reading at once."""
    waiting: list[pa.Table] = []
    for source in sources:
        for one in source:
            waiting.append(one)
            if sum(map(len, waiting)) >= ROW_GROUP:
                yield pa.concat_tables(waiting, promote_options="permissive")
                waiting = []
    if waiting:
        yield pa.concat_tables(waiting, promote_options="permissive")
