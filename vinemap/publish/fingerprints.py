"""Fingerprints of what was written, so that what was changed since can be told from it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap import tables

GRID_M = 0.001  # coordinates that differ by less are the same, whatever program saved the file
IDS = {"block": "block_id", "zone": "zone_id", "vine_row": "row_id", "scouting_point": "point_id"}
ASKED = ("block", "zone")
BLOCK_FACTS = [one.name for one in tables.BLOCKS.columns if one.name != "block_id"]


def fingerprint_layers(layers: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """Fingerprint the geometry and facts of blocks and zones, and list the columns of all layers.

    Parameters
    ----------
    layers : mapping of str to DataFrame or GeoDataFrame
        As they are written.

    Returns
    -------
    dict
        Plain values for JSON: ``columns`` by layer; ``block`` and ``zone``: fingerprint by id.
    """
    out: dict[str, Any] = {"columns": {name: _attributes(frame) for name, frame in layers.items()}}
    for name in ASKED:
        frame = gpd.GeoDataFrame(layers[name])
        out[name] = dict(zip(frame[IDS[name]].astype(str), fingerprint_rows(frame, name), strict=True))
    return out


def _attributes(frame: pd.DataFrame) -> list[str]:
    geometry = frame.geometry.name if isinstance(frame, gpd.GeoDataFrame) else None
    return [str(name) for name in frame.columns if name != geometry]


def fingerprint_rows(frame: gpd.GeoDataFrame, layer: str) -> list[str]:
    """Fingerprint the geometry of each row, and of blocks the facts too."""
    rounded = shapely.set_precision(frame.geometry.array, GRID_M, mode="pointwise")
    shapes = shapely.normalize(shapely.remove_repeated_points(rounded))
    facts = [[""]] * len(frame)
    if layer == "block":
        known = [name for name in BLOCK_FACTS if name in frame.columns]
        facts = [[plain_text(one) for one in row] for row in frame[known].to_numpy(dtype=object)]
    return [
        hashlib.sha256(raw + json.dumps(fact).encode()).hexdigest()[:16]
        for raw, fact in zip(shapely.to_wkb(shapes, byte_order=1), facts, strict=True)
    ]


def plain_text(value: Any) -> str:
    """Text of a fact, alike for 3 and 3.0, None, NaN and the empty text."""
    if value is None or value == "" or bool(pd.isna(value)):
        return ""
    return f"{value:.9g}" if isinstance(value, int | float | np.number) else str(value)
