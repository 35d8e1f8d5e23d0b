"""Measure the decline model on invented estates with known truth, beside plain practice.

Run as ``python scripts/bench_decline.py [estates per scenario]``; `scripts/bench.py decline` calls `measure`.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable

import numpy as np
import pandas as pd

from vinemap.decline import fit_decline
from vinemap.simulate.scenarios import SCENARIOS
from vinemap.simulate.series import ZoneSeries, simulate_zone_series

CLAIM = 0.8  # chance of decline from which a zone is claimed as declining
COVERED_PCT = 90


def measure(
    scenarios: Iterable[str] = tuple(SCENARIOS),
    *,
    estates: int = 4,
    vintages: int | None = None,
    counted: bool = True,
    seed: int = 1,
    draws: int = 400,
) -> pd.DataFrame:
    """Fit every scenario's estates and put estimate and truth side by side, one row a zone."""
    tables = []
    for number, scenario in enumerate(scenarios):
        for estate in range(estates):
            rng = np.random.default_rng([seed, number, estate, vintages or 0])
            made = simulate_zone_series(scenario, rng=rng, vintages=vintages, counted=counted)
            started = time.perf_counter()
            found = fit_decline(
                made.zone_vintage, made.zones, settlement=made.settlement, stand=made.stand,
                renewals=made.renewals, horizon_year=2046, draws=draws, rng=rng,
            )  # fmt: skip
            seconds = time.perf_counter() - started
            joined = found.zones.merge(made.truth, on=["zone_id", "block_id"], suffixes=("", "_true"))
            joined["plain_loss_pct"] = joined["block_id"].map(plain_block_loss(made))
            joined = joined.join(_forecast_ten_years(found.forecast, made.truth_future), on="zone_id")
            joined["future_inside"] = _inside_future(found.forecast, made.truth_future).to_numpy()
            tables.append(joined.assign(scenario=scenario, estate=f"{scenario}-{estate}", seconds=seconds))
    return pd.concat(tables, ignore_index=True)


def plain_block_loss(made: ZoneSeries) -> pd.Series:
    """Loss by plain practice: area-weighted block mean regressed on year, fall over the series [%]."""
    table = made.zone_vintage.merge(made.zones[["zone_id", "block_id", "area_ha"]], on="zone_id")
    table["tonnes"] = table["yield_t_ha"] * table["area_ha"]
    summed = table.groupby(["block_id", "vintage"])[["tonnes", "area_ha"]].sum()
    mean = (summed["tonnes"] / summed["area_ha"]).rename("yield_t_ha").reset_index()
    losses = {}
    for block, own in mean.groupby("block_id"):
        if len(own) < 2:
            losses[block] = 0.0
            continue
        slope, start = np.polyfit(own["vintage"] - own["vintage"].min(), own["yield_t_ha"], 1)
        span = float(np.ptp(own["vintage"]))
        losses[block] = float(np.clip(-100 * slope * span / max(start, 1e-6), 0, 100))
    return pd.Series(losses)


def _forecast_ten_years(forecast: pd.DataFrame, future: pd.DataFrame) -> pd.DataFrame:
    joined = forecast.merge(future, on=["zone_id", "year"], suffixes=("", "_true"))
    ten = joined[joined["year"] == joined["year"].min() + 9].set_index("zone_id")
    return ten[["keep_t_ha", "keep_t_ha_true"]]


def _inside_future(forecast: pd.DataFrame, future: pd.DataFrame) -> pd.Series:
    joined = forecast.merge(future, on=["zone_id", "year"], suffixes=("", "_true"))
    inside = joined["keep_t_ha_true"].between(joined["keep_low"], joined["keep_high"])
    return inside.groupby(joined["zone_id"], sort=False).mean()


def area_under_curve(score: pd.Series, truth: pd.Series) -> float:
    """Area under the ROC curve by the rank sum; NaN where only one class is present."""
    positive = truth.to_numpy(dtype=bool)
    if positive.all() or not positive.any():
        return float("nan")
    ranks = score.rank().to_numpy()
    count = positive.sum()
    return float((ranks[positive].sum() - count * (count + 1) / 2) / (count * (~positive).sum()))


def summarise(table: pd.DataFrame) -> pd.Series:
    """Give the figures of one group of zones."""
    ranked = table[~table["borderline"] & (table["renewed_year_true"] == 0)]
    sound = table[(table["trouble"] == "") & (table["renewed_year_true"] == 0)]
    error = (table["loss_pct"] - table["loss_pct_true"]).abs()
    plain = (table["plain_loss_pct"] - table["loss_pct_true"]).abs()
    return pd.Series({
        "zones": len(table),
        "cover_loss": table["loss_pct_true"].between(table["loss_pct_low"], table["loss_pct_high"]).mean(),
        "cover_decline": table["decline_pct_per_year_true"].between(
            table["decline_pct_per_year_low"], table["decline_pct_per_year_high"]).mean(),
        "cover_future": table["future_inside"].mean(),
        "auc": area_under_curve(ranked["chance_declining"] + 1e-4 * ranked["loss_pct"], ranked["declining"]),
        "claimed_sound_pct": 100 * (sound["chance_declining"] > CLAIM).mean(),
        "found_pct": 100 * (ranked.loc[ranked["declining"], "chance_declining"] > CLAIM).mean(),
        "mae_loss": error.mean(),
        "mae_plain": plain.mean(),
        "bias": (table["loss_pct"] - table["loss_pct_true"]).mean(),
        "bias_declining": (table["loss_pct"] - table["loss_pct_true"])[table["declining"]].mean(),
        "seconds": table.groupby("estate")["seconds"].first().mean(),
    })  # fmt: skip


def report(table: pd.DataFrame) -> pd.DataFrame:
    """Figures by scenario, and over all."""
    rows = {name: summarise(own) for name, own in table.groupby("scenario", sort=False)}
    rows["ALL"] = summarise(table)
    return pd.DataFrame(rows).T


def main() -> None:
    estates = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    pd.set_option("display.width", 200)
    for vintages in (8, 5):
        for counted in (True, False):
            print(f"\n{vintages} vintages, stand {'counted' if counted else 'not counted'}:")
            names = [name for name in SCENARIOS if name not in {"many_blocks", "few_vintages"}]
            table = measure(names, estates=estates, vintages=vintages, counted=counted)
            print(report(table).round(2).to_string())


if __name__ == "__main__":
    main()
