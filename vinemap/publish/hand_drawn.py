"""Zones drawn by hand: named, put into their blocks, and made to cover them."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap import land
from vinemap.errors import GeometryError
from vinemap.publish.cover import SPECK_M2, Cover, mend_cover
from vinemap.publish.fingerprints import IDS, fingerprint_rows

# Gaps and overlaps of hand-drawn borders up to this width are closed: a third of a common row spacing, so no
# row changes sides.
SNAP_M = 1.0
TOLD_SHARE = 0.01  # change of a zone's area that is worth a sentence, common practice, no source


def refuse_feature(
    frame: gpd.GeoDataFrame, layer: str, place: int, where: str, what: str, remedy: str
) -> GeometryError:
    """Make the refusal of one feature, to be raised: its name, file and number, what is wrong, what to do."""
    name = frame[IDS[layer]].iloc[place] or "without a name"
    return GeometryError(f"{layer} {name} {what}.", where=f"{where}, feature {place + 1}", remedy=remedy)


def name_zones(
    zones: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, changes: list[str], where: str
) -> gpd.GeoDataFrame:
    """Give zones with the block they lie in; parts that a split left with one name get names of their own.

    Raises
    ------
    GeometryError
        If a zone lies in no block.
    """
    out = zones.copy()
    common = [shapely.area(shapely.intersection(blocks.geometry.array, shape)) for shape in out.geometry]
    for place, areas in enumerate(common):
        if not areas.max(initial=0.0) > 0:
            what = "lies in no block"
            raise refuse_feature(out, "zone", place, where, what, "Move it into its block, or delete it.")
    out["block_id"] = [str(blocks["block_id"].iloc[int(one.argmax())]) for one in common]
    order = np.argsort(-out.area.to_numpy(), kind="stable")  # the largest part keeps the name
    names, taken = out["zone_id"].tolist(), set(out["zone_id"])
    used: set[str] = set()
    for place in order:
        name, block = names[place], out["block_id"].iloc[place]
        if name and name not in used:
            used.add(name)
            continue
        fresh = _free_name(block, taken)
        changes.append(
            f"A zone of block {block} {'split from ' + name if name else 'without a name'} is now {fresh}."
        )
        names[place] = fresh
        taken.add(fresh)
        used.add(fresh)
    out["zone_id"] = names
    return out


def _free_name(block: str, taken: set[str]) -> str:
    numbers = [int(found[1]) for one in taken if (found := re.fullmatch(rf"{re.escape(block)}-Z(\d+)", one))]
    return f"{block}-Z{max(numbers, default=0) + 1}"


def find_touched(zones: gpd.GeoDataFrame, written: Mapping[str, str], blocks: set[str]) -> list[str]:
    """List the blocks in which a zone was drawn, split, merged or taken away."""
    now = dict(zip(zones["zone_id"], fingerprint_rows(zones, "zone"), strict=True))
    touched = {
        block
        for name, block in zip(zones["zone_id"], zones["block_id"], strict=True)
        if written.get(name) != now[name]
    }
    gone = {name.rpartition("-Z")[0] for name in set(written) - set(now)}
    return sorted(touched | (gone & blocks & set(zones["block_id"])))


def cover_blocks(
    zones: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    touched: Sequence[str],
    snap_m: float,
    changes: list[str],
    where: str,
    *,
    moved: Collection[str] = (),
) -> gpd.GeoDataFrame:
    """Mend the zones of the touched blocks to covers, and tell what was done in `changes`.

    Slivers up to `snap_m` [m] are closed. Where the outline of the block was moved too, zones are cut back or
    grown to it.

    Raises
    ------
    GeometryError
        If a gap or an overlap is wider than `snap_m`.
    """
    outlines = dict(zip(blocks["block_id"], blocks.geometry, strict=True))
    parts = []
    for block in touched:
        mine = zones[zones["block_id"] == block]
        names = list(mine["zone_id"])
        cover = mend_cover(
            list(mine.geometry), outlines[block], sliver_m=snap_m, names=names, fill_gaps=block in moved
        )
        _refuse_holes(cover, names, block, where)
        changes.append(_tell(block, len(mine), cover, moved=block in moved))
        parts.append(mine[["zone_id", "block_id"]].assign(geometry=cover.shapes))
    found = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["zone_id", "block_id"])
    shapes = gpd.GeoSeries(found.get("geometry", []), crs=blocks.crs)
    out = gpd.GeoDataFrame(found[["zone_id", "block_id"]], geometry=shapes, crs=blocks.crs)
    out.insert(2, "area_ha", out.area / 10_000)
    return out


def _refuse_holes(cover: Cover, names: list[str], block: str, where: str) -> None:
    for bad, what in ((cover.overlaps, "overlap"), (cover.gaps, "gap")):
        if not bad:
            continue
        spot = bad[int(np.argmax([one.area for one in bad]))]
        point = spot.representative_point()
        place = f"near {point.x:.0f} E {point.y:.0f} N"
        if what == "overlap":
            first, second = (names[one] for one in cover.overlapping[bad.index(spot)][:2])
            text, remedy = (
                f"{first} and {second} overlap by {spot.area:.0f} m2 {place}.",
                "Cut one of them back.",
            )
        else:
            text = f"{spot.area:.0f} m2 of the block lie in no zone {place}."
            remedy = "Draw a zone over it, or move the outline of the block."
        raise GeometryError(text, where=f"{where}, block {block}", remedy=remedy)


def _tell(block: str, count: int, cover: Cover, *, moved: bool = False) -> str:
    text = f"Block {block}: {count} zones as drawn"
    if cover.mended_m2 >= 1:
        what = "given to the zones beside them, as the outline was moved" if moved else "of slivers closed"
        text += f"; {cover.mended_m2:.0f} m2 {what}"
    if cover.outside_m2 >= 1:
        text += f"; {cover.outside_m2:.0f} m2 beyond the outline cut off"
    return text + "."


def fit_drawn_zones(
    drawn: gpd.GeoDataFrame, *, outline: Any, rows: gpd.GeoDataFrame, block_id: str, snap_m: float = SNAP_M
) -> gpd.GeoDataFrame:
    """Bring hand-drawn zones to the outline and rows of their block as they are now.

    Parameters
    ----------
    drawn : geopandas.GeoDataFrame
        zone_id, geometry: the zones of one block, CRS of the rows.
    outline : Polygon or MultiPolygon
    rows : geopandas.GeoDataFrame
        `tables.ROWS` of the block.
    block_id : str
    snap_m : float
        Gaps and overlaps up to this width are closed [m].

    Returns
    -------
    geopandas.GeoDataFrame
        `tables.ZONES`: they cover the outline exactly; vines counted along the rows. Where the outline was
        moved since they were drawn, they are cut back to it, ground gained goes to the zone with which it
        shares most border, and a zone left wholly outside is gone.

    Raises
    ------
    GeometryError
        If they overlap, or none of them lies in the block any longer.
    """
    left = drawn[[shape.intersection(outline).area > SPECK_M2 for shape in drawn.geometry]]
    if left.empty:
        raise GeometryError(
            f"None of the {len(drawn)} zones lies in the block any longer.",
            where=f"hand-drawn zones, block {block_id}",
            remedy="Draw them anew in the new outline, or take their import back with vinemap undo.",
        )
    drawn = left
    names = list(drawn["zone_id"])
    cover = mend_cover(list(drawn.geometry), outline, sliver_m=snap_m, names=names, fill_gaps=True)
    _refuse_holes(cover, names, block_id, "hand-drawn zones")
    columns = {"zone_id": names, "block_id": [block_id] * len(drawn)}
    out = gpd.GeoDataFrame(columns, geometry=cover.shapes, crs=rows.crs)
    segments = land.segment_rows(rows, out)
    vines = segments.groupby("zone_id")["vines"].sum()
    out["area_ha"] = out.area / 10_000
    out["vines"] = out["zone_id"].map(vines).fillna(0).astype("int64")
    return gpd.GeoDataFrame(out[["zone_id", "block_id", "area_ha", "vines", "geometry"]])


def tell_refitting(drawn: gpd.GeoDataFrame, fitted: gpd.GeoDataFrame, *, block_id: str) -> list[str]:
    """Say which hand-drawn zones of a block became smaller, larger or vanished since they were drawn.

    Parameters
    ----------
    drawn : geopandas.GeoDataFrame
        zone_id, geometry: as given to `fit_drawn_zones`.
    fitted : geopandas.GeoDataFrame
        What it gave.
    block_id : str

    Returns
    -------
    list of str
        One sentence, or none where all areas are as drawn (to 1 %).

    Examples
    --------
    >>> from shapely.geometry import box
    >>> drawn = gpd.GeoDataFrame({"zone_id": ["Z1", "Z2"]}, geometry=[box(0, 0, 99, 99), box(99, 0, 199, 99)])
    >>> tell_refitting(drawn, drawn.iloc[:1], block_id="B1")
    ['Block B1: hand-drawn zones were fitted to the outline as it is now: Z2 lies outside and is gone.']
    """
    now = dict(zip(fitted["zone_id"], fitted.geometry.area, strict=True))
    told = []
    for name, shape in zip(drawn["zone_id"], drawn.geometry, strict=True):
        if name not in now:
            told.append(f"{name} lies outside and is gone")
        elif abs(now[name] - shape.area) > TOLD_SHARE * shape.area:
            told.append(f"{name} {shape.area / 1e4:.2f} -> {now[name] / 1e4:.2f} ha")
    if not told:
        return []
    return [f"Block {block_id}: hand-drawn zones were fitted to the outline as it is now: {'; '.join(told)}."]
