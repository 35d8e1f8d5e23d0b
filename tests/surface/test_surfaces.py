import numpy as np
import pytest
import shapely
from scipy.spatial import cKDTree

from vinemap.errors import DataError
from vinemap.land import grid_over
from vinemap.surface import LocalBlockKriging, Variogram, estimate_variogram, krige_grid
from vinemap.surface.surfaces import area_of_readings, split_nugget, straddle_variance

OUTLINE = shapely.Polygon([(0, 0), (80, 0), (80, 30), (10, 30)])
SPEC = grid_over(OUTLINE.buffer(6), cell_m=2.0, crs="EPSG:3035")


@pytest.fixture(scope="module")
def readings(rows_of_readings, draw_field):
    places, _, variogram = rows_of_readings
    rng = np.random.default_rng(11)
    return places, 12 + draw_field(variogram, places, 1, rng)[0] + rng.normal(0, 1, len(places)), variogram


def test_cells_inside_are_the_unstructured_estimates(readings):
    places, values, variogram = readings
    surface = krige_grid(places, values, spec=SPEC, outline=OUTLINE, variogram=variogram)
    easting, northing = SPEC.centres()
    inside = shapely.contains_xy(OUTLINE, easting, northing)
    assert np.array_equal(np.isfinite(surface.mean.values), inside)
    assert np.array_equal(np.isfinite(surface.standard_error.values), inside)
    cells = np.column_stack([easting[inside], northing[inside]])
    mean, error = LocalBlockKriging(variogram).fit(places, values).predict(cells, return_std=True)
    assert np.array_equal(surface.mean.values[inside], mean)
    assert np.array_equal(surface.standard_error.values[inside], error)
    assert (surface.mean.spec, surface.variogram, surface.experimental) == (SPEC, variogram, None)


def test_no_data_far_from_readings(readings):
    places, values, variogram = readings
    west = places[:, 0] < 40
    surface = krige_grid(
        places[west], values[west], spec=SPEC, outline=OUTLINE, variogram=variogram, max_distance_m=8.0
    )
    easting, _ = SPEC.centres()
    assert np.isnan(surface.mean.values[easting > 50]).all()
    assert np.isfinite(surface.mean.values[(easting > 20) & (easting < 40)]).any()
    assert "% of the outline, further than 8 m from a reading" in surface.note


def test_block_means_of_a_known_field_lie_within_their_errors(rows_of_readings, draw_field):
    places, _, variogram = rows_of_readings
    rng = np.random.default_rng(12)
    inner = shapely.box(10, 8, 70, 22)
    spec = grid_over(inner, cell_m=10.0, crs="EPSG:3035")
    fine = np.stack(np.meshgrid(np.arange(5.5, 75.5), np.arange(5.5, 25.5)), -1).reshape(-1, 2)
    scores = []
    for field in draw_field(variogram, np.concatenate([places, fine]), 80, rng):
        values = field[: len(places)] + rng.normal(0, 1, len(places))
        surface = krige_grid(places, values, spec=spec, outline=inner, variogram=variogram, discretisation=10)
        inside = np.isfinite(surface.mean.values)
        for row, column in np.argwhere(inside):
            x, y = spec.centres()[0][row, column], spec.centres()[1][row, column]
            block = (np.abs(fine - [x, y]) < 5).all(axis=1)
            truth = field[len(places) :][block].mean()
            scores.append(
                (surface.mean.values[row, column] - truth) / surface.standard_error.values[row, column]
            )
    assert 0.85 < np.mean(np.abs(scores) < 1.6449) < 0.95
    assert 0.85 < np.std(scores) < 1.15


def test_fits_a_variogram_where_none_is_given(readings):
    places, values, truth = readings
    surface = krige_grid(places, values, spec=SPEC, outline=OUTLINE)
    assert surface.experimental is not None
    assert "range parameter" in surface.note
    assert surface.variogram.nugget == pytest.approx(truth.nugget, rel=0.5)
    assert np.isfinite(surface.mean.values).any()


def test_noise_of_readings_is_not_counted_twice(readings):
    places, values, _ = readings
    plain, noisy = (estimate_variogram(places, values, noise_variance=noise)[1] for noise in (None, 0.4))
    assert noisy.variogram.nugget == pytest.approx(plain.variogram.nugget - 0.4)
    assert "Of the nugget 0.4 is noise of the readings" in noisy.note
    one = krige_grid(places, values, spec=SPEC, outline=OUTLINE, reading_area_m2=0.0)
    other = krige_grid(places, values, spec=SPEC, outline=OUTLINE, reading_area_m2=0.0, noise_variance=0.4)
    assert other.mean.values == pytest.approx(one.mean.values, nan_ok=True)


def test_vines_that_were_all_weighed_are_not_smoothed_away():
    # 40 rows of 60 vines, each by itself; a reading weighs two of them and errs by 5 %.
    rng = np.random.default_rng(2)
    vines = rng.normal(20.0, 6.0, (40, 60)) + 3.0 * np.sin(np.arange(60) / 12.0)
    along, across = np.meshgrid(np.arange(30) * 4.0 + 2.0, np.arange(40) * 3.0 + 1.5)
    values = vines.reshape(40, 30, 2).mean(axis=2) * (1 + rng.normal(0, 0.05, (40, 30)))
    places, values = np.column_stack([along.ravel(), across.ravel()]), values.ravel()
    block = shapely.box(0, 0, 120, 120)
    spec = grid_over(block, cell_m=12.0, crs="EPSG:3035")
    truth = vines.reshape(10, 4, 10, 6).mean(axis=(1, 3))[::-1]  # 12 m squares, north on top
    own, smooth = (
        krige_grid(
            places, values, spec=spec, outline=block, block_m=12.0, neighbours=64, reading_area_m2=area
        )
        for area in (None, 0.0)
    )
    off, plain = (np.sqrt(np.nanmean((one.mean.values - truth) ** 2)) for one in (own, smooth))
    assert off < 0.75 * plain
    assert 0.8 < np.nanmean(np.abs(own.mean.values - truth) < 1.645 * own.standard_error.values) <= 1.0


@pytest.mark.parametrize("count", [1, 2, 5])
def test_few_or_constant_readings_give_a_flat_surface(count):
    places = np.random.default_rng(1).uniform(10, 30, (count, 2))
    surface = krige_grid(places, np.full(count, 7.0), spec=SPEC, outline=OUTLINE, max_distance_m=200.0)
    inside = np.isfinite(surface.mean.values)
    assert inside.any()
    assert surface.mean.values[inside] == pytest.approx(7.0)
    assert surface.standard_error.values[inside] == pytest.approx(0.0)
    assert "Too few pairs" in surface.note


def test_shared_cells_stay_near_the_exact_surface(readings):
    places, values, variogram = readings
    exact, shared = (
        krige_grid(places, values, spec=SPEC, outline=OUTLINE, variogram=variogram, shared_cells=side)
        for side in (1, 2)
    )
    off = (shared.mean.values - exact.mean.values) / exact.standard_error.values
    assert 0 < np.nanstd(off) < 0.5  # measured 0.2 on 60,000 readings (scripts/bench_surface.py)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"outline": shapely.box(900, 900, 910, 910)}, "No cell of 2.0 m has its centre inside"),
        ({"max_distance_m": 0.0}, "max_distance_m is 0.0"),
        ({"shared_cells": 0}, "shared_cells 0"),
    ],
)
def test_refuses_unfit_settings(readings, change, words):
    places, values, _ = readings
    with pytest.raises(DataError, match=words):
        krige_grid(places, values, **({"spec": SPEC, "outline": OUTLINE} | change))


def test_lags_are_twenty_up_to_a_hundred_metres_or_half_the_diagonal():
    rng = np.random.default_rng(1)
    for side, reach in ((300.0, 100.0), (60.0, 60.0 * np.sqrt(2) / 2)):
        places = np.concatenate([rng.uniform(0, side, (900, 2)), [[0.0, 0.0], [side, side]]])
        found, _ = estimate_variogram(places, rng.normal(size=902))
        assert len(found.pairs) == 20
        assert 0.95 * reach < found.distance_m[-1] <= reach
        assert found.distance_m[9] == pytest.approx(reach * 9.5 / 20, rel=0.02)
    one_place, _ = estimate_variogram(np.zeros((3, 2)), [1.0, 2.0, 3.0])
    assert len(one_place.pairs) == 0


def test_noise_beyond_the_nugget_leaves_no_nugget(readings):
    places, values, _ = readings
    plain = estimate_variogram(places, values)[1].variogram
    noisy = estimate_variogram(places, values, noise_variance=plain.nugget + 3.0)[1]
    assert noisy.variogram.nugget == 0.0
    assert (noisy.variogram.partial_sill, noisy.variogram.range_m) == (plain.partial_sill, plain.range_m)
    assert f"Of the nugget {plain.nugget:.3g} is noise" in noisy.note
    spread = np.where(np.arange(len(places)) % 2 == 0, 0.2, 0.6)
    assert estimate_variogram(places, values, noise_variance=spread)[1].variogram.nugget == pytest.approx(
        plain.nugget - spread.mean()
    )


def lattice(east, north, count=30):
    return np.stack(np.meshgrid(np.arange(count) * east, np.arange(count) * north), -1).reshape(-1, 2)


@pytest.mark.parametrize(("east", "north"), [(3.0, 2.0), (3.0, 7.0), (5.0, 5.0)])
def test_area_of_a_reading_is_the_ground_between_readings(east, north):
    assert area_of_readings(lattice(east, north, 60)) == pytest.approx(east * north, rel=0.25)


def test_area_is_nought_where_readings_are_few_or_sparse():
    assert area_of_readings(lattice(3.0, 2.0, 5)[:16]) == 0.0
    assert area_of_readings(lattice(3.0, 2.0, 5)[:17]) > 0.0
    assert area_of_readings(lattice(6.0, 6.0, 60)) > 0.0  # 36 m2
    assert area_of_readings(lattice(7.0, 7.0, 60)) == 0.0  # 49 m2
    many = np.random.default_rng(1).uniform(0, 300, (9000, 2))  # looked up at some of them
    assert area_of_readings(many) == pytest.approx(10.0, rel=0.1)


def test_a_nugget_is_split_into_error_and_ground_of_that_area():
    fitted = Variogram("spherical", 5.0, 4.0, 40.0, bearing_deg=30.0, ratio=0.5)
    ground = split_nugget(fitted, reading_area_m2=9.6, error_variance=1.5)
    assert (ground.nugget, ground.further[0].partial_sill, ground.further[0].model) == (
        1.5,
        3.5,
        "exponential",
    )
    # The integral of exp(-h / r) over the plane is 2 pi r^2; 1.5 times, readings being narrow.
    assert 2 * np.pi * (ground.further[0].range_m / 1.5) ** 2 == pytest.approx(9.6)
    assert (ground.bearing_deg, ground.ratio, ground.partial_sill) == (30.0, 0.5, 4.0)
    assert split_nugget(fitted, reading_area_m2=0.0, error_variance=1.0) is fitted
    assert split_nugget(fitted, reading_area_m2=9.6, error_variance=5.0) is fitted
    assert len(split_nugget(ground, reading_area_m2=9.6, error_variance=1.0).further) == 2


def test_readings_across_the_edge_of_a_block_make_its_mean_uncertain():
    # By simulation: rows 3 m apart with a reading each 8 m that begins anywhere; a reading's ground varies
    # from metre to metre. The variance of what is told of a 12 m block by parts of readings is
    # W s L / 6 at each of two ends of four rows, over the block's area; readings are taken 1.5 times.
    rng = np.random.default_rng(3)
    length, rows, side = 8, 4, 12
    off = []
    for _ in range(4000):
        total = 0.0
        for _row in range(rows):
            ground = rng.normal(size=40)
            start = rng.integers(length)
            cut = np.arange(start, 40 - length + 1, length)
            told = np.zeros(40)
            for at in cut:
                told[at : at + length] = ground[at : at + length].mean()
            total += (told[14 : 14 + side] - ground[14 : 14 + side]).sum()
        off.append(3.0 * total / side**2)
    unit = 1.0 / length  # variance of a reading
    found = straddle_variance(unit, reading_area_m2=3.0 * length, row_spacing_m=3.0, block_m=float(side))
    assert found == pytest.approx(1.5 * np.var(off), rel=0.12)
    for wrong in ({"block_m": 0.0}, {"ground_variance": 0.0}):
        options = {
            "ground_variance": 1.0,
            "reading_area_m2": 24.0,
            "row_spacing_m": 3.0,
            "block_m": 10.0,
        } | wrong
        assert straddle_variance(options.pop("ground_variance"), **options) == 0.0


def test_error_of_a_reading_is_seven_per_cent_where_none_is_told(readings):
    places, values, _ = readings
    fitted = Variogram("exponential", 1.5, 4.0, 20.0)
    options = {"spec": SPEC, "outline": OUTLINE, "variogram": fitted}
    own = krige_grid(places, values, reading_area_m2=4.0, row_spacing_m=2.5, **options)
    ground = split_nugget(fitted, reading_area_m2=4.0, error_variance=(0.07 * values.mean()) ** 2)
    straddle = straddle_variance(1.5 - ground.nugget, reading_area_m2=4.0, row_spacing_m=2.5, block_m=10.0)
    cell = np.argwhere(np.isfinite(own.mean.values))[50]
    place = [[SPEC.centres()[0][tuple(cell)], SPEC.centres()[1][tuple(cell)]]]
    mean, error = LocalBlockKriging(ground).fit(places, values).predict(place, return_std=True)
    assert own.mean.values[tuple(cell)] == pytest.approx(mean[0])
    assert own.standard_error.values[tuple(cell)] == pytest.approx(np.sqrt(error[0] ** 2 + straddle))
    told = krige_grid(places, values, reading_area_m2=4.0, noise_variance=0.3, **options)
    ground = split_nugget(fitted, reading_area_m2=4.0, error_variance=0.0)
    mean = LocalBlockKriging(ground).fit(places, values, 0.3).predict(place)
    assert told.mean.values[tuple(cell)] == pytest.approx(mean[0])


def test_share_without_data_is_that_of_the_outline(readings):
    places, values, variogram = readings
    west = places[:, 0] < 40
    surface = krige_grid(
        places[west], values[west], spec=SPEC, outline=OUTLINE, variogram=variogram, max_distance_m=8.0
    )
    easting, northing = SPEC.centres()
    inside = shapely.contains_xy(OUTLINE, easting, northing)
    far = cKDTree(places[west]).query(np.column_stack([easting[inside], northing[inside]]))[0] > 8.0
    assert np.isnan(surface.mean.values[inside]).tolist() == far.tolist()
    assert f"No data in {far.mean():.1%} of the outline" in surface.note
    assert surface.note.startswith("Variogram as given.")
    full = krige_grid(places, values, spec=SPEC, outline=OUTLINE, variogram=variogram)
    assert full.note == "Variogram as given."
