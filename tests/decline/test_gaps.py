"""Gaps that were counted once: they may be as old as the planting, or the vines may have gone lately."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vinemap.decline.gaps import EXPONENTS, PRIOR, TRIED, GapState, open_backwards, trace_gaps
from vinemap.decline.layout import build_layout, list_series
from vinemap.decline.stand import interpolate_stand

YEARS = np.arange(2016, 2031)
LATE = np.array([0, 0, 0, 0, 0.05, 0.15, 0.30, 0.45])  # share missing by vintage


def count(*lines: tuple[str, int, float]) -> pd.DataFrame:
    table = pd.DataFrame(list(lines), columns=["zone_id", "vintage", "missing_pct"])
    return table.assign(symptomatic_pct=np.nan, vines=1000)


def opened(counts: pd.DataFrame | None, zone_ids: list[str], planted: float = 2006.0):
    level = interpolate_stand(counts, zone_ids, YEARS)
    return level, *open_backwards(level, counts, zone_ids, np.full(len(zone_ids), planted), YEARS)


def test_courses_are_powers_of_the_age():
    """By hand: planted 2006, counted 2026; at ten of twenty years 0.5^k of the gaps were there."""
    made = trace_gaps(YEARS, planted=2006.0, first=2026.0, last=2026.0, goes_on=False)
    assert made[:, 0] == pytest.approx(0.5**EXPONENTS)
    assert (made[:, YEARS >= 2026] == 1).all()
    assert (np.diff(made, axis=1) >= 0).all()


def test_vines_go_on_missing_after_a_single_count_as_before_it():
    made = trace_gaps(YEARS, planted=2006.0, first=2026.0, last=2027.0, goes_on=True)
    linear = EXPONENTS.tolist().index(1.0)
    assert made[linear, YEARS == 2029] == pytest.approx(1 + 2 / 20)  # a twentieth a year since 2027
    assert (made[0] == 1).all()
    last = np.diff(made, axis=1)[:, -1]
    assert last == pytest.approx((1 - 0.75**EXPONENTS) / 5)  # mean of the five years before the first count


def test_open_are_zones_whose_counts_do_not_show_a_stand_that_holds():
    counts = count(
        ("once", 2026, 30.0), ("agree", 2020, 10.0), ("agree", 2023, 10.0), ("near", 2025, 10.0),
        ("near", 2026, 10.0), ("grows", 2020, 5.0), ("grows", 2026, 30.0), ("start", 2016, 30.0),
        ("unseen", 2026, np.nan), ("full", 2026, 0.0),
    )  # fmt: skip
    names = ["once", "agree", "near", "grows", "start", "unseen", "full", "never"]
    level, standing, gaps = opened(counts, names)
    assert gaps.is_open.tolist() == [True, False, True, True, False, False, False, False]
    assert (gaps.course[~gaps.is_open] == 1).all()
    assert gaps.course[3, -1, YEARS == 2020] == 1  # from the first count on the counts speak
    assert gaps.course[3, -1, -1] == 1
    once = standing.missing_sd[0]
    assert (once[YEARS < 2026] == once[YEARS == 2026]).all()  # courses take the doubt over
    assert (standing.missing_sd[1] == level.missing_sd[1]).all()


def test_planting_year_that_is_not_known_counts_as_fifteen_years_ago():
    counts = count(("A", 2026, 30.0))
    _, _, told = opened(counts, ["A"], planted=2001.0)
    _, _, untold = opened(counts, ["A"], planted=np.nan)
    assert (told.course == untold.course).all()


def state(seed: int, renewals: pd.DataFrame | None = None) -> GapState:
    zones = pd.DataFrame({"zone_id": ["A", "B"], "block_id": "X", "variety": "Shiraz"})
    counts = count(("A", 2026, 30.0), ("B", 2026, 40.0))
    vintages = np.arange(2019, 2027)
    table = pd.DataFrame({"zone_id": np.repeat(["A", "B"], 8), "vintage": np.tile(vintages, 2),
                          "yield_t_ha": 10.0, "yield_se_t_ha": 0.3})  # fmt: skip
    _, standing, gaps = opened(counts, ["A", "B"])
    layout = build_layout(
        table.drop(index=2), zones, list_series(zones, renewals), log_stand=np.zeros((2, 8)),
        stand_variance=np.zeros((2, 8)), vintages=vintages, settlement=None,
    )  # fmt: skip
    return GapState(layout, standing, gaps, YEARS, np.random.default_rng(seed))


def test_effect_on_log_yield_is_that_of_the_vines_still_there():
    """By hand: 0.3 missing at 20 years of age is 0.3 x (13/20)^2 at 13; the log yield held 1 - 0.3."""
    made = state(1)
    squared = EXPONENTS.tolist().index(2.0)
    assert made.log_stand[0, squared, 0] == pytest.approx(np.log((1 - 0.3 * 0.65**2) / 0.7), rel=0.01)
    assert made.log_stand[0, :, -1] == pytest.approx(0)
    assert (made.log_stand[:, 0] == 0).all()
    assert (made.log_stand[0, :, 2] == 0).all()  # no yield of that vintage


def test_renewed_zone_stays_as_it_was_counted():
    renewals = pd.DataFrame({"zone_id": ["B"], "year": [2021], "method": ["trunk_renewal"]})
    made = state(1, renewals)
    assert made.rows.tolist() == [0]
    assert made.by_zone(2)[1] == 0


def test_choosing_among_the_courses_tried_keeps_their_prior():
    """Chosen in proportion to the prior alone, the share of every course must come out as the prior."""
    made, rng = state(2), np.random.default_rng(3)
    seen = np.zeros(EXPONENTS.size)
    for _ in range(6000):
        tried = made.propose(slice(0, 2))
        assert tried.shape == (2, TRIED)
        assert all(len(set(row)) == TRIED for row in tried.tolist())
        score = np.log(PRIOR[tried]) + rng.gumbel(size=tried.shape)
        made.course[:] = tried[[0, 1], score.argmax(axis=1)]
        np.add.at(seen, made.course, 1)
    assert PRIOR.sum() == pytest.approx(1)
    assert seen / seen.sum() == pytest.approx(PRIOR, abs=0.02)


def missing_at_the_end(make_estate, fit, gone: np.ndarray, *, seed: int):
    """First zone with these gaps by vintage and no other loss, counted in the last vintage only."""
    loss = np.zeros((12, 8))
    loss[0] = gone
    table, zones = make_estate(loss=loss, seed=seed)
    lines = [(zone, 2026, 100 * gone[-1] * (zone == zones["zone_id"][0])) for zone in zones["zone_id"]]
    return fit(table, zones, stand=count(*lines), seed=seed).zones


def test_vines_lost_lately_leave_the_healthy_level_as_it_was(make_estate, fit):
    found = missing_at_the_end(make_estate, fit, LATE, seed=31)
    one = found.iloc[0]
    assert one["loss_pct"] == pytest.approx(45, abs=6)  # 70 if the gaps counted as old
    assert one["loss_pct_low"] <= 45 <= one["loss_pct_high"]
    assert one["chance_declining"] > 0.9
    assert one["vine_loss_pct"] < 15


def test_gaps_as_old_as_the_planting_are_no_decline(make_estate, fit):
    found = missing_at_the_end(make_estate, fit, np.full(8, 0.30), seed=33)
    one = found.iloc[0]
    assert one["loss_pct"] == pytest.approx(30, abs=5)
    assert one["chance_declining"] < 0.8  # the level from which decline is claimed
    assert one["decline_pct_per_year_low"] < 0.5
