"""Signs of the loss out of the estate's loads and images."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.land import Grid
from vinemap.pipeline.signs import gather_signs, level_images, share_mog

ZONES = gpd.GeoDataFrame(
    {"zone_id": ["A-Z1", "A-Z2", "B-Z1"], "block_id": ["A", "A", "B"]},
    geometry=[shapely.box(100 * one, 0, 100 * one + 100, 100) for one in range(3)],
    crs=3035,
)


def loads(**more):
    base = {"load_id": ["1", "2"], "vintage": [2025, 2026], "block_id": "A", "import_id": 1,
            "net_kg": 9000.0, "mog_pct": [2.0, 3.0]}  # fmt: skip
    return pd.DataFrame(base | more)


def store_with(images=()):
    """An estate that holds loads of block A, and images told by their value at an easting."""
    from vinemap.estate.vigour import Vigour

    def seen(spec):
        easting, _ = spec.centres()
        return [Vigour(year, "", name, "", Grid(value(easting), spec)) for year, name, value in images]

    return SimpleNamespace(loads=loads, imagery=lambda: pd.DataFrame(index=range(len(images))),
                           canopy_vigour=seen)  # fmt: skip


def test_zones_of_a_block_share_the_mog_of_its_loads():
    found = gather_signs(store_with(), ZONES, vintage=2026)
    assert found["sign"].unique().tolist() == ["mog"]
    assert found["zone_id"].unique().tolist() == ["A-Z1", "A-Z2"]
    assert found["worth"].unique().tolist() == [0.5]
    assert gather_signs(store_with(), ZONES, vintage=2025)["vintage"].unique().tolist() == [2025]


def test_images_count_against_their_own_level():
    """The second image is twice as bright, and thin over the third zone."""
    images = [
        (2025, "a.tif", lambda east: np.full(east.shape, 0.4)),
        (2026, "b.tif", lambda east: np.where(east > 200, 0.6, 0.8)),
    ]
    found = gather_signs(store_with(images), ZONES, vintage=2026)
    vigour = found[found["sign"] == "vigour"].pivot(index="zone_id", columns="vintage", values="value")
    assert vigour[2025].tolist() == pytest.approx([1, 1, 1])
    assert vigour[2026].tolist() == pytest.approx([1, 1, 0.75])


def test_image_of_one_block_alone_is_left_out_where_others_have_some():
    seen = pd.DataFrame({
        "zone_id": ["A-Z1", "B-Z1", "A-Z1"], "block_id": ["A", "B", "A"], "vintage": [2025, 2025, 2026],
        "image": ["both", "both", "alone"], "value": [0.5, 0.7, 0.3],
    })  # fmt: skip
    assert level_images(seen)["vintage"].unique().tolist() == [2025]
    assert level_images(seen[seen["block_id"] == "A"])["vintage"].tolist() == [2025, 2026]


def test_no_loads_and_no_images_give_no_signs():
    none = SimpleNamespace(loads=lambda: loads().iloc[:0], imagery=pd.DataFrame)
    assert gather_signs(none, ZONES, vintage=2026).empty
    assert share_mog(pd.DataFrame(columns=["block_id", "vintage", "mog_pct"]), ZONES).empty
