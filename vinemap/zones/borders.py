"""Which borders between zones stay: those that patchy ground and single seasons do not explain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vinemap.zones.cells import BoolArray, FloatArray, IntArray, RowCells
from vinemap.zones.features import PATTERN_RANGE_M, Features
from vinemap.zones.tidy import neighbours

# Squared difference over its variance from which a border stays: set on invented blocks (seeds 3100-3119 of
# scripts/bench_zones.py) so that at most one block in twenty without zones is divided.
EVIDENCE_ASKED = 8.0
PATTERN_AREA_M2 = 2 * np.pi * PATTERN_RANGE_M**2  # integral of exp(-h / range) over the plane
# Smaller differences than all of these change nothing that is done; common practice, no source.
LEVEL_MATTERS = 0.15  # log yield
CHANGE_MATTERS = 0.12  # share of the crop
MISSING_MATTERS = 0.10  # share of vine places
FEWEST_VINTAGES = 4  # to ask whether the difference holds in a vintage left out


@dataclass(frozen=True, slots=True)
class Border:
    """What speaks for a border between two neighbouring zones.

    Attributes
    ----------
    pair : tuple of int
        Labels of the zones.
    level : float
        Difference of log level.
    change : float
        Difference of change, as a share; the larger of change and late change.
    missing : float
        Difference of the share of missing vines, as counted.
    evidence : float
        Squared differences over the variance that patchy ground alone would give them.
    holds : bool
        Whether the other vintages tell the difference in a vintage left out, beyond the standard error.
    """

    pair: tuple[int, int]
    level: float
    change: float
    missing: float
    evidence: float
    holds: bool

    @property
    def stays(self) -> bool:
        """Whether the border is worth keeping."""
        if self.evidence < EVIDENCE_ASKED:
            return False
        yields = abs(self.level) >= LEVEL_MATTERS or abs(self.change) >= CHANGE_MATTERS
        return (yields and self.holds) or abs(self.missing) >= MISSING_MATTERS


@dataclass(frozen=True, slots=True)
class _Side:
    """What a border needs to know of the zone on one side: its area [m2], means, and log yield by vintage."""

    area_m2: float
    scaled: FloatArray
    level: float
    change: float
    late: float
    missing: float
    logs: FloatArray


def _describe(mask: BoolArray, features: Features, logs: FloatArray, cells: RowCells) -> _Side:
    return _Side(
        area_m2=float(cells.area_m2[mask].sum()),
        scaled=features.scaled[mask].mean(axis=0),
        level=float(features.level[mask].mean()),
        change=float(features.change[mask].mean()),
        late=float(features.late[mask].mean()),
        missing=float(features.missing[mask].mean()),
        logs=_mean_logs(logs[:, mask]),
    )


def merge_alike(
    labels: IntArray, features: Features, logs: FloatArray, cells: RowCells, *, max_zones: int
) -> IntArray:
    """Merge neighbouring zones until every border stays and there are no more than allowed.

    Parameters
    ----------
    labels : int array (band, stretch)
        -1 outside.
    features : Features
    logs : float array (V, band, stretch)
        Relative log yield by vintage.
    cells : RowCells
    max_zones : int

    Returns
    -------
    int array (band, stretch)
        With gaps in the numbers.
    """
    labels = labels.copy()
    sides: dict[int, _Side] = {}
    weighed: dict[tuple[int, int], Border] = {}
    while True:
        pairs = neighbours(labels, cells)
        for one in {zone for pair in pairs for zone in pair} - set(sides):
            sides[one] = _describe(labels == one, features, logs, cells)
        weighed |= {pair: _weigh(pair, sides) for pair in pairs if pair not in weighed}
        borders = [weighed[pair] for pair in pairs]
        if not borders:
            return labels
        weakest = min(borders, key=lambda one: (one.stays, one.evidence))
        if weakest.stays and np.unique(labels[labels >= 0]).size <= max_zones:
            return labels
        labels[labels == weakest.pair[1]] = weakest.pair[0]
        sides = {one: side for one, side in sides.items() if one not in weakest.pair}
        weighed = {pair: one for pair, one in weighed.items() if not set(pair) & set(weakest.pair)}


def weigh_border(
    pair: tuple[int, int], labels: IntArray, features: Features, logs: FloatArray, cells: RowCells
) -> Border:
    """Weigh what speaks for the border between two zones.

    Parameters
    ----------
    pair : tuple of int
    labels : int array (band, stretch)
    features : Features
    logs : float array (V, band, stretch)
    cells : RowCells

    Returns
    -------
    Border

    Notes
    -----
    If both were one zone with a stationary pattern of exponential covariance, a mean over an area a would
    vary about as the mean of 1 + a / A independent values, A the integral of the correlation over the plane;
    for two areas a b / (a + b) takes the place of a. The clusters were picked for their difference, so the
    sum is no chi-square: what is asked of it was set on invented blocks.
    """
    return _weigh(pair, {one: _describe(labels == one, features, logs, cells) for one in pair})


def _weigh(pair: tuple[int, int], sides: Mapping[int, _Side]) -> Border:
    first, second = (sides[one] for one in pair)
    whole_m2 = first.area_m2 + second.area_m2
    worth = 1 + first.area_m2 * second.area_m2 / whole_m2 / PATTERN_AREA_M2
    return Border(
        pair,
        level=first.level - second.level,
        change=max(first.change - second.change, first.late - second.late, key=abs),
        missing=first.missing - second.missing,
        evidence=worth * float(((first.scaled - second.scaled) ** 2).sum()),
        holds=_holds(first.logs - second.logs),
    )


def _mean_logs(logs: FloatArray) -> FloatArray:
    """Mean log yield by vintage, NaN where none is known."""
    known = np.isfinite(logs)
    count = known.sum(axis=1)
    sums = np.where(known, logs, 0.0).sum(axis=1)
    return np.asarray(np.where(count > 0, sums / np.maximum(count, 1), np.nan))


def _holds(contrast: FloatArray) -> bool:
    """Whether the vintages beside each tell its contrast better than none would, beyond a standard error.

    Vintages that lack one of the zones (NaN) do not count.

    Examples
    --------
    >>> _holds(np.array([0.3, 0.25, 0.33, 0.28])), _holds(np.array([0.0, 0.02, 0.4, -0.03, 0.01]))
    (True, False)
    """
    contrast = contrast[np.isfinite(contrast)]
    if contrast.size < FEWEST_VINTAGES:
        return True
    middle = (contrast[:-2] + contrast[2:]) / 2
    told = np.concatenate([contrast[1:2], middle, contrast[-2:-1]])
    gain = contrast**2 - (contrast - told) ** 2
    return bool(gain.mean() > gain.std(ddof=1) / np.sqrt(gain.size))
