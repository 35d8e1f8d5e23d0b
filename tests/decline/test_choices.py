"""Curves of estate, blocks and zones: how they act, how they are weighed, what shares they leave."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vinemap.decline.choices import SHARE_GRID, CurveChoice, _Gauss
from vinemap.decline.curves import FAMILIES, HELD, HELD_THEN, RECOVERING, S_SHAPED, STEADY
from vinemap.decline.layout import build_layout, list_series, space_of_series
from vinemap.decline.pools import Curves
from vinemap.decline.signs import SignTable
from vinemap.decline.symptoms import SymptomTable

VINTAGES = np.arange(2019, 2025)
ZONES = pd.DataFrame({
    "zone_id": ["A-Z1", "A-Z2", "B-Z1", "B-Z2"], "block_id": list("AABB"), "variety": "Shiraz"
})  # fmt: skip


class Watched:
    """A generator that notes the Gumbel noise it gave and what Beta and Dirichlet draws it was asked for."""

    def __init__(self, seed: int) -> None:
        self.rng, self.noise, self.asked = np.random.default_rng(seed), [], []

    def gumbel(self, size: Any = None) -> np.ndarray:
        self.noise.append(self.rng.gumbel(size=size))
        return self.noise[-1]

    def beta(self, a: Any, b: Any) -> Any:
        self.asked.append((np.array(a, dtype=float), np.array(b, dtype=float)))
        return self.rng.beta(a, b)

    def dirichlet(self, cases: np.ndarray) -> np.ndarray:
        self.asked.append(np.array(cases))
        return self.rng.dirichlet(cases)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.rng, name)


def make(seed: int = 1, *, families=(STEADY, HELD_THEN, S_SHAPED), stand=None, **more: Any) -> CurveChoice:
    """Four zones; B-Z2 renewed in the winter after 2021; A-Z2 first seen in 2020."""
    rng = Watched(seed)
    table = pd.DataFrame({
        "zone_id": np.repeat(ZONES["zone_id"].to_numpy(), 6), "vintage": np.tile(VINTAGES, 4),
        "yield_t_ha": 15 * np.exp(np.random.default_rng(2).normal(0, 0.3, 24)), "yield_se_t_ha": 0.4,
    }).drop(index=[6, 3])  # fmt: skip
    series = list_series(ZONES, pd.DataFrame({"zone_id": ["B-Z2"], "year": [2021], "method": ["replant"]}))
    layout = build_layout(
        table, ZONES, series, log_stand=np.zeros((4, 6)), stand_variance=np.zeros((4, 6)), vintages=VINTAGES,
        settlement=None,
    )  # fmt: skip
    space = space_of_series(series, np.full(4, 2000.0), years=np.arange(2019, 2031), last_vintage=2024)
    names = ZONES["zone_id"].tolist()
    given = {
        "declining": (1.0, 3.0),
        "common": (1.0, 5.0),
        "estate_share": 0.1,
        "variety_share": 0.1,
        "likeness": 4.0,
    } | more
    choice = CurveChoice(
        layout, space, symptoms=SymptomTable(layout, space.years, stand, names),
        signs=SignTable(layout, space.years, None, names, rng), families=families, per_family=6, rng=rng,
        **given,
    )  # fmt: skip
    choice.layout = layout
    return choice


def set_curves(choice: CurveChoice, rng: np.random.Generator) -> None:
    """Give every owner an arbitrary falling curve at the working columns."""
    for level in (choice.series, choice.block, choice.estate):
        level.log_curve[:] = -np.cumsum(rng.uniform(0, 0.1, level.log_curve.shape), axis=1)


def gauss_of(choice: CurveChoice, seed: int) -> tuple[_Gauss, np.ndarray]:
    """A sweep with precision 40 for every yield, independent; the first row of the score is nothing."""
    blocks, places = choice.shape[0], choice.shape[1] * choice.shape[2]
    inverse = np.tile(40.0 * np.eye(places), (blocks, 1, 1))
    projected = np.zeros((blocks, places, 1))
    residual = np.random.default_rng(seed).normal(0, 0.2, (blocks, places))
    gauss = _Gauss(inverse, projected, np.eye(1), choice.expand, residual, np.zeros(1), choice.blocks,
                   choice.spans)  # fmt: skip
    return gauss, residual


# ---------------------------------------------------------------- how curves act
def test_curves_act_where_seen_and_from_the_first_vintage_of_the_zone():
    """Kept shares multiply; plain zones start at zero; renewed zones do not, their new part has no others."""
    choice = make()
    set_curves(choice, np.random.default_rng(3))
    layout, at = choice.layout, choice.at_vintages
    fitted = choice.fitted()
    for position, one in enumerate(layout.series):
        block, slot = np.argwhere(layout.slot == position)[0]
        total = choice.series.log_curve[position][at].copy()
        if position != 4:  # the part after the renewal
            total += (choice.block.log_curve[block] + choice.estate.log_curve[0])[at]
        seen = layout.seen[block, slot]
        start = 0.0 if one.zone == 3 else total[np.argmax(seen)]
        np.testing.assert_allclose(fitted[block, slot], np.where(seen, total - start, 0.0), atol=1e-12)
    assert (fitted[layout.slot < 0] == 0).all()


def test_chains_start_apart_and_only_with_kinds_on_offer():
    choice = make()
    seen: dict[str, list[np.ndarray]] = {"series": [], "block": [], "estate": []}
    for _ in range(200):
        choice._start()
        for name, families in seen.items():
            families.append(getattr(choice, name).family)
    series, block, estate = (np.array(one) for one in seen.values())
    assert (series[:, 4] == RECOVERING).all()
    assert np.mean(series[:, :4] != HELD) == pytest.approx(0.4, abs=0.06)
    assert np.mean(block != HELD) == pytest.approx(0.3, abs=0.07)
    assert np.mean(estate != HELD) == pytest.approx(0.25, abs=0.1)
    assert set(series[:, :4].ravel()) == {HELD, STEADY, HELD_THEN, S_SHAPED}
    assert choice.family_share[[STEADY, HELD_THEN, S_SHAPED]].tolist() == pytest.approx([1 / 3] * 3)
    assert choice.rate_share.tolist() == pytest.approx([0.2] * 5)
    none = make(families=())
    for level in (none.series, none.block, none.estate):
        assert set(level.family) <= {HELD, RECOVERING}
        assert (level.log_curve[level.family == HELD] == 0).all()


# ---------------------------------------------------------------- how they are weighed
@pytest.mark.parametrize("seed", range(12))
def test_curve_of_the_estate_is_drawn_by_its_posterior(seed):
    """Normal yields, counted symptoms, and the prior: share, kind, rate."""
    counts = pd.DataFrame({
        "zone_id": ["A-Z1", "B-Z1"], "vintage": 2021, "missing_pct": 0.0, "symptomatic_pct": [20.0, 30.0],
        "vines": 200,
    })  # fmt: skip
    choice = make(seed, stand=counts)
    set_curves(choice, np.random.default_rng(seed))
    now, residual = gauss_of(choice, seed)
    made, many = choice.pools.fresh(choice.estate_owner, choice.estate)
    choice.pools.fresh = lambda *_: (made, many.copy())
    before = residual + choice.expand @ choice.estate.log_curve[0, choice.at_vintages]
    prior = many[0] + np.where(made.family[0] == HELD, np.log(0.9), np.log(0.1))
    base = np.log(choice.pools.base)
    for place, (family, rate) in enumerate(zip(made.family[0], made.rate[0], strict=True)):
        if family != HELD:
            prior[place] += (
                np.log(choice.family_share[family]) + np.log(choice.rate_share[rate]) - base[family, rate]
            )
        after = before - choice.expand @ made.log_curve[0, place, choice.at_vintages]
        prior[place] += stats.norm.logpdf(after.ravel(), scale=40**-0.5).sum()
    evidence = np.zeros((1, prior.size))
    rest = choice.series.log_curve + choice.block.log_curve[choice.blocks]
    choice.evidence[0].weigh(made.log_curve, np.zeros(5, dtype=np.int64), rest, evidence)
    assert np.ptp(evidence) > 0.1
    choice._draw_estate(now, fresh=True, likeness=0.9)
    chosen = int(np.argmax(prior + evidence[0] + choice.rng.noise[-1]))
    np.testing.assert_array_equal(choice.estate.scores[0], made.scores[0, chosen])
    left = before - choice.expand @ made.log_curve[0, chosen, choice.at_vintages]
    np.testing.assert_allclose(now.residual, left, atol=1e-9)


def weighed(choice: CurveChoice, what: str, seed: int) -> tuple[Curves, np.ndarray, np.ndarray, np.ndarray]:
    """Draw with uniform noise; the candidates, their weights, what was chosen and the old residual."""
    now, residual = gauss_of(choice, seed)
    owner, present = getattr(choice, f"{what}_owner"), getattr(choice, what)
    made, many = choice.pools.fresh(owner, present)
    weights = many.copy()
    choice.pools.fresh = lambda *_: (made, weights)
    residual = residual.copy()
    getattr(choice, "_draw_blocks" if what == "block" else "_draw_series")(now, fresh=True, likeness=0.9)
    return made, many, weights, residual


@pytest.mark.parametrize("what", ["block", "series"])
@pytest.mark.parametrize("seed", range(4))
def test_curves_of_blocks_and_zones_are_weighed_by_their_posterior(what, seed):
    """Yields are independent here, so owners do not depend on one another: each alone, by plain densities."""
    counts = pd.DataFrame({
        "zone_id": ["A-Z1", "B-Z1"], "vintage": 2021, "missing_pct": 0.0, "symptomatic_pct": [20.0, 30.0],
        "vines": 200,
    })  # fmt: skip
    choice = make(seed, stand=counts)
    set_curves(choice, np.random.default_rng(seed))
    choice.share_of_block, choice.common_share = np.array([0.2, 0.4]), 0.15
    old = {"block": choice.block.log_curve.copy(), "series": choice.series.log_curve.copy()}[what]
    rest = choice.estate.log_curve + (
        choice.series.log_curve if what == "block" else choice.block.log_curve[choice.blocks]
    )
    made, many, weights, residual = weighed(choice, what, seed)
    evidence = np.zeros(many.shape)
    owner = choice.blocks if what == "block" else choice.series_owner
    choice.evidence[0].weigh(made.log_curve, owner, rest, evidence)
    share = np.full(2, 0.15) if what == "block" else choice.share_of_block[choice.blocks]
    base = np.log(choice.pools.base)
    for one in range(len(many)):
        block = one if what == "block" else choice.blocks[one]
        total = many[one] + evidence[one]
        for place in range(total.size):
            family, rate = made.family[one, place], made.rate[one, place]
            if family == HELD:
                total[place] += np.log1p(-share[one])
            elif family != RECOVERING:
                mix = (
                    np.log(choice.family_share[family]) + np.log(choice.rate_share[rate]) - base[family, rate]
                )
                total[place] += np.log(share[one]) + mix
            change = old[one] - made.log_curve[one, place]
            if what == "block":
                after = residual[block] + choice.expand[block] @ change[choice.at_vintages]
            else:
                after = residual[block].copy()
                after[choice.spans[one]] += choice._effective(
                    np.broadcast_to(change, (choice.series_owner.size, 1, change.size))
                )[one, 0]
            total[place] += stats.norm.logpdf(after, scale=40**-0.5).sum()
        np.testing.assert_allclose(weights[one], np.exp(total - total.max()), atol=1e-9)


def test_fresh_and_near_candidates_are_both_tried():
    """Also kinds mixed, about half of the times; a renewed zone always recovers."""
    choice = make()
    mixed, tried = [], []
    near, fresh = choice.pools.near, choice.pools.fresh
    choice.pools.near = lambda *given, **more: (mixed.append(more["mixed"]), near(*given, **more))[1]
    choice.pools.fresh = lambda *given: (tried.append(1), fresh(*given))[1]
    blocks, places = choice.shape[0], choice.shape[1] * choice.shape[2]
    for _ in range(20):
        choice.draw(np.tile(40.0 * np.eye(places), (blocks, 1, 1)), np.zeros((blocks, places, 1)), np.eye(1),
                    np.zeros(choice.shape), np.zeros(1))  # fmt: skip
        assert choice.series.family[4] == RECOVERING
    assert len(mixed) == len(tried) == 60
    assert 0.3 < np.mean(mixed) < 0.7
    assert {one.family.size for one in (choice.series,)} == {5}


def test_a_sweep_starts_from_what_the_present_curves_leave(monkeypatch):
    """Residuals are target less fitted; the score of the shared effects has the outside reference in it."""
    choice = make(7)
    set_curves(choice, np.random.default_rng(7))
    rng, told = np.random.default_rng(8), []
    blocks, places = choice.shape[0], choice.shape[1] * choice.shape[2]
    projected, target, extra = (
        rng.normal(size=(blocks, places, 2)),
        rng.normal(size=choice.shape),
        np.array([3.0, -1.0]),
    )
    for name in ("_draw_estate", "_draw_blocks", "_draw_series"):
        monkeypatch.setattr(choice, name, lambda now, fresh, likeness: told.append((now, fresh, likeness)))
    choice.draw(np.tile(np.eye(places), (blocks, 1, 1)), projected, np.eye(2), target, extra)
    left = (target - choice.fitted()).reshape(blocks, places)
    np.testing.assert_allclose(told[0][0].residual, left)
    np.testing.assert_allclose(told[0][0].score, np.einsum("bm,bmk->k", left, projected) + extra)
    assert [fresh for _, fresh, _ in told] == [True] * 3 + [False] * 3
    assert all(0.5 < likeness < 1 for _, _, likeness in told)


def test_without_kinds_of_decline_nothing_ever_declines():
    choice = make(families=())
    blocks, places = choice.shape[0], choice.shape[1] * choice.shape[2]
    for _ in range(5):
        choice.draw(np.tile(40.0 * np.eye(places), (blocks, 1, 1)), np.zeros((blocks, places, 1)), np.eye(1),
                    -np.ones(choice.shape), np.zeros(1))  # fmt: skip
        choice.draw_shares()
    assert choice.series.family.tolist() == [HELD] * 4 + [RECOVERING]
    assert (choice.block.family == HELD).all()
    assert (choice.estate.family == HELD).all()


# ---------------------------------------------------------------- shares
def test_shares_count_what_declines():
    """Beta and Dirichlet posteriors of the shares: prior cases and the zones and blocks that decline."""
    choice = make(likeness=4.0)
    choice.series.family[:] = [STEADY, HELD, HELD_THEN, STEADY, RECOVERING]
    choice.series.rate[:] = [2, 0, 1, 4, 0]
    choice.block.family[:], choice.block.rate[:] = [STEADY, HELD], [3, 0]
    choice.share = 0.25
    choice.rng.asked.clear()
    choice.draw_shares()
    (a, b), common, kinds, rates = choice.rng.asked
    np.testing.assert_allclose(a, [4 * 0.25 + 1, 4 * 0.25 + 2])
    np.testing.assert_allclose(b, [4 * 0.75 + 1, 4 * 0.75 + 0])
    assert [float(one) for one in common] == [1.0 + 1, 5.0 + 1]
    assert kinds[[STEADY, HELD_THEN, S_SHAPED]].tolist() == [2.0 + 3, 2.0 + 1, 2.0]
    assert (kinds[[HELD, RECOVERING]] < 1e-3).all()
    assert rates.tolist() == [2.0, 3.0, 3.0, 3.0, 3.0]
    for share in (choice.share_of_block, np.array([choice.common_share])):
        assert ((share > 0) & (share < 1)).all()
    assert choice.family_share.sum() == pytest.approx(1.0)
    assert choice.rate_share.sum() == pytest.approx(1.0)
    assert len(FAMILIES) == choice.family_share.size


@pytest.mark.parametrize("seed", range(20))
def test_share_of_the_estate_is_drawn_by_its_density(seed):
    """Beta prior; the shares of blocks are Beta about it, worth so many zones."""
    choice = make(seed, likeness=5.0, declining=(1.5, 4.0))
    choice.share_of_block = np.random.default_rng(seed).beta(2, 6, 2)
    log = stats.beta.logpdf(SHARE_GRID, 1.5, 4.0)
    for share in choice.share_of_block:
        log += stats.beta.logpdf(share, 5 * SHARE_GRID, 5 * (1 - SHARE_GRID))
    found = choice._draw_estate_share()
    assert found == SHARE_GRID[np.argmax(log + choice.rng.noise[-1])]


def test_grid_of_shares_is_even_between_none_and_all():
    np.testing.assert_allclose(np.diff(SHARE_GRID), SHARE_GRID[1] - SHARE_GRID[0])
    assert SHARE_GRID.mean() == pytest.approx(0.5)
    assert 0 < SHARE_GRID[0] < 0.02
