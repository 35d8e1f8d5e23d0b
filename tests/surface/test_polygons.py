import numpy as np
import pytest
import shapely

from vinemap.errors import DataError
from vinemap.surface import LocalBlockKriging, Variogram, krige_polygons, mean_covariance
from vinemap.surface.polygons import points_inside


def test_a_square_zone_is_a_block(rows_of_readings, draw_field):
    places, _, variogram = rows_of_readings
    values = draw_field(variogram, places, 1, np.random.default_rng(1))[0] + 10
    near = np.abs(places - [40.0, 15.0]).max(axis=1) < 12  # the same readings for both
    zone = shapely.box(35, 10, 45, 20)
    found = krige_polygons(
        places[near], values[near], [zone], variogram=variogram, rng=np.random.default_rng(2), max_points=999
    )
    model = LocalBlockKriging(variogram, neighbours=int(near.sum()), discretisation=12)
    mean, error = model.fit(places[near], values[near]).predict([[40.0, 15.0]], return_std=True)
    assert found["mean"].tolist() == pytest.approx(mean, rel=2e-3)
    assert found["standard_error"].tolist() == pytest.approx(error, rel=0.03)


def test_standard_error_is_calibrated_on_known_zone_means(rows_of_readings, draw_field):
    places, _, variogram = rows_of_readings
    zone = shapely.Polygon([(10, 2), (50, 5), (60, 25), (30, 20), (12, 26)])  # concave
    truth_at = points_inside(zone, 400)
    rng = np.random.default_rng(7)
    fields = draw_field(variogram, np.concatenate([places, truth_at]), 300, rng)
    readings = fields[:, : len(places)] + rng.normal(0, 1, (300, len(places)))
    truth = fields[:, len(places) :].mean(axis=1)
    found = [
        krige_polygons(places, one, [zone], variogram=variogram, max_points=150, rng=rng).iloc[0]
        for one in readings
    ]
    score = np.array(
        [(one["mean"] - true) / one["standard_error"] for one, true in zip(found, truth, strict=True)]
    )
    assert 0.88 < score.std() < 1.12  # its own sampling error is 4 %
    assert abs(score.mean()) < 0.2
    assert found[0]["standard_error"] < 0.5 < np.sqrt(variogram.partial_sill)


def test_thinning_costs_little(rows_of_readings, draw_field):
    places, _, variogram = rows_of_readings
    values = draw_field(variogram, places, 1, np.random.default_rng(3))[0] + 10
    zones = [shapely.box(0, 0, 40, 27), shapely.box(40, 0, 80, 27)]
    full, thinned = (
        krige_polygons(
            places, values, zones, variogram=variogram, max_points=most, rng=np.random.default_rng(4)
        )
        for most in (10_000, 200)
    )
    assert (thinned["points"] <= 200).all()
    assert (full["points"] == full["readings"]).all()
    assert np.abs(thinned["mean"] - full["mean"]).max() < 0.25 * full["standard_error"].min()
    assert thinned["standard_error"].to_numpy() == pytest.approx(full["standard_error"].to_numpy(), rel=0.1)


def test_two_averages_are_the_fewest():
    places = np.random.default_rng(1).uniform(0, 30, (40, 2))
    line = krige_polygons(
        places, np.full(40, 7.0), [shapely.box(0, 0, 30, 30)], max_points=2, rng=np.random.default_rng(2),
        variogram=Variogram("spherical", 1.0, 2.0, 40.0),
    ).iloc[0]  # fmt: skip
    assert line["points"] <= 2
    assert line["mean"] == pytest.approx(7.0)


def test_discretisation_is_fine_enough():
    zone = shapely.Polygon([(0, 0), (100, 0), (100, 20), (20, 20), (20, 90), (0, 90)])
    variogram = Variogram("exponential", 0.0, 1.0, 30.0)
    usual, fine = (
        mean_covariance(variogram, points, np.full(len(points), 1 / len(points)))
        for points in (points_inside(zone), points_inside(zone, 3000))
    )
    assert usual == pytest.approx(fine, rel=0.01)


def test_zones_without_readings_and_slivers():
    places = np.random.default_rng(1).uniform(0, 50, (200, 2))
    zones = [
        shapely.box(1000, 0, 1010, 10),
        shapely.box(0, 10, 50, 10.001),
        shapely.MultiPolygon([shapely.box(0, 0, 9, 9), shapely.box(30, 30, 40, 40)]),
    ]
    found = krige_polygons(
        places,
        np.full(200, 4.0),
        zones,
        variogram=Variogram("spherical", 1.0, 2.0, 40.0),
        rng=np.random.default_rng(2),
    )
    assert found["mean"].isna().tolist() == [True, False, False]
    assert found["mean"].iloc[1:].tolist() == pytest.approx([4.0, 4.0])
    assert found["readings"].iloc[0] == 0
    assert list(found.columns) == ["mean", "standard_error", "readings", "points"]


def test_no_variation_and_readings_in_one_place():
    places, zone = np.zeros((30, 2)), [shapely.box(-5, -5, 5, 5)]
    rng = np.random.default_rng(1)
    flat = krige_polygons(
        places, np.full(30, 4.0), zone, variogram=Variogram("spherical", 0.0, 0.0, 40.0), rng=rng
    )
    assert flat.loc[0, ["mean", "standard_error"]].tolist() == [4.0, 0.0]
    piled = krige_polygons(
        places, np.full(30, 4.0), zone, variogram=Variogram("spherical", 0.0, 1.0, 40.0), rng=rng
    )
    assert piled.loc[0, "mean"] == pytest.approx(4.0)


def test_same_generator_same_numbers(rows_of_readings):
    places, _, variogram = rows_of_readings
    zone, values = [shapely.box(0, 0, 60, 27)], places[:, 0] / 10
    one, other = (
        krige_polygons(places, values, zone, variogram=variogram, max_points=60, rng=np.random.default_rng(9))
        for _ in range(2)
    )
    assert one.equals(other)


@pytest.mark.parametrize(
    ("zone", "most", "words"),
    [(shapely.Polygon(), 400, "Polygon 0 is empty"), (shapely.box(0, 0, 9, 9), 1, "max_points is 1")],
)
def test_refuses_unfit_input(zone, most, words):
    with pytest.raises(DataError, match=words):
        krige_polygons(
            [[0.0, 0.0]], [1.0], [zone], variogram=Variogram("spherical", 1.0, 2.0, 40.0), max_points=most,
            rng=np.random.default_rng(2),
        )  # fmt: skip
