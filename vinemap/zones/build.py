"""Find the zones of a block: the stage function, its report, and the polygons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from sklearn.metrics import adjusted_rand_score

from vinemap.errors import DataError, GeometryError
from vinemap.land import Grid, segment_rows
from vinemap.zones.borders import Border, merge_alike, weigh_border
from vinemap.zones.cells import (
    BoolArray,
    FloatArray,
    IntArray,
    RowCells,
    average_cells,
    count_missing,
    lay_cells,
)
from vinemap.zones.cluster import cluster_cells
from vinemap.zones.draw import draw_polygons
from vinemap.zones.features import Features, describe_cells, relative_logs
from vinemap.zones.tidy import Rules, neighbours, tidy_labels

MOST_LEFT_OUT = 4  # vintages left out in turn, spread over the series: enough to see unrest, and quick
FEWEST_PIECES = 12  # pieces to begin with; more than anyone would work separately in a block
BORDER_COLUMNS = ["first", "second", "level_pct", "change_pct", "missing_pct", "evidence"]
SAME_ZONE_SHARE = 0.3  # share of common area (over the union) from which a zone keeps its old id


@dataclass(frozen=True, slots=True)
class ZoneReport:
    """How the zones came about.

    Attributes
    ----------
    vintages : tuple of int
        Vintages used.
    cells : int
        Row-frame cells inside the outline.
    cells_without_data : int
    borders : pandas.DataFrame
        first, second (zone_id), level_pct, change_pct and missing_pct (first against second; the latter two
        in points), evidence: what keeps neighbouring zones apart.
    agreement : float
        Mean adjusted Rand index with the zones found when one vintage is left out (up to four in turn); NaN
        below three vintages.
    profile : pandas.DataFrame
        zone_id, level_pct (against the block), change_pct (over the vintages, against the block).
    notes : tuple of str
    """

    vintages: tuple[int, ...]
    cells: int
    cells_without_data: int
    borders: pd.DataFrame
    agreement: float
    profile: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ZoneMap:
    """Zones of one block.

    Attributes
    ----------
    zones : geopandas.GeoDataFrame
        `tables.ZONES`; polygons cover the outline exactly, without overlap. A part of the outline that lies
        apart and is too small for a zone of its own belongs to the nearest zone (then a MultiPolygon).
    report : ZoneReport
    """

    zones: gpd.GeoDataFrame
    report: ZoneReport


def find_zones(
    surfaces: Mapping[int, Grid],
    standard_errors: Mapping[int, Grid],
    rows: gpd.GeoDataFrame,
    *,
    outline: Any,
    block_id: str,
    min_area_ha: float = 0.25,
    min_segment_m: float = 40.0,
    max_zones: int = 6,
    stand: gpd.GeoDataFrame | None = None,
    previous: gpd.GeoDataFrame | None = None,
    check_stability: bool = True,
) -> ZoneMap:
    """Divide a block into contiguous, workable zones by level, change over the vintages and missing vines.

    Parameters
    ----------
    surfaces : mapping of int to Grid
        Yield surface of each vintage [t/ha].
    standard_errors : mapping of int to Grid
        Their kriging standard errors [t/ha]; a vintage may be missing.
    rows : geopandas.GeoDataFrame
        Rows of the block (`tables.ROWS`), CRS in metres.
    outline : shapely.Polygon or shapely.MultiPolygon
    block_id : str
    min_area_ha : float, optional
        Smallest zone [ha].
    min_segment_m : float, optional
        Shortest row segment [m], except where the row itself is shorter.
    max_zones : int, optional
    stand : geopandas.GeoDataFrame, optional
        Counted stretches of row: points with vines (places looked at) and missing.
    previous : geopandas.GeoDataFrame, optional
        Earlier zones of the block; a new zone that shares most of an old one's area keeps its id.
    check_stability : bool, optional
        Whether to repeat the clustering with vintages left out in turn.

    Returns
    -------
    ZoneMap

    Raises
    ------
    DataError
        If there is no surface or none holds a value in the block.
    GeometryError
        If rows or outline are empty, or a limit is not positive.

    Examples
    --------
    >>> import pyproj
    >>> from vinemap.land import grid_over, lay_rows
    >>> west, south = 4_321_000, 3_210_000
    >>> outline = shapely.box(west, south, west + 126, south + 200)
    >>> crs = pyproj.CRS.from_epsg(3035)
    >>> spacing = {"row_spacing_m": 3.0, "vine_spacing_m": 2.0}
    >>> rows = lay_rows(outline, block_id="A", bearing_deg=0.0, crs=crs, **spacing)
    >>> spec = grid_over(outline, cell_m=5.0, crs=crs)
    >>> easting, _ = spec.centres()
    >>> year = {v: Grid(np.where(easting < west + 63, 10.0, 20.0), spec) for v in (2023, 2024)}
    >>> found = find_zones(year, {}, rows, outline=outline, block_id="A")
    >>> found.zones[["zone_id", "area_ha"]].round(1).to_numpy().tolist()
    [['A-Z1', 1.3], ['A-Z2', 1.3]]
    """
    if not (min_area_ha > 0 and min_segment_m > 0 and max_zones >= 1):
        raise GeometryError(
            f"Limits of zones are {min_area_ha} ha, {min_segment_m} m and {max_zones} zones.",
            where=f"block {block_id}",
            remedy="Give positive limits.",
        )
    cells = lay_cells(rows, outline, min_segment_m=min_segment_m)
    vintages = np.array(sorted(surfaces), dtype=np.int64)
    values = average_cells(cells, surfaces)
    if not np.isfinite(values).any():
        raise DataError(
            "No surface holds a value inside the block.",
            where=f"block {block_id}",
            remedy="Check that surfaces and outline are in one CRS.",
        )
    logs = relative_logs(values, cells.inside)
    errors = _relative_errors(cells, values, surfaces, standard_errors)
    rules = Rules(min_area_ha * 1e4, _shortest_run(cells, min_segment_m))
    known = _Known(logs, errors, vintages, count_missing(cells, stand))
    labels, features = _label_cells(known, cells, rules, max_zones)
    agreement = _agreement(labels, known, cells, rules, max_zones) if check_stability else {}
    shapes, members = draw_polygons(labels, cells, outline, rows, min_area_m2=rules.min_area_m2)
    ids = _carry_ids(shapes, block_id, previous)
    zones = _as_table(shapes, ids, rows, block_id)
    without = int((cells.inside & ~np.isfinite(values).any(axis=0)).sum())
    report = ZoneReport(
        vintages=tuple(int(one) for one in vintages),
        cells=int(cells.inside.sum()),
        cells_without_data=without,
        borders=_list_borders(ids, members, features, logs, cells),
        agreement=float(np.mean(list(agreement.values()))) if agreement else float("nan"),
        profile=_profile(ids, members, features),
        notes=_notes(vintages, without, cells, agreement, len(zones)),
    )
    return ZoneMap(zones, report)


def _shortest_run(cells: RowCells, min_segment_m: float) -> int:
    """Cells that make the shortest segment."""
    steps = np.diff(cells.along_edges[1:-1])
    step = float(np.median(steps)) if steps.size > 1 else min_segment_m
    return max(1, int(np.ceil(min_segment_m / step - 0.05)))


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of the cells, by vintage, and the share of missing vines."""

    logs: FloatArray
    errors: FloatArray
    vintages: IntArray
    missing: FloatArray | None

    def without(self, row: int) -> _Known:
        keep = np.arange(self.vintages.size) != row
        return _Known(self.logs[keep], self.errors[keep], self.vintages[keep], self.missing)


def _label_cells(known: _Known, cells: RowCells, rules: Rules, max_zones: int) -> tuple[IntArray, Features]:
    """Cut into more pieces than may stay, make them workable, merge what is not clearly apart."""
    features = describe_cells(known.logs, known.errors, known.vintages, cells, known.missing)
    pieces = cluster_cells(features.scaled, cells, pieces=max(FEWEST_PIECES, 2 * max_zones))
    labels = tidy_labels(pieces, features.scaled, cells, rules)
    labels = merge_alike(labels, features, known.logs, cells, max_zones=max_zones)
    return tidy_labels(labels, features.scaled, cells, rules), features


def _relative_errors(
    cells: RowCells, values: FloatArray, surfaces: Mapping[int, Grid], standard_errors: Mapping[int, Grid]
) -> FloatArray:
    """Divide standard errors by yields (V, band, stretch); NaN for vintages without."""
    out = np.full(values.shape, np.nan)
    known = {vintage: grid for vintage, grid in standard_errors.items() if vintage in surfaces}
    if known:
        place = {vintage: row for row, vintage in enumerate(sorted(surfaces))}
        rows = [place[vintage] for vintage in sorted(known)]
        with np.errstate(invalid="ignore", divide="ignore"):
            out[rows] = average_cells(cells, known) / values[rows]
    return out


def _agreement(
    labels: IntArray, known: _Known, cells: RowCells, rules: Rules, max_zones: int
) -> dict[int, float]:
    """Compare the zones with those found with a vintage left out (adjusted Rand index)."""
    count = known.vintages.size
    if count < 3:
        return {}
    out = {}
    for row in np.unique(np.linspace(0, count - 1, MOST_LEFT_OUT).round().astype(int)):
        other, _ = _label_cells(known.without(int(row)), cells, rules, max_zones)
        out[int(known.vintages[row])] = float(adjusted_rand_score(labels[cells.inside], other[cells.inside]))
    return out


def _list_borders(
    ids: list[str], members: list[BoolArray], features: Features, logs: FloatArray, cells: RowCells
) -> pd.DataFrame:
    """List what keeps neighbouring zones apart."""
    labels = np.full(cells.inside.shape, -1, dtype=np.int64)
    for number, one in enumerate(members):
        labels[one & cells.inside] = number
    weighed = [weigh_border(pair, labels, features, logs, cells) for pair in neighbours(labels, cells)]
    return pd.DataFrame([_border_row(ids, one) for one in weighed], columns=BORDER_COLUMNS)


def _border_row(ids: list[str], one: Border) -> tuple[str, str, float, float, float, float]:
    """One line of the report on borders: ids, differences [%], evidence."""
    first, second = (ids[number] for number in one.pair)
    level = 100 * float(np.expm1(one.level))
    return first, second, level, 100 * one.change, 100 * one.missing, one.evidence


def _as_table(shapes: list[Any], ids: list[str], rows: gpd.GeoDataFrame, block_id: str) -> gpd.GeoDataFrame:
    """Zones as `tables.ZONES`."""
    zones = gpd.GeoDataFrame(
        {"zone_id": ids, "block_id": block_id, "area_ha": [one.area / 1e4 for one in shapes]},
        geometry=shapes, crs=rows.crs,
    )  # fmt: skip
    zones["vines"] = _count_vines(zones, rows)
    return zones[["zone_id", "block_id", "area_ha", "vines", "geometry"]]


def _profile(ids: list[str], members: list[BoolArray], features: Features) -> pd.DataFrame:
    """Level and change of every zone against its block [%]."""
    level = [float(np.nanmean(features.level[one])) for one in members]
    change = [100 * float(np.nanmean(features.change[one])) for one in members]
    return pd.DataFrame({"zone_id": ids, "level_pct": 100 * np.expm1(level), "change_pct": change})


def _carry_ids(shapes: list[Any], block_id: str, previous: gpd.GeoDataFrame | None) -> list[str]:
    """Ids of the zones: those of earlier zones they share most area with, new numbers for the others."""
    ids = [""] * len(shapes)
    old = [] if previous is None else list(zip(previous["zone_id"], previous.geometry, strict=True))
    shares = [
        (shapely.intersection(shape, before).area / shapely.union(shape, before).area, new, name)
        for new, shape in enumerate(shapes) for name, before in old
    ]  # fmt: skip
    for share, new, name in sorted(shares, reverse=True):
        if share >= SAME_ZONE_SHARE and not ids[new] and name not in ids:
            ids[new] = name
    used = {name for name, _ in old}
    free = (f"{block_id}-Z{number}" for number in range(1, 10_000) if f"{block_id}-Z{number}" not in used)
    return [name or next(free) for name in ids]


def _count_vines(zones: gpd.GeoDataFrame, rows: gpd.GeoDataFrame) -> IntArray:
    """Vine places of every zone; 0 where the rows have none."""
    if "vines" not in rows.columns:
        return np.zeros(len(zones), dtype=np.int64)
    cut = segment_rows(rows, zones)
    count = (cut["to_vine"] - cut["from_vine"] + 1).groupby(cut["zone_id"]).sum()
    return np.asarray(zones["zone_id"].map(count).fillna(0), dtype=np.int64)


def _notes(
    vintages: IntArray, without: int, cells: RowCells, agreement: dict[int, float], count: int
) -> tuple[str, ...]:
    """Say what weakens the zones."""
    notes = []
    if vintages.size == 1:
        notes.append(f"Only vintage {vintages[0]}: zones differ by level; change over time is not known.")
    if without:
        notes.append(
            f"{without} of {int(cells.inside.sum())} cells hold no yield and follow their nearest neighbour."
        )
    if agreement and np.mean(list(agreement.values())) < 0.5 and count > 1:
        worst = min(agreement, key=lambda one: agreement[one])
        notes.append(
            f"Zones change when a vintage is left out, most of all {worst}: treat their borders as rough."
        )
    return tuple(notes)
