"""The truth, vine by vine: where each stands, when it fell ill, what it bears each vintage."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vinemap.simulate.curves import RAMP, dead_share, relative_yield
from vinemap.simulate.fields import sample_field
from vinemap.simulate.plan import BlockPlan, Spread, Trouble
from vinemap.units import HECTARE_M2, TONNE_KG

DEAD_FROM = 0.9  # share of spurs dead from which the vine counts as dead; common practice, no source
YOUNG = (0.0, 0.0, 0.3, 0.55, 0.85)  # share of full crop at ages 0 to 4; half a crop in third leaf [S]
ALONG_OVER_ACROSS = 10.0  # row-wise spread is this much quicker along a row than across; no source
NO_SHOOT = 0.06  # vines without a watershoot after trunk renewal; 0-58 % in Sosnowski et al. 2011 [S]
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BlockVines:
    """All vine places of a block with their true state; arrays are (vine,) or (vine, vintage).

    Parameters
    ----------
    table : pandas.DataFrame
        row_no, vine_no (both from 1), easting, northing [m], across_m, along_m (block's row frame), weak_soil
        (flag), sorted by row and vine.
    healthy_kg : numpy.ndarray
        Grapes in an average season if healthy, of full bearing age [kg].
    dead : numpy.ndarray
        Share of spurs dead, (vine, vintage); zero for an empty place.
    standing : numpy.ndarray
        Living vine in the place, bool, (vine, vintage).
    output : numpy.ndarray
        Bearing of the place over a healthy full one of its age, (vine, vintage), 0 to 1: the place's truth.
    grapes_kg : numpy.ndarray
        Grapes borne that season, (vine, vintage) [kg].
    """

    table: pd.DataFrame
    healthy_kg: Array
    dead: Array
    standing: NDArray[np.bool_]
    output: Array
    grapes_kg: Array


def grow_block(
    plan: BlockPlan,
    rows: gpd.GeoDataFrame,
    season_log: Array,
    *,
    vintages: NDArray[np.int64],
    spread: Spread,
    rng: np.random.Generator,
) -> BlockVines:
    """Grow one block over all vintages.

    Parameters
    ----------
    plan : BlockPlan
    rows : geopandas.GeoDataFrame
        Rows of the block (`tables.ROWS`) in a metre CRS; not altered.
    season_log : numpy.ndarray
        Season effect of the block's variety, natural log, shape (vintage,).
    vintages : numpy.ndarray
        [year], shape (vintage,).
    spread : Spread
    rng : numpy.random.Generator

    Returns
    -------
    BlockVines
    """
    table = place_vines(rows, plan)
    weak = _weak_patch(table, plan)
    soil = spread.soil * _field(table, spread.soil_range_m, rng) + np.log1p(-weak)
    lasting = spread.vine * rng.normal(size=len(table))
    level_kg = plan.level_t_ha * TONNE_KG / HECTARE_M2 * plan.row_spacing_m * plan.vine_spacing_m
    healthy = level_kg * np.exp(soil + lasting - (spread.soil**2 + spread.vine**2) / 2)
    empty = _empty_places(table, plan, rng)
    dead, standing, ramp = _health(table, plan, empty, vintages, rng)
    output = np.where(standing, relative_yield(dead) * ramp, 0.0)
    season = season_log + spread.block_season * rng.normal(size=vintages.size)
    noise = _season_noise(table, spread, vintages.size, rng)
    young = np.array(
        [YOUNG[a] if a < len(YOUNG) else 1.0 for a in np.maximum(vintages - plan.year_planted, 0)]
    )
    grapes = healthy[:, None] * output * np.exp(season + noise) * young
    return BlockVines(table.assign(weak_soil=weak > 0.1), healthy, dead, standing, output, grapes)


def place_vines(rows: gpd.GeoDataFrame, plan: BlockPlan) -> pd.DataFrame:
    """Give every vine place its position.

    Parameters
    ----------
    rows : geopandas.GeoDataFrame
        `tables.ROWS` with straight lines; not altered.
    plan : BlockPlan

    Returns
    -------
    pandas.DataFrame
        row_no, vine_no, easting, northing, across_m, along_m (both from 0 in the block's row frame) [m].
    """
    rows = rows.sort_values("row_no")
    count = rows["vines"].to_numpy(dtype=int)
    ends = np.array([(line.coords[0], line.coords[-1]) for line in rows.geometry])[:, :, :2]
    index = np.repeat(np.arange(count.size), count)
    number = np.concatenate([np.arange(n) for n in count])
    fraction = (number + 0.5) / count[index]
    place = ends[index, 0] + fraction[:, None] * (ends[index, 1] - ends[index, 0])
    heading = ends[:, 1] - ends[:, 0]
    unit = heading.sum(axis=0) / np.hypot(*heading.sum(axis=0))
    along = place @ unit
    row_no = rows["row_no"].to_numpy(dtype=int)[index]
    return pd.DataFrame({
        "row_no": row_no, "vine_no": number + 1, "easting": place[:, 0], "northing": place[:, 1],
        "across_m": (row_no - row_no.min()) * plan.row_spacing_m, "along_m": along - along.min(),
    })  # fmt: skip


def _field(table: pd.DataFrame, range_m: float, rng: np.random.Generator) -> Array:
    return sample_field(table["easting"].to_numpy(), table["northing"].to_numpy(), range_m=range_m, rng=rng)


def _season_noise(table: pd.DataFrame, spread: Spread, count: int, rng: np.random.Generator) -> Array:
    """Draw what varies within a block from vintage to vintage, natural log (vine, vintage)."""
    pattern = [_field(table, spread.season_range_m, rng) for _ in range(count)]
    noise = spread.season_pattern * np.column_stack(pattern)
    noise += spread.vine_season * rng.normal(size=noise.shape)
    return np.asarray(noise - (spread.season_pattern**2 + spread.vine_season**2) / 2)


def _distances(table: pd.DataFrame, trouble: Trouble, *, stretch: float = 1.0) -> Array:
    """Distance of every vine to every focus (vine, focus) [m]; along the row a metre counts 1 / stretch."""
    extent = table[["across_m", "along_m"]].max().to_numpy()
    place = table[["across_m", "along_m"]].to_numpy()
    away = place[:, None, :] - np.array(trouble.foci)[None, :, :] * extent
    return np.asarray(np.hypot(away[:, :, 0], away[:, :, 1] / stretch))


def _of_kind(plan: BlockPlan, *kinds: str) -> list[Trouble]:
    return [one for one in plan.troubles if one.kind in kinds]


def _weak_patch(table: pd.DataFrame, plan: BlockPlan) -> Array:
    """Share of yield that the soil costs, by vine."""
    share = np.zeros(len(table))
    for one in _of_kind(plan, "weak_soil"):
        nearest = _distances(table, one).min(axis=1)
        share = np.maximum(share, one.share / (1.0 + np.exp((nearest - one.reach_m) / 6.0)))
    return share


def _empty_places(table: pd.DataFrame, plan: BlockPlan, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Draw the places that stand empty from the start."""
    chance = np.full(len(table), 0.012)  # a few gaps everywhere; common practice, no source
    for one in _of_kind(plan, "missing"):
        near = _distances(table, one).min(axis=1) < one.reach_m
        patchy = np.exp(0.7 * _field(table, 12.0, rng) - 0.245)  # gaps come in runs
        chance = np.where(near, one.share * patchy, chance)
    return np.asarray(rng.random(len(table)) < np.minimum(chance, 0.9))


def infection_years(table: pd.DataFrame, plan: BlockPlan, *, rng: np.random.Generator) -> Array:
    """Year in which each vine is affected by trunk disease, infinite for never.

    Parameters
    ----------
    table : pandas.DataFrame
        As `place_vines` gives it.
    plan : BlockPlan
    rng : numpy.random.Generator

    Returns
    -------
    numpy.ndarray
        Real years, shape (vine,).
    """
    year = np.full(len(table), np.inf)
    for one in _of_kind(plan, "focal", "row_wise", "whole_block"):
        logistic = rng.logistic(size=len(table))
        if one.kind == "whole_block":
            when = one.start_year + logistic / one.rate_per_year
            inside = np.ones(len(table), dtype=bool)
        else:
            stretch = ALONG_OVER_ACROSS if one.kind == "row_wise" else 1.0
            away = _distances(table, one, stretch=stretch).min(axis=1)
            away = away * np.exp(0.15 * _field(table, 25.0, rng))  # ragged fronts
            when = one.start_year + away / one.growth_m_per_year + 0.6 * logistic
            inside = away < one.reach_m
        hit = inside & (rng.random(len(table)) < one.share)
        year = np.minimum(year, np.where(hit, when, np.inf))
    return year


def _health(
    table: pd.DataFrame,
    plan: BlockPlan,
    empty: NDArray[np.bool_],
    vintages: NDArray[np.int64],
    rng: np.random.Generator,
) -> tuple[Array, NDArray[np.bool_], Array]:
    """Share of spurs dead and living vine (vine, vintage), and the ramp of a renewed block (vintage,)."""
    pace = next((one.pace_years for one in plan.troubles if one.start_year), 4.0)
    pace_of = pace * np.exp(0.2 * rng.normal(size=len(table)))
    infected = infection_years(table, plan, rng=rng)
    dead = dead_share(vintages - infected[:, None], pace_years=pace_of[:, None])
    standing = ~empty[:, None] & (dead < DEAD_FROM)
    ramp = np.ones(vintages.size)
    if plan.renewed:
        after = vintages > plan.renewed
        at_work = dead_share(plan.renewed - infected, pace_years=pace_of) < DEAD_FROM
        took = ~empty & at_work & (rng.random(len(table)) >= NO_SHOOT)
        dead = np.where(after, 0.0, dead)
        standing = np.where(after, took[:, None], standing)
        since = np.clip(vintages - plan.renewed, 1, len(RAMP))
        ramp = np.where(after, np.array(RAMP)[since - 1], 1.0)
    return np.where(standing, dead, 0.0), standing, ramp
