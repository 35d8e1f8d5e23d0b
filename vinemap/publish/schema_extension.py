# ruff: noqa: E501  (SQL as the standard prints it)
"""Tables of the GeoPackage Schema and Metadata extensions, and the limits that travel with the columns.

References
----------
OGC 12-128r18, GeoPackage Encoding Standard 1.3.1, tables 37-38 (Schema) and 39-40 (Metadata), annex C.
"""

from __future__ import annotations

from vinemap import tables

_SPEC = "http://www.geopackage.org/spec131/"
DDL = (
    "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, "
    "definition TEXT NOT NULL, scope TEXT NOT NULL, "
    "CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))",
    "CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, "
    "description TEXT, mime_type TEXT, constraint_name TEXT, "
    "CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), CONSTRAINT gdc_tn UNIQUE (table_name, name))",
    "CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, "
    "value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT, "
    "CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))",
    "CREATE TABLE gpkg_metadata (id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, "
    "md_scope TEXT NOT NULL DEFAULT 'dataset', md_standard_uri TEXT NOT NULL, "
    "mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '')",
    "CREATE TABLE gpkg_metadata_reference (reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, "
    "row_id_value INTEGER, timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), "
    "md_file_id INTEGER NOT NULL, md_parent_id INTEGER, "
    "CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id), "
    "CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id))",
    *(
        "INSERT INTO gpkg_extensions (table_name, column_name, extension_name, definition, scope) VALUES "
        f"('{table}', NULL, '{extension}', '{_SPEC}#extension_{extension.removeprefix('gpkg_')}', 'read-write')"
        for table, extension in (
            ("gpkg_data_columns", "gpkg_schema"),
            ("gpkg_data_column_constraints", "gpkg_schema"),
            ("gpkg_metadata", "gpkg_metadata"),
            ("gpkg_metadata_reference", "gpkg_metadata"),
        )
    ),
)
_ENUMS = {"advice": tables.ADVICE, "method": tables.METHODS}
_RANGES = {"0-1": ("share", 0.0, 1.0), "0-100": ("score", 0.0, 100.0)}
_Row = tuple[str, str, str | None, float | None, int | None, float | None, int | None, str]


def constraint_of(column: tables.Column) -> str | None:
    """Name of the constraint on a column, None if it has none.

    Examples
    --------
    >>> constraint_of(tables.ZONE.column("chance_pays")), constraint_of(tables.ZONE.column("vines"))
    ('share', None)
    """
    if column.name in _ENUMS:
        return column.name
    return _RANGES[column.unit][0] if column.unit in _RANGES else None


def constraint_rows() -> list[_Row]:
    """Rows of gpkg_data_column_constraints: the words allowed and the ranges."""
    words: list[_Row] = [
        (name, "enum", word, None, None, None, None, word.replace("_", " "))
        for name, allowed in _ENUMS.items()
        for word in allowed
    ]
    ranges: list[_Row] = [
        (name, "range", None, low, 1, high, 1, f"{low:g} to {high:g}") for name, low, high in _RANGES.values()
    ]
    return words + ranges
