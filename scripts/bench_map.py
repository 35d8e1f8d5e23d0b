# ruff: noqa: E501  (what is done in the page stands on one line)
"""Measure map.html in headless Chromium: file size, first useful picture, each interaction.

Run as ``python scripts/bench_map.py [blocks] [repeats]``; `scripts/bench.py map` calls `run_bench`. The estate
is the invented one of the tests, tiled to as many blocks, with ten vintages of fine surfaces. Needs playwright
and a Chromium on the path, or named by VINEMAP_BROWSER.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

from vinemap.publish import EstateLabel, Interval, MapSurface, write_map

FIXTURES = Path(__file__).resolve().parent.parent / "tests" / "publish" / "conftest.py"
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
WIDE = {"width": 1400, "height": 1000}
# From the event to the end of the first frame after it, in the page's own clock.
TIMED = """([act]) => new Promise((done) => {
  const began = performance.now();
  Promise.resolve((new Function(act))()).then(() =>
    requestAnimationFrame(() => setTimeout(() => done(performance.now() - began), 0)));
})"""
FIELD = "const at = (id) => document.getElementById(id); const tell = (id, kind) => at(id).dispatchEvent(new Event(kind)); "
MODE = (
    FIELD
    + "const radio = document.querySelector('input[name=mode][value={0}]'); radio.checked = true; radio.dispatchEvent(new Event('change'));"
)
WHAT_IF = (
    FIELD
    + "return new Promise((done) => { VM.onChange((part) => 'figures' in part && done()); at('whatif-{0}').value = {1}; tell('whatif-{0}', 'input'); });"
)
INTERACTIONS = {
    "pick a zone in the list": "const all = document.querySelectorAll('#zones tbody button'); all[Math.floor(Math.random() * all.length)].click();",
    "pick a zone on the map": "const all = VM.zones; VM.change({ zone: all[Math.floor(Math.random() * all.length)].zone_id, from: 'map' });",
    "compare two zones": "const box = document.querySelector('.compare select'); box.selectedIndex = 1 + Math.floor(Math.random() * (box.length - 1)); box.dispatchEvent(new Event('change'));",
    "colour by crop lost": MODE.replace("{0}", "loss"),
    "colour by chance": MODE.replace("{0}", "chance"),
    "colour by yield, fine surfaces on": MODE.replace("{0}", "yield"),
    "step to another vintage": FIELD + "at('vintage').value = (Number(at('vintage').value) + 1) % 10; tell('vintage', 'input');",
    "colour by advice": MODE.replace("{0}", "advice"),
    "search the list": FIELD + "at('find').value = at('find').value ? '' : 'shir'; tell('find', 'input');",
    "sort the list": "document.querySelector('th[data-order=area] button').click();",
    "switch units": FIELD + "at('units').selectedIndex = 1 - at('units').selectedIndex; tell('units', 'change');",
    "what if, price: every zone valued anew": WHAT_IF.replace("{0}", "price").replace("{1}", "-40 + 5 * Math.floor(8 * Math.random())"),
    "what if, chance asked for": WHAT_IF.replace("{0}", "threshold").replace("{1}", "50 + Math.floor(45 * Math.random())"),
    "what if, discount rate": WHAT_IF.replace("{0}", "rate").replace("{1}", "1 + Math.floor(10 * Math.random())"),
    "what if, trellis life": WHAT_IF.replace("{0}", "shift").replace("{1}", "1 + Math.floor(9 * Math.random())"),
    "zoom in or out": "vinemap_map.setZoom(vinemap_map.getZoom() + (window.out ? -1 : 1), { animate: false }); window.out = !window.out;",
}  # fmt: skip


def run_bench(*, blocks: int = 100, vintages: int = 10, repeats: int = 9) -> dict[str, Any]:
    """Write the map of an invented estate and time it in the browser.

    Parameters
    ----------
    blocks, vintages : int
        Size of the estate; three or so zones a block.
    repeats : int
        Loads of the page, and runs of every interaction.

    Returns
    -------
    dict
        ``blocks``, ``zones``, ``write_s`` [s], ``size_mb`` [MB], ``first_picture_ms`` (median and worst, [ms])
        and ``interactions_ms`` (median and worst from the event to the end of the next frame, and median
        processor time of the page's main thread, drawing and what follows the frame included, [ms]).
    """
    fixtures = _fixtures()
    layers = fixtures.make_layers(tuple((3, 2, 4)[one % 3] for one in range(blocks)))
    layers, what_if = fixtures.make_valued(layers, draws=400)
    surfaces = [
        MapSurface(kind, block_id, vintage, fixtures.make_grid(shape, 5.0, 25.0, cell_m=4.0))
        for block_id, shape in zip(layers["block"]["block_id"], layers["block"].geometry, strict=True)
        for kind, vintage in [("loss", None), *(("yield", 2027 - ago) for ago in range(1, vintages + 1))]
    ]
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        path = write_map(
            Path(folder) / "map.html",
            layers,
            estate=EstateLabel("Brolga Reach", "AUD"),
            surfaces=surfaces,
            waiting=Interval(410_000, 220_000, 630_000),
            what_if=what_if,
        )
        out = {
            "blocks": blocks,
            "zones": len(layers["zone"]),
            "write_s": time.perf_counter() - began,
            "size_mb": path.stat().st_size / 1e6,
        }
        return out | time_page(path, repeats)


def time_page(path: Path, repeats: int) -> dict[str, Any]:
    """Time loads and interactions of a page; see `run_bench`."""
    from playwright.sync_api import sync_playwright

    browser = os.environ.get("VINEMAP_BROWSER") or next(filter(None, map(shutil.which, BROWSERS)), None)
    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=browser, args=["--no-sandbox", "--disable-gpu"])
        # The page's own policy forbids code made of text, which is how the timings are taken: off in the bench.
        context = started.new_context(viewport=WIDE, offline=True, bypass_csp=True)
        loads = []
        for _ in range(repeats):
            page = context.new_page()
            page.goto(path.resolve().as_uri())
            page.wait_for_function("performance.getEntriesByName('drawn').length > 0")
            loads.append(page.evaluate("performance.getEntriesByName('drawn')[0].startTime"))
            page.close()
        page = context.new_page()
        page.goto(path.resolve().as_uri())
        page.wait_for_function("performance.getEntriesByName('drawn').length > 0")
        page.evaluate("document.getElementById('whatif').open = true")
        page.wait_for_timeout(2000)  # a reader needs as long to find the slider
        busy = watch_processor(context.new_cdp_session(page))
        taken, spent = {}, {}
        for name, act in INTERACTIONS.items():
            taken[name], spent[name] = [], []
            for _ in range(repeats):
                before = busy()
                taken[name].append(page.evaluate(TIMED, [act]))
                page.wait_for_timeout(150)  # the list is filled up and the next change read ahead
                spent[name].append(busy() - before)
        started.close()
    summary = {
        name: (statistics.median(all_), max(all_), statistics.median(spent[name]))
        for name, all_ in taken.items()
    }
    return {"first_picture_ms": (statistics.median(loads), max(loads)), "interactions_ms": summary}


def watch_processor(session: Any) -> Callable[[], float]:
    """Give a function that tells the processor time of the page's main thread so far [ms]."""
    session.send("Performance.enable", {"timeDomain": "threadTicks"})

    def busy() -> float:
        told = session.send("Performance.getMetrics")["metrics"]
        return next(1000 * float(one["value"]) for one in told if one["name"] == "TaskDuration")

    return busy


def _fixtures() -> ModuleType:
    spec = importlib.util.spec_from_file_location("publish_fixtures", FIXTURES)
    if spec is None or spec.loader is None:
        raise SystemExit(f"{FIXTURES} is missing: run this from a checkout of the repository.")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def format_table(found: dict[str, Any]) -> str:
    """Write the result as a Markdown table."""
    first, worst = found["first_picture_ms"]
    lines = [
        f"{found['blocks']} blocks, {found['zones']} zones; written in {found['write_s']:.1f} s.",
        "",
        "| what | median | worst | processor, median | wanted |",
        "| --- | ---: | ---: | ---: | ---: |",
        f"| file size | {found['size_mb']:.2f} MB | | | < 15 MB |",
        f"| first useful picture | {first:.0f} ms | {worst:.0f} ms | | < 1500 ms |",
    ]
    for name, (median, most, spent) in found["interactions_ms"].items():
        lines.append(f"| {name} | {median:.0f} ms | {most:.0f} ms | {spent:.0f} ms | < 100 ms |")
    return "\n".join(lines)


def main() -> None:
    """Run with the size given on the command line."""
    numbers = [int(one) for one in sys.argv[1:]]
    blocks, repeats = (numbers + [100, 9][len(numbers) :])[:2]
    print(format_table(run_bench(blocks=blocks, repeats=repeats)))


if __name__ == "__main__":
    main()
