"""The sampler's steps against the same Gaussian algebra written out densely, and against plain densities.

What is invented: two varieties, three blocks, a renewed zone, gaps, a settlement error and one covariate.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vinemap.decline.layout import build_layout, list_series, space_of_series
from vinemap.decline.sampler import SD_GRID, SD_NAMES, Priors, Reference, Sampler, weight_grid
from vinemap.decline.signs import SignTable
from vinemap.decline.symptoms import SymptomTable

VINTAGES = np.arange(2019, 2025)
ZONES = pd.DataFrame({
    "zone_id": ["A-Z1", "A-Z2", "B-Z1", "B-Z2", "B-Z3", "C-Z1"], "block_id": list("AABBBC"),
    "variety": ["Shiraz"] * 5 + ["Merlot"],
})  # fmt: skip
SCALES = dict(zip(SD_NAMES, (0.21, 0.05, 0.07, 0.33, 0.16, 0.09), strict=True))


class Watched:
    """A generator that notes the Gumbel noise it gave, and gives zeros for normals where told."""

    def __init__(self, seed: int, *, still: bool = False) -> None:
        self.rng, self.still, self.noise = np.random.default_rng(seed), still, []

    def gumbel(self, size: Any = None) -> np.ndarray:
        self.noise.append(self.rng.gumbel(size=size))
        return self.noise[-1]

    def standard_normal(self, size: Any = None) -> np.ndarray:
        return np.zeros(size) if self.still else self.rng.standard_normal(size)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.rng, name)


def make(
    *, varieties: bool = True, reference: Reference | None = None, rng: Any = None, **more: Any
) -> Sampler:
    zones = ZONES if varieties else ZONES.assign(variety="Shiraz")
    own = np.random.default_rng(7)
    amount = 15 * np.exp(own.normal(0, 0.3, (6, 6)))
    amount[1, 2] = amount[4, 0] = np.nan
    table = pd.DataFrame({
        "zone_id": np.repeat(zones["zone_id"].to_numpy(), 6), "vintage": np.tile(VINTAGES, 6),
        "yield_t_ha": amount.ravel(), "yield_se_t_ha": 0.4,
    })  # fmt: skip
    series = list_series(zones, pd.DataFrame({"zone_id": ["B-Z2"], "year": [2021], "method": ["replant"]}))
    widths = table.assign(width=50 * np.exp(own.normal(0, 0.2, 36)))[["zone_id", "vintage", "width"]]
    layout = build_layout(
        table, zones, series, log_stand=np.zeros((6, 6)), stand_variance=np.zeros((6, 6)), vintages=VINTAGES,
        settlement=pd.DataFrame({"block_id": ["A", "C"], "vintage": [2020, 2023], "factor_se": [0.1, 0.2]}),
        adjustments=widths,
    )  # fmt: skip
    space = space_of_series(series, np.full(6, 2000.0), years=np.arange(2019, 2031), last_vintage=2024)
    names = zones["zone_id"].tolist()
    sampler = Sampler(
        layout, space, symptoms=SymptomTable(layout, space.years, None, names),
        signs=SignTable(layout, space.years, None, names, own), priors=Priors(**more),
        rng=own if rng is None else rng, reference=reference, per_family=5,
    )  # fmt: skip
    sampler.sd = dict(SCALES)
    weights = np.random.default_rng(8)
    sampler.weight = weights.uniform(0.5, 2, sampler.shape)
    sampler.season_weight = weights.uniform(0.5, 2, sampler.season_weight.shape)
    sampler.block_weight = weights.uniform(0.5, 2, sampler.block_weight.shape)
    return sampler


def keys(sampler: Sampler) -> list[tuple[int, int, int]]:
    """Block, slot and vintage of every yield that was seen."""
    return [tuple(int(x) for x in one) for one in np.argwhere(sampler.layout.seen)]


def zone_of(sampler: Sampler, block: int, slot: int) -> int:
    return sampler.layout.series[sampler.layout.slot[block, slot]].zone


def own_covariance(sampler: Sampler, *, error: bool = True) -> np.ndarray:
    """Of the yields seen, by levels, block seasons and errors: the terms of the model one by one."""
    seen, layout = keys(sampler), sampler.layout
    out = np.zeros((len(seen), len(seen)))
    for i, (b, s, v) in enumerate(seen):
        for j, (c, t, w) in enumerate(seen):
            if b != c:
                continue
            out[i, j] += SCALES["block"] ** 2
            out[i, j] += SCALES["zone"] ** 2 * (zone_of(sampler, b, s) == zone_of(sampler, c, t))
            if v == w:
                known = SCALES["block_vintage"] ** 2 / sampler.block_weight[b, v]
                out[i, j] += known + layout.factor_variance[b, v]
            if i == j and error:
                own = SCALES["error"] ** 2 / sampler.weight[b, s, v]
                out[i, j] += own + layout.noise_variance[b, s, v]
    return out


def shared_covariance(sampler: Sampler) -> np.ndarray:
    """Of the yields seen, by what blocks share: intercept, seasons, varieties' seasons, the covariate."""
    seen, layout = keys(sampler), sampler.layout
    out = np.zeros((len(seen), len(seen)))
    for i, (b, s, v) in enumerate(seen):
        for j, (c, t, w) in enumerate(seen):
            out[i, j] = 2.0**2 + 0.5**2 * float(layout.adjustment[b, s, v] @ layout.adjustment[c, t, w])
            if v == w:
                out[i, j] += SCALES["vintage"] ** 2 / sampler.season_weight[v]
                if len(layout.varieties) > 1 and layout.variety[b] == layout.variety[c]:
                    place = 6 * (1 + layout.variety[b]) + v
                    out[i, j] += SCALES["variety"] ** 2 / sampler.season_weight[place]
    return out


def swept(sampler: Sampler, monkeypatch) -> dict[str, np.ndarray]:
    """What a sweep hands to the choice of curves; no curve is changed."""
    told: dict[str, np.ndarray] = {}

    def draw(inverse, projected, covariance, target, extra_score):
        told.update(inverse=inverse, projected=projected, covariance=covariance, target=target)

    monkeypatch.setattr(sampler.choice, "draw", draw)
    monkeypatch.setattr(sampler.choice, "fitted", lambda: np.zeros(sampler.shape))
    sampler.sweep()
    return told


@pytest.mark.parametrize("varieties", [True, False])
def test_what_the_curves_are_weighed_with_is_the_models_covariance(monkeypatch, varieties):
    """Inverse of each block, and all shared effects integrated out, against the terms summed pair by pair."""
    sampler = make(varieties=varieties)
    seen = np.flatnonzero(sampler.layout.seen)
    own, shared = own_covariance(sampler), shared_covariance(sampler)
    told = swept(sampler, monkeypatch)
    places = sampler.shape[1] * sampler.shape[2]
    precision = np.zeros((3 * places, 3 * places))
    for block, inverse in enumerate(told["inverse"]):
        precision[block * places : (block + 1) * places, block * places : (block + 1) * places] = inverse
    np.testing.assert_allclose(precision[np.ix_(seen, seen)], np.linalg.inv(own), atol=0.02)
    whole = told["projected"].reshape(3 * places, -1)
    precision -= whole @ told["covariance"] @ whole.T
    exact = np.linalg.inv(own + shared)
    np.testing.assert_allclose(precision[np.ix_(seen, seen)], exact, rtol=1e-3, atol=0.02)
    layout = sampler.layout
    centred = layout.log_yield - layout.log_yield[layout.seen].mean()
    np.testing.assert_allclose(told["target"], np.where(layout.seen, centred, 0.0))


def test_effects_levels_and_block_seasons_have_their_exact_means(monkeypatch):
    """With no noise in the draws, each is the posterior mean of its term given the yields."""
    sampler = make(rng=Watched(1, still=True))
    own, shared = own_covariance(sampler), shared_covariance(sampler)
    y = (sampler.layout.log_yield - sampler.layout.log_yield[sampler.layout.seen].mean())[sampler.layout.seen]
    fitted = shared @ np.linalg.solve(own + shared, y)  # what is shared
    levels = own_covariance(sampler, error=False)
    monkeypatch.setattr(sampler, "_draw_scales", lambda: None)
    swept(sampler, monkeypatch)
    at = tuple(np.array(keys(sampler)).T)
    shared_found = (sampler.design @ sampler.effect).reshape(sampler.shape)[at]
    np.testing.assert_allclose(shared_found, fitted, atol=1e-3)
    left = levels @ np.linalg.solve(own, y - fitted)  # levels and block seasons, given what is shared
    np.testing.assert_allclose(y - fitted - left, sampler.residual[at], atol=1e-3)
    assert (sampler.residual[~sampler.layout.seen] == 0).all()
    block, slot, vintage = at
    made = sampler.level[block, slot] - sampler.effect[0] + sampler.block_season[block, vintage]
    np.testing.assert_allclose(made, left, atol=1e-3)
    renewed = np.argwhere(sampler.layout.slot == 6)[0]
    before = np.argwhere(sampler.layout.slot == 3)[0]
    assert sampler.level[tuple(renewed)] == sampler.level[tuple(before)]  # parts share the healthy level


def test_season_of_a_variety_is_shared_and_own_together(monkeypatch):
    sampler = make(rng=Watched(1, still=True))
    monkeypatch.setattr(sampler, "_draw_scales", lambda: None)
    swept(sampler, monkeypatch)
    names = sampler.layout.varieties
    assert sampler.season.shape == (len(names), 6)
    for block, slot, vintage in keys(sampler):
        shared = sampler.design.reshape(*sampler.shape, -1)[block, slot, vintage] @ sampler.effect
        covariate = float(sampler.layout.adjustment[block, slot, vintage] @ sampler.effect[sampler.adjusted])
        season = sampler.season[sampler.layout.variety[block], vintage]
        assert shared == pytest.approx(sampler.effect[0] + season + covariate)
    alone = make(varieties=False, rng=Watched(1, still=True))
    swept(alone, monkeypatch)
    assert alone.season.shape == (1, 6)


def test_outside_series_is_a_measurement_of_the_seasons():
    """All varieties together: the shared season; of one variety: with its own. Its level is free."""
    log = np.array([[2.0, 2.1, np.nan, 1.8, 2.3, 2.2], [1.0, np.nan, 1.3, 1.2, 0.9, 1.1]])
    sampler = make(reference=Reference(log, [-1, 0]))
    width = sampler.design.shape[2]
    assert (sampler.design[..., -2:] == 0).all()  # their levels have nothing to do with yields
    found, score = np.zeros((width, width)), np.zeros(width)
    for place, code in enumerate((-1, 0)):
        for vintage in np.flatnonzero(np.isfinite(log[place])):
            row = np.zeros(width)
            row[1 + vintage] = 1.0
            row[width - 2 + place] = 1.0
            if code >= 0:
                row[1 + 6 * (1 + code) + vintage] = 1.0
            found += np.outer(row, row) / 0.07**2
            score += row * (log[place, vintage] - np.nanmean(log[place])) / 0.07**2
    np.testing.assert_allclose(sampler.extra_precision, found)
    np.testing.assert_allclose(sampler.extra_score, score)


def test_where_one_variety_is_grown_its_series_is_that_of_all():
    log = np.array([[2.0, 2.1, np.nan, 1.8, 2.3, 2.2]])
    of_all, of_one = (make(varieties=False, reference=Reference(log, [code])) for code in (-1, 0))
    np.testing.assert_array_equal(of_one.extra_precision, of_all.extra_precision)
    np.testing.assert_array_equal(of_one.extra_score, of_all.extra_score)
    several = make(reference=Reference(log, [-1]))
    varieties = slice(7, several.seasons.stop)  # a series of all says nothing of a variety by itself
    assert (several.extra_precision[varieties] == 0).all()


def test_spread_of_draws_is_the_posterior_spread(monkeypatch):
    """Five hundred draws of the shared effects and of the levels, given the same scales."""
    sampler = make(rng=Watched(3))
    own, shared = own_covariance(sampler), shared_covariance(sampler)
    monkeypatch.setattr(sampler, "_draw_scales", lambda: None)
    at, drawn, level = tuple(np.array(keys(sampler)).T), [], []
    for _ in range(600):
        swept(sampler, monkeypatch)
        drawn.append((sampler.design @ sampler.effect).reshape(sampler.shape)[at])
        level.append(sampler.residual[at])
    exact = shared - shared @ np.linalg.solve(own + shared, shared)
    np.testing.assert_allclose(np.std(drawn, axis=0), np.sqrt(np.diag(exact)), rtol=0.15)
    both = own + shared
    error = np.diag(own - own_covariance(sampler, error=False))
    left = error - error**2 * np.diag(np.linalg.inv(both))  # what errors may be, given the yields
    np.testing.assert_allclose(np.std(level, axis=0), np.sqrt(left), rtol=0.15)


# ---------------------------------------------------------------- scales, by plain densities
def nearest(sampler: Sampler, density: np.ndarray) -> float:
    """Where the grid of standard deviations has the highest density with the noise of the last draw."""
    return float(SD_GRID[np.argmax(density + sampler.rng.noise[-1])])


@pytest.mark.parametrize("seed", range(25))
def test_a_standard_deviation_is_drawn_by_its_density(seed):
    """Normal values, half-normal prior; the grid is even in the log, hence the SD once more."""
    sampler = make(rng=Watched(seed))
    rng = np.random.default_rng(seed)
    values, known, weight = rng.normal(0, 0.2, 5), rng.uniform(0, 0.04, 5), rng.uniform(0.5, 2, 5)
    prior = stats.halfnorm.logpdf(SD_GRID, scale=0.3) + np.log(SD_GRID)
    plain = np.array([stats.norm.logpdf(values, scale=one).sum() for one in SD_GRID]) + prior
    assert sampler._draw_sd(values, 0.3) == nearest(sampler, plain)
    mixed = [stats.norm.logpdf(values, scale=np.sqrt(one**2 / weight + known)).sum() for one in SD_GRID]
    assert sampler._draw_sd(values, 0.3, known, weight) == nearest(sampler, np.array(mixed) + prior)


@pytest.mark.parametrize("seed", range(25))
def test_scale_of_the_errors_is_drawn_by_its_density(seed):
    sampler = make(rng=Watched(seed), sd_error=0.2)
    seen = sampler.layout.seen
    sampler.residual = np.where(seen, np.random.default_rng(seed).normal(0, 0.15, sampler.shape), 0.0)
    sampler._draw_error()
    noise, weight, residual = (
        sampler.layout.noise_variance[seen],
        sampler.weight[seen],
        sampler.residual[seen],
    )
    log = [stats.norm.logpdf(residual, scale=np.sqrt(noise + one**2 / weight)).sum() for one in SD_GRID]
    log += stats.halfnorm.logpdf(SD_GRID, scale=0.2) + np.log(SD_GRID)
    assert sampler.sd["error"] == nearest(sampler, np.array(log))
    grid = weight_grid(sampler.priors.degrees)
    scale = np.sqrt(SCALES["error"] ** 2 / grid + noise[:, None])
    fit = stats.norm.logpdf(residual[:, None], scale=scale) + sampler.rng.noise[-2]
    np.testing.assert_array_equal(weight, grid[np.argmax(fit, axis=1)])


def test_each_scale_is_drawn_from_its_own_effects(monkeypatch):
    """What every standard deviation is told: its effects, its prior, what is known of them."""
    sampler = make(rng=Watched(5))
    swept(sampler, monkeypatch)
    told = []
    monkeypatch.setattr(sampler, "_draw_sd", lambda *given: told.append(given) or 0.1)
    monkeypatch.setattr(sampler, "_draw_error", lambda: None)
    monkeypatch.setattr(sampler, "_draw_season_weights", lambda _: None)
    sampler._draw_scales()
    priors, layout = sampler.priors, sampler.layout
    assert [one[1] for one in told] == [priors.sd_vintage, priors.sd_variety, priors.sd_block_vintage,
                                        priors.sd_block, priors.sd_zone]  # fmt: skip
    seasons = sampler.effect[1:7] * np.sqrt(sampler.season_weight[:6])
    np.testing.assert_allclose(told[0][0], seasons)
    np.testing.assert_allclose(told[1][0], sampler.effect[7:19] * np.sqrt(sampler.season_weight[6:]))
    had = layout.seen.any(axis=1)
    np.testing.assert_allclose(told[2][0], sampler.block_season[had])
    np.testing.assert_allclose(told[2][2], layout.factor_variance[had])
    assert told[3][0].shape == (3,)
    assert told[4][0].shape == (6,)  # a zone counts once, its renewed part with it


@pytest.mark.parametrize("seed", range(5))
def test_weights_of_seasons_are_drawn_with_their_own_scale(seed, monkeypatch):
    """Seasons with the estate's scale, varieties' seasons with theirs, blocks' with theirs and the known."""
    sampler = make(rng=Watched(seed))
    monkeypatch.setattr(sampler, "_draw_scales", lambda: None)
    swept(sampler, monkeypatch)
    season = sampler.effect[sampler.seasons]
    sampler._draw_season_weights(season)
    grid = weight_grid(sampler.priors.season_degrees)
    sd = np.r_[np.full(6, SCALES["vintage"]), np.full(12, SCALES["variety"])]
    fit = stats.norm.logpdf(season[:, None], scale=sd[:, None] / np.sqrt(grid)) + sampler.rng.noise[-2]
    np.testing.assert_array_equal(sampler.season_weight, grid[np.argmax(fit, axis=1)])
    scale = np.sqrt(SCALES["block_vintage"] ** 2 / grid + sampler.layout.factor_variance[..., None])
    fit = stats.norm.logpdf(sampler.block_season[..., None], scale=scale) + sampler.rng.noise[-1]
    np.testing.assert_array_equal(sampler.block_weight, grid[np.argmax(fit, axis=2)])


@pytest.mark.parametrize("degrees", [3.0, 6.0])
def test_weights_make_a_normal_a_student(degrees):
    """Mean precision 1; the mixture has the quantiles of Student's t well into the tails."""
    grid = weight_grid(degrees)
    assert np.mean(grid) == pytest.approx(1.0, abs=0.05)
    for at in (0.5, 1.0, 2.0, 3.0):
        mixed = np.mean(stats.norm.sf(at * np.sqrt(grid)))
        assert mixed == pytest.approx(stats.t.sf(at, degrees), rel=0.12)
    assert weight_grid(np.inf).tolist() == [1.0]


def test_grid_of_scales_spans_what_yields_can_do():
    """From under the sampling error to a yield that varies fourfold, in steps of about a tenth."""
    assert SD_GRID[0] < 0.01
    assert 1.0 < SD_GRID[-1] < 2.0
    steps = SD_GRID[1:] / SD_GRID[:-1]
    assert steps.max() < 1.15
    np.testing.assert_allclose(steps, steps[0])


def test_a_chain_keeps_as_many_draws_as_asked_and_gives_levels_back_whole():
    sampler = make()
    out = sampler.run(burn=2, keep=3)
    assert len(out.family) == len(out.level) == len(out.season) == len(out.block_season) == len(out.sd) == 3
    assert out.family[0].shape == (7 + 3 + 1,)  # series, blocks, the estate
    assert out.scores[0].shape == (11, 3)
    assert out.slope[0].shape == (1,)
    assert np.mean(out.level) == pytest.approx(np.log(15), abs=0.6)  # [log t/ha], not centred
    assert out.sd[0].tolist() != out.sd[2].tolist()
