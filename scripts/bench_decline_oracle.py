"""How well could anyone do without counts? A reader who knows how the estates were invented, on yields alone.

Run: python scripts/bench_decline_oracle.py [--estates 4] [--seed 9101] [--vintages 5 8] [--courses 800]

For each block in turn the reader knows the truth of all other blocks, every scale of the noise, the size of
every settlement error and the scenario with its chance that a block is hit. Unknown are only the level
of the block and what happened in it: courses are drawn from the scenario itself and weighed by the exact
likelihood. No method that has to learn all of this from the yields can rank zones better, but for the noise
of drawing.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from bench_decline import area_under_curve, plain_block_loss

from vinemap.simulate.scenarios import SCENARIOS, Scenario, choose_troubles
from vinemap.simulate.series import Noise, ZoneSeries, simulate_zone_series, true_state

SPREADING = ("focal", "row_wise", "whole_block", "late_onset")
HIT_SHARE = 0.45  # of the blocks, as the scenarios have it
LEVEL, BLOCK_SD, SOIL_SD = np.log(21.0), 0.15, 0.12  # of log yield, as the scenarios lay zones out
BEFORE = 3  # years before the first vintage that the truth holds


@dataclass(frozen=True, slots=True)
class _Known:
    """Log yields of all zones with their covariance: block of each value, residual against the truth."""

    log_yield: np.ndarray  # (Z, V)
    covariance: np.ndarray  # (Z V, Z V)
    residual: np.ndarray  # (Z V,), the truth of every zone taken off
    block: np.ndarray  # (Z V,)
    years: np.ndarray


def read_known(made: ZoneSeries) -> _Known:
    """Arrange the yields of an estate and the covariance they were invented with."""
    zones, noise = made.zones, Noise()
    years = np.sort(made.zone_vintage["vintage"].unique())
    log = np.log(made.zone_vintage["yield_t_ha"].to_numpy()).reshape(len(zones), years.size)
    share = (made.zone_vintage["yield_se_t_ha"] / made.zone_vintage["yield_t_ha"]).to_numpy()
    block, names = pd.factorize(zones["block_id"])
    factor = made.settlement.pivot(index="block_id", columns="vintage", values="factor_se").loc[names]
    zone, vintage = np.divmod(np.arange(log.size), years.size)
    same = {
        name: codes[:, None] == codes
        for name, codes in {
            "zone": zone, "vintage": vintage, "block": block[zone],
            "variety": pd.factorize(zones["variety"])[0][zone],
        }.items()
    }  # fmt: skip
    season = noise.vintage**2 + noise.variety**2 * same["variety"]
    known = factor.to_numpy()[block[zone], vintage][:, None] ** 2
    season = season + (noise.block**2 + known) * same["block"]
    covariance = season * same["vintage"] + BLOCK_SD**2 * same["block"] + SOIL_SD**2 * same["zone"]
    covariance[np.diag_indices(log.size)] += noise.zone**2 + share**2
    kept = made.truth_vintage["loss_pct"].to_numpy().reshape(log.shape)
    residual = (log - LEVEL - np.log1p(-np.minimum(kept, 99.9) / 100)).ravel()
    return _Known(log, covariance, residual, block[zone], years)


def judge_block(
    made: ZoneSeries, known: _Known, place: int, plan: Scenario, *, courses: int, rng: np.random.Generator
) -> pd.DataFrame:
    """Chance of declining and median loss of the zones of one block, beside the truth."""
    own, others = known.block == place, known.block != place
    weights = np.linalg.solve(known.covariance[np.ix_(others, others)], known.covariance[np.ix_(others, own)])
    centre = LEVEL + known.residual[others] @ weights
    left = known.covariance[np.ix_(own, own)] - known.covariance[np.ix_(own, others)] @ weights
    inverse = np.linalg.inv(left)
    values = known.log_yield.ravel()[own] - centre
    name = made.zones["block_id"].unique()[place]
    zones = made.zones[made.zones["block_id"] == name].reset_index(drop=True)
    prior = np.r_[np.full(courses, HIT_SHARE / courses), 1 - HIT_SHARE]
    fits, declining, lost = [], [], []
    for number in range(courses + 1):
        kept, falls = _draw_course(plan, zones, known.years, sick=number < courses, rng=rng)
        error = values - np.log(kept).ravel()
        fits.append(-0.5 * error @ inverse @ error)
        declining.append(falls)
        lost.append(100 * (1 - kept[:, -1]))
    weight = prior * np.exp(np.array(fits) - max(fits))
    weight /= weight.sum()
    truth = made.truth[made.truth["block_id"] == name]
    return truth.assign(chance=weight @ np.array(declining), loss=_median(np.array(lost), weight))


def _draw_course(
    plan: Scenario, zones: pd.DataFrame, years: np.ndarray, *, sick: bool, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Share kept (Z, V) and whether each zone declines, as the scenario makes a block that is hit, or not."""
    while True:
        trouble = choose_troubles(plan if sick else replace(plan, disease=""), zones, years=years, rng=rng)
        if not sick or (trouble["trouble"] != "").any():
            break
    state = true_state(zones, trouble, years, 1)
    now = BEFORE + years.size - 1
    falls = (state.disease[:, now] >= 0.10) & (state.disease[:, now] > state.disease[:, now - 3])
    return np.maximum(state.keep[:, BEFORE : now + 1], 1e-3), falls


def _median(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    order = np.argsort(values, axis=0)
    summed = np.cumsum(weight[order], axis=0)
    pick = (summed < 0.5).sum(axis=0)
    return np.take_along_axis(values, order, axis=0)[pick, np.arange(values.shape[1])]


def measure(scenario: str, *, vintages: int, estates: int, courses: int, seed: int) -> pd.DataFrame:
    """Judge every block of some estates; one row a zone."""
    tables = []
    for estate in range(estates):
        rng = np.random.default_rng([seed, list(SCENARIOS).index(scenario), estate, vintages])
        made = simulate_zone_series(scenario, rng=rng, vintages=vintages, counted=False)
        known, plain = read_known(made), plain_block_loss(made)
        for place in range(made.zones["block_id"].nunique()):
            judged = judge_block(made, known, place, SCENARIOS[scenario], courses=courses, rng=rng)
            tables.append(judged.assign(plain=judged["block_id"].map(plain)))
    return pd.concat(tables, ignore_index=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--estates", type=int, default=4)
    parser.add_argument("--seed", type=int, default=9101)
    parser.add_argument("--vintages", type=int, nargs="+", default=[5, 8])
    parser.add_argument("--courses", type=int, default=800)
    given = parser.parse_args()
    print(
        "| vintages | scenario | zones | AUC | error of loss, points | plain practice's |\n"
        + "| --- " * 6
        + "|"
    )
    for vintages in given.vintages:
        tables = {
            name: measure(
                name, vintages=vintages, estates=given.estates, courses=given.courses, seed=given.seed
            )
            for name in SPREADING
        }
        for name, table in (tables | {"ALL": pd.concat(tables.values())}).items():
            ranked = table[~table["borderline"]]
            auc = area_under_curve(ranked["chance"], ranked["declining"])
            error, plain = ((table[one] - table["loss_pct"]).abs().mean() for one in ("loss", "plain"))
            print(
                f"| {vintages} | {name} | {len(table)} | {auc:.2f} | {error:.1f} | {plain:.1f} |", flush=True
            )


if __name__ == "__main__":
    main()
