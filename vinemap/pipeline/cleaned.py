"""The first half of a block's work: lay its rows, clean each of its vintages and sum them up by row."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from vinemap import harvest, land
from vinemap.estate import EstateStore
from vinemap.estate.layout import damaged, harvest_file
from vinemap.pipeline.cache import ResultCache, code_of, digest, hash_of, read_words, write_words
from vinemap.pipeline.cleaning import judge_cleaning
from vinemap.tables import read_plain

# Kept results follow this code: also how readings are read, and the kriging by which the cleaning is judged.
CODE = (
    *("harvest", "land", "surface", "tables.py", "units.py", "estate/layout.py", "estate/shelf.py"),
    *("pipeline/cleaned.py", "pipeline/cleaning.py"),
)
MIN_READINGS_TO_FIT = 8  # fewer show no rows, common practice, no source
SNAP_SAMPLE = 20_000  # readings that suffice to see the phase of the rows


@dataclass(frozen=True, slots=True)
class BlockTask:
    """What the cleaning of one block needs; picklable.

    `pooled` are the delays [s] by vintage and machine that other blocks told; None while they are not known:
    then a vintage that does not tell its own is left for later.
    """

    store: EstateStore
    block: gpd.GeoDataFrame
    vintages: tuple[int, ...]
    given_rows: gpd.GeoDataFrame | None
    counts: pd.DataFrame
    cache: ResultCache
    pooled: dict[int, dict[str, float]] | None = None


@dataclass(frozen=True, slots=True)
class CleanedBlock:
    """Result of `clean_block`; the readings kept lie in the cache, one Parquet file a vintage.

    Vintages that wait for the delays of other blocks stand in `delays`, but not in `reports`.
    """

    block_id: str
    rows: gpd.GeoDataFrame
    row_summary: pd.DataFrame
    stand: gpd.GeoDataFrame
    reports: dict[int, dict[str, Any]] = field(default_factory=dict)
    delays: dict[int, tuple[harvest.DelayEstimate, ...]] = field(default_factory=dict)
    readings: dict[int, Path] = field(default_factory=dict)
    counted_vintages: tuple[int, ...] = ()
    notes: list[str] = field(default_factory=list)


def clean_block(task: BlockTask) -> CleanedBlock:
    """Lay the rows of a block, clean each of its vintages and sum them up by row.

    Parameters
    ----------
    task : BlockTask

    Returns
    -------
    CleanedBlock
        Kept readings of all vintages lie in the work folder.
    """
    block = task.block.iloc[0]
    block_id = str(block["block_id"])
    reader = _Reader(task)
    rows, notes = _rows_of(task, reader)
    found = {year: _clean_vintage(task, year, rows, reader) for year in task.vintages}
    words = {year: read_words(place / "report.json") for year, place in found.items()}
    words = {year: one for year, one in words.items() if one}
    told = {year: one for year, one in words.items() if one["report"]}
    summaries = [read_plain(found[year] / "rows.parquet").assign(vintage=year) for year in told]
    counted = _clean_counts(task, rows, have=set(words))
    readings = {year: found[year] / "readings.parquet" for year in told} | counted
    stand = harvest.stand_from_counts(task.counts, rows, **_spacings(block))
    notes += _note_strays(task.counts, rows, block)
    stand = stand[stand["flag"] == ""]
    return CleanedBlock(
        block_id=block_id,
        rows=rows,
        row_summary=pd.concat(summaries, ignore_index=True) if summaries else pd.DataFrame(),
        stand=stand,
        reports={year: one["report"] for year, one in told.items()},
        delays={
            year: tuple(harvest.DelayEstimate(**told) for told in one["delays"])
            for year, one in words.items()
        },
        readings={year: path for year, path in readings.items() if path.exists()},
        counted_vintages=tuple(sorted(counted)),
        notes=notes,
    )


def join_vintages(cleaned: CleanedBlock, later: CleanedBlock) -> CleanedBlock:
    """Put vintages that had to wait beside those that were cleaned at once."""
    parts = [one.row_summary for one in (cleaned, later) if len(one.row_summary)]
    return replace(
        cleaned,
        row_summary=pd.concat(parts, ignore_index=True) if parts else cleaned.row_summary,
        reports=cleaned.reports | later.reports,
        delays=cleaned.delays | later.delays,
        readings=cleaned.readings | later.readings,
    )


class _Reader:
    """Reads the readings of a block in the estate CRS; those read last are at hand."""

    def __init__(self, task: BlockTask) -> None:
        self.task, self.year, self.last = task, 0, gpd.GeoDataFrame()

    def read(self, year: int) -> gpd.GeoDataFrame:
        if year != self.year:
            readings = self.task.store.readings(year, str(self.task.block.iloc[0]["block_id"]))
            self.year, self.last = year, readings.to_crs(self.task.block.crs)
        return self.last


def _spacings(block: pd.Series) -> dict[str, float]:
    return {
        "row_spacing_m": float(block["row_spacing_m"]),
        "vine_spacing_m": float(block["vine_spacing_m"]),
    }


def _rows_of(task: BlockTask, reader: _Reader) -> tuple[gpd.GeoDataFrame, list[str]]:
    if task.given_rows is not None and len(task.given_rows):
        return task.given_rows, []
    largest = max(task.vintages, key=lambda year: _stored(task, year), default=None)
    if largest is None:
        return _lay(task.block.iloc[0], task.block.crs, np.empty(0), np.empty(0))
    readings = reader.read(largest)
    step = max(1, len(readings) // SNAP_SAMPLE)
    easting = readings.geometry.x.to_numpy()[::step]
    northing = readings.geometry.y.to_numpy()[::step]
    return _lay(task.block.iloc[0], task.block.crs, easting, northing)


def _stored(task: BlockTask, year: int) -> int:
    """Count the readings stored of a vintage without reading them; StoreError if the file is damaged."""
    file = _readings_file(task, year)
    try:
        return int(pq.read_metadata(file).num_rows)
    except (pa.ArrowException, OSError) as error:
        raise damaged(file, error) from error


def _readings_file(task: BlockTask, year: int) -> Path:
    return task.store.folder / harvest_file(year, str(task.block.iloc[0]["block_id"]))


def _lay(
    block: pd.Series, crs: Any, easting: np.ndarray, northing: np.ndarray
) -> tuple[gpd.GeoDataFrame, list[str]]:
    notes: list[str] = []
    outline = block.geometry
    plan = {"bearing_deg": float(block["grid_bearing_deg"]), "row_spacing_m": float(block["row_spacing_m"])}
    offset = 0.0
    if len(easting) >= MIN_READINGS_TO_FIT:
        fit = land.fit_rows(outline, easting, northing, crs=crs, **plan)
        if fit.clear:
            plan = {"bearing_deg": fit.bearing_deg, "row_spacing_m": fit.row_spacing_m}
            offset = fit.offset_m
        else:
            phase = land.snap_rows(outline, easting, northing, crs=crs, **plan)
            offset = phase.offset_m if phase.clear else 0.0
            notes.append(
                f"Block {block['block_id']}: the readings do not show clearly where the rows are; rows are "
                "laid from the outline, spacing and direction, so row numbers may be off by one or two. Add "
                "surveyed rows (vinemap add rows) to be sure."
            )
    rows = land.lay_rows(
        outline,
        block_id=str(block["block_id"]),
        vine_spacing_m=float(block["vine_spacing_m"]),
        offset_m=offset,
        crs=crs,
        **plan,
    )
    return rows, notes


def _clean_vintage(task: BlockTask, year: int, rows: gpd.GeoDataFrame, reader: _Reader) -> Path:
    """Folder with the kept readings, the sums by row and the report of a vintage, made unless known."""
    delay = (task.pooled or {}).get(year) or task.store.settings.harvest.flow_delay_s
    key = digest(
        "cleaned",
        code_of(*CODE),
        hash_of(_readings_file(task, year)),
        task.block[["block_id", "row_spacing_m", "geometry"]],
        task.block.crs.to_wkt(),
        rows[["row_no", "vines", "geometry"]],
        delay,
        task.pooled is None,
        task.store.settings.surface.block_m,
    )
    return task.cache.fetch(
        key, lambda place: _write_cleaned(place, task, reader.read(year), year, rows, delay)
    )


def _write_cleaned(
    place: Path,
    task: BlockTask,
    readings: gpd.GeoDataFrame,
    year: int,
    rows: gpd.GeoDataFrame,
    delay_s: float | dict[str, float],
) -> None:
    if not len(readings):
        write_words(place / "report.json", None)
        return
    block = task.block.iloc[0]
    row_spacing_m = float(block["row_spacing_m"])
    timed = harvest.time_readings(readings, rows, row_spacing_m=row_spacing_m, delay_s=delay_s)
    if task.pooled is None and not timed.identified:
        write_words(place / "report.json", {"report": None, "delays": [asdict(one) for one in timed.delays]})
        return
    result = harvest.clean_timed(timed, rows, outline=block.geometry)
    told = judge_cleaning(result, block_m=task.store.settings.surface.block_m)
    words = {
        "report": told.to_dict() | {"described": told.describe()},
        "delays": [asdict(one) for one in told.delays],
    }
    write_words(place / "report.json", words)
    summary = harvest.summarise_rows(
        result.readings, rows, block_id=str(block["block_id"]), row_spacing_m=row_spacing_m
    )
    summary.to_parquet(place / "rows.parquet")
    _write_points(place, _kept(result.readings), year)


def _write_points(place: Path, points: pd.DataFrame, year: int) -> None:
    if len(points):
        points.assign(vintage=year).to_parquet(place / "readings.parquet")


def _kept(readings: gpd.GeoDataFrame) -> pd.DataFrame:
    kept = readings[readings["flag"] == ""]
    return pd.DataFrame(
        {
            "easting": kept.geometry.x,
            "northing": kept.geometry.y,
            "row_no": kept["row_no"].astype("int32"),
            "along_m": kept["along_m"].astype("float32"),
            "machine": kept["machine"],
            "yield_t_ha": kept["yield_t_ha"],
            "flag": "",
            "support_m": kept["support_m"] if "support_m" in kept.columns else np.nan,
        }
    )


def _clean_counts(task: BlockTask, rows: gpd.GeoDataFrame, *, have: set[int]) -> dict[int, Path]:
    """Files of yield points by counted vintage; a vintage with readings keeps those instead."""
    picked = task.counts[task.counts["picked_kg"].notna()] if len(task.counts) else task.counts
    spacings = _spacings(task.block.iloc[0])
    found: dict[int, Path] = {}
    for year in sorted(set(picked["vintage"].astype(int)) - have):
        counts = picked[picked["vintage"] == year]
        points = harvest.yield_from_counts(counts, rows, **spacings)
        if len(points):
            kept = _kept(points.assign(machine="counted"))
            key = digest("counted", kept, year)
            place = task.cache.fetch(
                key,
                lambda place, kept=kept, year=year: _write_points(place, kept, year),  # type: ignore[misc]
            )
            found[year] = place / "readings.parquet"
    return found


def _note_strays(counts: pd.DataFrame, rows: gpd.GeoDataFrame, block: pd.Series) -> list[str]:
    """Say which counts name a row that the block does not have."""
    strays = counts[~counts["row_no"].isin(rows["row_no"])] if len(counts) else counts
    if not len(strays):
        return []
    named = ", ".join(f"row {one}" for one in sorted(set(strays["row_no"].astype(int)))[:5])
    return [
        f"Block {block['block_id']}: {len(strays)} of {len(counts)} counted stretches name rows that the "
        f"block does not have ({named}; it has rows 1 to {int(rows['row_no'].max())}); they were not used. "
        "Check from which side rows were counted, or add surveyed rows (vinemap add rows)."
    ]
