"""Which zones of a block to do in the same visit, so that one mobilisation serves them all."""

from __future__ import annotations

import numpy as np

from vinemap.renewal.finance import Floats
from vinemap.renewal.standing import Ints

EXACT_ZONES = 8  # up to this many zones every way of sharing visits is looked at (3**8 = 6,561 splits)
KEPT = -1


def share_visits(
    worth: Floats, visit_cost: Floats, area_ha: Floats, *, kept: Floats | None = None, least_ha: float = 0.0
) -> Ints:
    """Choose for each zone of one block a visit to join, or to be kept, for the highest total value.

    Parameters
    ----------
    worth : numpy.ndarray, shape (zone, visit)
        Value of the zone in that visit (a method in a year), mobilisation not in it [currency]; NaN if not
        possible.
    visit_cost : numpy.ndarray, shape (visit,)
        Cost of coming for that visit, paid once however many zones join [currency].
    area_ha : numpy.ndarray, shape (zone,)
    kept : numpy.ndarray, shape (zone,), optional
        Value of the zone if it joins none [currency]; 0 by default.
    least_ha : float
        Least area of a visit that is worth coming for [ha].

    Returns
    -------
    numpy.ndarray of int, shape (zone,)
        Visit joined, -1 for kept. Exact for up to 8 zones, else by greedy addition of visits.

    Examples
    --------
    Neither zone alone is worth 100 of mobilisation; together they are.

    >>> share_visits(np.array([[60.0], [70.0]]), np.array([100.0]), np.array([1.0, 1.0])).tolist()
    [0, 0]
    """
    floor = np.zeros(len(area_ha)) if kept is None else kept
    extra = np.where(np.isfinite(worth), worth, -np.inf) - floor[:, None]
    # Where a visit needs a least area, a zone that loses a little may still make it worth coming.
    floor_of_interest = -np.inf if least_ha > 0 else 0.0
    hopeful = np.flatnonzero((extra > floor_of_interest).any(axis=1))
    out = np.full(len(area_ha), KEPT, dtype=np.int64)
    if hopeful.size == 0 or not (extra > 0).any():
        return out
    solve = _share_exactly if hopeful.size <= EXACT_ZONES else _share_greedily
    out[hopeful] = solve(extra[hopeful], visit_cost, area_ha[hopeful], least_ha)
    return out


def _share_exactly(extra: Floats, visit_cost: Floats, area_ha: Floats, least_ha: float) -> Ints:
    """Best split of the zones into visits, by dynamic programming over subsets."""
    count = len(area_ha)
    member = (np.arange(2**count)[:, None] >> np.arange(count)) & 1
    total = np.where(member[:, :, None] == 1, extra[None], 0.0).sum(axis=1) - visit_cost
    total[member @ area_ha < least_ha] = -np.inf
    pick, value = total.argmax(axis=1), total.max(axis=1)
    best, part = np.zeros(2**count), np.zeros(2**count, dtype=np.int64)
    for mask in range(1, 2**count):
        low = mask & -mask
        rest = mask ^ low
        best[mask], part[mask] = best[rest], 0  # the lowest zone is kept
        other = rest
        while True:
            group = other | low
            if value[group] + best[mask ^ group] > best[mask]:
                best[mask], part[mask] = value[group] + best[mask ^ group], group
            if other == 0:
                break
            other = (other - 1) & rest
    return _read_split(part, pick, count)


def _read_split(part: Ints, pick: Ints, count: int) -> Ints:
    out = np.full(count, KEPT, dtype=np.int64)
    mask = 2**count - 1
    while mask:
        group = int(part[mask])
        if group:
            out[[n for n in range(count) if group >> n & 1]] = pick[group]
        mask ^= group or (mask & -mask)
    return out


def _share_greedily(extra: Floats, visit_cost: Floats, area_ha: Floats, least_ha: float) -> Ints:
    """Open the visit that adds most, let zones move to it, and go on while anything is added."""
    out = np.full(len(area_ha), KEPT, dtype=np.int64)
    now = np.zeros(len(area_ha))
    while True:
        better = extra - now[:, None]
        moves = better > 0
        gain = np.where(moves, better, 0.0).sum(axis=0) - visit_cost
        gain[area_ha @ moves < least_ha] = -np.inf
        visit = int(gain.argmax())
        if gain[visit] <= 0 or visit in out:
            return out
        out[moves[:, visit]] = visit
        now = np.where(moves[:, visit], extra[:, visit], now)


def visit_shares(choice: Ints, area_ha: Floats) -> Floats:
    """Share of the visit's mobilisation that each zone bears, by area, shape (zone,); 1 if alone or kept.

    Examples
    --------
    >>> visit_shares(np.array([2, 2, -1]), np.array([1.0, 3.0, 2.0])).tolist()
    [0.25, 0.75, 1.0]
    """
    same = (choice[:, None] == choice[None, :]) & (choice[:, None] != KEPT)
    together = (same * area_ha[None, :]).sum(axis=1)
    return np.where(choice == KEPT, 1.0, area_ha / np.where(together > 0, together, area_ha))
