"""What the pattern of loss looks like, in careful words: a hint where to look, never a diagnosis."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import geopandas as gpd
import pandas as pd

CLAIMED = 0.8  # chance from which a zone is spoken of as declining
POSSIBLE = 0.5
STAND_MATTERS_PCT = 5.0  # % of healthy yield lost through missing vines
FEW_SYMPTOMS_PCT = 5.0  # % of living vines; about the background that counters call in sound blocks
SMALL_LOSS_PCT = 10.0  # % of healthy yield
TOUCHING_M = 1.0
LATER_YEARS = 1.5
CANNOT_TELL = "Wet, saline or hungry ground cannot be told from yield alone: scout."


def hint_cause(
    table: pd.DataFrame, zones: pd.DataFrame, *, machine_changes: pd.DataFrame | None = None
) -> pd.Series:
    """Put the pattern of every zone in words.

    Parameters
    ----------
    table : pandas.DataFrame
        zone_id, block_id, chance_declining, loss_pct, stand_loss_pct, vine_loss_pct, symptomatic_pct,
        onset_vintage, renewed_year, recovery_pct as `fit_decline` makes them.
    zones : pandas.DataFrame or geopandas.GeoDataFrame
        zone_id, block_id, variety; with geometry, neighbours are told apart from far zones.
    machine_changes : pandas.DataFrame, optional
        zone_id or block_id, vintage, and machine if known: vintages from which another harvester, or another
        working width, was used (`list_machine_changes`).

    Returns
    -------
    pandas.Series of str
        On the index of `table`; empty for zones that hold.

    Examples
    --------
    >>> table = pd.DataFrame({"zone_id": ["A-Z1"], "block_id": ["A"], "chance_declining": [0.1],
    ...     "loss_pct": [25.0], "stand_loss_pct": [22.0], "vine_loss_pct": [3.0], "symptomatic_pct": [1.0],
    ...     "onset_vintage": [None], "renewed_year": [None], "recovery_pct": [None]})
    >>> zones = pd.DataFrame({"zone_id": ["A-Z1"], "block_id": ["A"], "variety": ["Shiraz"]})
    >>> hint_cause(table, zones).iloc[0]
    'Missing vines explain most of the loss; output per standing vine is close to healthy.'
    """
    joined = table.join(zones.set_index("zone_id")["variety"], on="zone_id")
    hints = []
    for row in joined.to_dict("records"):
        base = _renewed(row) or _stand(row) or _falling(row, joined, zones)
        hint = " ".join([base, _machine(row, machine_changes)]).strip() if base else ""
        hints.append(hint[:1].upper() + hint[1:])
    return pd.Series(hints, index=table.index, dtype=object)


def _renewed(row: dict[Hashable, Any]) -> str:
    if pd.isna(row["renewed_year"]):
        return ""
    if pd.isna(row["recovery_pct"]):
        return f"Renewed in {row['renewed_year']}; no vintage since."
    return f"Renewed in {row['renewed_year']}; yields {row['recovery_pct']:.0f} % of its healthy level now."


def _stand(row: dict[Hashable, Any]) -> str:
    stand, vine = _number(row["stand_loss_pct"]), _number(row["vine_loss_pct"])
    if stand < STAND_MATTERS_PCT or stand < vine:
        return ""
    if vine < SMALL_LOSS_PCT / 2:
        return "Missing vines explain most of the loss; output per standing vine is close to healthy."
    return "Missing vines explain about half of the loss or more; standing vines have lost some as well."


def _falling(row: dict[Hashable, Any], table: pd.DataFrame, zones: pd.DataFrame) -> str:
    chance = _number(row["chance_declining"])
    if chance < POSSIBLE:
        return (
            ""
            if _number(row["loss_pct"]) < SMALL_LOSS_PCT
            else f"Below its level but not clearly falling. {CANNOT_TELL}"
        )
    opening = "" if chance >= CLAIMED else "If it falls at all: "
    return f"{opening}{_pattern(row, table, zones)}{_symptoms(row)}"


def _pattern(row: dict[Hashable, Any], table: pd.DataFrame, zones: pd.DataFrame) -> str:
    block = table[table["block_id"] == row["block_id"]]
    falling = block["chance_declining"] >= POSSIBLE
    if falling.all():
        peers = table[(table["variety"] == row["variety"]) & (table["block_id"] != row["block_id"])]
        if peers.empty:
            return f"the whole block falls, with no other block of the variety to compare. {CANNOT_TELL}"
        if (peers["chance_declining"] < POSSIBLE).mean() >= 0.5:
            return f"the whole block falls while most other zones of the variety hold. {CANNOT_TELL}"
        return f"most zones of the variety fall, this block among them. {CANNOT_TELL}"
    if _later_neighbours(row, block[falling], zones):
        return f"falls first here and later next to it, as a growing focus would. {CANNOT_TELL}"
    if falling.sum() > 1:
        return f"several zones of the block fall while others hold. {CANNOT_TELL}"
    return f"this zone falls while the rest of the block holds. {CANNOT_TELL}"


def _later_neighbours(row: dict[Hashable, Any], falling: pd.DataFrame, zones: pd.DataFrame) -> bool:
    if not isinstance(zones, gpd.GeoDataFrame) or pd.isna(row["onset_vintage"]):
        return False
    shapes = zones.set_index("zone_id").geometry
    here = shapes[row["zone_id"]]
    near = falling["zone_id"].map(lambda one: shapes[one].distance(here) <= TOUCHING_M)
    later = falling["onset_vintage"].astype("Float64") > float(str(row["onset_vintage"])) + LATER_YEARS
    return bool((near & later.fillna(False)).any())


def _symptoms(row: dict[Hashable, Any]) -> str:
    share = row["symptomatic_pct"]
    if pd.isna(share):
        return ""
    if _number(share) < FEW_SYMPTOMS_PCT:
        return " Few symptoms were counted, which speaks for another cause than dieback."
    counted = f" Symptoms were counted on {_number(share):.0f} % of the vines"
    return f"{counted}, which fits trunk disease but does not prove it."


def _machine(row: dict[Hashable, Any], changes: pd.DataFrame | None) -> str:
    if changes is None or changes.empty or pd.isna(row["onset_vintage"]):
        return ""
    key = "zone_id" if "zone_id" in changes.columns else "block_id"
    own = changes[changes[key] == row[key]]
    close = own[(own["vintage"] - int(str(row["onset_vintage"]))).abs() <= 1]
    if close.empty:
        return ""
    named = f" to {close['machine'].iloc[0]}" if "machine" in close.columns else ""
    year = int(close["vintage"].iloc[0])
    return f"A change of harvester{named} in {year} coincides: check the loads first."


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
        zone_id or block_id, vintage, machine (the new one), as `hint_cause` and `fit_decline` take it.

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
    return 0.0 if pd.isna(value) else float(str(value))
