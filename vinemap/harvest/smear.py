"""Smear of the conveyor: how grapes of a moment spread over several readings, and how to undo it.

On belts and in the trailing hopper grapes mix, so that the flow at the sensor follows the picking like a
vessel that fills and empties: flow(t) = k flow(t - 1) + (1 - k) picked(t). Behind the end of a row nothing
is picked any more and the flow falls by the factor k from reading to reading; all row ends together give k.
Where it is large (readings every second or two) picked(t) is had back from two readings. The noise of the
sensor grows, but its errors then alternate along the row and cancel over a few metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vinemap.harvest.picked import Picked
from vinemap.harvest.robust import MAD_TO_SD
from vinemap.harvest.track import Track

TAIL_S = 8.0  # behind a row end: then the belts are empty; recovered truth
LEAST_ENDS = 10  # row ends with a tail; with fewer k is left alone; no source
WORTH_CARRY = 0.25  # below this a reading holds hardly any grapes of the one before; recovered truth
MOST_CARRY = 0.8  # above this the noise of the sensor would rule; recovered truth
WORST_SE = 0.08  # of the carry; recovered truth
SENSOR_CV = 0.07  # random error of one reading; common practice, no source
SENSOR_ZERO_KG_S = 0.04  # noise at no flow; no source
FALL_DOUBT = 3.5  # errors by which a fall must be too fast; recovered truth
HUBER = 2.0  # spreads beyond which a row end pulls with constant force; usual choice 1.3-2.5
CARRY_ROUNDS = 10  # they settle within this
LEAST_SPREAD = 0.01  # of row ends about the carry, where most agree to the last digit; no source
LONGEST_GAP = 1.5  # intervals to the reading before, for that to be the one before


@dataclass(frozen=True, slots=True)
class SmearEstimate:
    """Smear of one machine.

    Parameters
    ----------
    machine : str
    carry : float
        Share of the flow that is carried from a reading to the next (k); NaN if it could not be told.
    se : float
        Standard error of it by the spread over row ends.
    smear_s : float
        Mean time that grapes take longer than the quickest [s].
    row_ends : int
        Row ends behind it.
    undone : bool
        Whether it was taken out of the readings.
    """

    machine: str
    carry: float
    se: float
    smear_s: float
    row_ends: int
    undone: bool


def estimate_smears(
    track: Track, picked: Picked, flow_kg_s: np.ndarray, *, machines: Sequence[str]
) -> list[SmearEstimate]:
    """Estimate the smear of every machine from the tails of flow behind row ends.

    Parameters
    ----------
    track : Track
        n readings of one block and vintage.
    picked : Picked
        Traced back by the flow delay.
    flow_kg_s : numpy.ndarray, (n,)
        Flow in the order of the track, NaN where it is faulty [kg/s].
    machines : sequence of str
        Names by code.

    Returns
    -------
    list of SmearEstimate
    """
    before, after, end = _tail_pairs(track, picked, flow_kg_s)
    out = []
    for code, name in enumerate(machines):
        mine = track.machine[before] == code
        if not (track.machine == code).any():
            continue
        carry, error, ends = _carry(flow_kg_s[before[mine]], flow_kg_s[after[mine]], end[mine])
        sure = ends >= LEAST_ENDS and error <= WORST_SE
        undone = bool(sure and WORTH_CARRY <= carry <= MOST_CARRY)
        lag = carry / (1.0 - carry) * track.interval_s if 0 < carry < 1 else float("nan")
        out.append(SmearEstimate(name, carry, error, lag, ends, undone))
    return out


def _tail_pairs(
    track: Track, picked: Picked, flow_kg_s: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Successive readings behind the end of a pass, before the next one begins; and which end it was."""
    count = track.time_s.size
    inside = picked.pass_no >= 0
    last = np.maximum.accumulate(np.where(inside, np.arange(count), -1))
    last = np.maximum(last, 0)
    since = track.time_s - track.time_s[last]
    tail = ~inside & inside[last] & (track.machine == track.machine[last]) & (since <= TAIL_S)
    before = np.flatnonzero(tail[:-1] & tail[1:] & (last[:-1] == last[1:]))
    gap = np.diff(track.time_s)[before]
    known = np.isfinite(flow_kg_s[before]) & np.isfinite(flow_kg_s[before + 1])
    before = before[known & (gap <= LONGEST_GAP * track.interval_s)]
    return before, before + 1, last[before]


def _carry(before: np.ndarray, after: np.ndarray, end: np.ndarray) -> tuple[float, float, int]:
    """Ratio of successive flows with its error by the spread over row ends; one spoiled end hardly pulls.

    A spike in a tail enters by its square: with plain sums one end in sixty could hide the smear of a block.
    """
    ends, group = np.unique(end, return_inverse=True)
    if ends.size < 2:
        return float("nan"), float("nan"), int(ends.size)
    above, below = np.bincount(group, before * after), np.bincount(group, before * before)
    # A bin that is changed or vines on the headland spoil a tail: those that do not fall are left out.
    falling = (below > 0) & (above < below)
    if falling.sum() < 2:
        return float("nan"), float("nan"), int(ends.size)
    above, below = above[falling], below[falling]
    carry, pull = float(np.median(above / below)), np.ones(above.size)
    for _ in range(CARRY_ROUNDS):
        apart = above - carry * below
        scale = max(MAD_TO_SD * float(np.median(np.abs(apart))), LEAST_SPREAD * float(np.median(below)))
        pull = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(apart), 1e-12))
        carry = float((pull * above).sum() / (pull * below).sum())
    error = float(np.sqrt(((pull * (above - carry * below)) ** 2).sum()) / (pull * below).sum())
    return carry, error, int(above.size)


def _carry_of(track: Track, smears: Sequence[SmearEstimate], machines: Sequence[str]) -> np.ndarray:
    """Carry of the machine of each reading (n,); 0 where its smear is left alone."""
    carry = np.zeros(track.time_s.size)
    for one in smears:
        if one.undone:
            carry[track.machine == machines.index(one.machine)] = one.carry
    return carry


def find_impossible_falls(
    track: Track, flow_kg_s: np.ndarray, smears: Sequence[SmearEstimate], machines: Sequence[str]
) -> np.ndarray:
    """Mark readings after which the flow fell faster than the conveyor can empty: the sensor spiked.

    Parameters
    ----------
    track : Track
    flow_kg_s : numpy.ndarray, (n,)
        [kg/s]
    smears : sequence of SmearEstimate
        Machines whose smear is not sure are left alone.
    machines : sequence of str
        Names by code.

    Returns
    -------
    numpy.ndarray of bool, (n,)
    """
    carry = _carry_of(track, smears, machines)
    out = np.zeros(carry.size, dtype=bool)
    for ahead in (1, 2):
        later = np.arange(carry.size) + ahead
        inside = later < carry.size
        later = np.minimum(later, carry.size - 1)
        gap = track.time_s[later] - track.time_s
        near = (
            inside & (track.machine[later] == track.machine) & (gap <= ahead * LONGEST_GAP * track.interval_s)
        )
        kept = carry**ahead * flow_kg_s
        doubt = FALL_DOUBT * SENSOR_CV * np.hypot(kept, flow_kg_s[later]) + FALL_DOUBT * SENSOR_ZERO_KG_S
        # Two ahead tells only where the next one is itself a spike or lacks.
        asked = near & (carry > 0) if ahead == 1 else near & (carry > 0) & np.r_[out[1:], False]
        with np.errstate(invalid="ignore"):
            out |= asked & (flow_kg_s[later] < kept - doubt) & (flow_kg_s[later] > 0)
    return out


def undo_smear(
    track: Track,
    flow_kg_s: np.ndarray,
    sound: np.ndarray,
    smears: Sequence[SmearEstimate],
    machines: Sequence[str],
) -> tuple[np.ndarray, np.ndarray]:
    """Give the flow picked, and how much earlier than by the full delay it arrives.

    Parameters
    ----------
    track : Track
    flow_kg_s : numpy.ndarray, (n,)
        [kg/s]
    sound : numpy.ndarray of bool, (n,)
        Readings free of faults; only two such in a row are disentangled.
    smears : sequence of SmearEstimate
    machines : sequence of str
        Names by code.

    Returns
    -------
    flow_kg_s : numpy.ndarray, (n,)
        As it was where the smear is not undone or the reading before is not sound.
    earlier_s : numpy.ndarray, (n,)
        To be taken off the delay [s].
    """
    carry = _carry_of(track, smears, machines)
    follows = np.zeros(carry.size, dtype=bool)
    follows[1:] = (
        (np.diff(track.machine) == 0)
        & (np.diff(track.time_s) <= LONGEST_GAP * track.interval_s)
        & sound[:-1]
        & sound[1:]
    )
    carry = np.where(follows, carry, 0.0)
    previous = np.concatenate([flow_kg_s[:1], flow_kg_s[:-1]])
    previous = np.where(follows, previous, 0.0)
    out = np.where(carry > 0, (flow_kg_s - carry * previous) / (1.0 - carry), flow_kg_s)
    return np.maximum(out, 0.0), carry / (1.0 - carry) * track.interval_s
