"""The table ``layer_styles`` that desktop GIS and GDAL/OGR read styles from, filled."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from vinemap.publish.qml import write_qml
from vinemap.publish.sld import write_sld
from vinemap.publish.styles import Style

TABLE = "layer_styles"
DDL = (
    f"CREATE TABLE {TABLE} (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), "
    "f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), "
    "styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), "
    "update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')))",
    # Registered as a table of attributes, as desktop GIS do, so that nothing in the file is unnamed.
    "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
    f"VALUES ('{TABLE}', 'attributes', '{TABLE}', 'Default and further symbology of the layers.')",
)


def store_styles(
    connection: sqlite3.Connection, styles: Sequence[Style], *, geometry_column: str = "geom"
) -> None:
    """Make the table in an open GeoPackage and put the styles in.

    Parameters
    ----------
    connection : sqlite3.Connection
        Of a GeoPackage that has no such table yet; committing is left to the caller.
    styles : sequence of Style
    geometry_column : str
        Name of the geometry column of every layer.
    """
    for statement in DDL:
        connection.execute(statement)
    connection.executemany(
        f"INSERT INTO {TABLE} (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
        "styleQML, styleSLD, useAsDefault, description, owner) VALUES ('', '', ?, ?, ?, ?, ?, ?, ?, '')",
        [
            (
                one.layer,
                geometry_column,
                one.name,
                write_qml(one),
                write_sld(one),
                one.default,
                one.description,
            )
            for one in styles
        ],
    )
