"""From the parts of all blocks to what was measured of the estate: zones, settlement, decline."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import Executor
from functools import partial
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import harvest, tables
from vinemap.decline import fit_decline, list_machine_changes
from vinemap.estate import EstateStore, Settings
from vinemap.pipeline.cleaned import CleanedBlock
from vinemap.pipeline.mapped import MappedBlock
from vinemap.pipeline.measured import Measured
from vinemap.pipeline.parallel import map_tasks
from vinemap.pipeline.renewed import renewed_zones
from vinemap.pipeline.signs import gather_signs, measure_box_width, tell_box_width
from vinemap.pipeline.weighed_only import add_weighed_vintages
from vinemap.pipeline.words import warn_of_record
from vinemap.progress import Report, report_nothing

# What a chain needs grows with the zones, and the memory of a worker shall not: larger estates stay here.
MOST_ZONES_TO_SEND = 1_000


def fit_estate(
    store: EstateStore,
    chosen: gpd.GeoDataFrame,
    cleaned: list[CleanedBlock],
    settled: dict[int, harvest.Settlement],
    mapped: list[MappedBlock],
    *,
    vintage: int,
    notes: Sequence[str],
    pool: Executor | None = None,
    report: Report = report_nothing,
) -> Measured:
    """Join what the blocks gave, add vintages that were only weighed, and fit the decline model.

    Parameters
    ----------
    store : EstateStore
    chosen : geopandas.GeoDataFrame
        Prepared blocks.
    cleaned, mapped : list of CleanedBlock, list of MappedBlock
    settled : dict of int to harvest.Settlement
    vintage : int
    notes : sequence of str
        Notes of earlier stages, carried on.
    pool : Executor, optional
        Runs the chains of the decline model beside one another; in this process if None.
    report : callable
        Told (stage, done, total) as chains end.

    Returns
    -------
    Measured
    """
    settings = store.settings
    zone = gpd.GeoDataFrame(pd.concat([one.zones for one in mapped], ignore_index=True), crs=chosen.crs)
    segments = gpd.GeoDataFrame(
        pd.concat([one.segments for one in mapped], ignore_index=True), crs=chosen.crs
    )
    audit = [one.blocks for one in settled.values()]
    settlement = pd.concat(audit, ignore_index=True) if audit else tables.empty_table(tables.SETTLEMENT)
    stand = pd.concat([one.stand for one in mapped], ignore_index=True)
    renewed = renewed_zones(store.renewals(), segments, until=vintage)
    loads = store.loads()
    zone_vintage, settlement = add_weighed_vintages(
        pd.concat([one.zone_vintage for one in mapped], ignore_index=True),
        zone,
        settlement,
        loads[loads["vintage"] <= vintage],
        chosen,
    )
    known = ["block_id", "variety", "year_planted", "trellis_year", "grid_bearing_deg"]
    facts = zone.merge(chosen[known], on="block_id")
    decline = fit_decline(
        zone_vintage,
        facts,
        settlement=settlement,
        stand=stand if len(stand) else None,
        renewals=renewed if len(renewed) else None,
        reference=store.reference(),
        adjustments=measure_box_width(store.counts(), segments, vintage=vintage),
        signs=gather_signs(store, zone, vintage=vintage),
        machine_changes=_machine_changes(cleaned),
        horizon_year=_horizon(chosen, vintage, settings),
        draws=settings.decline.draws,
        rng=np.random.default_rng(settings.decline.seed),
        run_tasks=partial(
            map_tasks,
            pool=pool if len(zone) <= MOST_ZONES_TO_SEND else None,
            report=report,
            stage="Telling decline from seasons",
        ),
    )
    words = [
        *notes,
        *(word for one in cleaned for word in one.notes),
        *(word for one in mapped for word in one.notes),
    ]
    words += [word for one in settled.values() for word in one.notes]
    mog = harvest.sum_up_mog(loads[loads["vintage"] <= vintage])
    words += harvest.describe_mog(harvest.find_mog_drift(mog))
    return Measured(
        vintage=vintage,
        blocks=chosen,
        rows=gpd.GeoDataFrame(pd.concat([one.rows for one in cleaned], ignore_index=True), crs=chosen.crs),
        zones=zone,
        segments=segments,
        stand=stand,
        settlement=settlement,
        renewed=renewed,
        decline=decline,
        reports={
            "cleaning": {one.block_id: one.reports for one in cleaned},
            "mapping": {one.block_id: one.reports for one in mapped},
            "over_capacity": _records([one.capacity for one in mapped]),
            "mog": _records([mog]),
            "machines": _records([one.machines.assign(vintage=year) for year, one in settled.items()]),
        },
        notes=[
            *words,
            *warn_of_record(decline.zone_vintage),
            *decline.notes,
            *tell_box_width(decline.slopes),
        ],
    )


def _records(tables_of: list[pd.DataFrame]) -> list[dict[str, Any]]:
    """Lines of several tables as JSON holds them."""
    found = [one for one in tables_of if len(one)]
    if not found:
        return []
    return list(json.loads(pd.concat(found, ignore_index=True).to_json(orient="records")))


def _machine_changes(cleaned: list[CleanedBlock]) -> pd.DataFrame | None:
    used = [one.row_summary for one in cleaned if len(one.row_summary)]
    if not used:
        return None
    rows = pd.concat(used, ignore_index=True)
    rows = rows[rows["machine"] != ""]
    if not len(rows):
        return None
    changes: pd.DataFrame = list_machine_changes(rows[["block_id", "vintage", "machine", "readings"]])
    return changes


def _horizon(chosen: gpd.GeoDataFrame, vintage: int, settings: Settings) -> int:
    built = chosen["trellis_year"].fillna(chosen["year_planted"]).dropna()
    end = int(built.max()) + settings.money.trellis_life_years if len(built) else 0
    return max(end, vintage + settings.decline.horizon_years)
