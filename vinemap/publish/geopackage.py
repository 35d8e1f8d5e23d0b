"""One OGC GeoPackage with every layer and table, and the meaning and unit of each column inside it.

References
----------
OGC 12-128r18, GeoPackage Encoding Standard 1.3.1: clause 2.3.3 (Schema extension), 2.4.2 (Metadata
extension), annex F.10 (WKT for coordinate reference systems).
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely
from shapely import MultiPolygon

from vinemap import tables
from vinemap.errors import GeometryError, StoreError, TableError
from vinemap.publish.cover import mend_cover
from vinemap.publish.dictionary import column_comment, known_columns
from vinemap.publish.files import written_aside
from vinemap.publish.fingerprints import fingerprint_layers
from vinemap.publish.gridded import Coverage, append_coverages
from vinemap.publish.layer_styles import store_styles
from vinemap.publish.schema_extension import DDL, constraint_of, constraint_rows
from vinemap.publish.styles import list_styles

VERSION = "1.3"
# Area column and geometry may differ by this share (rounding of the column), never more.
AREA_TOLERANCE = 0.001
MOVED_M2 = 0.001
_WRITTEN_AS = {"Polygon": "MultiPolygon"}


def write_geopackage(
    path: Path | str,
    layers: Mapping[str, pd.DataFrame],
    *,
    crs: pyproj.CRS | str | int,
    description: str,
    currency: str = "",
    language: str = "en",
    coverages: Mapping[str, Coverage] | None = None,
) -> Path:
    """Write all layers of `tables.OUTPUTS` to one GeoPackage.

    Parameters
    ----------
    path : path-like
    layers : mapping of str to DataFrame or GeoDataFrame
        By name of the table; a table that is absent is written empty, with all its columns.
    crs : pyproj.CRS or what it accepts
        CRS of the estate; every layer with geometry must be in it.
    description : str
        What this file is, for its metadata.
    currency : str, optional
        Currency for the units in the column comments.
    language : str
        Language of the legends of the styles.
    coverages : mapping of str to Coverage, optional
        Surfaces to go into the file as well.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    GeometryError
        If a layer is in another CRS, or holds an empty or invalid geometry, or zones overlap.
    TableError
        If a documented column is missing or an area column disagrees with its geometry.
    StoreError
        If another program has the old file open for writing.
    """
    target, wanted = Path(path), pyproj.CRS.from_user_input(crs)
    ready = {table.name: _ready(layers.get(table.name), table, wanted) for table in tables.OUTPUTS}
    ready["zone"] = _share_borders(gpd.GeoDataFrame(ready["zone"]), gpd.GeoDataFrame(ready["block"]))
    _release(target)
    with written_aside(target) as aside:
        with _unsynced():
            for table in tables.OUTPUTS:
                _write_layer(aside, ready[table.name], table)
        with closing(sqlite3.connect(aside)) as connection, connection:
            _describe(connection, description, ready, currency)
            store_styles(connection, list_styles(ready, language=language))
        append_coverages(aside, coverages or {})
    return target


def _ready(frame: pd.DataFrame | None, table: tables.Table, crs: pyproj.CRS) -> pd.DataFrame:
    if frame is None:
        return tables.empty_table(table, crs=crs)
    out = tables.check_table(frame, table, where=f"layer {table.name}").reset_index(drop=True)
    if not table.geometry:
        return pd.DataFrame(out)
    _check_crs(out, table, crs)
    shapes = _check_shapes(out, table)
    _check_area(out, shapes, table)
    ready: pd.DataFrame = gpd.GeoDataFrame(
        out.drop(columns=out.geometry.name), geometry=gpd.GeoSeries(shapes, crs=crs, index=out.index), crs=crs
    )
    return ready


def _check_crs(frame: gpd.GeoDataFrame, table: tables.Table, crs: pyproj.CRS) -> None:
    if frame.crs is None or not pyproj.CRS.from_user_input(frame.crs).equals(crs, ignore_axis_order=True):
        seen = "no CRS" if frame.crs is None else pyproj.CRS.from_user_input(frame.crs).name
        raise GeometryError(
            f"The layer is in {seen}, the file in {crs.name}.",
            where=f"layer {table.name}",
            remedy="Bring it over first with to_crs(...); areas must be measured in the CRS of the file.",
        )


def _check_shapes(frame: gpd.GeoDataFrame, table: tables.Table) -> np.ndarray:
    shapes = np.array(frame.geometry.array, dtype=object)
    bad = shapely.is_missing(shapes) | shapely.is_empty(shapes) | ~shapely.is_valid(shapes)
    if bad.any():
        spot = int(np.flatnonzero(bad)[0])
        shape = shapes[spot]
        why = "missing or empty" if shape is None or shape.is_empty else shapely.is_valid_reason(shape)
        raise GeometryError(
            f"Geometry of {frame[table.names[0]].iloc[spot]!r} is {why}.",
            where=f"layer {table.name}, row {spot}",
            remedy="Repair it (shapely.make_valid) before it is written.",
        )
    return _oriented(shapes) if table.geometry.endswith("Polygon") else shapes


def _oriented(shapes: np.ndarray) -> np.ndarray:
    """Multipolygons with outer rings counter-clockwise (simple features, OGC 06-103r4, 6.1.11.1)."""
    out = np.empty(len(shapes), dtype=object)
    for place, shape in enumerate(shapes):
        parts = shape.geoms if isinstance(shape, MultiPolygon) else [shape]
        out[place] = MultiPolygon([shapely.geometry.polygon.orient(part) for part in parts])
    return out


def _check_area(frame: pd.DataFrame, shapes: np.ndarray, table: tables.Table) -> None:
    if "area_ha" not in table.names or not len(frame):
        return
    measured = shapely.area(shapes) / 10_000
    stated = frame["area_ha"].to_numpy(dtype=float)
    off = ~(np.abs(stated - measured) <= AREA_TOLERANCE * measured)
    if off.any():
        spot = int(np.flatnonzero(off)[0])
        raise TableError(
            f"area_ha of {frame[table.names[0]].iloc[spot]!r} is {stated[spot]:.4f} ha but its geometry "
            f"measures {measured[spot]:.4f} ha.",
            where=f"layer {table.name}, row {spot}",
            remedy="Measure the area from the geometry that is written, in the equal-area CRS.",
        )


def _share_borders(zones: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Zones whose borders meet exactly, those of one block cutting it up without overlap."""
    outlines = dict(zip(blocks["block_id"], blocks.geometry, strict=True))
    shapes = np.array(zones.geometry.array, dtype=object)
    for block_id, places in zones.groupby("block_id").indices.items():
        if block_id not in outlines:
            continue
        cover = mend_cover(shapes[places], outlines[block_id])
        if cover.overlapping:
            first, second = (zones["zone_id"].iloc[places[one]] for one in cover.overlapping[0][:2])
            raise GeometryError(
                f"{first} and {second} overlap by {cover.overlaps[0].area:.0f} m2.",
                where="layer zone",
                remedy="Cut one of them back: hectares must not be counted twice.",
            )
        shapes[places] = _oriented(np.array(cover.shapes, dtype=object))
    out = zones.set_geometry(gpd.GeoSeries(shapes, index=zones.index, crs=zones.crs))
    moved = np.abs(out.area - zones.area) > MOVED_M2
    out.loc[moved, "area_ha"] = out.area[moved] / 10_000
    return out


def _release(path: Path) -> None:
    """Fold a write-ahead log that a GIS left beside the old file back into it, or say who holds it.

    A log that stays would be replayed onto the new file of the same name and spoil it.
    """
    log = path.with_name(path.name + "-wal")
    if not path.exists() or not log.exists():
        return
    try:
        with closing(sqlite3.connect(path, timeout=1.0)) as connection:
            mode = connection.execute("PRAGMA journal_mode=DELETE").fetchone()[0]
    except sqlite3.DatabaseError as error:
        mode = str(error)
    if mode != "delete":
        raise StoreError(
            f"{path.name} is open in another program ({mode}).",
            where=path.parent.name,
            remedy="Close the layer there and run again; the old file is untouched.",
        )


@contextmanager
def _unsynced() -> Iterator[None]:
    """Let SQLite leave flushing to us: the file is made aside and flushed whole before it is put in place."""
    pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": "OFF"})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": None})


def _write_layer(path: Path, frame: pd.DataFrame, table: tables.Table) -> None:
    options: dict[str, object] = {"DESCRIPTION": table.meaning, "IDENTIFIER": table.name}
    if table.geometry:
        options |= {"SPATIAL_INDEX": "YES", "GEOMETRY_NAME": "geom"}
    pyogrio.write_dataframe(
        frame,
        path,
        layer=table.name,
        driver="GPKG",
        geometry_type=_WRITTEN_AS.get(table.geometry, table.geometry) if table.geometry else None,
        dataset_options=None if path.exists() else {"VERSION": VERSION, "CRS_WKT_EXTENSION": "YES"},
        layer_options=options,
        append=False,
    )


def _describe(
    connection: sqlite3.Connection, description: str, ready: Mapping[str, pd.DataFrame], currency: str
) -> None:
    for statement in DDL:
        connection.execute(statement)
    connection.executemany(
        "INSERT INTO gpkg_data_column_constraints (constraint_name, constraint_type, value, min, "
        "min_is_inclusive, max, max_is_inclusive, description) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        constraint_rows(),
    )
    connection.executemany(
        "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description, constraint_name) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [
            (table.name, one.name, one.name, one.meaning, column_comment(one, currency=currency), limit)
            for table in tables.OUTPUTS
            for one in known_columns(table, ready[table.name].columns)
            for limit in [constraint_of(one)]
        ],
    )
    run = dict(zip(ready["run_info"]["key"], ready["run_info"]["value"], strict=True))
    facts = {"description": description, "run": run, "written": fingerprint_layers(ready)}
    connection.execute(
        "INSERT INTO gpkg_metadata (id, md_scope, md_standard_uri, mime_type, metadata) "
        "VALUES (1, 'dataset', ?, ?, ?)",
        (
            "http://purl.org/dc/terms/description",
            "application/json",
            json.dumps(facts, ensure_ascii=False),
        ),
    )
    connection.execute(
        "INSERT INTO gpkg_metadata_reference (reference_scope, timestamp, md_file_id) "
        "VALUES ('geopackage', strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), 1)"
    )
