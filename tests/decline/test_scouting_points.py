"""Scouting points: compact parts, walks, stretches and reasons on small lists of vines."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.decline import choose_controls, place_scouting_points
from vinemap.decline.health import compare_vigour, score_health
from vinemap.errors import DataError


def rows(count: int = 4, vines: int = 30, *, first: int = 1, zone: str = "A-Z1") -> gpd.GeoDataFrame:
    """Rows 3 m apart, vines 2 m apart."""
    lines = [shapely.LineString([(3 * row, 0), (3 * row, 2 * vines)]) for row in range(count)]
    return gpd.GeoDataFrame({
        "row_id": [f"A-{row + 1}" for row in range(count)], "zone_id": zone, "from_vine": first,
        "to_vine": first + vines - 1,
    }, geometry=lines, crs="EPSG:3035")  # fmt: skip


def place(segments, seed: int = 1, flagged=("A-Z1",), **more) -> gpd.GeoDataFrame:
    zones = segments[["zone_id"]].drop_duplicates()
    return place_scouting_points(zones, segments, flagged=flagged, rng=np.random.default_rng(seed), **more)


@pytest.mark.parametrize(("wanted", "found"), [(1, 1), (3, 3), (8, 8), (20, 6)])
def test_as_many_points_as_asked_but_no_more_than_vines(wanted, found):
    made = place(rows(2, 3) if wanted == 20 else rows(), points_per_zone=wanted)
    assert len(made) == found
    assert made["point_id"].tolist() == [f"A-Z1-{one}" for one in range(1, found + 1)]
    assert made["order"].tolist() == list(range(1, found + 1))
    assert not made.duplicated(["row_id", "vine_no"]).any()
    if wanted == 20:
        assert set(zip(made["row_id"], made["vine_no"], strict=True)) == {
            (f"A-{row}", vine) for row in (1, 2) for vine in (1, 2, 3)
        }


def test_five_points_are_usual():
    assert len(place(rows())) == 5


def test_every_vine_is_about_as_likely_as_any_other():
    """Parts are alike in size, so the counts over the points are nearly unbiased for the zone."""
    seen = np.zeros((4, 30))
    for seed in range(150):
        made = place(rows(), seed)
        for row, vine in zip(made["row_id"], made["vine_no"], strict=True):
            seen[int(row[2:]) - 1, vine - 1] += 1
    assert seen.sum() == 750
    thirds = np.array([part.sum() for part in np.array_split(seen, 3, axis=1)])
    np.testing.assert_allclose(thirds / 750, 1 / 3, atol=0.07)
    np.testing.assert_allclose(seen.sum(axis=1) / 750, 1 / 4, atol=0.07)
    assert (seen > 0).mean() > 0.97


def test_no_corner_is_left_out():
    """Of a zone of 120 m x 9 m cut in five, every fifth of its length has a point most of the times."""
    for seed in range(20):
        vines = np.sort(place(rows(4, 60), seed)["vine_no"])
        assert vines[0] <= 24
        assert vines[-1] > 36
        assert np.diff(vines).max() <= 36


def test_the_walk_starts_at_the_far_end_and_never_jumps_over_a_point():
    """From each point to the nearest one left, from the one farthest from their middle."""
    for seed in range(10):
        made = place(rows(6, 40), seed, points_per_zone=7)
        points = np.column_stack([made.geometry.x, made.geometry.y])
        from_middle = np.hypot(*(points - points.mean(axis=0)).T)
        assert np.argmax(from_middle) == 0
        for here in range(len(points) - 2):
            ahead = np.hypot(*(points[here + 1 :] - points[here]).T)
            assert np.argmin(ahead) == 0


def test_stretch_to_look_at_is_twenty_vines_or_up_to_the_end_of_the_row():
    made = place(rows(4, 60))
    assert (made["to_vine"] == np.minimum(made["vine_no"] + 19, 60)).all()
    later = place(rows(4, 30, first=41))
    assert later["vine_no"].between(41, 70).all()
    assert (later["to_vine"] == np.minimum(later["vine_no"] + 19, 70)).all()
    y = later.geometry.y
    np.testing.assert_allclose(
        y, 2 * (later["vine_no"] - 41) + 1
    )  # middle of its place, from the row's start


def test_rows_of_different_length_find_their_own_vines():
    long, short = rows(1, 50), rows(1, 7).assign(row_id="A-9", from_vine=11, to_vine=17)
    short.geometry = [shapely.LineString([(30, 100), (30, 114)])]
    made = place(pd.concat([long, short], ignore_index=True), points_per_zone=57)
    own = made[made["row_id"] == "A-9"].sort_values("vine_no")
    assert own["vine_no"].tolist() == list(range(11, 18))
    np.testing.assert_allclose(own.geometry.y, 100 + 2 * np.arange(7) + 1)
    assert sorted(made.loc[made["row_id"] == "A-1", "vine_no"]) == list(range(1, 51))


def test_reasons_and_controls():
    segments = pd.concat([rows(zone="A-Z1"), rows(zone="A-Z2"), rows(zone="A-Z3")], ignore_index=True)
    made = place(segments, flagged=["A-Z1"], controls=["A-Z2", "A-Z1"])
    assert made.groupby("zone_id")["is_control"].first().to_dict() == {"A-Z1": False, "A-Z2": True}
    assert made["why"].iloc[0] == "Doubtful zone."
    assert len(made) == 10
    told = place(segments, flagged={"A-Z3": "Falls."}, controls={"A-Z1": "Sound."})
    assert told.groupby("zone_id")["why"].first().to_dict() == {"A-Z1": "Sound.", "A-Z3": "Falls."}
    assert told["zone_id"].tolist()[0] == "A-Z3"


def test_nothing_to_look_at_is_an_empty_table():
    made = place(rows(), flagged=[])
    assert made.empty
    assert made.crs == rows().crs
    assert "to_vine" in made.columns


def test_a_zone_must_be_in_both_tables():
    with pytest.raises(DataError, match="Zone 'B' has no row segments"):
        place_scouting_points(
            pd.DataFrame({"zone_id": ["B"]}), rows(), flagged=["B"], rng=np.random.default_rng(1)
        )
    with pytest.raises(DataError, match="Zone 'A-Z1' has no row segments"):
        place_scouting_points(
            pd.DataFrame({"zone_id": ["B"]}), rows(), flagged=["A-Z1"], rng=np.random.default_rng(1)
        )


def test_controls_are_the_healthiest_kept_zones_not_flagged():
    zones = pd.DataFrame({
        "zone_id": list("ABCDEF"), "variety": ["Shiraz", "Shiraz", "Shiraz", "Merlot", "Merlot", "Malbec"],
        "advice": ["renew", "keep", "watch", "keep", "keep", "keep"],
        "health_score": [40.0, 80.0, 99.0, 70.0, 90.0, 95.0],
    })  # fmt: skip
    assert list(choose_controls(zones, ["A"])) == ["B"]  # C is healthier but not kept
    assert sorted(choose_controls(zones, ["A", "D"])) == ["B", "E"]
    assert list(choose_controls(zones, ["A", "B"])) == ["F"]  # no sound Shiraz: the soundest of the estate
    assert choose_controls(zones.assign(advice="renew"), ["A"]) == {}


# ---------------------------------------------------------------- health
@pytest.mark.parametrize(
    ("part", "values", "scores"),
    [
        ("vine_loss_pct", [-5, 0, 30, 100], [100, 100, 70, 0]),
        ("missing_pct", [0, 25, 100], [100, 75, 0]),
        ("symptomatic_pct", [0, 25, 100], [100, 75, 0]),
        ("vigour_pct", [0, 60, 100, 130], [0, 60, 100, 100]),
        ("decline_pct_per_year", [-2, 0, 5, 10, 20], [100, 100, 50, 0, 0]),
    ],
)
def test_each_part_runs_from_none_to_all(part, values, scores):
    """A fall of 10 % a year takes all points of the trend."""
    made = score_health(pd.DataFrame({part: values}))
    assert made["health_score"].tolist() == scores
    names = {"vine_loss_pct": "output", "missing_pct": "stand", "symptomatic_pct": "symptoms",
             "vigour_pct": "vigour", "decline_pct_per_year": "trend"}  # fmt: skip
    assert made[f"score_{names[part]}"].tolist() == scores
    assert made["score_lacks"].iloc[0].count(",") == 3


def test_weights_of_the_parts():
    """Output 40, stand 20, symptoms 15, trend 15, vigour 10: one part bad at a time."""
    good = {"vine_loss_pct": 0.0, "missing_pct": 0.0, "symptomatic_pct": 0.0, "vigour_pct": 100.0,
            "decline_pct_per_year": 0.0}  # fmt: skip
    bad = {"vine_loss_pct": 100.0, "missing_pct": 100.0, "symptomatic_pct": 100.0, "vigour_pct": 0.0,
           "decline_pct_per_year": 10.0}  # fmt: skip
    table = pd.DataFrame([good] + [good | {name: bad[name]} for name in good])
    assert score_health(table)["health_score"].round(9).tolist() == [100, 60, 80, 85, 90, 85]
    assert np.isnan(score_health(pd.DataFrame({"other": [1.0]}))["health_score"][0])


def test_vigour_stands_against_the_ninth_decile():
    vigour = pd.DataFrame({"zone_id": list("ABCDEFGHIJK"), "vintage": 2026, "value": np.arange(11) / 10})
    zones = vigour[["zone_id"]].assign(variety="Shiraz")
    made = compare_vigour(vigour, zones)
    assert made["J"] == pytest.approx(100.0)
    assert made["K"] == pytest.approx(100 / 0.9)
    assert made["A"] == 0
