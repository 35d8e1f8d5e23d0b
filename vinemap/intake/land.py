"""Block outlines and vine rows: tidy tables."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap.intake.convert import Job, missing_column
from vinemap.intake.positions import WGS84, geodesic_length, layer_geometry
from vinemap.tables import BLOCKS, ROWS, check_table

MAX_BLOCK_ID = 64
MAX_FILE_NAME = 200  # of 255 that file systems take; the estate writes names in percent code
_POLYGON, _MULTIPOLYGON, _LINE, _MULTILINE = 3, 6, 1, 5


def tidy_blocks(job: Job) -> gpd.GeoDataFrame:
    """Make the table of blocks.

    Parameters
    ----------
    job : Job

    Returns
    -------
    geopandas.GeoDataFrame
        `vinemap.tables.BLOCKS` in WGS84; an outline in several parts is a MultiPolygon; rows refused still in
        it.
    """
    geometry = _single_parts(layer_geometry(job), _MULTIPOLYGON)
    kinds = shapely.get_type_id(geometry.to_numpy())
    outline = (kinds == _POLYGON) | (kinds == _MULTIPOLYGON)
    job.refusals.add(~outline, "geometry is not an outline (Polygon)", geometry.geom_type)
    block_id = _block_ids(job)
    job.refusals.add(block_id.duplicated(), "block stands in the file twice", block_id)
    # Two names that differ only in letter case would be one file on Windows and macOS.
    job.refusals.add(
        block_id.str.casefold().duplicated(), "block differs from another only in letter case", block_id
    )
    name = job.column("name", "")
    frame = gpd.GeoDataFrame(
        {"block_id": block_id, "name": name.where(name != "", block_id), "variety": job.column("variety", "")}
        | {one: _whole(job.column(one)) for one in ("year_planted", "trellis_year")}
        | {one: job.column(one) for one in ("row_spacing_m", "vine_spacing_m")}
        | {"row_bearing_deg": job.column("row_bearing_deg") % 180.0},
        geometry=geometry.to_numpy(),
        crs=WGS84,
    )
    _note_gaps(job, frame)
    return check_table(frame, BLOCKS, where=job.where)


def _block_ids(job: Job) -> pd.Series:
    for name in ("block_id", "name"):
        if job.has(name):
            ids = job.values[name]
            if job.has("name"):
                ids = ids.where(ids != "", job.values["name"])
            job.refusals.add(ids == "", "block is empty")
            job.refusals.add(
                ids.str.len() > MAX_BLOCK_ID, f"block is longer than {MAX_BLOCK_ID} characters", ids
            )
            job.refusals.add(
                ids.map(lambda one: len(quote(one, safe=" "))) > MAX_FILE_NAME,
                "block is too long for a file name (letters beyond ASCII count up to 9)",
                ids,
            )
            job.refusals.add(
                ids.str.contains(";", regex=False), "block holds ';', which parts several blocks", ids
            )
            return ids
    raise missing_column(job, "block_id", "name")


def _note_gaps(job: Job, frame: pd.DataFrame) -> None:
    kept = frame[job.refusals.kept]
    for column, words in (("row_spacing_m", "row spacing"), ("vine_spacing_m", "vine spacing")):
        blocks = kept.loc[kept[column].isna(), "block_id"].tolist()
        if blocks:
            job.notes.append(
                f"No {words} for block {', '.join(blocks[:8])}: needed before it can be assessed."
            )


def tidy_rows(job: Job) -> gpd.GeoDataFrame:
    """Make the table of vine rows.

    Parameters
    ----------
    job : Job

    Returns
    -------
    geopandas.GeoDataFrame
        `vinemap.tables.ROWS` in WGS84; ``vines`` empty where the file does not count them.
    """
    geometry = _single_parts(layer_geometry(job), _MULTILINE)
    kinds = shapely.get_type_id(geometry.to_numpy())
    job.refusals.add(kinds == _MULTILINE, "row is in several parts; give each its own row number")
    job.refusals.add(kinds != _LINE, "geometry is not a line", geometry.geom_type)
    block_id, row_no = job.values["block_id"], _whole(job.values["row_no"])
    row_id = block_id + "-" + row_no.astype(object).where(row_no.notna(), "").astype(str)
    job.refusals.add(row_id.duplicated(), "row stands in the file twice", row_id)
    lines = geometry.where(kinds == _LINE, None)
    frame = gpd.GeoDataFrame(
        {
            "row_id": row_id,
            "block_id": block_id,
            "row_no": row_no,
            "length_m": geodesic_length(lines),
            "vines": _whole(job.column("vines")),
        },
        geometry=geometry.to_numpy(),
        crs=WGS84,
    )
    return check_table(frame, ROWS, where=job.where)


def _single_parts(geometry: Any, multi: int) -> Any:
    """Unwrap collections of one part."""
    shapes = geometry.to_numpy()
    single = (shapely.get_type_id(shapes) == multi) & (shapely.get_num_geometries(shapes) == 1)
    return gpd.GeoSeries(np.where(single, shapely.get_geometry(shapes, 0), shapes), crs=geometry.crs)


def _whole(values: pd.Series) -> pd.Series:
    return values.where(values == values.round()).astype("Int64")
