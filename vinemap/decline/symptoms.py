"""What counted symptoms say about the loss: a beta-binomial likelihood, tabulated by loss."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from vinemap.decline.curves import FloatArray, IntArray
from vinemap.decline.evidence import Evidence
from vinemap.decline.layout import Layout
from vinemap.decline.stand import BACKGROUND_SYMPTOMS, effective_vines
from vinemap.decline.turns import add_symptoms

LARGEST_SAMPLE = 30.0  # symptoms say little about loss beyond the sampling: cap on the vines' worth
SYMPTOMS_LEAD_YEARS = 3  # symptoms run ahead of crop loss (Kaplan et al. 2016: losses follow first symptoms)
CONCENTRATION = 4.0  # how closely symptoms follow the loss; weak on purpose, no source
SOUND_CONCENTRATION = 12.0
CLEAR_LOSS = 0.05
_LOSSES = np.arange(101) / 100


class SymptomTable(Evidence):
    """Log likelihood of the counts of symptoms under every curve.

    The share of vines with symptoms in a count is beta-binomial about 3 % plus the loss three years later: a
    vine shows symptoms before it has lost all of its crop, and Munkvold et al. 1994 found the loss to be 0.90
    to 0.99 of the share of spurs that is dead, so that symptoms cannot fall far short of the loss to come.

    Parameters
    ----------
    layout : Layout
    years : int array (T,)
        Yearly axis of the curves.
    stand : pandas.DataFrame or None
        zone_id, vintage, symptomatic_pct, vines (looked at).
    zone_ids : list of str

    References
    ----------
    Munkvold, Duthie and Marois 1994, Phytopathology 84:186-192.
    """

    def __init__(
        self, layout: Layout, years: IntArray, stand: pd.DataFrame | None, zone_ids: list[str]
    ) -> None:
        counts = _counts(stand)
        renewed = layout.renewed
        rows = [row for row, one in enumerate(layout.series)
                if one.zone not in renewed and zone_ids[one.zone] in counts]  # fmt: skip
        self.rows = np.array(rows, dtype=np.int64)
        tables = [counts[zone_ids[layout.series[row].zone]] for row in self.rows]
        most = max((len(one) for one in tables), default=0)
        self.fit = np.zeros((self.rows.size, most, _LOSSES.size))
        self.when = np.zeros((self.rows.size, most), dtype=np.int64)  # column of the yearly axis
        for place, table in enumerate(tables):
            when = table["vintage"].to_numpy() + SYMPTOMS_LEAD_YEARS - years[0]
            self.when[place, : len(table)] = np.clip(when, 0, years.size - 1)
            self.fit[place, : len(table)] = _tabulate(table)

    def weigh(self, candidates: FloatArray, owner: IntArray, rest: FloatArray, fit: FloatArray) -> None:
        """Add the log likelihood of candidates (n, J, W) to `fit` (n, J); see `Evidence.weigh`."""
        if self.rows.size:
            add_symptoms(candidates, owner[self.rows], rest[self.rows], self.when, self.fit, fit)


def _counts(stand: pd.DataFrame | None) -> dict[str, pd.DataFrame]:
    """Split the counts of symptoms by zone."""
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
