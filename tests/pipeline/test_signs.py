"""Signs of the loss out of the estate's loads and images."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.land import Grid
from vinemap.pipeline.signs import gather_signs, level_images, measure_box_width, share_mog, tell_box_width

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


# ------------------------------------------------------------------------------------ width left at pruning
SEGMENTS = pd.DataFrame({
    "block_id": ["A", "A", "A", "A", "B"], "zone_id": ["A-Z1", "A-Z2", "A-Z2", "A-Z3", "B-Z1"],
    "row_no": [1, 1, 2, 3, 1], "from_vine": [1, 41, 1, 1, 1], "to_vine": [40, 100, 100, 100, 60],
})  # fmt: skip


def widths(*lines):
    names = ["block_id", "vintage", "row_no", "from_vine", "to_vine", "box_width_m"]
    return pd.DataFrame(list(lines), columns=names).astype({"from_vine": "Int64", "to_vine": "Int64"})


def test_width_of_a_zone_is_weighted_by_the_vines_measured_in_it():
    """Row 1 lies in two zones; a stretch across the border counts in both, row 3 was never measured."""
    told = widths(
        ("A", 2025, 1, 1, 100, 0.6), ("A", 2025, 2, 1, 20, 0.4),
        ("A", 2026, 1, pd.NA, pd.NA, 0.5), ("A", 2026, 9, 1, 20, 9.9),
    )  # fmt: skip
    found = measure_box_width(told, SEGMENTS, vintage=2026).set_index(["zone_id", "vintage"])["box_width_m"]
    assert found["A-Z1"].tolist() == pytest.approx([0.6, 0.5])
    assert found["A-Z2", 2025] == pytest.approx((60 * 0.6 + 20 * 0.4) / 80)
    assert found["A-Z3", 2025] == pytest.approx((100 * 0.6 + 20 * 0.4) / 120)  # lent by the block
    assert found["A-Z3", 2026] == pytest.approx(0.5)
    assert "B-Z1" not in found.index.get_level_values(0)


def test_one_winter_measured_is_nothing_to_compare():
    told = widths(("A", 2025, 1, 1, 100, 0.6), ("A", 2027, 1, 1, 100, 0.4), ("B", 2025, 1, 1, 50, np.nan))
    assert measure_box_width(told, SEGMENTS, vintage=2026).empty
    assert len(measure_box_width(told, SEGMENTS, vintage=2027)) == 6


def test_note_of_the_width_is_said_where_it_was_measured():
    nothing = pd.DataFrame(columns=["name", "median", "low", "high"])
    assert tell_box_width(nothing) == []
    said = tell_box_width(nothing.assign(name=["box_width_m"], median=0.5, low=-0.2, high=1.0))
    assert "5 % less here (-2 to 10 %)" in said[0]
