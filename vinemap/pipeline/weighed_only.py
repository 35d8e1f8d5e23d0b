"""Vintages of a block that were weighed but not logged: the block's tonnes, spread over its zones."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap import harvest

# A zone's share of its block wanders from year to year by about this much (log scale) where it cannot be
# seen from logged vintages; common practice, no source.
DEFAULT_SHARE_SD = 0.15


def add_weighed_vintages(
    zone_vintage: pd.DataFrame,
    zones: pd.DataFrame,
    settlement: pd.DataFrame,
    loads: pd.DataFrame,
    blocks: pd.DataFrame,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add zone yields for blocks and vintages that have weighed loads but no readings or counts.

    A zone gets the block's yield times its usual share of the block (geometric mean over the vintages seen; 1
    for a block never logged), with the year-to-year spread of that share as its standard error. The error of
    the block's own yield is common to its zones and goes into the settlement.

    Parameters
    ----------
    zone_vintage : pandas.DataFrame
        zone_id, vintage, yield_t_ha, yield_se_t_ha [t/ha], readings.
    zones : pandas.DataFrame
        zone_id, block_id, area_ha [ha].
    settlement : pandas.DataFrame
        `tables.SETTLEMENT`.
    loads : pandas.DataFrame
        `tables.LOADS` up to the vintage assessed.
    blocks : pandas.DataFrame
        block_id, area_ha [ha].

    Returns
    -------
    zone_vintage, settlement : pandas.DataFrame
        As given, with the added lines below.
    """
    if not len(loads):
        return zone_vintage, settlement
    seen = zone_vintage.astype({"vintage": "int64", "yield_t_ha": "float64"}).merge(
        zones[["zone_id", "block_id", "area_ha"]], on="zone_id"
    )
    known = set(zip(seen["block_id"], seen["vintage"], strict=True))
    weighed = harvest.block_yields_from_loads(loads, blocks)
    fresh = [
        (one, int(year)) not in known
        for one, year in zip(weighed["block_id"], weighed["vintage"], strict=True)
    ]
    weighed = weighed[np.asarray(fresh, dtype=bool) & (weighed["yield_t_ha"] > 0).to_numpy()]
    if not len(weighed):
        return zone_vintage, settlement
    shares = _shares(seen, zones)
    lines = zones[["zone_id", "block_id"]].merge(weighed, on="block_id").merge(shares, on="zone_id")
    lines["yield_t_ha"] = lines["yield_t_ha"] * np.exp(lines["log_share"])
    added = lines.assign(yield_se_t_ha=lines["yield_t_ha"] * lines["share_sd"], readings=0)
    area = blocks.set_index("block_id")["area_ha"]
    audit = pd.DataFrame(
        {
            "block_id": weighed["block_id"],
            "vintage": weighed["vintage"],
            "weighed_t": weighed["yield_t_ha"] * weighed["block_id"].map(area),
            "factor_se": weighed["yield_se_t_ha"] / weighed["yield_t_ha"],
            "coverage": 0.0,
        }
    )
    return _below(zone_vintage, added[list(zone_vintage.columns)]), _below(settlement, audit)


def _below(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    """One table below the other; columns of either that the other lacks are left empty."""
    if not len(first):
        return second.reindex(columns=first.columns).reset_index(drop=True)
    filled = second.dropna(axis=1, how="all")
    return pd.concat([first, filled], ignore_index=True)


def _shares(seen: pd.DataFrame, zones: pd.DataFrame) -> pd.DataFrame:
    """Zone over block, log scale: mean and year-to-year standard deviation over the vintages seen."""
    tonnes = seen["yield_t_ha"] * seen["area_ha"]
    keys = [seen["block_id"], seen["vintage"]]
    block = tonnes.groupby(keys).transform("sum") / seen["area_ha"].groupby(keys).transform("sum")
    log_share = np.log(seen["yield_t_ha"].clip(lower=1e-6) / block.clip(lower=1e-6))
    stats = log_share.groupby(seen["zone_id"]).agg(["mean", "std"])
    stats = stats.astype(float).reindex(zones["zone_id"])
    alone = zones.groupby("block_id")["zone_id"].transform("size").to_numpy() == 1
    spread = np.where(alone, 0.02, stats["std"].fillna(DEFAULT_SHARE_SD).to_numpy())
    return pd.DataFrame(
        {
            "zone_id": zones["zone_id"].to_numpy(),
            "log_share": stats["mean"].fillna(0.0).to_numpy(),
            "share_sd": spread,
        }
    )
