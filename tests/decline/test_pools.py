"""Candidates: both ways of drawing them must lead to the exact posterior."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.decline.curves import HELD, HELD_THEN, STEADY, make_space
from vinemap.decline.pools import Curves, Pools

YEARS = np.arange(2018, 2031)
COUNT = 3000


@pytest.fixture
def pools() -> Pools:
    space = make_space(YEARS, last_vintage=2026, planted=np.full(COUNT, 2000.0))
    rng = np.random.default_rng(3)
    return Pools(space, np.arange(9), families=(STEADY, HELD_THEN), per_family=8, rng=rng)


def pick(rng: np.random.Generator, made: Curves, weight: np.ndarray) -> Curves:
    return made.choose(np.argmax(weight + rng.gumbel(size=weight.shape), axis=1))


def log_likelihood(made: Curves) -> np.ndarray:
    """Normal likelihood of the first score, mean 1 and SD 0.5, for declining curves; the same for held."""
    return np.where(made.family == HELD, 0.0, -0.5 * ((made.scores[..., 0] - 1.0) / 0.5) ** 2)


@pytest.mark.parametrize("likeness", [0.5, 0.93])
def test_near_candidates_reach_the_conjugate_posterior(pools, likeness):
    """Prior N(0, 1), likelihood N(1, 0.5): posterior mean 0.8, variance 0.2; the other scores N(0, 1)."""
    owner, rng = np.arange(COUNT), np.random.default_rng(4)
    present = pools.start(owner, np.ones(COUNT, dtype=bool))
    for _ in range(40):
        made = pools.near(owner, present, count=6, likeness=likeness)
        present = pick(rng, made, log_likelihood(made))
    assert present.scores[:, 0].mean() == pytest.approx(0.8, abs=0.04)
    assert present.scores[:, 0].var() == pytest.approx(0.2, abs=0.03)
    assert present.scores[:, 1].mean() == pytest.approx(0.0, abs=0.06)
    assert present.scores[:, 1].var() == pytest.approx(1.0, abs=0.08)


def test_fresh_candidates_weigh_kinds_by_their_evidence(pools):
    """Held: prior 1/2, likelihood 1; a declining kind: 1/4 and E exp(-2 (s - 1)^2) = exp(-0.4) / 5^0.5."""
    owner, rng = np.arange(100), np.random.default_rng(5)
    present = pools.start(owner, np.zeros(100, dtype=bool))
    prior = np.log(np.array([0.5, 0.25, 0.25]))
    share, score = [], []
    for sweep in range(1500):  # all owners share the candidates of a sweep, so sweeps are what counts
        made, many = pools.fresh(owner, present)
        present = pick(rng, made, many + prior[made.family] + log_likelihood(made))
        if sweep >= 10:
            share.append((present.family != HELD).mean())
            score.append(present.scores[present.family != HELD, 0].mean())
    evidence = np.exp(-0.4) / np.sqrt(5)
    assert np.mean(share) == pytest.approx(evidence / (1 + evidence), abs=0.03)
    assert np.mean(score) == pytest.approx(0.8, abs=0.06)


def test_near_candidates_of_mixed_kinds_weigh_kinds_by_likelihood(pools):
    """Steady three times as likely as the other kind, scores free: a share of 3/4, scores still N(0, 1)."""
    owner, rng = np.arange(COUNT), np.random.default_rng(6)
    present = pools.start(owner, np.ones(COUNT, dtype=bool))
    for _ in range(25):
        made = pools.near(owner, present, count=6, likeness=0.7, mixed=True)
        present = pick(rng, made, np.where(made.family == STEADY, np.log(3.0), 0.0))
    assert (present.family == STEADY).mean() == pytest.approx(0.75, abs=0.03)
    assert present.scores.var() == pytest.approx(1.0, abs=0.06)


def test_present_curve_stays_among_the_candidates(pools):
    owner = np.arange(COUNT)
    present = pools.start(owner, np.arange(COUNT) % 2 == 0)
    made, _ = pools.fresh(owner, present)
    same = (made.scores == present.scores[:, None]).all(axis=2) & (made.family == present.family[:, None])
    assert same.any(axis=1).all()
    near = pools.near(owner, present, count=4, likeness=0.9)
    np.testing.assert_array_equal(near.scores[:, 0], present.scores)
    np.testing.assert_allclose(near.log_curve[:, 0], present.log_curve, atol=1e-12)
