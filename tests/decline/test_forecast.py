"""From the posterior to courses, figures and tables: closed forms on draws that are made up."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vinemap.decline.curves import FLOOR, HELD, HELD_THEN, RECOVERING, STEADY, trace_curves
from vinemap.decline.forecast import (
    Paths,
    Posterior,
    guess_missing,
    make_draws,
    onset_mode,
    share_held,
    trace_paths,
    yearly_decline,
)
from vinemap.decline.layout import build_layout, list_series, space_of_series
from vinemap.decline.stand import Stand

VINTAGES = np.arange(2019, 2025)
YEARS = np.arange(2019, 2041)
NOW = 5  # column of 2024
ZONES = pd.DataFrame({"zone_id": ["A-Z1", "A-Z2", "B-Z1"], "block_id": ["A", "A", "B"], "variety": "Shiraz"})


class Still:
    """A generator without surprises: no straying, no onset ahead, middle uniforms."""

    def standard_normal(self, size: Any = None) -> Any:
        return np.zeros(size)

    def exponential(self, _: Any, size: Any = None) -> Any:
        return np.full(size, 1e9)

    def uniform(self, size: Any = None) -> Any:
        return np.full(size, 0.5)

    def beta(self, a: Any, b: Any, size: Any = None) -> Any:
        return np.broadcast_to(stats.beta.median(a, b), size)


def estate(*, renewed: bool = False, late: bool = False):
    """Layout and curves of three zones in two blocks; B-Z1 renewed in 2021, or A-Z2 first seen then."""
    table = pd.DataFrame({
        "zone_id": np.repeat(ZONES["zone_id"].to_numpy(), 6), "vintage": np.tile(VINTAGES, 3),
        "yield_t_ha": 10.0, "yield_se_t_ha": 0.5,
    })  # fmt: skip
    if late:
        table = table.drop(index=[6, 7])
    done = pd.DataFrame({"zone_id": ["B-Z1"], "year": [2021], "method": ["replant"]}) if renewed else None
    series, none = list_series(ZONES, done), np.zeros((3, 6))
    layout = build_layout(
        table, ZONES, series, log_stand=none, stand_variance=none, vintages=VINTAGES, settlement=None
    )
    return layout, space_of_series(series, np.full(3, 2000.0), years=YEARS, last_vintage=2024)


def posterior(
    families: list[int], *, draws: int = 1, level: float = np.log(20.0), score: float = 0.0
) -> Posterior:
    """Kinds of the series, of blocks A and B and of the estate; every parameter at the same score."""
    count = len(families)
    return Posterior(
        family=np.tile(np.array(families), (draws, 1)), scores=np.full((draws, count, 3), score),
        level=np.full((draws, count - 3), level), season=np.zeros((draws, 1, 6)),
        block_season=np.zeros((draws, 2, 6)),
    )  # fmt: skip


def standing(
    missing: float | None = None, sd: float = 0.0, growth: float = 0.0, growth_sd: float = 0.0
) -> Stand:
    counted = np.full(3, missing is not None)
    share = np.full((3, YEARS.size), missing or 0.0)
    return Stand(counted, share, np.full(share.shape, sd), np.full(3, growth), np.full(3, growth_sd),
                 np.full(3, np.nan), np.zeros(3))  # fmt: skip


def trace(made: Posterior, where, stand=None, rng: Any = None, held: float = 0.5) -> Paths:
    layout, space = where
    return trace_paths(
        made, space, layout, stand or standing(0.0), zones=np.arange(3), held=np.full(len(made.family), held),
        last_vintage=2024, rng=rng or Still(),
    )  # fmt: skip


def curve(family: int, where, owner: int = 0) -> tuple[np.ndarray, float]:
    log, onset = trace_curves(where[1], np.array([owner]), np.array([family]), np.zeros((1, 3)))
    return np.exp(log[0]), float(onset[0])


# ---------------------------------------------------------------- courses
def test_shares_kept_by_zone_block_and_estate_multiply():
    where = estate()
    steady, then = curve(STEADY, where)[0], curve(HELD_THEN, where)[0]
    made = trace(posterior([HELD_THEN, HELD, HELD, STEADY, HELD, HELD]), where)
    np.testing.assert_allclose(made.vine_kept[0], [steady * then, steady, np.ones(YEARS.size)])
    all_fall = trace(posterior([HELD, HELD, STEADY, HELD, HELD, HELD_THEN]), where)
    np.testing.assert_allclose(all_fall.vine_kept[0], [then, then, np.maximum(steady * then, FLOOR / 2)])


def test_onset_is_the_earliest_of_the_curves():
    where = estate()
    steady, then = curve(STEADY, where)[1], curve(HELD_THEN, where)[1]
    assert steady < then
    made = trace(posterior([HELD_THEN, HELD, HELD, STEADY, HELD, HELD]), where)
    assert made.onset[0, :2].tolist() == [steady, steady]
    assert np.isnan(made.onset[0, 2])
    shared = trace(posterior([HELD, HELD, STEADY, HELD, HELD, HELD_THEN]), where)
    assert shared.onset[0].tolist() == [then, then, steady]


@pytest.mark.parametrize("late", [False, True])
def test_healthy_level_gives_back_what_was_lost_before_the_first_vintage(late):
    """The level that is fitted is that of the zone's first vintage: 20 t/ha then, more when healthy."""
    where = estate(late=late)
    made = trace(posterior([STEADY, STEADY, HELD, HELD, HELD, HELD]), where)
    kept = curve(STEADY, where)[0]
    assert made.healthy[0, 0] == pytest.approx(20 / kept[0])
    assert made.healthy[0, 1] == pytest.approx(20 / kept[2 if late else 0])
    assert made.healthy[0, 2] == pytest.approx(20.0)


def test_a_renewed_zone_follows_its_new_course_from_the_vintage_after_the_work():
    """Its healthy level is not anchored; block and estate do not touch the new part, and it has no onset."""
    where = estate(renewed=True)
    made = trace(posterior([HELD, HELD, STEADY, RECOVERING, HELD, STEADY, HELD]), where)
    before, after = curve(STEADY, where)[0], curve(RECOVERING, where, owner=3)[0]
    new = np.arange(YEARS.size) >= 3  # from 2022 on
    np.testing.assert_allclose(made.vine_kept[0, 2, new], after[new])
    np.testing.assert_allclose(made.vine_kept[0, 2, ~new], np.maximum(before**2, FLOOR / 2)[~new])
    assert np.isnan(made.onset[0, 2])
    assert made.healthy[0, 2] == pytest.approx(20.0)


def test_no_course_goes_below_half_the_floor():
    where = estate()
    made = trace(posterior([STEADY, STEADY, STEADY, STEADY, STEADY, STEADY], score=3.0), where)
    assert made.vine_kept.min() == pytest.approx(FLOOR / 2)


def test_share_held_counts_zones_that_no_curve_has_touched():
    layout, space = estate()
    made = posterior([HELD, HELD, HELD, HELD, HELD, HELD], draws=4)
    made.family[1, 0] = STEADY  # one zone
    made.family[2, 3] = STEADY  # block A, two zones
    made.family[3, 5] = HELD_THEN  # the estate
    np.testing.assert_allclose(share_held(made, space, layout), [1.0, 2 / 3, 1 / 3, 0.0])
    layout, space = estate(renewed=True)
    made = posterior([HELD, HELD, HELD, RECOVERING, HELD, HELD, STEADY])
    np.testing.assert_allclose(share_held(made, space, layout), [1 / 4])  # the part after the renewal


# ---------------------------------------------------------------- what lies ahead
def test_past_is_not_touched_and_the_way_on_strays_more_every_year():
    """Log of the pace is a random walk of 15 % a root year; the median follows the curve."""
    where = estate()
    kept = curve(STEADY, where)[0]
    made = trace(posterior([STEADY, STEADY, STEADY, HELD, HELD, HELD], draws=4000), where,
                 rng=np.random.default_rng(1))  # fmt: skip
    found = made.vine_kept[:, 0]
    np.testing.assert_allclose(found[:, : NOW + 1], np.tile(kept[: NOW + 1], (4000, 1)))
    assert np.median(found[:, NOW + 1]) == pytest.approx(kept[NOW + 1], abs=0.002)
    assert np.median(found[:, NOW + 5]) == pytest.approx(kept[NOW + 5], abs=0.01)
    step = (found[:, NOW] - found[:, NOW + 1]) / (kept[NOW] - kept[NOW + 1])
    assert np.std(np.log(step)) == pytest.approx(0.15, rel=0.05)
    fourth = (found[:, NOW + 3] - found[:, NOW + 4]) / (kept[NOW + 3] - kept[NOW + 4])
    assert np.std(np.log(fourth)) == pytest.approx(0.30, rel=0.05)
    assert (np.diff(found[:, NOW:], axis=1) <= 1e-12).all()
    assert found.min() >= FLOOR - 1e-12


@pytest.mark.parametrize(("held", "yearly"), [(0.0, 0.02), (0.5, 0.01), (1.0, 0.0)])
def test_zones_that_hold_set_in_as_often_as_others_have(held, yearly):
    """2 % a year if all others had set in, nothing if none had."""
    made = trace(posterior([HELD] * 6, draws=6000), estate(), rng=np.random.default_rng(2), held=held)
    fell = made.vine_kept < 1
    assert not fell[..., : NOW + 1].any()
    for ahead in (1, 5, 16):
        share = 1 - np.exp(-yearly * ahead)
        assert fell[..., NOW + ahead].mean() == pytest.approx(share, abs=0.008)
    if yearly:
        pace = (made.vine_kept[..., -2] - made.vine_kept[..., -1])[fell[..., -2]]
        assert np.median(pace[pace > 0]) == pytest.approx(0.03, rel=0.1)


def test_zones_that_fall_do_not_set_in_a_second_time():
    where = estate()
    made = trace(
        posterior([STEADY] * 3 + [HELD] * 3, draws=3000), where, rng=np.random.default_rng(3), held=0.0
    )
    assert np.median(made.vine_kept[:, 0, -1]) == pytest.approx(curve(STEADY, where)[0][-1], abs=0.02)


def test_a_recovery_goes_on_as_it_is():
    """Only losses stray: a crop that comes back is not slowed."""
    where = estate(renewed=True)
    rng = np.random.default_rng(4)
    made = trace(
        posterior([HELD, HELD, HELD, RECOVERING, HELD, HELD, HELD], draws=200), where, rng=rng, held=1.0
    )
    after = curve(RECOVERING, where, owner=3)[0]
    np.testing.assert_allclose(made.vine_kept[:, 2, 3:], np.tile(after[3:], (200, 1)))


# ---------------------------------------------------------------- stand
def test_stand_counted_has_its_own_error_and_stays_level_without_a_trend():
    """One error a draw: fewer vines are fewer in all years; growth that is not clear stops."""
    unclear = standing(0.2, sd=0.05, growth=0.01, growth_sd=0.008)
    made = trace(posterior([HELD] * 6, draws=4000), estate(), unclear,
                 rng=np.random.default_rng(5), held=1.0)  # fmt: skip
    share = made.stand_kept[:, 0]
    assert share.mean() == pytest.approx(0.8, abs=0.005)
    np.testing.assert_allclose(share.std(axis=0), 0.05, rtol=0.05)
    assert (np.ptp(share, axis=1) < 1e-12).all()
    np.testing.assert_allclose(made.healthy, 20.0)


def test_stand_with_a_clear_trend_goes_on_thinning_after_the_last_vintage():
    made = trace(posterior([HELD] * 6, draws=3000), estate(), standing(0.2, growth=0.02, growth_sd=0.005),
                 rng=np.random.default_rng(6), held=1.0)  # fmt: skip
    share = made.stand_kept[:, 0]
    np.testing.assert_allclose(share[:, : NOW + 1], 0.8)
    for ahead in (1, 10):
        assert share[:, NOW + ahead].mean() == pytest.approx(0.8 - 0.02 * ahead, abs=0.003)
        assert share[:, NOW + ahead].std() == pytest.approx(0.005 * ahead, rel=0.06)


def test_stand_stays_between_all_and_one_in_twenty():
    wide = trace(
        posterior([HELD] * 6, draws=500), estate(), standing(0.5, sd=1.0), rng=np.random.default_rng(7)
    )
    assert wide.stand_kept.min() == pytest.approx(0.05)
    assert wide.stand_kept.max() == 1.0


def test_growth_is_never_negative():
    """Missing vines do not come back by themselves."""
    made = trace(posterior([HELD] * 6, draws=500), estate(), standing(0.2, growth=0.001, growth_sd=0.0004),
                 rng=np.random.default_rng(8), held=1.0)  # fmt: skip
    assert (np.diff(made.stand_kept, axis=2) <= 0).all()


def test_a_zone_nobody_counted_yields_what_its_stand_lets_it():
    """The guess lowers what stands now and lifts the healthy level: what is yielded now stays."""
    made = trace(
        posterior([HELD] * 6, draws=800), estate(), standing(None), rng=np.random.default_rng(9), held=1.0
    )
    guess = 1 - made.stand_kept[..., NOW]
    assert 0 < np.median(guess) < 0.05
    assert (np.ptp(made.stand_kept, axis=2) == 0).all()
    np.testing.assert_allclose(made.healthy * made.kept[..., NOW], 20.0)


PRIOR = ((0.8, 0.9, 30.0), (0.2, 2.0, 8.0))  # four zones in five have few gaps, one in five many
SOILS = ((0.75, 0.12), (0.25, 0.35))  # soils of a block differ a little, some by far


@pytest.mark.parametrize("level", [20.0, 14.0, 8.0])
def test_guess_of_gaps_is_the_posterior_given_how_low_the_zone_lies(level):
    """Beta mixture times a normal mixture for the soil, about the mean of the block's other zones."""
    drawn = guess_missing(np.tile(np.log([20.0, 20.0, level]), (20_000, 1)), np.zeros(3, dtype=int),
                          rng=np.random.default_rng(1))[:, 2]  # fmt: skip
    share = np.linspace(0.001, 0.6, 1200)
    prior = sum(weight * stats.beta.pdf(share, a, b) for weight, a, b in PRIOR)
    soil = np.log(level / 20) - np.log1p(-share)
    like = sum(weight * stats.norm.pdf(soil, scale=sd * np.sqrt(1.5)) for weight, sd in SOILS)
    total = np.cumsum(prior * like)
    exact = np.interp([0.25, 0.5, 0.75, 0.95], total / total[-1], share)
    np.testing.assert_allclose(np.quantile(drawn, [0.25, 0.5, 0.75, 0.95]), exact, atol=0.006)
    assert ((drawn > 0) & (drawn < 0.6)).all()


def test_a_zone_alone_in_its_block_has_only_the_prior():
    level = np.tile(np.log([20.0, 5.0]), (20_000, 1))
    drawn = guess_missing(level, np.array([0, 1]), rng=np.random.default_rng(2))
    for zone in range(2):
        below = sum(weight * stats.beta.cdf([0.02, 0.05, 0.2], a, b) for weight, a, b in PRIOR)
        np.testing.assert_allclose(
            [(drawn[:, zone] < at).mean() for at in (0.02, 0.05, 0.2)], below, atol=0.02
        )


# ---------------------------------------------------------------- draws and their summaries
def paths(kept: np.ndarray, *, stand: float = 1.0, onset: np.ndarray | None = None) -> Paths:
    """Draws (draw, Z, T) of a share kept per vine, with an even stand."""
    draws, zones, _ = kept.shape
    none = np.full((draws, zones), np.nan)
    return Paths(YEARS, kept, np.full(kept.shape, stand), np.full((draws, zones), 20.0),
                 none if onset is None else onset)  # fmt: skip


def test_draws_are_yields_of_the_years_ahead():
    kept = np.linspace(1.0, 0.58, YEARS.size)[None, None].repeat(2, axis=0)
    one = standing(0.1).of(np.array([0]))
    made = make_draws(paths(kept, stand=0.9), one, ["A"], last_vintage=2024, horizon_year=2030,
                      rng=np.random.default_rng(1))  # fmt: skip
    assert made.years.tolist() == [2025, 2026, 2027, 2028, 2029, 2030]
    np.testing.assert_allclose(made.keep_t_ha[0, 0], 20 * 0.9 * kept[0, 0, 6:12])
    np.testing.assert_allclose(made.now_t_ha, 20 * 0.9 * kept[0, 0, NOW])
    np.testing.assert_allclose(made.healthy_t_ha, 20.0)
    np.testing.assert_allclose(made.missing_share, 0.1)
    assert made.zone_ids == ["A"]


def test_symptoms_nobody_counted_are_drawn_from_the_loss_of_the_vine():
    """A third lost by vine and a tenth of the places empty: they follow the vine (Munkvold et al.)."""
    kept = np.full((4000, 1, YEARS.size), 1.0)
    kept[..., NOW:] = 0.67
    made = make_draws(paths(kept, stand=0.9), standing(0.1).of(np.array([0])), ["A"], last_vintage=2024,
                      horizon_year=2030, rng=np.random.default_rng(1))  # fmt: skip
    assert np.median(made.symptomatic_share) == pytest.approx(0.03 + 0.33 / 0.945, abs=0.02)


def test_yearly_decline_is_the_mean_of_the_last_three_years():
    kept = np.ones((1, 1, YEARS.size))
    kept[0, 0, 2:6] = [0.9, 0.9, 0.8, 0.6]
    assert yearly_decline(paths(kept), last_vintage=2024)[0, 0] == pytest.approx(10.0)
    assert yearly_decline(paths(kept, stand=0.5), last_vintage=2024)[0, 0] == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("onset", "mode"),
    [
        (
            [2020.4, 2020.6, 2020.9, 2023.0],
            2021,
        ),  # a loss that sets in within a year shows in the next vintage
        ([2020.0, 2020.0, 2022.0], 2020),
        ([2010.0, 2011.0, 2012.0, 2022.5], 2019),  # earlier than the first vintage: the first
        ([2030.0, 2031.0], 2024),
        ([2021.0, 2022.0, 2022.0, 2023.0, 2019.0, 2019.0], 2022),  # smoothed over neighbouring years
        ([2021.0, np.nan, np.nan, np.nan], 2021),
    ],
)
def test_onset_mode(onset, mode):
    made = np.array(onset)
    assert onset_mode(made, np.ones(made.size, dtype=bool), first=2019, last=2024) == mode


def test_onset_of_draws_that_do_not_decline_does_not_count():
    made = np.array([2020.0, 2020.0, 2022.0])
    assert onset_mode(made, np.array([False, False, True]), first=2019, last=2024) == 2022
    assert np.isnan(onset_mode(made, np.zeros(3, dtype=bool), first=2019, last=2024))
    assert np.isnan(onset_mode(np.full(2, np.nan), np.ones(2, dtype=bool), first=2019, last=2024))
