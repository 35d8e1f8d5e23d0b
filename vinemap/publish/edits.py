"""The way back: what a person changed in the GeoPackage - outlines, zone limits, notes - read and checked.

What was written is told from what was drawn since by fingerprints that the file itself carries
(`vinemap.publish.fingerprints`), so that an untouched zone does not become a hand-drawn one on the way.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyogrio.errors
import shapely

from vinemap import tables
from vinemap.errors import GeometryError, IntakeError
from vinemap.publish.cover import make_areal
from vinemap.publish.fingerprints import ASKED, IDS, fingerprint_rows, plain_text
from vinemap.publish.hand_drawn import SNAP_M, cover_blocks, find_touched, name_zones, refuse_feature


@dataclass(frozen=True, slots=True)
class Edits:
    """What was changed in a GeoPackage since it was written.

    Attributes
    ----------
    blocks : geopandas.GeoDataFrame
        Columns of `tables.BLOCKS`: blocks that are new or whose outline or facts changed.
    zones : geopandas.GeoDataFrame
        zone_id, block_id, area_ha, geometry: all zones of each block in which one was drawn, as a cover.
    remarks : pandas.DataFrame
        layer, id, column, value: what stands in columns that people added.
    changes : list of str
        What was changed, mended or renamed, in words.
    """

    blocks: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    remarks: pd.DataFrame
    changes: list[str] = field(default_factory=list)


def read_edits(path: Path | str, *, snap_m: float = SNAP_M) -> Edits:
    """Read what a person changed in a GeoPackage that vinemap wrote, and check it.

    Parameters
    ----------
    path : path-like
    snap_m : float
        Gaps and overlaps between zones up to this width are closed [m].

    Returns
    -------
    Edits
        In the CRS of the file.

    Raises
    ------
    IntakeError
        If the file cannot be read or lacks the layers ``block`` and ``zone``.
    GeometryError
        If a zone is not valid, or zones overlap by more than `snap_m` or leave a wider gap in a block whose
        outline was not moved.
    """
    file = Path(path)
    written = _read_written(file)
    frames = {name: _read_layer(file, name) for name in ASKED}
    blocks, zones = frames["block"], frames["zone"].to_crs(frames["block"].crs)
    changes: list[str] = []
    if not written:
        changes.append(f"{file.name} carries no fingerprints, so all its blocks and zones count as drawn.")
    _check_blocks(blocks, file.name)
    zones = name_zones(zones, blocks, changes, file.name)
    touched = find_touched(zones, written.get("zone", {}), set(blocks["block_id"]))
    redrawn = _changed_blocks(blocks, written.get("block", {}), changes)
    moved = set(redrawn["block_id"]) if written else set()
    drawn = cover_blocks(zones, blocks, touched, snap_m, changes, file.name, moved=moved)
    return Edits(
        blocks=redrawn,
        zones=drawn,
        remarks=_read_remarks(file, written.get("columns", {})),
        changes=changes,
    )


def _read_written(file: Path) -> dict[str, Any]:
    try:
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            texts = connection.execute("SELECT metadata FROM gpkg_metadata").fetchall()
    except sqlite3.DatabaseError:
        return {}
    for (text,) in texts:
        try:
            held = json.loads(text)
        except ValueError:
            continue  # metadata of another program
        if isinstance(held, dict) and isinstance(held.get("written"), dict):
            return dict(held["written"])
    return {}


def _read_layer(file: Path, name: str) -> gpd.GeoDataFrame:
    try:
        frame = pyogrio.read_dataframe(file, layer=name)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise IntakeError(
            f"Layer {name} cannot be read: {error}.",
            where=file.name,
            remedy="Give back the whole GeoPackage, with its layers under their names.",
        ) from error
    if not isinstance(frame, gpd.GeoDataFrame) or frame.crs is None or IDS[name] not in frame.columns:
        raise IntakeError(
            f"Layer {name} has no geometry, no CRS or no column {IDS[name]}.",
            where=file.name,
            remedy="Give back the GeoPackage that vinemap wrote.",
        )
    for text in {"block_id", IDS[name]} & set(frame.columns):
        frame[text] = ["" if one is None or pd.isna(one) else str(one).strip() for one in frame[text]]
    return frame.set_geometry(_repaired(frame, name, file.name))


def _repaired(frame: gpd.GeoDataFrame, layer: str, where: str) -> gpd.GeoSeries:
    """Shapes made valid where that does not change their area; refused where it does."""
    shapes = np.array(frame.geometry.array, dtype=object)
    for place, shape in enumerate(shapes):
        if shape is None or shape.is_empty:
            raise refuse_feature(frame, layer, place, where, "has no shape", "Delete it or draw it.")
        if shape.is_valid:
            continue
        mended = make_areal(shape)
        if abs(mended.area - shape.area) > max(1.0, 1e-3 * mended.area):
            why = shapely.is_valid_reason(shape)
            raise refuse_feature(
                frame, layer, place, where, f"crosses itself ({why})", "Draw its border without a loop."
            )
        shapes[place] = mended
    return gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs)


def _check_blocks(blocks: gpd.GeoDataFrame, where: str) -> None:
    names = blocks["block_id"]
    odd = names[names.duplicated() | (names == "")]
    if len(odd):
        raise GeometryError(
            f"block_id {odd.iloc[0]!r} is empty or stands twice.",
            where=f"{where}, layer block, feature {int(odd.index[0]) + 1}",
            remedy="Give each block a short name of its own.",
        )


def _changed_blocks(
    blocks: gpd.GeoDataFrame, written: Mapping[str, str], changes: list[str]
) -> gpd.GeoDataFrame:
    now = fingerprint_rows(blocks, "block")
    changed = [written.get(name) != one for name, one in zip(blocks["block_id"], now, strict=True)]
    out = gpd.GeoDataFrame(blocks[changed]).reset_index(drop=True)
    changes += [f"Block {one}: outline or facts changed." for one in out["block_id"]]
    if not len(out):
        return gpd.GeoDataFrame(tables.empty_table(tables.BLOCKS, crs=blocks.crs))
    known = [one for one in tables.BLOCKS.names if one in out.columns]
    return gpd.GeoDataFrame(tables.check_table(out[[*known, "geometry"]], tables.BLOCKS, where="layer block"))


def _read_remarks(file: Path, written: Mapping[str, Sequence[str]]) -> pd.DataFrame:
    """Give what stands in columns that were not written: a line for each filled cell."""
    rows: list[dict[str, str]] = []
    for layer, key in IDS.items():
        columns = list(written.get(layer, ()))
        if not columns:
            continue
        frame = pyogrio.read_dataframe(file, layer=layer, read_geometry=False)
        for column in (one for one in frame.columns if one not in columns):
            rows += [
                {"layer": layer, "id": str(name), "column": str(column), "value": plain_text(value)}
                for name, value in zip(frame[key], frame[column], strict=True)
                if plain_text(value)
            ]
    return pd.DataFrame(rows, columns=["layer", "id", "column", "value"])


def attach_remarks(layers: Mapping[str, pd.DataFrame], remarks: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Put columns that people added back onto the layers of a later assessment, by id.

    Parameters
    ----------
    layers : mapping of str to DataFrame or GeoDataFrame
        Not altered.
    remarks : pandas.DataFrame
        As in `Edits.remarks`.

    Returns
    -------
    dict of str to DataFrame or GeoDataFrame

    Examples
    --------
    >>> zone = pd.DataFrame({"zone_id": ["A-Z1", "A-Z2"]})
    >>> told = pd.DataFrame([["zone", "A-Z2", "note", "wet"]], columns=["layer", "id", "column", "value"])
    >>> attach_remarks({"zone": zone}, told)["zone"]["note"].tolist()
    ['', 'wet']
    """
    out = dict(layers)
    for (layer, column), told in remarks.groupby(["layer", "column"], sort=False):
        if layer not in out or column in out[layer].columns:
            continue
        values = dict(zip(told["id"], told["value"], strict=True))
        frame = out[layer].copy()
        frame[column] = [values.get(str(one), "") for one in frame[IDS[layer]]]
        out[layer] = frame
    return out
