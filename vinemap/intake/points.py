"""Layers of points read as bare coordinates: through Arrow, without making a shape of each.

A log of a million points is read several times quicker so. What is not plainly a layer of points, or holds
times that Arrow would understand otherwise, is left to the usual reader: these functions then give None.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyogrio
import pyproj

from vinemap.intake.raw import Places
from vinemap.land.wkb import decode_points

FIRST_ROWS = 100
Bare = tuple[pa.Table, Places]


def read_points(path: Path, layer: str) -> Bare | None:
    """Read attributes and points of a layer through GDAL and Arrow.

    Parameters
    ----------
    path : pathlib.Path
    layer : str

    Returns
    -------
    (pyarrow.Table, Places) or None
        None if it is not a layer of points.
    """
    if not str(pyogrio.read_info(path, layer=layer)["geometry_type"]).startswith(("Point", "2.5D Point")):
        return None
    meta, table = pyogrio.read_arrow(path, layer=layer)
    if not _times_agree(path, layer, table):
        return None
    crs = _read_crs(meta["crs"]) if meta["crs"] else None
    return _split(table, meta["geometry_name"] or "wkb_geometry", crs)


@lru_cache(maxsize=16)
def _read_crs(text: str) -> pyproj.CRS:
    return pyproj.CRS.from_user_input(text)


def _times_agree(path: Path, layer: str, table: pa.Table) -> bool:
    """Whether times name a zone for Arrow as they do in the file: a GeoPackage's are UTC to it, always."""
    moments = [one.name for one in table.schema if pa.types.is_timestamp(one.type)]
    if not moments:
        return True
    few = pyogrio.read_dataframe(
        path, layer=layer, columns=moments, read_geometry=False, max_features=FIRST_ROWS
    )
    return all(
        isinstance(few[name].dtype, pd.DatetimeTZDtype) == bool(table.schema.field(name).type.tz)
        for name in moments
    )


def parquet_points(table: pa.Table) -> Bare | None:
    """Part the points of a GeoParquet table from its attributes.

    Parameters
    ----------
    table : pyarrow.Table
        With the metadata of GeoParquet (1.0.0, "File metadata", "Column metadata").

    Returns
    -------
    (pyarrow.Table, Places) or None
        None if its primary column does not hold points in well-known binary.
    """
    geo = json.loads(table.schema.metadata[b"geo"])
    name = geo["primary_column"]
    column = geo["columns"][name]
    if column.get("encoding") != "WKB" or len(geo["columns"]) > 1:
        return None
    # No "crs" means OGC:CRS84, one that is null an unknown system.
    said = column.get("crs", "OGC:CRS84")
    crs = _read_crs(said if isinstance(said, str) else json.dumps(said)) if said is not None else None
    return _split(without_index(table), name, crs)


def without_index(table: pa.Table) -> pa.Table:
    """Leave out the columns in which pandas keeps its row names."""
    known = (table.schema.pandas_metadata or {}).get("index_columns", [])
    return table.drop_columns([one for one in known if isinstance(one, str) and one in table.column_names])


def _split(table: pa.Table, name: str, crs: pyproj.CRS | None) -> Bare | None:
    places = decode_points(table[name])
    return None if places is None else (table.drop_columns([name]), Places(*places, crs))
