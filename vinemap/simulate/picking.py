"""One vintage's harvest: which machine picks what, when, and what its logs and the trucks hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from vinemap.simulate.logs import Job, drive_rows, log_job
from vinemap.simulate.plan import BlockPlan, FaultRates, MachinePlan
from vinemap.simulate.vines import BlockVines
from vinemap.simulate.weighing import Picked, mog_of_block, weigh_loads

SHIFT_S = 12 * 3600  # length of a harvest shift, by night; common practice, no source
SHIFT_START_S = 9 * 3600  # 19:00 at UTC+10
# day of the year on which picking begins; common practice of a warm inland district, no source
PICKING_DAY = {"Chardonnay": 45, "Shiraz": 58, "Merlot": 64, "Cabernet Sauvignon": 72, "Colombard": 80}


@dataclass(frozen=True, slots=True)
class _Task:
    """Rows of one block that one machine picks in one vintage."""

    plan: BlockPlan
    machine: MachinePlan
    rows: gpd.GeoDataFrame


@dataclass(frozen=True, slots=True)
class PickedVintage:
    """What one vintage's harvest leaves behind.

    Parameters
    ----------
    readings : dict of (vintage, machine) to pandas.DataFrame
        As `SimulatedEstate.readings`.
    loads, parts : pandas.DataFrame
        As `weigh_loads` gives them.
    mog : dict of str to float
        MOG of the mass by block_id [%].
    machines : dict of str to str
        Machines by block_id, joined by ``;``.
    """

    readings: dict[tuple[int, str], pd.DataFrame]
    loads: pd.DataFrame
    parts: pd.DataFrame
    mog: dict[str, float]
    machines: dict[str, str]


def pick_vintage(
    at: int,
    years: NDArray[np.int64],
    *,
    blocks: Sequence[BlockPlan],
    machines: Sequence[MachinePlan],
    rows: Mapping[str, gpd.GeoDataFrame],
    vines: Mapping[str, BlockVines],
    interval_s: int,
    faults: FaultRates,
    rng: np.random.Generator,
) -> PickedVintage:
    """Pick all blocks of an estate in one vintage.

    Parameters
    ----------
    at : int
        Index of the vintage in `years`.
    years : numpy.ndarray
        [year].
    blocks, machines : sequences of plans
    rows, vines : mappings by block_id
    interval_s : int
        Logging interval [s].
    faults : FaultRates
    rng : numpy.random.Generator

    Returns
    -------
    PickedVintage
    """
    year = int(years[at])
    mog = {
        one.block_id: mog_of_block(vines[one.block_id], at, age_years=year - one.year_planted, rng=rng)
        for one in blocks
    }
    readings: dict[tuple[int, str], pd.DataFrame] = {}
    picked: list[Picked] = []
    for machine in machines:
        tasks = [
            one for plan in blocks for one in _tasks(plan, year, machines, rows) if one.machine is machine
        ]
        tasks.sort(key=lambda one: (PICKING_DAY.get(one.plan.variety, 60), one.plan.block_id))
        logs, clock = [], _first_shift(year, tasks)
        for order, task in enumerate(tasks):
            name = task.plan.block_id
            job = _drive(task, vines[name], at, mog[name], rng)
            time, clock = _on_the_clock(job, clock, rng)
            picked.append(Picked(name, machine.name, time, np.cumsum(job.picked_kg), mog[name]))
            first, last = (machine.bias_at(year, (order + end) / len(tasks)) for end in (0, 1))
            log = log_job(
                job, machine=machine, bias=(first, last), interval_s=interval_s, faults=faults, rng=rng
            )
            logs.append(_logged_part(log, task, time, year))
        if logs and sum(map(len, logs)):
            crs = tasks[0].rows.crs
            readings[year, machine.name] = _with_degrees(pd.concat(logs, ignore_index=True), machine, crs)
    loads, parts = weigh_loads(picked, vintage=year, rng=rng)
    who = {
        one.block_id: ";".join(job.machine for job in picked if job.block_id == one.block_id)
        for one in blocks
    }
    return PickedVintage(readings, loads, parts, mog, who)


def _tasks(
    plan: BlockPlan, year: int, machines: Sequence[MachinePlan], rows: Mapping[str, gpd.GeoDataFrame]
) -> list[_Task]:
    """Rows of a block by the machine that picks them in a vintage."""
    mine = rows[plan.block_id]
    by_name = {one.name: one for one in machines}
    first = by_name[plan.machine_in.get(year, plan.machine) or machines[0].name]
    if year not in plan.shared_in or len(machines) < 2:
        return [_Task(plan, first, mine)]
    second = next(one for one in machines if one is not first)
    half = mine["row_no"] <= mine["row_no"].max() // 2
    return [_Task(plan, first, mine[half]), _Task(plan, second, mine[~half])]


def _drive(task: _Task, vines: BlockVines, at: int, mog_pct: float, rng: np.random.Generator) -> Job:
    """Drive the rows of a task, MOG taken in with the grapes."""
    mass = vines.grapes_kg[:, at] / (1 - mog_pct / 100)
    return drive_rows(task.rows, mass, vines.table["row_no"].to_numpy(int), machine=task.machine, rng=rng)


def _first_shift(year: int, tasks: Sequence[_Task]) -> int:
    """Start of a machine's first shift, seconds since 1970."""
    day = min((PICKING_DAY.get(one.plan.variety, 60) for one in tasks), default=60)
    start = pd.Timestamp(year=year, month=1, day=1, tz="UTC") + pd.Timedelta(days=day)
    return int(start.timestamp()) + SHIFT_START_S


def _on_the_clock(job: Job, clock: int, rng: np.random.Generator) -> tuple[NDArray[np.int64], int]:
    """Put a job on the clock, shift after shift; the next follows within the hour or two evenings later."""
    begun = (clock - SHIFT_START_S) % 86_400
    shift = clock - begun
    work = begun + job.second
    time = shift + work // SHIFT_S * 86_400 + work % SHIFT_S
    end = int(time[-1]) + 1800
    soon = rng.random() < 0.6 and (end - SHIFT_START_S) % 86_400 < SHIFT_S - 3600
    evening = end - (end - SHIFT_START_S) % 86_400
    return time, end if soon else evening + 2 * 86_400


def _logged_part(log: pd.DataFrame, task: _Task, time: NDArray[np.int64], year: int) -> pd.DataFrame:
    """Leave out the rows that the plan says were not logged."""
    out = log.assign(
        time=time[log["second"].to_numpy() - 1], block_id=task.plan.block_id, width_m=task.plan.row_spacing_m
    )
    share = task.plan.unlogged.get(year, 0.0)
    if not share:
        return out
    upto = share * task.rows["row_no"].max()
    working = out["row_no"].where(out["row_no"] > 0).ffill().fillna(1)
    return pd.DataFrame(out[working > upto])


def _with_degrees(log: pd.DataFrame, machine: MachinePlan, crs: CRS) -> pd.DataFrame:
    """Bring a log to degrees and UTC times, in order of time."""
    to_degrees = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(log["easting"].to_numpy(), log["northing"].to_numpy())
    out = log.assign(
        longitude=lon,
        latitude=lat,
        machine=machine.name,
        time=pd.to_datetime(log["time"], unit="s", utc=True),
    )
    order = ["time", "machine", "block_id", "longitude", "latitude", "speed_m_s", "width_m", "mass_flow_kg_s"]
    truth = ["row_no", "along_m", "true_flow_kg_s", "fault"]
    return out.sort_values("time", kind="stable")[order + truth].reset_index(drop=True)
