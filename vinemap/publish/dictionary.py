"""What the columns mean, generated from `vinemap.tables` so that it cannot drift."""

from __future__ import annotations

from pathlib import Path

from vinemap import tables
from vinemap.publish.files import write_text

_TYPES = {"str": "text", "int": "whole number", "float": "number", "bool": "yes/no", "time": "time (UTC)"}


def column_comment(column: tables.Column, *, currency: str = "") -> str:
    """Meaning of a column with its unit, as it is put into the files.

    Parameters
    ----------
    column : vinemap.tables.Column
    currency : str, optional
        Currency of the estate, put in place of the word "currency" in units.

    Returns
    -------
    str

    Examples
    --------
    >>> column_comment(tables.ZONE.column("gain_per_ha"), currency="AUD")
    'Net present value of renewing over keeping, mean [AUD/ha]'
    """
    unit = column.unit.replace("currency", currency) if currency else column.unit
    return f"{column.meaning} [{unit}]" if unit else column.meaning


def write_dictionary(path: Path | str) -> Path:
    """Write the data dictionary of all output and input tables as Markdown.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    pathlib.Path
        The file written.
    """
    parts = ["# Data dictionary", ""]
    for heading, group in (("Outputs", tables.OUTPUTS), ("Inputs as stored", tables.INPUTS)):
        parts += [f"## {heading}", ""]
        for table in group:
            parts += _section(table)
    return write_text(Path(path), "\n".join(parts))


def _section(table: tables.Table) -> list[str]:
    kind = table.geometry or "no geometry"
    head = [f"### `{table.name}` ({kind})", "", table.meaning, ""]
    head += ["| column | type | unit | meaning |", "| --- | --- | --- | --- |"]
    rows = [
        f"| `{one.name}` | {_TYPES[one.kind]} | {one.unit} | {one.meaning.replace('|', chr(92) + '|')} |"
        for one in table.columns
    ]
    return [*head, *rows, ""]
