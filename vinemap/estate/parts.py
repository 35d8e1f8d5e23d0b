"""Readings of a long import: written in parts beside the estate, then joined block by block.

Memory stays that of one part: neither a file nor a block is ever held as a whole.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from vinemap.estate import layout
from vinemap.tables import READINGS

BATCH_ROWS = 1 << 17


class ReadingParts:
    """Parts of the readings of one import, by vintage and block.

    Parameters
    ----------
    folder : pathlib.Path
        Estate folder.
    place : pathlib.Path
        Folder for the parts; thrown away with the transaction's.
    """

    def __init__(self, folder: Path, place: Path) -> None:
        self.folder = folder
        self.place = place
        self.files: dict[tuple[int, str], list[Path]] = {}
        self.count = 0

    def add(self, key: tuple[int, str], frame: gpd.GeoDataFrame) -> None:
        """Write one part."""
        self.place.mkdir(exist_ok=True)
        file = self.place / f"{self.count:06d}.parquet"
        layout.write_table(frame, file)
        self.files.setdefault(key, []).append(file)
        self.count += 1

    def join(self, key: tuple[int, str], path: Path) -> None:
        """Write what is stored of a vintage and block and the parts after it into one file."""
        stored = self.folder / layout.harvest_file(*key)
        files = [stored, *self.files[key]] if stored.exists() else self.files[key]
        if len(files) == 1:
            files[0].rename(path)
        else:
            join_tables(files, path)


def join_tables(files: list[Path], path: Path) -> None:
    """Join GeoParquet files of readings into one.

    Parameters
    ----------
    files : list of pathlib.Path
    path : pathlib.Path
    """
    schemas = [pq.read_schema(one) for one in files]
    if any(not one.equals(schemas[0]) for one in schemas[1:]):
        # Written by an older version, or with another optional column: brought together in memory.
        frames = [layout.read_table(one.parent, one.name, READINGS) for one in files]
        layout.write_table(pd.concat(frames, ignore_index=True), path)
        return
    schema = schemas[0].with_metadata(_metadata(schemas))
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for one in files:
            with pq.ParquetFile(one) as source:
                for batch in source.iter_batches(batch_size=BATCH_ROWS):
                    writer.write_batch(batch.replace_schema_metadata(schema.metadata))


def _metadata(schemas: list[pa.Schema]) -> dict[bytes, bytes]:
    """Metadata of the first file with a bounding box around all (GeoParquet 1.0, "bbox")."""
    out = dict(schemas[0].metadata or {})
    described: list[dict[str, Any]] = [
        json.loads(one.metadata[b"geo"]) for one in schemas if b"geo" in (one.metadata or {})
    ]
    if described:
        geo = described[0]
        for name, column in geo["columns"].items():
            boxes = [one["columns"][name]["bbox"] for one in described if "bbox" in one["columns"][name]]
            if boxes:
                low = [min(box[place] for box in boxes) for place in (0, 1)]
                high = [max(box[place] for box in boxes) for place in (2, 3)]
                column["bbox"] = [*low, *high]
        out[b"geo"] = json.dumps(geo).encode("utf-8")
    return out
