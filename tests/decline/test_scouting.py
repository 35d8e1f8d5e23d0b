"""Scouting points: on vines of the zones asked for, spread over them."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap import tables
from vinemap.decline import choose_controls, place_scouting_points
from vinemap.errors import DataError
from vinemap.harvest import stand_from_counts
from vinemap.pipeline.mapped import _stand_by_zone as sum_up_stand


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


def test_controls_are_of_the_varieties_in_doubt():
    zones = pd.DataFrame({
        "zone_id": list("ABCDE"), "variety": ["Shiraz", "Shiraz", "Shiraz", "Merlot", "Malbec"],
        "advice": ["renew", "keep", "keep", "keep", "watch"],
        "health_score": [40.0, 90.0, 95.0, 99.0, 70.0],
    })  # fmt: skip
    assert list(choose_controls(zones, ["A"])) == ["C"]
    assert list(choose_controls(zones, ["A", "C"])) == ["B"]
    assert list(choose_controls(zones, ["E"])) == ["D"]  # no sound Malbec: the soundest of the estate
    assert "of the variety" in choose_controls(zones, ["A"])["C"]
    assert "of the variety" not in choose_controls(zones, ["E"])["D"]


def test_what_a_scout_counts_comes_back_and_changes_the_estimate(segments, make_estate, fit):
    """From the points, through counts of the stretches there, to the stand and the chance of decline.

    The zone fell by 12 % in two vintages, which may be chance; 45 % of its vines show symptoms, 4 % of the
    control's, and 6 % of its places are empty.
    """
    zones = pd.DataFrame({"zone_id": ["A-Z1", "A-Z2"]})
    points = place_scouting_points(
        zones, segments, flagged=["A-Z1"], controls=["A-Z2"], rng=np.random.default_rng(3)
    )
    rng = np.random.default_rng(4)
    sick = points["zone_id"].map({"A-Z1": 0.45, "A-Z2": 0.04})
    looked = points["to_vine"] - points["vine_no"] + 1
    missing = rng.binomial(looked, points["zone_id"].map({"A-Z1": 0.06, "A-Z2": 0.0}))
    sheet = pd.DataFrame({
        "vintage": 2026, "block_id": "A", "row_no": points["row_id"].str.rsplit("-").str[-1].astype(int),
        "from_vine": points["vine_no"], "to_vine": points["to_vine"], "vines": looked, "missing": missing,
        "symptomatic": rng.binomial(looked - missing, sick), "import_id": 1,
    })  # fmt: skip
    rows = segments.assign(row_no=segments["row_id"].str[2:].astype(int))
    counted = stand_from_counts(sheet, rows, row_spacing_m=3.0, vine_spacing_m=2.0)
    outlines = segments.dissolve("zone_id").convex_hull.buffer(1.5)
    shapes = gpd.GeoDataFrame({"zone_id": outlines.index}, geometry=outlines.to_numpy(), crs=segments.crs)
    stand = sum_up_stand(counted, shapes)
    assert stand.set_index("zone_id").loc["A-Z1", "symptomatic_pct"] == pytest.approx(45, abs=12)
    assert stand.set_index("zone_id").loc["A-Z2", "symptomatic_pct"] == pytest.approx(4, abs=5)

    loss = np.zeros((12, 8))
    loss[0, -2:] = 0.08, 0.12
    table, estate = make_estate(loss=loss)
    named = {"B1-Z1": "A-Z1", "B1-Z2": "A-Z2"}
    table["zone_id"], estate["zone_id"] = (one["zone_id"].replace(named) for one in (table, estate))
    before = fit(table, estate).zones.set_index("zone_id").loc["A-Z1"]
    after = fit(table, estate, stand=stand).zones.set_index("zone_id").loc["A-Z1"]
    assert after["chance_declining"] > before["chance_declining"]
    assert after["loss_pct"] > before["loss_pct"] + 3
    assert np.isnan(before["missing_pct"])
    assert after["missing_pct"] == pytest.approx(6, abs=5)
    assert "Symptoms were counted" in after["cause_hint"]
