"""From draws to the tables that go out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from vinemap.decline.cause import describe_causes
from vinemap.decline.curves import FloatArray, IntArray
from vinemap.decline.forecast import (
    DECLINE_STARTS_PCT,
    DeclineDraws,
    Paths,
    Posterior,
    lost_by,
    onset_mode,
    yearly_decline,
)
from vinemap.decline.health import compare_vigour, score_health
from vinemap.decline.layout import BoolArray, Layout
from vinemap.decline.sampler import SD_NAMES, ChainDraws
from vinemap.decline.stand import Stand
from vinemap.decline.trend import sen_slope

SLOPE_COLUMNS = ("name", "median", "low", "high")
INTERVAL = (5, 50, 95)  # quantiles of the 90 % interval and the median [%]


def quantiles(values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Take low, median and high over the draws.

    Parameters
    ----------
    values : float array (draw, ...)

    Returns
    -------
    low, median, high : float array (...)
        5, 50 and 95 %.
    """
    low, median, high = np.percentile(values, INTERVAL, axis=0)
    return low, median, high


def zone_figures(
    paths: Paths, standing: Stand, made: DeclineDraws, restarts: Mapping[int, float], vintages: IntArray
) -> pd.DataFrame:
    """Summarise the draws of some zones, one line each.

    Parameters
    ----------
    paths : Paths
    standing : Stand
    made : DeclineDraws
        All of the same zones (Z).
    restarts : mapping of int to float
        First vintage after the renewal, by place of the zone among these.
    vintages : int array (V,)

    Returns
    -------
    pandas.DataFrame
        The decline columns of `tables.ZONE` that follow from draws alone, and chance_declining (0-1),
        stand_loss_pct, vine_loss_pct, onset_low, onset_high, renewed_year, recovery_pct.
    """
    last = int(vintages[-1])
    now = paths.column(last)
    loss = quantiles(lost_by(paths, last))
    yearly = yearly_decline(paths, last_vintage=last) + 0.0  # never -0.0
    fall = quantiles(yearly)
    declining = yearly > DECLINE_STARTS_PCT
    chance = declining.mean(axis=0)
    stand_loss = 100 * np.median(1 - paths.stand_kept[..., now], axis=0)
    out = pd.DataFrame({
        "zone_id": made.zone_ids,
        "yield_healthy_t_ha": np.median(made.healthy_t_ha, axis=0),
        "yield_now_t_ha": np.median(made.now_t_ha, axis=0),
        "loss_pct": loss[1], "loss_pct_low": loss[0], "loss_pct_high": loss[2],
        "decline_pct_per_year": fall[1], "decline_pct_per_year_low": fall[0],
        "decline_pct_per_year_high": fall[2],
        "chance_declining": chance,
        "stand_loss_pct": np.where(standing.counted, stand_loss, np.nan),
        "vine_loss_pct": 100 * np.median(1 - paths.vine_kept[..., now], axis=0),
        "missing_pct": np.where(standing.counted, 100 * standing.missing[:, now], np.nan),
        "symptomatic_pct": 100 * standing.symptomatic,
    })  # fmt: skip
    return out.assign(**_onsets(paths, declining, chance, vintages), **_recovery(paths, restarts, now))


def zone_table(
    figures: pd.DataFrame,
    zone_vintage: pd.DataFrame,
    zones: pd.DataFrame,
    machine_changes: pd.DataFrame | None = None,
    *,
    vigour: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Give the decline columns of `tables.ZONE` and those of `Decline`: figures, causes and scores.

    Parameters
    ----------
    figures : pandas.DataFrame
        As `zone_figures` gives them, all zones in the order of `zones`.
    zone_vintage, zones, machine_changes : pandas.DataFrame
        As `fit_decline` takes them.
    vigour : pandas.DataFrame, optional
        zone_id, vintage and value of canopy images, where there are any.

    Returns
    -------
    pandas.DataFrame
        One row a zone.
    """
    counts = zone_vintage[zone_vintage["yield_t_ha"].notna()].groupby("zone_id")["vintage"].nunique()
    out = figures.copy()
    out.insert(1, "block_id", zones["block_id"].to_numpy())
    seen_in = zones["zone_id"].map(counts).fillna(0).astype("Int64").to_numpy()
    out.insert(2, "vintages", seen_in)
    after = list(out.columns).index("symptomatic_pct") + 1
    out.insert(after, "sen_slope_pct_per_year", _plain_slopes(zone_vintage, out["zone_id"].tolist()))
    seen = (out["vintages"] > 1) | out["symptomatic_pct"].notna() | out["renewed_year"].notna()
    out = out.join(describe_causes(out, zones, machine_changes=machine_changes, seen=seen))
    if vigour is not None and len(vigour):
        out["vigour_pct"] = out["zone_id"].map(compare_vigour(vigour, zones))
    scored = score_health(out)
    return out.join(scored.drop(columns=[name for name in scored if name in out.columns]))


def _onsets(paths: Paths, declining: BoolArray, chance: FloatArray, vintages: IntArray) -> dict[str, Any]:
    """Onset of every zone that likely declines, with its 90 % interval; empty for the others."""
    first, last = int(vintages[0]), int(vintages[-1])
    mode, low, high = (np.full(chance.size, np.nan) for _ in range(3))
    for zone in np.flatnonzero((chance > 0.5) & (vintages.size > 1)):
        mode[zone] = onset_mode(paths.onset[:, zone], declining[:, zone], first=first, last=last)
        usable = paths.onset[declining[:, zone], zone]
        usable = usable[np.isfinite(usable)]
        if usable.size:
            low[zone], high[zone] = np.round(np.percentile(usable, (5, 95)))
    return {"onset_vintage": pd.array(mode, dtype="Int64"), "onset_low": pd.array(low, dtype="Int64"),
            "onset_high": pd.array(high, dtype="Int64")}  # fmt: skip


def _recovery(paths: Paths, restarts: Mapping[int, float], now: int) -> dict[str, Any]:
    """Year of renewal, and yield now over healthy [%], of renewed zones."""
    zones = paths.healthy.shape[1]
    year, share = np.full(zones, np.nan), np.full(zones, np.nan)
    for zone, first_vintage in restarts.items():
        year[zone] = first_vintage - 1
        if first_vintage <= paths.years[now]:
            share[zone] = 100 * np.median(paths.kept[:, zone, now])
    return {"renewed_year": pd.array(year, dtype="Int64"), "recovery_pct": share}


def _plain_slopes(zone_vintage: pd.DataFrame, zone_ids: list[str]) -> FloatArray:
    """Sen's slope of yield in % of the zone's median a year: what a grower would plot, seasons and all."""
    slopes = np.full(len(zone_ids), np.nan)
    groups = dict(list(zone_vintage.dropna(subset=["yield_t_ha"]).groupby("zone_id")))
    for row, zone in enumerate(zone_ids):
        if zone in groups and groups[zone]["vintage"].nunique() > 1:
            amount, when = (groups[zone][name].to_numpy(dtype=float) for name in ("yield_t_ha", "vintage"))
            slopes[row] = 100 * sen_slope(amount, when) / np.median(amount)
    return slopes


def expected_yields(posterior: Posterior, layout: Layout, healthy: FloatArray, block: IntArray) -> FloatArray:
    """Give the median yield of healthy, full zones by vintage, the season in it.

    Parameters
    ----------
    posterior : Posterior
    layout : Layout
    healthy : float array (draw, Z)
        Yield in an average season if healthy and full [t/ha].
    block : int array (Z,)
        Place of the block of each zone.

    Returns
    -------
    float array (Z, V)
        [t/ha]
    """
    several = posterior.season.shape[1] > 1
    season = posterior.season[:, layout.variety[block] if several else np.zeros_like(block)]
    together = season + posterior.block_season[:, block]
    return np.asarray(np.median(healthy[..., None] * np.exp(together), axis=0))


def zone_vintage_table(
    zone_vintage: pd.DataFrame, zones: pd.DataFrame, vintages: IntArray, expected: FloatArray
) -> pd.DataFrame:
    """Set each yield beside what a healthy, full zone would have yielded that vintage.

    Parameters
    ----------
    zone_vintage : pandas.DataFrame
        As `fit_decline` takes it; not altered.
    zones : pandas.DataFrame
        zone_id (Z).
    vintages : int array (V,)
    expected : float array (Z, V)
        As `expected_yields` gives it [t/ha].

    Returns
    -------
    pandas.DataFrame
        `tables.ZONE_VINTAGE`.
    """
    out = zone_vintage.reset_index(drop=True).copy()
    row = out["zone_id"].map({name: i for i, name in enumerate(zones["zone_id"])}).to_numpy()
    out["expected_t_ha"] = expected[row, np.searchsorted(vintages, out["vintage"].to_numpy())]
    out["relative_yield"] = out["yield_t_ha"] / out["expected_t_ha"]
    if "readings" not in out:
        out["readings"] = 0
    first = [
        "zone_id",
        "vintage",
        "yield_t_ha",
        "yield_se_t_ha",
        "expected_t_ha",
        "relative_yield",
        "readings",
    ]
    return out[first + [name for name in out.columns if name not in first]]


def forecast_table(zone_ids: list[str], years: IntArray, keep_t_ha: FloatArray) -> pd.DataFrame:
    """Give the forecast as a table.

    Parameters
    ----------
    zone_ids : list of str
        Zones (Z).
    years : int array (Y,)
    keep_t_ha : float array (3, Z, Y)
        Low, median and high [t/ha].

    Returns
    -------
    pandas.DataFrame
        `tables.ZONE_FORECAST`.
    """
    low, median, high = keep_t_ha
    return pd.DataFrame({
        "zone_id": np.repeat(np.array(zone_ids, dtype=object), years.size),
        "year": np.tile(years, len(zone_ids)),
        "keep_t_ha": median.ravel(), "keep_low": low.ravel(), "keep_high": high.ravel(),
    })  # fmt: skip


def effects_table(layout: Layout, chains: list[ChainDraws]) -> pd.DataFrame:
    """Summarise the seasons by variety, against an average season.

    Parameters
    ----------
    layout : Layout
    chains : list of ChainDraws

    Returns
    -------
    pandas.DataFrame
        vintage, variety, effect_pct, low, high [%], 90 % interval.
    """
    season = np.concatenate([np.array(one.season) for one in chains])
    low, median, high = quantiles(100 * np.expm1(season))
    names = layout.varieties if season.shape[1] > 1 else ["; ".join(one for one in layout.varieties if one)]
    return pd.DataFrame({
        "vintage": np.tile(layout.vintages, len(names)), "variety": np.repeat(names, layout.vintages.size),
        "effect_pct": median.ravel(), "low": low.ravel(), "high": high.ravel(),
    })  # fmt: skip


def scales_table(chains: list[ChainDraws]) -> pd.DataFrame:
    """Summarise the standard deviations of the model.

    Parameters
    ----------
    chains : list of ChainDraws

    Returns
    -------
    pandas.DataFrame
        name, median, low, high (log scale), 90 % interval.
    """
    low, median, high = quantiles(np.concatenate([np.array(one.sd) for one in chains]))
    return pd.DataFrame({"name": SD_NAMES, "median": median, "low": low, "high": high})


def slopes_table(layout: Layout, names: list[str], chains: list[ChainDraws]) -> pd.DataFrame:
    """Summarise the slopes of what was adjusted for and of the signs of the loss.

    Parameters
    ----------
    layout : Layout
    names : list of str
        Signs that were used.
    chains : list of ChainDraws

    Returns
    -------
    pandas.DataFrame
        name, median, low, high, 90 % interval.
    """
    low, median, high = quantiles(np.concatenate([np.array(one.slope) for one in chains]))
    everything = [*layout.adjusted_for, *names]
    return pd.DataFrame({"name": everything, "median": median, "low": low, "high": high})[[*SLOPE_COLUMNS]]
