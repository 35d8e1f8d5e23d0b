"""What the pattern of loss looks like, as codes: a hint where to look, never a diagnosis.

`vinemap.decline.hints` puts the codes in words.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap.decline.hints import word_cause

CLAIMED = 0.8  # chance from which a zone is spoken of as declining
POSSIBLE = 0.5
STAND_MATTERS_PCT = 5.0  # % of healthy yield lost through missing vines
FEW_SYMPTOMS_PCT = 5.0  # % of living vines; about the background that counters call in sound blocks
SMALL_LOSS_PCT = 10.0  # % of healthy yield
TOUCHING_M = 1.0
LATER_YEARS = 1.5
ALIKE = 1 / 3  # zones of which one lost less than this of the other's loss do not fall alike
WHOLE_ROWS_SHARE = 0.8  # of the ground of the rows that a patch touches; common practice, no source
WHOLE_WIDTH_SHARE = 0.9  # of the block's width: a patch this wide leaves no other rows to compare with
COLUMNS = ["cause_code", "cause_hint", "machine_change_vintage", "machine_change_to"]


def describe_causes(
    table: pd.DataFrame,
    zones: pd.DataFrame,
    *,
    machine_changes: pd.DataFrame | None = None,
    seen: pd.Series | None = None,
) -> pd.DataFrame:
    """Tell the pattern of every zone, in codes and in words.

    Parameters
    ----------
    table : pandas.DataFrame
        zone_id, block_id, chance_declining, loss_pct, stand_loss_pct, vine_loss_pct, symptomatic_pct,
        onset_vintage, renewed_year, recovery_pct and, if known, onset_low, as `fit_decline` makes them.
    zones : pandas.DataFrame or geopandas.GeoDataFrame
        zone_id, block_id, variety and, if known, area_ha; with geometry, neighbours are told apart from far
        zones, and with grid_bearing_deg (of the rows) whole rows from patches.
    machine_changes : pandas.DataFrame, optional
        zone_id or block_id, vintage, and machine if known: vintages from which another harvester, or another
        working width, was used (`list_machine_changes`).
    seen : pandas.Series of bool, optional
        Zones of which enough is known to speak of a pattern; by default all.

    Returns
    -------
    pandas.DataFrame
        On the index of `table`: cause_code (codes of `vinemap.decline.hints.HINTS` in the order in which they
        are said, a space between them), cause_hint (the same in English), machine_change_vintage and
        machine_change_to (empty where no change is spoken of). Empty text for zones that hold.

    Examples
    --------
    >>> table = pd.DataFrame({"zone_id": ["A-Z1"], "block_id": ["A"], "chance_declining": [0.1],
    ...     "loss_pct": [25.0], "stand_loss_pct": [22.0], "vine_loss_pct": [3.0], "symptomatic_pct": [1.0],
    ...     "onset_vintage": [None], "renewed_year": [None], "recovery_pct": [None]})
    >>> zones = pd.DataFrame({"zone_id": ["A-Z1"], "block_id": ["A"], "variety": ["Shiraz"]})
    >>> describe_causes(table, zones)[["cause_code", "cause_hint"]].iloc[0].tolist()  # doctest: +ELLIPSIS
    ['missing_most', 'Missing vines explain most of the loss; output per standing vine is close to healthy.']
    """
    facts = zones.set_index("zone_id")
    joined = table.join(facts[[name for name in ("variety", "area_ha") if name in facts]], on="zone_id")
    found = []
    spoken_of = np.ones(len(table), dtype=bool) if seen is None else seen.to_numpy(dtype=bool)
    for row, enough in zip(joined.to_dict("records"), spoken_of, strict=True):
        codes = [] if not enough else _renewed(row) or _stand(row) or _falling(row, joined, zones)
        change = _machine_change(row, machine_changes) if codes else {}
        code = " ".join([*codes, *(["machine_change"] if change else [])])
        values = row | {"machine_change_vintage": pd.NA, "machine_change_to": ""} | change
        found.append(values | {"cause_code": code, "cause_hint": word_cause(code, values)})
    out = pd.DataFrame(found, columns=COLUMNS, index=table.index)
    return out.astype({"machine_change_vintage": "Int64"})


def _renewed(row: dict[Hashable, Any]) -> list[str]:
    """Codes of a renewed zone; none of others."""
    if pd.isna(row["renewed_year"]):
        return []
    return ["renewed_waiting" if pd.isna(row["recovery_pct"]) else "renewed_back"]


def _stand(row: dict[Hashable, Any]) -> list[str]:
    """Codes where missing vines are at least half of the loss."""
    stand, vine = _number(row["stand_loss_pct"]), _number(row["vine_loss_pct"])
    if stand < STAND_MATTERS_PCT or stand < vine:
        return []
    return ["missing_most" if vine < SMALL_LOSS_PCT / 2 else "missing_half"]


def _falling(row: dict[Hashable, Any], table: pd.DataFrame, zones: pd.DataFrame) -> list[str]:
    """Codes of a zone that lost crop per vine."""
    chance = _number(row["chance_declining"])
    if chance < POSSIBLE:
        return [] if _number(row["loss_pct"]) < SMALL_LOSS_PCT else ["below_holding", "ground"]
    opening = [] if chance >= CLAIMED else ["doubtful"]
    return [*opening, _pattern(row, table, zones), "ground", *_symptoms(row)]


def _pattern(row: dict[Hashable, Any], table: pd.DataFrame, zones: pd.DataFrame) -> str:
    """Code of where else in the block the crop falls."""
    block = table[table["block_id"] == row["block_id"]]
    may_fall = block["chance_declining"] >= POSSIBLE
    falling = block[may_fall & (block["loss_pct"] >= ALIKE * row["loss_pct"])]
    if may_fall.all() and block["loss_pct"].min() >= ALIKE * block["loss_pct"].max():
        return _whole_block(row, table)
    shapes = zones.set_index("zone_id").geometry if isinstance(zones, gpd.GeoDataFrame) else None
    if shapes is not None and _harder_hit_beside(row, falling, shapes):
        return "beside_focus"
    if shapes is not None and "grid_bearing_deg" in zones.columns:
        patch = _patch_around(str(row["zone_id"]), shapes[falling["zone_id"]])
        bearing = float(zones.loc[zones["zone_id"] == row["zone_id"], "grid_bearing_deg"].iloc[0])
        if _fills_its_rows(patch, shapes[block["zone_id"]], bearing):
            return "along_rows"
    if shapes is not None and _later_beside(row, block[may_fall], shapes):
        return "growing_focus"
    if shapes is not None and "grid_bearing_deg" in zones.columns:
        return "patch"
    return "several_zones" if len(falling) > 1 else "one_zone"


def _whole_block(row: dict[Hashable, Any], table: pd.DataFrame) -> str:
    """Code of a block that falls as a whole, beside the other blocks of its variety."""
    peers = table[(table["variety"] == row["variety"]) & (table["block_id"] != row["block_id"])]
    if peers.empty:
        return "whole_block_no_peer"
    weight = peers["area_ha"] if "area_ha" in peers else pd.Series(1.0, index=peers.index)
    holding = float(weight[peers["chance_declining"] < POSSIBLE].sum())
    return "whole_block_alone" if holding >= 0.5 * float(weight.sum()) else "whole_block_shared"


def _patch_around(zone_id: str, falling: gpd.GeoSeries) -> gpd.GeoSeries:
    """Falling zones that touch this one, directly or through others."""
    inside, found = {zone_id}, 0
    while len(inside) > found:
        found = len(inside)
        near = falling.distance(shapely.union_all(falling[sorted(inside)].to_numpy())) <= TOUCHING_M
        inside |= set(falling.index[near])
    return falling[sorted(inside)]


def _fills_its_rows(patch: gpd.GeoSeries, block: gpd.GeoSeries, bearing_deg: float) -> bool:
    """Whether a patch takes the rows it touches from end to end, and leaves other rows of the block."""
    upright = [shapely.affinity.rotate(shapely.union_all(one.to_numpy()), bearing_deg, origin=(0, 0))
               for one in (patch, block)]  # fmt: skip
    west, south, east, north = upright[1].bounds
    first, _, last, _ = upright[0].bounds
    rows = upright[1].intersection(shapely.box(first, south, last, north))
    narrower = last - first < WHOLE_WIDTH_SHARE * (east - west)
    return bool(narrower and upright[0].area >= WHOLE_ROWS_SHARE * rows.area)


def _touching(row: dict[Hashable, Any], table: pd.DataFrame, shapes: gpd.GeoSeries) -> pd.DataFrame:
    """Lines of the table whose zones touch this one."""
    here = shapes[row["zone_id"]]
    near = [name != row["zone_id"] and shapes[name].distance(here) <= TOUCHING_M for name in table["zone_id"]]
    return table[near]


def _later_beside(row: dict[Hashable, Any], falling: pd.DataFrame, shapes: gpd.GeoSeries) -> bool:
    """Whether ground next to a zone clearly set in after it."""
    if pd.isna(row["onset_vintage"]):
        return False
    onset = _touching(row, falling, shapes)["onset_vintage"].astype("Float64")
    return bool((onset > float(row["onset_vintage"]) + LATER_YEARS).fillna(False).any())


def _harder_hit_beside(row: dict[Hashable, Any], falling: pd.DataFrame, shapes: gpd.GeoSeries) -> bool:
    """Whether ground next to a zone lost far more, and set in no later."""
    near = _touching(row, falling, shapes)
    harder = near["loss_pct"] * ALIKE > row["loss_pct"]
    if pd.isna(row["onset_vintage"]):
        return bool(harder.any())
    earlier = near["onset_vintage"].astype("Float64") <= float(row["onset_vintage"])
    return bool((harder & earlier.fillna(False)).any())


def _symptoms(row: dict[Hashable, Any]) -> list[str]:
    """Codes of the symptoms counted."""
    share = row["symptomatic_pct"]
    if pd.isna(share):
        return []
    return ["symptoms_few" if _number(share) < FEW_SYMPTOMS_PCT else "symptoms_seen"]


def _machine_change(row: dict[Hashable, Any], changes: pd.DataFrame | None) -> dict[str, Any]:
    """Vintage and machine of a change of harvester since the fall may have set in; empty if there is none."""
    if changes is None or changes.empty or pd.isna(row["onset_vintage"]):
        return {}
    key = "zone_id" if "zone_id" in changes.columns else "block_id"
    own = changes[changes[key] == row[key]]
    onset, first = int(row["onset_vintage"]), row.get("onset_low")
    early = onset - 1 if pd.isna(first) else min(int(first), onset - 1)
    own = own[own["vintage"] >= early]
    if own.empty:
        return {}
    nearest = own.iloc[int(np.argmin((own["vintage"] - onset).abs().to_numpy()))]
    return {"machine_change_vintage": int(nearest["vintage"]),
            "machine_change_to": str(nearest.get("machine", ""))}  # fmt: skip


def list_machine_changes(used: pd.DataFrame) -> pd.DataFrame:
    """List the vintages from which a block, or zone, was picked by another harvester than before.

    Parameters
    ----------
    used : pandas.DataFrame
        zone_id or block_id, vintage, machine, and readings if known: one row or more a vintage. The machine
        with most readings counts; without readings the first by name.

    Returns
    -------
    pandas.DataFrame
        zone_id or block_id, vintage, machine (the new one), as `describe_causes` and `fit_decline` take it.

    Examples
    --------
    >>> used = pd.DataFrame({"block_id": "A", "vintage": [2023, 2024, 2025, 2025],
    ...                      "machine": ["one", "one", "one", "two"], "readings": [9, 9, 2, 7]})
    >>> list_machine_changes(used).to_numpy().tolist()
    [['A', 2025, 'two']]
    """
    key = "zone_id" if "zone_id" in used.columns else "block_id"
    table = used if "readings" in used.columns else used.assign(readings=1)
    sums = table.groupby([key, "vintage", "machine"])[["readings"]].sum().reset_index()
    most = sums.sort_values(["readings", "machine"], ascending=[False, True])
    most = most.drop_duplicates([key, "vintage"]).sort_values([key, "vintage"])
    before = most.groupby(key)["machine"].shift()
    changed = before.notna() & (before != most["machine"])
    listed: pd.DataFrame = most[changed][[key, "vintage", "machine"]].reset_index(drop=True)
    return listed


def _number(value: Any) -> float:
    """Take nothing for what is not known."""
    return 0.0 if pd.isna(value) else float(value)
