"""Putting harvester readings into blocks: assignment by position, readings stored before, doubts."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow.parquet as pq
import pyproj

from vinemap import land
from vinemap.errors import DataError
from vinemap.estate.layout import HARVEST, block_of, harvest_file, read_table
from vinemap.tables import READINGS
from vinemap.taken import Intake, refused_table

FEW_INSIDE = 0.02
REASON_OUTSIDE = "position lies outside every block"
REASON_REPEATED = "the same reading is stored already"


@dataclass(slots=True)
class Sorted:
    """Readings of one import by vintage and block.

    Attributes
    ----------
    tables : dict of (int, str) to geopandas.GeoDataFrame
        New readings of each vintage and block.
    refused : pandas.DataFrame
        Readings outside every block or stored already, with their reasons.
    notes : list of str
    """

    tables: dict[tuple[int, str], gpd.GeoDataFrame] = field(default_factory=dict)
    refused: pd.DataFrame = field(default_factory=refused_table)
    notes: list[str] = field(default_factory=list)


def sort_readings(
    taken: Intake, blocks: gpd.GeoDataFrame, *, crs: pyproj.CRS, tolerance_m: float, folder: Path
) -> Sorted:
    """Sort the readings of one file into vintages and blocks by position.

    Parameters
    ----------
    taken : Intake
        Of kind harvest.
    blocks : geopandas.GeoDataFrame, shape (blocks,)
        Outlines in WGS84.
    crs : pyproj.CRS
        Estate CRS [m].
    tolerance_m : float
        Readings this far outside an outline [m] still belong to it.
    folder : pathlib.Path
        Estate folder, to see what is stored already.

    Returns
    -------
    Sorted

    Raises
    ------
    DataError
        If (nearly) all readings lie outside every block; tells if the axes look swapped.
    """
    table = taken.table
    block_id = _assign(table, blocks, crs, tolerance_m)
    outside = block_id == ""
    if 1.0 - outside.mean() < FEW_INSIDE:
        raise _explain_outside(taken, blocks, crs, tolerance_m)
    out = Sorted()
    refused = [_refuse(table, outside, REASON_OUTSIDE)]
    if outside.any():
        out.notes.append(
            f"{int(outside.sum()):,} of {len(table):,} readings lie outside every block and were left out. "
            f"If a block "
            "is missing, add its outline, undo this import and add the file again."
        )
    out.notes += _name_doubts(table, block_id, list(blocks["block_id"]))
    keys = pd.DataFrame({"vintage": table["vintage"].to_numpy(dtype="int64"), "block_id": block_id})
    for (vintage, block), places in keys[~outside].groupby(["vintage", "block_id"]).groups.items():
        part = table.loc[places]
        stored = read_table(folder, harvest_file(vintage, block), READINGS)
        known = (
            np.isin(_fingerprints(part), _fingerprints(stored))
            if len(stored)
            else np.zeros(len(part), dtype=bool)
        )
        refused.append(_refuse(part, known, REASON_REPEATED))
        if not known.all():
            out.tables[vintage, block] = _numbered(part[~known], stored)
    out.refused = pd.concat(refused, ignore_index=True)
    return out


def _assign(
    table: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, crs: pyproj.CRS, tolerance_m: float
) -> npt.NDArray[np.object_]:
    points = table.geometry.to_crs(crs)
    ids = land.assign_blocks(
        points.x.to_numpy(), points.y.to_numpy(), blocks.to_crs(crs), tolerance_m=tolerance_m
    )
    return np.asarray(ids, dtype=object)


def _refuse(table: pd.DataFrame, mask: npt.NDArray[np.bool_], reason: str) -> pd.DataFrame:
    rows = table["source_row"].to_numpy(dtype="int64")[mask]
    return refused_table(rows, [reason] * len(rows), [""] * len(rows))


def _fingerprints(table: gpd.GeoDataFrame) -> npt.NDArray[Any]:
    """One number per reading out of machine, time and position (to 1e-7 degrees, about a centimetre)."""
    frame = pd.DataFrame(
        {
            "machine": table["machine"].astype(object).to_numpy(),
            "time": table["time"].astype("int64").to_numpy(),
            "x": np.round(table.geometry.x.to_numpy() * 1e7).astype("int64"),
            "y": np.round(table.geometry.y.to_numpy() * 1e7).astype("int64"),
        }
    )
    return pd.util.hash_pandas_object(frame, index=False).to_numpy()


def _numbered(part: gpd.GeoDataFrame, stored: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    first = int(stored["reading_id"].max()) + 1 if len(stored) else 1
    out = part.drop(columns=["vintage"]).reset_index(drop=True)
    out["reading_id"] = pd.array(np.arange(first, first + len(out)), dtype="Int64")
    return out


def _name_doubts(table: pd.DataFrame, block_id: npt.NDArray[np.object_], known: list[str]) -> list[str]:
    """Where the name typed in the cab is that of another block than the position says."""
    if "block_name" not in table.columns:
        return []
    typed = table["block_name"].astype(str).to_numpy(dtype=object)
    frame = pd.DataFrame({"typed": typed, "block": block_id})
    frame = frame[(frame["typed"] != "") & (frame["block"] != "")]
    alike = {name.casefold() for name in known}
    odd = frame[
        (frame["typed"].str.casefold() != frame["block"].str.casefold())
        & frame["typed"].str.casefold().isin(alike)
    ]
    counts: Any = odd.groupby(["typed", "block"]).size().sort_values(ascending=False)
    return [
        f"{int(count):,} readings say block {typed!r} but lie in {block!r}; the position was taken."
        for (typed, block), count in counts.head(5).items()
    ]


def _explain_outside(
    taken: Intake, blocks: gpd.GeoDataFrame, crs: pyproj.CRS, tolerance_m: float
) -> DataError:
    """Explain why no reading falls into a block: axes swapped, a sign lost, or another place."""
    table: Any = taken.table
    longitude: Any = table.geometry.x.to_numpy()
    latitude: Any = table.geometry.y.to_numpy()
    for x, y, what, remedy in _likely_mistakes(longitude, latitude, taken):
        if np.abs(y).max() > 90:
            continue
        turned = table.set_geometry(gpd.GeoSeries(gpd.points_from_xy(x, y), index=table.index, crs=table.crs))
        inside = np.array([one != "" for one in _assign(turned, blocks, crs, tolerance_m)])
        if inside.mean() > 0.5:
            return DataError(what, where=taken.file, remedy=remedy)
    middle = blocks.to_crs(crs).geometry.union_all().centroid
    points = table.geometry.to_crs(crs)
    away = np.hypot(points.x.median() - middle.x, points.y.median() - middle.y) / 1000
    return DataError(
        f"Readings lie outside every block (their middle, {np.median(latitude):.5f} "
        f"{np.median(longitude):.5f}, "
        f"is {away:,.1f} km from the middle of the estate).",
        where=taken.file,
        remedy="Check the file, its coordinate system (--crs) and the block outlines.",
    )


def _likely_mistakes(longitude: Any, latitude: Any, taken: Intake) -> list[tuple[Any, Any, str, str]]:
    """List positions as they would be without a common mistake, what the mistake is, and its remedy."""
    headers = {one.field: one.header for one in taken.guesses}
    swap = (
        f"Give --column latitude={headers['longitude']!r} --column longitude={headers['latitude']!r}."
        if {"latitude", "longitude"} <= set(headers)
        else "Export the layer with longitude first, latitude second."
    )
    sign = "with it the readings fall into the blocks."
    return [
        (
            latitude,
            longitude,
            "Latitude and longitude are swapped: exchanged, the readings fall into the blocks.",
            swap,
        ),
        (
            longitude,
            -latitude,
            f"Latitudes have lost their minus sign: {sign}",
            "Export them with the sign or S.",
        ),
        (
            -longitude,
            latitude,
            f"Longitudes have lost their minus sign: {sign}",
            "Export them with the sign or W.",
        ),
    ]


def index_harvest(folder: Path) -> pd.DataFrame:
    """List what readings are stored.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    pandas.DataFrame
        ``vintage``, ``block_id``, ``readings``, ``machines`` (joined by ";"), ``first``, ``last`` (UTC).
    """
    lines = []
    for file in sorted((folder / HARVEST).glob("*/*.parquet")):
        if not file.parent.name.isdigit() or file.name.startswith("."):
            continue
        held = pq.read_table(file, columns=["machine", "time"]).to_pandas()
        machines = ";".join(sorted(held["machine"].astype(str).unique()))
        lines.append(
            (
                int(file.parent.name),
                block_of(file.stem),
                len(held),
                machines,
                held["time"].min(),
                held["time"].max(),
            )
        )
    out = pd.DataFrame(lines, columns=["vintage", "block_id", "readings", "machines", "first", "last"])
    for name in ("vintage", "readings"):
        out[name] = out[name].astype("int64")
    for name in ("first", "last"):
        out[name] = pd.to_datetime(out[name], utc=True)
    return out.sort_values(["vintage", "block_id"], ignore_index=True)
