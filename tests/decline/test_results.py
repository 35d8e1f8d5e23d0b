"""Tables of results from draws that are made up, and what is said of a fit in notes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vinemap.decline import fit_decline
from vinemap.decline.fit import _check, _notes, _reference, _unmixed, scale_reduction
from vinemap.decline.forecast import DeclineDraws, Paths, Posterior
from vinemap.decline.layout import build_layout, list_series
from vinemap.decline.results import (
    effects_table,
    expected_yields,
    forecast_table,
    quantiles,
    scales_table,
    slopes_table,
    zone_figures,
    zone_table,
    zone_vintage_table,
)
from vinemap.decline.sampler import SD_NAMES, ChainDraws
from vinemap.decline.stand import interpolate_stand
from vinemap.errors import DataError

VINTAGES = np.arange(2019, 2025)
YEARS = np.arange(2019, 2031)
NOW = 5
IDS = ["A-Z1", "A-Z2", "B-Z1"]
ZONES = pd.DataFrame({
    "zone_id": IDS, "block_id": ["A", "A", "B"], "variety": ["Shiraz", "Shiraz", "Merlot"],
    "year_planted": 2000, "area_ha": 2.0,
})  # fmt: skip


def yields(amount: float = 10.0) -> pd.DataFrame:
    return pd.DataFrame({
        "zone_id": np.repeat(IDS, 6), "vintage": np.tile(VINTAGES, 3), "yield_t_ha": amount,
        "yield_se_t_ha": 0.5,
    })  # fmt: skip


def draws_of(paths: Paths) -> DeclineDraws:
    count = paths.healthy.shape[1]
    return DeclineDraws(
        IDS[:count], YEARS[NOW + 1 :], paths.healthy[..., None] * paths.kept[..., NOW + 1 :], paths.healthy,
        paths.healthy * paths.kept[..., NOW], 1 - paths.stand_kept[..., NOW], np.zeros(paths.healthy.shape),
    )  # fmt: skip


@pytest.fixture
def paths() -> Paths:
    """A hundred and one draws: A-Z1 falls by 0 to 10 % a year from 2021 on; the others hold."""
    draws = 101
    kept = np.ones((draws, 3, YEARS.size))
    pace = np.linspace(0, 0.10, draws)
    kept[:, 0] = 1 - pace[:, None] * np.maximum(YEARS - 2021, 0)
    onset = np.full((draws, 3), np.nan)
    onset[:, 0] = np.where(np.arange(draws) < 51, 2020.6, 2021.0)
    healthy = np.tile([20.0, 10.0, 15.0], (draws, 1)) * np.linspace(0.9, 1.1, draws)[:, None]
    stand = np.full(kept.shape, 0.9)
    return Paths(YEARS, kept, stand, healthy, onset)


def figures(paths: Paths, restarts=None, vintages=VINTAGES, counted: bool = True) -> pd.DataFrame:
    counts = pd.DataFrame({
        "zone_id": IDS, "vintage": 2023, "missing_pct": 10.0, "symptomatic_pct": [20.0, np.nan, 0.0],
        "vines": 1e7,
    })  # fmt: skip
    standing = interpolate_stand(counts if counted else None, IDS, YEARS)
    return zone_figures(paths, standing, draws_of(paths), restarts or {}, vintages)


def test_quantiles_are_those_of_ninety_percent():
    low, median, high = quantiles(np.arange(101.0)[:, None])
    assert (low[0], median[0], high[0]) == (5.0, 50.0, 95.0)


def test_figures_sum_up_the_draws(paths):
    """Loss in 2024: 10 % by stand for all; A-Z1 keeps 1 to 0.7 of what its vines bore."""
    made = figures(paths)
    row = made.iloc[0]
    assert row["loss_pct"] == pytest.approx(100 * (1 - 0.9 * 0.85))
    assert row["loss_pct_low"] == pytest.approx(100 * (1 - 0.9 * (1 - 0.005 * 3)))
    assert row["loss_pct_high"] == pytest.approx(100 * (1 - 0.9 * (1 - 0.095 * 3)))
    assert row["vine_loss_pct"] == pytest.approx(15.0)
    assert row["decline_pct_per_year"] == pytest.approx(0.9 * 5.0)
    assert row["decline_pct_per_year_low"] == pytest.approx(0.9 * 0.5)
    assert row["decline_pct_per_year_high"] == pytest.approx(0.9 * 9.5)
    assert row["chance_declining"] == pytest.approx(np.mean(0.9 * np.linspace(0, 10, 101) > 0.5))
    assert made["stand_loss_pct"].tolist() == pytest.approx([10.0] * 3)
    assert made["missing_pct"].tolist() == pytest.approx([10.0] * 3, abs=0.01)
    assert made["symptomatic_pct"].tolist() == pytest.approx([20.0, np.nan, 0.0], nan_ok=True)
    assert made["yield_healthy_t_ha"].tolist() == pytest.approx([20.0, 10.0, 15.0])
    assert made["yield_now_t_ha"].tolist()[1:] == pytest.approx([9.0, 13.5])
    assert made["loss_pct"].tolist()[1:] == pytest.approx([10.0, 10.0])
    assert made["zone_id"].tolist() == IDS


def test_stand_never_counted_is_not_shown(paths):
    made = figures(paths, counted=False)
    assert made[["stand_loss_pct", "missing_pct", "symptomatic_pct"]].isna().all(axis=None)
    assert made["loss_pct"].notna().all()


def test_onset_is_told_where_a_fall_is_likelier_than_not(paths):
    made = figures(paths)
    assert made["onset_vintage"].tolist()[0] == 2021
    assert (made["onset_low"][0], made["onset_high"][0]) == (2021, 2021)
    assert made[["onset_vintage", "onset_low", "onset_high"]].iloc[1:].isna().all(axis=None)
    paths.onset[:, 0] = np.linspace(2016.0, 2024.0, 101)  # those that decline start at draw 6
    wide = figures(paths)
    assert (wide["onset_low"][0], wide["onset_high"][0]) == (2017, 2024)
    assert figures(paths, vintages=VINTAGES[-1:])["onset_vintage"].isna().all()  # one vintage tells nothing


def test_recovery_is_told_once_there_is_a_vintage_after_the_work(paths):
    made = figures(paths, restarts={1: 2022.0, 2: 2025.0})
    assert made["renewed_year"].tolist() == [pd.NA, 2021, 2024]
    assert made["recovery_pct"].tolist() == pytest.approx([np.nan, 90.0, np.nan], nan_ok=True)
    in_time = figures(paths, restarts={1: 2024.0})
    assert in_time["recovery_pct"][1] == pytest.approx(90.0)


def test_zone_table_counts_vintages_and_gives_the_plain_slope(paths):
    """Sen's slope in % of the median yield a year; a zone with one vintage has none."""
    table = yields()
    table.loc[:5, "yield_t_ha"] = 10.0 - 0.5 * np.arange(6)
    table.loc[6:10, "yield_t_ha"] = np.nan
    table = table.iloc[::-1].query("zone_id != 'B-Z1'")
    made = zone_table(figures(paths), table, ZONES)
    assert made["vintages"].tolist() == [6, 1, 0]
    assert made["block_id"].tolist() == ["A", "A", "B"]
    assert made["sen_slope_pct_per_year"][0] == pytest.approx(100 * -0.5 / 8.75)
    assert made["sen_slope_pct_per_year"][1:].isna().all()
    assert made["cause_hint"][0] != ""
    assert made["health_score"].between(0, 100).all()
    assert not made.columns.duplicated().any()


def test_hint_needs_two_vintages_or_a_count_or_a_renewal(paths):
    """With one vintage nothing is said of a zone that was neither counted nor renewed."""
    one = yields().query("vintage == 2024")
    assert (zone_table(figures(paths, counted=False), one, ZONES)["cause_hint"] == "").all()
    assert zone_table(figures(paths), one, ZONES)["cause_hint"][0] != ""  # symptoms were counted
    told = zone_table(figures(paths, counted=False, restarts={0: 2022.0}), one, ZONES)
    assert told["cause_hint"][0].startswith("Renewed in 2021")
    two = yields().query("vintage >= 2023")
    assert zone_table(figures(paths, counted=False), two, ZONES)["cause_hint"][0] != ""


def layout_of(zones: pd.DataFrame = ZONES):
    none = np.zeros((3, 6))
    return build_layout(
        yields(), zones, list_series(zones, None), log_stand=none, stand_variance=none, vintages=VINTAGES,
        settlement=None,
    )  # fmt: skip


def posterior(seasons: int, draws: int = 3) -> Posterior:
    rng = np.random.default_rng(1)
    return Posterior(np.zeros((draws, 6), dtype=np.int64), np.zeros((draws, 6, 3)), np.zeros((draws, 3)),
                     rng.normal(0, 0.2, (draws, seasons, 6)), rng.normal(0, 0.1, (draws, 2, 6)))  # fmt: skip


def test_expected_yield_has_the_seasons_of_variety_and_block_in_it():
    """Merlot comes first among the varieties, so A's Shiraz has the second seasons."""
    layout, made, healthy = layout_of(), posterior(2), np.full((3, 3), 20.0)
    found = expected_yields(made, layout, healthy, np.array([0, 0, 1]))
    own = np.exp(made.season[:, 1] + made.block_season[:, 0])
    np.testing.assert_allclose(found[0], 20 * np.median(own, axis=0))
    other = np.exp(made.season[:, 0] + made.block_season[:, 1])
    np.testing.assert_allclose(found[2], 20 * np.median(other, axis=0))
    alone, one = layout_of(ZONES.assign(variety="Shiraz")), posterior(1)
    found = expected_yields(one, alone, healthy, np.array([0, 0, 1]))
    np.testing.assert_allclose(
        found[2], 20 * np.median(np.exp(one.season[:, 0] + one.block_season[:, 1]), axis=0)
    )


def test_yields_are_set_beside_what_was_to_be_expected():
    expected = 10.0 * np.arange(1, 19).reshape(3, 6)
    table = yields(5.0).sample(frac=1, random_state=1).assign(more="x")
    made = zone_vintage_table(table, ZONES, VINTAGES, expected)
    for row in made.itertuples():
        assert row.expected_t_ha == expected[IDS.index(row.zone_id), row.vintage - 2019]
        assert row.relative_yield == pytest.approx(5.0 / row.expected_t_ha)
    assert made["zone_id"].tolist() == table["zone_id"].tolist()
    assert made.columns.tolist() == ["zone_id", "vintage", "yield_t_ha", "yield_se_t_ha", "expected_t_ha",
                                     "relative_yield", "readings", "more"]  # fmt: skip
    assert (made["readings"] == 0).all()
    assert (zone_vintage_table(table.assign(readings=7), ZONES, VINTAGES, expected)["readings"] == 7).all()
    assert "expected_t_ha" not in table


def test_forecast_lists_zones_year_by_year():
    low, median, high = (np.arange(6.0).reshape(2, 3) + add for add in (0, 10, 20))
    made = forecast_table(["A", "B"], np.array([2025, 2026, 2027]), np.stack([low, median, high]))
    assert made["zone_id"].tolist() == ["A"] * 3 + ["B"] * 3
    assert made["year"].tolist() == [2025, 2026, 2027] * 2
    assert made["keep_low"].tolist() == [0, 1, 2, 3, 4, 5]
    assert made["keep_t_ha"].tolist() == [10, 11, 12, 13, 14, 15]
    assert made["keep_high"].tolist() == [20, 21, 22, 23, 24, 25]


def chain(season: np.ndarray, sd: np.ndarray, slope: np.ndarray) -> ChainDraws:
    return ChainDraws(season=list(season), sd=list(sd), slope=list(slope))


def test_seasons_scales_and_slopes_are_summed_up_over_all_chains():
    """Effects in % against an average season: a log season of 0.1 is 10.5 % more."""
    rng = np.random.default_rng(3)
    season, sd, slope = rng.normal(0, 0.2, (40, 2, 6)), rng.uniform(0, 1, (40, 6)), rng.normal(0, 1, (40, 1))
    chains = [chain(season[:20], sd[:20], slope[:20]), chain(season[20:], sd[20:], slope[20:])]
    made = effects_table(layout_of(), chains)
    assert made["variety"].tolist() == ["Merlot"] * 6 + ["Shiraz"] * 6
    assert made["vintage"].tolist() == VINTAGES.tolist() * 2
    for name, share in (("low", 5), ("effect_pct", 50), ("high", 95)):
        expected = np.percentile(100 * (np.exp(season) - 1), share, axis=0)
        np.testing.assert_allclose(made[name], expected.ravel())
    scales = scales_table(chains)
    assert scales["name"].tolist() == list(SD_NAMES)
    np.testing.assert_allclose(scales[["low", "median", "high"]], np.percentile(sd, (5, 50, 95), axis=0).T)
    slopes = slopes_table(layout_of(), ["vigour"], chains)
    assert slopes["name"].tolist() == ["vigour"]
    np.testing.assert_allclose(slopes["median"], np.median(slope, axis=0))
    assert slopes.columns.tolist() == ["name", "median", "low", "high"]


def test_one_variety_or_none_has_one_line_of_seasons():
    season = np.zeros((4, 1, 6))
    for variety, name in (("Shiraz", "Shiraz"), ("", "")):
        made = effects_table(
            layout_of(ZONES.assign(variety=variety)), [chain(season, season[:, 0], season[:, 0])]
        )
        assert made["variety"].tolist() == [name] * 6
        assert (made["effect_pct"] == 0).all()


# ---------------------------------------------------------------- chains
def test_scale_reduction_of_chains_that_agree_drift_or_disagree():
    rng = np.random.default_rng(4)
    same = rng.standard_normal((4, 500, 1))
    apart = same + 3 * np.arange(4)[:, None, None]
    drift = same + np.linspace(0, 4, 500)[None, :, None]
    values = np.concatenate([same, apart, drift], axis=2).reshape(2000, 3)
    found = scale_reduction(values, 4)
    assert found[0] == pytest.approx(1.0, abs=0.01)
    assert found[1] > 1.5
    assert found[2] > 1.3  # each half chain against the other


def test_scale_reduction_is_that_of_gelman_and_rubin_on_ranks():
    """Vehtari et al. 2021: halves of chains, normal scores of mean ranks; W and B by the book."""
    values = np.random.default_rng(5).exponential(size=(90, 2)).round(1)
    values[:45] += 0.3
    found = scale_reduction(values, 3)
    for column in range(2):
        score = stats.norm.ppf((stats.rankdata(values[:, column]) - 0.375) / 90.25)
        halves = [score[15 * one : 15 * one + 15] for one in range(6)]
        within = np.mean([np.var(one, ddof=1) for one in halves])
        between = 15 * np.var([np.mean(one) for one in halves], ddof=1)
        assert found[column] == pytest.approx(np.sqrt((14 / 15 * within + between / 15) / within))


def test_constant_draws_are_no_disagreement():
    assert scale_reduction(np.zeros((80, 1)), 4)[0] == pytest.approx(np.sqrt(9 / 10))


def test_chains_that_differ_by_more_than_matters_are_named():
    """Apart by chance, or surely but by less than five points: nothing; the worst zone is named."""
    rng = np.random.default_rng(6)
    loss = rng.normal(20, 2, (4, 50, 3))
    assert _unmixed(loss.reshape(200, 3), IDS, 4) == ""
    small = loss / 10 + np.arange(4)[:, None, None]
    assert _unmixed(small.reshape(200, 3), IDS, 4) == ""
    loss[:, :, 1] += 4 * np.arange(4)[:, None]
    loss[:, :, 2] += 8 * np.arange(4)[:, None]
    told = _unmixed(np.concatenate([loss.reshape(200, 3), loss[0, :3]]), IDS, 4)
    assert "has not settled" in told
    assert "2" in told.split("between")[0]
    assert "the loss of B-Z1 differs by 2" in told  # 24 points and some chance


# ---------------------------------------------------------------- notes and refusals
def notes(*, vintages=VINTAGES, zones: pd.DataFrame = ZONES, counted=True, renewals=None) -> list[str]:
    counts = pd.DataFrame({"zone_id": IDS[:2], "vintage": 2023, "missing_pct": 1.0, "symptomatic_pct": 0.0,
                           "vines": 100})  # fmt: skip
    standing = interpolate_stand(counts if counted else None, IDS, YEARS)
    return _notes(
        layout_of(zones), zones, standing, list_series(zones, renewals), np.zeros((40, 3)), vintages, 4
    )


def test_notes_say_what_weakens_the_result():
    first = notes()
    assert first[0].startswith("1 of 3 zones")
    assert first[-1].startswith("What was lost before vintage 2019 rests on")
    assert len(first) == 2
    assert "never counted" in notes(counted=False)[0]
    assert notes(vintages=VINTAGES[:1])[0].startswith("Only vintage 2019 has yields")
    assert notes(vintages=VINTAGES[:2])[0].startswith("Two vintages: a trend and two seasons")
    one_block = notes(zones=ZONES.assign(block_id="A", variety="Shiraz"))
    assert one_block[0].startswith("One block only")
    alone = notes(zones=ZONES.assign(block_id="A", variety="Shiraz"), vintages=VINTAGES[:1])
    assert not any(one.startswith("One block only") for one in alone)
    unknown = notes(zones=ZONES.assign(year_planted=[2000, None, 2000]))
    assert any("count as 15 years old" in one for one in unknown)
    renewals = pd.DataFrame({"zone_id": IDS[:1], "year": 2021, "method": "replant"})
    assert any("1 zone begins anew after a renewal" in one for one in notes(renewals=renewals))
    twice = renewals.reindex([0, 0]).assign(zone_id=IDS[:2])
    assert any("2 zones begin anew after a renewal" in one for one in notes(renewals=twice))
    assert not any("after a renewal" in one for one in first)


def test_missing_columns_are_named():
    with pytest.raises(DataError, match="Column yield_se_t_ha is missing"):
        _check(yields().drop(columns="yield_se_t_ha"), ZONES, 2030)
    with pytest.raises(DataError, match="not after the last vintage 2024"):
        _check(yields(), ZONES, 2024)
    _check(yields(), ZONES, 2025)


def test_horizon_next_year_still_gives_a_forecast():
    found = fit_decline(
        yields(), ZONES, horizon_year=2025, draws=16, rng=np.random.default_rng(1), per_family=3
    )
    assert found.draws.years.tolist() == [2025]
    assert found.draws.keep_t_ha.shape == (16, 3, 1)


# ---------------------------------------------------------------- outside series
def outside(**columns) -> pd.DataFrame:
    return pd.DataFrame({"vintage": [2019, 2020, 2022], **columns})


def test_outside_series_in_percent_tonnes_or_an_index():
    """Logs, so that only ratios between vintages count."""
    logs = np.log([1.1, 0.8, 1.0])
    ratios = [1.1, 0.8, 1.0]
    for series in (outside(effect_pct=[10.0, -20.0, 0.0]), outside(yield_t_ha=ratios), outside(index=ratios)):
        made = _reference(series, VINTAGES, ["Merlot", "Shiraz"])
        assert made.variety == [-1]
        np.testing.assert_allclose(made.log_yield[0, [0, 1, 3]], logs)
        assert np.isnan(made.log_yield[0, [2, 4, 5]]).all()


def test_outside_series_of_varieties_find_theirs():
    both = pd.concat([
        outside(index=[1.0, 2.0, 3.0], variety="Shiraz"), outside(index=[1.0, 2.0, 3.0], variety=None),
        outside(index=[1.0, 2.0, 3.0], variety="Malbec"),
    ])  # fmt: skip
    assert sorted(_reference(both, VINTAGES, ["Merlot", "Shiraz"]).variety) == [-1, 1]


def test_outside_series_of_one_vintage_or_of_others_says_nothing():
    assert _reference(None, VINTAGES, [""]) is None
    assert _reference(outside(index=1.0).iloc[:0], VINTAGES, [""]) is None
    assert _reference(outside(index=1.0).iloc[:1], VINTAGES, [""]) is None
    assert _reference(outside(index=1.0).iloc[:2], VINTAGES, [""]).variety == [-1]
    assert _reference(outside(index=1.0, variety="Malbec"), VINTAGES, ["Shiraz"]) is None
