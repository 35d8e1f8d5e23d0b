"""Counts of missing vines: what several counts of the same rows, or of fresh rows, are worth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vinemap.decline.stand import effective_vines, interpolate_stand

YEARS = np.arange(2020, 2027)
ZONES = [f"A-Z{number}" for number in range(40)]


def count(rng: np.random.Generator, *, same_rows: bool) -> pd.DataFrame:
    """10 % missing; 300 vines a zone in three vintages, drawn once or every time."""
    first = rng.binomial(300, 0.10, len(ZONES))
    tables = [
        pd.DataFrame({
            "zone_id": ZONES, "vintage": year, "symptomatic_pct": np.nan, "vines": 300,
            "missing_pct": (first if same_rows else rng.binomial(300, 0.10, len(ZONES))) / 3.0,
        })
        for year in (2020, 2023, 2026)
    ]  # fmt: skip
    return pd.concat(tables, ignore_index=True)


@pytest.mark.parametrize(("same_rows", "counts"), [(True, 1), (False, 3)])
def test_counts_of_the_same_rows_are_worth_one(same_rows, counts):
    """Binomial standard error with the design effect, of one count or of three."""
    made = interpolate_stand(count(np.random.default_rng(5), same_rows=same_rows), ZONES, YEARS)
    expected = np.sqrt(0.10 * 0.90 / (counts * effective_vines(np.array([300.0]))[0]))
    assert np.median(made.missing_sd[:, -1]) == pytest.approx(expected, rel=0.15)


@pytest.mark.parametrize("same_rows", [True, False])
def test_intervals_of_the_stand_cover(same_rows):
    inside = []
    for seed in range(8):
        made = interpolate_stand(count(np.random.default_rng(seed), same_rows=same_rows), ZONES, YEARS)
        inside.append(np.abs(made.missing[:, -1] - 0.10) < 1.645 * made.missing_sd[:, -1])
    assert np.mean(inside) == pytest.approx(0.91, abs=0.07)  # nominally 90 %, a little more by design effect
