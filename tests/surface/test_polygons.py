import numpy as np
import pytest
import shapely

from vinemap.errors import DataError
from vinemap.surface import LocalBlockKriging, Variogram, krige_polygons, mean_covariance
from vinemap.surface.polygons import _near, points_inside, thin_readings


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


@pytest.mark.parametrize(("range_m", "margin_m"), [(20.0, 10.0), (50.0, 25.0), (300.0, 30.0)])
def test_readings_within_half_a_range_and_thirty_metres_inform_a_zone(range_m, margin_m):
    zone = shapely.box(0, 0, 40, 20)
    for off, told in ((margin_m - 0.2, 1), (margin_m + 0.2, 0)):
        for place in ((40 + off, 10), (-off, 10), (20, 20 + off), (20, -off)):
            line = krige_polygons(
                [place], [5.0], [zone], variogram=Variogram("exponential", 1.0, 1.0, range_m),
                rng=np.random.default_rng(1),
            ).iloc[0]  # fmt: skip
            assert line["readings"] == told
    corner = np.array([[40 + 0.9 * margin_m, 20 + 0.9 * margin_m]])  # in the box about it, but further
    assert not _near(corner, zone, margin_m).any()


@pytest.mark.parametrize("most", [20, 100, 400])
def test_thinned_readings_are_means_of_cells_and_nearly_as_many_as_allowed(most):
    rng = np.random.default_rng(3)
    places, values, noise = (
        rng.uniform(0, 90, (3000, 2)),
        rng.normal(10, 2, 3000),
        rng.uniform(0.5, 1.5, 3000),
    )
    points, numbers, error = thin_readings(places, values, noise, most, rng)
    assert 0.4 * most <= len(points) <= most
    assert len(points) == len(numbers) == len(error)
    weight = noise.mean() / error  # about the readings of each cell
    assert weight.sum() == pytest.approx(3000, rel=0.05)
    assert np.average(numbers, weights=weight) == pytest.approx(values.mean(), abs=0.1)
    assert np.average(points, axis=0, weights=weight) == pytest.approx(places.mean(axis=0), abs=1.5)
    untouched = thin_readings(places[:most], values[:most], noise[:most], most, rng)
    assert (untouched[0] == places[:most]).all()


def test_noise_of_an_average_is_that_of_its_readings_over_their_number():
    places = np.array([[0.0, 0.0], [0.1, 0.1], [50.0, 50.0], [50.1, 50.0], [50.0, 50.1]])
    points, numbers, error = thin_readings(
        places,
        np.array([1.0, 3.0, 6.0, 7.0, 8.0]),
        np.array([1.0, 3.0, 1.0, 1.0, 1.0]),
        2,
        np.random.default_rng(1),
    )
    assert numbers.tolist() == [2.0, 7.0]
    assert error == pytest.approx([4.0 / 4.0, 3.0 / 9.0])
    assert points[0] == pytest.approx([0.05, 0.05])


@pytest.mark.parametrize("zone", [shapely.box(5, 5, 65, 25), shapely.Polygon([(0, 0), (90, 0), (0, 30)])])
def test_points_in_a_polygon_are_even_and_about_as_many_as_asked(zone):
    points = points_inside(zone, 150)
    assert 75 <= len(points) <= 230
    assert shapely.contains_xy(zone, *points.T).all()
    centre = np.array(zone.centroid.coords[0])
    assert points.mean(axis=0) == pytest.approx(centre, abs=1.5)
    thin = points_inside(shapely.Polygon([(0, 0), (100, 100), (100, 100.5), (0, 0.5)]), 20)
    assert len(thin) >= 10
    assert points_inside(shapely.box(0, 0, 8, 2), 4).tolist() == [
        [1.0, 1.0],
        [3.0, 1.0],
        [5.0, 1.0],
        [7.0, 1.0],
    ]


def test_a_zone_is_kriged_as_by_the_textbook():
    rng = np.random.default_rng(4)
    variogram = Variogram("exponential", 0.5, 4.0, 25.0, bearing_deg=30.0, ratio=0.5)
    places, noise = rng.uniform(0, 60, (30, 2)), rng.uniform(0.1, 1.0, 30)
    values, zone = rng.normal(10, 2, 30), shapely.box(10, 10, 40, 30)
    line = krige_polygons(
        places, values, [zone], variogram=variogram, noise_variance=noise, rng=np.random.default_rng(1)
    ).iloc[0]
    near = _near(places, zone, 12.5)
    assert line["readings"] == line["points"] == near.sum()
    own, support = variogram.scale_places(places[near]), variogram.scale_places(points_inside(zone))

    def covariance(one, other):
        return variogram.structure(np.hypot(*(one[:, None] - other[None]).transpose(2, 0, 1)))

    size = int(near.sum())
    system = np.ones((size + 1, size + 1))
    system[:size, :size] = covariance(own, own) + np.diag(noise[near] + 0.5)
    system[size, size] = 0.0
    right = np.append(covariance(own, support).mean(axis=1), 1.0)
    weight = np.linalg.solve(system, right)
    assert line["mean"] == pytest.approx(weight[:size] @ values[near])
    expected = covariance(support, support).mean() - weight @ right
    assert line["standard_error"] == pytest.approx(np.sqrt(expected))
