"""Turns of the sampler against the same probabilities worked out with one dense matrix.

All log yields, with levels, seasons and shared effects integrated out, are normal with precision
Q = diag(inverse of each block) - P C P', where P is `projected` and C the covariance of the shared effects.
What an outside reference says of those effects comes in by its score.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from vinemap.decline.choices import _Gauss
from vinemap.decline.courses import HELD, HELD_THEN, RECOVERING, STEADY
from vinemap.decline.turns import add_prior, add_signs, add_symptoms, choose_blocks, choose_series

BLOCKS, SERIES, VINTAGES, EFFECTS, CANDIDATES = 3, 2, 4, 3, 5
AT = np.array([0, 2, 3, 5])  # columns of the vintages in curves that have six
WIDE = 6


@dataclass
class Dense:
    """An invented sweep, with the one matrix that says it all."""

    gauss: _Gauss
    precision: np.ndarray
    extra: np.ndarray
    covariance: np.ndarray
    projected: np.ndarray
    rng: np.random.Generator

    def log_likelihood(self, residual: np.ndarray) -> float:
        """Of the residual (B, SV), the reference in it."""
        flat = residual.ravel()
        towards = self.extra @ self.covariance @ (self.projected.T @ flat)
        return float(-0.5 * flat @ self.precision @ flat + towards)

    def weights(self, residuals: list[np.ndarray], prior: np.ndarray) -> np.ndarray:
        """Weight of each candidate, the largest 1."""
        total = np.array([self.log_likelihood(one) for one in residuals]) + prior
        return np.exp(total - total.max())


@pytest.fixture
def dense() -> Dense:
    rng = np.random.default_rng(12)
    places = SERIES * VINTAGES
    root = rng.normal(size=(BLOCKS, places, places)) * 0.5
    inverse = root @ np.swapaxes(root, 1, 2) + 2 * np.eye(places)
    design = rng.normal(size=(BLOCKS, places, EFFECTS)) * 0.4
    projected = inverse @ design
    flat, whole = design.reshape(-1, EFFECTS), projected.reshape(-1, EFFECTS)
    covariance = np.linalg.inv(flat.T @ whole + np.diag([1.0, 2.0, 3.0]))
    precision = np.zeros((BLOCKS * places, BLOCKS * places))
    for block in range(BLOCKS):
        own = slice(block * places, (block + 1) * places)
        precision[own, own] = inverse[block]
    precision -= whole @ covariance @ whole.T
    residual, extra = rng.normal(size=(BLOCKS, places)), rng.normal(size=EFFECTS)
    expand = rng.normal(size=(BLOCKS, places, VINTAGES)) * 0.7
    expand[:, 3] = 0.0  # a vintage that was not seen
    blocks = np.repeat(np.arange(BLOCKS), SERIES)
    spans = np.tile(np.arange(SERIES), BLOCKS)[:, None] * VINTAGES + np.arange(VINTAGES)
    score = whole.T @ residual.ravel() + extra
    gauss = _Gauss(inverse, projected, covariance, expand, residual.copy(), score, blocks, spans)
    return Dense(gauss, precision, extra, covariance, whole, rng)


def check_state(dense: Dense, residual: np.ndarray) -> None:
    """Residuals and score have followed the curves chosen."""
    np.testing.assert_allclose(dense.gauss.residual, residual, atol=1e-9)
    score = dense.projected.T @ residual.ravel() + dense.extra
    np.testing.assert_allclose(dense.gauss.score, score, atol=1e-9)


def drawn(weight: np.ndarray, uniform: float) -> int:
    """Candidate at this share of the summed weights."""
    return int(np.searchsorted(np.cumsum(weight), uniform * weight.sum()))


def test_series_are_chosen_by_their_exact_probabilities(dense):
    """In turn, each with the curves already chosen for the others; anchored ones start at zero."""
    rng, gauss, count = dense.rng, dense.gauss, BLOCKS * SERIES
    blocks, starts = np.repeat(np.arange(BLOCKS), SERIES), np.tile([0, VINTAGES], BLOCKS)
    curves = -rng.uniform(0, 1, (count, CANDIDATES, WIDE))
    curves[2, 1] = curves[2, 0]  # a curve that changes nothing
    present = curves[:, 0].copy()
    first = rng.integers(0, 2, count)
    anchor, seen = np.arange(count) % 3 != 0, rng.uniform(size=(count, VINTAGES)) < 0.8
    seen[np.arange(count), first] = True
    prior, uniform = rng.normal(size=(count, CANDIDATES)), rng.uniform(size=count)
    fit, chosen = prior.copy(), np.zeros(count, dtype=np.int64)

    def effect(one: int, curve: np.ndarray) -> np.ndarray:
        out = np.zeros((BLOCKS, SERIES * VINTAGES))
        at = curve[AT] - (curve[AT][first[one]] if anchor[one] else 0.0)
        out[blocks[one], starts[one] : starts[one] + VINTAGES] = np.where(seen[one], at, 0.0)
        return out

    residual, expected = gauss.residual.copy(), []
    for one in range(count):
        without = residual + effect(one, present[one])
        left = [without - effect(one, curve) for curve in curves[one]]
        weight = dense.weights(left, prior[one])
        expected.append((weight, drawn(weight, uniform[one])))
        residual = left[expected[-1][1]]
    choose_series(
        gauss.inverse, gauss.projected, gauss.shrunk, gauss.inner_series, gauss.residual, gauss.score, blocks,
        starts, curves, present, AT, first, anchor, seen, fit, uniform, chosen,
    )  # fmt: skip
    np.testing.assert_allclose(fit, np.array([one for one, _ in expected]), rtol=1e-8)
    assert chosen.tolist() == [one for _, one in expected]
    check_state(dense, residual)


def test_blocks_are_chosen_by_their_exact_probabilities(dense):
    rng, gauss = dense.rng, dense.gauss
    curves = -rng.uniform(0, 0.6, (BLOCKS, CANDIDATES, WIDE))
    present = -rng.uniform(0, 0.6, (BLOCKS, WIDE))
    prior, uniform = rng.normal(size=(BLOCKS, CANDIDATES)), rng.uniform(size=BLOCKS)
    fit, chosen = prior.copy(), np.zeros(BLOCKS, dtype=np.int64)
    residual, expected = gauss.residual.copy(), []
    for block in range(BLOCKS):
        left = []
        for curve in curves[block]:
            after = residual.copy()
            after[block] += gauss.expand[block] @ (present[block] - curve)[AT]
            left.append(after)
        weight = dense.weights(left, prior[block])
        expected.append((weight, drawn(weight, uniform[block])))
        residual = left[expected[-1][1]]
    choose_blocks(
        gauss.inverse, gauss.projected, gauss.shrunk, gauss.inner_blocks, gauss.residual, gauss.score,
        gauss.expand, curves, present, AT, fit, uniform, chosen,
    )  # fmt: skip
    np.testing.assert_allclose(fit, np.array([one for one, _ in expected]), rtol=1e-8)
    assert chosen.tolist() == [one for _, one in expected]
    check_state(dense, residual)


@pytest.mark.parametrize("among", [slice(None), np.arange(BLOCKS) % 2 == 0], ids=["estate", "variety"])
def test_curve_that_blocks_share_is_weighed_over_them_together(dense, among):
    """What is said of a curve of estate or variety is the dense log likelihood, but for a constant."""
    rng, gauss = dense.rng, dense.gauss
    old, curves = -rng.uniform(0, 0.5, VINTAGES), -rng.uniform(0, 0.5, (CANDIDATES, VINTAGES))

    def after(change):
        residual = gauss.residual.copy()
        residual[among] += gauss.expand[among] @ change
        return residual

    inner = gauss.inner_shared(among)
    said = curves @ (gauss.pull(among) + inner @ old) - 0.5 * np.einsum("jv,vw,jw->j", curves, inner, curves)
    exact = np.array([dense.log_likelihood(after(old - one)) for one in curves])
    np.testing.assert_allclose(said - said[0], exact - exact[0], atol=1e-8)
    moved = after(old - curves[2])
    gauss.change(among, old - curves[2])
    check_state(dense, moved)
    gauss.change(among, np.zeros(VINTAGES))
    check_state(dense, moved)


@pytest.mark.parametrize("uniform", [0.0, 0.3, 0.999999])
def test_a_hopeless_candidate_is_never_chosen(dense, uniform):
    """One candidate far better than all others is taken whatever the draw."""
    gauss = dense.gauss
    curves, present = np.zeros((BLOCKS, CANDIDATES, WIDE)), np.zeros((BLOCKS, WIDE))
    fit = np.full((BLOCKS, CANDIDATES), -1000.0)
    fit[[0, 1, 2], [4, 0, 2]] = 0.0
    chosen = np.zeros(BLOCKS, dtype=np.int64)
    choose_blocks(
        gauss.inverse, gauss.projected, gauss.shrunk, gauss.inner_blocks, gauss.residual, gauss.score,
        gauss.expand, curves, present, AT, fit, np.full(BLOCKS, uniform), chosen,
    )  # fmt: skip
    assert chosen.tolist() == [4, 0, 2]


def test_candidates_in_chance_of_one_in_a_billion_still_count(dense):
    """Weights are kept down to e^-40: rare candidates are rare, not impossible."""
    gauss = dense.gauss
    curves, present = np.zeros((BLOCKS, 2, WIDE)), np.zeros((BLOCKS, WIDE))
    fit = np.tile([0.0, -30.0], (BLOCKS, 1))
    choose_blocks(
        gauss.inverse, gauss.projected, gauss.shrunk, gauss.inner_blocks, gauss.residual, gauss.score,
        gauss.expand, curves, present, AT, fit, np.full(BLOCKS, 0.5), np.zeros(BLOCKS, dtype=np.int64),
    )  # fmt: skip
    np.testing.assert_allclose(fit, np.tile([1.0, np.exp(-30.0)], (BLOCKS, 1)))


def test_prior_of_held_declining_and_recovering():
    """Held: the rest; declining: the share times its kind and rate; recovering: no share, it is certain."""
    family = np.array([[HELD, STEADY, HELD_THEN], [HELD, RECOVERING, STEADY]])
    rate = np.array([[0, 2, 4], [0, 0, 1]])
    log_mix = np.log(np.random.default_rng(1).uniform(0.1, 0.9, (5, 5)))
    share, fit = np.array([0.3, 0.6]), np.ones((2, 3))
    add_prior(family, rate, log_mix, np.log(share), np.log1p(-share), fit)
    expected = [
        [np.log(0.7), np.log(0.3) + log_mix[STEADY, 2], np.log(0.3) + log_mix[HELD_THEN, 4]],
        [np.log(0.4), log_mix[RECOVERING, 0], np.log(0.6) + log_mix[STEADY, 1]],
    ]
    np.testing.assert_allclose(fit, 1 + np.array(expected))


def test_symptoms_are_read_at_the_whole_loss_to_the_nearest_percent():
    """Shares kept multiply: 20 % lost by the candidate and 10 % by the rest are 28 % lost."""
    table = np.tile(np.arange(101.0), (2, 2, 1))
    table[1] *= 10
    curves = np.log([[[0.8, 1.0, 0.5], [1.0, 1.0, 1.0]], [[0.996, 0.994, 1.0], [0.4, 0.3, 1.0]]])
    rest = np.log([[0.9, 1.0, 1.0], [1.0, 1.0, 0.95]])
    fit = np.zeros((2, 2))
    add_symptoms(curves, np.array([0, 1]), rest, np.array([[0, 2], [0, 1]]), table, fit)
    assert fit.tolist() == [[28 + 50, 10 + 0], [0 + 10, 600 + 700]]


def test_signs_weigh_departures_of_the_loss_from_its_mean():
    """Normal densities about slope times log kept less its mean over the vintages that have the sign."""
    rng = np.random.default_rng(4)
    curves, rest = -rng.uniform(0, 1, (2, 3, 5)), -rng.uniform(0, 1, (2, 5))
    when = np.array([1, 2, 4])
    seen = np.array([[True, True, True], [True, False, True]])
    left = np.where(seen, rng.normal(size=(2, 3)), 0.0)
    slope, sd, owner = np.array([0.4, 0.7]), np.array([0.1, 0.3]), np.array([1, 0])
    fit = np.zeros((2, 3))
    add_signs(curves, owner, rest, when, left, seen, slope, sd**-2.0, fit)
    for row in range(2):
        kept = (curves[owner[row]][:, when] + rest[row, when])[:, seen[row]]
        mean = slope[row] * (kept - kept.mean(axis=1, keepdims=True))
        exact = stats.norm.logpdf(left[row, seen[row]], mean, sd[row]).sum(axis=1)
        got = fit[owner[row]]
        np.testing.assert_allclose(got - got[0], exact - exact[0], atol=1e-9)
        assert (got <= 0).all()
