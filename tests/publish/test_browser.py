"""The pages in a real browser, network off. Skipped, with the reason, where there is none."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest

from vinemap import units
from vinemap.publish import EstateLabel, Interval, MapSurface, write_map, write_sheets
from vinemap.publish.display import Display
from vinemap.publish.sentences import write_reason

WIDE, NARROW = {"width": 1400, "height": 1000}, {"width": 390, "height": 844}
HOSTILE = '<img src=x onerror="window.hurt=1"><script>window.hurt=1</script>'
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="module")
def files(layers, valued, sixty_zones, grid, tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    estate = EstateLabel("Brolga Reach", "AUD")
    surfaces = [MapSurface("yield", "B1", 2026, grid), MapSurface("loss", "B1", None, grid)]
    layers = {**layers, "zone": layers["zone"].assign(horizon_year=2033)}
    block, zone = layers["block"].copy(), layers["zone"].copy()
    block["name"], zone["reason"], zone["cause_hint"] = HOSTILE, HOSTILE, HOSTILE
    hostile = {**layers, "block": block, "zone": zone}
    return {
        "map": write_map(
            folder / "map.html", layers, estate=estate, surfaces=surfaces, waiting=Interval(41_000, 1, 2)
        ),
        "valued": write_map(folder / "valued.html", valued[0], estate=estate, what_if=valued[1]),
        "sixty": write_map(folder / "sixty.html", sixty_zones, estate=estate),
        "hostile": write_map(folder / "hostile.html", hostile, estate=EstateLabel(HOSTILE, "AUD")),
        "sheet": write_sheets(folder / "sheets", layers, estate=estate)[0],
        "spanish": write_map(
            folder / "mapa.html",
            valued[0],
            estate=estate,
            surfaces=surfaces,
            what_if=valued[1],
            language="es",
        ),
        "hoja": write_sheets(folder / "hojas", layers, estate=estate, language="es")[0],
    }


@pytest.fixture
def visit(browser, files) -> Iterator[Any]:
    opened: list[Any] = []
    faults: list[str] = []
    asked: list[str] = []

    def go(name: str, size: dict[str, int] = WIDE, after: str = "", **options: Any) -> Any:
        context = browser.new_context(viewport=size, offline=True, **options)
        opened.append(context)
        page = context.new_page()
        page.on("console", lambda one: faults.append(one.text) if one.type in ("error", "warning") else None)
        page.on("pageerror", lambda one: faults.append(str(one)))
        page.on("request", lambda one: asked.append(one.url))
        page.goto(files[name].as_uri() + after)
        return page

    yield go
    for context in opened:
        context.close()
    assert faults == []
    assert [one for one in asked if not one.startswith(("file:", "data:"))] == []


def rows(page: Any) -> list[str]:
    return page.locator("#zones tbody tr").all_inner_texts()


def test_list_runs_by_advice_then_by_what_waiting_costs_and_can_be_turned(visit, layers):
    page = visit("map")
    zone = layers["zone"].assign(wait=layers["zone"]["wait_cost_per_ha"] * layers["zone"]["area_ha"])
    renew = zone[zone["advice"] == "renew"].sort_values("wait", ascending=False)
    assert [row.split("\t")[1].strip() for row in rows(page)] == sorted(
        zone["advice"], key=["renew", "scout", "watch", "keep"].index
    )
    assert renew["zone_id"].iloc[0].split("-")[1] in rows(page)[0]
    assert f"AUD\u00a0{round(renew['wait'].iloc[0], -2):,.0f}" in rows(page)[0]
    assert "nothing" in rows(page)[-1]
    heading = page.get_by_role("button", name="Area")
    heading.click()
    widest = zone.loc[zone["area_ha"].idxmax(), "zone_id"].split("-")[1]
    assert widest in rows(page)[0]
    assert page.locator('th[data-order="area"]').get_attribute("aria-sort") == "descending"
    heading.click()
    assert widest in rows(page)[-1]


def test_no_name_or_letter_lies_over_another(visit):
    for size, least in ((WIDE, 8 + 3), (NARROW, 8)):  # letters of the zones, names of the blocks
        page = visit("map", size)
        boxes = [one.bounding_box() for one in page.locator(".tag").all()]
        assert len(boxes) >= least
        for place, one in enumerate(boxes):
            for other in boxes[place + 1 :]:
                apart = (
                    one["x"] + one["width"] <= other["x"] + 0.5
                    or other["x"] + other["width"] <= one["x"] + 0.5
                    or one["y"] + one["height"] <= other["y"] + 0.5
                    or other["y"] + other["height"] <= one["y"] + 0.5
                )
                assert apart, (one, other)


def test_forecast_ends_with_the_trellis(visit):
    page = visit("map", after="#zone=B1-Z1")
    assert page.get_by_text("trellis ends 2033").count() == 1
    page.locator("#sheet summary").first.click()
    years = page.locator("#sheet details").first.locator("table").nth(1).locator("td:first-child")
    assert years.all_inner_texts() == [str(year) for year in range(2027, 2034)]


def test_a_zone_is_picked_by_list_map_keyboard_and_address(visit):
    page = visit("map")
    page.get_by_role("button", name="Gate Five Z2").first.click()
    assert page.locator("#sheet h2").inner_text() == "Gate Five, Z2"
    assert page.url.endswith("#zone=B2-Z2")
    page.locator('path.zone[aria-label^="Red Rise, Z3"]').click()
    assert page.locator("#sheet h2").inner_text() == "Red Rise, Z3"
    page.locator('path.zone[tabindex="0"]').focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    by_key = page.locator("#sheet h2").inner_text()
    assert by_key != "Red Rise, Z3"
    assert page.locator('path.zone[aria-pressed="true"]').get_attribute("aria-label").startswith(by_key)
    assert visit("map", after="#zone=B3-Z2").locator("#sheet h2").inner_text() == "Red Rise, Z2"


def test_sheet_shows_the_numbers_of_the_table(visit, layers):
    page = visit("map", after="#zone=B1-Z1")
    zone = layers["zone"].set_index("zone_id").loc["B1-Z1"]
    text = page.locator("#sheet").inner_text().replace("\u00a0", " ")
    assert zone["reason"] in text
    assert f"{zone['loss_pct']:.0f} %" in text
    assert "AUD 9,800/ha" in text
    assert "AUD 2,100/ha to AUD 18,000/ha" in text
    assert re.search(r"Fall began\s+2020\s+2018 to 2021", text)
    page.locator("#sheet summary").first.click()
    measured = layers["zone_vintage"].query("zone_id == 'B1-Z1' and vintage == 2024").iloc[0]
    row = page.locator("#sheet details table").first.locator("tr", has_text="2024").inner_text().split("\t")
    assert row[1] == f"{measured['yield_t_ha']:.1f}"
    # 90 % of a normal lies within 1.6449 standard errors
    assert row[3] == f"{measured['yield_t_ha'] + 1.6449 * measured['yield_se_t_ha']:.1f}"


def test_units_switch_turns_every_number(visit, layers):
    page = visit("map", after="#zone=B1-Z1")
    page.locator("#units").select_option("us")
    zone = layers["zone"].set_index("zone_id").loc["B1-Z1"]
    text = page.locator("body").inner_text().replace("\u00a0", " ")
    assert f"{zone['yield_now_t_ha'] / units.SHORT_TON_PER_ACRE_T_HA:.1f} short tons/acre" in text
    # 9,800 AUD/ha x 0.40468564 = 3,966, to two digits 4,000
    assert "AUD 4,000/acre" in text
    assert "acres)" in page.locator("h1").inner_text()
    assert not re.search(r"\d (ha|t/ha)\b|/ha\b", text)


@pytest.mark.parametrize(("language", "system"), [("es", "metric"), ("en", "us")])
def test_reasons_of_the_page_are_those_of_the_sheets(browser, valued, tmp_path, language, system):
    display = Display(language, system, "AUD")
    estate = EstateLabel("Brolga Reach", "AUD", system)
    path = write_map(tmp_path / "map.html", valued[0], estate=estate, language=language)
    page = browser.new_page()
    page.goto(path.as_uri())
    seen = set()
    for zone in valued[0]["zone"].to_dict("records"):
        page.evaluate("(id) => VM.change({ zone: id, from: 'list' })", zone["zone_id"])
        assert page.locator("#sheet .reason").inner_text() == write_reason(zone, display)
        seen.add(zone["advice"])
    page.close()
    assert len(seen) >= 3


def test_each_colouring_has_its_legend_and_never_colour_alone(visit):
    page = visit("map")
    for mode, said in (("loss", "%"), ("yield", "t/ha"), ("chance", "%"), ("advice", "(R) 2:")):
        page.locator(f'input[name="mode"][value="{mode}"]').check(force=True)
        assert said in page.locator("#legend").inner_text()
        assert len(page.locator(".tag b").all_inner_texts()) >= 6
    fills = {one.get_attribute("fill") for one in page.locator("path.zone").all()}
    assert fills == {f"url(#hatch-{one})" for one in ("keep", "watch", "scout", "renew")}


def test_vintages_are_stepped_through_and_gaps_are_said(visit):
    page = visit("map")
    page.locator('input[name="mode"][value="yield"]').check(force=True)
    page.locator("#vintage").fill("2")
    assert page.locator("#vintage-out").inner_text() == "2019"
    assert "Yield in vintage 2019" in page.locator("#legend").inner_text()
    gap = page.locator('path.zone[aria-label^="Gate Five, Z1"]')
    assert gap.get_attribute("fill") == "#ddd8cb"


def test_fine_surface_is_drawn_and_read_out(visit, grid):
    page = visit("map")
    page.locator('input[name="mode"][value="yield"]').check(force=True)
    page.wait_for_selector(".leaflet-surfaces-pane canvas")
    spot = page.evaluate("VM.zones.find((zone) => zone.zone_id === 'B1-Z3').label")
    got = page.evaluate("(spot) => VMMap.readOut(L.latLng(spot)).value", spot)
    x, y = pyproj.Transformer.from_crs(4326, 9473, always_xy=True).transform(spot[1], spot[0])
    row, col = int((grid.spec.north - y) / grid.spec.cell_m), int((x - grid.spec.west) / grid.spec.cell_m)
    near = grid.values[row - 1 : row + 2, col - 1 : col + 2]
    assert near.min() - 0.1 <= got <= near.max() + 0.1
    page.locator('path.zone[aria-label^="Long Lagoon, Z3"]').hover()
    assert "Here: " in page.locator("#here").inner_text()
    page.locator("#fine").uncheck()
    assert page.locator(".leaflet-surfaces-pane canvas").count() == 0


def test_two_zones_are_compared(visit):
    page = visit("map", after="#zone=B1-Z1")
    page.locator(".compare select").select_option("B2-Z1")
    heads = page.locator(".facts thead th").all_inner_texts()
    assert heads[1:] == ["Long Lagoon, Z1", "Gate Five, Z1"]


def test_sheet_of_a_block_is_two_clicks_away(visit):
    page = visit("map", after="#zone=B1-Z1")
    page.get_by_role("link", name="Sheet of this block for printing").click()
    assert page.locator("h1").inner_text() == "Long Lagoon"


def test_list_is_searched_and_narrowed(visit):
    page = visit("map")
    page.locator("#find").fill("shiraz")
    assert len(rows(page)) == 3
    assert page.locator("#found").inner_text() == "3 of 8 zones shown"
    page.locator("#show").select_option("renew")
    assert len(rows(page)) == 1
    page.locator("#find").fill("nowhere")
    assert page.locator("#found").inner_text() == "No zone of that name."


def test_long_list_is_whole_after_a_moment(visit):
    page = visit("sixty")
    page.locator("#zones tbody tr").nth(59).wait_for(state="attached")
    page.locator("#show").select_option("renew")
    page.locator("#show").select_option("")
    page.locator("#zones tbody tr").nth(59).wait_for(state="attached")
    ids = page.evaluate("[...document.querySelectorAll('#zones tbody tr')].map((row) => row.dataset.zone)")
    assert len(set(ids)) == 60


def test_hostile_names_stay_text(visit):
    page = visit("hostile")
    page.locator('path.zone[tabindex="0"]').hover()
    page.locator("#zones button").nth(2).click()
    assert page.evaluate("window.hurt") is None
    assert page.locator("main img").count() == 0
    assert HOSTILE in page.locator("#sheet h2").inner_text()


def test_phone_has_one_column_with_the_map_first(visit):
    page = visit("valued", NARROW, has_touch=True, is_mobile=True)
    page.locator("#whatif summary").tap()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    tops = [page.locator(one).bounding_box()["y"] for one in ("#vinemap_map", "#sheet", "#list")]
    assert tops == sorted(tops)
    page.locator("#zones").get_by_role("button", name="Gate Five Z2").tap()
    page.wait_for_timeout(100)
    assert abs(page.locator("#sheet").bounding_box()["y"]) < 60


def test_every_estimate_in_list_and_numbers_has_its_interval(visit, valued):
    """A year's wait of the whole zone: the interval a hectare times its area; yields: those of the draws."""
    frames, what_if = valued
    zone = frames["zone"][frames["zone"]["advice"] == "renew"].iloc[0]
    page = visit("valued", after=f"#zone={zone['zone_id']}")
    row = page.locator(f'#zones tr[data-zone="{zone["zone_id"]}"]')
    low, high = (float(f"{zone[f'wait_cost_per_ha_{end}'] * zone['area_ha']:.2g}") for end in ("low", "high"))
    said = row.locator(".c-wait").inner_text().replace("\n", " ").replace("−", "-")
    assert f"({low:,.0f} to {high:,.0f})" in said
    facts = page.locator("#sheet .facts").inner_text().replace("\u00a0", " ")
    for name in ("now", "healthy"):
        draws = what_if.by_draw[name][:, what_if.zone_ids.index(zone["zone_id"])]
        low, high = (float(f"{one:.5g}") for one in np.quantile(draws, [0.05, 0.95]))
        assert f"{low:.1f} to {high:.1f} t/ha; average season" in facts


def test_no_heading_stands_over_an_empty_list(visit):
    """What would change an advice is worked out a moment later: a page printed before that has no heading."""
    page = visit("valued")
    page.evaluate("window.setTimeout = () => 0")  # the moment never comes
    page.evaluate("VM.change({ zone: VM.zones[VM.zones.length - 1].zone_id, from: 'map' })")
    empty = page.locator("#sheet ul.turns").evaluate("(list) => !list.children.length")
    shown = page.get_by_role("heading", name="What would change this advice").count()
    assert shown == (0 if empty else 1)
    assert empty


@pytest.mark.parametrize("name", ["map", "valued", "spanish"])
def test_no_name_in_the_list_is_cut_off(visit, name):
    for size in (WIDE, NARROW):
        page = visit(name, size)
        cut = page.evaluate(
            "[...document.querySelectorAll('#zones tbody td > button')]"
            ".filter((one) => one.scrollWidth > one.clientWidth).map((one) => one.textContent)"
        )
        assert cut == []


def test_reasons_on_a_sheet_are_read_without_moving_it_sideways(visit):
    page = visit("sheet", NARROW)
    for one in page.locator(".why p").all():
        box = one.bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= NARROW["width"]


class Clicks:
    """Counts what a reader presses, drags or chooses."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(self, act: Any, *args: Any) -> None:
        self.count += 1
        act(*args)


def test_five_tasks_of_a_new_reader_in_so_many_clicks(visit, valued):
    zone = valued[0]["zone"]
    zone = zone.assign(wait=zone["wait_cost_per_ha"] * zone["area_ha"])
    first = zone[zone["advice"] == "renew"].sort_values("wait").iloc[-1]
    page, click = visit("valued"), Clicks()

    # 1 and 2: which zone to renew first, why, and how sure: on the page as it opens
    sheet = page.locator("#sheet").inner_text().replace("\u00a0", " ")
    assert first["zone_id"].split("-")[1] in page.locator("#sheet h2").inner_text()
    assert first["reason"] in sheet
    assert f"{100 * first['chance_pays']:.0f} %" in sheet
    assert click.count == 0

    # 3: what if the price falls 20 %: open, drag
    click(page.locator("#whatif summary").click)
    click(page.locator("#whatif-price").fill, "-20")
    page.locator("#whatif-note").wait_for(state="visible")
    assert "Price of grapes −20" in page.locator("#whatif-note").inner_text()
    assert click.count == 2

    # 4: row and vine to look at: narrow the list, press the zone
    page, click = visit("map"), Clicks()
    click(page.locator("#show").select_option, "scout")
    click(page.locator("#zones tbody button").first.click)
    assert re.search(r"Row B\d-\d+, vine \d+: ", page.locator("#sheet .points li").first.inner_text())
    assert click.count == 2

    # 5: print a block: find it, press it, open its sheet; the browser's own print comes after
    page, click = visit("map"), Clicks()
    click(page.locator("#find").fill, "b2")
    click(page.locator("#zones tbody button").first.click)
    click(page.get_by_role("link", name="Sheet of this block for printing").click)
    assert page.locator("h1").inner_text() == "Gate Five"
    assert click.count == 3


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
@pytest.mark.parametrize("name", ["map", "valued", "spanish", "sheet", "hoja"])
def test_axe_finds_no_violation(visit, name, size):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    page = visit(name, size, bypass_csp=True)
    for one in page.locator("summary").all():
        one.click()
    found = axe.Axe().run(page, options={"runOnly": WCAG}).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"]) for one in found] == []


def test_map_prints_as_few_pages_with_the_whole_estate(visit):
    page = visit("valued")
    page.locator(".leaflet-control-zoom-in").click()
    page.wait_for_timeout(500)  # until it has zoomed
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate("vinemap_map.getBounds().contains(VM.data.bounds)")
    assert page.locator("#vinemap_map").bounding_box()["width"] == pytest.approx(186 / 25.4 * 96, abs=1)
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.pdf(prefer_css_page_size=True).count(b"/Type /Page\n") <= 3


def test_a_sheet_prints_on_one_page(visit):
    page = visit("sheet")
    raw = page.pdf(prefer_css_page_size=True)
    assert raw.count(b"/Type /Page\n") == 1


@pytest.mark.parametrize("language", ["en", "es"])
def test_a_sheet_with_six_zones_and_long_reasons_prints_on_one_page(browser, six_zones, tmp_path, language):
    notes = [
        "B1: two machines picked it in one night and neither kept the time of its clock, so see there."
    ] * 9
    estate = EstateLabel("Brolga Reach", "AUD")
    (sheet,) = write_sheets(tmp_path, six_zones, estate=estate, cautions=notes, language=language)
    page = browser.new_page()
    page.goto(sheet.as_uri())
    assert page.locator("tbody th").count() == 6
    raw = page.pdf(prefer_css_page_size=True)
    page.close()
    assert raw.count(b"/Type /Page\n") == 1
