"""What the columns mean, generated from `vinemap.tables` so that it cannot drift."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from vinemap import tables
from vinemap.publish.files import write_text
from vinemap.publish.list_columns import LISTS
from vinemap.publish.queries import describe_queries
from vinemap.tables import Column

_TYPES = {"str": "text", "int": "whole number", "float": "number", "bool": "yes/no", "time": "time (UTC)"}


# Columns that stages add beyond the documented ones; they may change between versions, the others do not.
EXTRA: Mapping[str, tuple[Column, ...]] = {
    "block": (
        Column(
            "row_bearing_deg", "deg", "float", "Direction of the rows as given, clockwise from true north"
        ),
        Column("grid_bearing_deg", "deg", "float", "Direction of the rows, clockwise from grid north"),
        Column("import_id", "", "int", "Number of the import in the ledger"),
    ),
    "zone": (
        Column(
            "chance_declining", "0-1", "float", "Chance that yield falls for reasons other than the season"
        ),
        Column("stand_loss_pct", "%", "float", "Part of the loss from missing vines; empty if never counted"),
        Column("vine_loss_pct", "%", "float", "Part of the loss from weaker standing vines, median"),
        Column("sen_slope_pct_per_year", "%/year", "float", "Sen's slope of yield over the zone's median"),
        Column(
            "renewed_year", "year", "int", "Year in which the zone was renewed before; empty if it was not"
        ),
        Column("recovery_pct", "%", "float", "Yield now over healthy; renewed zones only"),
        Column("score_output", "0-100", "float", "Part of the health score: output of the standing vines"),
        Column("score_stand", "0-100", "float", "Part of the health score: stand"),
        Column("score_symptoms", "0-100", "float", "Part of the health score: symptoms"),
        Column("vigour_pct", "%", "float", "Canopy in the latest image, of the best zones of the variety"),
        Column("score_vigour", "0-100", "float", "Part of the health score: canopy in an image"),
        Column("score_trend", "0-100", "float", "Part of the health score: trend"),
        Column("score_lacks", "", "str", "Parts of the health score that are not known"),
        Column(
            "protect_gain_per_ha", "currency/ha", "float", "Net present value of wound protection over none"
        ),
        Column("scouting_value", "currency", "float", "What scouting the zone is worth before deciding"),
        Column("loss_value_per_ha", "currency/ha/year", "float", "Value of the crop lost a year"),
        Column("shared_with", "", "str", "Zones renewed in the same visit"),
        Column("mobilisation_share", "0-1", "float", "Share of the block's mobilisation that the zone bears"),
        Column(
            "idle_year", "year", "int", "First vintage in which a kept crop brings less than leaving it idle"
        ),
    ),
    "vine_row": (
        Column("row_no", "", "int", "Number of the row within the block"),
        Column("vines", "", "int", "Vine places in the segment"),
    ),
    "scouting_point": (
        Column("to_vine", "", "int", "Last vine place of the stretch to look at"),
        Column("is_control", "", "bool", "In a sound zone, to compare with"),
    ),
    "renewal_option": (
        Column(
            "annual_per_ha", "currency/ha/year", "float", "The net present value as an equal sum each year"
        ),
    ),
    "programme": (
        Column("npv", "currency", "float", "Net present value of the work over keeping"),
        Column("rank", "", "int", "Place in the queue, by value per cost"),
        Column("reason", "", "str", "Why this year"),
    ),
}


def known_columns(table: tables.Table, names: Iterable[str]) -> list[Column]:
    """Columns of a table that have a meaning on record: the documented ones, and of `EXTRA` those present.

    Examples
    --------
    >>> [one.name for one in known_columns(tables.RUN_INFO, ["key", "value", "whim"])]
    ['key', 'value']
    """
    present = set(names)
    return [*table.columns, *(one for one in EXTRA.get(table.name, ()) if one.name in present)]


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
    """Write the data dictionary of all output and input tables and lists, and questions in SQL, as Markdown.

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
    parts += ["## Lists (lists/*.csv)", "", "`programme.csv` is the table `programme` above.", ""]
    for name, (meaning, columns) in LISTS.items():
        parts += [f"### `{name}.csv`", "", meaning, "", *_lines(columns)]
    parts.append(describe_queries())
    return write_text(Path(path), "\n".join(parts))


def _section(table: tables.Table) -> list[str]:
    kind = table.geometry or "no geometry"
    out = [f"### `{table.name}` ({kind})", "", table.meaning, "", *_lines(table.columns)]
    extra = EXTRA.get(table.name, ())
    if extra:
        out += ["Besides, and not promised from one version to the next:", "", *_lines(extra)]
    return out


def _lines(columns: Iterable[Column]) -> list[str]:
    head = ["| column | type | unit | meaning |", "| --- | --- | --- | --- |"]
    bar = chr(92) + "|"
    rows = [
        f"| `{one.name}` | {_TYPES[one.kind]} | {one.unit} | {one.meaning.replace('|', bar)} |"
        for one in columns
    ]
    return [*head, *rows, ""]
