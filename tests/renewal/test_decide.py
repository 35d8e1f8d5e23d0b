"""Advice, sharing of mobilisation, worth of scouting, and sentences true to their row."""

import itertools
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vinemap.errors import DataError, SettingsError
from vinemap.renewal import Method, decide_zones, default_methods, total_waiting, value_options
from vinemap.renewal.decide import choose_advice
from vinemap.renewal.example import example_decline, example_draws, example_valuation, example_zones
from vinemap.renewal.methods import Money
from vinemap.renewal.scouting import scouting_value
from vinemap.renewal.visits import share_visits, visit_shares
from vinemap.renewal.wording import SAY, Facts, say_amount, say_renew, state_words

FACTS = Facts(
    healthy_t_ha=22.0, loss_pct=41.0, loss_low=33.0, loss_high=49.0, decline_pct=4.0, vintages=8,
    method="trunk_renewal", year=2026, gain=9800.0, gain_low=3100.0, gain_high=16200.0, wait_cost=1300.0,
    chance=0.93, threshold=0.8, first_year=2026, horizon=2041, currency="AUD", scouting_value=0.0,
    scouting_cost=150.0, missing_pct=4.0, protect_gain=float("nan"), too_short=False,
)  # fmt: skip


def best_by_enumeration(worth, cost, area, least=0.0):
    """Highest total over every assignment of zones to visits."""
    best = -np.inf
    for pick in itertools.product(range(-1, worth.shape[1]), repeat=len(worth)):
        total = sum(worth[z, v] for z, v in enumerate(pick) if v >= 0)
        for visit in set(pick) - {-1}:
            total -= cost[visit]
            if sum(area[z] for z, v in enumerate(pick) if v == visit) < least:
                total = -np.inf
        best = max(best, total)
    return best


def total_of(choice, worth, cost):
    joined = choice >= 0
    return worth[np.flatnonzero(joined), choice[joined]].sum() - cost[np.unique(choice[joined])].sum()


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), zones=st.integers(1, 5), visits=st.integers(1, 4), least=st.floats(0, 3))
def test_sharing_is_as_good_as_enumeration(seed, zones, visits, least):
    rng = np.random.default_rng(seed)
    worth, cost = rng.normal(30, 60, (zones, visits)), rng.uniform(0, 150, visits)
    area = rng.uniform(0.5, 2.0, zones)
    choice = share_visits(worth, cost, area, least_ha=least)
    assert total_of(choice, worth, cost) == pytest.approx(best_by_enumeration(worth, cost, area, least))


def test_many_zones_are_shared_greedily_and_never_at_a_loss():
    rng = np.random.default_rng(1)
    worth, cost = rng.normal(30, 60, (20, 6)), rng.uniform(0, 300, 6)
    choice = share_visits(worth, cost, np.ones(20))
    one_visit = [np.clip(worth[:, v], 0, None).sum() - cost[v] for v in range(6)]
    assert total_of(choice, worth, cost) >= max(one_visit) - 1e-9


def test_shares_of_a_visit_add_up_to_one():
    shares = visit_shares(np.array([3, 3, 1, -1]), np.array([1.0, 2.0, 4.0, 5.0]))
    np.testing.assert_allclose(shares, [1 / 3, 2 / 3, 1.0, 1.0])


def test_zone_pays_only_together_with_its_neighbour():
    draws = example_draws(
        rng=np.random.default_rng(1), loss_now=(0.40, 0.40), yearly_loss=(0.02, 0.02), missing=(0.0, 0.0)
    )
    zones = example_zones(2)
    cut = default_methods()[0]
    free = value_options(draws, zones, methods=[replace(cut, mobilisation_per_block=0.0)], money=Money(),
                         rng=np.random.default_rng(2))  # fmt: skip
    best = free.gain.mean(axis=0)[:, 0, 0] * free.standing.area_ha
    dear = replace(cut, mobilisation_per_block=float(0.7 * best.sum()))
    assert dear.mobilisation_per_block > best.max()
    out = value_options(draws, zones, methods=[dear], money=Money(), rng=np.random.default_rng(2))
    both = decide_zones(out, zones, example_decline(out), chance_threshold=0.5)
    assert both["gain_per_ha"].gt(0).all()
    assert both["shared_with"].tolist() == ["A-Z2", "A-Z1"]
    assert both["mobilisation_share"].sum() == pytest.approx(1.0)
    apart = zones.assign(block_id=["A", "C"])
    alone = value_options(draws, apart, methods=[dear], money=Money(), rng=np.random.default_rng(2))
    assert decide_zones(alone, apart, example_decline(alone))["gain_per_ha"].lt(0).all()


def test_scouting_is_worth_nothing_where_it_cannot_change_the_choice():
    rng = np.random.default_rng(1)
    share, look = rng.uniform(0, 1, 400), rng.standard_normal(400)
    assert scouting_value(5000.0 + rng.normal(0, 800, (400, 1)), share, look) == 0.0
    assert scouting_value(np.zeros((400, 0)), share, look) == 0.0
    assert scouting_value(rng.normal(0, 800, (400, 1)), np.full(400, 0.0), look) == 0.0


def test_scouting_of_pure_noise_is_worth_little():
    rng = np.random.default_rng(2)
    values = [
        scouting_value(rng.normal(0, 1000, (400, 20)), rng.uniform(0, 1, 400), rng.standard_normal(400))
        for _ in range(40)
    ]
    # choosing and judging on the same draws would give about 250 here
    assert np.mean(values) < 60


@pytest.mark.parametrize("vines", [10, 60, 5000])
def test_scouting_comes_near_the_value_of_perfect_information(vines):
    rng = np.random.default_rng(3)
    share, look = rng.uniform(0, 1, 20_000), rng.standard_normal(20_000)
    gains = (1000 * (0.5 - share))[:, None]
    found = scouting_value(gains, share, look, vines=vines)
    # perfect information: E[max(0, 1000 (0.5 - U))] = 125
    assert 95 < found <= 126


@pytest.mark.parametrize(
    ("changes", "declining", "advice"),
    [
        ({}, 0.9, "renew"),
        ({"year": 2027}, 0.9, "renew"),
        ({"year": 2028}, 0.9, "watch"),
        ({"chance": 0.7}, 0.9, "watch"),
        ({"chance": 0.7, "scouting_value": 400.0}, 0.9, "scout"),
        ({"too_short": True, "vintages": 2}, 0.9, "scout"),
        ({"gain": -500.0}, 0.9, "watch"),
        ({"gain": -500.0}, 0.1, "keep"),
        ({"protect_gain": 12_000.0}, 0.9, "watch"),
        ({"method": "", "gain": 0.0}, 0.0, "keep"),
    ],
)
def test_rule_of_advice(changes, declining, advice):
    assert choose_advice(replace(FACTS, **changes), declining) == advice


def test_example_is_decided_as_its_truth_asks(valuation, zones, decline):
    table = decide_zones(valuation, zones, decline).set_index("zone_id")
    assert table["advice"].to_dict() == {"A-Z1": "renew", "A-Z2": "keep", "B-Z3": "renew"}
    assert table.loc["B-Z3", "best_method"] == "infill"
    assert table["chance_pays"].between(0, 1).all()
    assert table.loc["A-Z1", "wait_cost_per_ha"] > 0
    assert table.loc["A-Z2", "wait_cost_per_ha"] == 0


def test_gain_is_that_of_the_options_table(valuation, zones, decline):
    table = decide_zones(valuation, zones, decline)
    for row in table[table["shared_with"] == ""].itertuples():
        options = valuation.options
        mine = options[(options["zone_id"] == row.zone_id) & (options["method"] == row.best_method)]
        mine = mine[mine["year"] == row.best_year].iloc[0]
        assert row.gain_per_ha == pytest.approx(mine["npv_per_ha"], rel=1e-9)
        assert row.gain_per_ha_low == pytest.approx(mine["npv_low"], rel=1e-9)
        assert row.chance_pays == mine["chance_pays"]


def test_cost_of_waiting_is_the_difference_of_two_winters(valuation, zones, decline):
    row = decide_zones(valuation, zones, decline).set_index("zone_id").loc["A-Z1"]
    table = valuation.options[(valuation.options["zone_id"] == "A-Z1")]
    best = table[table["method"] != "keep_protected"].groupby("year")["npv_per_ha"].max()
    assert row["wait_cost_per_ha"] == pytest.approx(best[2026] - best[2027], rel=1e-9)


def test_cost_of_waiting_counts_from_the_best_year_on(valuation, zones, decline):
    """A zone best renewed next winter: the year until then costs nothing, the one after it does."""
    gain = valuation.gain.copy()
    gain[:, 0, :, 0] -= 4000.0
    later = replace(valuation, gain=gain)
    row = decide_zones(later, zones, decline).set_index("zone_id").loc["A-Z1"]
    mean = gain[:, 0, 0].mean(axis=0) - valuation.visit[:, 0].mean(axis=0) / valuation.standing.area_ha[0]
    assert (row["best_year"], row["advice"]) == (2027, "renew")
    assert row["wait_cost_per_ha"] == pytest.approx(mean[1] - mean[2:].max(), rel=1e-6)
    assert "a year's delay past 2027 costs about" in row["reason"]
    assert "waiting a year gains" not in row["reason"]


def test_zone_that_still_comes_back_is_not_renewed(valuation, zones, decline):
    back = decline.assign(
        renewed_year=pd.array([2022, None, 2019], dtype="Int64"), recovery_pct=[61.0, None, 99.0]
    )
    table = decide_zones(valuation, zones, back).set_index("zone_id")
    assert table.loc["A-Z1", "advice"] == "watch"
    said = "Renewed in 2022, still coming back: it yields 61 % (55-65 %) of"
    assert table.loc["A-Z1", "reason"].startswith(said)
    assert table.loc["A-Z1", "best_year"] > 2027
    assert table.loc["B-Z3", "advice"] == "renew"  # the work of 2019 is finished


def test_gain_asked_for_is_kept_to(valuation, zones, decline):
    gain = decide_zones(valuation, zones, decline).set_index("zone_id").loc["A-Z1", "gain_per_ha"]
    strict = (
        decide_zones(valuation, zones, decline, min_gain_per_ha=gain + 1).set_index("zone_id").loc["A-Z1"]
    )
    assert strict["advice"] != "renew"
    assert "asked for" in strict["reason"]


@pytest.mark.parametrize("vintages", [1, 2])
def test_short_record_never_renews_on_yield_alone(valuation, zones, decline, vintages):
    never = decline.assign(vintages=vintages, missing_pct=np.nan, symptomatic_pct=np.nan)
    table = decide_zones(valuation, zones, never)
    assert "renew" not in set(table["advice"])
    assert table.loc[0, "advice"] == "scout"
    words = {1: "Only 1 vintage is on record", 2: "Only 2 vintages are on record"}
    assert table.loc[0, "reason"].startswith(words[vintages])
    counted = decline.assign(vintages=vintages)
    assert decide_zones(valuation, zones, counted).loc[0, "advice"] == "renew"


def test_infill_is_not_advised_where_gaps_were_never_counted(valuation, zones, decline):
    never = decline.assign(missing_pct=[5.0, 1.0, np.nan])
    assert decide_zones(valuation, zones, never).loc[2, "best_method"] != "infill"


def numbers_in(text):
    return [float(one.replace(",", "")) for one in re.findall(r"(?<![\d.])-?\d[\d,]*(?:\.\d+)?", text)]


def test_sentences_carry_the_numbers_of_their_row(valuation, zones, decline):
    table = decide_zones(valuation, zones, decline).merge(decline, on="zone_id")
    for row in table.to_dict("records"):
        said = numbers_in(row["reason"])
        for name in ("gain_per_ha", "gain_per_ha_low", "gain_per_ha_high"):
            assert float(say_amount(row[name]).replace(",", "")) in said, (name, row["reason"])
        assert round(row["loss_pct"]) in said
        assert int(row["best_year"]) in said
        if row["advice"] == "renew":
            assert round(100 * row["chance_pays"]) in said
            assert float(say_amount(row["wait_cost_per_ha"]).replace(",", "")) in said
        assert "AUD/ha" in row["reason"]
        assert row["reason"][0].isupper()
        assert row["reason"].endswith(".")
        assert "nan" not in row["reason"]


@settings(max_examples=80, deadline=None)
@given(
    gain=st.floats(-1e5, 1e5), wait=st.floats(0, 1e4), loss=st.floats(-20, 100), fall=st.floats(-5, 10),
    chance=st.floats(0, 1), year=st.integers(2026, 2040), worth=st.floats(0, 1000), short=st.booleans(),
    protect=st.one_of(st.just(float("nan")), st.floats(-1000, 20_000)), declining=st.floats(0, 1),
    method=st.sampled_from(["trunk_renewal", "graft_over", "infill", "replant", ""]),
)  # fmt: skip
def test_every_sentence_reads_as_one_sentence(
    gain, wait, loss, fall, chance, year, worth, short, protect, declining, method
):
    facts = replace(
        FACTS, gain=gain, wait_cost=wait, loss_pct=loss, loss_low=loss - 5, decline_pct=fall, chance=chance,
        year=year, scouting_value=worth, too_short=short, vintages=2 if short else 8, protect_gain=protect,
        method=method,
    )  # fmt: skip
    text = SAY[choose_advice(facts, declining)](facts)
    assert text.count(". ") == 0
    assert text.endswith(".")
    assert "  " not in text
    assert "nan" not in text
    assert "-0 " not in text


@pytest.mark.parametrize(("low", "told"), [(-2.0, "(-2 to 10 %)"), (0.0, "(0-10 %)"), (3.0, "(3-10 %)")])
def test_interval_of_a_loss_below_nought_is_written_with_to(low, told):
    facts = replace(FACTS, loss_pct=5.0, loss_low=low, loss_high=10.0)
    assert told in state_words(facts)


@pytest.mark.parametrize(
    ("rate", "low", "high", "told"),
    [
        (4.0, 2.6, 6.4, "falls by about 4.0 % (2.6-6.4 %) a year"),
        (1.4, -0.04, 3.1, "falls by about 1.4 % (0.0-3.1 %) a year"),
        (1.4, -0.3, 3.1, "falls by about 1.4 % (-0.3 to 3.1 %) a year"),
        (-9.6, -15.1, -3.4, "gains about 9.6 % (3.4-15.1 %) a year"),
        (0.2, 0.0, 1.0, "holds"),
    ],
)
def test_yearly_change_is_said_with_its_interval(rate, low, high, told):
    facts = replace(FACTS, decline_pct=rate, decline_low=low, decline_high=high)
    assert state_words(facts).endswith(f" and {told}")


def test_delay_is_said_with_its_interval():
    """Where waiting may gain as well as cost, the low end is below nought."""
    facts = replace(FACTS, wait_cost=180.0, wait_low=-934.0, wait_high=1658.0)
    assert SAY["renew"](facts).endswith("and a year's delay costs about 180 AUD/ha (-930 to 1,700).")


def test_brief_sentence():
    assert say_renew(FACTS) == (
        "Has lost 41 % (33-49 %) of its healthy 22 t/ha and falls by about 4.0 % a year; trunk renewal this "
        "winter (2026) is worth 9,800 AUD/ha over keeping (90 %: 3,100 to 16,200), pays in 93 of 100 "
        "cases, and a year's delay costs about 1,300 AUD/ha."
    )


def test_uncertain_zone_is_scouted_where_symptoms_decide():
    """A zone whose renewal pays only if few vines are sick: looking is worth more than it costs."""
    draws = example_draws(rng=np.random.default_rng(5), draw_count=600, loss_now=(0.30,),
                          yearly_loss=(0.012,), missing=(0.0,))  # fmt: skip
    frail = Method(name="trunk_renewal", cost_per_vine=6.5, take_drop_symptomatic=0.9, held_years=30.0,
                   crop_share_by_year_after=(0.05, 0.6, 0.95))  # fmt: skip
    rng = np.random.default_rng(6)
    sure = replace(draws, symptomatic_share=rng.choice([0.0, 0.6], (600, 1)))
    money = Money(price_sd_share=0.02, cost_sd_share=0.02)
    zones = example_zones(1)
    out = value_options(sure, zones, methods=[frail], money=money, rng=rng)
    row = decide_zones(out, zones, example_decline(out), scouting_cost=150.0).iloc[0]
    assert row["advice"] == "scout"
    assert row["scouting_value"] > 150
    assert float(say_amount(row["scouting_value"]).replace(",", "")) in numbers_in(row["reason"])
    dear = decide_zones(out, zones, example_decline(out), scouting_cost=1e6).iloc[0]
    assert dear["advice"] != "scout"


def test_zones_without_decline_row_and_odd_thresholds_are_refused(valuation, zones, decline):
    with pytest.raises(DataError, match=r"Zone B-Z3 has no row in the decline table"):
        decide_zones(valuation, zones, decline.iloc[:2])
    with pytest.raises(DataError, match=r"Zone C-Z9 was not valued"):
        decide_zones(valuation, zones.assign(zone_id=["A-Z1", "A-Z2", "C-Z9"]), decline)
    with pytest.raises(SettingsError, match=r"Chance threshold is 80"):
        decide_zones(valuation, zones, decline, chance_threshold=80)


def test_valuation_without_methods_keeps_everything(zones):
    draws = example_draws(rng=np.random.default_rng(1), draw_count=20)
    out = value_options(draws, zones, methods=[], money=Money(), rng=np.random.default_rng(1))
    table = decide_zones(out, zones, example_decline(out))
    assert set(table["advice"]) <= {"keep", "watch"}
    assert table["best_year"].isna().all()
    assert out.options.empty


def test_result_follows_the_caller_and_leaves_his_frames_alone(valuation, zones, decline):
    before = decline.copy()
    turned = decide_zones(valuation, zones.iloc[::-1], decline)
    assert turned["zone_id"].tolist() == zones["zone_id"].tolist()[::-1]
    assert decline.equals(before)
    assert str(turned["best_year"].dtype) == "Int64"


def test_amounts_are_rounded_as_said():
    assert example_valuation(draw_count=5).money.currency == "AUD"
    assert [say_amount(one) for one in (1049.0, 1051.0, 994.0, 12.4, -0.2)] == [
        "1,000",
        "1,100",
        "990",
        "12",
        "0",
    ]


def test_cost_of_waiting_of_all_is_the_sum_over_the_zones(valuation, zones, decline):
    found = decide_zones(valuation, zones, decline)
    area = found["zone_id"].map(zones.set_index("zone_id")["area_ha"])
    total = total_waiting(valuation, found)
    assert total.mean == pytest.approx((found["wait_cost_per_ha"] * area).sum(), rel=1e-9)
    assert total.low <= total.mean <= total.high


def test_cost_of_waiting_has_an_interval_around_its_mean(valuation, zones, decline):
    out = decide_zones(valuation, zones, decline).set_index("zone_id")
    renew = out[out["advice"] == "renew"]
    assert (renew["wait_cost_per_ha_low"] < renew["wait_cost_per_ha"]).all()
    assert (renew["wait_cost_per_ha"] < renew["wait_cost_per_ha_high"]).all()
    # By hand: A-Z1's work this winter less the best that is left a winter later, draw by draw.
    place, shares = valuation.zone_index("A-Z1"), out.loc["A-Z1", "mobilisation_share"]
    net = valuation.gain[:, place] - shares / valuation.standing.area_ha[place] * valuation.visit
    later = net[:, :4, 1:].reshape(len(net), -1)
    best = later[:, np.nan_to_num(later.mean(axis=0), nan=-np.inf).argmax()]
    delay = net[:, valuation.method_index("trunk_renewal"), 0] - best
    assert out.loc["A-Z1", "wait_cost_per_ha"] == pytest.approx(delay.mean())
    low, high = np.quantile(delay, [0.05, 0.95])
    assert out.loc["A-Z1", ["wait_cost_per_ha_low", "wait_cost_per_ha_high"]].tolist() == [
        pytest.approx(low), pytest.approx(high),
    ]  # fmt: skip
    kept = out[out["gain_per_ha"] <= 0]
    assert (kept[["wait_cost_per_ha_low", "wait_cost_per_ha", "wait_cost_per_ha_high"]] == 0).all(axis=None)


def test_sentence_names_the_end_of_the_trellis_where_that_is_the_reason():
    from vinemap.renewal.wording import say_watch

    poor = replace(FACTS, gain=-5000.0, chance=0.1)
    assert "no renewal pays yet, the nearest is trunk renewal" in say_watch(poor)
    short = say_watch(replace(poor, horizon=2031, protect_gain=650.0))
    assert "no renewal pays in the 5 vintages left on its trellis (to 2031), the nearest is" in short
    assert "wound protection is worth 650 AUD/ha; no renewal pays" in short
    assert "beats" not in short
