"""Signs of the loss beside the yield: canopy vigour in images, material other than grapes in the loads.

Both move with decline, so they are second, noisy measurements of the loss and never adjusted for: taking a
thin canopy off the yield would take the decline off with it. For a sign d of zone z in vintage v::

    d = a_z + s_v + c log kept(z, v) + e        c ~ half-normal(0, 0.5)        e ~ N(0, sd^2)

with a level a_z of the zone and a season s_v of its own, both free. How far a sign follows the loss is learnt
from the estate; one that has nothing to do with it gets a slope near zero and says nothing.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from vinemap.decline.courses import FloatArray, IntArray
from vinemap.decline.evidence import Evidence
from vinemap.decline.layout import BoolArray, Layout
from vinemap.decline.turns import add_signs

SIGNS = {"vigour": 1.0, "mog": -1.0}  # falls with the crop; rises as the crop falls
SLOPE_SD = 0.5  # change of log sign with log kept; common practice, no source
START_SLOPE, START_SD = 0.2, 0.1
LEAST_SD = 0.03  # a sign is never better known than 3 %; no source
PRIOR_WORTH = 4.0  # measurements that the prior of its spread is worth; no source
LEAST_VINTAGES = 2


class SignTable(Evidence):
    """Log likelihood of signs under every curve, their slopes and spreads learnt along the way.

    Parameters
    ----------
    layout : Layout
    years : int array (T,)
        Yearly axis of the curves.
    signs : pandas.DataFrame or None
        zone_id, vintage, sign (a key of `SIGNS`), value (positive; its logarithm counts), and perhaps worth:
        what the value is worth as a measurement of this zone, below 1 where several zones share one.
    zone_ids : list of str
    rng : numpy.random.Generator

    Attributes
    ----------
    names : list of str
        Signs that are used.
    slope, sd : float array (names,)
    """

    def __init__(
        self,
        layout: Layout,
        years: IntArray,
        signs: pd.DataFrame | None,
        zone_ids: list[str],
        rng: np.random.Generator,
    ) -> None:
        self.rng, self.blocks = rng, layout.place[0]
        renewed = layout.renewed
        plain = {zone_ids[one.zone]: row for row, one in enumerate(layout.series) if one.zone not in renewed}
        wide = _widen(signs, plain)
        self.names = list(dict.fromkeys(name for name, _ in wide.index))
        self.rows = np.array([plain[zone] for _, zone in wide.index], dtype=np.int64)
        self.worth = _worth(signs, wide)
        self.kind = np.array([self.names.index(name) for name, _ in wide.index], dtype=np.int64)
        inside = np.isin(wide.columns.to_numpy(dtype=np.int64), years)
        self.value = wide.to_numpy(dtype=float)[:, inside]
        self.seen = np.isfinite(self.value)
        self.value = _centre(np.where(self.seen, self.value, 0.0), self.seen)
        self.when = wide.columns.to_numpy(dtype=np.int64)[inside] - years[0]
        self.season = np.zeros((len(self.names), self.when.size))
        self.slope = np.full(len(self.names), START_SLOPE)
        self.sd = np.full(len(self.names), START_SD)

    def weigh(self, candidates: FloatArray, owner: IntArray, rest: FloatArray, fit: FloatArray) -> None:
        """Add the log likelihood of candidates (n, J, W) to `fit` (n, J); see `Evidence.weigh`."""
        if self.rows.size:
            left = _centre(self.value - self.season[self.kind], self.seen)
            slope, precision = self.slope[self.kind], self.worth * self.sd[self.kind] ** -2.0
            add_signs(candidates, owner[self.rows], rest[self.rows], self.when, left, self.seen, slope,
                      precision, fit)  # fmt: skip

    def draw(self, log_kept: FloatArray) -> None:
        """Draw seasons, slopes and spreads, given the loss.

        Parameters
        ----------
        log_kept : float array (series, W)
            Log of the share kept by all curves together.
        """
        if not self.rows.size:
            return
        kept = _centre(log_kept[self.rows][:, self.when], self.seen)
        for kind in range(len(self.names)):
            own = self.kind == kind
            self._draw_kind(kind, self.value[own], kept[own], self.seen[own], self.worth[own])

    def _draw_kind(
        self, kind: int, value: FloatArray, kept: FloatArray, seen: BoolArray, worth_of: FloatArray
    ) -> None:
        """Draw slope, seasons and spread of one sign, seasons integrated out of the slope."""
        season = np.where(seen[:, :, None], np.eye(self.when.size), 0.0)
        season = season - np.where(seen[:, :, None], _mean(season, seen)[:, None, :], 0.0)
        root_worth = np.sqrt(worth_of)[:, None]
        value, kept = value * root_worth, kept * root_worth
        design = (season * root_worth[..., None]).reshape(-1, self.when.size)
        precision = self.sd[kind] ** -2.0
        # seasons integrated out of the slope: what of the loss the seasons cannot follow
        inner = design.T @ design * precision + np.eye(self.when.size)
        pull = np.linalg.solve(inner, precision * design.T @ np.stack([value.ravel(), kept.ravel()], axis=1))
        across = design @ pull
        worth = SLOPE_SD**-2.0 + precision * kept.ravel() @ (kept.ravel() - across[:, 1])
        mean = precision * kept.ravel() @ (value.ravel() - across[:, 0]) / worth
        self.slope[kind] = _positive_normal(mean, worth**-0.5, self.rng)
        root = np.linalg.cholesky(np.linalg.inv(inner))
        self.season[kind] = (
            pull[:, 0] - self.slope[kind] * pull[:, 1] + root @ self.rng.standard_normal(len(root))
        )
        error = value.ravel() - self.slope[kind] * kept.ravel() - design @ self.season[kind]
        free = PRIOR_WORTH + float(worth_of @ (seen.sum(axis=1) - 1))
        total = PRIOR_WORTH * START_SD**2 + float(error @ error)
        self.sd[kind] = max(np.sqrt(total / self.rng.chisquare(free)), LEAST_SD)


def _widen(signs: pd.DataFrame | None, plain: dict[str, int]) -> pd.DataFrame:
    """Spread logs of signs by (sign, zone) and vintage; those that rise as the crop falls turned round."""
    if signs is None or signs.empty:
        empty = pd.MultiIndex.from_arrays([[], []])
        return pd.DataFrame(np.zeros((0, 0)), index=empty, columns=pd.Index([], dtype=np.int64))
    known = signs[signs["sign"].isin(SIGNS) & signs["zone_id"].isin(plain) & (signs["value"] > 0)]
    turned = known["sign"].map(SIGNS).to_numpy(dtype=float) * np.log(known["value"].to_numpy(dtype=float))
    wide = known.assign(value=turned).pivot_table(
        index=["sign", "zone_id"], columns="vintage", values="value"
    )
    return wide[wide.notna().sum(axis=1) >= LEAST_VINTAGES]


def _worth(signs: pd.DataFrame | None, wide: pd.DataFrame) -> FloatArray:
    """Give the worth of each zone's sign as a measurement; 1 where it is not said."""
    if signs is None or "worth" not in signs:
        return np.ones(len(wide))
    return np.asarray(signs.groupby(["sign", "zone_id"])["worth"].mean().reindex(wide.index), dtype=float)


def _mean(values: FloatArray, seen: BoolArray) -> FloatArray:
    """Mean over the second axis of what is seen."""
    return np.asarray(values.sum(axis=1).T / np.maximum(seen.sum(axis=1), 1)).T


def _centre(values: FloatArray, seen: BoolArray) -> FloatArray:
    """Take the mean over what is seen off each row; 0 elsewhere."""
    held = np.where(seen, values, 0.0)
    return np.asarray(np.where(seen, held - _mean(held, seen)[:, None], 0.0))


def _positive_normal(mean: float, sd: float, rng: np.random.Generator) -> float:
    """Draw from a normal cut off below zero."""
    below = special.ndtr(-mean / sd)
    share = below + (1 - below) * rng.uniform()
    return max(mean + sd * float(special.ndtri(min(share, 1 - 1e-12))), 0.0)
