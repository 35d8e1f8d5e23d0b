"""Fit the decline model to an estate: the stage function and its result."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import pandas as pd
from scipy import special
from threadpoolctl import threadpool_limits

from vinemap.decline.curves import CurveSpace, FloatArray, IntArray
from vinemap.decline.forecast import DeclineDraws, join_chains
from vinemap.decline.gaps import Gaps, GapState, open_backwards
from vinemap.decline.layout import Layout, Series, build_layout, list_series, space_of_series
from vinemap.decline.results import (
    SLOPE_COLUMNS,
    effects_table,
    scales_table,
    slopes_table,
    zone_table,
    zone_vintage_table,
)
from vinemap.decline.sampler import PER_FAMILY, ChainDraws, Priors, Reference, Sampler
from vinemap.decline.signs import SignTable
from vinemap.decline.stand import Stand, interpolate_stand
from vinemap.decline.symptoms import SymptomTable
from vinemap.decline.telling import tell_zones
from vinemap.errors import DataError

CHAINS = 4
BURN = 60
CLEARLY_UNMIXED = 1.2  # potential scale reduction above which chains disagree ...
APART_PCT = 5.0  # ... and range of their mean losses [% of healthy yield] from which that matters
ZONE_VINTAGE_COLUMNS = ("zone_id", "vintage", "yield_t_ha", "yield_se_t_ha")


class RunTasks(Protocol):
    """Applies a function to every task and gives the results in their order: `map`, or a pool's."""

    def __call__(
        self, function: Callable[[ChainTask], ChainDraws], tasks: Sequence[ChainTask], /
    ) -> Iterable[ChainDraws]:
        """Give one result a task."""
        ...


@dataclass(frozen=True, slots=True)
class Decline:
    """What `fit_decline` found.

    Attributes
    ----------
    zones : pandas.DataFrame
        One row a zone: the decline columns of `tables.ZONE`, and chance_declining (0-1), stand_loss_pct,
        vine_loss_pct, onset_low, onset_high, sen_slope_pct_per_year (plain practice, beside the model),
        renewed_year, recovery_pct (yield now over healthy, renewed zones only) and the parts of the score.
    zone_vintage : pandas.DataFrame
        `tables.ZONE_VINTAGE`.
    forecast : pandas.DataFrame
        `tables.ZONE_FORECAST`.
    vintage_effects : pandas.DataFrame
        vintage, variety, effect_pct, low, high: season against an average one [%], 90 % interval.
    draws : DeclineDraws
    scales : pandas.DataFrame
        name, median, low, high: standard deviations of the model (log scale).
    notes : list of str
        What weakens the result, in words.
    slopes : pandas.DataFrame
        name, median, low, high: change of log yield with the log of what was adjusted for, and of the log of
        a sign of the loss with log kept.
    """

    zones: pd.DataFrame
    zone_vintage: pd.DataFrame
    forecast: pd.DataFrame
    vintage_effects: pd.DataFrame
    draws: DeclineDraws
    scales: pd.DataFrame
    notes: list[str]
    slopes: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=SLOPE_COLUMNS))


def fit_decline(
    zone_vintage: pd.DataFrame,
    zones: pd.DataFrame,
    *,
    settlement: pd.DataFrame | None = None,
    stand: pd.DataFrame | None = None,
    renewals: pd.DataFrame | None = None,
    reference: pd.DataFrame | None = None,
    adjustments: pd.DataFrame | None = None,
    signs: pd.DataFrame | None = None,
    machine_changes: pd.DataFrame | None = None,
    horizon_year: int,
    draws: int = 400,
    rng: np.random.Generator,
    priors: Priors | None = None,
    per_family: int = PER_FAMILY,
    run_tasks: RunTasks = map,
) -> Decline:
    """Tell decline from seasons, machines, missing vines and soils that were always weak.

    Parameters
    ----------
    zone_vintage : pandas.DataFrame
        zone_id, vintage, yield_t_ha, yield_se_t_ha, readings.
    zones : pandas.DataFrame
        zone_id, block_id, variety, year_planted, area_ha; a GeoDataFrame lets the cause hint tell neighbours.
    settlement : pandas.DataFrame, optional
        block_id, vintage, factor_se: standard error of the log factor to weighed loads.
    stand : pandas.DataFrame, optional
        zone_id, vintage, missing_pct, symptomatic_pct, vines (looked at).
    renewals : pandas.DataFrame, optional
        zone_id, year (winter after that vintage), method.
    reference : pandas.DataFrame, optional
        vintage and effect_pct [%], yield_t_ha [t/ha] or index (any level), and perhaps variety (empty for all
        together): outside district series of the seasons.
    adjustments : pandas.DataFrame, optional
        zone_id, vintage and one column for each thing that lowers a crop without being a decline, positive,
        in any unit (`box_width_m`, width of cordon or box after pruning [m], is the one that counts give):
        the yield is adjusted for the departures of its logarithm from the zone's mean, not at all where the
        width is not known, by a slope learnt from the estate.
    signs : pandas.DataFrame, optional
        zone_id, vintage, sign ("vigour" or "mog"), value (positive), perhaps worth: second the yield as a
        measure of the loss (see `vinemap.decline.signs`).
    machine_changes : pandas.DataFrame, optional
        zone_id or block_id, vintage, machine: vintages from which another harvester picked
        (`list_machine_changes`); named in the cause hint where a decline sets in at that time.
    horizon_year : int
        Last year of the forecast.
    draws : int, optional
        Draws to keep.
    rng : numpy.random.Generator
    priors : Priors, optional
    per_family : int, optional
        Fresh candidate curves of each kind in every sweep of the sampler.
    run_tasks : callable, optional
        Applies a function to every chain, as `map` does, perhaps in other processes: each chain has a
        generator of its own, so the result is the same.

    Returns
    -------
    Decline

    Raises
    ------
    DataError
        If no usable yield is left, a zone is not in the zone table, or the horizon lies in the past.

    Notes
    -----
    The model is in `vinemap.decline.sampler`. Healthy means the zone's own level: soil that was always weak
    is no loss. What was lost before the first vintage can only be told from the shape of the curve, the age
    of the vines and, weakly, from the other zones of the block.

    Examples
    --------
    >>> years = np.tile(np.arange(2019, 2025), 2)
    >>> amount = np.r_[np.full(6, 20.0), 20 - 2.0 * np.arange(6)]
    >>> table = pd.DataFrame({"zone_id": np.repeat(["A-Z1", "A-Z2"], 6), "vintage": years,
    ...                       "yield_t_ha": amount, "yield_se_t_ha": 0.4, "readings": 500})
    >>> zones = pd.DataFrame({"zone_id": ["A-Z1", "A-Z2"], "block_id": "A", "variety": "Shiraz",
    ...                       "year_planted": 2000, "area_ha": 2.0})
    >>> rng = np.random.default_rng(1)
    >>> found = fit_decline(table, zones, horizon_year=2030, draws=80, rng=rng)
    >>> bool(found.zones["chance_declining"].diff().iloc[1] > 0.3)
    True
    """
    _check(zone_vintage, zones, horizon_year)
    priors = priors or Priors()
    zones = zones.reset_index(drop=True)
    zone_ids = zones["zone_id"].astype(str).tolist()
    vintages = np.sort(zone_vintage["vintage"].dropna().unique()).astype(np.int64)
    last = int(vintages[-1])
    years = np.arange(min(vintages[0], last - 3), max(horizon_year, last + 4) + 1)
    planted = pd.to_numeric(zones["year_planted"], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    level = interpolate_stand(stand, zone_ids, years)
    standing, gaps = open_backwards(level, stand, zone_ids, planted, years)
    series = list_series(zones, renewals)
    layout = _arrange(zone_vintage, zones, series, standing, years, vintages, settlement, adjustments)
    space = space_of_series(series, planted, years=years, last_vintage=last)
    task = ChainTask(
        layout, space, years, stand, signs, zone_ids, standing, gaps,
        _reference(reference, vintages, layout.varieties), priors, per_family, keep=-(-draws // CHAINS),
    )  # fmt: skip
    chains = list(run_tasks(run_chain, [replace(task, rng=one) for one in rng.spawn(CHAINS)]))
    told = tell_zones(
        join_chains(chains), space, layout, standing, gaps, zone_ids, horizon_year=horizon_year, rng=rng
    )
    return Decline(
        zones=zone_table(
            told.figures, zone_vintage, zones, machine_changes,
            vigour=None if signs is None else signs[signs["sign"] == "vigour"],
        ),
        zone_vintage=zone_vintage_table(zone_vintage, zones, vintages, told.expected_t_ha),
        forecast=told.forecast,
        vintage_effects=effects_table(layout, chains),
        draws=told.draws,
        scales=scales_table(chains),
        notes=_notes(layout, zones, standing, series, told.loss_pct, vintages, len(chains)),
        slopes=slopes_table(layout, SignTable(layout, years, signs, zone_ids, rng).names, chains),
    )  # fmt: skip


def _check(zone_vintage: pd.DataFrame, zones: pd.DataFrame, horizon_year: int) -> None:
    """Refuse tables without the columns, zones or years that a fit needs."""
    missing = [name for name in ZONE_VINTAGE_COLUMNS if name not in zone_vintage.columns]
    if missing:
        raise DataError(f"Column {', '.join(missing)} is missing.", where="zone_vintage", remedy="Add it.")
    if zone_vintage.empty:
        raise DataError("No zone has a yield.", where="zone_vintage", remedy="Add a vintage of harvest data.")
    unknown = sorted(set(zone_vintage["zone_id"]) - set(zones["zone_id"]))
    if unknown:
        raise DataError(
            f"Zone {unknown[0]!r} has yields but is not in the zone table.",
            where="zone_vintage",
            remedy="Pass the zones that the yields were summarised over.",
        )
    last = int(zone_vintage["vintage"].max())
    if horizon_year <= last:
        raise DataError(
            f"The horizon {horizon_year} is not after the last vintage {last}.",
            remedy="Give a horizon year in the future.",
        )


def _arrange(
    zone_vintage: pd.DataFrame,
    zones: pd.DataFrame,
    series: list[Series],
    standing: Stand,
    years: IntArray,
    vintages: IntArray,
    settlement: pd.DataFrame | None,
    adjustments: pd.DataFrame | None,
) -> Layout:
    """Bring yields to the layout, the stand of each vintage taken off."""
    columns = vintages - years[0]
    share = 1 - standing.missing[:, columns]
    return build_layout(
        zone_vintage, zones, series, log_stand=np.log(share),
        stand_variance=(standing.missing_sd[:, columns] / share) ** 2,
        vintages=vintages, settlement=settlement, adjustments=adjustments,
    )  # fmt: skip


def _reference(reference: pd.DataFrame | None, vintages: IntArray, varieties: list[str]) -> Reference | None:
    """Bring outside series to the vintages; those of varieties that are not grown here are left out."""
    if reference is None or reference.empty:
        return None
    names = reference.get("variety", pd.Series("", index=reference.index)).fillna("").astype(str)
    codes = {"": -1} | {name: code for code, name in enumerate(varieties) if name}
    if "effect_pct" in reference:
        logs = np.log1p(reference["effect_pct"].astype(float) / 100)
    else:
        logs = np.log(reference["yield_t_ha" if "yield_t_ha" in reference else "index"].astype(float))
    wide = pd.DataFrame({"variety": names, "vintage": reference["vintage"], "log": logs})
    wide = wide.pivot_table(index="variety", columns="vintage", values="log", aggfunc="mean")
    wide = wide.loc[[one for one in wide.index if one in codes]].reindex(columns=vintages)
    wide = wide[wide.notna().sum(axis=1) > 1]
    if wide.empty:
        return None
    return Reference(wide.to_numpy(dtype=float), [codes[one] for one in wide.index])


@dataclass(frozen=True, slots=True)
class ChainTask:
    """What one chain needs; picklable. The fields are those of `fit_decline`, arranged."""

    layout: Layout
    space: CurveSpace
    years: IntArray
    stand: pd.DataFrame | None
    signs: pd.DataFrame | None
    zone_ids: list[str]
    standing: Stand
    gaps: Gaps
    reference: Reference | None
    priors: Priors
    per_family: int
    keep: int
    rng: np.random.Generator = field(default_factory=np.random.default_rng)


def run_chain(task: ChainTask) -> ChainDraws:
    """Run one chain from an over-dispersed start.

    Parameters
    ----------
    task : ChainTask

    Returns
    -------
    ChainDraws
        `task.keep` draws, after `BURN` sweeps.
    """
    layout, years, rng = task.layout, task.years, task.rng
    sampler = Sampler(
        layout,
        task.space,
        symptoms=SymptomTable(layout, years, task.stand, task.zone_ids),
        signs=SignTable(layout, years, task.signs, task.zone_ids, rng),
        gaps=GapState(layout, task.standing, task.gaps, years, rng),
        reference=task.reference,
        priors=task.priors,
        per_family=task.per_family,
        rng=rng,
    )
    with threadpool_limits(1, user_api="blas"):  # matrices are small: more threads only wait for one another
        return sampler.run(burn=BURN, keep=task.keep)


def scale_reduction(values: FloatArray, chains: int) -> FloatArray:
    """Potential scale reduction of the ranks of draws that come chain after chain; near 1 when chains agree.

    Each chain is cut in two, so that a drift within chains shows as well. Ranks make it fit for losses that
    have a spike at none; ties share their mean rank.

    Parameters
    ----------
    values : float array (chains x draws, n)
    chains : int

    Returns
    -------
    float array (n,)
        1 where there are too few draws to tell.

    References
    ----------
    Gelman and Rubin 1992, Statistical Science 7:457-472; split and rank-normalised form: Vehtari et al. 2021,
    Bayesian Analysis 16:667-718 (from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> bool(scale_reduction(rng.standard_normal((4000, 1)), 4)[0] < 1.01)
    True
    """
    ranks = pd.DataFrame(values).rank().to_numpy()
    scores = special.ndtri((ranks - 0.375) / (values.shape[0] + 0.25))
    half = values.shape[0] // (2 * chains)
    if half < 2:
        return np.ones(values.shape[1])
    split = scores[: 2 * chains * half].reshape(2 * chains, half, values.shape[1])
    within = split.var(axis=1, ddof=1).mean(axis=0)
    between = split.mean(axis=1).var(axis=0, ddof=1)
    return np.asarray(np.sqrt((half - 1) / half + between / np.maximum(within, 1e-9)))


def _unmixed(loss: FloatArray, zone_ids: list[str], chains: int) -> str:
    """Name the zones whose loss differs from chain to chain by more than matters; empty if none."""
    split = loss[: chains * (loss.shape[0] // chains)].reshape(chains, -1, loss.shape[1])
    apart = np.ptp(split.mean(axis=1), axis=0)
    bad = (scale_reduction(loss, chains) > CLEARLY_UNMIXED) & (apart > APART_PCT)
    if not bad.any():
        return ""
    worst = int(np.argmax(np.where(bad, apart, 0.0)))
    return (
        f"The sampler has not settled for all zones ({int(bad.sum())} not): between its runs the loss of "
        f"{zone_ids[worst]} differs by {apart[worst]:.0f} points of %. Use more draws."
    )


def _notes(
    layout: Layout,
    zones: pd.DataFrame,
    standing: Stand,
    series: list[Series],
    loss_pct: FloatArray,
    vintages: IntArray,
    chains: int,
) -> list[str]:
    """Say what weakens the result."""
    notes = []
    if vintages.size == 1:
        notes.append(
            f"Only vintage {vintages[0]} has yields: levels are known, nothing can be said about decline. "
            "The decline columns show what is common elsewhere, not what was seen here."
        )
    elif vintages.size == 2:
        notes.append("Two vintages: a trend and two seasons cannot be told apart; the intervals are wide.")
    if len(layout.block_ids) == 1 and vintages.size > 1:
        notes.append(
            "One block only: a fall that all its zones share may be decline or poor seasons; "
            "a district reference series would help."
        )
    uncounted = int((~standing.counted).sum())
    if uncounted:
        notes.append(
            f"{uncounted} of {len(zones)} zones were never counted: missing vines are a guess from how far "
            "a zone lies below its block, and the loss shown takes that guess in."
        )
    if zones["year_planted"].isna().any():
        notes.append(
            "Where the planting year is not given, vines count as 15 years old at the first vintage."
        )
    if len(series) > len(zones):
        count = len(series) - len(zones)
        notes.append(
            "1 zone begins anew after a renewal; earlier crops tell only the level."
            if count == 1
            else f"{count} zones begin anew after a renewal; earlier crops tell only the level."
        )
    notes.append(
        f"What was lost before vintage {vintages[0]} rests on curve shape, vine age and the other zones."
    )
    unmixed = _unmixed(loss_pct, zones["zone_id"].astype(str).tolist(), chains)
    return [*notes, unmixed] if unmixed else notes
