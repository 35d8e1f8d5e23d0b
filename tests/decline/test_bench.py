"""Measured on invented estates with known truth; thresholds are what the model reaches."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "scripts" / "bench_decline.py"
SOUND = ("none", "bad_season", "biased_machine", "weak_soil", "missing_only")
SICK = ("focal", "row_wise", "whole_block", "late_onset")


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("bench_decline", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


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


def test_area_under_curve_against_known_case(bench):
    """Two of three positives above both negatives, one between: (2 + 2 + 1) / 6."""
    import pandas as pd

    score, truth = pd.Series([0.9, 0.8, 0.4, 0.5, 0.1]), pd.Series([True, True, True, False, False])
    assert bench.area_under_curve(score, truth) == pytest.approx(5 / 6)
