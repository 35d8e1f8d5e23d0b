"""Block outlines made fit for work: checked, repaired where beyond doubt, measured in an equal-area CRS."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from vinemap.errors import GeometryError
from vinemap.land.crs import WGS84, check_coordinates, check_metre_crs, choose_crs, is_equal_area
from vinemap.land.directions import estimate_bearing
from vinemap.land.ground import geodesy_of, grid_bearing, true_bearing
from vinemap.land.outlines import mend_outlines, trim_overlaps
from vinemap.units import HECTARE_M2, vines_per_hectare

WHERE = "blocks"
SMALLEST_HA, LARGEST_HA = 0.01, 1000.0  # [ha] beyond these an outline is a slip or in other units; no source
# [m] narrowest and widest spacing believed, close planting to overhead trellis; common practice, no source
ROW_SPACING_M = (0.8, 8.0)
VINE_SPACING_M = (0.3, 6.0)
VINE_BELT_DEG = (25.0, 55.0)  # [deg] latitudes of nearly all vineyards; common practice, no source


@dataclass(frozen=True, slots=True)
class PreparedBlocks:
    """Blocks ready for the stages, and what was done to them.

    Parameters
    ----------
    blocks : geopandas.GeoDataFrame
        In the estate CRS, with area_ha, vines and grid_bearing_deg added.
    notes : list of str
        One sentence for each repair, trimming or assumption.
    """

    blocks: gpd.GeoDataFrame
    notes: list[str]


def compare_areas(blocks: gpd.GeoDataFrame) -> pd.DataFrame:
    """Compare planar areas with areas on the ellipsoid.

    Parameters
    ----------
    blocks : geopandas.GeoDataFrame
        block_id and outlines in a CRS in metres.

    Returns
    -------
    pandas.DataFrame
        block_id, planar_ha [ha], geodesic_ha [ha], difference_pct (planar over geodesic [%]).

    Raises
    ------
    GeometryError
        If the CRS is missing or not in metres.

    References
    ----------
    Karney, C.F.F. 2013, Algorithms for geodesics, Journal of Geodesy 87:43-55 (through pyproj.Geod).

    Examples
    --------
    >>> blocks = gpd.GeoDataFrame({"block_id": ["A1"]}, crs="EPSG:3035",
    ...                           geometry=[shapely.box(4_000_000, 2_600_000, 4_000_500, 2_600_400)])
    >>> areas = compare_areas(blocks)
    >>> round(float(areas["planar_ha"].iloc[0]), 3), bool(abs(areas["difference_pct"].iloc[0]) < 0.01)
    (20.0, True)
    """
    crs = check_metre_crs(blocks.crs, where=WHERE)
    geod, geographic = geodesy_of(crs)
    planar = blocks.geometry.area.to_numpy(dtype=float) / HECTARE_M2
    ground = np.array([_ground_area(geod, one) for one in blocks.geometry.to_crs(geographic)]) / HECTARE_M2
    return pd.DataFrame(
        {
            "block_id": blocks["block_id"].to_numpy(dtype=object),
            "planar_ha": planar,
            "geodesic_ha": ground,
            "difference_pct": 100.0 * (planar / ground - 1.0),
        }
    )


def prepare_blocks(blocks: gpd.GeoDataFrame, *, crs: Any = None) -> PreparedBlocks:
    """Check block outlines, repair what is beyond doubt, bring them to the estate CRS and measure them.

    Parameters
    ----------
    blocks : geopandas.GeoDataFrame
        `vinemap.tables.BLOCKS` in any CRS. Not altered.
    crs : pyproj.CRS, optional
        Estate CRS, projected in metres; chosen by `choose_crs` if not given.

    Returns
    -------
    PreparedBlocks
        Blocks with ``area_ha`` (planar [ha]), ``vines`` (places, area times density) and ``grid_bearing_deg``
        (rows from grid north [deg]: the given true bearing turned, else estimated from the outline).

    Raises
    ------
    GeometryError
        CRS missing or not fitting the coordinates; outline missing, not a polygon, or crossing itself so
        that its area is in doubt; overlapping blocks; ids missing or given twice; spacing missing or
        absurd; area absurd. The message names the blocks.

    Examples
    --------
    >>> blocks = gpd.GeoDataFrame(
    ...     {"block_id": ["A1"], "row_spacing_m": [3.0], "vine_spacing_m": [2.0], "row_bearing_deg": [0.0]},
    ...     geometry=[shapely.box(140.0, -34.5, 140.002, -34.498)],
    ...     crs="EPSG:4326",
    ... )
    >>> prepared = prepare_blocks(blocks)
    >>> round(float(prepared.blocks["area_ha"].iloc[0]), 2), int(prepared.blocks["vines"].iloc[0])
    (4.08, 6792)
    """
    if "block_id" not in blocks:
        raise GeometryError(
            "Column block_id is missing.", where=WHERE, remedy="Name the column with --column."
        )
    check_coordinates(blocks.loc[~(blocks.geometry.isna() | blocks.geometry.is_empty)])
    names = _check_names(blocks)
    _check_spacing(blocks, names, "row_spacing_m", ROW_SPACING_M)
    _check_spacing(blocks, names, "vine_spacing_m", VINE_SPACING_M)
    estate = choose_crs(blocks) if crs is None else check_metre_crs(crs, where="estate CRS")
    out = blocks.to_crs(estate)
    notes = _doubts(blocks, estate)
    mended, mend_notes = mend_outlines(out.geometry.to_numpy(), names, crs=estate)
    trimmed, trim_notes = trim_overlaps(mended, names)
    out = out.set_geometry(gpd.GeoSeries(trimmed, index=out.index, crs=estate))
    out["block_id"] = names
    out["area_ha"] = out.geometry.area / HECTARE_M2
    _check_size(out, names)
    density = [
        vines_per_hectare(r, v) for r, v in zip(out["row_spacing_m"], out["vine_spacing_m"], strict=True)
    ]
    out["vines"] = np.rint(out["area_ha"].to_numpy() * np.array(density)).astype(np.int64)
    out["grid_bearing_deg"], bearing_notes = _bearings(out, names, estate)
    return PreparedBlocks(out, notes + mend_notes + trim_notes + bearing_notes)


def _ground_area(geod: Geod, outline: Any) -> float:
    """Area on the ellipsoid [m2], whichever way round the rings run."""
    parts = shapely.get_parts(outline)
    outer = sum(_ring_area(geod, part.exterior) for part in parts)
    return outer - sum(_ring_area(geod, hole) for part in parts for hole in part.interiors)


def _ring_area(geod: Geod, ring: Any) -> float:
    points = shapely.get_coordinates(ring)
    return abs(float(geod.polygon_area_perimeter(points[:, 0], points[:, 1])[0]))


def _doubts(blocks: gpd.GeoDataFrame, estate: Any) -> list[str]:
    notes = []
    if not is_equal_area(estate):
        notes.append(
            f"{estate.name} is not an equal-area CRS: areas and yields per hectare may be off "
            "by 0.1 % or more."
        )
    west, south, east, north = blocks.geometry.to_crs(WGS84).total_bounds
    latitude, longitude = (south + north) / 2, (west + east) / 2
    low, high = VINE_BELT_DEG
    if not low <= abs(latitude) <= high and low <= abs(longitude) <= high:
        notes.append(
            f"The estate lies at latitude {latitude:.2f}, longitude {longitude:.2f}, where few vineyards "
            "are. If that is not the place, latitude and longitude are swapped in the file of outlines."
        )
    return notes


def _check_names(blocks: gpd.GeoDataFrame) -> list[str]:
    names = [str(one).strip() if pd.notna(one) else "" for one in blocks["block_id"]]
    empty = [index + 1 for index, one in enumerate(names) if not one]
    if empty:
        raise GeometryError(
            f"Outline {_listed(empty)} has no block_id.",
            where=WHERE,
            remedy="Give every block a short unique name.",
        )
    double = sorted({one for one in names if names.count(one) > 1})
    if double:
        raise GeometryError(
            f"Block {_listed(double)} is given more than once.",
            where=WHERE,
            remedy="Give every outline its own block_id, or join the parts of one block into one outline.",
        )
    return names


def _check_spacing(
    blocks: gpd.GeoDataFrame, names: Sequence[str], column: str, bounds: tuple[float, float]
) -> None:
    words = column.removesuffix("_m").replace("_", " ")
    values = (
        pd.to_numeric(blocks[column], errors="coerce")
        if column in blocks
        else pd.Series(np.nan, blocks.index)
    )
    value = values.to_numpy(dtype=float)
    missing = [one for one, seen in zip(names, value, strict=True) if not np.isfinite(seen)]
    if missing:
        raise GeometryError(
            f"Block {_listed(missing)} has no {words}.",
            where=WHERE,
            remedy=f"Fill in {column} (metres on the ground).",
        )
    low, high = bounds
    odd = [f"{one} ({seen:g} m)" for one, seen in zip(names, value, strict=True) if not low <= seen <= high]
    if odd:
        raise GeometryError(
            f"The {words} of block {_listed(odd)} is not between {low:g} and {high:g} m.",
            where=WHERE,
            remedy=f"Give {column} in metres; if the file is in feet, add --unit {column}=ft.",
        )


def _check_size(blocks: gpd.GeoDataFrame, names: Sequence[str]) -> None:
    areas = blocks["area_ha"].to_numpy(dtype=float)
    small = [
        f"{one} ({area * HECTARE_M2:.1f} m2)"
        for one, area in zip(names, areas, strict=True)
        if area < SMALLEST_HA
    ]
    large = [f"{one} ({area:,.0f} ha)" for one, area in zip(names, areas, strict=True) if area > LARGEST_HA]
    if small or large:
        what = (
            f"smaller than {SMALLEST_HA * HECTARE_M2:.0f} m2"
            if small
            else f"larger than {LARGEST_HA:,.0f} ha"
        )
        raise GeometryError(
            f"Block {_listed(small or large)} is {what}.",
            where=WHERE,
            remedy="Check that the outline is complete and that its CRS is the one it was drawn in.",
        )


def _bearings(
    blocks: gpd.GeoDataFrame, names: Sequence[str], crs: Any
) -> tuple[NDArray[np.float64], list[str]]:
    given = (
        pd.to_numeric(blocks["row_bearing_deg"], errors="coerce").to_numpy(dtype=float)
        if "row_bearing_deg" in blocks
        else np.full(len(blocks), np.nan)
    )
    bearing, notes = np.empty(len(blocks)), []
    for index, (name, outline) in enumerate(zip(names, blocks.geometry, strict=True)):
        centre = outline.envelope.centroid
        if np.isfinite(given[index]):
            bearing[index] = grid_bearing(crs, centre.x, centre.y, float(given[index]))
            continue
        bearing[index] = estimate_bearing(outline)
        true = true_bearing(crs, centre.x, centre.y, float(bearing[index])) % 180.0
        notes.append(
            f"Block {name} has no row direction; {true:.1f} degrees from true north, along its long sides, "
            "is assumed."
        )
    return bearing, notes


def _listed(items: Sequence[object], most: int = 8) -> str:
    shown = ", ".join(str(one) for one in items[:most])
    return f"{shown} and {len(items) - most} more" if len(items) > most else shown


__all__ = ["PreparedBlocks", "compare_areas", "prepare_blocks"]
