"""One figure per zone, 0 to 100, with its parts shown: how sound the vines are, and how full and steady."""

from __future__ import annotations

import numpy as np
import pandas as pd

# Weights and the yearly loss that takes all points of the trend: common practice, no source.
WEIGHTS = {"output": 40.0, "stand": 20.0, "symptoms": 15.0, "vigour": 10.0, "trend": 15.0}
WORST_TREND_PCT_PER_YEAR = 10.0
BEST = 0.9  # quantile of a variety's zones that stands for a full canopy
NAMES = {
    "output": "output per standing vine",
    "stand": "count of missing vines",
    "symptoms": "count of symptoms",
    "vigour": "image of the canopy",
    "trend": "trend",
}


def score_health(table: pd.DataFrame) -> pd.DataFrame:
    """Score zones from 0 to 100.

    The score is the weighted mean of the parts that are known, each 0 to 100::

        output    100 - vine_loss_pct                           weight 40
        stand     100 - missing_pct                             weight 20
        symptoms  100 - symptomatic_pct                         weight 15
        vigour    vigour_pct (within 0-100)                     weight 10
        trend     100 - 10 decline_pct_per_year (within 0-100)  weight 15

    so it never rises when a loss, the missing, the symptoms or the yearly decline rise, or vigour falls. A
    part that is not known takes no part, its weight goes to the others, and the text column says so.

    It tells how sound the vines are, and is not the share of the crop that is left (100 - loss_pct): sound
    vines that hold, a fifth of whose neighbours are missing, score about 95 although a fifth of the crop is
    gone. What to do about gaps follows from the loss and the money, never from this score.

    Parameters
    ----------
    table : pandas.DataFrame
        vine_loss_pct, missing_pct, symptomatic_pct [%], decline_pct_per_year [% a year] and, where an image
        was taken, vigour_pct (`compare_vigour`) [%]; NaN where not known.

    Returns
    -------
    pandas.DataFrame
        health_score, score_output, score_stand, score_symptoms, score_vigour, score_trend (0-100) and
        score_lacks (text), on the index of `table`.

    Examples
    --------
    >>> seen = pd.DataFrame({"vine_loss_pct": [0.0, 40.0, 0.0], "missing_pct": [0.0, np.nan, 20.0],
    ...     "symptomatic_pct": [0.0, 30.0, np.nan], "decline_pct_per_year": [0.0, 5.0, 0.0]})
    >>> score_health(seen)["health_score"].round(1).tolist()
    [100.0, 60.0, 94.7]
    >>> score_health(seen)["score_lacks"].iloc[1]
    'count of missing vines, image of the canopy'
    """
    parts = pd.DataFrame({
        "output": 100 - _numbers(table, "vine_loss_pct"),
        "stand": 100 - _numbers(table, "missing_pct"),
        "symptoms": 100 - _numbers(table, "symptomatic_pct"),
        "vigour": _numbers(table, "vigour_pct"),
        "trend": 100 - 100 / WORST_TREND_PCT_PER_YEAR * _numbers(table, "decline_pct_per_year"),
    }).clip(0, 100)  # fmt: skip
    weights = parts.notna().mul(pd.Series(WEIGHTS))
    score = parts.fillna(0.0).mul(weights).sum(axis=1) / weights.sum(axis=1).replace(0.0, np.nan)
    lacks = [", ".join(NAMES[str(name)] for name in parts if not known[name])
             for known in parts.notna().to_dict("records")]  # fmt: skip
    out = parts.add_prefix("score_")
    out.insert(0, "health_score", score)
    out["score_lacks"] = pd.Series(lacks, index=table.index, dtype=object)
    return out


def compare_vigour(vigour: pd.DataFrame, zones: pd.DataFrame) -> pd.Series:
    """Compare the canopy of every zone with that of the best zones of its variety in the same image.

    Parameters
    ----------
    vigour : pandas.DataFrame
        zone_id, vintage, value: mean of a vegetation index or canopy size over the zone; the latest counts.
    zones : pandas.DataFrame
        zone_id, variety.

    Returns
    -------
    pandas.Series
        By zone_id [%]: 100 is the ninth decile of the zones of the variety. Only zones with an image, and
        another zone of the variety in it to compare with.

    Examples
    --------
    >>> vigour = pd.DataFrame({"zone_id": ["A-Z1", "A-Z2"], "vintage": 2026, "value": [0.6, 0.3]})
    >>> zones = pd.DataFrame({"zone_id": ["A-Z1", "A-Z2"], "variety": "Shiraz"})
    >>> compare_vigour(vigour, zones).round(0).to_dict()
    {'A-Z1': 105.0, 'A-Z2': 53.0}
    """
    latest = vigour.sort_values("vintage").drop_duplicates("zone_id", keep="last").set_index("zone_id")
    latest["variety"] = zones.set_index("zone_id")["variety"].reindex(latest.index)
    best = latest.groupby(["variety", "vintage"])["value"].transform(lambda one: one.quantile(BEST))
    others = latest.groupby(["variety", "vintage"])["value"].transform("size") > 1
    share: pd.Series = (100 * latest["value"] / best)[others]
    return share


def _numbers(table: pd.DataFrame, name: str) -> pd.Series:
    """Column as floats; all NaN where there is none."""
    if name not in table.columns:
        return pd.Series(np.nan, index=table.index)
    return pd.to_numeric(table[name], errors="coerce").astype(float)
