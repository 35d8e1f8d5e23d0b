"""The weighbridge and the people who count: loads and row counts of an invented estate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vinemap.simulate.vines import BlockVines

TRUCK_KG = (9_500.0, 12_500.0)  # net mass at which a truck leaves; common practice, no source
WEIGHING_CV = 0.002  # error of the weighbridge; common practice, no source
MOG_ERROR_PCT = 0.2  # error of the sampled MOG; common practice, no source
MIX_GAP_S = 3 * 3600  # a part load waits at most this long for the next block
SEEN = 0.88  # share of affected vines that the counter notices; common practice, no source
FALSE_ALARM = 0.004  # sound vines noted as affected; common practice, no source
MISCOUNT = 0.01  # empty places overlooked, or weak vines noted as missing; common practice, no source
SHOWS_FROM = 0.10  # share of spurs dead from which a vine shows; common practice, no source
ARM_FROM = 0.45  # share of spurs dead at which one arm is gone; common practice, no source


@dataclass(frozen=True, slots=True)
class Picked:
    """Mass a machine took in over one job.

    Parameters
    ----------
    block_id, machine : str
    time : numpy.ndarray
        Seconds since 1970 (UTC), shape (second,).
    kg : numpy.ndarray
        Running total of grapes and MOG, shape (second,) [kg].
    mog_pct : float
        Of the mass [%].
    """

    block_id: str
    machine: str
    time: NDArray[np.int64]
    kg: NDArray[np.float64]
    mog_pct: float


def weigh_loads(
    jobs: Sequence[Picked], *, vintage: int, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fill trucks in the order of work and weigh them.

    Parameters
    ----------
    jobs : sequence of Picked
        Of one vintage, any order.
    vintage : int
        [year].
    rng : numpy.random.Generator

    Returns
    -------
    loads : pandas.DataFrame
        Columns of `tables.LOADS` but import_id; two blocks are joined by ``;``.
    parts : pandas.DataFrame
        The truth: load_id, vintage, block_id, machine, kg (grapes and MOG), grapes_kg.
    """
    parts: list[dict[str, Any]] = []
    number = 0
    for machine in sorted({job.machine for job in jobs}):
        mine = sorted((job for job in jobs if job.machine == machine), key=lambda job: int(job.time[0]))
        for cut in _fill_trucks(mine, rng):
            number += 1
            parts += [
                {"load_id": f"T{vintage % 100:02d}{number:04d}", "vintage": vintage, **one} for one in cut
            ]
    table = pd.DataFrame(parts)
    return _tickets(table, rng), table.drop(columns=["mog_pct", "time"])


def _fill_trucks(jobs: Sequence[Picked], rng: np.random.Generator) -> list[list[dict[str, Any]]]:
    """Fill trucks in the order of work: parts of blocks by truck."""
    trucks: list[list[dict[str, Any]]] = []
    waiting: list[dict[str, Any]] = []
    for at, job in enumerate(jobs):
        done, held = 0.0, sum(one["kg"] for one in waiting)
        while done < job.kg[-1]:
            upto = min(done + rng.uniform(*TRUCK_KG) - held, float(job.kg[-1]))
            second = int(np.searchsorted(job.kg, upto))
            waiting.append(_part(job, upto - done, second))
            full = upto < job.kg[-1]
            if full or not _waits(jobs, at, upto - done + held, rng):
                trucks.append(waiting)
                waiting = []
            done, held = upto, 0.0
    return trucks


def _part(job: Picked, kg: float, second: int) -> dict[str, Any]:
    """Part of a job on a truck."""
    return {
        "block_id": job.block_id, "machine": job.machine, "kg": kg, "grapes_kg": kg * (1 - job.mog_pct / 100),
        "mog_pct": job.mog_pct, "time": int(job.time[min(second, job.time.size - 1)]),
    }  # fmt: skip


def _waits(jobs: Sequence[Picked], at: int, kg: float, rng: np.random.Generator) -> bool:
    """Whether a part load waits for the next block."""
    if at + 1 >= len(jobs) or kg > 0.7 * TRUCK_KG[0]:
        return False
    soon = jobs[at + 1].time[0] - jobs[at].time[-1] < MIX_GAP_S
    return bool(soon) and rng.random() < 0.7


def _tickets(parts: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Weigh trucks and write their tickets."""
    grouped = parts.assign(mog_kg=parts["kg"] * parts["mog_pct"] / 100).groupby("load_id", sort=True)
    blocks = grouped["block_id"].agg(lambda ids: ";".join(dict.fromkeys(ids)))
    index = grouped["kg"].sum().index
    total = grouped["kg"].sum().to_numpy()
    count = total.size
    tare = np.round(rng.normal(8600.0, 60.0, count) / 20) * 20
    weighed = np.round(total * (1 + WEIGHING_CV * rng.normal(size=count)) / 20) * 20
    mog = 100 * grouped["mog_kg"].sum().to_numpy() / total + MOG_ERROR_PCT * rng.normal(size=count)
    arrival = grouped["time"].max().to_numpy() + rng.integers(40 * 60, 120 * 60, count)
    return pd.DataFrame({
        "load_id": index, "vintage": grouped["vintage"].first().to_numpy(),
        "block_id": blocks.to_numpy(), "machine": grouped["machine"].first().to_numpy(),
        "time": pd.to_datetime(arrival, unit="s", utc=True),
        "gross_kg": tare + weighed, "tare_kg": tare, "net_kg": weighed,
        "mog_pct": np.round(np.maximum(mog, 0.1), 1),
        "sugar_brix": np.round(rng.normal(23.0, 0.8, count), 1),
    })  # fmt: skip


def mog_of_block(vines: BlockVines, at: int, *, age_years: int, rng: np.random.Generator) -> float:
    """MOG of a block by mass in one vintage: rises with age and with dead wood in the box [%].

    Parameters
    ----------
    vines : BlockVines
    at : int
        Index of the vintage.
    age_years : int
        [years].
    rng : numpy.random.Generator

    Returns
    -------
    float
        0.8 to 4 %. Handbook, section 8: about 1 % a low level; dead wood in the box raises MOG.
    """
    dead = float(vines.dead[:, at][vines.standing[:, at]].mean())
    typical = 0.8 + 0.05 * max(age_years - 12, 0) + 5.0 * dead + 0.15 * rng.normal()
    return float(np.clip(typical, 0.8, 4.0))


def count_rows(
    vines: BlockVines,
    at: int,
    *,
    block_id: str,
    vintage: int,
    rng: np.random.Generator,
    every_row: int = 4,
    stretch: int = 30,
    weighed: bool = False,
) -> pd.DataFrame:
    """Walk every so many rows and note missing and symptomatic vines by stretch, with a person's errors.

    Parameters
    ----------
    vines : BlockVines
    at : int
        Index of the vintage.
    block_id : str
    vintage : int
        [year].
    rng : numpy.random.Generator
    every_row : int, optional
        Rows 1, 1 + every_row, ... are walked.
    stretch : int, optional
        Vine places in a stretch.
    weighed : bool, optional
        Whether the grapes of each stretch are picked by hand and weighed too (error 1 %).

    Returns
    -------
    pandas.DataFrame
        Columns of `tables.COUNTS` up to dead_arm, and picked_kg where weighed.
    """
    table = vines.table
    walked = ((table["row_no"] - 1) % every_row == 0).to_numpy()
    empty = ~vines.standing[walked, at]
    size = empty.size
    miss = empty ^ (rng.random(size) < np.where(empty, 2 * MISCOUNT, MISCOUNT / 4))
    shows = vines.dead[walked, at] > SHOWS_FROM
    noted = np.where(shows, rng.random(size) < SEEN, rng.random(size) < FALSE_ALARM) & ~miss
    arm = noted & (vines.dead[walked, at] > ARM_FROM)
    place = table.loc[walked, ["row_no", "vine_no"]]
    part = ((place["vine_no"] - 1) // stretch).rename("part")
    noted_table = place.assign(missing=miss, symptomatic=noted, dead_arm=arm)
    grouped = noted_table.groupby([place["row_no"], part])
    sums = grouped[["missing", "symptomatic", "dead_arm"]].sum().astype(int)
    out = pd.DataFrame({
        "from_vine": grouped["vine_no"].min(), "to_vine": grouped["vine_no"].max(), "vines": grouped.size(),
    }).join(sums).reset_index().drop(columns="part")  # fmt: skip
    out.insert(0, "block_id", block_id)
    out.insert(0, "vintage", vintage)
    if not weighed:
        return out
    kg = pd.Series(vines.grapes_kg[walked, at], index=place.index).groupby([place["row_no"], part]).sum()
    return out.assign(picked_kg=np.round(kg.to_numpy() * (1 + 0.01 * rng.normal(size=len(out))), 1))
