"""Measure decisions on invented estates with known truth, beside what people do now.

Net present value lost against perfect knowledge, as a share of perfect knowledge's gain over always keeping.
Run as ``python scripts/bench_decision.py [estates per scenario] [seed]``; scripts/bench.py decision calls it.

Perfect knowledge knows every zone's healthy yield, stand, symptoms and future; prices, costs and takes are as
uncertain to it as to everyone, and the same draws judge all. Two ways of using vinemap are measured: decided
once, for all winters ahead, with no second thoughts; and decided anew every winter for six winters, each
time with the vintage that has come in, doing only what is due that winter (the plan of the sixth is then
carried out). Later vintages are drawn from the true future with the generator's noise; nobody counts vines
again in them, and nobody scouts, so both figures are on the cautious side. Each is given for programmes by
expected value alone and with a chance that it pays asked for. Mobilisation is shared within a block for all.

Part of what a chance asked for gives away is given away knowingly: prices, costs and takes stay uncertain
even to perfect knowledge, which loses too if it renews only where the chance is high. That is printed beside.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from vinemap.decline import fit_decline
from vinemap.renewal import Money, Valuation, decide_zones, default_methods, plan_programme, value_options
from vinemap.renewal.decide import CHANCE_THRESHOLD
from vinemap.renewal.example import ExampleDraws
from vinemap.simulate.series import Noise, ZoneSeries, simulate_zone_series

SCENARIOS = (
    "focal",
    "row_wise",
    "whole_block",
    "late_onset",
    "weak_soil",
    "missing_only",
    "renewed",
    "mixed",
)
HORIZON_YEARS = 25
START_YEARS = 15
VINES_PER_HA, ROW_SPACING_M = 1587.0, 3.0  # 3.0 x 2.1 m
AGES = (12, 15, 18, 20, 25)  # [years] practice "at a fixed age": a mid-life redo near 15 [P]
TONNAGES = (8.0, 10.0, 12.0, 14.0, 16.0)  # [t/ha] practice "when the block falls below"
FIRST_WINTER = 2026
EXPECTED = "programme by expected value"
CHANCES = (0.5, 0.6, 0.7, 0.8, 0.9)  # asked for; the settings' default is CHANCE_THRESHOLD
ANEW = "decided anew each winter"
WINTERS = 6  # in which the decision is taken anew
SEED = 606  # not one that any default was chosen on (11 was used for that)
ESTATES, PROCESSES = 5, 2

Choice = tuple[str, str, int]  # zone, method, winter


@dataclass(frozen=True, slots=True)
class Outcome:
    """Value of each policy on one estate, by truth [currency]."""

    scenario: str
    estate: int
    vintages: int
    values: dict[str, float]
    seconds: float


def asking(chance: float) -> str:
    """Name the programme that asks for this chance."""
    return f"programme with a chance of at least {chance:g}"


def run_estate(
    scenario: str,
    estate: int,
    *,
    vintages: int,
    winters: int = WINTERS,
    counted: bool = True,
    draws: int = 400,
    seed: int = SEED,
) -> Outcome:
    """Simulate, fit, value and decide one estate; judge every policy by the truth."""
    rng = np.random.default_rng([seed, SCENARIOS.index(scenario), estate, vintages])
    made = simulate_zone_series(
        scenario, rng=rng, vintages=vintages, last_vintage=FIRST_WINTER, horizon_years=HORIZON_YEARS,
        counted=counted,
    )  # fmt: skip
    made = observe_ahead(made, winters - 1, rng)
    zones = zone_table(made)
    truth = value(truth_draws(made, draws), zones, FIRST_WINTER)
    begin = time.perf_counter()
    once = decide(made, zones, FIRST_WINTER, draws, rng)
    seconds = time.perf_counter() - begin
    best = plan_programme(truth, zones, years=START_YEARS, shadow=False)
    anew = decide_anew(made, zones, winters, draws, rng, once)
    policies = {"perfect knowledge": choices(best.table)}
    policies["perfect knowledge that asks for the default chance"] = likely(
        truth, policies["perfect knowledge"]
    )
    policies |= {f"{name}, decided once": picked for name, picked in once.items()}
    policies |= {f"{name}, {ANEW}": picked for name, picked in anew.items()}
    policies["never renew"] = []
    policies |= {f"at age {age}": by_age(zones, age) for age in AGES}
    policies |= {f"below {tonnes:g} t/ha": by_tonnage(made, zones, tonnes) for tonnes in TONNAGES}
    values = {name: judge(truth, picked) for name, picked in policies.items()}
    return Outcome(scenario, estate, vintages, values, seconds)


def observe_ahead(made: ZoneSeries, years: int, rng: np.random.Generator) -> ZoneSeries:
    """Add vintages after the last one: the true course of every zone if kept, with the generator's noise."""
    sd = Noise()
    ahead = made.truth_future[made.truth_future["year"] <= FIRST_WINTER + years]
    table = ahead.merge(made.zones[["zone_id", "block_id", "variety"]], on="zone_id")
    table = table.rename(columns={"year": "vintage"})
    log = np.log(np.maximum(table["keep_t_ha"].to_numpy(dtype=float), 1e-3))
    keys = {"vintage": sd.vintage, "variety": sd.variety, "block_id": sd.block, "zone_id": sd.zone}
    for key, size in keys.items():
        groups = table.groupby(["vintage"] if key == "vintage" else [key, "vintage"]).ngroup().to_numpy()
        log += rng.normal(0.0, size, groups.max(initial=0) + 1)[groups]
    pairs = table[["block_id", "vintage"]].drop_duplicates().assign(factor_se=sd.settlement)
    pairs["error"] = rng.normal(0.0, sd.settlement, len(pairs))
    log += table.merge(pairs, on=["block_id", "vintage"])["error"].to_numpy() if len(table) else 0.0
    seen = np.exp(log + rng.normal(0.0, sd.sampling, len(table)))
    later = table[["zone_id", "vintage"]].assign(
        yield_t_ha=seen, yield_se_t_ha=sd.sampling * seen, readings=500
    )
    return replace(
        made,
        zone_vintage=pd.concat([made.zone_vintage, later], ignore_index=True),
        settlement=pd.concat([made.settlement, pairs.drop(columns="error")], ignore_index=True),
    )


def decide(
    made: ZoneSeries, zones: pd.DataFrame, winter: int, draws: int, rng: np.random.Generator
) -> dict[str, list[Choice]]:
    """Programmes without limits by what is known after vintage `winter`.

    One by expected value alone; others of zones whose renewal pays with the chance asked for, as assess does.
    """
    known = [one[one["vintage"] <= winter] for one in (made.zone_vintage, made.settlement, made.stand)]
    found = fit_decline(
        known[0], made.zones, settlement=known[1], stand=known[2], renewals=made.renewals,
        horizon_year=FIRST_WINTER + HORIZON_YEARS, draws=draws, rng=rng,
    )  # fmt: skip
    seen = value(found.draws, zones.merge(found.zones[["zone_id", "missing_pct"]], on="zone_id"), winter)
    advice = decide_zones(seen, zones, found)
    pays = advice[advice["gain_per_ha"] > 0]
    plans = {EXPECTED: advice} | {asking(one): pays[pays["chance_pays"] >= one] for one in CHANCES}
    return {
        name: choices(plan_programme(seen, chosen[["zone_id"]], years=START_YEARS, shadow=False).table)
        for name, chosen in plans.items()
    }


def likely(truth: Valuation, picked: Sequence[Choice]) -> list[Choice]:
    """Keep the choices that pay on as many draws of price, cost and take as the default asks for."""
    places = [(truth.zone_index(z), truth.method_index(m), int(y) - truth.first_year) for z, m, y in picked]
    enough = [(truth.alone_gain(z)[:, m, s] > 0).mean() >= CHANCE_THRESHOLD for z, m, s in places]
    return [one for one, keep in zip(picked, enough, strict=True) if keep]


def decide_anew(
    made: ZoneSeries,
    zones: pd.DataFrame,
    winters: int,
    draws: int,
    rng: np.random.Generator,
    first: dict[str, list[Choice]],
) -> dict[str, list[Choice]]:
    """Do each winter what the programme of that winter holds for it; a zone once renewed is left alone."""
    done: dict[str, dict[str, Choice]] = {name: {} for name in first}
    for winter in range(FIRST_WINTER, FIRST_WINTER + winters):
        plans = first if winter == FIRST_WINTER else decide(made, zones, winter, draws, rng)
        final = winter == FIRST_WINTER + winters - 1
        for name, plan in plans.items():
            for one in plan:
                if one[2] == winter or final:
                    done[name].setdefault(one[0], one)
    return {name: list(picked.values()) for name, picked in done.items()}


def zone_table(made: ZoneSeries) -> pd.DataFrame:
    """Zones with the spacing and trellis that the money needs."""
    return made.zones.assign(
        renewed_year=made.truth.set_index("zone_id")["renewed_year"]
        .loc[made.zones["zone_id"]]
        .replace(0, np.nan)
        .to_numpy(),
        vines=(made.zones["area_ha"] * VINES_PER_HA).round(),
        row_spacing_m=ROW_SPACING_M,
        trellis_year=made.zones["year_planted"],
    )


def truth_draws(made: ZoneSeries, draws: int) -> ExampleDraws:
    """Give the truth after the first decision's vintage as draws that are all the same."""
    ahead = made.truth_future.pivot(index="zone_id", columns="year", values="keep_t_ha")
    truth = made.truth.set_index("zone_id").loc[ahead.index]
    last = made.truth_vintage[made.truth_vintage["vintage"] == FIRST_WINTER].set_index("zone_id")
    now = last.loc[ahead.index]

    def tiled(values: Any) -> np.ndarray:
        numbers = np.asarray(values, dtype=float)
        return np.broadcast_to(numbers, (draws, *numbers.shape)).copy()

    return ExampleDraws(
        zone_ids=list(ahead.index),
        years=ahead.columns.to_numpy(dtype=np.int64),
        keep_t_ha=tiled(ahead),
        healthy_t_ha=tiled(truth["healthy_t_ha"]),
        now_t_ha=tiled(now["keep_t_ha"]),
        missing_share=tiled(truth["missing_pct"] / 100.0),
        symptomatic_share=tiled(now["symptomatic_pct"] / 100.0),
    )


def value(draws: Any, zones: pd.DataFrame, winter: int) -> Valuation:
    """Value all options with the same draws of price, cost and take, whatever is known of the zones."""
    return value_options(
        draws, zones, methods=default_methods(), money=Money(), first_year=winter, start_years=START_YEARS,
        rng=np.random.default_rng(7),
    )  # fmt: skip


def choices(table: pd.DataFrame) -> list[Choice]:
    """Give zone, method and winter of every row."""
    return [(str(a), str(b), int(c)) for a, b, c in table[["zone_id", "method", "year"]].to_numpy()]


def by_age(zones: pd.DataFrame, age: int) -> list[Choice]:
    """Cut every block at this age; one that is older already, this winter."""
    years = np.maximum(zones["year_planted"] + age, FIRST_WINTER)
    return [(zone, "trunk_renewal", int(year)) for zone, year in zip(zones["zone_id"], years, strict=True)]


def by_tonnage(made: ZoneSeries, zones: pd.DataFrame, tonnes: float) -> list[Choice]:
    """Cut a block in the first winter after its yield lay below this: the last vintage seen, then truth."""
    seen = made.zone_vintage[["zone_id", "vintage", "yield_t_ha"]].rename(columns={"vintage": "year"})
    seen = seen[seen["year"] == FIRST_WINTER]
    ahead = made.truth_future.rename(columns={"keep_t_ha": "yield_t_ha"})
    table = pd.concat([seen, ahead]).merge(zones[["zone_id", "block_id", "area_ha"]], on="zone_id")
    table["t"] = table["yield_t_ha"] * table["area_ha"]
    sums = table.groupby(["block_id", "year"])[["t", "area_ha"]].sum()
    low = (sums["t"] / sums["area_ha"])[lambda one: one < tonnes].reset_index()
    first = low.groupby("block_id")["year"].min()
    pairs = zip(zones["zone_id"], zones["block_id"], strict=True)
    return [(zone, "trunk_renewal", int(first[block])) for zone, block in pairs if block in first.index]


def judge(truth: Valuation, picked: Sequence[Choice]) -> float:
    """Value over always keeping, by the truth [currency]; what cannot be done is not done."""
    gain, visit = truth.gain.mean(axis=0), truth.visit.mean(axis=0)
    total, visits = 0.0, set()
    for zone, method, year in picked:
        place, column = truth.zone_index(zone), truth.method_index(method)
        start = int(year - truth.first_year)
        if start < truth.start_years.size and np.isfinite(gain[place, column, start]):
            total += truth.standing.area_ha[place] * gain[place, column, start]
            visits.add((truth.standing.block_ids[place], column, start))
    return float(total - sum(visit[column, start] for _, column, start in visits))


def run_bench(
    estates: int = ESTATES,
    vintages: Sequence[int] = (8,),
    *,
    counted: bool = True,
    draws: int = 400,
    seed: int = SEED,
    processes: int = PROCESSES,
) -> dict[str, Any]:
    """Run every scenario; give outcomes and the table of lost shares by number of vintages."""
    tasks = [
        (scenario, estate, span, counted, draws, seed)
        for span in vintages
        for estate in range(estates)
        for scenario in SCENARIOS
    ]
    if processes == 1:
        outcomes = [_run_task(one) for one in tasks]
    else:
        with ProcessPoolExecutor(processes) as pool:
            outcomes = list(pool.map(_run_task, tasks))
    return {"outcomes": outcomes, "lost_pct": lost_table(outcomes)}


def _run_task(task: tuple[str, int, int, bool, int, int]) -> Outcome:
    scenario, estate, span, counted, draws, seed = task
    return run_estate(scenario, estate, vintages=span, counted=counted, draws=draws, seed=seed)


def lost_table(outcomes: Sequence[Outcome]) -> pd.DataFrame:
    """Net present value lost, % of perfect knowledge's gain summed over estates, by policy and vintages."""
    rows = [{"vintages": one.vintages} | one.values for one in outcomes]
    sums = pd.DataFrame(rows).groupby("vintages").sum()
    lost = 100.0 * (1.0 - sums.div(sums["perfect knowledge"], axis=0))
    return lost.drop(columns="perfect knowledge").T


def main() -> int:
    """Print the lost shares as Markdown."""
    estates = int(sys.argv[1]) if len(sys.argv) > 1 else ESTATES
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    result = run_bench(estates, seed=seed)
    table, outcomes = result["lost_pct"], result["outcomes"]
    lost = table[max(table.columns)]
    print("\nNet present value lost against perfect knowledge, % of its gain over always keeping")
    print(
        f"({len(SCENARIOS)} scenarios x {estates} estates, seed {seed}; 8 vintages; counts in three of them; "
        f"example money; the settings ask for a chance of {CHANCE_THRESHOLD:g})\n"
    )
    print("| programme | decided once | decided anew each winter |\n| --- | ---: | ---: |")
    for name in (EXPECTED, *map(asking, CHANCES)):
        print(f"| {name} | {lost[f'{name}, decided once']:.1f} | {lost[f'{name}, {ANEW}']:.1f} |")
    print("\n| other practice | lost |\n| --- | ---: |")
    for name in (one for one in table.index if not one.startswith("programme")):
        print(f"| {name} | {lost[name]:.1f} |")
    print_scenarios(outcomes)
    print(f"\nMedian fit, value and decide: {np.median([one.seconds for one in outcomes]):.1f} s an estate")
    return 0


def print_scenarios(outcomes: Sequence[Outcome]) -> None:
    """Print what the two programmes that matter lose, scenario by scenario."""
    names = [f"{one}, {ANEW}" for one in (EXPECTED, asking(CHANCE_THRESHOLD))]
    print(f"\n| scenario | perfect gain, AUD | {' | '.join(names)} |\n| --- |" + " ---: |" * (len(names) + 1))
    for scenario in SCENARIOS:
        own = pd.DataFrame([one.values for one in outcomes if one.scenario == scenario]).sum()
        best = own["perfect knowledge"]
        shares = [f"{100 * (1 - own[name] / best):.1f} %" if best > 0 else "-" for name in names]
        print(f"| {scenario} | {best:,.0f} | {' | '.join(shares)} |")


if __name__ == "__main__":
    sys.exit(main())
