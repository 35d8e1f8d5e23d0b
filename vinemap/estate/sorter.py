"""Sorting harvester readings into blocks by position; explaining why they fall outside; doubts."""

from __future__ import annotations

import re
from collections import Counter
from functools import lru_cache
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyproj
import shapely

from vinemap import land
from vinemap.errors import DataError
from vinemap.estate.layout import WGS84
from vinemap.estate.reading_files import Key, Marks, mark_readings, to_arrow
from vinemap.estate.reading_parts import ReadingParts
from vinemap.taken import Intake, count_reasons, first_refused

FEW_INSIDE = 0.02
REASON_OUTSIDE = "position lies outside every block"
REASON_REPEATED = "the same reading is stored already"
FURTHER_ON = " (And more of these further on.)"
Floats = npt.NDArray[np.float64]


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
    parts : ReadingParts
        Takes what was sorted.
    import_id : int

    Attributes
    ----------
    rows_read, rows_tidy, rows_stored : int
        Rows in the file, those of them that intake did not refuse, and those that are new and in a block.
    reasons : collections.Counter
        Refused rows by reason.
    first : dict of str to str
        Where each reason was met first, and the value seen.
    """

    def __init__(
        self,
        blocks: gpd.GeoDataFrame,
        *,
        crs: pyproj.CRS,
        tolerance_m: float,
        parts: ReadingParts,
        import_id: int,
    ) -> None:
        self.ids = list(blocks["block_id"])
        self._turn = turn_from_wgs84(crs.to_wkt())
        self.outlines = shapely.transform(
            blocks.geometry.to_numpy(), lambda places: np.column_stack(self._turn.transform(*places.T))
        )
        self.tolerance_m = tolerance_m
        self.parts = parts
        self.import_id = import_id
        self.rows_read = self.rows_stored = self.rows_tidy = 0
        self.reasons: Counter[str] = Counter()
        self.first: dict[str, str] = {}
        self._names: Counter[tuple[str, str]] = Counter()
        self._notes: dict[str, str] = {}
        self._lost: tuple[int, Intake] | None = None

    def sort(self, taken: Intake) -> None:
        """Sort the readings of one part; counts what is left out.

        Parameters
        ----------
        taken : Intake
            Of kind harvest.
        """
        tidy = taken.tidy
        self.rows_read += taken.rows_read
        self.rows_tidy += len(tidy)
        self.reasons.update(count_reasons(taken.refused))
        self.first = first_refused(taken.refused) | self.first
        self._take_notes(taken.notes)
        if not len(tidy):
            return
        block = self._blocks_of(tidy["longitude"].to_numpy(), tidy["latitude"].to_numpy())
        outside = int((block < 0).sum())
        self._count(REASON_OUTSIDE, outside)
        if self._lost is None or outside > self._lost[0]:
            self._lost = outside, taken
        self._names.update(_other_names(tidy["block_name"], block, self.ids))
        self.parts.add(self._pieces(tidy, block))

    def _blocks_of(self, longitude: Floats, latitude: Floats) -> npt.NDArray[np.int64]:
        """Place in the list of blocks of each position, -1 for none."""
        x, y = self._turn.transform(longitude, latitude)
        return land.find_outlines(x, y, self.outlines, tolerance_m=self.tolerance_m)

    def _pieces(self, tidy: pd.DataFrame, block: npt.NDArray[np.int64]) -> dict[Key, tuple[pa.Table, Marks]]:
        """Part the readings inside by vintage and block."""
        vintages, vintage = np.unique(tidy["vintage"].to_numpy(dtype="int64"), return_inverse=True)
        code = np.where(block >= 0, vintage * len(self.ids) + block, -1)
        order = np.argsort(code.astype(np.min_scalar_type(-code.max(initial=1))), kind="stable")
        order = order[np.searchsorted(code[order], 0) :]
        if not len(order):
            return {}
        table, marks = to_arrow(tidy, self.import_id, order), mark_readings(tidy)[order]
        codes, starts = np.unique(code[order], return_index=True)
        ends = np.append(starts[1:], len(order))
        return {
            (int(vintages[one // len(self.ids)]), self.ids[one % len(self.ids)]): (
                table.slice(first, last - first),
                marks[first:last],
            )
            for one, first, last in zip(codes, starts, ends, strict=True)
        }

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
        self.rows_stored, known = self.parts.find_fresh()
        self._count(REASON_REPEATED, known)
        outside = self.reasons[REASON_OUTSIDE]
        if self._lost is not None and 1.0 - outside / max(self.rows_tidy, 1) < FEW_INSIDE:
            raise self._explain_outside(self._lost[1])
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

    def _explain_outside(self, taken: Intake) -> DataError:
        """Explain why no reading falls into a block: axes swapped, a sign lost, or another place."""
        longitude, latitude = (taken.tidy[name].to_numpy() for name in ("longitude", "latitude"))
        for x, y, what, remedy in _likely_mistakes(longitude, latitude, taken):
            if np.abs(y).max() <= 90 and (self._blocks_of(x, y) >= 0).mean() > 0.5:
                return DataError(what, where=taken.file, remedy=remedy)
        middle = shapely.union_all(self.outlines).centroid
        x, y = self._turn.transform(longitude, latitude)
        away = np.hypot(np.median(x) - middle.x, np.median(y) - middle.y) / 1000
        return DataError(
            f"Readings lie outside every block (their middle, {np.median(latitude):.5f} "
            f"{np.median(longitude):.5f}, is {away:,.1f} km from the middle of the estate).",
            where=taken.file,
            remedy="Check the file, its coordinate system (--crs) and the block outlines.",
        )


@lru_cache(maxsize=8)
def turn_from_wgs84(wkt: str) -> pyproj.Transformer:
    """Give the way from degrees to the CRS of an estate; making it takes as long as thousands of readings."""
    return pyproj.Transformer.from_crs(WGS84, wkt, always_xy=True)


def _other_names(
    typed: pd.Series, block: npt.NDArray[np.int64], ids: list[str]
) -> dict[tuple[str, str], int]:
    """Count where the name typed in the cab is that of another block than the position says."""
    names = [str(one) for one in typed.cat.categories]
    alike = {one.casefold() for one in ids}
    pair = (typed.cat.codes.to_numpy().astype("int64") * len(ids) + block)[block >= 0]
    pairs, counts = np.unique(pair, return_counts=True)
    told = (
        (names[one // len(ids)], ids[one % len(ids)], int(count))
        for one, count in zip(pairs, counts, strict=True)
    )
    return {
        (name, one): count
        for name, one, count in told
        if name.casefold() in alike and name.casefold() != one.casefold()
    }


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
