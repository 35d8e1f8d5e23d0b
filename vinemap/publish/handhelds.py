"""Points and rows as handhelds and phones take them: GPX 1.1 and GeoJSON.

References
----------
GPX 1.1 schema, Topografix 2004: order of the elements.
RFC 7946 (GeoJSON): WGS 84 longitude, latitude; no "crs".
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd

from vinemap._version import __version__

GPX = "http://www.topografix.com/GPX/1/1"
DEGREE_DECIMALS = 7  # about a centimetre, finer than any handheld
_NOT_XML = re.compile("[^\\t\\n\\r\\x20-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")
_POINT_FACTS = ["block_id", "zone_id", "row_id", "vine_no", "order", "why"]


def write_points_gpx(points: pd.DataFrame, title: str) -> str:
    """Waypoints, and one route a zone in the order of the walk.

    Parameters
    ----------
    points : pandas.DataFrame
        As `vinemap.publish.lists.list_points` gives them.
    title : str

    Returns
    -------
    str
        GPX 1.1.
    """
    root = _start(title)
    for one in points.to_dict("records"):
        where = f"{one['row_id']} / {one['vine_no']}: {one['why']}"
        _put(_point(root, "wpt", one["longitude_deg"], one["latitude_deg"]), name=one["point_id"], desc=where)
    for zone, walk in points.groupby("zone_id", sort=False):
        route = _sub(root, "rte")
        _put(route, name=str(zone))
        for one in walk.to_dict("records"):
            _put(_point(route, "rtept", one["longitude_deg"], one["latitude_deg"]), name=one["point_id"])
    return _finish(root)


def write_rows_gpx(rows: pd.DataFrame, ends: Any, title: str, *, note: str = "") -> str:
    """Write row segments as tracks, each from the end at which one starts to walk.

    Parameters
    ----------
    rows : pandas.DataFrame
        row_id, from_vine, to_vine, work, in the order of the walk.
    ends : array of float, shape (n, 2, 2)
        Longitude and latitude [deg] of both ends, in the direction of the walk.
    title : str
    note : str, optional
        Caution for the whole file.

    Returns
    -------
    str
        GPX 1.1.
    """
    root = _start(title, note)
    for number, (one, line) in enumerate(zip(rows.to_dict("records"), ends, strict=True), 1):
        track = _sub(root, "trk")
        name = f"{one['row_id']} {one['from_vine']}-{one['to_vine']}"
        _put(track, name=name, desc=one["work"], number=number)
        segment = _sub(track, "trkseg")
        for longitude, latitude in line:
            _point(segment, "trkpt", longitude, latitude)
    return _finish(root)


def write_points_geojson(points: pd.DataFrame) -> str:
    """Write scouting points as GeoJSON; columns as `vinemap.publish.lists.list_points` gives them."""
    where = points[["longitude_deg", "latitude_deg"]].to_numpy(dtype=float)
    features = [
        _feature(one["point_id"], "Point", spot.tolist(), {name: one[name] for name in _POINT_FACTS})
        for one, spot in zip(points.to_dict("records"), where, strict=True)
    ]
    return _collection(features)


def write_rows_geojson(rows: pd.DataFrame, ends: Any) -> str:
    """Write row segments as GeoJSON lines in the direction of the walk; every column becomes a property."""
    features = [
        _feature(f"{one['row_id']} {one['from_vine']}", "LineString", line.tolist(), one)
        for one, line in zip(rows.to_dict("records"), np.asarray(ends), strict=True)
    ]
    return _collection(features)


def _feature(name: str, kind: str, coordinates: Any, properties: Mapping[Any, Any]) -> dict[str, Any]:
    plain = {str(key): plain_value(value) for key, value in properties.items()}
    return {
        "type": "Feature",
        "id": name,
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": plain,
    }


def _collection(features: Sequence[dict[str, Any]]) -> str:
    data = {"type": "FeatureCollection", "features": features}
    return json.dumps(data, ensure_ascii=False, allow_nan=False, indent=1)


def plain_value(value: Any) -> Any:
    """Turn a pandas or NumPy scalar into what JSON has; missing ones into None.

    Examples
    --------
    >>> plain_value(np.int64(3)), plain_value(pd.NA), plain_value(np.float64(0.1))
    (3, None, 0.1)
    """
    if isinstance(value, np.generic):
        value = value.item()
    return None if value is None or pd.isna(value) else value


def _start(title: str, note: str = "") -> ElementTree.Element:
    ElementTree.register_namespace("", GPX)
    root = ElementTree.Element(f"{{{GPX}}}gpx", {"version": "1.1", "creator": f"vinemap {__version__}"})
    told = {"name": title, "desc": note} if note else {"name": title}
    _put(_sub(root, "metadata"), **told)
    return root


def _finish(root: ElementTree.Element) -> str:
    ElementTree.indent(root)
    body = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _sub(parent: ElementTree.Element, tag: str, **attributes: str) -> ElementTree.Element:
    return ElementTree.SubElement(parent, f"{{{GPX}}}{tag}", attributes)


def _point(parent: ElementTree.Element, tag: str, longitude: float, latitude: float) -> ElementTree.Element:
    return _sub(parent, tag, lat=f"{latitude:.{DEGREE_DECIMALS}f}", lon=f"{longitude:.{DEGREE_DECIMALS}f}")


def _put(parent: ElementTree.Element, **children: object) -> None:
    for tag, text in children.items():
        _sub(parent, tag).text = _NOT_XML.sub("", str(text))
