"""Files of readings: GeoParquet, written and read as columns, without making a shape of each point."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj

from vinemap._version import __version__
from vinemap.estate import layout
from vinemap.land.wkb import decode_points, encode_points
from vinemap.tables import READINGS
from vinemap.taken import mark_rows

ROW_GROUP = 1 << 17  # rows; readers take this many at a time
PLACE_UNIT = 1e-7  # degrees, about a centimetre: readings closer than this are at one place
NOWHERE = (np.inf, np.inf, -np.inf, -np.inf)
_TEXTS = ("machine", "block_name")
_GIVEN = ("reading_id", "import_id")  # by the estate
_COUNTED = ("reading_id", "import_id", "source_row", "time")  # packed as differences
_ARROW = {"int": pa.int64(), "float": pa.float64(), "str": pa.string(), "time": pa.timestamp("ns", "UTC")}
Marks = npt.NDArray[np.uint64]
Key = tuple[int, str]  # vintage and block
Box = tuple[float, float, float, float]  # west, south, east, north [degrees]


def to_arrow(tidy: pd.DataFrame, import_id: int, order: npt.NDArray[np.int64] | None = None) -> pa.Table:
    """Write tidy readings as the columns that the estate keeps, all but ``reading_id``.

    Parameters
    ----------
    tidy : pandas.DataFrame
        As `vinemap.taken.Intake.tidy` of a harvest has it.
    import_id : int
    order : array of int, optional
        Which rows, in which order; None for all as they stand.

    Returns
    -------
    pyarrow.Table
        ``vinemap.tables.READINGS`` with ``block_name``; points in well-known binary.
    """
    rows = np.arange(len(tidy)) if order is None else order
    kinds = {one.name: _ARROW[one.kind] for one in READINGS.columns if one.name not in _GIVEN}
    kinds |= {"block_name": pa.string(), "longitude": pa.float64(), "latitude": pa.float64()}
    places = pa.array(rows)
    # Arrow lets go of the interpreter: columns are put in order side by side.
    with ThreadPoolExecutor() as pool:
        taken = [pool.submit(_column, tidy.get(name), kind, places) for name, kind in kinds.items()]
    columns = {"import_id": pa.array(np.full(len(rows), import_id, dtype="int64"))}
    columns |= {name: one.result() for name, one in zip(kinds, taken, strict=True)}
    longitude, latitude = (np.asarray(columns.pop(name)) for name in ("longitude", "latitude"))
    columns["geometry"] = encode_points(longitude, latitude)
    return pa.table(columns)


def _column(values: pd.Series | None, kind: pa.DataType, places: pa.Array) -> pa.Array:
    """Rows of a column in order, empty where the file does not tell it."""
    if values is None:
        return pa.nulls(len(places), kind)
    return pa.array(values, from_pandas=True).take(places).cast(kind)


def mark_readings(tidy: pd.DataFrame) -> Marks:
    """One number per reading out of machine, time and place: the same reading has the same."""
    places = {
        name: np.round(tidy[name].to_numpy() / PLACE_UNIT).astype("int64")
        for name in ("longitude", "latitude")
    }
    frame = pd.DataFrame({"machine": tidy["machine"], "time": tidy["time"], **places}, copy=False)
    return mark_rows(frame, list(frame.columns))


def stored_marks(file: Path) -> tuple[Marks, int]:
    """Mark the readings that a file of the estate holds; gives the marks and the next free number.

    Raises
    ------
    StoreError
        If it is damaged.
    """
    if not file.exists():
        return np.array([], dtype=np.uint64), 1
    try:
        table = pq.read_table(file, columns=["reading_id", "machine", "time", "geometry"])
        places = decode_points(table["geometry"])
        if places is None:
            raise ValueError("its geometry does not hold points")
    except (pa.ArrowException, OSError, ValueError, KeyError) as error:
        raise layout.damaged(file, error) from error
    frame = pd.DataFrame(
        {
            "machine": pd.Categorical(table["machine"].to_pandas()),
            "time": table["time"].to_pandas(),
            "longitude": places[0],
            "latitude": places[1],
        }
    )
    return mark_readings(frame), int(np.max(table["reading_id"].to_numpy(), initial=0)) + 1


def iterate_rows(file: Path) -> Iterator[pa.Table]:
    """Read a file group by group; StoreError if it is damaged."""
    try:
        with pq.ParquetFile(file) as source:
            for batch in source.iter_batches(batch_size=ROW_GROUP):
                yield pa.Table.from_batches([batch])
    except pa.ArrowException as error:
        raise layout.damaged(file, error) from error


def fit_table(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """Bring a table to a schema; columns that it lacks (an older version, another file) stay empty."""
    columns = [
        table[one.name].cast(one.type) if one.name in table.column_names else pa.nulls(len(table), one.type)
        for one in schema
    ]
    return pa.table(columns, schema=schema)


def open_writer(path: Path, schema: pa.Schema, box: Box) -> pq.ParquetWriter:
    """Open a file for readings: packed by what the columns are like."""
    texts = [name for name in _TEXTS if name in schema.names]
    return pq.ParquetWriter(
        path,
        schema.with_metadata({b"geo": _geo_metadata(box)}),
        compression="zstd",
        use_dictionary=texts,
        column_encoding=dict.fromkeys(_COUNTED, "DELTA_BINARY_PACKED"),
    )


def _geo_metadata(box: Box) -> bytes:
    """Say of the file and its geometry column what GeoParquet 1.0.0 wants said."""
    column = {
        "encoding": "WKB",
        "geometry_types": ["Point"],
        "crs": _projjson(layout.WGS84),
        "bbox": list(box),
    }
    said = {
        "version": "1.0.0",
        "primary_column": "geometry",
        "columns": {"geometry": column},
        "creator": {"library": "vinemap", "version": __version__},
    }
    return json.dumps(said).encode("utf-8")


@cache
def _projjson(crs: str) -> dict[str, object]:
    return dict(pyproj.CRS(crs).to_json_dict())


def box_around(table: pa.Table) -> Box:
    """Box around the points of a table."""
    x, y = decode_points(table["geometry"]) or (np.array([]), np.array([]))
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def wider(one: Box, other: Box) -> Box:
    """Box around two boxes."""
    return min(one[0], other[0]), min(one[1], other[1]), max(one[2], other[2]), max(one[3], other[3])


def box_of(schema: pa.Schema) -> Box:
    """Give the box that a file says is around its points."""
    said = json.loads((schema.metadata or {}).get(b"geo", b"{}"))
    box = said.get("columns", {}).get("geometry", {}).get("bbox", NOWHERE)
    west, south, east, north = box
    return west, south, east, north


def list_harvest(folder: Path) -> list[Key]:
    """List which blocks have readings of which vintage, by the names of the files alone.

    Parameters
    ----------
    folder : pathlib.Path
        Estate folder.

    Returns
    -------
    list of (int, str)
        Vintage and block, rising.
    """
    files = (folder / layout.HARVEST).glob("*/*.parquet")
    named = (one for one in files if one.parent.name.isdigit() and not one.name.startswith("."))
    return sorted((int(one.parent.name), layout.block_of(one.stem)) for one in named)


def index_harvest(folder: Path) -> pd.DataFrame:
    """List what readings are stored.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    pandas.DataFrame
        ``vintage``, ``block_id``, ``readings``, ``machines`` (joined by ";"), ``first``, ``last`` (UTC).

    Raises
    ------
    StoreError
        If a file is damaged, or was not written by vinemap.
    """
    lines = []
    for vintage, block_id in list_harvest(folder):
        file = folder / layout.harvest_file(vintage, block_id)
        try:
            if not {"machine", "time"} <= set(pq.read_schema(file).names):
                raise layout.not_ours(file, "it names no machine or time")
            held = pq.read_table(file, columns=["machine", "time"]).to_pandas()
        except (pa.ArrowException, OSError) as error:
            raise layout.damaged(file, error) from error
        machines = ";".join(sorted(held["machine"].astype(str).unique()))
        lines.append((vintage, block_id, len(held), machines, held["time"].min(), held["time"].max()))
    out = pd.DataFrame(lines, columns=["vintage", "block_id", "readings", "machines", "first", "last"])
    for name in ("vintage", "readings"):
        out[name] = out[name].astype("int64")
    for name in ("first", "last"):
        out[name] = pd.to_datetime(out[name], utc=True)
    return out.sort_values(["vintage", "block_id"], ignore_index=True)
