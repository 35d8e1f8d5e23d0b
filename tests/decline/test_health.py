"""Health score: monotone, with its parts shown."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap.decline import score_health
from vinemap.decline.health import compare_vigour

PARTS = ["vine_loss_pct", "missing_pct", "symptomatic_pct", "decline_pct_per_year", "vigour_pct"]
VIGOUR = PARTS.index("vigour_pct")  # the one part of which more is better
shares = st.floats(0, 100)
known = st.tuples(shares, shares, shares, st.floats(-5, 20), shares)


@given(known, st.sets(st.sampled_from(range(5))), st.sampled_from(range(5)), st.floats(0, 50))
def test_worse_never_scores_higher(values, unknown, which, more):
    """Whatever else is known: a larger loss, more missing, more symptoms, a faster fall, less vigour."""
    start = [np.nan if part in unknown else value for part, value in enumerate(values)]
    worse = list(start)
    worse[which] += -more if which == VIGOUR else more
    values = start
    score = score_health(pd.DataFrame([values, worse], columns=PARTS, dtype=float))["health_score"]
    assert score.isna().all() if len(unknown) == 5 else score[1] <= score[0] + 1e-9
    assert score.dropna().between(0, 100).all()


def test_score_is_the_weighted_mean_of_its_parts():
    row = pd.DataFrame([[20.0, 10.0, 30.0, 4.0, 50.0]], columns=PARTS)
    made = score_health(row).iloc[0]
    assert made["health_score"] == pytest.approx(0.4 * 80 + 0.2 * 90 + 0.15 * 70 + 0.15 * 60 + 0.1 * 50)
    assert made["score_lacks"] == ""


def test_gaps_take_no_more_than_the_weight_of_the_stand():
    """Sound vines that hold, a fifth of the places empty: not the share of the crop that is left (80 %)."""
    row = pd.DataFrame([[0.0, 20.0, np.nan, 0.0]], columns=PARTS[:4])
    assert score_health(row)["health_score"].iloc[0] == pytest.approx(100 - 20 * 20 / (40 + 20 + 15))
    assert score_health(row)["score_stand"].iloc[0] == 80.0


def test_what_is_missing_is_said():
    row = pd.DataFrame([[20.0, np.nan, np.nan, 4.0]], columns=PARTS[:4])
    made = score_health(row).iloc[0]
    assert made["score_lacks"] == "count of missing vines, count of symptoms, image of the canopy"
    assert made["health_score"] == pytest.approx((40 * 80 + 15 * 60) / 55)


def test_vigour_is_compared_within_variety_and_image():
    """Shiraz zones against Shiraz of the same image; the latest image of a zone counts."""
    vigour = pd.DataFrame({
        "zone_id": ["A", "A", "B", "C", "D", "E"], "vintage": [2024, 2026, 2026, 2026, 2025, 2025],
        "value": [0.9, 0.5, 0.25, 0.8, 0.4, 0.2],
    })  # fmt: skip
    zones = pd.DataFrame(
        {"zone_id": list("ABCDE"), "variety": ["Shiraz", "Shiraz", "Merlot", *["Shiraz"] * 2]}
    )
    made = compare_vigour(vigour, zones)
    assert made["A"] == pytest.approx(100 * 0.5 / (0.9 * 0.5 + 0.1 * 0.25))
    assert made["D"] == pytest.approx(100 * 0.4 / (0.9 * 0.4 + 0.1 * 0.2))
    assert "C" not in made  # alone of its variety: nothing to compare with
