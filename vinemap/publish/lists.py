"""Lists that leave the office: rows for the contractor, points for the scout, the programme.

CSV files are UTF-8 with a byte-order mark, because the common spreadsheet programs read accents wrongly
without one, with comma and CRLF as in RFC 4180. Cells of text that a spreadsheet would run as a formula get a
leading apostrophe; numbers, negative ones too, stay as they are.

References
----------
OWASP, CSV Injection. RFC 4180.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import tables
from vinemap.publish.files import write_text
from vinemap.publish.handhelds import (
    DEGREE_DECIMALS,
    write_points_geojson,
    write_points_gpx,
    write_rows_geojson,
    write_rows_gpx,
)
from vinemap.publish.texts import texts_in

# OWASP names = + - @ TAB CR LF and, for some locales, their full-width forms.
_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
MEASURE_DECIMALS = 3  # kilograms of wood, a minute of a crew's day: finer than anyone works
ROW_COLUMNS = [
    "year", "block_id", "block_name", "zone_id", "row_id", "row_no", "from_vine", "to_vine", "vines",
    "length_m", "method", "work",
]  # fmt: skip
SCOUT_COLUMNS = [
    "point_id", "block_id", "zone_id", "row_id", "vine_no", "order", "why", "longitude_deg", "latitude_deg",
]  # fmt: skip


def write_lists(
    folder: Path | str,
    layers: Mapping[str, pd.DataFrame],
    *,
    language: str = "en",
    work: pd.DataFrame | None = None,
) -> list[Path]:
    """Write the rows to work on by year, the points to scout and the programme.

    Files: ``rows_<year>`` for each year with work, and ``scouting``, as ``.csv``, ``.gpx`` and ``.geojson``;
    ``scouting_counts.csv`` to fill in; ``programme.csv``.

    Parameters
    ----------
    folder : path-like
        Made if need be; lists of rows of earlier runs that are not written again are removed.
    layers : mapping of str to DataFrame or GeoDataFrame
        Tables ``block``, ``zone``, ``vine_row``, ``scouting_point`` and ``programme`` of `tables.OUTPUTS`.
    language : str
        Language of the words for the work.
    work : pandas.DataFrame, optional
        Work list of the programme (`vinemap.renewal.list_work`): order of the walk, wire, orders, crew days,
        cost and wood by row; it then decides the rows and their order.

    Returns
    -------
    list of pathlib.Path
        Files written.
    """
    place = Path(folder)
    words = texts_in(language)
    rows = list_rows(layers, language=language, work=work)
    written = []
    for year in sorted(set(rows["year"])):
        mine = rows[rows["year"] == year].reset_index(drop=True)
        written += _write_rows(place, f"rows_{year}", mine, layers["vine_row"])
    for old in place.glob("rows_*.*"):
        if old not in written and old.suffix in (".csv", ".gpx", ".geojson"):
            old.unlink()
    points = list_points(layers)
    written.append(write_csv(place / "scouting.csv", points[SCOUT_COLUMNS]))
    written.append(write_csv(place / "scouting_counts.csv", list_count_sheet(layers)))
    written.append(write_text(place / "scouting.gpx", write_points_gpx(points, words["scouting_title"])))
    written.append(write_text(place / "scouting.geojson", write_points_geojson(points)))
    programme = layers.get("programme")
    frame = tables.empty_table(tables.PROGRAMME) if programme is None else pd.DataFrame(programme)
    written.append(write_csv(place / "programme.csv", frame))
    return written


def _write_rows(folder: Path, stem: str, rows: pd.DataFrame, lines: pd.DataFrame) -> list[Path]:
    ends = _ends_of(rows, gpd.GeoDataFrame(lines))
    cautions = dict.fromkeys(rows["caution"]) if "caution" in rows.columns else {}
    gpx = write_rows_gpx(rows, ends, stem.replace("_", " "), note=" ".join(cautions))
    told = rows.drop(columns=["caution"], errors="ignore")
    return [
        write_csv(folder / f"{stem}.csv", rows),
        write_text(folder / f"{stem}.gpx", gpx),
        write_text(folder / f"{stem}.geojson", write_rows_geojson(told, ends)),
    ]


def _ends_of(rows: pd.DataFrame, lines: gpd.GeoDataFrame) -> Any:
    """Both ends of each segment [deg], (n, 2, 2), turned round where it is walked backwards."""
    shapes = lines.geometry.to_crs("EPSG:4326")
    keys = zip(lines["row_id"], lines["zone_id"], lines["from_vine"], strict=True)
    known = dict(zip(keys, shapes, strict=True))
    wanted = zip(rows["row_id"], rows["zone_id"], rows["from_vine"], strict=True)
    back = rows["walk"] == "backwards" if "walk" in rows.columns else [False] * len(rows)
    out = np.empty((len(rows), 2, 2))
    for place, (key, turned) in enumerate(zip(wanted, back, strict=True)):
        ends = np.asarray(known[key].coords)[[0, -1], :2]
        out[place] = ends[::-1] if turned else ends
    return np.round(out, DEGREE_DECIMALS)


def list_rows(
    layers: Mapping[str, pd.DataFrame], *, language: str = "en", work: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Row segments to be worked on, by year.

    The work list says what is done when, in which order; without one the programme; without either the best
    year and method of the zones advised to renew.

    Parameters
    ----------
    layers : mapping of str to DataFrame
    language : str
    work : pandas.DataFrame, optional
        As in `write_lists`.

    Returns
    -------
    pandas.DataFrame
        Columns `ROW_COLUMNS`, ordered as one would walk: year, block, row, vine; with a work list also
        its columns (its ``vines`` as ``vines_worked``), in its own order.
    """
    words = texts_in(language)
    names = dict(zip(layers["block"]["block_id"], layers["block"]["name"], strict=True))
    if work is not None and len(work):
        out = work.rename(columns={"vines": "vines_worked"})
        columns = [*ROW_COLUMNS, *(one for one in out.columns if one not in ROW_COLUMNS)]
        order = ["year", "order"]
    else:
        segments = ["row_id", "block_id", "zone_id", "from_vine", "to_vine", "length_m"]
        out = pd.DataFrame(layers["vine_row"])[segments].merge(_planned(layers), on="zone_id", how="inner")
        columns, order = ROW_COLUMNS, ["year", "block_id", "row_no", "from_vine"]
    out["row_no"] = pd.array([_row_number(one) for one in out["row_id"]], dtype="Int64")
    out["vines"] = out["to_vine"] - out["from_vine"] + 1
    out["block_name"] = out["block_id"].map(names)
    out["work"] = [words.get(f"method_{one}", one) for one in out["method"]]
    out["length_m"] = out["length_m"].astype(float).round(1)
    measures = out.select_dtypes("float").columns.difference(["length_m"])
    out[measures] = out[measures].round(MEASURE_DECIMALS)
    return out.sort_values(order, kind="stable")[columns].reset_index(drop=True)


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
    """Scouting points with block and WGS 84 position [deg], in the order of the walk.

    Parameters
    ----------
    layers : mapping of str to DataFrame or GeoDataFrame
        Tables ``zone`` and ``scouting_point`` of `tables.OUTPUTS`.

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
    out["longitude_deg"] = np.round(where.x.to_numpy(), DEGREE_DECIMALS)
    out["latitude_deg"] = np.round(where.y.to_numpy(), DEGREE_DECIMALS)
    return out.sort_values(["block_id", "zone_id", "order"]).reset_index(drop=True)


def list_count_sheet(layers: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Set out what to record at the scouting points: a sheet to fill in and give back as row counts.

    Parameters
    ----------
    layers : mapping of str to DataFrame or GeoDataFrame
        Tables ``zone``, ``zone_vintage`` and ``scouting_point`` of `tables.OUTPUTS`.

    Returns
    -------
    pandas.DataFrame
        vintage (the latest), block_id, row_no, from_vine, to_vine and vines as set out; missing, symptomatic,
        dead_arm and box_width_m [m] empty, to be counted and measured (`tables.COUNTS`).
    """
    points = list_points(layers)
    last = points["to_vine"] if "to_vine" in points else points["vine_no"]
    vintages = layers["zone_vintage"]["vintage"]
    return pd.DataFrame({
        "vintage": int(vintages.max()) if len(vintages) else 0, "block_id": points["block_id"],
        "row_no": points["row_id"].str.rsplit("-", n=1).str[-1], "from_vine": points["vine_no"],
        "to_vine": last, "vines": last - points["vine_no"] + 1, "missing": "", "symptomatic": "",
        "dead_arm": "", "box_width_m": "",
    })  # fmt: skip


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
