"""What the map page knows: one plain structure, without NaN, ready for JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

# Outlines may move by this much [m] on the screen; ids and areas come from the tables, not from the drawing.
SIMPLIFY_M = 0.5
LABEL_TOLERANCE_M = 2.0
NEAR_ENOUGH = 0.8  # of the radius of the largest circle inside
# 1e-6 degree is about 0.1 m.
DECIMALS = 6
SERIES_COLUMNS = ["vintage", "yield_t_ha", "yield_se_t_ha", "expected_t_ha"]
OPTION_COLUMNS = ["method", "year", "npv_per_ha", "npv_low", "npv_high", "chance_pays"]


def to_plain(value: Any) -> Any:
    """Turn a pandas or NumPy scalar into what JSON has; missing and not finite into None.

    Examples
    --------
    >>> to_plain(np.int64(3)), to_plain(np.nan), to_plain(pd.NA), to_plain(0.1234567)
    (3, None, None, 0.12346)
    """
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(f"{value:.5g}") if math.isfinite(value) else None
    return str(value)


def safe_json(data: Any) -> str:
    r"""JSON that can stand inside a script element: no character in it can end the element or the line.

    Examples
    --------
    >>> safe_json({"name": "</script><b>"})
    '{"name":"\\u003c/script\\u003e\\u003cb\\u003e"}'
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def collect_layers(layers: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """Gather blocks, zones, rows, points and series of all zones for the page.

    Parameters
    ----------
    layers : mapping of str to DataFrame or GeoDataFrame
        Tables of `tables.OUTPUTS`.

    Returns
    -------
    dict
        ``origin`` (longitude, latitude) [deg] to which the short row coordinates are added.
    """
    zones, blocks = layers["zone"], layers["block"]
    west, south, east, north = gpd.GeoDataFrame(blocks).to_crs("EPSG:4326").total_bounds
    origin = (round(float(west), 4), round(float(south), 4))
    return {
        "origin": origin,
        "bounds": [[float(south), float(west)], [float(north), float(east)]],
        "blocks": _features(blocks),
        "zones": _features(zones),
        "series": _series(layers["zone_vintage"], SERIES_COLUMNS),
        "forecast": _series(layers["zone_forecast"], ["year", "keep_t_ha", "keep_low", "keep_high"]),
        "options": _series(layers["renewal_option"], OPTION_COLUMNS),
        "rows": _rows(layers["vine_row"], origin),
        "points": _points(layers["scouting_point"]),
    }  # fmt: skip


def _records(frame: pd.DataFrame, columns: list[str]) -> list[dict[str, Any]]:
    values = [[to_plain(one) for one in frame[name]] for name in columns]
    return [dict(zip(columns, row, strict=True)) for row in zip(*values, strict=True)]


def _features(frame: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    plain = _simplified(gpd.GeoDataFrame(frame).geometry.array)
    crs = gpd.GeoDataFrame(frame).crs
    shapes = gpd.GeoSeries(plain, crs=crs).to_crs("EPSG:4326")
    inside = shapely.get_coordinates(gpd.GeoSeries(_middles(plain), crs=crs).to_crs("EPSG:4326").array)
    names = [name for name in frame.columns if name != frame.geometry.name]
    return [
        record | {"rings": _rings(shape), "label": [round(float(y), DECIMALS), round(float(x), DECIMALS)]}
        for record, shape, (x, y) in zip(_records(frame, names), shapes, inside, strict=True)
    ]


def _middles(shapes: Any) -> Any:
    """Where a letter has room: the centroid of the largest part, else its place farthest from any edge."""
    largest = np.array([max(shapely.get_parts(one), key=shapely.area) for one in shapes], dtype=object)
    radius = shapely.maximum_inscribed_circle(largest, LABEL_TOLERANCE_M)
    centroid = shapely.centroid(largest)
    room = np.where(
        shapely.contains(largest, centroid), shapely.distance(shapely.boundary(largest), centroid), 0
    )
    central = room >= NEAR_ENOUGH * shapely.length(radius)
    return np.where(central, centroid, shapely.get_point(radius, 0))


def _simplified(shapes: Any) -> Any:
    plain = np.array(shapes, dtype=object)
    if hasattr(shapely, "coverage_simplify") and len(plain):  # keeps shared borders shared; shapely 2.1
        return shapely.coverage_simplify(plain, SIMPLIFY_M)
    return shapely.simplify(plain, SIMPLIFY_M / 2)


def _rings(shape: Any) -> list[list[list[list[float]]]]:
    """Latitude, longitude of the rings of each part, as Leaflet takes a multipolygon."""
    parts = shape.geoms if hasattr(shape, "geoms") else [shape]
    return [
        [
            np.round(shapely.get_coordinates(ring)[:-1, ::-1], DECIMALS).tolist()
            for ring in (part.exterior, *part.interiors)
        ]
        for part in parts
    ]


def _series(frame: pd.DataFrame, columns: list[str]) -> dict[str, list[list[Any]]]:
    order = ["zone_id", *(name for name in ("method", "vintage", "year") if name in columns)]
    ordered = frame.sort_values(order)
    out: dict[str, list[list[Any]]] = {}
    for zone, record in zip(ordered["zone_id"], _records(ordered, columns), strict=True):
        out.setdefault(str(zone), []).append(list(record.values()))
    return out


def _rows(frame: gpd.GeoDataFrame, origin: tuple[float, float]) -> dict[str, list[list[Any]]]:
    """Row, first and last vine, and both ends as whole steps of 1e-6 degree from the origin, by zone."""
    if not len(frame):
        return {}
    ends = frame.geometry.to_crs("EPSG:4326")
    first, last = (shapely.get_coordinates(shapely.get_point(ends.array, place)) for place in (0, -1))
    steps = np.rint((np.hstack([first, last]) - np.tile(origin, 2)) * 10**DECIMALS).astype(int).tolist()
    out: dict[str, list[list[Any]]] = {}
    for zone, row, start, end, step in zip(
        frame["zone_id"], frame["row_id"], frame["from_vine"], frame["to_vine"], steps, strict=True
    ):
        out.setdefault(str(zone), []).append([str(row), to_plain(start), to_plain(end), *step])
    return out


def _points(frame: gpd.GeoDataFrame) -> dict[str, list[list[Any]]]:
    if not len(frame):
        return {}
    ordered = frame.sort_values(["zone_id", "order"])
    where = np.round(shapely.get_coordinates(ordered.geometry.to_crs("EPSG:4326").array), 7).tolist()
    out: dict[str, list[list[Any]]] = {}
    columns = ["order", "row_id", "vine_no", "why"]
    for zone, record, (x, y) in zip(ordered["zone_id"], _records(ordered, columns), where, strict=True):
        out.setdefault(str(zone), []).append([y, x, *record.values()])
    return out
