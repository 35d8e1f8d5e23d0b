"""Health score: monotone, with its parts shown."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap.decline import score_health

PARTS = ["vine_loss_pct", "missing_pct", "symptomatic_pct", "decline_pct_per_year"]
shares = st.floats(0, 100)


@given(st.tuples(shares, shares, shares, st.floats(-5, 20)), st.sampled_from(range(4)), st.floats(0, 50))
def test_worse_never_scores_higher(values, which, more):
    worse = list(values)
    worse[which] += more
    score = score_health(pd.DataFrame([values, worse], columns=PARTS, dtype=float))["health_score"]
    assert score[1] <= score[0] + 1e-9
    assert score.between(0, 100).all()


def test_score_is_the_weighted_mean_of_its_parts():
    row = pd.DataFrame([[20.0, 10.0, 30.0, 4.0]], columns=PARTS)
    made = score_health(row).iloc[0]
    assert made["health_score"] == pytest.approx(0.45 * 80 + 0.25 * 90 + 0.15 * 70 + 0.15 * 60)
    assert made["score_lacks"] == ""


def test_what_is_missing_is_said():
    row = pd.DataFrame([[20.0, np.nan, np.nan, 4.0]], columns=PARTS)
    made = score_health(row).iloc[0]
    assert made["score_lacks"] == "count of missing vines, count of symptoms"
    assert made["health_score"] == pytest.approx((45 * 80 + 15 * 60) / 60)
