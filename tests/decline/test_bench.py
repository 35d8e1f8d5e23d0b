"""Measured on invented estates with known truth; thresholds are what the model reaches."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal

from vinemap.simulate.series import simulate_zone_series

SCRIPTS = Path(__file__).parents[2] / "scripts"
SOUND = ("none", "bad_season", "biased_machine", "weak_soil", "missing_only")
SICK = ("focal", "row_wise", "whole_block", "late_onset")


def load(name):
    spec = importlib.util.spec_from_file_location(name, SCRIPTS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def bench():
    return load("bench_decline")


@pytest.mark.slow
def test_eight_vintages_with_counts(bench):
    """Intervals may be wider than their name (truth sits at none for most zones), never narrower."""
    table = bench.measure((*SOUND, *SICK), estates=2, vintages=8, seed=21)
    by_scenario = bench.report(table)
    print(by_scenario.round(2).to_string())
    figures = by_scenario.loc["ALL"]
    assert figures["cover_loss"] >= 0.87
    assert figures["cover_decline"] >= 0.87
    least = by_scenario[["cover_loss", "cover_decline"]].min(axis=None)
    assert least >= 0.75  # 0.80 is the aim; two estates of a scenario know it to about five points
    assert figures["auc"] >= 0.95
    assert figures["claimed_sound_pct"] <= 2.0
    assert figures["false_renew_pct"] <= 1.0
    assert figures["mae_loss"] <= 0.5 * figures["mae_plain"]


@pytest.mark.slow
def test_five_vintages_without_counts(bench):
    """Yields alone, and few: ranking is weaker, claims stay rare, intervals stay honest."""
    table = bench.measure((*SOUND, *SICK), estates=2, vintages=5, counted=False, seed=22)
    figures = bench.summarise(table)
    print(bench.report(table).round(2).to_string())
    assert figures["cover_loss"] >= 0.84
    assert figures["cover_decline"] >= 0.84
    assert figures["auc"] >= 0.75
    assert figures["claimed_sound_pct"] <= 3.0
    assert figures["false_renew_pct"] <= 1.0


@pytest.mark.slow
def test_zones_of_invented_blocks_come_back(bench):
    figures = bench.measure_zones(6, seed=23)
    assert figures["ari_median"] >= 0.7
    assert figures["told_apart_pct"] >= 90


# Standard errors of what 24 estates of nine zones tell, by the spread from estate to estate (zones of one
# estate are alike), measured on seed 78. Three are allowed: an honest model fails once in a hundred reseeds.
WITHIN_SE, PLACE_SE, DECLINING_SE = 2.8, 0.044, 4.8  # points, of 1, points


@pytest.mark.slow
def test_truth_drawn_from_the_prior_lies_anywhere_among_the_draws(monkeypatch):
    """Simulation-based calibration; intervals narrower by a third must be told from right ones."""
    script = load("bench_decline_prior")
    place, narrow = script.place_truth, []

    def place_both(draws, truth, rng):
        middle = np.median(draws, axis=0)
        narrow.append(place(middle + 2 / 3 * (draws - middle), truth, np.random.default_rng(len(narrow))))
        return place(draws, truth, rng)

    monkeypatch.setattr(script, "place_truth", place_both)
    figures = script.run_bench(estates=24, seed=78, vintages=6, blocks=3)
    assert figures["within 90 %"] == pytest.approx(90, abs=3 * WITHIN_SE)
    assert figures["mean place"] == pytest.approx(0.5, abs=3 * PLACE_SE)
    assert figures["declining, model %"] == pytest.approx(figures["declining, truth %"], abs=3 * DECLINING_SE)
    too_narrow = np.array(narrow)
    assert 100 * ((too_narrow > 0.05) & (too_narrow < 0.95)).mean() < 90 - 3 * WITHIN_SE


def test_estates_go_round_and_the_least_covered_is_named(bench, monkeypatch):
    """A stand-in fit: the interval of one scenario misses every zone."""

    def fit(one):
        scenario, estate, _, _ = one
        return pd.DataFrame({
            "scenario": scenario, "estate": f"{scenario}-{estate}", "fit": [0, 0], "seconds": 1.0,
            "series": 8, "counted": True, "loss_pct": 1.0, "loss_pct_low": 0.0, "loss_pct_true": 2.0,
            "loss_pct_high": 0.0 if scenario == "focal" else 5.0,
            "decline_pct_per_year_low": 0.0, "decline_pct_per_year_high": 1.0, "renew": 0.0,
            "decline_pct_per_year_true": 0.5, "borderline": False, "renewed_year_true": 0, "trouble": "",
            "declining": [True, False], "plain_loss_pct": 5.0, "future_inside": 1.0, "chance_declining": 0.5,
        })  # fmt: skip

    monkeypatch.setattr(bench, "_all_fits", fit)
    found = bench.run_bench(estates=20, seed=1, vintages=(8,), zone_blocks=0)
    assert found["estates"] == 20
    assert found["fits"] == 20
    assert found["lowest"]["cover_loss"] == ("focal", 0.0)
    focal = list(bench.SCENARIOS).count("focal") + (list(bench.SCENARIOS).index("focal") < 20 - 17)
    assert found["scenarios"].loc["ALL", "cover_loss"] == pytest.approx(1 - focal / 20)


def test_area_under_curve_against_known_case(bench):
    """Two of three positives above both negatives, one between: (2 + 2 + 1) / 6."""
    score, truth = pd.Series([0.9, 0.8, 0.4, 0.5, 0.1]), pd.Series([True, True, True, False, False])
    assert bench.area_under_curve(score, truth) == pytest.approx(5 / 6)


# ---------------------------------------------------------------- readers who know how estates were invented
@pytest.fixture(scope="module")
def oracle(bench):
    return load("bench_decline_oracle")  # which takes the bench from the modules loaded


def make_reader(oracle, scenario, *, blocks, seed=1):
    rng = np.random.default_rng(seed)
    made = simulate_zone_series(scenario, rng=rng, vintages=6, blocks=blocks, counted=False)
    known = oracle.read_known(made)
    book = oracle.CourseBook([scenario], known.years, count=120, rng=rng)
    return made, oracle.Reader(known, book, rng)


def test_with_one_block_nothing_is_gained_by_knowing_the_others(oracle):
    """The Gibbs sampler's mean chance is then the exact one, its median loss near the weighted one."""
    _, reader = make_reader(oracle, "focal", blocks=1)
    exact, drawn = reader.knowing_others(0.45), reader.knowing_none(0.45)
    np.testing.assert_allclose(drawn[0], exact[0], atol=1e-12)
    np.testing.assert_allclose(drawn[1], exact[1], atol=2.0)


def test_weights_of_a_reader_are_those_of_the_normal_density(oracle):
    """Against scipy's density of all values of the estate, the truth of the other block taken off."""
    _, reader = make_reader(oracle, "row_wise", blocks=2)
    known, one = reader.known, reader.courses[1]
    left = known.residual - known.log_kept
    density = multivariate_normal(np.zeros(left.size), np.linalg.inv(known.precision))
    fits = []
    for effect in reader.effects[1]:
        values = left.copy()
        values[reader.places[1]] = known.residual[reader.places[1]] - effect
        fits.append(density.logpdf(values))
    expected = np.exp(np.array(fits) - max(fits)) * np.where(one.kind == 0, 0.3 / 120, 0.7 / 60)
    weight = reader._weigh(1, left, 0.3, np.ones(1))
    np.testing.assert_allclose(weight, expected / expected.sum(), rtol=1e-6, atol=1e-12)


def test_prior_of_a_reader_shares_the_chance_out_over_scenarios(oracle):
    rng = np.random.default_rng(3)
    book = oracle.CourseBook(["focal", "whole_block"], np.arange(2021, 2027), count=40, rng=rng)
    courses = book.open(3)
    weight = np.exp(courses.weigh(0.4, np.array([0.75, 0.25])))
    assert weight.sum() == pytest.approx(1.0)
    assert [weight[courses.kind == kind].sum() for kind in (0, 1, -1)] == pytest.approx([0.3, 0.1, 0.6])
