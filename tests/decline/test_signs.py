"""Counts of symptoms and signs of the loss as evidence: against plain probabilities."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vinemap.decline.layout import build_layout, list_series
from vinemap.decline.signs import SignTable, _positive_normal
from vinemap.decline.stand import effective_vines
from vinemap.decline.symptoms import SymptomTable

VINTAGES = np.arange(2019, 2025)
YEARS = np.arange(2019, 2031)
NAMES = ["A-Z1", "A-Z2", "A-Z3"]


def layout(renewed: str | None = None):
    zones = pd.DataFrame({"zone_id": NAMES, "block_id": "A", "variety": "Shiraz"})
    table = pd.DataFrame({
        "zone_id": np.repeat(NAMES, 6), "vintage": np.tile(VINTAGES, 3), "yield_t_ha": 10.0,
        "yield_se_t_ha": 0.5,
    })  # fmt: skip
    done = (
        None
        if renewed is None
        else pd.DataFrame({"zone_id": [renewed], "year": [2020], "method": ["replant"]})
    )
    none = np.zeros((3, 6))
    return build_layout(
        table, zones, list_series(zones, done), log_stand=none, stand_variance=none, vintages=VINTAGES,
        settlement=None,
    )  # fmt: skip


# ---------------------------------------------------------------- symptoms
def counts(*rows: tuple[str, int, float, float]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["zone_id", "vintage", "symptomatic_pct", "vines"])


def said(
    stand: pd.DataFrame | None, loss: np.ndarray, zone: int = 0, rest: float = 0.0, renewed=None
) -> np.ndarray:
    """Log likelihood of a steady share lost in all years, for each of some losses (J), of one zone."""
    table = SymptomTable(layout(renewed), YEARS, stand, NAMES)
    curves = np.tile(np.log1p(-loss)[None, :, None], (4, 1, YEARS.size))
    fit = np.zeros(curves.shape[:2])
    table.weigh(curves, np.arange(4), np.full((4, YEARS.size), rest), fit)
    return fit[zone]


def test_counts_of_symptoms_are_beta_binomial_about_the_loss():
    """3 % background plus the loss; worth 30 vines at most; Beta of 12 if sound, 4 from 5 % lost."""
    loss = np.array([0.0, 0.02, 0.05, 0.30, 0.60, 0.99])
    size = np.array([12.0, 12 - 8 * 0.4, 4.0, 4.0, 4.0, 4.0])
    mean = np.minimum(0.03 + loss, 0.95)
    found = said(counts(("A-Z1", 2022, 20.0, 1000.0)), loss)  # 6 of 30
    exact = stats.betabinom.logpmf(6, 30, mean * size, (1 - mean) * size)
    np.testing.assert_allclose(found - found[0], exact - exact[0], atol=1e-9)


def test_a_small_count_says_less_than_a_large_one():
    """15 vines are worth 12; more than the cap of 30 adds nothing."""
    assert effective_vines(np.array([15.0]))[0] == pytest.approx(12.1, abs=0.01)
    loss = np.array([0.0, 0.4])
    gain = {
        vines: np.diff(said(counts(("A-Z1", 2022, 40.0, vines)), loss))[0]
        for vines in (5.0, 15.0, 60.0, 600.0)
    }
    assert 0 < gain[5.0] < gain[15.0] < gain[60.0] == gain[600.0]


def test_symptoms_speak_of_the_loss_three_years_on():
    """Counted in 2021: read at 2024; beyond the last year, at the last."""
    table = SymptomTable(
        layout(), YEARS, counts(("A-Z1", 2021, 40.0, 90.0), ("A-Z2", 2029, 40.0, 90.0)), NAMES
    )
    assert table.columns().tolist() == [2024 - 2019, 2030 - 2019]
    loss = np.where(YEARS == 2024, 0.4, 0.0)
    curves = np.log1p(-np.stack([loss, np.roll(loss, 1), np.zeros(YEARS.size)]))
    fit = np.zeros((3, 3))
    table.weigh(np.tile(curves, (3, 1, 1)), np.arange(3), np.zeros((3, YEARS.size)), fit)
    assert fit[0, 0] > fit[0, 1] == fit[0, 2]
    table.place_in(np.array([3, 5, 11]))  # only some columns of the curves are kept
    picked = np.zeros((3, 3))
    table.weigh(np.tile(curves[:, [3, 5, 11]], (3, 1, 1)), np.arange(3), np.zeros((3, 3)), picked)
    np.testing.assert_allclose(picked, fit)


def test_losses_of_estate_and_block_count_for_the_symptoms_too():
    loss = np.array([0.0, 0.4])
    count = counts(("A-Z1", 2022, 40.0, 90.0))
    whole = said(count, np.array([0.4]))
    assert said(count, loss, rest=np.log(0.6))[0] == pytest.approx(whole[0])


def test_counts_add_up_and_useless_ones_are_left_out():
    """Two counts say twice as much; no share, or no vine looked at, says nothing; nor does a renewed zone."""
    loss, one = np.array([0.0, 0.4]), ("A-Z1", 2022, 40.0, 90.0)
    single = said(counts(one), loss)
    np.testing.assert_allclose(said(counts(one, one), loss), 2 * single)
    useless = [("A-Z1", 2023, np.nan, 90.0), ("A-Z1", 2023, 0.0, 0.0), ("A-Z1", 2023, 0.0, np.nan)]
    np.testing.assert_allclose(said(counts(one, *useless), loss), single)
    assert (said(counts(one), loss, zone=1) == 0).all()
    assert (said(None, loss) == 0).all()
    assert (said(counts(one).iloc[:0], loss) == 0).all()
    assert (said(counts(one), loss, renewed="A-Z1") == 0).all()
    np.testing.assert_allclose(said(counts(one), loss, renewed="A-Z2"), single)


# ---------------------------------------------------------------- signs
class Still:
    """A generator whose normals are zero, whose uniforms are a half and whose chi-squares are their mean."""

    def standard_normal(self, size: Any = None) -> Any:
        return np.zeros(size)

    def uniform(self) -> float:
        return 0.5

    def chisquare(self, degrees: float) -> float:
        return degrees


def make_signs(
    values: np.ndarray, *, sign="vigour", worth=None, renewed=None, rng=None, vintages=VINTAGES
) -> SignTable:
    table = pd.DataFrame({
        "zone_id": np.repeat(NAMES, len(vintages)), "vintage": np.tile(vintages, 3), "sign": sign,
        "value": values.ravel(),
    })  # fmt: skip
    if worth is not None:
        table["worth"] = np.repeat(worth, len(vintages))
    return SignTable(layout(renewed), YEARS, table, NAMES, rng or np.random.default_rng(1))


@pytest.mark.parametrize(("sign", "way"), [("vigour", 1.0), ("mog", -1.0)])
def test_signs_are_logs_about_the_zones_own_mean(sign, way):
    """Vigour falls with the crop, other material in the loads rises; gaps are no values."""
    values = np.exp(np.random.default_rng(2).normal(0, 0.3, (3, 6)))
    values[1, 2], values[2, 4] = np.nan, 0.0
    made = make_signs(values, sign=sign)
    with np.errstate(divide="ignore"):
        logs = way * np.log(np.where(values > 0, values, np.nan))
    expected = logs - np.nanmean(logs, axis=1, keepdims=True)
    np.testing.assert_allclose(made.value, np.nan_to_num(expected), atol=1e-12)
    assert made.seen.tolist() == np.isfinite(logs).tolist()
    assert made.names == [sign]
    assert made.rows.tolist() == [0, 1, 2]


def test_zones_seen_once_or_renewed_say_nothing():
    values = np.ones((3, 6))
    values[0, 1:] = np.nan
    values[1, 2:] = np.nan
    assert make_signs(values).rows.tolist() == [1, 2]
    assert make_signs(values, renewed="A-Z2").rows.tolist() == [2]
    assert make_signs(np.full((3, 6), np.nan)).rows.tolist() == []
    none = SignTable(layout(), YEARS, None, NAMES, np.random.default_rng(1))
    fit = np.zeros((3, 2))
    none.weigh(np.zeros((3, 2, 12)), np.arange(3), np.zeros((3, 12)), fit)
    none.draw(np.zeros((3, 12)))
    assert (fit == 0).all()
    assert none.names == []
    assert none.columns().size == 0


def test_vintages_outside_the_years_are_left_out():
    made = make_signs(np.ones((3, 3)), vintages=[2010, 2020, 2021])
    assert made.columns().tolist() == [1, 2]
    made.place_in(np.array([0, 1, 2, 5]))
    assert made.columns().tolist() == [1, 2]
    made.place_in(np.array([1, 2]))
    assert made.columns().tolist() == [0, 1]


@pytest.mark.parametrize("worth", [None, [1.0, 0.25, 0.5]])
def test_candidates_are_weighed_by_normal_densities(worth):
    """Sign less season about slope times log kept, about their means; worth half, precision half."""
    rng = np.random.default_rng(3)
    values = np.exp(rng.normal(0, 0.3, (3, 6)))
    values[1, 2] = np.nan
    made = make_signs(values, worth=worth)
    made.season = rng.normal(0, 0.1, made.season.shape)
    made.slope[:], made.sd[:] = 0.4, 0.15
    curves, rest = -rng.uniform(0, 1, (3, 4, 12)), -rng.uniform(0, 0.5, (3, 12))
    fit = np.zeros((3, 4))
    made.weigh(curves, np.arange(3), rest, fit)
    for zone in range(3):
        seen = np.isfinite(values[zone])
        left = (np.log(values[zone]) - made.season[0])[seen]
        kept = (curves[zone] + rest[zone])[:, :6][:, seen]
        mean = 0.4 * (kept - kept.mean(axis=1, keepdims=True))
        sd = 0.15 / np.sqrt(1.0 if worth is None else worth[zone])
        exact = stats.norm.logpdf(left - left.mean(), mean, sd).sum(axis=1)
        np.testing.assert_allclose(fit[zone] - fit[zone, 0], exact - exact[0], atol=1e-9)


def test_slope_and_seasons_have_their_exact_means():
    """Linear regression with normal priors, all terms in one: slope SD 0.5, seasons SD 1, level free."""
    rng = np.random.default_rng(4)
    kept = -np.cumsum(rng.uniform(0, 0.15, (3, 6)), axis=1)
    values = np.exp(0.6 * kept + rng.normal(0, 0.05, 6) + rng.normal(0, 0.02, (3, 6)))
    values[0, 3] = np.nan
    made = make_signs(values, rng=Still())
    wide = np.zeros((4, 12))
    wide[:3, :6] = kept
    sd = float(made.sd[0])
    made.draw(wide)

    seen = np.isfinite(values)
    rows, y = [], []
    for zone, vintage in np.argwhere(seen):
        own = seen[zone]
        season = np.where(np.arange(6) == vintage, 1.0, 0.0) - own / own.sum()
        rows.append(np.r_[kept[zone, vintage] - kept[zone][own].mean(), season])
        y.append(np.log(values[zone, vintage]) - np.log(values[zone][own]).mean())
    design, y = np.array(rows), np.array(y)
    precision = design.T @ design / sd**2 + np.diag(np.r_[0.5**-2.0, np.ones(6)])
    mean = np.linalg.solve(precision, design.T @ y / sd**2)
    spread = np.sqrt(np.linalg.inv(precision)[0, 0])
    middle = stats.truncnorm(-mean[0] / spread, np.inf, loc=mean[0], scale=spread).median()
    assert made.slope[0] == pytest.approx(middle, rel=1e-6)
    given = np.linalg.solve(precision[1:, 1:], design[:, 1:].T @ (y - design[:, 0] * middle) / sd**2)
    np.testing.assert_allclose(made.season[0], given, atol=1e-8)
    error = y - design @ np.r_[middle, given]
    free = 4 + (seen.sum(axis=1) - 1).sum()
    assert made.sd[0] == pytest.approx(np.sqrt((4 * 0.1**2 + error @ error) / free))


def test_a_shared_measurement_weighs_as_much_as_it_is_worth():
    """Four copies of a zone's values, each worth a quarter, teach the slope as much as one that is whole."""
    rng = np.random.default_rng(5)
    kept = -np.cumsum(rng.uniform(0, 0.15, (3, 6)), axis=1)
    values = np.exp(0.6 * kept + rng.normal(0, 0.02, (3, 6)))
    whole = make_signs(values, rng=Still())
    parts = make_signs(values, worth=[1.0, 1.0, 1e-9], rng=Still())
    two = values.copy()
    two[2] = np.nan
    without = make_signs(two, rng=Still())
    wide = np.zeros((3, 12))
    wide[:, :6] = kept
    for one in (whole, parts, without):
        one.draw(wide)
    assert parts.slope[0] == pytest.approx(without.slope[0], rel=1e-5)
    assert whole.slope[0] != pytest.approx(without.slope[0], rel=1e-3)


def test_spread_of_a_sign_is_never_below_three_percent():
    values = np.ones((3, 6))
    made = make_signs(values, rng=np.random.default_rng(6))
    for _ in range(200):
        made.draw(np.zeros((3, 12)))
        assert made.sd[0] >= 0.03
    assert (made.slope >= 0).all()


def test_signs_of_two_kinds_have_slopes_of_their_own():
    rng = np.random.default_rng(7)
    kept = -np.cumsum(rng.uniform(0, 0.15, (3, 6)), axis=1)
    one = pd.DataFrame({"zone_id": np.repeat(NAMES, 6), "vintage": np.tile(VINTAGES, 3)})
    signs = pd.concat([
        one.assign(sign="vigour", value=np.exp(0.9 * kept).ravel()),
        one.assign(sign="mog", value=np.exp(-0.1 * kept).ravel()),
        one.assign(sign="unheard of", value=1.0),
    ])  # fmt: skip
    wide = np.zeros((3, 12))
    wide[:, :6] = kept
    made = SignTable(layout(), YEARS, signs, NAMES, Still())
    made.draw(wide)
    assert sorted(made.names) == ["mog", "vigour"]
    for place, name in enumerate(made.names):
        alone = SignTable(layout(), YEARS, signs[signs["sign"] == name], NAMES, Still())
        alone.draw(wide)
        assert made.slope[place] == pytest.approx(alone.slope[0])
        assert made.sd[place] == pytest.approx(alone.sd[0])
        np.testing.assert_allclose(made.season[place], alone.season[0])
    assert made.slope[made.names.index("vigour")] > made.slope[made.names.index("mog")] + 0.1


@pytest.mark.parametrize(("mean", "sd"), [(1.0, 0.5), (0.0, 1.0), (-1.0, 0.5), (-30.0, 1.0), (5.0, 0.1)])
def test_positive_normal_is_the_truncated_one(mean, sd):
    rng = np.random.default_rng(8)
    drawn = np.array([_positive_normal(mean, sd, rng) for _ in range(4000)])
    assert (drawn >= 0).all()
    assert np.isfinite(drawn).all()
    if mean > -10:
        exact = stats.truncnorm(-mean / sd, np.inf, loc=mean, scale=sd)
        np.testing.assert_allclose(np.quantile(drawn, [0.1, 0.5, 0.9]), exact.ppf([0.1, 0.5, 0.9]), rtol=0.12)
