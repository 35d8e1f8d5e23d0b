"""The second half of a block's work: krige its vintages, find its zones and sum the vintages up by zone."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap import harvest, land, publish, surface, zones
from vinemap.pipeline.cache import ResultCache, code_of, digest, read_words, write_words
from vinemap.pipeline.cleaned import CleanedBlock
from vinemap.pipeline.surface_files import relative_file, yield_file
from vinemap.tables import read_plain

CODE = ("surface", "land", "publish/surfaces.py", "pipeline/mapped.py")  # kept surfaces follow it
LONG_STRETCH = 2.0  # squares: a longer counted stretch is the mean over its length, a shorter one a place
YIELD_TYPES = {
    **{"zone_id": "object", "vintage": "int64"},
    **dict.fromkeys(("yield_t_ha", "yield_se_t_ha"), "float64"),
    "readings": "int64",
}
STAND_TYPES = {
    **{"zone_id": "object", "vintage": "int64"},
    **dict.fromkeys(("vines", "missing", "symptomatic", "missing_pct", "symptomatic_pct"), "float64"),
}
MIN_READINGS_TO_MAP = 8  # fewer cannot carry a variogram at all (pairs per lag), common practice, no source


@dataclass(frozen=True, slots=True)
class MapTask:
    """What the mapping of one block needs; picklable."""

    cleaned: CleanedBlock
    block: gpd.GeoDataFrame
    settlements: dict[int, harvest.Settlement]
    settings: Any
    cache: ResultCache
    surfaces_folder: Path
    previous: gpd.GeoDataFrame | None
    seed: int
    drawn: gpd.GeoDataFrame | None = None


@dataclass(frozen=True, slots=True)
class MappedBlock:
    """Result of `map_block`; the surfaces lie in their folder."""

    block_id: str
    zones: gpd.GeoDataFrame
    segments: gpd.GeoDataFrame
    zone_vintage: pd.DataFrame
    stand: pd.DataFrame
    mapped_vintages: tuple[int, ...]
    capacity: pd.DataFrame
    reports: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


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
    stretches = {year: _long_stretches(points, task, year) for year, points in settled.items()}
    for year, points in sorted(settled.items()):
        if len(points) < MIN_READINGS_TO_MAP:
            notes.append(f"Block {block_id}, vintage {year}: only {len(points)} usable readings; not mapped.")
            continue
        surfaces[year] = _map_vintage(points, stretches[year], spec, task, year)
    _write_relative(surfaces, task)
    found, zone_report = _find_zones(surfaces, task, block)
    if task.drawn is not None:
        notes += publish.tell_refitting(task.drawn, found, block_id=block_id)
    segments = land.segment_rows(task.cleaned.rows, found)
    zone_vintage = _sum_up_zones(settled, stretches, surfaces, found, task)
    return MappedBlock(
        block_id=block_id,
        zones=found,
        segments=segments,
        zone_vintage=zone_vintage,
        stand=_stand_by_zone(task.cleaned.stand, found),
        mapped_vintages=tuple(surfaces),
        capacity=_over_capacity(settled, task),
        reports={"zones": zone_report, "surfaces": {year: one.note for year, one in surfaces.items()}},
        notes=notes,
    )


def _settled_readings(task: MapTask) -> dict[int, pd.DataFrame]:
    block_id = task.cleaned.block_id
    out = {}
    for year, path in sorted(task.cleaned.readings.items()):
        points = read_plain(path)
        settlement = task.settlements.get(year)
        if settlement is not None and year not in task.cleaned.counted_vintages:
            points = harvest.apply_settlement(points, settlement, block_id=block_id)
        out[year] = points.reset_index(drop=True)
    return out


def _long_stretches(points: pd.DataFrame, task: MapTask, year: int) -> np.ndarray | None:
    """Give the ends of the counted stretches of a vintage that are much longer than the squares mapped."""
    longest = LONG_STRETCH * task.settings.surface.block_m
    few = year in task.cleaned.counted_vintages and len(points) <= surface.MOST_STRETCHES
    if not few or not points["support_m"].median() > longest:
        return None
    return harvest.ends_of_stretches(points, task.cleaned.rows)


def _map_vintage(
    points: pd.DataFrame, stretches: np.ndarray | None, spec: land.GridSpec, task: MapTask, year: int
) -> surface.Surface:
    """Surface of a vintage, kriged unless known; also copied to the outputs."""
    chosen = task.settings.surface
    key = digest(
        "mapped",
        code_of(*CODE),
        points[["easting", "northing", "yield_t_ha", "support_m"]],
        stretches,
        task.block[["block_id", "row_spacing_m", "geometry"]],
        (spec.crs.to_wkt(), spec.west, spec.north, spec.cell_m, spec.shape, year),
        (chosen.neighbours, chosen.block_m),
    )
    place = task.cache.fetch(key, lambda place: _write_mapped(place, points, stretches, spec, task, year))
    task.surfaces_folder.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(
        place / "yield.tif",
        yield_file(task.surfaces_folder, task.cleaned.block_id, year),
    )
    return _read_mapped(place, spec)


def _write_mapped(
    place: Path,
    points: pd.DataFrame,
    stretches: np.ndarray | None,
    spec: land.GridSpec,
    task: MapTask,
    year: int,
) -> None:
    fitted = _krige(points, stretches, spec, task.block.iloc[0], task.settings.surface)
    publish.write_surface(
        place / "yield.tif",
        {"yield": fitted.mean, "standard error": fitted.standard_error},
        units="t/ha",
        vintage=year,
        description=f"Yield of block {task.cleaned.block_id} in {year} and its kriging standard error",
    )
    write_words(place / "fit.json", {"variogram": asdict(fitted.variogram), "note": fitted.note})


def _read_mapped(place: Path, spec: land.GridSpec) -> surface.Surface:
    mean, standard_error = (land.Grid(values, spec) for values in publish.read_surface(place / "yield.tif"))
    words = read_words(place / "fit.json")
    further = tuple(surface.Structure(**one) for one in words["variogram"].pop("further"))
    variogram = surface.Variogram(**words["variogram"], further=further)
    return surface.Surface(mean, standard_error, variogram, None, words["note"])


def _krige(
    points: pd.DataFrame, stretches: np.ndarray | None, spec: land.GridSpec, block: pd.Series, chosen: Any
) -> surface.Surface:
    row_spacing_m = float(block["row_spacing_m"])
    if stretches is not None:
        return surface.krige_stretch_grid(
            stretches,
            points["yield_t_ha"].to_numpy(float),
            spec=spec,
            outline=block.geometry,
            row_spacing_m=row_spacing_m,
            block_m=chosen.block_m,
        )
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


def _write_relative(surfaces: Mapping[int, surface.Surface], task: MapTask) -> None:
    if surfaces:
        publish.write_surface(
            relative_file(task.surfaces_folder, task.cleaned.block_id),
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
        stand=task.cleaned.stand,
        previous=task.previous,
    )
    report = found.report
    return found.zones, {
        "vintages": list(report.vintages),
        "agreement": report.agreement,
        "profile": report.profile.to_dict(orient="records"),
        "borders": report.borders.to_dict(orient="records"),
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
    stretches: dict[int, np.ndarray | None],
    surfaces: dict[int, surface.Surface],
    found: gpd.GeoDataFrame,
    task: MapTask,
) -> pd.DataFrame:
    rng = np.random.default_rng(task.seed)
    parts = []
    for year, fitted in surfaces.items():
        points = settled[year]
        where = points[["easting", "northing"]].to_numpy(float)
        value, wanted, known = points["yield_t_ha"].to_numpy(float), list(found.geometry), fitted.variogram
        ends = stretches[year]
        if ends is None:
            means = surface.krige_polygons(where, value, wanted, variogram=known, rng=rng)
        else:
            row_spacing_m = float(task.block["row_spacing_m"].iloc[0])
            means = surface.krige_stretch_polygons(
                ends, value, wanted, variogram=known, row_spacing_m=row_spacing_m
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
    return pd.concat(parts, ignore_index=True) if parts else _nothing(YIELD_TYPES)


def _nothing(types: Mapping[str, str]) -> pd.DataFrame:
    """Give a table without lines, typed so that it does not change the types of those it is put under."""
    return pd.DataFrame(columns=list(types)).astype(dict(types))


def _count_inside(where: np.ndarray, found: gpd.GeoDataFrame) -> np.ndarray:
    return np.array([np.count_nonzero(shapely.contains_xy(one, where)) for one in found.geometry])


def _stand_by_zone(stand: gpd.GeoDataFrame, found: gpd.GeoDataFrame) -> pd.DataFrame:
    if not len(stand):
        return _nothing(STAND_TYPES)
    joined = gpd.sjoin_nearest(stand, found[["zone_id", "geometry"]], how="inner")
    sums = joined.groupby(["zone_id", "vintage"])[["vines", "missing", "symptomatic"]].sum(min_count=1)
    sums = sums.astype(float).reset_index()
    sums["missing_pct"] = 100 * sums["missing"] / sums["vines"]
    sums["symptomatic_pct"] = (
        100 * sums["symptomatic"] / (sums["vines"] - sums["missing"].fillna(0)).clip(lower=1)
    )
    ordered: pd.DataFrame = sums[list(STAND_TYPES)]
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
