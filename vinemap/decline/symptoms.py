"""What counted symptoms say about the loss: a beta-binomial likelihood, tabulated by loss."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from vinemap.decline.curves import CurveBank, FloatArray, IntArray
from vinemap.decline.layout import Layout
from vinemap.decline.stand import effective_vines

LARGEST_SAMPLE = 30.0  # symptoms say little about loss beyond the sampling: cap on the vines' worth
BACKGROUND_SYMPTOMS = 0.03  # share of vines called symptomatic in sound zones; common practice, no source
SYMPTOMS_LEAD_YEARS = 3  # symptoms run ahead of crop loss (Kaplan et al. 2016: losses follow first symptoms)
CONCENTRATION = 4.0  # how closely symptoms follow the loss; weak on purpose, no source
SOUND_CONCENTRATION = 12.0
CLEAR_LOSS = 0.05
_LOSSES = np.arange(101) / 100


class SymptomTable:
    """Log likelihood of the counts of symptoms under every curve.

    The share of vines with symptoms in a count is beta-binomial about 3 % plus the loss three years later: a
    vine shows symptoms before it has lost all of its crop, and Munkvold et al. 1994 found the loss to be 0.90
    to 0.99 of the share of spurs that is dead, so that symptoms cannot fall far short of the loss to come.

    Parameters
    ----------
    layout : Layout
    banks : list of CurveBank
        One a series.
    stand : pandas.DataFrame or None
        zone_id, vintage, symptomatic_pct, vines (looked at).
    zone_ids : list of str

    References
    ----------
    Munkvold, Duthie and Marois 1994, Phytopathology 84:186-192.
    """

    def __init__(
        self, layout: Layout, banks: list[CurveBank], stand: pd.DataFrame | None, zone_ids: list[str]
    ) -> None:
        self.blocks = layout.place[0]
        self.size = (len(layout.series), len(layout.block_ids), banks[0].family.size)
        counts = _counts(stand)
        renewed = {one.zone for one in layout.series if np.isfinite(one.first_vintage)}
        rows = [row for row, one in enumerate(layout.series)
                if one.zone not in renewed and zone_ids[one.zone] in counts]  # fmt: skip
        self.rows = np.array(rows, dtype=np.int64)
        if not self.rows.size:
            return
        tables = [counts[zone_ids[layout.series[row].zone]] for row in self.rows]
        most = max(len(one) for one in tables)
        self.fit = np.zeros((self.rows.size, most, _LOSSES.size))
        self.kept = np.ones((self.rows.size, self.size[2], most))
        self.block_kept, self.estate_kept = np.ones_like(self.kept), np.ones_like(self.kept)
        first = layout.slot[:, 0]
        for place, (row, table) in enumerate(zip(self.rows, tables, strict=True)):
            when = table["vintage"].to_numpy() + SYMPTOMS_LEAD_YEARS - banks[row].years[0]
            when = np.clip(when, 0, banks[row].years.size - 1).astype(int)
            self.fit[place, : len(table)] = _tabulate(table)
            self.kept[place, :, : len(table)] = np.exp(banks[row].log_curve[:, when])
            self.estate_kept[place, :, : len(table)] = np.exp(banks[0].log_curve[:, when])
            self.block_kept[place, :, : len(table)] = np.exp(
                banks[first[self.blocks[row]]].log_curve[:, when]
            )

    def weigh_zones(self, block_curve: IntArray, estate_curve: int) -> FloatArray:
        """Log likelihood (series, K) of every own curve, given the curves above it."""
        out = np.zeros((self.size[0], self.size[2]))
        if self.rows.size:
            place = np.arange(self.rows.size)
            common = self.block_kept[place, block_curve[self.rows]] * self.estate_kept[:, estate_curve]
            out[self.rows] = self._look_up(self.kept * common[:, None, :])
        return out

    def weigh_blocks(self, curve: IntArray, estate_curve: int) -> FloatArray:
        """Log likelihood (B, K) of every curve of a block, given the other curves."""
        out = np.zeros((self.size[1], self.size[2]))
        if self.rows.size:
            place = np.arange(self.rows.size)
            own = self.kept[place, curve[self.rows]] * self.estate_kept[:, estate_curve]
            np.add.at(out, self.blocks[self.rows], self._look_up(self.block_kept * own[:, None, :]))
        return out

    def weigh_estate(self, curve: IntArray, block_curve: IntArray) -> FloatArray:
        """Log likelihood (K) of every curve of the estate, given the other curves."""
        if not self.rows.size:
            return np.zeros(self.size[2])
        place = np.arange(self.rows.size)
        own = self.kept[place, curve[self.rows]] * self.block_kept[place, block_curve[self.blocks[self.rows]]]
        return np.asarray(self._look_up(self.estate_kept * own[:, None, :]).sum(axis=0))

    def _look_up(self, kept: FloatArray) -> FloatArray:
        bins = np.rint(100 * (1 - kept)).astype(np.int64)
        rows, counts = self.fit.shape[:2]
        return np.asarray(
            self.fit[np.arange(rows)[:, None, None], np.arange(counts)[None, None, :], bins].sum(axis=2)
        )


def _counts(stand: pd.DataFrame | None) -> dict[str, pd.DataFrame]:
    if stand is None or stand.empty:
        return {}
    ill = stand[stand["symptomatic_pct"].notna() & (stand["vines"].fillna(0) > 0)]
    return {str(zone): own for zone, own in ill.groupby("zone_id")}


def _tabulate(table: pd.DataFrame) -> FloatArray:
    """Log likelihood (count, loss in %) of the counts of one zone."""
    vines = effective_vines(table["vines"].to_numpy(dtype=float))
    worth = np.minimum(vines, LARGEST_SAMPLE)[:, None]
    seen = worth * table["symptomatic_pct"].to_numpy(dtype=float)[:, None] / 100
    mean = np.clip(BACKGROUND_SYMPTOMS + _LOSSES, BACKGROUND_SYMPTOMS, 0.95)
    size = np.interp(_LOSSES, [0.0, CLEAR_LOSS], [SOUND_CONCENTRATION, CONCENTRATION])
    fit = special.betaln(seen + mean * size, worth - seen + (1 - mean) * size)
    return np.asarray(fit - special.betaln(mean * size, (1 - mean) * size))
