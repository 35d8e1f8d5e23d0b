from __future__ import annotations

import base64
import datetime
import hashlib
import json
import re
import struct
import zlib
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio
from rasterio.io import MemoryFile

from vinemap import tables
from vinemap.errors import DataError, SettingsError
from vinemap.publish import (
    EstateLabel,
    Interval,
    MapSurface,
    make_run_info,
    overlays,
    write_map,
    write_sheets,
)
from vinemap.publish.map_data import collect_layers
from vinemap.publish.overlays import LEVELS, encode_png, pack_surfaces
from vinemap.publish.sheets import weigh_series

ESTATE = EstateLabel("Brolga Reach", "AUD")
DAY = datetime.date(2026, 6, 1)
HOSTILE = "</script><script>alert(1)</script>{{ 7*7 }}{% raw %}\"'><img src=x onerror=alert(2)>"


def png_of(image: dict) -> bytes:
    return base64.b64decode(image["png"].partition(",")[2])


def page_data(text: str) -> dict:
    return json.loads(text.split('id="page-data">')[1].split("</script>")[0])


@pytest.fixture(scope="module")
def page(layers, grid, tmp_path_factory) -> str:
    surfaces = [MapSurface("yield", "B1", 2026, grid)]
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(
        path, layers, estate=ESTATE, surfaces=surfaces, waiting=Interval(41_234, 21_900, 63_100), made=DAY
    )
    return path.read_text(encoding="utf-8")


def test_page_points_to_nothing_outside(page):
    # Leaflet's own licence comment and SVG's namespace are names, not addresses that are fetched.
    body = re.sub(r"<!--.*?-->", "", page, flags=re.S)
    assert not re.findall(r"<(?:script|link|img|iframe|object)[^>]*\b(?:src|href)\s*=", body)
    assert "sourceMappingURL" not in body
    assert "url(images" not in body
    assert not re.search(r"@import|cdn\.|jquery|bootstrap", body, flags=re.I)
    assert "BSD 2-Clause License" in page


def test_policy_names_exactly_the_scripts_and_styles_of_the_page(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1).replace("&#39;", "'")
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    assert "img-src data:;" in policy
    for tag, directive in (("script", "script-src"), ("style", "style-src")):
        texts = re.findall(rf"<{tag}>(.*?)</{tag}>", page, flags=re.S)
        want = {
            "'sha256-" + base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() + "'"
            for one in texts
        }
        assert set(re.search(rf"{directive} ([^;]+)", policy).group(1).split()) == want
    assert not re.search(r"<[^>]+\son\w+\s*=", re.sub(r"<script.*?</script>", "", page, flags=re.S))
    assert not re.search(r"<[^>]+\sstyle\s*=", re.sub(r"<script.*?</script>", "", page, flags=re.S))


def test_headline_stands_in_the_page(page):
    assert "2 of 8 zones repay renewal now" in page
    assert "AUD\u00a041,000 (90\u00a0%: 22,000 to 63,000)" in page


def test_same_run_writes_the_same_file(layers, tmp_path):
    one, other = (
        write_map(tmp_path / name, layers, estate=ESTATE, made=DAY) for name in ("a.html", "b.html")
    )
    assert one.read_bytes() == other.read_bytes()


def test_hostile_names_stay_text(layers, tmp_path):
    block, zone = layers["block"].copy(), layers["zone"].copy()
    block["name"], block["variety"], zone["reason"], zone["cause_hint"] = HOSTILE, HOSTILE, HOSTILE, HOSTILE
    bad = {**layers, "block": block, "zone": zone}
    estate = EstateLabel(HOSTILE, HOSTILE)
    path = write_map(tmp_path / "map.html", bad, estate=estate, cautions=[HOSTILE], made=DAY)
    sheets = write_sheets(tmp_path / "sheets", bad, estate=estate, cautions=[HOSTILE], made=DAY)
    for one in (path, *sheets):
        text = one.read_text(encoding="utf-8")
        assert "<script>alert" not in text
        assert "<img" not in text
        assert "{{ 7*7 }}" in text  # nothing took it for a template
    assert page_data(path.read_text(encoding="utf-8"))["blocks"][0]["name"] == HOSTILE


def test_every_zone_keeps_its_id_and_numbers(page, layers):
    data = page_data(page)
    assert [one["zone_id"] for one in data["zones"]] == layers["zone"]["zone_id"].tolist()
    for one, (_, want) in zip(data["zones"], layers["zone"].iterrows(), strict=True):
        assert one["gain_per_ha"] == pytest.approx(want["gain_per_ha"], rel=1e-4)
        assert (one["best_year"] is None) == bool(pd.isna(want["best_year"]))
    assert sum(len(rows) for rows in data["rows"].values()) == len(layers["vine_row"])


def test_outlines_on_the_page_lie_where_the_zones_lie(layers):
    data = collect_layers(layers)
    geod = pyproj.Geod(ellps="GRS80")
    for one, area in zip(data["zones"], layers["zone"]["area_ha"], strict=True):
        ring = np.array(one["rings"][0][0])
        geodesic, _ = geod.polygon_area_perimeter(ring[:, 1], ring[:, 0])
        assert abs(geodesic) / 10_000 == pytest.approx(area, rel=0.01)


def test_rows_on_the_page_end_where_the_rows_end(layers):
    data = collect_layers(layers)
    rows = layers["vine_row"].to_crs(4326)
    first = rows[rows["zone_id"] == "B1-Z1"].geometry.iloc[0].coords
    _, _, _, x1, y1, x2, y2 = data["rows"]["B1-Z1"][0]
    west, south = data["origin"]
    got = [(west + x1 / 1e6, south + y1 / 1e6), (west + x2 / 1e6, south + y2 / 1e6)]
    np.testing.assert_allclose(got, [first[0], first[-1]], atol=1e-6)


def test_surface_image_reads_back_to_half_a_step(grid):
    packed = pack_surfaces([MapSurface("yield", "B1", 2026, grid)])
    (image,), (low, high) = packed["images"], packed["ranges"]["yield"]
    raw = base64.b64decode(image["png"].partition(",")[2])
    with (
        pytest.warns(rasterio.errors.NotGeoreferencedWarning),
        MemoryFile(raw) as memory,
        memory.open() as back,
    ):
        levels = back.read(1)
    values = low + (high - low) * (levels.astype(float) - 1) / LEVELS
    (south, west), (north, east) = image["bounds"]
    rng = np.random.default_rng(1)
    to_degrees = pyproj.Transformer.from_crs(9473, 4326, always_xy=True)
    checked = 0
    for _ in range(200):
        row, col = rng.integers(8, grid.values.shape[0] - 8), rng.integers(8, grid.values.shape[1] - 8)
        near = grid.values[row - 1 : row + 2, col - 1 : col + 2]
        if not np.isfinite(near).all():
            continue
        x, y = to_degrees.transform(
            grid.spec.west + (col + 0.5) * grid.spec.cell_m, grid.spec.north - (row + 0.5) * grid.spec.cell_m
        )
        at = levels.shape[0] * (north - y) / (north - south), levels.shape[1] * (x - west) / (east - west)
        got = values[int(at[0]), int(at[1])]
        assert near.min() - 0.2 <= got <= near.max() + 0.2
        checked += 1
    assert checked > 50


def test_png_is_what_the_standard_says():
    levels = np.arange(12, dtype=np.uint8).reshape(3, 4)
    raw = encode_png(levels)
    assert raw[:8] == b"\x89PNG\r\n\x1a\n"
    size = int.from_bytes(raw[33:37], "big")
    rows = zlib.decompress(raw[41 : 41 + size])
    first = np.frombuffer(rows, np.uint8).reshape(3, 5)
    assert first[:, 0].tolist() == [2, 2, 2]
    np.testing.assert_array_equal(np.cumsum(first[:, 1:], axis=0, dtype=np.uint8), levels)


def test_many_surfaces_share_one_budget(grid, monkeypatch):
    surfaces = [MapSurface("yield", "B1", 2020 + at, grid) for at in range(3)]
    whole = len(pack_surfaces(surfaces)["images"][0]["png"])
    monkeypatch.setattr(overlays, "CELL_BUDGET", 3 * 32 * 32)
    images = pack_surfaces(surfaces)["images"]
    assert all(len(image["png"]) < whole / 3 for image in images)
    width, height = struct.unpack(">II", png_of(images[0])[16:24])  # IHDR
    assert 0.8 * 32 * 32 < width * height < 1.2 * 32 * 32


def test_background_map_is_off_unless_asked_for(layers, tmp_path, page):
    assert 'id="background"' not in page
    url = "https://tiles.example.org/{z}/{x}/{y}.png"
    path = write_map(tmp_path / "a.html", layers, estate=ESTATE, background_url=url, made=DAY)
    text = path.read_text(encoding="utf-8")
    assert "img-src data: https://tiles.example.org;" in text
    assert 'type="checkbox" id="background"> ' in text


@pytest.mark.parametrize(
    "url",
    [
        "javascript:alert(1)",
        "https://x.org/tiles",
        "https://a b/{z}{x}{y}",
        "//x/{z}{x}{y}",
        "https://x.org;script-src *;/{z}/{x}/{y}",
    ],
)
def test_background_address_that_could_open_the_policy_is_refused(layers, tmp_path, url):
    with pytest.raises(SettingsError, match=r"background map address .* cannot be used"):
        write_map(tmp_path / "a.html", layers, estate=ESTATE, background_url=url)


def test_nothing_to_show_is_said(layers, tmp_path):
    with pytest.raises(DataError, match=r"3 blocks and 0 zones"):
        write_map(tmp_path / "a.html", {**layers, "zone": layers["zone"].iloc[:0]}, estate=ESTATE)


def test_page_in_spanish(layers, tmp_path):
    path = write_map(tmp_path / "a.html", layers, estate=ESTATE, language="es", made=DAY)
    text = path.read_text(encoding="utf-8")
    assert '<html lang="es">' in text
    assert "2 de 8 zonas amortizan ahora la renovación" in text


def test_sheets_in_spanish_say_the_reason_in_spanish_and_mark_what_is_english(layers, tmp_path):
    sheet = write_sheets(tmp_path, layers, estate=ESTATE, language="es", made=DAY)[0]
    text = sheet.read_text(encoding="utf-8").replace("\u00a0", " ")
    assert not [one for one in layers["zone"]["reason"] if one in text]
    assert "vale AUD 9800/ha más que mantener (90 %: de 2100 a 18.000)" in text
    assert '<span lang="en">spreads outward' in text
    assert "1 de junio de 2026" in text


# ---------------------------------------------------------------- sheets
def test_a_sheet_for_each_block_says_what_the_table_says(layers, tmp_path):
    paths = write_sheets(tmp_path, layers, estate=ESTATE, made=DAY)
    assert [one.name for one in paths] == ["B1.html", "B2.html", "B3.html"]
    text = paths[0].read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "<h1>Long Lagoon</h1>" in text
    assert "0.80 ha of 4.8 ha advised to renew." in text
    assert text.count('scope="row"') == 3
    assert "9,800<small>2,100 to 18,400</small>" in text
    assert "10 vintages (2017-2026), 27,000 kept readings, 3 zones." in text
    assert "<script" not in text


def test_sheet_shows_us_units_where_asked(layers, tmp_path):
    estate = EstateLabel("Brolga Reach", "USD", "us")
    text = write_sheets(tmp_path, layers, estate=estate, made=DAY)[0].read_text(encoding="utf-8")
    assert "short tons/acre" in text
    assert "USD/acre" in text
    # 9,800 per ha x 0.40468564 ha/acre = 3,966
    assert ">3,970<" in text


def test_sheets_of_blocks_that_are_no_more_are_removed(layers, tmp_path):
    write_sheets(tmp_path, layers, estate=ESTATE, made=DAY)
    (tmp_path / "mine.html").write_text("<p>notes</p>", encoding="utf-8")
    fewer = {**layers, "block": layers["block"].iloc[:1]}
    write_sheets(tmp_path, fewer, estate=ESTATE, made=DAY)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["B1.html", "mine.html"]


def test_block_mean_leaves_out_vintages_with_a_zone_missing():
    zones = pd.DataFrame({"zone_id": ["a", "b"], "area_ha": [1.0, 3.0]})
    series = pd.DataFrame(
        {
            "zone_id": ["a", "b", "a"],
            "vintage": [2024, 2024, 2025],
            "yield_t_ha": [10.0, 20.0, 12.0],
            "yield_se_t_ha": [1.0, 2.0, 1.0],
            "expected_t_ha": [20.0, 20.0, 20.0],
        }
    )
    out = weigh_series(series, zones)
    assert out["vintage"].tolist() == [2024]
    # (1 x 10 + 3 x 20) / 4 and (1 x 1 + 3 x 2) / 4
    assert out.loc[0, ["yield_t_ha", "yield_se_t_ha"]].tolist() == [17.5, 1.75]


def test_block_without_any_vintage_has_a_sheet_too(layers, tmp_path):
    bare = {**layers, "zone_vintage": tables.empty_table(tables.ZONE_VINTAGE)}
    text = write_sheets(tmp_path, bare, estate=ESTATE, made=DAY)[0].read_text(encoding="utf-8")
    assert "No vintage in which every zone was measured." in text
    assert "no vintage yet</title>" in text
    assert "No vintage has a yield yet. Made" in text


def test_run_info_tells_a_local_crs_in_full():
    crs = pyproj.CRS.from_proj4("+proj=laea +lat_0=-34 +lon_0=142 +ellps=GRS80")
    info = make_run_info(settings_hash="x", crs=crs, vintages=[2025], cautions=["Mind it."])
    told = dict(zip(info["key"], info["value"], strict=True))
    assert told["crs"].startswith("PROJCRS")
    assert told["caution_1"] == "Mind it."


def test_map_surface_without_any_value_is_left_out(grid):
    empty = SimpleNamespace(values=np.full_like(grid.values, np.nan), spec=grid.spec)
    assert pack_surfaces([MapSurface("loss", "B1", None, empty)])["images"] == []
