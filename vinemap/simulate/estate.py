"""A whole invented estate: grown, harvested by machine, weighed and counted, with its truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from vinemap.errors import DataError
from vinemap.land import choose_crs, grid_bearing, lay_rows
from vinemap.simulate.formats import write_as_logged
from vinemap.simulate.picking import PickedVintage, pick_vintage
from vinemap.simulate.plan import BlockPlan, FaultRates, MachinePlan, Spread
from vinemap.simulate.truth import (
    Truth,
    describe_block,
    describe_cells,
    describe_machines,
    describe_vintages,
)
from vinemap.simulate.vines import BlockVines, grow_block
from vinemap.simulate.weighing import count_rows

ORIGIN_LON_LAT = (143.2, -34.6)  # of the plans' metre frame; an invented spot on a river plain


@dataclass(frozen=True, slots=True)
class SimulatedEstate:
    """An invented estate.

    Parameters
    ----------
    name : str
    blocks : geopandas.GeoDataFrame
        `tables.BLOCKS`, EPSG:4326.
    rows : geopandas.GeoDataFrame
        True rows (`tables.ROWS`) in the estate CRS; a person would not have them.
    readings : dict of (vintage, machine) to pandas.DataFrame
        time (UTC), machine, block_id, longitude, latitude, speed_m_s, width_m, mass_flow_kg_s as logged, in
        order of time; and the truth: row_no (0 off the rows), along_m, true_flow_kg_s, fault.
    harvest : dict of (vintage, machine) to pandas.DataFrame
        The same as the machine writes it: its own headers, units and formats, no truth.
    loads, counts, renewals : pandas.DataFrame
        As `tables.LOADS`, `COUNTS`, `RENEWALS`, without import_id.
    truth : Truth
    machines : tuple of MachinePlan
    """

    name: str
    blocks: gpd.GeoDataFrame
    rows: gpd.GeoDataFrame
    readings: dict[tuple[int, str], pd.DataFrame]
    harvest: dict[tuple[int, str], pd.DataFrame]
    loads: pd.DataFrame
    counts: pd.DataFrame
    renewals: pd.DataFrame
    truth: Truth
    machines: tuple[MachinePlan, ...]


def simulate_estate(
    *,
    rng: np.random.Generator,
    blocks: Sequence[BlockPlan],
    vintages: Sequence[int],
    machines: Sequence[MachinePlan],
    season_effects: Mapping[int, float] | None = None,
    count_vintages: Sequence[int] = (),
    weighed_vintages: Sequence[int] = (),
    interval_s: int = 5,
    faults: FaultRates | None = None,
    spread: Spread | None = None,
    name: str = "Invented estate",
) -> SimulatedEstate:
    """Simulate an estate from plans.

    Parameters
    ----------
    rng : numpy.random.Generator
    blocks : sequence of BlockPlan
    vintages : sequence of int
        Consecutive or not, rising [year].
    machines : sequence of MachinePlan
        At least one; a block without a machine of its own is picked by the first.
    season_effects : mapping of int to float, optional
        Shared season effect by vintage, natural log; drawn where not given.
    count_vintages : sequence of int, optional
        Vintages with row counts.
    weighed_vintages : sequence of int, optional
        Of these, vintages in which the counted stretches are also picked by hand and weighed: all that a
        grower without a yield monitor would have (leave `readings` and `harvest` aside for that case).
    interval_s : int, optional
        Logging interval [s].
    faults : FaultRates, optional
    spread : Spread, optional
    name : str, optional

    Returns
    -------
    SimulatedEstate

    Raises
    ------
    DataError
        If there is no block, vintage or machine, or a plan names a machine that is not there.
    """
    _check_plans(blocks, vintages, machines)
    years = np.asarray(vintages, dtype=np.int64)
    width = spread or Spread()
    outlines = outline_blocks(blocks)
    crs = choose_crs(outlines)
    rows = {plan.block_id: _rows_of(plan, outlines, crs) for plan in blocks}
    season_rng, *block_rngs = rng.spawn(1 + len(blocks))
    seasons = _seasons(blocks, years, season_effects, width, season_rng)
    vines = {
        plan.block_id: grow_block(
            plan,
            rows[plan.block_id],
            seasons.loc[plan.variety].to_numpy(),
            vintages=years,
            spread=width,
            rng=one,
        )
        for plan, one in zip(blocks, block_rngs, strict=True)
    }
    picked = [
        pick_vintage(
            at, years, blocks=blocks, machines=machines, rows=rows, vines=vines, interval_s=interval_s,
            faults=faults or FaultRates(), rng=one,
        )
        for at, one in enumerate(rng.spawn(years.size))
    ]  # fmt: skip
    readings = {key: frame for done in picked for key, frame in done.readings.items()}
    count_rng, format_rng = rng.spawn(2)
    return SimulatedEstate(
        name=name,
        blocks=outlines,
        rows=gpd.GeoDataFrame(pd.concat(rows.values(), ignore_index=True), crs=crs),
        readings=readings,
        harvest=_write_all(readings, blocks, machines, format_rng),
        loads=pd.concat([done.loads for done in picked], ignore_index=True),
        counts=_counts(blocks, vines, years, count_vintages, weighed_vintages, count_rng),
        renewals=_renewals(blocks),
        truth=_truth(blocks, vines, years, machines, seasons, picked, interval_s),
        machines=tuple(machines),
    )


def outline_blocks(blocks: Sequence[BlockPlan]) -> gpd.GeoDataFrame:
    """Outlines of the plans as `tables.BLOCKS` in EPSG:4326, corners to 1e-7 degrees.

    Parameters
    ----------
    blocks : sequence of BlockPlan

    Returns
    -------
    geopandas.GeoDataFrame
    """
    lon, lat = ORIGIN_LON_LAT
    local = CRS.from_proj4(f"+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m")
    to_degrees = Transformer.from_crs(local, "EPSG:4326", always_xy=True)

    def outline(plan: BlockPlan) -> Any:
        x, y = to_degrees.transform(*np.array(plan.outline_m).T)
        return orient(Polygon(np.round(np.column_stack([x, y]), 7)))

    return gpd.GeoDataFrame({
        "block_id": [one.block_id for one in blocks],
        "name": [one.name for one in blocks],
        "variety": [one.variety for one in blocks],
        "year_planted": [one.year_planted for one in blocks],
        "trellis_year": [one.trellis_year for one in blocks],
        "row_spacing_m": [one.row_spacing_m for one in blocks],
        "vine_spacing_m": [one.vine_spacing_m for one in blocks],
        "row_bearing_deg": [one.bearing_deg for one in blocks],
    }, geometry=[outline(one) for one in blocks], crs="EPSG:4326")  # fmt: skip


def _check_plans(
    blocks: Sequence[BlockPlan], vintages: Sequence[int], machines: Sequence[MachinePlan]
) -> None:
    """Refuse plans without blocks, vintages or machines, or with a machine that is not there."""
    if not (blocks and len(vintages) and machines):
        raise DataError(
            f"Cannot simulate {len(blocks)} blocks, {len(vintages)} vintages, {len(machines)} machines.",
            remedy="Give at least one of each.",
        )
    known = {one.name for one in machines}
    for plan in blocks:
        strange = ({plan.machine, *plan.machine_in.values()} - {""}) - known
        if strange:
            raise DataError(
                f"Machine {', '.join(sorted(strange))} is not among {', '.join(sorted(known))}.",
                where=f"block {plan.block_id}", remedy="Name one of the machines given.",
            )  # fmt: skip


def _rows_of(plan: BlockPlan, outlines: gpd.GeoDataFrame, crs: CRS) -> gpd.GeoDataFrame:
    """Lay the true rows of a block, as far off the outline as its plan says."""
    outline = outlines[outlines["block_id"] == plan.block_id].to_crs(crs).geometry.iloc[0]
    centre = outline.centroid
    return lay_rows(
        outline, block_id=plan.block_id, row_spacing_m=plan.row_spacing_m, vine_spacing_m=plan.vine_spacing_m,
        bearing_deg=grid_bearing(crs, centre.x, centre.y, plan.bearing_deg), crs=crs,
        offset_m=plan.row_offset_m,
    )  # fmt: skip


def _seasons(
    blocks: Sequence[BlockPlan],
    years: NDArray[np.int64],
    given: Mapping[int, float] | None,
    spread: Spread,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Season effects by variety and vintage, natural log."""
    varieties = sorted({one.variety for one in blocks})
    shared = spread.season * rng.normal(size=years.size)
    if given is not None:
        shared = np.array([given.get(int(year), drawn) for year, drawn in zip(years, shared, strict=True)])
    own = spread.variety_season * rng.normal(size=(len(varieties), years.size))
    return pd.DataFrame(shared + own, index=varieties, columns=years)


def _write_all(
    readings: Mapping[tuple[int, str], pd.DataFrame],
    blocks: Sequence[BlockPlan],
    machines: Sequence[MachinePlan],
    rng: np.random.Generator,
) -> dict[tuple[int, str], pd.DataFrame]:
    """Turn readings into logs as the machines write them."""
    style = {one.name: one.style for one in machines}
    names = {plan.block_id: plan.name for plan in blocks}
    return {
        key: write_as_logged(frame, style[key[1]], block_names=names, rng=one)
        for (key, frame), one in zip(readings.items(), rng.spawn(len(readings)), strict=True)
    }


def _counts(
    blocks: Sequence[BlockPlan],
    vines: Mapping[str, BlockVines],
    years: NDArray[np.int64],
    when: Sequence[int],
    weighed: Sequence[int],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Row counts of the vintages with any."""
    parts = [
        count_rows(
            vines[plan.block_id], at, block_id=plan.block_id, vintage=int(year), rng=rng,
            weighed=int(year) in weighed,
        )
        for at, year in enumerate(years) if int(year) in when
        for plan in blocks
    ]  # fmt: skip
    names = ["vintage", "block_id", "row_no", "from_vine", "to_vine", "vines"]
    names += ["missing", "symptomatic", "dead_arm"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)


def _renewals(blocks: Sequence[BlockPlan]) -> pd.DataFrame:
    """Renewals done."""
    done = [one for one in blocks if one.renewed]
    return pd.DataFrame({
        "block_id": [one.block_id for one in done],
        "from_row": pd.array([pd.NA] * len(done), dtype="Int64"),
        "to_row": pd.array([pd.NA] * len(done), dtype="Int64"),
        "method": ["trunk_renewal"] * len(done),
        "year": [one.renewed for one in done],
        "cost": [float("nan")] * len(done),
        "variety": [one.variety for one in done],
    })  # fmt: skip


def _truth(
    blocks: Sequence[BlockPlan],
    vines: Mapping[str, BlockVines],
    years: NDArray[np.int64],
    machines: Sequence[MachinePlan],
    seasons: pd.DataFrame,
    done: Sequence[PickedVintage],
    interval_s: int,
) -> Truth:
    """Put the truth together."""
    when = [int(year) for year in years]
    by_year = pd.concat([describe_vintages(one, vines[one.block_id], when) for one in blocks])
    at = {year: index for index, year in enumerate(when)}
    cells = [describe_cells(one, vines[one.block_id], when) for one in blocks]
    pairs = list(zip(by_year["block_id"], by_year["vintage"], strict=True))
    long = seasons.rename_axis(index="variety").reset_index().melt("variety", var_name="vintage")
    return Truth(
        blocks=pd.DataFrame([describe_block(one, vines[one.block_id], when) for one in blocks]),
        block_vintages=by_year.assign(
            mog_pct=[done[at[year]].mog[block] for block, year in pairs],
            machines=[done[at[year]].machines[block] for block, year in pairs],
        ).reset_index(drop=True),
        cells=pd.concat(cells, ignore_index=True),
        machines=describe_machines(machines, when, interval_s=interval_s),
        load_parts=pd.concat([one.parts for one in done], ignore_index=True),
        seasons=long.rename(columns={"value": "effect_log"})[["vintage", "variety", "effect_log"]],
        vines=vines,
    )  # fmt: skip
