"""Curves drawn from the prior: what all of a kind have in common."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest

from vinemap.decline.curves import (
    FLOOR,
    HELD,
    HELD_THEN,
    RECOVERING,
    S_SHAPED,
    SCORES,
    STEADY,
    make_space,
    trace_curves,
)

YEARS = np.arange(2017, 2047)


class Drawn(NamedTuple):
    family: np.ndarray
    kept: np.ndarray
    onset: np.ndarray


def draw(*families: int, planted: float = 2000.0, work: float = np.nan, seed: int = 1) -> Drawn:
    space = make_space(YEARS, last_vintage=2026, planted=np.array([planted]), work_year=np.array([work]))
    family = np.repeat(np.array(families), 140)
    scores = np.random.default_rng(seed).standard_normal((family.size, SCORES))
    log, onset = trace_curves(space, np.zeros(family.size, dtype=np.int64), family, scores)
    return Drawn(family, np.exp(log), onset)


@pytest.fixture(scope="module")
def drawn() -> Drawn:
    return draw(HELD, STEADY, HELD_THEN, S_SHAPED)


def test_curves_only_fall_and_stop_at_the_floor(drawn):
    assert (np.diff(drawn.kept, axis=1) <= 1e-12).all()
    assert drawn.kept.min() >= FLOOR - 1e-12
    assert (drawn.kept[drawn.family == HELD] == 1).all()


def test_held_then_declining_sets_in_among_the_vintages(drawn):
    onset = drawn.onset[drawn.family == HELD_THEN]
    assert onset.min() >= 2017
    assert onset.max() <= 2026.5


def test_s_shape_follows_the_age_of_the_vines():
    """New Zealand 2013 [S]: 8 % of vines at mean age 12, risk rising from about 15 years."""
    losses = {
        planted: 1 - draw(S_SHAPED, planted=planted, seed=2).kept[:, 9].mean() for planted in (1995, 2015)
    }
    assert losses[1995] > 2 * losses[2015]


def test_recovery_misses_a_crop_and_is_full_in_three_seasons():
    """Handbook section 1 [S]: one crop missed, full crop in 2-3 seasons."""
    made = draw(RECOVERING, work=2020.0)
    kept = np.median(made.kept, axis=0)
    since = {int(year - 2020): value for year, value in zip(YEARS, kept, strict=True)}
    assert since[1] < 0.3 < 0.5 < since[2] < 0.8
    assert since[3] > 0.85
    assert np.isnan(made.onset).all()
