"""Figures for paper: what stands on the map of a block can be read, none of it over another."""

from __future__ import annotations

import re

import geopandas as gpd
import numpy as np
import pytest
import shapely

from vinemap.publish.display import Display
from vinemap.publish.figures import WEB_MERCATOR, draw_block_map

WIDTH, HEIGHT = 390, 330


@pytest.fixture
def drawn(layers):
    """Draw a block whose scouting points stand where its tags would."""
    block = layers["block"].iloc[[0]]
    mine = {
        name: layers[name][layers[name]["block_id"] == block["block_id"].iloc[0]]
        for name in ("zone", "vine_row")
    }
    middles = mine["zone"].geometry.to_crs(WEB_MERCATOR).representative_point().to_crs(block.crs)
    points = gpd.GeoDataFrame({"zone_id": mine["zone"]["zone_id"].to_numpy()}, geometry=middles.to_numpy(),
                              crs=block.crs)  # fmt: skip
    svg = draw_block_map(
        block, mine["zone"], mine["vine_row"], points, width=WIDTH, height=HEIGHT, display=Display()
    )
    return svg, len(points)


def test_names_of_zones_stand_clear_of_the_places_to_scout(drawn):
    svg, count = drawn
    found = re.findall(r'<path d="M([\d.]+) ([\d.]+)h8M[^"]*" stroke="#25', svg)
    crosses = [(float(x) + 4, float(y)) for x, y in found]
    rects = re.findall(r'<rect x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="18" rx="9"', svg)
    assert len(crosses) == len(rects) == count > 1
    for left, top, wide in np.array(rects, dtype=float):
        tag = shapely.box(left, top, left + wide, top + 18)
        for x, y in crosses:
            assert not tag.intersects(shapely.box(x - 4, y - 4, x + 4, y + 4))


def test_row_numbers_stand_beside_the_block_and_on_the_paper(drawn):
    svg, _ = drawn
    outlines = re.findall(r'<path d="M([^"]*)Z" fill="none" stroke="#25211c" stroke-width="2"/>', svg)
    (corners,) = (re.findall(r"([\d.]+) ([\d.]+)", one) for one in outlines)
    outline = shapely.Polygon(np.array(corners, dtype=float))
    width, height = map(float, re.search(r'viewBox="0 0 (\d+) (\d+)"', svg).groups())
    numbers = re.findall(r'<text x="([\d.-]+)" y="([\d.-]+)" class="row">(\d+)</text>', svg)
    assert [int(number) % 10 for *_, number in numbers] == [0] * len(numbers) != []
    for x, y, number in numbers:
        middle = shapely.Point(float(x), float(y) - 3)  # digits of 9 px stand on their line
        assert outline.distance(middle) > 5, number
        assert 5 * len(number) / 2 <= middle.x <= width - 5 * len(number) / 2
        assert 4 <= middle.y <= height - 4
