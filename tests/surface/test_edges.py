"""Small units, exact borders, defaults and the order of groups: numbers that lie a hair off show here."""

from __future__ import annotations

import inspect
from itertools import pairwise

import numpy as np
import pytest
import shapely
from scipy.spatial import cKDTree

from vinemap.land import grid_over
from vinemap.surface import (
    ExperimentalVariogram,
    LocalBlockKriging,
    Variogram,
    directions,
    discretise_block,
    estimate_variogram,
    experimental_variogram,
    fit_stretches,
    fit_variogram,
    krige_grid,
    krige_polygons,
    krige_stretch_grid,
    krige_stretches,
    krige_with_drift,
    kriging,
)
from vinemap.surface.counted import MOST_FITTED, _restricted, relative_noise
from vinemap.surface.directions import RATIOS, _best_ratio, _two_directions, fit_directions
from vinemap.surface.kriging import fit_labelled, group_positions, merge_places
from vinemap.surface.polygons import points_inside, thin_readings
from vinemap.surface.support import tabulate_block
from vinemap.surface.surfaces import area_of_readings, split_nugget, straddle_variance
from vinemap.surface.systems import read_support
from vinemap.surface.validate import _summarise

LAGS = np.arange(5.0, 105.0, 5.0)
FIELD = Variogram("exponential", 0.5, 4.0, 20.0)


def readings(count: int = 60, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(0, 60, (count, 2)), rng.normal(10, 2, count)


def in_unit(variogram: Variogram, unit: float) -> Variogram:
    """The same variogram of values in another unit."""
    return Variogram(
        variogram.model, unit**2 * variogram.nugget, unit**2 * variogram.partial_sill, variogram.range_m
    )


# ---------------------------------------------------------------- the unit of the values
UNIT = 1e-4
CELLS = np.array([[20.0, 30.0], [31.0, 12.0], [80.0, 80.0]])
ROWS = np.array([[[x, 3.0 * y], [x + 20.0, 3.0 * y]] for y in range(12) for x in (0.0, 20.0, 40.0)])


def krige_blocks(unit):
    places, values = readings()
    return LocalBlockKriging(in_unit(FIELD, unit)).fit(places, unit * values).predict(CELLS, return_std=True)


def krige_drift(unit):
    places, values = readings()
    return krige_with_drift(places, unit * values, CELLS, variogram=in_unit(FIELD, unit))


def krige_rows(unit):
    values = 12.0 + ROWS[:, 0, 1] / 9.0
    return krige_stretches(ROWS, unit * values, CELLS, variogram=in_unit(FIELD, unit))


def krige_zone(unit):
    places, values = readings()
    zones = [shapely.box(10, 10, 40, 40), shapely.box(0, 0, 3, 60)]
    found = krige_polygons(
        places, unit * values, zones, variogram=in_unit(FIELD, unit), rng=np.random.default_rng(1)
    )
    return found["mean"].to_numpy(), found["standard_error"].to_numpy()


def krige_own_variogram(unit):
    places, values = readings(900)
    outline = shapely.box(0, 0, 60, 60)
    spec = grid_over(outline, cell_m=10.0, crs="EPSG:3035")
    found = krige_grid(places, unit * (values + places[:, 0] / 5), spec=spec, outline=outline)
    return found.mean.values, found.standard_error.values


def krige_counted(unit):
    values = 12.0 + ROWS[:, 0, 1] / 9.0 + np.random.default_rng(2).normal(0, 1, len(ROWS))
    outline = shapely.box(0, 0, 60, 36)
    spec = grid_over(outline, cell_m=12.0, crs="EPSG:3035")
    found = krige_stretch_grid(ROWS, unit * values, spec=spec, outline=outline, row_spacing_m=3.0)
    return found.mean.values, found.standard_error.values


@pytest.mark.parametrize(
    "krige", [krige_blocks, krige_drift, krige_rows, krige_zone, krige_own_variogram, krige_counted]
)
def test_means_and_errors_go_with_the_unit_of_the_values(krige):
    """Tonnes per hectare or per square metre: no floor, no pivot and no bound may know which."""
    (mean, error), (small, small_error) = krige(1.0), krige(UNIT)
    assert small == pytest.approx(UNIT * mean, rel=1e-6)
    assert small_error == pytest.approx(UNIT * error, rel=1e-6)
    assert (error[np.isfinite(error)] > 0).all()


def test_noise_of_left_out_rows_goes_with_the_unit():
    error, spread = np.array([0.3, -0.2, 0.1]), np.array([0.2, 0.2, 0.05])
    usual, small = (_summarise(np.zeros(3), unit * error, unit * spread) for unit in (1.0, UNIT))
    assert small.mean_squared_ratio == pytest.approx(usual.mean_squared_ratio) == pytest.approx(7.25 / 3)
    assert small.coverage_90 == usual.coverage_90 == pytest.approx(2 / 3)


# ---------------------------------------------------------------- defaults
def test_a_surface_is_kriged_with_the_defaults_of_the_model():
    """64 readings, blocks of 10 m, exact: as the method is told."""
    grid, model = inspect.signature(krige_grid).parameters, LocalBlockKriging().get_params()
    for name, value in {
        "neighbours": 64, "block_m": 10.0, "discretisation": 4, "quadrature": "exact", "threads": 1,
    }.items():  # fmt: skip
        assert grid[name].default == model[name] == value, name
    assert model["share_within_m"] == 0.0
    assert (grid["max_distance_m"].default, grid["shared_cells"].default) == (15.0, 1)
    assert grid["row_spacing_m"].default == 3.0
    drift = inspect.signature(krige_with_drift).parameters
    assert (drift["neighbours"].default, drift["block_m"].default) == (64, 10.0)
    assert drift["linear"].default
    stretches = inspect.signature(krige_stretches).parameters
    assert (stretches["block_m"].default, stretches["points_per_side"].default) == (10.0, 4)
    counted = inspect.signature(krige_stretch_grid).parameters
    assert (counted["block_m"].default, counted["max_distance_m"].default) == (10.0, 15.0)
    assert inspect.signature(krige_polygons).parameters["max_points"].default == 400
    plain = Variogram("exponential", 0.0, 1.0, 0.5)  # half a metre is a range
    assert (plain.bearing_deg, plain.ratio, plain.further) == (0.0, 1.0, ())


def test_directions_are_taken_by_a_sixteenth_of_a_circle_unless_told():
    places, values = readings(300)
    options = {"max_distance_m": 30.0, "bin_m": 5.0, "bearing_deg": 30.0}
    usual = experimental_variogram(places, values, **options)
    told = experimental_variogram(places, values, tolerance_deg=22.5, **options)
    assert usual.pairs.tolist() == told.pairs.tolist()
    assert (
        told.pairs.sum() < experimental_variogram(places, values, tolerance_deg=30.0, **options).pairs.sum()
    )


# ---------------------------------------------------------------- threads and groups
@pytest.mark.parametrize(
    ("threads", "positions", "pools"),
    [(1, 7, []), (0, 7, []), (3, 7, [3]), (9, 2, [2]), (9, 1, []), (9, 0, [])],
)
def test_a_call_takes_the_threads_it_is_given_and_has_work_for(monkeypatch, threads, positions, pools):
    opened = []

    class Pool(kriging.ThreadPoolExecutor):
        def __init__(self, count):
            opened.append(count)
            super().__init__(count)

    monkeypatch.setattr(kriging, "ThreadPoolExecutor", Pool)
    places, values = readings()
    cells = np.random.default_rng(3).uniform(0, 60, (positions, 2))
    LocalBlockKriging(FIELD, threads=threads).fit(places, values).predict(cells)
    assert opened == pools


def test_groups_are_the_squares_of_a_grid():
    """Six by six cells of 2 m, seen from anywhere: nine squares of 4 m with four cells each."""
    grid = np.stack(np.meshgrid(np.arange(6) * 2.0, np.arange(6) * 2.0), -1).reshape(-1, 2)
    grid = grid[np.random.default_rng(1).permutation(36)] + [517.3, -88.1]
    order, starts = group_positions(grid, 4.0)
    assert np.diff(starts).tolist() == [4] * 9
    for first, last in pairwise(starts):
        assert np.ptp(grid[order[first:last]], axis=0) == pytest.approx([2.0, 2.0])
    assert len(group_positions(grid, 0.9)[1]) == 37  # squares of less than a metre hold one each
    edge = np.array([[0.0, 0.0], [3.7, 0.0], [4.0 - 1e-9, 0.0], [7.9, 0.0]])
    assert group_positions(edge, 4.0)[1].tolist() == [0, 2, 4]  # rounding below an edge counts as beyond it
    assert group_positions(np.zeros((0, 2)), 4.0)[1].tolist() == [0]


def test_labels_keep_readings_only_from_positions_that_ask_for_it():
    places, values = readings()
    labels = np.arange(60) % 3
    kept = fit_labelled(LocalBlockKriging(FIELD), places, values, np.zeros(60), labels)
    plain = LocalBlockKriging(FIELD).fit(places, values)
    assert kept.predict(CELLS) == pytest.approx(plain.predict(CELLS))
    assert plain.predict_parts(CELLS, np.ones(3))[0] == pytest.approx(plain.predict(CELLS))


def test_a_reading_beyond_the_table_of_a_block_is_not_read_off_it():
    """Four nodes are read about each place: the last whole step is three before the end of the table."""
    table, per_column, per_row, _ = tabulate_block(FIELD, 10.0)
    offsets, weights = discretise_block(10.0, 60)
    last = len(table) - 3
    for east, north, held in ((last - 0.1, 0.0, True), (last + 0.5, 0.0, False), (0.0, last - 0.1, True),
                              (0.0, last + 0.5, False), (last - 0.6, last - 0.4, True)):  # fmt: skip
        near = np.full((5, 8), np.nan)
        near[:2, 0] = -east / per_column, north / per_row
        assert read_support(near, 1, 0.0, 0.0, table, per_column, per_row) == held
        assert np.isnan(near[4, 0]) != held
        if held:
            gap = np.hypot(*(near[:2, 0] - offsets).T)
            assert near[4, 0] == pytest.approx(FIELD.structure(gap) @ weights, rel=1e-4)


def test_merged_places_have_the_noise_of_their_mean():
    points = np.array([[5.0, 5.0], [1.0, 1.0], [5.0, 5.0], [1.0, 1.0], [1.0, 1.0]])
    merged = merge_places(points, np.array([1.0, 2.0, 3.0, 4.0, 9.0]), np.array([1.0, 0.0, 2.0, 0.0, 9.0]),
                          np.array([7, 8, 9, 8, 8]))  # fmt: skip
    assert merged[0].tolist() == [[1.0, 1.0], [5.0, 5.0]]
    assert merged[1].tolist() == [5.0, 2.0]
    assert merged[2].tolist() == [1.0, 0.75]
    assert merged[3].tolist() == [8, 7]


def test_blocks_smaller_than_a_metre_are_integrated_too():
    model = LocalBlockKriging(FIELD, block_m=0.8).fit(*readings())
    assert model._block()[1].size > 0
    assert LocalBlockKriging(FIELD, block_m=0.0).fit(*readings())._block()[1].size == 0


# ---------------------------------------------------------------- fits
def exactly(variogram: Variogram, pairs: int = 500) -> ExperimentalVariogram:
    return ExperimentalVariogram(LAGS, variogram.semivariance(LAGS), np.full(LAGS.size, pairs))


@pytest.mark.parametrize("range_m", [2.6, 290.0, 297.0])
def test_ranges_beside_a_bound_are_refined_as_any_other(range_m):
    """Bounds are 2.5 and 300 m here; between the last two ranges tried lies the truth."""
    found = fit_variogram(exactly(Variogram("exponential", 1.0, 3.0, range_m)), models=("exponential",))
    assert found.variogram.range_m == pytest.approx(range_m, rel=1e-3)
    assert found.misfit < 1e-9


@pytest.mark.parametrize("pairs", [30, 3_000_000])
def test_a_fit_does_not_depend_on_how_many_pairs_there_are(pairs):
    truth = Variogram("exponential", 1.0, 3.0, 40.0)
    found = fit_variogram(exactly(truth, pairs), models=("exponential",)).variogram
    assert (found.nugget, found.partial_sill, found.range_m) == pytest.approx((1.0, 3.0, 40.0), rel=1e-3)


def test_a_ratio_of_one_is_among_those_tried():
    """From a fifth to five times, as many on either side of the same in all directions."""
    assert RATIOS[[0, len(RATIOS) // 2, -1]] == pytest.approx([0.2, 1.0, 5.0])
    assert RATIOS * RATIOS[::-1] == pytest.approx(1.0)
    lags = ExperimentalVariogram(LAGS, FIELD.semivariance(LAGS), np.full(LAGS.size, 500))
    ratio, gain = _best_ratio(FIELD, (lags, lags))
    assert (ratio, gain) == pytest.approx((1.0, 0.0), abs=1e-9)


@pytest.mark.parametrize(
    ("found", "clear"),
    [
        ([(0.5, 0.25), (0.5, 0.0), (0.6, 0.0)], True), ([(0.5, 0.24), (0.5, 0.9), (0.5, 0.9)], False),
        ([(1.3, 0.9), (0.5, 0.9), (0.5, 0.9)], False), ([(0.5, 0.9), (0.5, 0.9), (2.0, 0.9)], False),
        ([(0.5, 0.9), (0.8, 0.9), (0.5, 0.9)], False), ([(2.0, 0.3), (2.0, 0.0), (3.0, 0.0)], True),
        ([(1.6, 0.9), (0.6, 0.9), (0.6, 0.9)], False), ([(1.6, 0.9), (1.6, 0.9), (0.6, 0.9)], False),
    ],
)  # fmt: skip
def test_directions_need_a_gain_a_ratio_and_two_halves_that_agree(monkeypatch, found, clear):
    left = iter(found)
    monkeypatch.setattr(directions, "_best_ratio", lambda *_: next(left))
    places, values = readings(900)
    fit = fit_directions(places, values, FIELD, bearing_deg=10.0, max_distance_m=40.0, bin_m=4.0)
    assert fit.clear == clear
    assert (fit.ratio, fit.gain) == found[0]
    assert fit.variogram.ratio == (found[0][0] if clear else 1.0)
    assert fit.variogram.bearing_deg == (10.0 if clear else 0.0)


def test_halves_with_too_few_pairs_do_not_agree(monkeypatch):
    places, values = readings(900)
    whole = _two_directions(places, values, 0.0, max_distance_m=40.0, bin_m=4.0)
    monkeypatch.setattr(directions, "_best_ratio", lambda *_: (2.0, 0.9))
    monkeypatch.setattr(
        directions, "_two_directions", lambda points, *_, **__: whole if len(points) == 900 else None
    )
    fit = fit_directions(places, values, FIELD, bearing_deg=0.0, max_distance_m=40.0, bin_m=4.0)
    assert not fit.clear
    assert fit.variogram is FIELD


def test_four_lags_of_a_direction_are_enough_and_three_are_not():
    places, values = readings(900)
    seen = set()
    for reach in (16.0, 20.0, 24.0, 28.0):
        lags = [
            experimental_variogram(places, values, max_distance_m=reach, bin_m=4.0, bearing_deg=bearing)
            for bearing in (0.0, 90.0)
        ]
        fewest = min(int(((one.pairs >= 30) & (one.distance_m >= 6.0)).sum()) for one in lags)
        found = _two_directions(places, values, 0.0, max_distance_m=reach, bin_m=4.0)
        assert (found is None) == (fewest < 4)
        seen.add(fewest)
    assert {3, 4} <= seen


def test_lags_of_thirty_pairs_at_six_metres_are_part_of_a_direction(monkeypatch):
    lags = ExperimentalVariogram(np.array([5.9, 6.0, 10.0, 14.0, 18.0, 22.0]), np.arange(6.0),
                                 np.array([99, 30, 99, 29, 30, 99]), 1.0)  # fmt: skip
    monkeypatch.setattr(directions, "experimental_variogram", lambda *_, **__: lags)
    along, across = _two_directions(np.zeros((1, 2)), np.zeros(1), 0.0, max_distance_m=24.0, bin_m=4.0)
    assert along.distance_m.tolist() == across.distance_m.tolist() == [6.0, 10.0, 18.0, 22.0]


def test_a_ratio_gains_nothing_where_nothing_is_amiss(monkeypatch):
    monkeypatch.setattr(directions, "misfit_of", lambda *_: 0.0)
    lags = ExperimentalVariogram(LAGS, FIELD.semivariance(LAGS), np.full(LAGS.size, 500))
    assert _best_ratio(FIELD, (lags, lags))[1] == 0.0


def test_pairs_exactly_as_far_as_the_reach_are_in_the_last_lag():
    """Whatever the rounding: twenty lags, and no twenty-first."""
    for reach in np.random.default_rng(1).uniform(5, 200, 300):
        places = [[0.0, 0.0], [reach, 0.0], [0.0, 0.96 * reach]]  # the third pair is further
        found = experimental_variogram(places, [1.0, 2.0, 4.0], max_distance_m=reach, bin_m=reach / 20)
        assert found.pairs.tolist() == [2]
        assert found.semivariance.tolist() == [(1.0 + 9.0) / 4]


def test_likelihood_of_two_values_and_noise_of_a_point():
    """Two values with one free: variance is half the squared difference over that of a difference."""
    matrix = np.array([[1.0, 0.2], [0.2, 1.0]])
    _, variance = _restricted(matrix, np.array([[1.0, -1.0], [1.0, 1.0]]))
    assert variance == pytest.approx(2.0**2 / (1.0 + 1.0 - 2 * 0.2))
    ends = np.array([[[0.0, 0.0], [30.0, 0.0]]] * 2 + [[[5.0, 5.0], [5.0, 5.0]]])
    assert relative_noise(ends).tolist() == [1.0, 1.0, 300.0]  # a point counts as 0.1 m


def test_of_more_than_four_hundred_stretches_that_many_are_fitted():
    rng = np.random.default_rng(4)
    start = rng.uniform(0, 300, (700, 2))
    ends = np.stack([start, start + np.array([10.0, 0.0])], axis=1)
    values = 10 + np.sin(start[:, 1] / 20) + rng.normal(0, 0.3, 700)
    some = np.linspace(0, 699, 400).round().astype(int)
    assert MOST_FITTED == 400
    assert fit_stretches(ends, values) == fit_stretches(ends[some], values[some])


# ---------------------------------------------------------------- grids and grounds
def test_a_cell_exactly_as_far_as_allowed_has_data_and_half_a_metre_is_a_distance():
    outline = shapely.box(0, 0, 20, 20)
    spec = grid_over(outline, cell_m=4.0, crs="EPSG:3035")
    easting, northing = spec.centres()
    centre = np.array([easting[2, 2], northing[2, 2]])
    options = {"spec": spec, "outline": outline, "variogram": FIELD}
    for reach, count in ((8.0, 13), (7.99, 9), (0.5, 1)):  # cells of 4 m within two of the middle one
        found = krige_grid(centre[None], [7.0], max_distance_m=reach, **options)
        assert np.isfinite(found.mean.values).sum() == count


def test_rows_are_three_metres_apart_unless_told():
    places, values = readings(300)
    outline = shapely.box(0, 0, 60, 60)
    options = {"spec": grid_over(outline, cell_m=10.0, crs="EPSG:3035"), "outline": outline,
               "variogram": Variogram("exponential", 3.0, 4.0, 20.0), "reading_area_m2": 12.0}  # fmt: skip
    usual, told, wide = (krige_grid(places, values, **options, **more).standard_error.values
                         for more in ({}, {"row_spacing_m": 3.0}, {"row_spacing_m": 3.5}))  # fmt: skip
    assert np.array_equal(usual, told)
    assert (wide < usual).all()  # a reading of the same ground is shorter there


def test_small_areas_blocks_and_variances_count_as_large_ones_do():
    split = split_nugget(FIELD, reading_area_m2=0.8, error_variance=0.1)
    assert split.further[0].partial_sill == pytest.approx(0.4)
    small = straddle_variance(0.01, reading_area_m2=0.6, row_spacing_m=3.0, block_m=0.9)
    assert small == pytest.approx(1.5 * 0.01 * 0.6 * 0.2 / (3 * 0.9**3))


def test_readings_of_a_small_plot_have_lags_of_their_own():
    """Sixty centimetres across: twenty lags to half the diagonal."""
    rng = np.random.default_rng(1)
    places = np.concatenate([rng.uniform(0, 0.6, (400, 2)), [[0.0, 0.0], [0.6, 0.6]]])
    found, fit = estimate_variogram(places, rng.normal(size=402))
    assert "noise of the readings" not in fit.note  # none is told
    assert len(found.pairs) == 20
    assert found.distance_m[-1] == pytest.approx(0.3 * np.sqrt(2) * 19.5 / 20, rel=0.02)


def test_area_of_a_reading_counts_its_sixteen_neighbours():
    """By hand: circle through the sixteenth neighbour of each, the median one, over 16.5 readings."""
    places = np.random.default_rng(5).uniform(0, 60, (400, 2))
    reach = np.sort(np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1)), axis=1)[:, 16]
    assert area_of_readings(places) == pytest.approx(np.median(np.pi * reach**2) / 16.5)


# ---------------------------------------------------------------- zones
def test_thinned_readings_are_means_of_near_ones_only():
    """Of the square of the easting less that of the mean there is left what varies within a cell."""
    rng = np.random.default_rng(3)
    places = rng.uniform(0, [300, 200], (4000, 2))
    points, squares, _ = thin_readings(places, places[:, 0] ** 2, np.ones(4000), 100, rng)
    side = np.sqrt(300 * 200 / len(points))
    assert (squares - points[:, 0] ** 2).max() < side**2  # spread of twice a cell at most
    turned, squares, _ = thin_readings(places, places[:, 1] ** 2, np.ones(4000), 100, rng)
    assert (squares - turned[:, 1] ** 2).max() < side**2


def test_readings_of_one_row_are_thinned_along_it():
    row = np.column_stack([np.linspace(0, 500, 3000), np.full(3000, 7.0)])
    points, values, noise = thin_readings(row, row[:, 0], np.ones(3000), 100, np.random.default_rng(2))
    assert 50 <= len(points) <= 100
    assert values == pytest.approx(points[:, 0])
    assert (1 / noise).sum() == pytest.approx(3000)


def test_points_of_a_slender_zone_are_not_far_more_than_asked():
    for zone in (shapely.Polygon([(0, 0), (100, 100), (100, 102), (0, 2)]), shapely.box(0, 0, 200, 1.5)):
        points = points_inside(zone, 100)
        assert 50 <= len(points) <= 400
        reach = cKDTree(points).query(np.array(zone.centroid.coords))[0]
        assert reach[0] < 3.0


def test_a_zone_without_variance_has_none_in_any_unit():
    places, _ = readings()
    for nugget in (0.0, 1e-12):
        line = krige_polygons(
            places, np.full(60, 4.0), [shapely.box(10, 10, 40, 40)], rng=np.random.default_rng(1),
            variogram=Variogram("spherical", nugget, 0.0, 40.0),
        ).iloc[0]  # fmt: skip
        assert line["mean"] == pytest.approx(4.0)
        assert line["standard_error"] == pytest.approx(np.sqrt(nugget / line["readings"]), abs=1e-12)
