"""Borders between one advice, one word or one code and the next."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import SettingsError
from vinemap.renewal import default_methods, list_work
from vinemap.renewal.capacity import name_over_capacity
from vinemap.renewal.change import NO_TURN, Turn, change_codes, say_change
from vinemap.renewal.check import check_renewals
from vinemap.renewal.decide import choose_advice, decide_zones
from vinemap.renewal.example import example_facts
from vinemap.renewal.finance import annual_worth_by_life, annuity_factor, replacement_year
from vinemap.renewal.scouting import scouting_value
from vinemap.renewal.trace import _say_turning
from vinemap.renewal.visits import KEPT, share_visits, visit_shares
from vinemap.renewal.waiting import cost_of_waiting
from vinemap.renewal.wording import (
    METHOD_WORDS,
    SAY,
    say_amount,
    say_keep,
    say_renew,
    say_scout,
    say_watch,
    state_words,
    when,
)

FACTS = example_facts()


def facts(**changed):
    return replace(FACTS, **changed)


# ---------------------------------------------------------------- the rule
@pytest.mark.parametrize(
    ("changed", "declining", "advice"),
    [
        ({"chance": 0.6}, 0.0, "renew"), ({"chance": 0.59}, 0.0, "watch"),
        ({"year": 2027}, 0.0, "renew"), ({"year": 2028}, 0.0, "watch"),
        ({"min_gain": 9000.0}, 0.0, "keep"), ({"min_gain": 8999.0}, 0.0, "renew"),
        ({"gain": 0.0}, 0.0, "keep"), ({"gain": 0.0}, 0.51, "watch"), ({"gain": 0.0}, 0.5, "keep"),
        ({"protect_gain": 9000.0}, 0.0, "renew"), ({"protect_gain": 9001.0}, 0.0, "keep"),
        ({"gain": -1.0, "scouting_value": 150.0}, 0.0, "keep"),
        ({"gain": -1.0, "scouting_value": 151.0}, 0.0, "scout"),
        ({"method": "", "scouting_value": 151.0}, 0.0, "keep"),
        ({"too_short": True}, 0.0, "scout"), ({"too_short": True, "gain": -1.0}, 0.0, "keep"),
        ({"renewed": 2023, "now_pct": 89.9}, 0.0, "watch"), ({"renewed": 2023, "now_pct": 90.0}, 0.9, "keep"),
    ],
)  # fmt: skip
def test_rule_of_advice_at_its_borders(changed, declining, advice):
    assert choose_advice(facts(**changed), declining) == advice


# ---------------------------------------------------------------- what would change it
@pytest.mark.parametrize(
    ("changed", "advice", "turn", "codes"),
    [
        ({}, "renew", Turn(650.0, np.nan, 5.0), ["nothing"]),
        ({}, "renew", Turn(650.0, np.nan, 5.1), ["loss_below"]),
        ({}, "renew", Turn(650.0, np.nan, 40.0), ["nothing"]),
        ({}, "renew", Turn(650.0, np.nan, 39.9), ["loss_below"]),
        ({"gain": 0.0}, "keep", Turn(650.0, np.nan, 40.1), ["loss_above"]),
        ({"gain": 0.0}, "keep", Turn(650.0, np.nan, 40.0), ["nothing"]),
        ({"gain": -1.0}, "keep", Turn(650.0, np.nan, 100.0), ["loss_above"]),
        ({"gain": -1.0}, "keep", Turn(650.0, np.nan, 100.1), ["nothing"]),
        ({}, "renew", Turn(650.0, 325.0, np.nan), ["price_below"]),
        ({}, "renew", Turn(650.0, 324.0, np.nan), ["nothing"]),
        ({"gain": -1.0}, "keep", Turn(650.0, 1300.0, np.nan), ["price_above"]),
        ({"gain": -1.0}, "keep", Turn(650.0, 1301.0, np.nan), ["nothing"]),
        ({"gain": -1.0}, "keep", Turn(650.0, 650.0, np.nan), ["price_above"]),
        ({"gain": -1.0}, "keep", Turn(0.0, 650.0, np.nan), ["nothing"]),
        ({"chance": 0.6, "year": 2030}, "watch", NO_TURN, ["sooner"]),
        ({"chance": 0.59, "year": 2030}, "watch", NO_TURN, ["surer"]),
        ({"min_gain": 9000.0}, "watch", NO_TURN, ["more_gain"]),
        ({"protect_gain": 9000.0}, "watch", NO_TURN, ["sooner"]),
    ],
)
def test_codes_of_change_at_their_borders(changed, advice, turn, codes):
    assert change_codes(facts(**changed), advice, turn) == codes


def test_figures_of_a_change_are_those_given():
    said = say_change(["loss_above", "price_below"], facts(gain=-1.0), Turn(650.0, 402.0, 52.4))
    assert said == (
        "A loss of about 52 % or more (now 40 %), or a price that stays below about 400 AUD/t (650 set)."
    )
    assert "the winter of 2026 forward" in say_change(["sooner"], FACTS, NO_TURN)


# ---------------------------------------------------------------- words
@pytest.mark.parametrize(
    ("amount", "said"),
    [(0.4, "0"), (99.4, "99"), (99.9, "100"), (100.0, "100"), (104.9, "100"), (996.0, "1,000"),
     (1000.0, "1,000"),
     (1049.0, "1,000"), (1051.0, "1,100"), (-149.0, "-150"), (-3.0, "-3"), (1234567.0, "1,234,600")],
)  # fmt: skip
def test_amounts_are_told_to_as_many_figures_as_matter(amount, said):
    assert say_amount(amount) == said


def test_winters_are_told_from_the_first():
    assert when(2026, 2026) == "this winter (2026)"
    assert when(2027, 2026) == "next winter (2027)"
    assert when(2028, 2026) == "in the winter of 2028"


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, "Has lost 40 % (35-45 %) of its healthy 22 t/ha and falls by about 4.0 % a year"),
        ({"loss_pct": 0.4, "loss_low": -2.0, "loss_high": 3.0, "decline_pct": 0.0},
         "Stands at its healthy 22 t/ha (loss -2 to 3 %) and holds"),
        ({"loss_pct": 0.5, "decline_pct": 0.24}, "Has lost 0 % (35-45 %) of its healthy 22 t/ha and holds"),
        ({"decline_pct": 0.25},
         "Has lost 40 % (35-45 %) of its healthy 22 t/ha and falls by about 0.2 % a year"),
        ({"decline_pct": -2.0, "decline_low": -3.0, "decline_high": -1.0},
         "Has lost 40 % (35-45 %) of its healthy 22 t/ha and gains about 2.0 % (1.0-3.0 %) a year"),
        ({"decline_pct": -0.24}, "Has lost 40 % (35-45 %) of its healthy 22 t/ha and holds"),
        ({"decline_low": -0.5, "decline_high": 6.0},
         "Has lost 40 % (35-45 %) of its healthy 22 t/ha and falls by about 4.0 % (-0.5 to 6.0 %) a year"),
        ({"loss_pct": np.nan}, "How much it has lost is not known"),
    ],
)  # fmt: skip
def test_state_of_a_zone(changed, said):
    assert state_words(facts(**changed)) == said


def test_sentence_of_a_renewal():
    said = say_renew(FACTS)
    assert said.endswith(
        "; trunk renewal this winter (2026) is worth 9,000 AUD/ha over keeping "
        "(90 %: 1,500 to 18,000), "
        "pays in 97 of 100 cases, and a year's delay costs about 800 AUD/ha."
    )
    filled = say_renew(facts(method="infill", year=2027, wait_cost=0.4))
    assert "with 5 % of vine places empty" in filled
    assert filled.endswith("and a year's delay past 2027 changes nothing.")
    assert "empty" not in said
    assert say_renew(facts(wait_cost=0.6)).endswith("costs about 1 AUD/ha.")


def test_sentence_of_a_scout():
    assert "would be worth 9,000 AUD/ha" in say_scout(FACTS)
    assert "would on average change the value by 0 AUD/ha" in say_scout(facts(gain=0.0))
    assert say_scout(FACTS).endswith("is worth about 10 AUD for the zone against a cost of 150 AUD.")
    assert say_scout(facts(too_short=True, vintages=1)).startswith("Only 1 vintage is on record")
    assert say_scout(facts(too_short=True, vintages=2)).startswith("Only 2 vintages are on record")
    assert "lost 40 % (35 to 45 %)" in say_scout(facts(too_short=True))


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"method": ""}, "no renewal method fits it before its trellis ends in 2036."),
        ({"protect_gain": 9500.0}, "wound protection is worth 9,500 AUD/ha and beats trunk renewal"),
        ({"gain": -400.0, "protect_gain": 300.0},
         "wound protection is worth 300 AUD/ha; no renewal pays yet,"),
        ({"gain": -400.0, "horizon": 2035}, "no renewal pays yet, the nearest is"),
        ({"gain": -400.0, "horizon": 2034},
         "no renewal pays in the 8 vintages left on its trellis (to 2034)"),
        ({"gain": 0.0}, "no renewal pays yet, the nearest is trunk renewal this winter (2026) at 0 AUD/ha"),
        ({"min_gain": 9000.0}, "less than the 9,000 AUD/ha asked for"),
        ({"chance": 0.59}, "pays in only 59 of 100 cases, short of the 60 asked for"),
        ({"year": 2030}, "promises 9,000 AUD/ha (90 %: 1,500 to 18,000) and pays in 97 of 100 cases; "
                         "waiting until then loses nothing, and a year's delay past 2030 costs about 800"),
    ],
)  # fmt: skip
def test_sentences_of_a_watch(changed, said):
    assert said in say_watch(facts(**changed))


def test_protection_that_loses_is_not_spoken_of():
    for gain in (0.0, -5.0, float("nan")):
        assert "protection" not in say_watch(facts(gain=-400.0, protect_gain=gain))
        assert "protection" not in say_keep(facts(protect_gain=gain))
    assert say_keep(facts(protect_gain=300.0)).endswith(", while wound protection is worth 300 AUD/ha.")
    assert "beats" not in say_watch(facts(protect_gain=8999.0))


@pytest.mark.parametrize(
    ("year", "told"), [(0, False), (2026, False), (2027, True), (2029, True), (2030, False)]
)
def test_a_crop_that_soon_does_not_pay_is_told(year, told):
    """Within the next three vintages; further ahead it is not worth a clause."""
    said = say_keep(facts(gain=-400.0, idle_year=year))
    assert (f"from vintage {year} on its crop pays so much less" in said) == told


@pytest.mark.parametrize("say", [say_watch, say_keep])
def test_a_renewed_zone_is_told_by_its_recovery(say):
    young = say(facts(renewed=2024, now_pct=60.0))
    assert young.startswith(
        "Renewed in 2024, still coming back: it yields 60 % (55-65 %) of its healthy 22 t/ha"
    )
    assert "nearly or wholly back" in say(facts(renewed=2024, now_pct=90.0))
    assert "still coming back" in say(facts(renewed=2024, now_pct=89.9))
    assert "(" not in say(facts(renewed=2024, now_pct=60.0, loss_low=np.nan))
    assert "before that is seen" in say(facts(renewed=2024, now_pct=np.nan))


def test_every_advice_and_method_has_words():
    assert set(SAY) == {"renew", "scout", "watch", "keep"}
    assert set(METHOD_WORDS) == {one.name for one in default_methods()}


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, "pays from a price of about 480 AUD/t (set: 650) and from a loss of about 12 % (now 20 %)."),
        ({"gain_per_price": 0.0}, "pays from a price of"),
        ({"gain_per_price": -1.0}, "pays up to a price of"),
        ({"break_even_loss_pct": 0.0}, "at any loss, for its decline alone (now 20 %)"),
        ({"break_even_loss_pct": 0.6}, "from a loss of about 1 %"),
        ({"break_even_price_per_t": np.nan}, "Trunk renewal pays from a loss of about 12 % (now 20 %)."),
        ({"break_even_price_per_t": np.nan, "break_even_loss_pct": np.nan}, "turns neither at any price"),
    ],
)  # fmt: skip
def test_turning_points_in_words(changed, said):
    one = {"method": "trunk_renewal", "price_per_t": 650.0, "break_even_price_per_t": 480.0,
           "gain_per_price": 3.0, "loss_pct": 20.0, "break_even_loss_pct": 12.0}  # fmt: skip
    assert said in _say_turning(one | changed, "AUD")


# ---------------------------------------------------------------- visits
def test_a_visit_is_joined_only_where_it_adds():
    """Worth 100 for the visit alone; the second zone would lose by it."""
    worth = np.array([[150.0], [-10.0], [0.0]])
    assert share_visits(worth, np.array([100.0]), np.ones(3)).tolist() == [0, KEPT, KEPT]
    assert share_visits(worth, np.array([150.0]), np.ones(3)).tolist() == [KEPT] * 3
    assert share_visits(worth * np.nan, np.array([1.0]), np.ones(3)).tolist() == [KEPT] * 3


def test_a_zone_that_loses_a_little_joins_where_a_least_area_asks_for_it():
    worth, cost = np.array([[150.0], [-10.0]]), np.array([100.0])
    assert share_visits(worth, cost, np.ones(2), least_ha=2.0).tolist() == [0, 0]
    assert share_visits(worth, cost, np.ones(2), least_ha=2.1).tolist() == [KEPT, KEPT]
    assert share_visits(worth, cost, np.ones(2), least_ha=1.0).tolist() == [0, KEPT]


def test_what_a_zone_is_worth_if_kept_counts_against_the_visit():
    """Protection worth 120 beats a renewal worth 100; not one worth 130."""
    for value, joined in ((100.0, KEPT), (130.0, 0)):
        found = share_visits(np.array([[value]]), np.array([5.0]), np.ones(1), kept=np.array([120.0]))
        assert found.tolist() == [joined]


@pytest.mark.parametrize("count", [8, 9, 12])
def test_zones_are_split_over_the_visits_that_suit_them(count):
    """Exactly up to eight zones, then greedily: half suit one winter, half the other."""
    worth = np.where((np.arange(count) % 2 == 0)[:, None], [[100.0, 10.0]], [[10.0, 100.0]])
    found = share_visits(worth, np.array([50.0, 50.0]), np.ones(count))
    assert found.tolist() == [n % 2 for n in range(count)]
    dear = share_visits(worth, np.array([50.0, 1e6]), np.ones(count))
    assert dear.tolist() == [0] * count
    assert (share_visits(worth, np.array([1e6, 1e6]), np.ones(count)) == KEPT).all()


@pytest.mark.parametrize("count", [4, 10])
def test_a_visit_of_too_little_area_is_not_made(count):
    worth = np.full((count, 1), 100.0)
    assert (share_visits(worth, np.array([1.0]), np.ones(count), least_ha=count + 0.1) == KEPT).all()
    assert (share_visits(worth, np.array([1.0]), np.ones(count), least_ha=float(count)) == 0).all()


def test_greedy_moves_zones_to_a_better_visit_that_is_opened_later():
    """The first visit adds most in all; the second is better for a few, by more than it costs."""
    worth = np.tile([[100.0, 90.0]], (10, 1))
    worth[:3, 1] = 200.0
    found = share_visits(worth, np.array([20.0, 250.0]), np.ones(10))
    assert found.tolist() == [1] * 3 + [0] * 7
    assert share_visits(worth, np.array([20.0, 320.0]), np.ones(10)).tolist() == [0] * 10


def test_only_hopeful_zones_count_towards_the_exact_search():
    """Fifty zones of which three are worth a thought are searched exactly: together they pay."""
    worth = np.full((50, 1), -5.0)
    worth[[7, 20, 44]] = 40.0
    found = share_visits(worth, np.array([100.0]), np.ones(50))
    assert np.flatnonzero(found == 0).tolist() == [7, 20, 44]


def test_kept_zones_bear_their_own_mobilisation():
    shares = visit_shares(np.array([KEPT, KEPT, 4, 4, 4]), np.array([1.0, 9.0, 2.0, 3.0, 5.0]))
    np.testing.assert_allclose(shares, [1.0, 1.0, 0.2, 0.3, 0.5])


# ---------------------------------------------------------------- waiting, scouting, finance
def test_waiting_costs_the_difference_to_the_best_that_is_left():
    net = np.array([[[10.0, 6.0, 7.0], [1.0, 8.0, 2.0]]])  # two methods, three winters
    assert cost_of_waiting(net, net[:, 0, 0], 0).mean == pytest.approx(2.0)  # the other method a winter on
    assert cost_of_waiting(net, net[:, 1, 1], 1).mean == pytest.approx(1.0)
    assert cost_of_waiting(net, net[:, 0, 2], 2).mean == pytest.approx(7.0)  # none is left
    assert cost_of_waiting(net, np.zeros(1), KEPT).mean == 0
    assert cost_of_waiting(net, np.array([-3.0]), 0).mean == 0
    assert cost_of_waiting(-net + 9, np.array([5.0]), 0).mean >= 0
    assert cost_of_waiting(np.zeros((1, 0, 3)), np.array([5.0]), 0).mean == 0


def test_waiting_past_the_last_winter_that_pays_costs_the_whole_gain():
    net = np.array([[[10.0, -5.0, np.nan]]])
    found = cost_of_waiting(net, net[:, 0, 0], 0)
    assert (found.mean, found.low, found.high) == (10.0, 10.0, 10.0)


def test_interval_of_waiting_is_that_of_the_draws():
    best = np.linspace(0, 100, 101)
    net = np.stack([best, np.zeros(101)], axis=1)[:, None, :] + np.array([0.0, 1.0])
    found = cost_of_waiting(net, best, 0)
    assert (found.mean, found.low, found.high) == pytest.approx((49.0, 4.0, 94.0))


def test_scouting_by_classes_worked_out_by_hand():
    """Two actions that suit opposite halves, told apart by a count without error: half of 100 is gained."""
    share = np.repeat([0.0, 1.0], 400)
    gains = np.where(share[:, None] == 0, [[100.0, -100.0]], [[-100.0, 100.0]])
    found = scouting_value(gains, share, np.zeros(800))
    assert found == pytest.approx(100.0)  # doing nothing, 0, is the best of all without a count
    assert scouting_value(gains[:, :1], share, np.zeros(800)) == pytest.approx(50.0)
    assert scouting_value(gains[:, :1] + 40.0, share, np.zeros(800)) == pytest.approx(0.5 * 60.0, abs=1e-9)


def test_a_larger_count_is_worth_more():
    rng = np.random.default_rng(5)
    share, look = rng.uniform(0.3, 0.7, 8000), rng.standard_normal(8000)
    gains = (1000 * (0.5 - share))[:, None]
    few, some, many = (scouting_value(gains, share, look, vines=n) for n in (5, 60, 5000))
    assert few < some < many
    assert many < 51  # perfect information is worth 50
    assert some == pytest.approx(scouting_value(gains, share, look))


def test_scouting_needs_draws_to_learn_from():
    """With few draws a class is not judged at all."""
    share = np.linspace(0, 1, 40)
    gains = (1000 * (0.5 - share))[:, None]
    assert scouting_value(gains, share, np.zeros(40)) == 0.0


def test_economic_life_and_replacement_by_hand():
    assert annuity_factor(0.0, 7) == 7.0
    worth = annual_worth_by_life(100.0, [10.0], [50.0], 0.0)
    assert worth.tolist() == [-60.0]
    both = annual_worth_by_life(100.0, [10.0, 20.0], [50.0, 30.0], 0.1)
    present = -100 - 10 / 1.1 - 20 / 1.21 + 30 / 1.21
    assert both[1] == pytest.approx(present * 0.1 / (1 - 1.1**-2))
    assert replacement_year([500.0, 499.0], 500.0) == 1
    assert replacement_year([500.0, 600.0], 500.0) == 2


# ---------------------------------------------------------------- capacity
def test_capacity_is_exceeded_only_above_it(valuation, zones, decline):
    advice = decide_zones(valuation, zones, decline)
    now = float(valuation.standing.now.mean(axis=0)[1])
    assert "A-Z2" not in name_over_capacity(valuation, advice, capacity_t_ha=now)["zone_id"].tolist()
    over = name_over_capacity(valuation, advice, capacity_t_ha=now - 0.01).set_index("zone_id").loc["A-Z2"]
    assert over["over"] == "now"
    assert over["crop_after_t_ha"] == over["crop_now_t_ha"] == pytest.approx(now)
    assert over["capacity_t_ha"] == pytest.approx(now - 0.01)
    with pytest.raises(SettingsError, match="capacity is 0"):
        name_over_capacity(valuation, advice, capacity_t_ha=0.0)


def test_crop_after_a_renewal_is_in_full_bearing(valuation, zones, decline):
    """Trunk renewal bears 0.95 of the healthy yield; infill what stands now and what the new vines add."""
    advice = decide_zones(valuation, zones, decline)
    made = name_over_capacity(valuation, advice, capacity_t_ha=5.0).set_index("zone_id")
    standing = valuation.standing
    methods = {one.name: one for one in valuation.methods}
    for zone, row in advice.set_index("zone_id").iterrows():
        place = standing.zone_ids.index(zone)
        expected = standing.now[:, place].mean()
        if row["advice"] == "renew" and row["best_method"] == "infill":
            level = methods["infill"].full_level * standing.healthy[:, place]
            gap = 1 - standing.now[:, place] / standing.healthy[:, place]
            expected += (level * np.minimum(standing.missing[:, place], np.clip(gap, 0, 1))).mean()
        elif row["advice"] == "renew":
            expected = methods[row["best_method"]].full_level * standing.healthy[:, place].mean()
        assert made.loc[zone, "crop_after_t_ha"] == pytest.approx(expected)


# ---------------------------------------------------------------- checks of renewals
def crops(rows: dict[str, list[float]], first: int = 2020) -> pd.DataFrame:
    return pd.DataFrame(
        [(zone, first + n, y) for zone, ys in rows.items() for n, y in enumerate(ys)],
        columns=["zone_id", "vintage", "yield_t_ha"],
    )


def check(rows: dict[str, list[float]], year: int = 2021, **more) -> pd.DataFrame:
    zones = pd.DataFrame({"zone_id": list(rows), "block_id": list(rows)})
    done = pd.DataFrame({"zone_id": ["A"], "year": [year], "method": ["infill"]})
    return check_renewals(crops(rows), zones, done, **more)


def test_interval_is_students_of_the_controls_own_changes():
    """Controls change by logs of 1.0, 1.1 and 1.21: mean 0.0953, SD 0.0953, two degrees of freedom."""
    rows = {"A": [10, 10, 15], "B": [10, 10, 10], "C": [10, 10, 11], "D": [10, 10, 12.1]}
    made = check(rows).iloc[0]
    step = np.log(1.1)
    effect, half = np.log(1.5) - step, 2.919986 * step * np.sqrt(4 / 3)  # t table: 0.95, 2 degrees
    assert made["change_pct"] == pytest.approx(100 * np.expm1(effect))
    assert made["change_low"] == pytest.approx(100 * np.expm1(effect - half), rel=1e-5)
    assert made["change_high"] == pytest.approx(100 * np.expm1(effect + half), rel=1e-5)
    assert made["change_t_ha"] == pytest.approx(15 - 15 / np.exp(effect))
    assert (made["before_t_ha"], made["yield_t_ha"], made["years_after"]) == pytest.approx((10.0, 15.0, 1))


def test_the_last_three_vintages_to_the_work_are_what_was_before():
    rows = {"A": [99, 10, 20, 40, 30], "B": [99, 10, 10, 10, 10], "C": [99, 10, 10, 10, 10]}
    made = check(rows, year=2023).iloc[0]
    assert made["change_pct"] == pytest.approx(50.0)  # 30 against the geometric mean of 10, 20 and 40
    one = check(rows, year=2023, before_vintages=1).iloc[0]
    assert one["change_pct"] == pytest.approx(-25.0)
    assert one["before_t_ha"] == pytest.approx(40.0)
    assert made["before_t_ha"] == pytest.approx(70 / 3)


def test_controls_need_the_same_vintages():
    """A control without one of the vintages before, or without this one, is left out of that line."""
    nan = float("nan")
    rows = {"A": [10, 10, 15, 15], "B": [10, 10, 10, 10], "C": [nan, 10, 99, 99], "D": [10, 10, 10, nan],
            "E": [10, 10, 10, 10]}  # fmt: skip
    made = check(rows)
    assert made["controls"].tolist() == [3, 2]
    assert made["change_pct"].tolist() == pytest.approx([50.0, 50.0])
    assert check({"A": [10, 10, 15], "B": [nan, 10, 10]}).empty


def test_a_vintage_without_crop_is_no_vintage():
    rows = {"A": [10, 10, 0, 15], "B": [10] * 4, "C": [10] * 4}
    assert check(rows)["vintage"].tolist() == [2023]


@pytest.mark.parametrize(
    ("crop", "words"),
    [(15.0, "clearly more"), (5.0, "clearly less"), (10.2, "within what zones do by themselves")],
)
def test_words_of_a_check_follow_the_interval(crop, words):
    rows = {"A": [10, 10, crop], "B": [10, 10, 9.8], "C": [10, 10, 10.2], "D": [10, 10, 10.0]}
    made = check(rows).iloc[0]
    assert words in made["words"]
    assert ("above" in made["words"]) == (crop > 10)
    assert ("small by nature" in made["words"]) == (crop < 10)
    assert "3 untouched zones" in made["words"]


def test_first_crops_are_excused_twice_only():
    rows = {"A": [10, 10, 5, 5, 5, 5], "B": [10] * 6, "C": [10.1] * 6}
    told = check(rows)["words"]
    assert told.str.contains("small by nature").tolist() == [True, True, False, False]
    assert [one.split(" vintage")[0][-3:] for one in told] == ["1st", "2nd", "3rd", "4th"]
    one = check({"A": [10, 10, 5], "B": [10] * 3})["words"].iloc[0]
    assert "1 untouched zone lead" in one


# ---------------------------------------------------------------- work lists
def work(method: str, rows: pd.DataFrame, **more) -> pd.DataFrame:
    plan = pd.DataFrame({"year": [2026], "block_id": ["A"], "zone_id": ["A-Z1"], "method": [method],
                         "area_ha": [1.0], "cost": [900.0], "crew_days": [3.0]})  # fmt: skip
    return list_work(plan, rows, methods=default_methods(), **more)


@pytest.fixture
def two_rows() -> pd.DataFrame:
    """Rows of 100 and 50 vines, 200 and 100 m long."""
    return pd.DataFrame({"row_id": ["A-1", "A-2"], "block_id": "A", "zone_id": "A-Z1", "from_vine": [1, 11],
                         "to_vine": [100, 60], "length_m": [200.0, 100.0]})  # fmt: skip


@pytest.mark.parametrize(
    ("method", "vines", "orders", "wood"),
    [
        ("trunk_renewal", [80, 40], [0, 0], 7.0), ("graft_over", [80, 40], [160, 80], 7.0),
        ("infill", [20, 10], [20, 10], 0.0), ("replant", [100, 50], [100, 50], 20.0),
        ("keep_protected", [100, 50], [0, 0], 0.0),
    ],
)  # fmt: skip
def test_vines_worked_ordered_and_taken_out(two_rows, method, vines, orders, wood):
    """A fifth of the places is empty."""
    made = work(method, two_rows, missing_share={"A-Z1": 0.2})
    assert made["vines"].tolist() == vines
    assert made["orders"].tolist() == orders
    np.testing.assert_allclose(made["wood_t"], np.array(vines) * wood / 1000)
    np.testing.assert_allclose(made["wood_low_t"], 0.5 * made["wood_t"])
    np.testing.assert_allclose(made["wood_high_t"], 1.5 * made["wood_t"])
    assert (made["basis"] == "no wood to chip").all() == (wood == 0)
    assert made["cost"].tolist() == [600.0, 300.0]
    assert made["crew_days"].tolist() == [2.0, 1.0]


def test_posts_wire_and_refills(two_rows):
    """A post every 6 m and one at the end; wire where a cordon is laid or the trellis is new."""
    share = {"A-Z1": 0.33}
    made = work("trunk_renewal", two_rows, refill_share=share)
    assert made["posts"].tolist() == [35, 18]
    assert made["wire_m"].tolist() == [200.0, 100.0]
    assert made["refill_vines"].sum() == round(150 * 0.33)
    assert made["refill_vines"].tolist() == [33, 17]
    for method, wire in (("infill", 0.0), ("replant", 300.0), ("keep_protected", 0.0)):
        other = work(method, two_rows, refill_share=share)
        assert other["wire_m"].sum() == wire
        assert (other["refill_vines"] == 0).all()
    assert work("infill", two_rows, post_spacing_m=50.0)["posts"].tolist() == [5, 3]
    with pytest.raises(SettingsError, match=r"Posts stand every 0.0 m"):
        work("infill", two_rows, post_spacing_m=0.0)


def test_rows_are_walked_up_and_down_in_the_order_of_their_numbers():
    rows = pd.DataFrame({
        "row_id": ["A-10", "A-2", "A-2", "A-1"], "block_id": "A", "zone_id": "A-Z1",
        "from_vine": [1, 1, 51, 1], "to_vine": [9, 50, 90, 9], "length_m": 10.0,
    })  # fmt: skip
    made = work("infill", rows)
    assert made["row_id"].tolist() == ["A-1", "A-2", "A-2", "A-10"]
    assert made["walk"].tolist() == ["forwards", "backwards", "backwards", "forwards"]
    assert made["from_vine"].tolist() == [1, 51, 1, 1]  # backwards: from the far end
    assert made["order"].tolist() == [1, 2, 3, 4]
    named = work("infill", rows.assign(row_id=["x", "b", "b", "a"]))
    assert named["row_id"].tolist() == ["x", "b", "b", "a"]  # as they come, where they have no number
