"""Light generator: the zone-level tables of an invented estate with known truth, in milliseconds."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vinemap.errors import DataError
from vinemap.simulate.curves import HALF_AGE_YEARS, RAMP, half_time, incidence, spread_loss
from vinemap.simulate.scenarios import (
    DECLINING_LOSS,
    ONSET_LOSS,
    Scenario,
    choose_troubles,
    lay_out_zones,
    scenario_named,
)

Array = NDArray[np.float64]
BEFORE = (
    3  # years before the first vintage in the true state: the yearly decline needs them with few vintages
)


@dataclass(frozen=True, slots=True)
class Noise:
    """Spread of the parts of log yield (standard deviations on the natural log scale).

    Parameters
    ----------
    vintage, variety : float
        Season shared by all, and its deviation by variety.
    block, zone : float
        Season by block and by zone within the block.
    sampling : float
        Typical standard error of a zone's yield from its readings (given to the user with the data).
    settlement : float
        Typical standard error of a block's settlement factor (given to the user with the data).
    """

    vintage: float = 0.12
    variety: float = 0.05
    block: float = 0.06
    zone: float = 0.04
    sampling: float = 0.025
    settlement: float = 0.025


@dataclass(frozen=True, slots=True)
class ZoneSeries:
    """What `simulate_zone_series` gives: the tables a decline model takes, and the truth.

    Parameters
    ----------
    scenario : str
    zone_vintage : pandas.DataFrame
        zone_id, vintage, yield_t_ha, yield_se_t_ha (sampling only), readings.
    zones : pandas.DataFrame
        zone_id, block_id, variety, year_planted, area_ha.
    settlement : pandas.DataFrame
        block_id, vintage, factor_se (standard error of the log factor). Empty with counts only.
    stand : pandas.DataFrame
        zone_id, vintage, missing_pct, symptomatic_pct, vines (looked at). Empty if not counted.
    renewals : pandas.DataFrame
        zone_id, year, method.
    reference : pandas.DataFrame
        vintage, effect_pct: an outside district series of the seasons, itself uncertain (5 %).
    truth : pandas.DataFrame
        One row per zone:

        * healthy_t_ha: true yield in an average season if the zone were healthy and every vine place stood;
        * now_t_ha: true yield in an average season in the state of the last vintage;
        * loss_pct = 100 (1 - now_t_ha / healthy_t_ha): disease and missing vines together;
        * disease_loss_pct: the part of output per standing vine lost (disease, or young renewed trunks);
        * missing_pct: vine places without a vine in the last vintage;
        * decline_pct_per_year = (loss_pct in the last vintage - loss_pct three vintages before) / 3, in % of
          healthy yield a year; positive is falling;
        * onset_vintage: first vintage with a loss by disease of at least 3 % of healthy yield, empty for none
          by the last vintage (it may lie before the first vintage with data);
        * declining: disease took at least 10 % of healthy yield by the last vintage, more than three vintages
          before it, and the zone was not renewed;
        * borderline: disease took 3 to 10 %; leave these out of a ranking score;
        * trouble ("", focal, row_wise, whole_block), weak_soil, renewed_year (0 for none).
    truth_vintage : pandas.DataFrame
        zone_id, vintage, true_t_ha (that season), keep_t_ha (average season), loss_pct, symptomatic_pct.
    truth_future : pandas.DataFrame
        zone_id, year, keep_t_ha: average-season yield if kept, disease going on as it does in the truth and
        zones without disease holding.
    truth_seasons : pandas.DataFrame
        vintage, variety, effect_log: true season effect, mean zero over the vintages except for a bad season.
    """

    scenario: str
    zone_vintage: pd.DataFrame
    zones: pd.DataFrame
    settlement: pd.DataFrame
    stand: pd.DataFrame
    renewals: pd.DataFrame
    reference: pd.DataFrame
    truth: pd.DataFrame
    truth_vintage: pd.DataFrame
    truth_future: pd.DataFrame
    truth_seasons: pd.DataFrame


@dataclass(frozen=True, slots=True)
class _State:
    """True state of the zones by year, each (zone, year)."""

    years: NDArray[np.int64]
    disease: Array  # share of output per standing vine lost
    stand: Array  # share of vine places with a vine
    symptomatic: Array  # share of living vines affected

    @property
    def keep(self) -> Array:
        return np.asarray((1.0 - self.disease) * self.stand)


def simulate_zone_series(
    scenario: str,
    *,
    rng: np.random.Generator,
    vintages: int | None = None,
    blocks: int | None = None,
    last_vintage: int = 2026,
    horizon_years: int = 20,
    counted: bool = True,
    noise: Noise | None = None,
) -> ZoneSeries:
    """Make the zone-level tables of one invented estate, with truth.

    log yield = log healthy + season (shared + by variety) + block-season + zone-season + log(1 - disease)
    + log(stand) + settlement error (by block and vintage) + sampling error.

    Parameters
    ----------
    scenario : str
        A key of `SCENARIOS`.
    rng : numpy.random.Generator
    vintages, blocks : int, optional
        Numbers of vintages and blocks; the scenario's own where not given.
    last_vintage : int, optional
        [year].
    horizon_years : int, optional
        Years of `truth_future`.
    counted : bool, optional
        Whether row counts of the stand exist in three vintages.
    noise : Noise, optional

    Returns
    -------
    ZoneSeries

    Raises
    ------
    DataError
        If the scenario is not known, or no vintage or no block is asked for.

    Examples
    --------
    >>> made = simulate_zone_series("focal", rng=np.random.default_rng(1), blocks=4)
    >>> bool(made.truth["declining"].any()), made.zone_vintage["vintage"].nunique()
    (True, 8)
    """
    plan = scenario_named(scenario)
    count = plan.vintages if vintages is None else vintages
    size = plan.blocks if blocks is None else blocks
    if count < 1 or size < 1:
        raise DataError(
            f"{count} vintages and {size} blocks cannot be simulated.", remedy="Ask for at least 1."
        )
    sd = noise or Noise()
    years = np.arange(last_vintage - count + 1, last_vintage + 1)
    zones = lay_out_zones(size, last_vintage=last_vintage, rng=rng)
    trouble = choose_troubles(plan, zones, years=years, rng=rng)
    zones["healthy_t_ha"] *= np.exp(trouble["soil_log"])
    state = true_state(zones, trouble, years, horizon_years)
    season = _seasons(plan, zones, years, sd, rng)
    true = _true_yield(zones, state, season, count, sd, rng)
    observed, settlement = _observe(plan, zones, true, years, sd, rng)
    return ZoneSeries(
        scenario=scenario,
        zone_vintage=_drop_gaps(plan, observed, zones, rng),
        zones=zones.drop(columns="healthy_t_ha"),
        settlement=settlement,
        stand=_count_stand(plan, zones, state, years, counted, rng),
        renewals=_renewals(zones, trouble),
        reference=_reference(season, years, rng),
        truth=_truth(zones, trouble, state, last_vintage),
        truth_vintage=_truth_vintage(zones, state, true, years),
        truth_future=_truth_future(zones, state, last_vintage),
        truth_seasons=_truth_seasons(season, years),
    )


def true_state(zones: pd.DataFrame, trouble: pd.DataFrame, years: np.ndarray, ahead: int) -> _State:
    """Grow the true state of the zones from three years before the first vintage to `ahead` after the last.

    Parameters
    ----------
    zones, trouble : pandas.DataFrame
        As `lay_out_zones` and `choose_troubles` give them.
    years : numpy.ndarray
        Vintages [year].
    ahead : int
        Years after the last vintage.

    Returns
    -------
    _State
        years, and (zone, year) arrays: disease, stand, symptomatic.
    """
    span = np.arange(years[0] - BEFORE, years[-1] + ahead + 1)
    shape = (len(zones), span.size)
    disease, symptomatic = np.zeros(shape), np.zeros(shape)
    for at, one in enumerate(trouble.to_dict("records")):
        if one["trouble"]:
            disease[at], symptomatic[at] = _spread(one, span)
        if one["renewed_year"]:
            _restart(disease[at], symptomatic[at], span, one["renewed_year"])
    stand = np.repeat(1.0 - trouble["missing"].to_numpy()[:, None], span.size, axis=1)
    return _State(span, disease, stand, symptomatic)


def _spread(one: dict[Hashable, Any], span: np.ndarray) -> tuple[Array, Array]:
    """Loss by disease and share of vines affected, by year of `span`."""
    rate, pace, ceiling, onset = (
        float(one[name]) for name in ("rate_per_year", "pace_years", "ceiling", "onset_year")
    )
    half = half_time(onset, rate_per_year=rate, pace_years=pace, ceiling=ceiling, onset_loss=ONSET_LOSS)
    loss = ceiling * spread_loss(span - half, rate_per_year=rate, pace_years=pace)
    return loss, ceiling * incidence(span, half_age_years=half, rate_per_year=rate)


def _restart(disease: Array, symptomatic: Array, span: np.ndarray, year: int) -> None:
    """Let a renewed zone begin anew after the winter of `year`: in place."""
    since = span - year
    after = since >= 1
    ramp = np.array(RAMP)[np.clip(since, 1, len(RAMP)) - 1]
    again = spread_loss(since - HALF_AGE_YEARS, rate_per_year=0.4)
    disease[after] = 1.0 - (ramp * (1.0 - again))[after]
    symptomatic[after] = incidence(since[after], rate_per_year=0.4)


def _seasons(
    plan: Scenario, zones: pd.DataFrame, years: np.ndarray, sd: Noise, rng: np.random.Generator
) -> pd.DataFrame:
    """Season effects by variety and vintage, natural log."""
    names = sorted(zones["variety"].unique())
    shared = rng.normal(0.0, sd.vintage, years.size)
    shared -= shared.mean()
    by_variety = rng.normal(0.0, sd.variety, (len(names), years.size))
    by_variety -= by_variety.mean(axis=1, keepdims=True)
    if "bad_season" in plan.twists:
        at = years.size - 1 if rng.random() < 0.5 else int(rng.integers(0, years.size))
        shared[at] = np.log(rng.uniform(0.65, 0.75))
    return pd.DataFrame(shared + by_variety, index=names, columns=years)


def _true_yield(
    zones: pd.DataFrame, state: _State, season: pd.DataFrame, count: int, sd: Noise, rng: np.random.Generator
) -> Array:
    """Give the true yield by zone and vintage [t/ha]."""
    block, names = pd.factorize(zones["block_id"])
    log = np.log(zones["healthy_t_ha"].to_numpy())[:, None] + season.loc[zones["variety"]].to_numpy()
    log = log + rng.normal(0.0, sd.block, (len(names), count))[block]
    log = log + rng.normal(0.0, sd.zone, (len(zones), count))
    return np.asarray(np.exp(log) * np.maximum(state.keep[:, BEFORE : BEFORE + count], 1e-3))


def _observe(
    plan: Scenario, zones: pd.DataFrame, true: Array, years: np.ndarray, sd: Noise, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Measure the yields by zone and vintage, and settle by block and vintage."""
    block, names = pd.factorize(zones["block_id"])
    counts_only = "counts_only" in plan.twists
    typical = 0.09 if counts_only else sd.sampling
    relative_se = np.asarray(typical * rng.uniform(0.7, 1.3, true.shape))
    factor_se = sd.settlement * rng.uniform(0.6, 1.4, (len(names), years.size))
    error = rng.normal(0.0, 1.0, factor_se.shape) * factor_se
    if "biased_machine" in plan.twists:
        error, factor_se = _machine_trap(error, factor_se, years.size - min(3, years.size), rng)
    if "width_change" in plan.twists:
        error, factor_se = _machine_trap(error, factor_se, years.size // 2, rng)
    if counts_only:
        error = np.zeros_like(error)
    seen = true * np.exp(error[block] + rng.normal(0.0, 1.0, true.shape) * relative_se)
    table = _long(zones["zone_id"], years, yield_t_ha=seen, yield_se_t_ha=seen * relative_se)
    area = np.repeat(zones["area_ha"].to_numpy(), years.size)
    table["readings"] = 0 if counts_only else (area * 420).astype(int)  # 5 s at 1.6 m/s on 3 m rows
    settled = _long(pd.Series(names, name="block_id"), years, factor_se=factor_se)
    return table, settled.iloc[:0] if counts_only else settled


def _machine_trap(
    error: Array, factor_se: Array, start: int, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Give some blocks an error that stays from a vintage on, and a wider standard error.

    Half of the blocks have loads of their own; the others are settled by the machine's bias over those.
    """
    loose = rng.random(error.shape[0]) < 0.5
    error, factor_se = error.copy(), factor_se.copy()
    lasting = np.asarray(rng.normal(0.0, 0.05, (error.shape[0], 1)))
    error[loose, start:] = lasting[loose]
    factor_se[loose, start:] = 0.05
    return error, factor_se


def _drop_gaps(
    plan: Scenario, observed: pd.DataFrame, zones: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Lose a quarter of the block-vintages, where the scenario has gaps."""
    if "gaps" not in plan.twists:
        return observed
    block = observed["zone_id"].map(zones.set_index("zone_id")["block_id"])
    keys = pd.MultiIndex.from_arrays([block, observed["vintage"]])
    codes, unique = pd.factorize(keys)
    lost = rng.random(len(unique)) < 0.25
    return observed[~lost[codes]].reset_index(drop=True)


def _count_stand(
    plan: Scenario,
    zones: pd.DataFrame,
    state: _State,
    years: np.ndarray,
    counted: bool,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Count missing and symptomatic vines by zone, in three vintages or all."""
    every = "counts_only" in plan.twists
    at = np.arange(years.size) if every else np.unique(np.linspace(0, years.size - 1, 3).round().astype(int))
    if not (counted or every):
        at = at[:0]
    vines = np.maximum((zones["area_ha"].to_numpy() * 1587 * 0.15).astype(int), 40)[:, None]
    looked = np.repeat(vines, at.size, axis=1)
    missing = rng.binomial(looked, 1.0 - state.stand[:, at + BEFORE])
    living = looked - missing
    seen = rng.binomial(living, 0.9 * state.symptomatic[:, at + BEFORE])  # one in ten overlooked
    return _long(
        zones["zone_id"], years[at], missing_pct=100.0 * missing / looked,
        symptomatic_pct=100.0 * seen / np.maximum(living, 1), vines=looked,
    )  # fmt: skip


def _renewals(zones: pd.DataFrame, trouble: pd.DataFrame) -> pd.DataFrame:
    done = trouble["renewed_year"] > 0
    return pd.DataFrame({
        "zone_id": zones.loc[done, "zone_id"].to_numpy(),
        "year": trouble.loc[done, "renewed_year"].to_numpy(),
        "method": np.full(int(done.sum()), "trunk_renewal", dtype=object),
    })  # fmt: skip


def _reference(season: pd.DataFrame, years: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """District series of the seasons, itself uncertain."""
    effect = season.mean(axis=0).to_numpy() + rng.normal(0.0, 0.05, years.size)
    return pd.DataFrame({"vintage": years, "effect_pct": 100.0 * np.expm1(effect)})


def _truth(zones: pd.DataFrame, trouble: pd.DataFrame, state: _State, last: int) -> pd.DataFrame:
    """Truth by zone, as of `ZoneSeries.truth`."""
    now = int(np.flatnonzero(state.years == last)[0])
    past = slice(0, now + 1)
    hit = (state.disease[:, past] >= ONSET_LOSS) & (trouble["trouble"] != "").to_numpy()[:, None]
    first = pd.Series(state.years[hit.argmax(axis=1)], dtype="Int64")
    onset = first.where(pd.Series(hit.any(axis=1))).to_numpy(dtype=object)
    loss = 100.0 * (1.0 - state.keep)
    sick = trouble["renewed_year"].eq(0).to_numpy() & (trouble["trouble"] != "").to_numpy()
    disease = state.disease[:, now]
    healthy = zones["healthy_t_ha"].to_numpy()
    return pd.DataFrame({
        "zone_id": zones["zone_id"],
        "block_id": zones["block_id"],
        "healthy_t_ha": healthy,
        "now_t_ha": healthy * state.keep[:, now],
        "loss_pct": loss[:, now],
        "disease_loss_pct": 100.0 * disease,
        "missing_pct": 100.0 * (1.0 - state.stand[:, now]),
        "decline_pct_per_year": (loss[:, now] - loss[:, now - 3]) / 3.0,
        "onset_vintage": pd.array(onset, dtype="Int64"),
        "declining": sick & (disease >= DECLINING_LOSS) & (disease > state.disease[:, now - 3]),
        "borderline": sick & (disease >= ONSET_LOSS) & (disease < DECLINING_LOSS),
        "trouble": trouble["trouble"],
        "weak_soil": trouble["weak_soil"],
        "renewed_year": trouble["renewed_year"],
    })  # fmt: skip


def _truth_vintage(zones: pd.DataFrame, state: _State, true: Array, years: np.ndarray) -> pd.DataFrame:
    part = slice(BEFORE, BEFORE + years.size)
    keep = state.keep[:, part]
    return _long(
        zones["zone_id"], years, true_t_ha=true, keep_t_ha=zones["healthy_t_ha"].to_numpy()[:, None] * keep,
        loss_pct=100.0 * (1.0 - keep), symptomatic_pct=100.0 * state.symptomatic[:, part],
    )  # fmt: skip


def _truth_future(zones: pd.DataFrame, state: _State, last: int) -> pd.DataFrame:
    ahead = state.years > last
    keep = zones["healthy_t_ha"].to_numpy()[:, None] * state.keep[:, ahead]
    return _long(zones["zone_id"], state.years[ahead], keep_t_ha=keep).rename(columns={"vintage": "year"})


def _truth_seasons(season: pd.DataFrame, years: np.ndarray) -> pd.DataFrame:
    table = _long(pd.Series(season.index, name="variety"), years, effect_log=season.to_numpy())
    return table[["vintage", "variety", "effect_log"]]


def _long(key: pd.Series, years: np.ndarray, **values: np.ndarray) -> pd.DataFrame:
    """One row for each key and year, from arrays (key, year)."""
    table = pd.DataFrame({
        str(key.name): np.repeat(key.to_numpy(), years.size),
        "vintage": np.tile(years, len(key)),
    })  # fmt: skip
    for name, value in values.items():
        table[name] = np.asarray(value).ravel()
    return table
