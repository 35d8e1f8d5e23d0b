"""Vector layers: GeoPackage, Shapefile, GeoJSON, KML through GDAL; GeoParquet through pyarrow."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pyogrio.errors
import shapely
from pyproj.exceptions import CRSError

from vinemap.errors import IntakeError
from vinemap.intake.archive import MAX_BYTES, refuse_entities
from vinemap.intake.points import parquet_points, read_points, without_index
from vinemap.intake.raw import RawTable, plain_arrow, plain_columns, unique_headers
from vinemap.taken import refused_table

FORMATS = {
    ".gpkg": "GeoPackage",
    ".shp": "Shapefile",
    ".geojson": "GeoJSON",
    ".json": "GeoJSON",
    ".kml": "KML",
    ".gpx": "GPX",
    ".fgb": "FlatGeobuf",
    ".parquet": "GeoParquet",
}
# What the libraries say of a broken file means nothing to who has it.
_SIGNS_OF_DAMAGE = (
    "not recognized as",
    "not a database",
    "malformed",
    "smaller than",
    "magic bytes",
    "sqlite3_",
)
_WANTED = {"blocks": ("Polygon",), "rows": ("LineString",), "harvest": ("Point",)}


def read_vector(path: Path, *, kind: str = "") -> RawTable:
    """Read one layer with its attributes.

    Parameters
    ----------
    path : pathlib.Path
    kind : str
        Kind of table wanted; chooses among several layers.

    Returns
    -------
    RawTable
        Geometry in the file's CRS (None if it names none); ``source_row`` counts features from 1.

    Raises
    ------
    IntakeError
        If GDAL cannot read it, or the layer is not to be told.
    """
    name = FORMATS.get(path.suffix.lower(), "vector file")
    if path.stat().st_size > MAX_BYTES:
        raise IntakeError(
            f"It is larger than {MAX_BYTES >> 20} MB.", where=path.name, remedy="Give it in parts."
        )
    if path.suffix.lower() in (".kml", ".gpx"):
        with path.open("rb") as handle:
            refuse_entities(handle, path.name)
    if path.suffix.lower() == ".parquet":
        return _read_parquet(path, kind)
    layer = _choose_layer(path, kind)
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            bare = read_points(path, layer) if kind == "harvest" else None
            frame = pyogrio.read_dataframe(path, layer=layer) if bare is None else pd.DataFrame()
    except shapely.errors.ShapelyError as error:
        raise _unclosed(path.name, error) from error
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError, RuntimeError) as error:
        raise _unreadable(path, name, error) from error
    if path.suffix.lower() == ".kml":
        # GDAL's numbers of the placemarks; people name them (OGC 12-007, 9.1.3.1: name).
        frame = frame.drop(columns="id", errors="ignore")
    if bare is None:
        raw = _from_frame(frame, name, layer, path.name)
    else:
        raw = _raw_layer(plain_arrow(bare[0]), bare[1], name, layer, path.name)
    raw.notes.extend(f"{name} reader: {one.message}" for one in said[:3])
    return raw


def _unclosed(where: str, error: Exception) -> IntakeError:
    reason = str(error).split(":")[-1].strip()[:120]
    return IntakeError(
        f"A shape in it cannot be one: {reason}.",
        where=where,
        remedy="Mend the shape in your GIS (an outline must end where it begins) and export it again.",
    )


def _choose_layer(path: Path, kind: str) -> str:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the same words come again when the layer is read
            layers = pyogrio.list_layers(path)
    except (pyogrio.errors.DataSourceError, ValueError, RuntimeError) as error:
        raise _unreadable(path, FORMATS.get(path.suffix.lower(), "vector file"), error) from error
    if not len(layers):
        raise IntakeError("It holds no layer.", where=path.name, remedy="Export it again.")
    names = [str(one[0]) for one in layers]
    if len(names) == 1:
        return names[0]
    wanted = _WANTED.get(kind, ("",))
    fitting = [str(one[0]) for one in layers if any(word in str(one[1]) for word in wanted) and one[1]]
    same = [one for one in names if kind and one.lower().rstrip("s") == kind.rstrip("s")]
    chosen = same or fitting
    if len(chosen) != 1:
        raise IntakeError(
            f"It holds {len(names)} layers ({', '.join(names[:8])}) and several could be meant.",
            where=path.name,
            remedy="Export the one layer to a file of its own.",
        )
    return chosen[0]


def _unreadable(path: Path, name: str, error: Exception) -> IntakeError:
    reason = str(error).splitlines()[0].replace(str(path), path.name)[:200].rstrip(". ")
    if any(sign in reason for sign in _SIGNS_OF_DAMAGE):
        reason = "it is damaged, cut off or of another format"
    missing = [
        end
        for end in (".shx", ".dbf")
        if path.suffix.lower() == ".shp" and not path.with_suffix(end).exists()
    ]
    if missing:
        # GDAL speaks of its own settings.
        reason, remedy = (
            f"the part {', '.join(missing)} is missing",
            "Give all parts, or the zip file of them.",
        )
    else:
        remedy = "Export it again."
    return IntakeError(f"This {name} cannot be read: {reason}.", where=path.name, remedy=remedy)


def _read_parquet(path: Path, kind: str) -> RawTable:
    name = FORMATS[".parquet"]
    try:
        schema = pq.read_schema(path)
        located = b"geo" in (schema.metadata or {})
        if not located or kind == "harvest":
            table = pq.read_table(path)
            bare = parquet_points(table) if located else (without_index(table), None)
            if bare is not None:
                return _raw_layer(plain_arrow(bare[0]), bare[1], name, "", path.name)
        return _from_frame(gpd.read_parquet(path), name, "", path.name)
    except shapely.errors.ShapelyError as error:
        raise _unclosed(path.name, error) from error
    except (
        pa.ArrowException, CRSError, OSError, ValueError, LookupError, TypeError, AttributeError
    ) as error:  # fmt: skip
        raise _unreadable(path, "Parquet file", error) from error


def _from_frame(frame: pd.DataFrame, name: str, layer: str, where: str) -> RawTable:
    geometry: Any = None
    if isinstance(frame, gpd.GeoDataFrame) and frame.active_geometry_name:
        geometry = frame.geometry.reset_index(drop=True)
        frame = pd.DataFrame(frame.drop(columns=frame.active_geometry_name))
    return _raw_layer(plain_columns(frame.reset_index(drop=True)), geometry, name, layer, where)


def _raw_layer(frame: pd.DataFrame, geometry: Any, name: str, layer: str, where: str) -> RawTable:
    """Put a layer's attributes and its shapes or bare points together."""
    if (not len(frame.index) and geometry is None) or (geometry is not None and not len(geometry)):
        raise IntakeError("The layer is empty.", where=where, remedy="Export it again.")
    frame = frame.copy(deep=False)
    frame.columns = pd.Index(unique_headers(frame.columns, where))
    crs = geometry.crs.to_string() if geometry is not None and geometry.crs else None
    notes = [f"Layer {layer!r} was read."] if layer and layer != Path(where).stem else []
    details = {
        "layer": layer,
        "crs": crs,
        "headers": list(frame.columns),
        "encoding": None,
        "delimiter": None,
    }
    rows = np.arange(1, max(len(frame), 0 if geometry is None else len(geometry)) + 1, dtype="int64")
    return RawTable(frame, rows, name, geometry, {}, ".", refused_table(), notes, details)


def raw_from_frame(frame: pd.DataFrame, where: str) -> RawTable:
    """Take a table from a notebook as if it had been read from a file.

    Parameters
    ----------
    frame : pandas.DataFrame or geopandas.GeoDataFrame
    where : str
        Name for messages.

    Returns
    -------
    RawTable

    Raises
    ------
    IntakeError
        If it is empty or has too many columns.
    """
    return _from_frame(frame.copy(), "table in memory", "", where)
