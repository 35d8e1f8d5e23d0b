"""Scouting points: on vines of the zones asked for, spread over them."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from vinemap import tables
from vinemap.decline import place_scouting_points
from vinemap.errors import DataError


@pytest.fixture(scope="module")
def segments():
    """Twenty rows of 100 vines, 2 m apart in the row; the first ten are zone Z1, the others Z2."""
    lines = [shapely.LineString([(3 * row, 0), (3 * row, 200)]) for row in range(20)]
    return gpd.GeoDataFrame({
        "row_id": [f"A-{row + 1}" for row in range(20)], "block_id": "A",
        "zone_id": np.repeat(["A-Z1", "A-Z2"], 10), "from_vine": 1, "to_vine": 100, "length_m": 200.0,
    }, geometry=lines, crs="EPSG:3035")  # fmt: skip


def place(segments, seed=1, **more):
    zones = segments[["zone_id"]].drop_duplicates()
    return place_scouting_points(
        zones, segments, flagged={"A-Z1": "Falls, cause unknown."}, controls=["A-Z2"],
        rng=np.random.default_rng(seed), **more,
    )  # fmt: skip


def test_points_are_on_the_named_vine(segments):
    made = tables.check_table(place(segments), tables.SCOUTING_POINT)
    rows = segments.set_index("row_id")
    for point in made.itertuples():
        line = rows.loc[point.row_id, "geometry"]
        assert rows.loc[point.row_id, "zone_id"] == point.zone_id
        assert line.distance(point.geometry) < 1e-9
        assert line.project(point.geometry) == pytest.approx(2 * point.vine_no - 1)  # middle of its place
    assert made.crs == segments.crs


def test_control_is_marked_and_reason_carried(segments):
    made = place(segments)
    assert made.groupby("zone_id")["is_control"].first().to_dict() == {"A-Z1": False, "A-Z2": True}
    assert made["why"].iloc[0] == "Falls, cause unknown."
    assert made["why"].iloc[-1].startswith("Healthy control")


def test_points_are_better_spread_than_at_random(segments):
    def nearest(points: np.ndarray) -> float:
        gap = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
        return float((gap + np.eye(len(points)) * 1e9).min(axis=1).mean())

    rng = np.random.default_rng(5)
    ours, random = [], []
    for seed in range(30):
        own = place(segments, seed).query("zone_id == 'A-Z1'")
        ours.append(nearest(np.column_stack([own.geometry.x, own.geometry.y])))
        random.append(nearest(np.column_stack([3 * rng.integers(0, 10, 5), rng.uniform(0, 200, 5)])))
    assert np.mean(ours) > 1.1 * np.mean(random)


def test_order_is_a_walk(segments):
    own = place(segments).query("zone_id == 'A-Z1'")
    assert own["order"].tolist() == [1, 2, 3, 4, 5]
    assert (own["to_vine"] >= own["vine_no"]).all()


def test_zone_without_rows_is_refused(segments):
    zones = segments[["zone_id"]].drop_duplicates()
    with pytest.raises(DataError, match="Zone 'A-Z9' has no row segments"):
        place_scouting_points(zones, segments, flagged=["A-Z9"], rng=np.random.default_rng(1))
