"""Lists that leave the office: rows for the contractor, points for the scout, the programme.

CSV files are UTF-8 with a byte-order mark, because the common spreadsheet programs read accents wrongly
without one, with comma and CRLF as in RFC 4180. Cells of text that a spreadsheet would run as a formula get a
leading apostrophe; numbers, negative ones too, stay as they are.

References
----------
OWASP, CSV Injection. RFC 4180. RFC 7946 (GeoJSON). GPX 1.1 schema, Topografix 2004.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import tables
from vinemap._version import __version__
from vinemap.publish.files import write_text
from vinemap.publish.texts import texts_in

# OWASP names = + - @ TAB CR LF and, for some locales, their full-width forms.
_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_NOT_XML = re.compile("[^\\t\\n\\r\\x20-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")
GPX = "http://www.topografix.com/GPX/1/1"
ROW_COLUMNS = [
    "year", "block_id", "block_name", "zone_id", "row_id", "row_no", "from_vine", "to_vine", "vines",
    "length_m", "method", "work",
]  # fmt: skip
SCOUT_COLUMNS = [
    "point_id", "block_id", "zone_id", "row_id", "vine_no", "order", "why", "longitude_deg", "latitude_deg",
]  # fmt: skip


def write_lists(
    folder: Path | str, layers: Mapping[str, pd.DataFrame], *, language: str = "en"
) -> list[Path]:
    """Write rows_<year>.csv for each year with work, scouting.csv, .gpx and .geojson, and programme.csv.

    Parameters
    ----------
    folder : path-like
        Made if need be; lists of rows of earlier runs that are not written again are removed.
    layers : mapping of str to DataFrame or GeoDataFrame
        Tables ``block``, ``zone``, ``vine_row``, ``scouting_point`` and ``programme`` of `tables.OUTPUTS`.
    language : str
        Language of the words for the work.

    Returns
    -------
    list of pathlib.Path
        Files written.
    """
    place = Path(folder)
    words = texts_in(language)
    rows = list_rows(layers, language=language)
    years = sorted(set(rows["year"]))
    written = [write_csv(place / f"rows_{year}.csv", rows[rows["year"] == year]) for year in years]
    for old in place.glob("rows_*.csv"):
        if old not in written:
            old.unlink()
    points = list_points(layers)
    written.append(write_csv(place / "scouting.csv", points[SCOUT_COLUMNS]))
    written.append(write_text(place / "scouting.gpx", _gpx(points, words["scouting_title"])))
    written.append(write_text(place / "scouting.geojson", _geojson(points)))
    programme = layers.get("programme")
    frame = tables.empty_table(tables.PROGRAMME) if programme is None else programme[tables.PROGRAMME.names]
    written.append(write_csv(place / "programme.csv", frame))
    return written


def list_rows(layers: Mapping[str, pd.DataFrame], *, language: str = "en") -> pd.DataFrame:
    """Row segments to be worked on, by year.

    The programme says what is done when; without one, the best year and method of the zones advised to renew.

    Parameters
    ----------
    layers : mapping of str to DataFrame
    language : str

    Returns
    -------
    pandas.DataFrame
        Columns `ROW_COLUMNS`, ordered as one would walk: year, block, row, vine.
    """
    words = texts_in(language)
    names = dict(zip(layers["block"]["block_id"], layers["block"]["name"], strict=True))
    columns = ["row_id", "block_id", "zone_id", "from_vine", "to_vine", "length_m"]
    out = pd.DataFrame(layers["vine_row"])[columns].merge(_planned(layers), on="zone_id", how="inner")
    out["row_no"] = pd.array([_row_number(one) for one in out["row_id"]], dtype="Int64")
    out["vines"] = out["to_vine"] - out["from_vine"] + 1
    out["block_name"] = out["block_id"].map(names)
    out["work"] = [words.get(f"method_{one}", one) for one in out["method"]]
    out["length_m"] = out["length_m"].astype(float).round(1)
    return out.sort_values(["year", "block_id", "row_no", "from_vine"])[ROW_COLUMNS].reset_index(drop=True)


def _row_number(row_id: str) -> int | None:
    number = row_id.rpartition("-")[2]
    return int(number) if number.isdecimal() else None


def _planned(layers: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    programme = layers.get("programme")
    if programme is not None and len(programme):
        return pd.DataFrame(programme)[["zone_id", "year", "method"]].drop_duplicates()
    zone = pd.DataFrame(layers["zone"])
    wanted = zone[(zone["advice"] == "renew") & zone["best_year"].notna()]
    return wanted[["zone_id", "best_year", "best_method"]].set_axis(["zone_id", "year", "method"], axis=1)


def list_points(layers: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Scouting points with block and WGS 84 position, in the order of the walk.

    Returns
    -------
    pandas.DataFrame
        Columns `SCOUT_COLUMNS`.
    """
    points = layers["scouting_point"]
    out = pd.DataFrame(points.drop(columns=points.geometry.name))
    where = points.geometry.to_crs("EPSG:4326") if len(points) else gpd.GeoSeries([], crs="EPSG:4326")
    blocks = dict(zip(layers["zone"]["zone_id"], layers["zone"]["block_id"], strict=True))
    out["block_id"] = [blocks.get(one, "") for one in out["zone_id"]]
    # 7 decimals of a degree are about a centimetre, finer than any handheld.
    out["longitude_deg"] = np.round(where.x.to_numpy(), 7)
    out["latitude_deg"] = np.round(where.y.to_numpy(), 7)
    return out.sort_values(["block_id", "zone_id", "order"]).reset_index(drop=True)


def safe_cell(value: object) -> object:
    """Defuse a cell of text that a spreadsheet would run as a formula; numbers pass untouched.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell("-3.5"), safe_cell("-B2"), safe_cell(-3.5)
    ("'=1+1", '-3.5', "'-B2", -3.5)
    """
    if isinstance(value, str) and value.startswith(_RISKY) and not _NUMBER.fullmatch(value):
        return "'" + value
    return value


def write_csv(path: Path, frame: pd.DataFrame) -> Path:
    """Write a table as CSV that is safe to open in a spreadsheet.

    Parameters
    ----------
    path : pathlib.Path
    frame : pandas.DataFrame

    Returns
    -------
    pathlib.Path
        `path`.
    """
    safe = frame.copy()
    safe.columns = pd.Index([safe_cell(str(name)) for name in frame.columns])
    for place, name in enumerate(frame.columns):
        if not pd.api.types.is_numeric_dtype(frame[name]):
            safe.isetitem(place, [safe_cell(value) for value in frame[name]])
    text = safe.to_csv(index=False, lineterminator="\r\n", float_format="%.10g")
    return write_text(path, text, encoding="utf-8-sig")


def _gpx(points: pd.DataFrame, title: str) -> str:
    """Waypoints, and one route a zone in the order of the walk; element order as the schema has it."""
    ElementTree.register_namespace("", GPX)
    root = ElementTree.Element(f"{{{GPX}}}gpx", {"version": "1.1", "creator": f"vinemap {__version__}"})
    _put(_sub(root, "metadata"), name=title)
    for one in points.to_dict("records"):
        _put(_point(root, "wpt", one), name=one["point_id"], desc=_where(one))
    for zone, walk in points.groupby("zone_id", sort=False):
        route = _sub(root, "rte")
        _put(route, name=str(zone))
        for one in walk.to_dict("records"):
            _put(_point(route, "rtept", one), name=one["point_id"])
    ElementTree.indent(root)
    body = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _where(point: Mapping[Any, Any]) -> str:
    return f"{point['row_id']} / {point['vine_no']}: {point['why']}"


def _sub(parent: ElementTree.Element, tag: str, **attributes: str) -> ElementTree.Element:
    return ElementTree.SubElement(parent, f"{{{GPX}}}{tag}", attributes)


def _point(parent: ElementTree.Element, tag: str, one: Mapping[Any, Any]) -> ElementTree.Element:
    return _sub(parent, tag, lat=f"{one['latitude_deg']:.7f}", lon=f"{one['longitude_deg']:.7f}")


def _put(parent: ElementTree.Element, **children: object) -> None:
    for tag, text in children.items():
        _sub(parent, tag).text = _NOT_XML.sub("", str(text))


def _geojson(points: pd.DataFrame) -> str:
    """Points as RFC 7946 has them: WGS 84 longitude, latitude; no "crs" member."""
    keep = ["block_id", "zone_id", "row_id", "vine_no", "order", "why"]
    features = [
        {
            "type": "Feature",
            "id": one["point_id"],
            "geometry": {"type": "Point", "coordinates": [one["longitude_deg"], one["latitude_deg"]]},
            "properties": {name: _plain(one[name]) for name in keep},
        }
        for one in points.to_dict("records")
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False, indent=1)


def _plain(value: object) -> object:
    if isinstance(value, np.integer):
        return int(value)
    return None if pd.isna(value) else value  # type: ignore[call-overload]
