"""A harvester at work, second by second: where it is, what it picks, what its sensor says and logs."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

from vinemap.simulate.plan import FaultRates, MachinePlan

TURN_S = (14, 25)  # seconds of a headland turn; common practice, no source
TURN_OUT_M = 9.0  # how far a turn goes past the row ends; common practice, no source
SPEED_SWING = 0.12  # relative speed change within a row; common practice, no source
PAUSE_CHANCE = 0.04  # chance of waiting for a bin at a row end; common practice, no source
ZERO_NOISE_KG_S = 0.03  # noise of the sensor at no flow; common practice, no source
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Job:
    """One machine's work in one block and vintage, second by second.

    Parameters
    ----------
    second : numpy.ndarray
        Seconds of work since the job began, shape (second,) [s].
    easting, northing : numpy.ndarray
        True position at the end of each second [m].
    speed_m_s : numpy.ndarray
        [m/s].
    row_no : numpy.ndarray
        Row being picked, 0 on the headland.
    along_m : numpy.ndarray
        Along the row from its first coordinate, NaN on the headland [m].
    picked_kg : numpy.ndarray
        Grapes and MOG taken in during the second [kg].
    """

    second: NDArray[np.int64]
    easting: Array
    northing: Array
    speed_m_s: Array
    row_no: NDArray[np.int64]
    along_m: Array
    picked_kg: Array


def drive_rows(
    rows: gpd.GeoDataFrame,
    vine_kg: Array,
    vine_row: NDArray[np.int64],
    *,
    machine: MachinePlan,
    rng: np.random.Generator,
) -> Job:
    """Drive the rows to and fro and pick them.

    Parameters
    ----------
    rows : geopandas.GeoDataFrame
        Rows to pick (`tables.ROWS`), straight lines in a metre CRS; not altered.
    vine_kg : numpy.ndarray
        Grapes and MOG by vine place, in the order of rows and vines, shape (vine,) [kg].
    vine_row : numpy.ndarray
        row_no of each vine place, shape (vine,).
    machine : MachinePlan
    rng : numpy.random.Generator

    Returns
    -------
    Job
    """
    rows = rows.sort_values("row_no")
    number = rows["row_no"].to_numpy(dtype=int)
    length = rows["length_m"].to_numpy(dtype=float)
    ends = np.array([(line.coords[0], line.coords[-1]) for line in rows.geometry])[:, :, :2]
    knots, total = _mass_along(vine_kg, vine_row, number)
    backward = np.arange(number.size) % 2 == 1
    ends = np.where(backward[:, None, None], ends[:, ::-1], ends)
    on_plane = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    ground = length / on_plane  # an equal-area CRS stretches lengths; speed is logged on the ground

    timing = _time_rows(length, machine, rng)
    row, step, of = _unroll(timing.ravel())
    row, part = row // 3, row % 3
    share = (step + 1) / of
    start, end = _progress(row, step, of, length, machine, rng)
    picking = part == 0
    forward = np.where(picking, end, 1.0)
    place = ends[row, 0] + forward[:, None] * (ends[row, 1] - ends[row, 0])
    place = np.where((part == 2)[:, None], _turn(ends, row, share), place)
    flip = backward[row]
    from_, to = np.where(flip, 1 - start, start), np.where(flip, 1 - end, end)
    picked = np.abs(np.interp(row + to, knots, total) - np.interp(row + from_, knots, total))
    return Job(
        second=np.arange(1, row.size + 1),
        easting=place[:, 0],
        northing=place[:, 1],
        speed_m_s=ground[row] * np.hypot(*np.diff(place, axis=0, prepend=ends[:1, 0]).T),
        row_no=np.where(picking, number[row], 0),
        along_m=np.where(picking, to * length[row], np.nan),
        picked_kg=np.where(picking, picked, 0.0),
    )


def _mass_along(
    vine_kg: Array, vine_row: NDArray[np.int64], number: NDArray[np.int64]
) -> tuple[Array, Array]:
    """Add kg up over all rows: row index + fraction of the row, and the total so far."""
    inside = np.isin(vine_row, number)
    kg, row = vine_kg[inside], np.searchsorted(number, vine_row[inside])
    count = np.bincount(row, minlength=number.size)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    knot = row + (np.arange(kg.size) - first[row] + 1) / count[row]
    return np.concatenate([[0.0], knot]), np.concatenate([[0.0], np.cumsum(kg)])


def _time_rows(length: Array, machine: MachinePlan, rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw the seconds of picking, waiting at the end and turning of each row (row, 3)."""
    pace = machine.speed_m_s * np.exp(0.07 * rng.normal(size=length.size))
    picking = np.maximum(np.ceil(length / pace), 3)
    waiting = np.where(rng.random(length.size) < PAUSE_CHANCE, rng.integers(40, 160, length.size), 0)
    turning = rng.integers(*TURN_S, length.size)
    return np.column_stack([picking, waiting, turning]).astype(int)


def _unroll(count: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Spread counts out: index of the part, step within it, and steps of the part."""
    index = np.repeat(np.arange(count.size), count)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    return index, np.arange(index.size) - first[index], count[index]


def _progress(
    row: NDArray[np.int64],
    step: NDArray[np.int64],
    of: NDArray[np.int64],
    length: Array,
    machine: MachinePlan,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Fraction of the row done at start and end of each second; speed swings by a sine."""
    waves = np.maximum(np.round(length / machine.speed_m_s / 60.0), 1.0)[row]
    phase = rng.uniform(0, 2 * np.pi, length.size)[row]
    swing = rng.uniform(0.2, 1.0, length.size)[row] * SPEED_SWING

    def done(u: Array) -> Array:
        turn = 2 * np.pi * waves
        return np.asarray(u + swing * (np.sin(turn * u + phase) - np.sin(phase)) / turn)

    return done(step / of), done((step + 1) / of)


def _turn(ends: Array, row: NDArray[np.int64], share: Array) -> Array:
    """Places on the way out of a row and into the next."""
    after = np.minimum(row + 1, len(ends) - 1)
    heading = ends[:, 1] - ends[:, 0]
    heading = heading / np.maximum(np.hypot(heading[:, 0], heading[:, 1]), 1e-9)[:, None]
    goal = np.where((after > row)[:, None], ends[after, 0], ends[row, 1])
    out = TURN_OUT_M * np.sin(np.pi * share)[:, None] * heading[row]
    return np.asarray(ends[row, 1] + share[:, None] * (goal - ends[row, 1]) + out)


def sense_flow(picked_kg: Array, *, delay_s: int, smear_s: float) -> Array:
    """Flow at the sensor: mixed on the conveyor (exponential), then late by a whole number of seconds.

    Parameters
    ----------
    picked_kg : numpy.ndarray
        Picked in each second, shape (second,) [kg].
    delay_s : int
        [s].
    smear_s : float
        Mean of the exponential mixing [s].

    Returns
    -------
    numpy.ndarray
        Shape (second,) [kg/s]; what is still on the conveyor at the end is lost.

    Examples
    --------
    >>> flow = sense_flow(np.array([1.0] + [0.0] * 19), delay_s=5, smear_s=2.0)
    >>> int(flow.argmax()), bool(flow.sum() > 0.99)
    (5, True)
    """
    keep = np.exp(-1.0 / smear_s)
    mixed = np.asarray(lfilter([1.0 - keep], [1.0, -keep], picked_kg))
    late = np.concatenate([np.zeros(delay_s), mixed])
    return np.asarray(late[: picked_kg.size])


def log_job(
    job: Job,
    *,
    machine: MachinePlan,
    bias: tuple[float, float],
    interval_s: int,
    faults: FaultRates,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Write the log of a job: mean flow over each interval, position and speed at its end, with faults.

    Parameters
    ----------
    job : Job
    machine : MachinePlan
    bias : tuple of float
        Bias at the first and last reading; in between it moves evenly [-].
    interval_s : int
        [s].
    faults : FaultRates
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        second, easting, northing, speed_m_s, mass_flow_kg_s as logged; and the truth beside it: row_no (0 on
        the headland), along_m, true_flow_kg_s (at the sensor, no bias or error), fault ("" for none).
    """
    count = job.second.size // interval_s
    last = np.arange(1, count + 1) * interval_s - 1
    flow = sense_flow(job.picked_kg, delay_s=machine.delay_s, smear_s=machine.smear_s)
    true = flow[: count * interval_s].reshape(count, interval_s).mean(axis=1)
    error = faults.sensor_cv * rng.normal(size=count)
    seen = true * (1.0 + np.linspace(*bias, count)) * (1.0 + error) + ZERO_NOISE_KG_S * rng.normal(size=count)
    seen = np.maximum(seen, 0.0)
    east, north = (values[last] + _wander(count, faults, rng) for values in (job.easting, job.northing))
    frame = pd.DataFrame({
        "second": job.second[last], "easting": east, "northing": north,
        "speed_m_s": np.maximum(job.speed_m_s[last] + 0.03 * rng.normal(size=count), 0.0),
        "mass_flow_kg_s": seen, "row_no": job.row_no[last], "along_m": job.along_m[last],
        "true_flow_kg_s": true, "fault": "",
    })  # fmt: skip
    return _spoil(frame, faults, rng)


def _wander(count: int, faults: FaultRates, rng: np.random.Generator) -> Array:
    """Draw position errors [m]: four fifths of the variance wander slowly, one is new in each reading."""
    slow = lfilter([np.sqrt(1 - 0.97**2)], [1.0, -0.97], rng.normal(size=count))
    return np.asarray(faults.position_sd_m * (np.sqrt(0.8) * slow + np.sqrt(0.2) * rng.normal(size=count)))


def _episodes(
    count: int, chance: float, lengths: tuple[int, int], rng: np.random.Generator
) -> NDArray[np.int64]:
    """Draw the number of the episode that each reading is in; 0 for none."""
    number = np.zeros(count, dtype=int)
    for which, at in enumerate(np.flatnonzero(rng.random(count) < chance), start=1):
        number[at : at + int(rng.integers(*lengths))] = which
    return number


def _spoil(frame: pd.DataFrame, faults: FaultRates, rng: np.random.Generator) -> pd.DataFrame:
    """Put faults into a log, and say where."""
    count = len(frame)
    flow, fault = frame["mass_flow_kg_s"].to_numpy(), np.full(count, "", dtype=object)
    place = frame[["easting", "northing"]].to_numpy()
    spike = _episodes(count, faults.spike, (1, 3), rng) > 0
    flow = np.where(spike, flow * rng.uniform(2.0, 6.0, count), flow)
    zero = _episodes(count, faults.zero, (3, 11), rng) > 0
    flow = np.where(zero, 0.0, flow)
    stuck = _episodes(count, faults.stuck, (24, 60), rng)
    held = pd.Series(flow).groupby(stuck).transform("first").to_numpy()
    flow = np.where(stuck > 0, held, flow)
    jump = _episodes(count, faults.jump, (3, 9), rng)
    bearing = rng.uniform(0, 2 * np.pi, jump.max() + 1)
    size = rng.uniform(5.0, 15.0, jump.max() + 1) * (np.arange(jump.max() + 1) > 0)
    place = place + (size * np.vstack([np.sin(bearing), np.cos(bearing)])).T[jump]
    for name, mask in {"spike": spike, "zero": zero, "stuck": stuck > 0, "jump": jump > 0}.items():
        fault[mask] = name
    lost = _episodes(count, faults.dropout, (4, 21), rng) > 0
    return frame.assign(
        mass_flow_kg_s=flow, easting=place[:, 0], northing=place[:, 1], fault=fault
    )[~lost].reset_index(drop=True)  # fmt: skip
