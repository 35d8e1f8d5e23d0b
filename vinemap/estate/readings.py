"""Putting harvester readings into blocks: assignment by position, readings stored before, doubts."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
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
from vinemap.taken import Intake

FEW_INSIDE = 0.02
REASON_OUTSIDE = "position lies outside every block"
REASON_REPEATED = "the same reading is stored already"
FURTHER_ON = " (And more of these further on.)"


Key = tuple[int, str]


class Sorter:
    """Sorts readings, part by part, into vintages and blocks by position.

    Parameters
    ----------
    blocks : geopandas.GeoDataFrame, shape (blocks,)
        Outlines in WGS84.
    crs : pyproj.CRS
        Estate CRS [m].
    tolerance_m : float
        Readings this far outside an outline [m] still belong to it.
    folder : pathlib.Path
        Estate folder, to see what is stored already.

    Attributes
    ----------
    rows_read, rows_stored : int
    reasons : collections.Counter
        Refused rows by reason.
    """

    def __init__(
        self, blocks: gpd.GeoDataFrame, *, crs: pyproj.CRS, tolerance_m: float, folder: Path
    ) -> None:
        self.blocks = blocks
        self.crs = crs
        self.tolerance_m = tolerance_m
        self.folder = folder
        self.rows_read = self.rows_stored = self.rows_tidy = 0
        self.reasons: Counter[str] = Counter()
        self._seen: dict[Key, npt.NDArray[Any]] = {}
        self._next: dict[Key, int] = {}
        self._names: Counter[tuple[str, str]] = Counter()
        self._notes: dict[str, str] = {}
        self._lost: tuple[int, Intake] | None = None

    def sort(self, taken: Intake) -> Iterator[tuple[Key, gpd.GeoDataFrame]]:
        """Give the new readings of one part by vintage and block; counts what is left out.

        Parameters
        ----------
        taken : Intake
            Of kind harvest.

        Yields
        ------
        (int, str), geopandas.GeoDataFrame
        """
        table = taken.table
        self.rows_read += taken.rows_read
        self.rows_tidy += len(table)
        self.reasons.update({str(one): int(n) for one, n in taken.refused["reason"].value_counts().items()})
        self._take_notes(taken.notes)
        if not len(table):
            return
        block_id = _assign(table, self.blocks, self.crs, self.tolerance_m)
        outside = block_id == ""
        self._count(REASON_OUTSIDE, int(outside.sum()))
        if self._lost is None or outside.sum() > self._lost[0]:
            self._lost = int(outside.sum()), taken
        self._names.update(_other_names(table, block_id, list(self.blocks["block_id"])))
        keys = pd.DataFrame({"vintage": table["vintage"].to_numpy(dtype="int64"), "block_id": block_id})
        for key, places in keys[~outside].groupby(["vintage", "block_id"]).indices.items():
            fresh = self._fresh(key, table[~outside].iloc[places])
            if len(fresh):
                self.rows_stored += len(fresh)
                yield key, fresh

    def _fresh(self, key: Key, part: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        """Leave out what is stored already, number the rest on."""
        if key not in self._seen:
            stored = read_table(self.folder, harvest_file(*key), READINGS)
            self._seen[key] = np.sort(_fingerprints(stored)) if len(stored) else np.array([], dtype="uint64")
            self._next[key] = int(stored["reading_id"].max()) + 1 if len(stored) else 1
        marks = _fingerprints(part)
        known = np.isin(marks, self._seen[key])
        self._count(REASON_REPEATED, int(known.sum()))
        self._seen[key] = np.concatenate([self._seen[key], marks[~known]])
        out = part[~known].drop(columns=["vintage"]).reset_index(drop=True)
        first = self._next[key]
        self._next[key] = first + len(out)
        out["reading_id"] = pd.array(np.arange(first, first + len(out)), dtype="Int64")
        return out

    def _count(self, reason: str, rows: int) -> None:
        if rows:
            self.reasons[reason] += rows

    def _take_notes(self, notes: list[str]) -> None:
        """Keep each note once, whatever its numbers: later parts of a file say the same again."""
        for note in notes:
            shape = re.sub(r"\d[\d.,]*", "#", note)
            if shape in self._notes and not self._notes[shape].endswith(FURTHER_ON):
                self._notes[shape] += FURTHER_ON
            self._notes.setdefault(shape, note)

    def finish(self) -> list[str]:
        """Give the notes on all parts.

        Raises
        ------
        DataError
            If (nearly) all readings lie outside every block, which tells if the axes look swapped; or nothing
            is new.
        """
        outside = self.reasons[REASON_OUTSIDE]
        if self._lost is not None and 1.0 - outside / max(self.rows_tidy, 1) < FEW_INSIDE:
            raise _explain_outside(self._lost[1], self.blocks, self.crs, self.tolerance_m)
        if not self.rows_stored:
            raise DataError(
                f"All {self.rows_tidy:,} readings are stored already or lie outside every block.",
                where=self._lost[1].file if self._lost else "",
                remedy="Nothing to do; vinemap status shows what is stored.",
            )
        notes = list(self._notes.values())
        if outside:
            notes.append(
                f"{outside:,} of {self.rows_tidy:,} readings lie outside every block and were left out. "
                "If a block is missing, add its outline, undo this import and add the file again."
            )
        return notes + [
            f"{count:,} readings say block {typed!r} but lie in {block!r}; the position was taken."
            for (typed, block), count in self._names.most_common(5)
        ]


def _assign(
    table: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, crs: pyproj.CRS, tolerance_m: float
) -> npt.NDArray[np.object_]:
    points = table.geometry.to_crs(crs)
    ids = land.assign_blocks(
        points.x.to_numpy(), points.y.to_numpy(), blocks.to_crs(crs), tolerance_m=tolerance_m
    )
    return np.asarray(ids, dtype=object)


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


def _other_names(
    table: pd.DataFrame, block_id: npt.NDArray[np.object_], known: list[str]
) -> dict[tuple[str, str], int]:
    """Count where the name typed in the cab is that of another block than the position says."""
    if "block_name" not in table.columns:
        return {}
    frame = pd.DataFrame({"typed": table["block_name"].to_numpy(), "block": block_id})
    pairs: Any = frame.value_counts().items()
    alike = {name.casefold() for name in known}
    return {
        (str(typed), str(block)): int(count)
        for (typed, block), count in pairs
        if block and str(typed).casefold() != str(block).casefold() and str(typed).casefold() in alike
    }


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
