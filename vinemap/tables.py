"""The columns of every table that crosses a stage: name, unit, type, meaning. Checked at the borders.

A table is a pandas DataFrame, or a GeoDataFrame where `Table.geometry` names a geometry type. Extra columns
are allowed everywhere; a missing optional column is added empty by `check_table`. The data dictionary, the
GeoPackage column comments and the read-outs of the map are all generated from this module.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from vinemap.errors import TableError

Kind = Literal["str", "int", "float", "bool", "time"]
ADVICE = ("keep", "watch", "scout", "renew")
METHODS = ("trunk_renewal", "graft_over", "infill", "replant")
KEEP_METHODS = ("keep", "keep_protected")


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    name : str
    unit : str
        "" if it has none.
    kind : "str", "int", "float", "bool" or "time"
    meaning : str
        In plain words.
    required : bool
        If not, `check_table` adds it empty where it is missing.
    """

    name: str
    unit: str
    kind: Kind
    meaning: str
    required: bool = True


@dataclass(frozen=True, slots=True)
class Table:
    """One table.

    Attributes
    ----------
    name, meaning : str
    geometry : str
        Type of its shapes, "" for none.
    columns : tuple of Column
    """

    name: str
    meaning: str
    geometry: str
    columns: tuple[Column, ...] = field(default_factory=tuple)

    def column(self, name: str) -> Column:
        """Give the column of this name; KeyError if there is none."""
        for one in self.columns:
            if one.name == name:
                return one
        raise KeyError(name)

    @property
    def names(self) -> list[str]:
        """Names of all columns, in order, geometry not among them."""
        return [one.name for one in self.columns]


def _req(name: str, unit: str, kind: Kind, meaning: str) -> Column:
    return Column(name, unit, kind, meaning)


def _opt(name: str, unit: str, kind: Kind, meaning: str) -> Column:
    return Column(name, unit, kind, meaning, required=False)


# ------------------------------------------------ what comes in (estate folder, WGS84 at rest)
BLOCKS = Table("blocks", "Block outlines as the estate keeps them.", "MultiPolygon", (
    _req("block_id", "", "str", "Short unique name of the block"),
    _opt("name", "", "str", "Name people use"),
    _opt("variety", "", "str", "Grape variety"),
    _opt("year_planted", "year", "int", "Year of planting"),
    _opt("trellis_year", "year", "int", "Year the trellis was built (planting year if not given)"),
    _req("row_spacing_m", "m", "float", "Distance between rows"),
    _req("vine_spacing_m", "m", "float", "Distance between vines in the row"),
    _opt("row_bearing_deg", "deg", "float", "Direction of the rows, clockwise from true north, 0-180"),
))  # fmt: skip

ROWS = Table("rows", "Vine rows as straight lines.", "LineString", (
    _req("row_id", "", "str", "block_id, a dash, the row number"),
    _req("block_id", "", "str", "Block"),
    _req("row_no", "", "int", "Number of the row within the block, from 1"),
    _req("length_m", "m", "float", "Length on the ground"),
    _req("vines", "", "int", "Vine places in the row (length over vine spacing)"),
))  # fmt: skip

READINGS = Table("readings", "Readings of one block and vintage as imported, never altered.", "Point", (
    _req("reading_id", "", "int", "Running number within the block and vintage"),
    _req("import_id", "", "int", "Number of the import in the ledger"),
    _req("source_row", "", "int", "Row in the source file (line number for text)"),
    _req("time", "", "time", "Time of the reading, UTC"),
    _req("machine", "", "str", "Harvester"),
    _opt("speed_m_s", "m/s", "float", "Ground speed"),
    _opt("width_m", "m", "float", "Working width; row spacing where not given"),
    _opt("mass_flow_kg_s", "kg/s", "float", "Mass flow at the sensor"),
    _opt("mass_kg", "kg", "float", "Mass in this reading"),
    _opt("yield_t_ha", "t/ha", "float", "Ready yield, where the file holds no flow"),
    _opt("mog_pct", "%", "float", "MOG by mass, where the machine measures it"),
))  # fmt: skip

LOADS = Table("loads", "Weighed loads.", "", (
    _req("load_id", "", "str", "Ticket number"),
    _req("vintage", "year", "int", "Vintage"),
    _req("block_id", "", "str", "Block, or several joined by ;"),
    _opt("machine", "", "str", "Harvester"),
    _opt("time", "", "time", "Time of weighing, UTC"),
    _opt("gross_kg", "kg", "float", "Gross mass"),
    _opt("tare_kg", "kg", "float", "Tare mass"),
    _req("net_kg", "kg", "float", "Net mass, MOG still in"),
    _opt("mog_pct", "%", "float", "Material other than grapes by mass"),
    _opt("sugar_brix", "Brix", "float", "Sugar"),
    _req("import_id", "", "int", "Number of the import in the ledger"),
))  # fmt: skip

COUNTS = Table("counts", "Row counts of one vintage: stand, symptoms and picked weights.", "", (
    _req("vintage", "year", "int", "Vintage (season) the count belongs to"),
    _req("block_id", "", "str", "Block"),
    _req("row_no", "", "int", "Row within the block"),
    _opt("from_vine", "", "int", "First vine place of the stretch, from 1; empty for the whole row"),
    _opt("to_vine", "", "int", "Last vine place of the stretch"),
    _opt("vines", "", "int", "Vine places looked at"),
    _opt("missing", "", "int", "Vines missing or dead"),
    _opt("symptomatic", "", "int", "Living vines with dieback or foliar symptoms"),
    _opt("dead_arm", "", "int", "Living vines with a dead arm"),
    _opt("replanted", "", "int", "Young vines set since"),
    _opt("picked_kg", "kg", "float", "Mass of grapes picked from the stretch"),
    _opt("pruning_kg", "kg", "float", "Mass of the prunings of the stretch"),
    _opt("box_width_m", "m", "float", "Width across the row that pruning left for this vintage"),
    _opt("easting", "m", "float", "Position in the estate CRS, where counted vine by vine off the row plan"),
    _opt("northing", "m", "float", "Position in the estate CRS"),
    _req("import_id", "", "int", "Number of the import in the ledger"),
))  # fmt: skip

RENEWALS = Table("renewals", "Renewals already done.", "", (
    _req("block_id", "", "str", "Block"),
    _opt("from_row", "", "int", "First row renewed; empty for the whole block"),
    _opt("to_row", "", "int", "Last row renewed"),
    _req("method", "", "str", "trunk_renewal, graft_over, infill or replant"),
    _req("year", "year", "int", "Calendar year of the work (winter after that vintage)"),
    _opt("cost", "currency", "float", "Cost of the work"),
    _opt("variety", "", "str", "Variety afterwards"),
    _req("import_id", "", "int", "Number of the import in the ledger"),
))  # fmt: skip

DRAWN_ZONES = Table("drawn_zones", "Zones drawn by hand; they stand instead of found ones.", "Polygon", (
    _req("zone_id", "", "str", "Zone"),
    _req("block_id", "", "str", "Block"),
    _req("import_id", "", "int", "Number of the import in the ledger"),
))  # fmt: skip

LEDGER = Table("ledger", "Every import.", "", (
    _req("import_id", "", "int", "Running number, from 1"),
    _req("kind", "", "str", "blocks, rows, harvest, loads, counts, imagery, renewals or zones"),
    _req("file", "", "str", "File name"),
    _req("sha256", "", "str", "SHA-256 of the file"),
    _req("vintage", "year", "int", "Vintage, 0 where it has none"),
    _req("rows_read", "", "int", "Rows read"),
    _req("rows_stored", "", "int", "Rows stored"),
    _req("rows_refused", "", "int", "Rows refused"),
    _req("reasons", "", "str", "Refusals by reason, as JSON"),
    _req("time", "", "time", "When, UTC"),
    _req("version", "", "str", "Version of vinemap"),
    _req("undone", "", "bool", "Taken back with vinemap undo"),
))  # fmt: skip

# ---------------------------------------------------------------- between the stages (estate CRS, metres)
CLEAN_READINGS = Table("clean_readings", "All readings after cleaning, each with its flag.", "Point", (
    _req("reading_id", "", "int", "As in readings"),
    _req("machine", "", "str", "Harvester"),
    _req("time", "", "time", "Time the grapes were picked (flow delay taken off), UTC"),
    _req("pass_no", "", "int", "Pass within block and vintage, -1 outside any pass"),
    _req("row_no", "", "int", "Row picked, -1 if none"),
    _req("along_m", "m", "float", "Distance along the row from its start"),
    _req("yield_t_ha", "t/ha", "float", "Yield after flow delay, before settlement; NaN where unknown"),
    _req("flag", "", "str", "Empty if kept, else why it was left out"),
))  # fmt: skip

SETTLEMENT = Table("settlement", "Readings against weighed loads, per block and vintage.", "", (
    _req("block_id", "", "str", "Block"),
    _req("vintage", "year", "int", "Vintage"),
    _req("integrated_t", "t", "float", "Tonnes of the cleaned readings over the block, machines levelled"),
    _req("weighed_t", "t", "float", "Net weighed tonnes with MOG taken off; NaN without loads"),
    _req("factor", "", "float", "What readings are multiplied by (after machine levelling)"),
    _req("factor_se", "", "float", "Standard error of log factor"),
    _req("leftover_t", "t", "float", "Weighed less settled tonnes"),
    _req("mog_pct", "%", "float", "MOG of the loads by mass, NaN if not given"),
    _req("coverage", "", "float", "Share of row length with kept readings"),
))  # fmt: skip

ZONES = Table("zones", "Contiguous workable zones of a block.", "Polygon", (
    _req("zone_id", "", "str", "block_id, a dash, Z, the number"),
    _req("block_id", "", "str", "Block"),
    _req("area_ha", "ha", "float", "Area, planar in the equal-area CRS"),
    _req("vines", "", "int", "Vine places"),
))  # fmt: skip

ZONE_VINTAGE = Table("zone_vintage", "Yield of each zone in each vintage.", "", (
    _req("zone_id", "", "str", "Zone"),
    _req("vintage", "year", "int", "Vintage"),
    _req("yield_t_ha", "t/ha", "float", "Yield of the zone"),
    _req("yield_se_t_ha", "t/ha", "float", "Standard error (block support, settlement error not in it)"),
    _req("expected_t_ha", "t/ha", "float", "Expected of the zone that vintage if it were healthy and full"),
    _req("relative_yield", "", "float", "Yield over expected"),
    _req("readings", "", "int", "Readings kept in the zone"),
))  # fmt: skip

# ---------------------------------------------------------------- what goes out (contract of the GeoPackage)
BLOCK = Table("block", "Blocks with the result in short.", "MultiPolygon", (
    _req("block_id", "", "str", "Block"),
    _req("name", "", "str", "Name people use"),
    _req("variety", "", "str", "Grape variety"),
    _req("year_planted", "year", "int", "Year of planting"),
    _req("trellis_year", "year", "int", "Year the trellis was built"),
    _req("row_spacing_m", "m", "float", "Distance between rows"),
    _req("vine_spacing_m", "m", "float", "Distance between vines in the row"),
    _req("area_ha", "ha", "float", "Area, planar in the equal-area CRS"),
    _req("vines", "", "int", "Vine places"),
    _req("yield_now_t_ha", "t/ha", "float", "Yield to expect now in an average season"),
    _req("advice", "", "str", "Strongest advice among its zones"),
    _req("renew_area_ha", "ha", "float", "Area of its zones advised to renew"),
))  # fmt: skip

ZONE = Table("zone", "Zones with decline and advice.", "MultiPolygon", (
    _req("zone_id", "", "str", "Zone"),
    _req("block_id", "", "str", "Block"),
    _req("area_ha", "ha", "float", "Area, planar in the equal-area CRS"),
    _req("vines", "", "int", "Vine places"),
    _req("vintages", "", "int", "Vintages with a yield"),
    _req("yield_healthy_t_ha", "t/ha", "float", "Yield in an average season if healthy and full"),
    _req("yield_now_t_ha", "t/ha", "float", "Yield to expect now in an average season"),
    _req("loss_pct", "%", "float", "Share of healthy yield lost by now, median"),
    _req("loss_pct_low", "%", "float", "Low end: 5 chances in 100 of less"),
    _req("loss_pct_high", "%", "float", "High end: 5 chances in 100 of more"),
    _req("decline_pct_per_year", "%/year", "float", "Share of healthy yield lost a year of the last three"),
    _req("decline_pct_per_year_low", "%/year", "float", "Low end: 5 chances in 100 of less"),
    _req("decline_pct_per_year_high", "%/year", "float", "High end: 5 chances in 100 of more"),
    _req("onset_vintage", "year", "int", "Vintage in which decline most likely set in; empty if held"),
    _opt("onset_low", "year", "int", "Earliest vintage of its 90 % interval"),
    _opt("onset_high", "year", "int", "Latest vintage of its 90 % interval"),
    _req("cause_hint", "", "str", "What the pattern looks like; never a diagnosis"),
    _opt("cause_code", "", "str", "The same as codes, a space between them; for translation"),
    _opt("machine_change_vintage", "year", "int", "Change of harvester of which cause_hint speaks"),
    _opt("machine_change_to", "", "str", "Harvester changed to, of which cause_hint speaks"),
    _req("missing_pct", "%", "float", "Vine places without a living vine, empty if never counted"),
    _req("symptomatic_pct", "%", "float", "Living vines with symptoms, empty if never counted"),
    _req("health_score", "0-100", "float", "Soundness of the vines, 100 full and holding; not the crop left"),
    _req("advice", "", "str", "keep, watch, scout or renew"),
    _req("best_method", "", "str", "Renewal method with the highest expected gain, empty for none"),
    _req("best_year", "year", "int", "Year of work with the highest expected gain, empty for none"),
    _req("gain_per_ha", "currency/ha", "float", "Net present value of renewing over keeping, mean"),
    _req("gain_per_ha_low", "currency/ha", "float", "Low end: 5 chances in 100 of less"),
    _req("gain_per_ha_high", "currency/ha", "float", "High end: 5 chances in 100 of more"),
    _req("wait_cost_per_ha", "currency/ha", "float", "Net present value lost by one year's delay"),
    _opt("wait_cost_per_ha_low", "currency/ha", "float", "Low end (5 %); below 0: waiting may gain"),
    _opt("wait_cost_per_ha_high", "currency/ha", "float", "High end: 5 chances in 100 of more"),
    _req("chance_pays", "0-1", "float", "Chance that renewing pays"),
    _req("reason", "", "str", "One plain sentence"),
    _opt("would_change", "", "str", "What would change the advice, one plain sentence"),
    _opt("change_code", "", "str", "The same as codes, a space between them; for translation"),
    _opt("break_even_loss_pct", "%", "float", "Loss now at which the best work and keeping come out even"),
    _opt("price_per_t", "currency/t", "float", "Price of the variety, as set"),
    _opt("break_even_price_per_t", "currency/t", "float", "Price at which best work and keeping are even"),
))  # fmt: skip

VINE_ROW = Table("vine_row", "Row segments by zone.", "LineString", (
    _req("row_id", "", "str", "block_id, a dash, the row number"),
    _req("block_id", "", "str", "Block"),
    _req("zone_id", "", "str", "Zone"),
    _req("from_vine", "", "int", "First vine place of the segment in its row"),
    _req("to_vine", "", "int", "Last vine place"),
    _req("length_m", "m", "float", "Length"),
    _req("advice", "", "str", "Advice of the zone"),
    _req("best_year", "year", "int", "Year of work, empty for none"),
))  # fmt: skip

SCOUTING_POINT = Table("scouting_point", "Where to look before anyone cuts.", "Point", (
    _req("point_id", "", "str", "zone_id, a dash, the order"),
    _req("zone_id", "", "str", "Zone"),
    _req("row_id", "", "str", "Row"),
    _req("vine_no", "", "int", "Vine place in the row"),
    _req("order", "", "int", "Order of the walk within the zone, from 1"),
    _req("why", "", "str", "Why here"),
))  # fmt: skip

ZONE_FORECAST = Table("zone_forecast", "Yield forecast of each zone if kept.", "", (
    _req("zone_id", "", "str", "Zone"),
    _req("year", "year", "int", "Vintage"),
    _req("keep_t_ha", "t/ha", "float", "Yield if kept, average season, median"),
    _req("keep_low", "t/ha", "float", "Low end: 5 chances in 100 of less"),
    _req("keep_high", "t/ha", "float", "High end: 5 chances in 100 of more"),
))  # fmt: skip

RENEWAL_OPTION = Table("renewal_option", "Every method and year for every zone.", "", (
    _req("zone_id", "", "str", "Zone"),
    _req("method", "", "str", "Method"),
    _req("year", "year", "int", "Year of work"),
    _req("npv_per_ha", "currency/ha", "float", "Net present value over keeping, mean"),
    _req("npv_low", "currency/ha", "float", "Low end: 5 chances in 100 of less"),
    _req("npv_high", "currency/ha", "float", "High end: 5 chances in 100 of more"),
    _req("chance_pays", "0-1", "float", "Chance that it pays"),
))  # fmt: skip

PROGRAMME = Table("programme", "The programme over years under limits.", "", (
    _req("year", "year", "int", "Year of work"),
    _req("block_id", "", "str", "Block"),
    _req("zone_id", "", "str", "Zone"),
    _req("method", "", "str", "Method"),
    _req("area_ha", "ha", "float", "Area"),
    _req("cost", "currency", "float", "Cost of the work"),
    _req("crew_days", "days", "float", "Crew days"),
    _req("vines", "", "int", "Vines or buds to order"),
    _req("tonnes_out", "t", "float", "Crop forgone in the first vintage after the work"),
))  # fmt: skip

RUN_INFO = Table("run_info", "What made this file.", "", (
    _req("key", "", "str", "Key"),
    _req("value", "", "str", "Value"),
))  # fmt: skip

INPUTS = (BLOCKS, ROWS, READINGS, LOADS, COUNTS, RENEWALS, DRAWN_ZONES, LEDGER)
STAGES = (CLEAN_READINGS, SETTLEMENT, ZONES)
OUTPUTS = (
    BLOCK,
    ZONE,
    VINE_ROW,
    SCOUTING_POINT,
    ZONE_VINTAGE,
    ZONE_FORECAST,
    RENEWAL_OPTION,
    PROGRAMME,
    RUN_INFO,
)

_DTYPES = {"str": "object", "int": "Int64", "float": "float64", "bool": "bool", "time": "datetime64[ns, UTC]"}


def empty_table(table: Table, *, crs: object = None) -> pd.DataFrame:
    """Make a frame with all columns of `table` and no rows.

    Parameters
    ----------
    table : Table
    crs : object, optional
        CRS of a table with geometry.

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame
    """
    frame = pd.DataFrame({one.name: pd.Series(dtype=_DTYPES[one.kind]) for one in table.columns})
    if not table.geometry:
        return frame
    located: pd.DataFrame = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([], crs=crs), crs=crs)
    return located


def read_plain(path: Path) -> pd.DataFrame:
    """Read a Parquet table without geometry, as `pandas.read_parquet` does but by path.

    pandas hands pyarrow a Python file: what its threads read ahead are Python objects then, and a process
    that ends while one of them is let go of is aborted (apache/arrow, issues 34314 and 45017).

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    OSError
        If it cannot be opened.
    pyarrow.ArrowException
        If it is damaged or not Parquet.
    """
    frame: pd.DataFrame = pq.read_table(path).to_pandas()
    return frame


def check_table(frame: pd.DataFrame, table: Table, *, where: str = "") -> pd.DataFrame:
    """Check a frame against a table and bring its columns to the documented types.

    Parameters
    ----------
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Not altered.
    table : Table
    where : str, optional
        File or stage, for the message.

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame
        A copy: documented columns first in their order, missing optional ones empty, extra ones kept.

    Raises
    ------
    TableError
        If a required column or the geometry is missing, or a value cannot be of the documented type.
    """
    spot = where or f"table {table.name}"
    missing = [one.name for one in table.columns if one.required and one.name not in frame.columns]
    if missing:
        raise TableError(
            f"Column {', '.join(missing)} is missing.", where=spot, remedy=f"Needed are {table.names}."
        )
    if table.geometry and not isinstance(frame, gpd.GeoDataFrame):
        raise TableError(
            f"No geometry; {table.geometry} is needed.", where=spot, remedy="Pass a GeoDataFrame."
        )
    out = frame.copy()
    for one in table.columns:
        out[one.name] = _typed(out, one, spot)
    geometry = [out.geometry.name] if table.geometry else []
    rest = [name for name in out.columns if name not in table.names and name not in geometry]
    ordered: pd.DataFrame = out[table.names + rest + geometry]
    return ordered


def _typed(frame: pd.DataFrame, column: Column, where: str) -> pd.Series:
    if column.name not in frame.columns:
        missing = pd.NaT if column.kind == "time" else (pd.NA if column.kind == "int" else np.nan)
        filled: object = "" if column.kind == "str" else missing
        return pd.Series([filled] * len(frame), index=frame.index, dtype=_DTYPES[column.kind])
    series = frame[column.name]
    try:
        if column.kind == "str":
            return _as_text(series)
        if column.kind == "time":
            # Asking for what is already there is dear on long columns, so it is looked at first.
            known = isinstance(series.dtype, pd.DatetimeTZDtype)
            moments = series.dt.tz_convert("UTC") if known else pd.to_datetime(series, utc=True)
            return moments.dt.as_unit("ns")
        return pd.Series(series.astype(_DTYPES[column.kind]))  # type: ignore[call-overload]
    except (TypeError, ValueError) as error:
        raise TableError(
            f"Column {column.name} must be {column.kind}: {error}.", where=where, remedy=column.meaning + "."
        ) from error


def _as_text(series: pd.Series) -> pd.Series:
    if series.dtype == object and pd.api.types.infer_dtype(series, skipna=False) == "string":
        return series
    words = ["" if gone else str(one) for one, gone in zip(series, series.isna(), strict=True)]
    return pd.Series(words, index=series.index, dtype=object)
