"""From measures and advice to the layers that go out (`tables.OUTPUTS`)."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import tables
from vinemap.decline import choose_controls, place_scouting_points
from vinemap.pipeline.measured import Measured

STRENGTH = {name: place for place, name in enumerate(tables.ADVICE)}
MAY_FALL = 0.5  # chance of decline from which a watched zone is worth a look
SCOUTING_WHY = {
    "renew": "Check symptoms and trunks before the saw: renewal is advised.",
    "scout": "A count here could change the advice.",
    "watch": "May be falling: a count tells whether symptoms go with it.",
}


def build_layers(
    measured: Measured,
    advice: pd.DataFrame,
    options: pd.DataFrame,
    programme: pd.DataFrame,
    *,
    run_info: pd.DataFrame,
    rng: np.random.Generator,
) -> dict[str, pd.DataFrame]:
    """Join everything into the layers of the GeoPackage.

    Parameters
    ----------
    measured : Measured
    advice : pandas.DataFrame
        One row a zone, as `renewal.decide_zones` gives it.
    options : pandas.DataFrame
        `tables.RENEWAL_OPTION`.
    programme : pandas.DataFrame
        `tables.PROGRAMME`, or empty.
    run_info : pandas.DataFrame
        `tables.RUN_INFO`.
    rng : numpy.random.Generator
        Places the scouting points.

    Returns
    -------
    dict of str to frame
        Keys are the names of `tables.OUTPUTS`; every frame was checked against its table.
    """
    zone = _zone_layer(measured, advice)
    vine_row = measured.segments.merge(advice[["zone_id", "advice", "best_year"]], on="zone_id", how="left")
    layers = {
        "block": _block_layer(measured, zone),
        "zone": zone,
        "vine_row": vine_row,
        "scouting_point": _scouting(measured, zone, rng),
        "zone_vintage": measured.decline.zone_vintage,
        "zone_forecast": measured.decline.forecast,
        "renewal_option": options,
        "programme": programme if len(programme) else tables.empty_table(tables.PROGRAMME),
        "run_info": run_info,
    }
    by_name = {table.name: table for table in tables.OUTPUTS}
    return {name: tables.check_table(frame, by_name[name]) for name, frame in layers.items()}


def _zone_layer(measured: Measured, advice: pd.DataFrame) -> gpd.GeoDataFrame:
    own = [
        name
        for name in measured.zones.columns
        if name not in measured.decline.zones.columns or name == "zone_id"
    ]
    zone = measured.zones[own].merge(measured.decline.zones, on="zone_id", how="left")
    fresh = ["zone_id", *(name for name in advice.columns if name not in zone.columns)]
    return gpd.GeoDataFrame(zone.merge(advice[fresh], on="zone_id", how="left"), crs=measured.zones.crs)


def _block_layer(measured: Measured, zone: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    by_block = zone.groupby("block_id")
    tonnes = (zone["yield_now_t_ha"] * zone["area_ha"]).groupby(zone["block_id"]).sum(min_count=1)
    strongest = by_block["advice"].agg(lambda one: max(one, key=lambda name: STRENGTH.get(name, -1)))
    renew = zone["area_ha"].where(zone["advice"] == "renew", 0.0).groupby(zone["block_id"]).sum()
    block = measured.blocks.set_index("block_id")
    block["yield_now_t_ha"] = tonnes / by_block["area_ha"].sum()
    block["advice"] = strongest
    block["renew_area_ha"] = renew
    block["advice"] = block["advice"].fillna("")
    block["renew_area_ha"] = block["renew_area_ha"].fillna(0.0)
    if "trellis_year" in block.columns:
        block["trellis_year"] = block["trellis_year"].fillna(block["year_planted"])
    return gpd.GeoDataFrame(block.reset_index(), geometry="geometry", crs=measured.blocks.crs)


def _scouting(measured: Measured, zone: gpd.GeoDataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Points in zones advised to renew or to scout, in those that may be falling, and in healthy controls."""
    why = {
        str(one["zone_id"]): SCOUTING_WHY[one["advice"]]
        for one in zone.to_dict("records")
        if one["advice"] in {"scout", "renew"}
        or (one["advice"] == "watch" and one["chance_declining"] > MAY_FALL and pd.isna(one["renewed_year"]))
    }
    if not why:
        return tables.empty_table(tables.SCOUTING_POINT, crs=zone.crs)
    known = zone.drop(columns="variety", errors="ignore").merge(
        measured.blocks[["block_id", "variety"]], on="block_id"
    )
    points: pd.DataFrame = place_scouting_points(
        zone, measured.segments, flagged=why, controls=choose_controls(known, list(why)), rng=rng
    )
    return points
