"""Block outlines and vine rows: tidy tables."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap.intake.draft import Draft, whole
from vinemap.intake.positions import WGS84, geodesic_length, layer_geometry
from vinemap.tables import BLOCKS, ROWS, check_table

MAX_BLOCK_ID = 64
MAX_FILE_NAME = 200  # of 255 that file systems take; the estate writes names in percent code
_POLYGON, _MULTIPOLYGON, _LINE, _MULTILINE = 3, 6, 1, 5


def tidy_blocks(draft: Draft) -> gpd.GeoDataFrame:
    """Make the table of blocks.

    Parameters
    ----------
    draft : Draft

    Returns
    -------
    geopandas.GeoDataFrame
        `vinemap.tables.BLOCKS` in WGS84; an outline in several parts is a MultiPolygon; rows refused still in
        it.

    Raises
    ------
    IntakeError
        If there are no shapes, their CRS is missing or wrong, or nothing names the blocks.
    """
    geometry = _single_parts(layer_geometry(draft), _MULTIPOLYGON)
    kinds = shapely.get_type_id(geometry.to_numpy())
    outline = (kinds == _POLYGON) | (kinds == _MULTIPOLYGON)
    draft.refusals.add(~outline, "geometry is not an outline (Polygon)", geometry.geom_type)
    block_id = _block_ids(draft)
    draft.refusals.add(block_id.duplicated(), "block stands in the file twice", block_id)
    # Two names that differ only in letter case would be one file on Windows and macOS.
    draft.refusals.add(
        block_id.str.casefold().duplicated(), "block differs from another only in letter case", block_id
    )
    name = draft.column("name", "")
    frame = gpd.GeoDataFrame(
        {
            "block_id": block_id,
            "name": name.where(name != "", block_id),
            "variety": draft.column("variety", ""),
        }
        | {one: whole(draft.column(one)) for one in ("year_planted", "trellis_year")}
        | {one: draft.column(one) for one in ("row_spacing_m", "vine_spacing_m")}
        | {"row_bearing_deg": draft.column("row_bearing_deg") % 180.0},
        geometry=geometry.to_numpy(),
        crs=WGS84,
    )
    _note_gaps(draft, frame)
    return check_table(frame, BLOCKS, where=draft.where)


def _block_ids(draft: Draft) -> pd.Series:
    for name in ("block_id", "name"):
        if draft.has(name):
            ids = draft.values[name]
            if draft.has("name"):
                ids = ids.where(ids != "", draft.values["name"])
            draft.refusals.add(ids == "", "block is empty")
            draft.refusals.add(
                ids.str.len() > MAX_BLOCK_ID, f"block is longer than {MAX_BLOCK_ID} characters", ids
            )
            draft.refusals.add(
                ids.map(lambda one: len(quote(one, safe=" "))) > MAX_FILE_NAME,
                "block is too long for a file name (letters beyond ASCII count up to 9)",
                ids,
            )
            draft.refusals.add(
                ids.str.contains(";", regex=False), "block holds ';', which parts several blocks", ids
            )
            return ids
    raise draft.lacks("block_id", "name")


def _note_gaps(draft: Draft, frame: pd.DataFrame) -> None:
    kept = frame[draft.refusals.kept]
    for column, words in (("row_spacing_m", "row spacing"), ("vine_spacing_m", "vine spacing")):
        blocks = kept.loc[kept[column].isna(), "block_id"].tolist()
        if blocks:
            draft.notes.append(
                f"No {words} for block {', '.join(blocks[:8])}: needed before it can be assessed."
            )


def tidy_rows(draft: Draft) -> gpd.GeoDataFrame:
    """Make the table of vine rows.

    Parameters
    ----------
    draft : Draft

    Returns
    -------
    geopandas.GeoDataFrame
        `vinemap.tables.ROWS` in WGS84; ``vines`` empty where the file does not count them.

    Raises
    ------
    IntakeError
        If there are no shapes, or their CRS is missing or wrong.
    """
    geometry = _single_parts(layer_geometry(draft), _MULTILINE)
    kinds = shapely.get_type_id(geometry.to_numpy())
    draft.refusals.add(kinds == _MULTILINE, "row is in several parts; give each its own row number")
    draft.refusals.add(kinds != _LINE, "geometry is not a line", geometry.geom_type)
    block_id, row_no = draft.values["block_id"], whole(draft.values["row_no"])
    row_id = block_id + "-" + row_no.astype(object).where(row_no.notna(), "").astype(str)
    draft.refusals.add(row_id.duplicated(), "row stands in the file twice", row_id)
    lines = geometry.where(kinds == _LINE, None)
    frame = gpd.GeoDataFrame(
        {
            "row_id": row_id,
            "block_id": block_id,
            "row_no": row_no,
            "length_m": geodesic_length(lines),
            "vines": whole(draft.column("vines")),
        },
        geometry=geometry.to_numpy(),
        crs=WGS84,
    )
    return check_table(frame, ROWS, where=draft.where)


def _single_parts(geometry: Any, multi: int) -> Any:
    """Unwrap collections of one part."""
    shapes = geometry.to_numpy()
    single = (shapely.get_type_id(shapes) == multi) & (shapely.get_num_geometries(shapes) == 1)
    return gpd.GeoSeries(np.where(single, shapely.get_geometry(shapes, 0), shapes), crs=geometry.crs)
