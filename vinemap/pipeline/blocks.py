"""The work of one block, apart from all others: clean every vintage; later, map, zone and sum them up."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import harvest, land, publish, surface, zones
from vinemap.estate import EstateStore
from vinemap.estate.layout import file_stem
from vinemap.pipeline.cleaning import judge_cleaning

MIN_READINGS_TO_MAP = 8  # fewer cannot carry a variogram at all (pairs per lag), common practice, no source
SNAP_SAMPLE = 20_000  # readings that suffice to see the phase of the rows


@dataclass(frozen=True, slots=True)
class BlockTask:
    """What the cleaning of one block needs; picklable."""

    store: EstateStore
    block: gpd.GeoDataFrame
    vintages: tuple[int, ...]
    given_rows: gpd.GeoDataFrame | None
    counts: pd.DataFrame
    work: Path
    delays: dict[int, dict[str, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CleanedBlock:
    """Result of `clean_block`; the readings themselves stay in the work folder."""

    block_id: str
    rows: gpd.GeoDataFrame
    row_summary: pd.DataFrame
    stand: gpd.GeoDataFrame
    reports: dict[int, dict[str, Any]] = field(default_factory=dict)
    delays: dict[int, tuple[harvest.DelayEstimate, ...]] = field(default_factory=dict)
    counted_vintages: tuple[int, ...] = ()
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class MapTask:
    """What the mapping of one block needs; picklable."""

    cleaned: CleanedBlock
    block: gpd.GeoDataFrame
    settlements: dict[int, harvest.Settlement]
    settings: Any
    work: Path
    surfaces_folder: Path
    previous: gpd.GeoDataFrame | None
    seed: int
    drawn: gpd.GeoDataFrame | None = None


@dataclass(frozen=True, slots=True)
class MappedBlock:
    """Result of `map_block`."""

    block_id: str
    zones: gpd.GeoDataFrame
    segments: gpd.GeoDataFrame
    zone_vintage: pd.DataFrame
    stand: pd.DataFrame
    surfaces: dict[int, land.Grid]
    capacity: pd.DataFrame
    reports: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


# ------------------------------------------------------------------------------------------------ cleaning
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
    raw = {year: _read_metric(task, year) for year in task.vintages}
    rows, notes = _rows_of(task, raw)
    cleaned, summaries, reports, delays = [], [], {}, {}
    for year, readings in raw.items():
        if not len(readings):
            continue
        delay = task.delays.get(year) or task.store.settings.harvest.flow_delay_s
        result = _clean_vintage(readings, rows, block, delay)
        told = judge_cleaning(result, block_m=task.store.settings.surface.block_m)
        reports[year] = told.to_dict() | {"described": told.describe()}
        delays[year] = tuple(told.delays)
        summary = harvest.summarise_rows(
            result.readings, rows, block_id=block_id, row_spacing_m=float(block["row_spacing_m"])
        )
        summaries.append(summary.assign(vintage=year))
        kept = _kept(result.readings).assign(vintage=year)
        cleaned += [kept] if len(kept) else []
    counted = _clean_counts(task, rows, block, have=set(reports))
    cleaned += list(counted.values())
    for points in cleaned:
        points.to_parquet(_clean_path(task.work, block_id, int(points["vintage"].iloc[0])))
    stand = harvest.stand_from_counts(task.counts, rows, **_spacings(block))
    notes += _note_strays(task.counts, rows, block)
    stand = stand[stand["flag"] == ""]
    return CleanedBlock(
        block_id=block_id,
        rows=rows,
        row_summary=pd.concat(summaries, ignore_index=True) if summaries else pd.DataFrame(),
        stand=stand,
        reports=reports,
        delays=delays,
        counted_vintages=tuple(sorted(counted)),
        notes=notes,
    )


def clean_vintages_again(cleaned: CleanedBlock, again: CleanedBlock) -> CleanedBlock:
    """Put vintages that were cleaned again in the place of what they were."""
    years = set(again.reports)
    summary = cleaned.row_summary[~cleaned.row_summary["vintage"].isin(years)]
    return replace(
        cleaned,
        row_summary=pd.concat([summary, again.row_summary], ignore_index=True),
        reports=cleaned.reports | again.reports,
        delays=cleaned.delays | again.delays,
    )


def _read_metric(task: BlockTask, year: int) -> gpd.GeoDataFrame:
    readings = task.store.readings(year, str(task.block.iloc[0]["block_id"]))
    return readings.to_crs(task.block.crs)


def _spacings(block: pd.Series) -> dict[str, float]:
    return {
        "row_spacing_m": float(block["row_spacing_m"]),
        "vine_spacing_m": float(block["vine_spacing_m"]),
    }


def _rows_of(task: BlockTask, raw: dict[int, gpd.GeoDataFrame]) -> tuple[gpd.GeoDataFrame, list[str]]:
    if task.given_rows is not None and len(task.given_rows):
        return task.given_rows, []
    block = task.block.iloc[0]
    largest = max(raw.values(), key=len, default=None)
    step = max(1, len(largest) // SNAP_SAMPLE) if largest is not None else 1
    easting = largest.geometry.x.to_numpy()[::step] if largest is not None else np.empty(0)
    northing = largest.geometry.y.to_numpy()[::step] if largest is not None else np.empty(0)
    return _lay(block, task.block.crs, easting, northing)


def _lay(
    block: pd.Series, crs: Any, easting: np.ndarray, northing: np.ndarray
) -> tuple[gpd.GeoDataFrame, list[str]]:
    notes: list[str] = []
    outline = block.geometry
    plan = {"bearing_deg": float(block["grid_bearing_deg"]), "row_spacing_m": float(block["row_spacing_m"])}
    offset = 0.0
    if len(easting) >= MIN_READINGS_TO_MAP:
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


def _clean_vintage(
    readings: gpd.GeoDataFrame,
    rows: gpd.GeoDataFrame,
    block: pd.Series,
    delay_s: float | dict[str, float],
) -> harvest.CleanYield:
    return harvest.clean_readings(
        readings,
        rows,
        outline=block.geometry,
        row_spacing_m=float(block["row_spacing_m"]),
        delay_s=delay_s,
    )


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


def _clean_counts(
    task: BlockTask, rows: gpd.GeoDataFrame, block: pd.Series, *, have: set[int]
) -> dict[int, pd.DataFrame]:
    # A vintage with readings keeps them; picked weights stand in only where there are none.
    found: dict[int, pd.DataFrame] = {}
    picked = task.counts[task.counts["picked_kg"].notna()] if len(task.counts) else task.counts
    for year in sorted(set(picked["vintage"].astype(int)) - have):
        counts = picked[picked["vintage"] == year]
        points = harvest.yield_from_counts(counts, rows, **_spacings(block))
        if len(points):
            found[year] = _kept(points.assign(machine="counted")).assign(vintage=year)
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


def _clean_path(work: Path, block_id: str, vintage: int) -> Path:
    return work / f"{file_stem(block_id)}~{vintage}.parquet"


# ------------------------------------------------------------------------------------------------- mapping
def map_block(task: MapTask) -> MappedBlock:
    """Krige every vintage of a block on one grid, find its zones, and sum the vintages up by zone.

    Parameters
    ----------
    task : MapTask

    Returns
    -------
    MappedBlock
    """
    block = task.block.iloc[0]
    block_id = task.cleaned.block_id
    spec = land.grid_over(block.geometry, cell_m=task.settings.surface.cell_m, crs=task.block.crs)
    settled = _settled_readings(task)
    notes: list[str] = []
    surfaces = {}
    for year, points in sorted(settled.items()):
        if len(points) < MIN_READINGS_TO_MAP:
            notes.append(f"Block {block_id}, vintage {year}: only {len(points)} usable readings; not mapped.")
            continue
        surfaces[year] = _krige(points, spec, block, task.settings.surface)
    _write_surfaces(surfaces, task)
    found, zone_report = _find_zones(surfaces, task, block)
    segments = land.segment_rows(task.cleaned.rows, found)
    zone_vintage = _sum_up_zones(settled, surfaces, found, task)
    return MappedBlock(
        block_id=block_id,
        zones=found,
        segments=segments,
        zone_vintage=zone_vintage,
        stand=_stand_by_zone(task.cleaned.stand, found),
        surfaces={year: one.mean for year, one in surfaces.items()},
        capacity=_over_capacity(settled, task),
        reports={"zones": zone_report, "surfaces": {year: one.note for year, one in surfaces.items()}},
        notes=notes,
    )


def _settled_readings(task: MapTask) -> dict[int, pd.DataFrame]:
    block_id = task.cleaned.block_id
    out = {}
    for year in sorted({*task.cleaned.reports, *task.cleaned.counted_vintages}):
        path = _clean_path(task.work, block_id, year)
        if not path.exists():
            continue
        points = pd.read_parquet(path)
        settlement = task.settlements.get(year)
        if settlement is not None and year not in task.cleaned.counted_vintages:
            points = harvest.apply_settlement(points, settlement, block_id=block_id)
        out[year] = points.reset_index(drop=True)
    return out


def _krige(points: pd.DataFrame, spec: land.GridSpec, block: pd.Series, chosen: Any) -> surface.Surface:
    row_spacing_m = float(block["row_spacing_m"])
    known = points["support_m"].dropna()  # of counted stretches; what a logged reading covers shows by itself
    support = float(known.median()) if len(known) else float("nan")
    return surface.krige_grid(
        points[["easting", "northing"]].to_numpy(float),
        points["yield_t_ha"].to_numpy(float),
        spec=spec,
        outline=block.geometry,
        neighbours=chosen.neighbours,
        block_m=chosen.block_m,
        row_spacing_m=row_spacing_m,
        reading_area_m2=support * row_spacing_m if np.isfinite(support) else None,
    )


def _write_surfaces(surfaces: dict[int, surface.Surface], task: MapTask) -> None:
    name = file_stem(task.cleaned.block_id)
    for year, one in surfaces.items():
        publish.write_surface(
            task.surfaces_folder / f"yield_{name}_{year}.tif",
            {"yield": one.mean, "standard error": one.standard_error},
            units="t/ha",
            vintage=year,
            description=f"Yield of block {task.cleaned.block_id} in {year} and its kriging standard error",
        )
    if surfaces:
        publish.write_surface(
            task.surfaces_folder / f"relative_{name}.tif",
            zones.relative_surface({year: one.mean for year, one in surfaces.items()}),
            units="1",
            vintage=None,
            description=f"Mean relative yield of block {task.cleaned.block_id}, 1 is its average",
        )


def _find_zones(
    surfaces: dict[int, surface.Surface], task: MapTask, block: pd.Series
) -> tuple[gpd.GeoDataFrame, dict[str, Any]]:
    if task.drawn is not None:
        zones_drawn = publish.fit_drawn_zones(
            task.drawn, outline=block.geometry, rows=task.cleaned.rows, block_id=task.cleaned.block_id
        )
        return zones_drawn, {"drawn": len(zones_drawn)}
    if not surfaces:
        return _whole_block(task, block), {}
    chosen = task.settings.zones
    found = zones.find_zones(
        {year: one.mean for year, one in surfaces.items()},
        {year: one.standard_error for year, one in surfaces.items()},
        task.cleaned.rows,
        outline=block.geometry,
        block_id=task.cleaned.block_id,
        min_area_ha=chosen.min_area_ha,
        min_segment_m=chosen.min_segment_m,
        max_zones=chosen.max_zones,
        previous=task.previous,
    )
    report = found.report
    return found.zones, {
        "vintages": list(report.vintages),
        "agreement": report.agreement,
        "profile": report.profile.to_dict(orient="records"),
        "notes": list(report.notes),
    }


def _whole_block(task: MapTask, block: pd.Series) -> gpd.GeoDataFrame:
    """One zone where nothing could be mapped, so that the block still stands in the outputs."""
    columns = {
        "zone_id": [f"{task.cleaned.block_id}-Z1"],
        "block_id": [task.cleaned.block_id],
        "area_ha": [block.geometry.area / 1e4],
        "vines": [int(task.cleaned.rows["vines"].sum())],
    }
    return gpd.GeoDataFrame(columns, geometry=[block.geometry], crs=task.block.crs)


def _sum_up_zones(
    settled: dict[int, pd.DataFrame],
    surfaces: dict[int, surface.Surface],
    found: gpd.GeoDataFrame,
    task: MapTask,
) -> pd.DataFrame:
    rng = np.random.default_rng(task.seed)
    parts = []
    for year, fitted in surfaces.items():
        points = settled[year]
        where = points[["easting", "northing"]].to_numpy(float)
        means = surface.krige_polygons(
            where,
            points["yield_t_ha"].to_numpy(float),
            list(found.geometry),
            variogram=fitted.variogram,
            rng=rng,
        )
        parts.append(
            pd.DataFrame(
                {
                    "zone_id": found["zone_id"].to_numpy(),
                    "vintage": year,
                    "yield_t_ha": means["mean"].to_numpy(),
                    "yield_se_t_ha": means["standard_error"].to_numpy(),
                    "readings": _count_inside(where, found),
                }
            )
        )
    columns = ["zone_id", "vintage", "yield_t_ha", "yield_se_t_ha", "readings"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _count_inside(where: np.ndarray, found: gpd.GeoDataFrame) -> np.ndarray:
    points = gpd.GeoSeries(gpd.points_from_xy(where[:, 0], where[:, 1]), crs=found.crs)
    inside = points.sindex.query(found.geometry, predicate="contains")[0]
    return np.bincount(inside, minlength=len(found))


def _stand_by_zone(stand: gpd.GeoDataFrame, found: gpd.GeoDataFrame) -> pd.DataFrame:
    columns = ["zone_id", "vintage", "vines", "missing", "symptomatic", "missing_pct", "symptomatic_pct"]
    if not len(stand):
        return pd.DataFrame(columns=columns)
    joined = gpd.sjoin_nearest(stand, found[["zone_id", "geometry"]], how="inner")
    sums = joined.groupby(["zone_id", "vintage"])[["vines", "missing", "symptomatic"]].sum(min_count=1)
    sums = sums.astype(float).reset_index()
    sums["missing_pct"] = 100 * sums["missing"] / sums["vines"]
    sums["symptomatic_pct"] = (
        100 * sums["symptomatic"] / (sums["vines"] - sums["missing"].fillna(0)).clip(lower=1)
    )
    ordered: pd.DataFrame = sums[columns]
    return ordered


def _over_capacity(settled: dict[int, pd.DataFrame], task: MapTask) -> pd.DataFrame:
    """Ground of every machine and vintage that bore more than the cleaning system is rated for."""
    rows, parts = task.cleaned.row_summary, []
    for year, points in settled.items():
        if year in task.cleaned.counted_vintages or not len(points):
            continue
        own = rows[rows["vintage"] == year]
        found = harvest.find_over_capacity(
            own,
            points,
            block_id=task.cleaned.block_id,
            capacity_t_ha=task.settings.harvest.cleaning_capacity_t_ha,
        )
        parts.append(found.assign(vintage=year))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
