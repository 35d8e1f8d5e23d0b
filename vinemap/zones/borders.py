"""Which borders between zones stay: those that patchy ground and single seasons do not explain."""

from __future__ import annotations

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
    weighed: dict[tuple[int, int], Border] = {}
    while True:
        pairs = neighbours(labels, cells)
        weighed |= {
            pair: weigh_border(pair, labels, features, logs, cells) for pair in pairs if pair not in weighed
        }
        borders = [weighed[pair] for pair in pairs]
        if not borders:
            return labels
        weakest = min(borders, key=lambda one: (one.stays, one.evidence))
        if weakest.stays and np.unique(labels[labels >= 0]).size <= max_zones:
            return labels
        labels[labels == weakest.pair[1]] = weakest.pair[0]
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
    first, second = (labels == one for one in pair)
    areas = [float(cells.area_m2[one].sum()) for one in (first, second)]
    worth = 1 + areas[0] * areas[1] / sum(areas) / PATTERN_AREA_M2
    apart = features.scaled[first].mean(axis=0) - features.scaled[second].mean(axis=0)
    changes = [float(one[first].mean() - one[second].mean()) for one in (features.change, features.late)]
    return Border(
        pair,
        level=float(features.level[first].mean() - features.level[second].mean()),
        change=max(changes, key=abs),
        missing=float(features.missing[first].mean() - features.missing[second].mean()),
        evidence=worth * float((apart**2).sum()),
        holds=_holds(_contrast(logs, first, second)),
    )


def _contrast(logs: FloatArray, first: BoolArray, second: BoolArray) -> FloatArray:
    """Difference of the mean log yields by vintage, without vintages that lack one of them."""
    means = []
    for part in (first, second):
        known = np.isfinite(logs[:, part])
        count = known.sum(axis=1)
        sums = np.where(known, logs[:, part], 0.0).sum(axis=1)
        means.append(np.where(count > 0, sums / np.maximum(count, 1), np.nan))
    apart = means[0] - means[1]
    return np.asarray(apart[np.isfinite(apart)])


def _holds(contrast: FloatArray) -> bool:
    """Whether the vintages beside each tell its contrast better than none would, beyond a standard error.

    Examples
    --------
    >>> _holds(np.array([0.3, 0.25, 0.33, 0.28])), _holds(np.array([0.0, 0.02, 0.4, -0.03, 0.01]))
    (True, False)
    """
    if contrast.size < FEWEST_VINTAGES:
        return True
    middle = (contrast[:-2] + contrast[2:]) / 2
    told = np.concatenate([contrast[1:2], middle, contrast[-2:-1]])
    gain = contrast**2 - (contrast - told) ** 2
    return bool(gain.mean() > gain.std(ddof=1) / np.sqrt(gain.size))
