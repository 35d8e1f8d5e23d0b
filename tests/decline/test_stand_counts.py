"""Counts of missing vines and of symptoms, worked out by hand zone by zone."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vinemap.decline.stand import draw_symptomatic, effective_vines, interpolate_stand

YEARS = np.arange(2020, 2027)


def table(*rows: tuple[int, float, float, float]) -> pd.DataFrame:
    """Counts of one zone: vintage, missing [%], with symptoms [%], vines looked at."""
    frame = pd.DataFrame(rows, columns=["vintage", "missing_pct", "symptomatic_pct", "vines"])
    return frame.assign(zone_id="A")


def test_effective_vines_follow_the_design_effect():
    assert effective_vines(np.array([0.0, 124.0, 248.0])).tolist() == pytest.approx([0.0, 100.0, 200.0])


def test_nothing_counted_is_nothing_known():
    for none in (None, table().iloc[:0]):
        made = interpolate_stand(none, ["A", "B"], YEARS)
        assert not made.counted.any()
        assert (made.missing == 0).all()
        assert (made.missing_sd == 0).all()
        assert np.isnan(made.symptomatic).all()
        assert (made.symptomatic_n == 0).all()


def test_one_count_stands_for_all_years_with_growing_doubt():
    """Agresti-like share (x + 1/2) / (n + 1); binomial error, and 5 % of the share a year of age."""
    made = interpolate_stand(table((2022, 10.0, np.nan, 124.0)), ["A"], YEARS)
    share = 10.5 / 101
    np.testing.assert_allclose(made.missing[0], share)
    away = np.abs(YEARS - 2022)
    variance = share * (1 - share) / 101 + (0.05 * share * away) ** 2
    np.testing.assert_allclose(made.missing_sd[0], np.sqrt(variance))
    assert np.argmin(made.missing_sd[0]) == 2
    assert (np.diff(made.missing_sd[0][2:]) > 0).all()
    assert made.yearly_growth[0] == made.growth_sd[0] == 0


def test_counts_that_differ_are_joined_by_a_line_and_grow_on():
    """5 % in 2021, 25 % in 2025, 1,240 vines each: level before and after, 5 points a year of growth."""
    made = interpolate_stand(table((2025, 25.0, np.nan, 1240.0), (2021, 5.0, np.nan, 1240.0)), ["A"], YEARS)
    low, high = 50.5 / 1001, 250.5 / 1001
    np.testing.assert_allclose(made.missing[0], np.interp(YEARS, [2021, 2025], [low, high]))
    assert made.yearly_growth[0] == pytest.approx(0.05)
    variance = np.array([low * (1 - low), high * (1 - high)]) / 1001
    assert made.growth_sd[0] == pytest.approx(np.sqrt(variance.sum()) / 4)  # of a difference over four years
    expected = np.interp(YEARS, [2021, 2025], variance)
    away = np.array([1, 0, 1, 2, 1, 0, 1])
    expected += (0.05 * made.missing[0] * away) ** 2
    np.testing.assert_allclose(made.missing_sd[0], np.sqrt(expected))


def test_three_counts_grow_by_weighted_least_squares():
    counts = table((2020, 4.0, np.nan, 620.0), (2022, 9.0, np.nan, 1240.0), (2026, 20.0, np.nan, 1240.0))
    made = interpolate_stand(counts, ["A"], YEARS)
    worth = np.array([500.0, 1000.0, 1000.0])
    smooth = (np.array([0.04, 0.09, 0.20]) * worth + 0.5) / (worth + 1)
    weight = np.sqrt((worth + 1) / (smooth * (1 - smooth)))
    slope, cov = np.polyfit([2020, 2022, 2026], [0.04, 0.09, 0.20], 1, w=weight, cov="unscaled")
    assert made.yearly_growth[0] == pytest.approx(slope[0])
    assert made.growth_sd[0] == pytest.approx(np.sqrt(cov[0, 0]))


@pytest.mark.parametrize(("second", "changed"), [(12.0, False), (19.5, True)])
def test_counts_differ_when_chi_square_says_so_at_one_percent(second, changed):
    """Two counts worth 200 vines: 10 and 12 % may be chance; 10 and 19.5 % (7.1 > 6.63) may not."""
    made = interpolate_stand(table((2020, 10.0, np.nan, 248.0), (2026, second, np.nan, 248.0)), ["A"], YEARS)
    assert (made.yearly_growth[0] > 0) == changed
    assert (np.ptp(made.missing[0]) > 0) == changed


def test_chi_square_knows_how_many_counts_there_are():
    """Chi-square 7.1 of three counts is chance (limit 9.21 with two degrees of freedom)."""
    counts = table((2020, 10.0, np.nan, 248.0), (2023, 14.75, np.nan, 248.0), (2026, 19.5, np.nan, 248.0))
    made = interpolate_stand(counts, ["A"], YEARS)
    assert np.ptp(made.missing[0]) == 0


def test_a_count_without_number_of_vines_is_worth_fifty():
    said = interpolate_stand(table((2022, 10.0, np.nan, 50.0)), ["A"], YEARS)
    silent = interpolate_stand(table((2022, 10.0, np.nan, np.nan)), ["A"], YEARS)
    np.testing.assert_allclose(silent.missing_sd, said.missing_sd)
    np.testing.assert_allclose(silent.missing, said.missing)
    more = interpolate_stand(table((2022, 10.0, np.nan, 500.0)), ["A"], YEARS)
    assert more.missing_sd[0, 2] < 0.5 * said.missing_sd[0, 2]


def test_last_count_of_symptoms_is_the_one_that_stands():
    counts = table((2025, np.nan, 30.0, 124.0), (2021, 5.0, 10.0, 400.0), (2026, 5.0, np.nan, 400.0))
    made = interpolate_stand(counts, ["B", "A"], YEARS)
    assert made.symptomatic[1] == pytest.approx(0.30)
    assert made.symptomatic_n[1] == pytest.approx(100.0)
    assert made.counted.tolist() == [False, True]
    only = interpolate_stand(table((2025, np.nan, 30.0, 124.0)), ["A"], YEARS)
    assert not only.counted[0]  # symptoms alone say nothing of missing vines


def test_counts_of_a_single_vintage_say_nothing_of_rows_repeated():
    """Counts of zones counted once leave the doubt of zones counted twice as it is."""
    twice = table((2020, 10.0, np.nan, 248.0), (2026, 14.0, np.nan, 248.0))
    alone = interpolate_stand(twice, ["A"], YEARS)
    other = pd.concat([twice, table((2020, 8.0, np.nan, 248.0)).assign(zone_id="B")])
    both = interpolate_stand(other, ["A", "B"], YEARS)
    np.testing.assert_allclose(both.missing_sd[0], alone.missing_sd[0])


def test_counts_that_agree_to_the_vine_are_worth_one_count():
    """Three equal counts of 248 vines: as one (variance over 200), not as three (over 600)."""
    counts = table(*[(year, 10.0, np.nan, 248.0) for year in (2020, 2023, 2026)])
    made = interpolate_stand(counts, ["A"], YEARS)
    share = 60.5 / 601
    assert made.missing_sd[0, 0] == pytest.approx(np.sqrt(share * (1 - share) / 201), rel=0.01)


# ---------------------------------------------------------------- symptoms drawn
def symptomatic(counts: pd.DataFrame | None, loss: float, draws: int = 20_000) -> np.ndarray:
    made = interpolate_stand(counts, ["A"], YEARS)
    return draw_symptomatic(made, np.full((draws, 1), loss), rng=np.random.default_rng(1))[:, 0]


def test_counted_symptoms_are_drawn_from_their_beta():
    """30 of 100 vines' worth, Jeffreys prior."""
    drawn = symptomatic(table((2025, np.nan, 30.0, 124.0)), 0.6)
    exact = stats.beta(30.5, 70.5)
    np.testing.assert_allclose(
        np.quantile(drawn, [0.05, 0.5, 0.95]), exact.ppf([0.05, 0.5, 0.95]), atol=0.005
    )


@pytest.mark.parametrize(
    ("loss", "median"), [(0.0, 0.03), (0.30, 0.03 + 0.30 / 0.94535), (0.93, 0.97), (-0.1, 0.03)]
)
def test_symptoms_nobody_counted_follow_the_loss(loss, median):
    """Munkvold et al. 1994 [S]: slopes 0.9026 and 0.9881, 3 % background; logit-normal with SD 0.8."""
    drawn = symptomatic(None, loss)
    assert np.median(drawn) == pytest.approx(median, abs=0.01)
    logit = np.log(drawn / (1 - drawn))
    assert np.std(logit) == pytest.approx(0.8, rel=0.03)


def test_a_tiny_count_of_symptoms_is_worth_a_vine_at_least():
    drawn = symptomatic(table((2025, np.nan, 0.0, 0.0)), 0.0)
    np.testing.assert_allclose(np.mean(drawn), stats.beta(0.5, 1.5).mean(), atol=0.01)
