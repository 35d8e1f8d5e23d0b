"""What the page values anew, held against the renewal stage itself."""

from __future__ import annotations

import base64
import re
import zlib
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from vinemap import renewal
from vinemap.errors import DataError
from vinemap.publish import EstateLabel, write_map
from vinemap.publish.what_if import build_what_if, pack_what_if
from vinemap.renewal import cashflow, standing, value

BASE = {"price": 1.0, "cost": 1.0, "rate": 0.06, "threshold": 0.8, "shift": 0}
CHANGES = [
    {},
    {"price": 0.8},
    {"price": 0.8, "threshold": 0.5},  # only the chance asked for: what was valued before is advised anew
    {"price": 1.35, "rate": 0.03},
    {"cost": 1.6, "threshold": 0.9},
    {"cost": 0.5, "shift": 6, "rate": 0.0},
    {"shift": -8, "threshold": 0.55},
    {"price": 0.5, "rate": 0.12, "cost": 0.7, "threshold": 0.6, "shift": 3},
]
NUMBERS = (
    "gain_per_ha", "gain_per_ha_low", "gain_per_ha_high",
    "wait_cost_per_ha", "wait_cost_per_ha_low", "wait_cost_per_ha_high",
)  # fmt: skip


def revalue(valuation: renewal.Valuation, facts: pd.DataFrame, change: dict[str, float]) -> pd.DataFrame:
    """Advise in Python, by the renewal stage's own functions, as the page is asked to."""
    again = value_anew(valuation, change)
    return renewal.decide_zones(again, facts, facts, chance_threshold=(BASE | change)["threshold"])


def value_anew(valuation: renewal.Valuation, change: dict[str, float]) -> renewal.Valuation:
    ask = BASE | change
    money, samples, first = valuation.money, valuation.samples, valuation.first_year
    money = replace(
        money,
        price_per_t=money.price_per_t * ask["price"],
        price_by_variety={key: one * ask["price"] for key, one in money.price_by_variety.items()},
        discount_rate=ask["rate"],
    )
    methods = tuple(
        replace(one, new_price_per_t=one.new_price_per_t * ask["price"]) if one.new_price_per_t else one
        for one in valuation.methods
    )
    dearer = [1.0 if one.protects else ask["cost"] for one in methods]
    samples = replace(samples, cost=samples.cost * np.asarray(dearer))
    last = int(valuation.standing.years[-1])
    least = min(first + standing.LEAST_YEARS, last)
    horizon = np.clip(valuation.standing.horizon + ask["shift"], least, last)
    stand = replace(valuation.standing, horizon=horizon)
    starts = np.arange(first, min(first + value.START_YEARS, int(horizon.max())))
    gain = cashflow.all_gains(
        stand, methods, money=money, samples=samples, first_year=first, start_years=starts
    )
    visit = value._visit_cost(methods, samples, money, starts - first)
    return replace(
        valuation, gain=gain, visit=visit, methods=methods, start_years=starts, money=money,
        standing=stand, samples=samples,
    )  # fmt: skip


@pytest.fixture(scope="module")
def page(browser, valued, tmp_path_factory) -> Any:
    layers, what_if = valued
    path = write_map(
        tmp_path_factory.mktemp("what_if") / "map.html",
        layers,
        estate=EstateLabel("Brolga Reach", "AUD"),
        what_if=what_if,
    )
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 1400, "height": 1000}, offline=True)
    opened = context.new_page()
    opened.on("console", lambda one: faults.append(one.text) if one.type in ("error", "warning") else None)
    opened.on("pageerror", lambda one: faults.append(str(one)))
    opened.goto(path.as_uri())
    yield opened
    context.close()
    assert faults == []


@pytest.mark.parametrize("change", CHANGES, ids=str)
def test_page_values_as_the_renewal_stage_does(page, valuation, change):
    whole, facts = valuation
    want = revalue(whole, facts, change).set_index("zone_id")
    asked = {**change}
    got = pd.DataFrame(
        page.evaluate("(change) => VMValue.decide({ ...VMValue.base(), ...change })", asked)
    ).set_index("zone_id")
    got = got.loc[want.index]
    assert got["advice"].tolist() == want["advice"].tolist()
    assert got["best_method"].tolist() == want["best_method"].tolist()
    assert got["best_year"].astype("Int64").tolist() == want["best_year"].tolist()
    for name in NUMBERS:  # to 0.1 %, the asked-for mark, or half a unit of money per hectare
        np.testing.assert_allclose(got[name], want[name], rtol=1e-3, atol=0.5, err_msg=name)
    np.testing.assert_allclose(got["chance_pays"], want["chance_pays"], atol=1e-9)
    np.testing.assert_allclose(got["scouting_value"], want["scouting_value"], rtol=1e-3, atol=0.5)


@pytest.mark.parametrize("change", [{}, {"price": 1.35, "rate": 0.03}, {"cost": 0.5}], ids=str)
def test_waiting_with_all_zones_costs_what_the_renewal_stage_says(page, valuation, change):
    whole, facts = valuation
    advice = revalue(whole, facts, change)
    want = renewal.total_waiting(value_anew(whole, change), advice[advice["advice"] == "renew"])
    ask = "async (change) => VMValue.waiting(await VMValue.decide({ ...VMValue.base(), ...change }))"
    got = page.evaluate(ask, change)
    assert want.mean > 0
    for name in ("mean", "low", "high"):
        assert got[name] == pytest.approx(getattr(want, name), rel=1e-3, abs=1.0)


def test_changes_reach_every_kind_of_advice(valuation):
    whole, facts = valuation
    seen = {one for change in CHANGES for one in revalue(whole, facts, change)["advice"]}
    assert seen == {"renew", "scout", "watch", "keep"}


def test_options_of_a_zone_are_those_of_the_table(page, valuation):
    whole, _ = valuation
    want = whole.options[whole.options["zone_id"] == "B1-Z1"].sort_values(["method", "year"])
    got = pd.DataFrame(
        page.evaluate("VMValue.optionsOf('B1-Z1', VMValue.base())"),
        columns=["method", "year", "npv_per_ha", "npv_low", "npv_high", "chance_pays"],
    ).sort_values(["method", "year"])
    assert got[["method", "year"]].values.tolist() == want[["method", "year"]].values.tolist()
    for name in ("npv_per_ha", "npv_low", "npv_high", "chance_pays"):
        np.testing.assert_allclose(got[name], want[name], rtol=1e-3, atol=0.5, err_msg=name)


@pytest.mark.parametrize(("name", "year"), [("trunk_renewal", 2026), ("infill", 2028), ("replant", 2031)])
def test_crop_after_the_work_is_that_of_the_renewal_stage(page, valuation, name, year):
    whole, _ = valuation
    want = value.mean_crop(whole, whole.method_index(name), year)[whole.zone_index("B1-Z1")]
    page.evaluate("VMValue.load()")
    got = page.evaluate("([name, year]) => VMValue.cropOf('B1-Z1', name, year)", [name, year])
    assert [one[0] for one in got] == list(range(year + 1, int(whole.standing.years[-1]) + 1))
    np.testing.assert_allclose([one[1] for one in got], want[-len(got) :], rtol=1e-3)


@pytest.mark.parametrize(("zone_id", "name", "values"), [
    ("B1-Z1", "price", [0.9, 0.8, 0.7, 0.6, 0.5]),
    ("B3-Z3", "cost", [1.2, 1.5, 2.0]),
    ("B1-Z3", "price", [1.1, 1.2, 1.3, 1.4, 1.5]),
    ("B3-Z1", "shift", [-2, -4, -6, -8, -10]),
])  # fmt: skip
def test_advice_turns_where_the_renewal_stage_turns_it(page, valuation, zone_id, name, values):
    whole, facts = valuation
    advice = {
        value: revalue(whole, facts, {name: value} if value is not None else {})
        .set_index("zone_id")
        .loc[zone_id, "advice"]
        for value in (None, *values)
    }
    turned = [one for one in values if advice[one] != advice[None]]
    want = {"value": turned[0], "advice": advice[turned[0]]} if turned else None
    page.evaluate("VMValue.load()")
    got = page.evaluate(
        "([id, name, values]) => VMValue.turnOf(id, VMValue.base(), name, values)", [zone_id, name, values]
    )
    assert got == want


def test_picked_zone_says_what_would_change_its_advice(page):
    page.evaluate("VM.change({ zone: VM.zones[0].zone_id, from: 'list' })")
    page.locator("#sheet .turns li").first.wait_for()
    assert re.search(
        r"(cheaper|dearer|sooner|longer|less|more|moved alone)", page.locator(".turns").inner_text()
    )


def open_controls(page) -> None:
    """Open the panel if it is closed: tests of one page may run in any order, on any worker."""
    if not page.locator("#whatif-price").is_visible():
        page.locator("#whatif summary").click()
    page.locator("#whatif-price").wait_for(state="visible")


def test_controls_change_headline_list_sheet_and_back(page, valuation):
    whole, facts = valuation
    before = page.locator("h1").inner_text()
    open_controls(page)
    page.locator("#whatif-price").fill("-50")
    page.locator("#whatif-note").wait_for(state="visible")
    assert "What if: Price of grapes −50" in page.locator("#whatif-note").inner_text()
    want = revalue(whole, facts, {"price": 0.5})
    renew = int((want["advice"] == "renew").sum())
    assert page.locator("h1").inner_text().startswith(f"{renew or 'None'} of 8 zones")
    column = page.locator("#zones tbody tr td:nth-child(2)").all_inner_texts()
    assert sorted(one.strip() for one in column) == sorted(want["advice"])
    assert "With these figures" in page.locator("#sheet").inner_text()
    page.locator("#whatif-reset").click()
    page.locator("#whatif-note").wait_for(state="hidden")
    assert page.locator("h1").inner_text() == before


def test_each_control_is_used_by_keyboard(page):
    open_controls(page)
    for name in ("price", "cost", "rate", "threshold", "shift"):
        page.locator(f"#whatif-{name}").focus()
        old = page.locator(f"#whatif-{name}-out").inner_text()
        page.keyboard.press("ArrowRight")
        assert page.locator(f"#whatif-{name}-out").inner_text() != old
    page.locator("#whatif-reset").click()


def test_crop_is_packed_to_within_half_a_level(valued):
    what_if = valued[1]
    packed = pack_what_if(what_if)
    raw = zlib.decompress(base64.b64decode(packed["block"]))
    cells = what_if.keep.size
    tail = np.frombuffer(raw, np.uint8)[-2 * cells :].astype(np.uint32)
    change = ((tail[:cells] << 8) | tail[cells:]).reshape(what_if.keep.transpose(1, 0, 2).shape)
    levels = np.cumsum(change, axis=2) & 0xFFFF
    np.testing.assert_allclose(
        levels * packed["step"], what_if.keep.transpose(1, 0, 2), atol=0.51 * packed["step"]
    )


def test_large_estates_carry_fewer_draws(valuation, valued):
    given = {"rule_years": renewal.RULE_YEARS, "chance_threshold": 0.8}
    thin = build_what_if(valuation[0], valued[0]["zone"], **given, most_cells=8 * 60)
    assert thin.keep.shape[0] == 60
    assert thin.draws_of == 120
    assert thin.by_draw["look"].shape == (60, 8)
    whole = valued[1].price_factor
    # one of each pair of neighbours by price: the spread of what all zones share stays as it is
    assert np.mean(thin.price_factor) == pytest.approx(np.mean(whole), rel=0.005)
    assert np.std(thin.price_factor) == pytest.approx(np.std(whole), rel=0.05)


def test_zone_that_was_valued_but_is_not_shown_is_refused(valuation, valued):
    with pytest.raises(DataError, match="B1-Z1 was valued but is not among the zones"):
        build_what_if(
            valuation[0], valued[0]["zone"].iloc[1:], rule_years=renewal.RULE_YEARS, chance_threshold=0.8
        )
