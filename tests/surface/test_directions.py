"""Directions are taken where readings show them, and only there."""

import numpy as np
import pytest
import shapely

from vinemap.land import grid_over
from vinemap.surface import (
    ExperimentalVariogram,
    Variogram,
    estimate_variogram,
    experimental_variogram,
    krige_grid,
)
from vinemap.surface.directions import (
    _best_ratio,
    _beyond,
    _halves,
    _scaled,
    _two_directions,
    fit_directions,
)


def places_of_rows(bearing_deg):
    along, across = np.meshgrid(np.arange(0.0, 120, 4.0), np.arange(0.0, 105, 3.0))
    turn = np.deg2rad(bearing_deg)
    to_ground = np.array([[np.sin(turn), np.cos(turn)], [np.cos(turn), -np.sin(turn)]])
    return np.column_stack([along.ravel(), across.ravel()]) @ to_ground


def draw(variogram, places, rng, fields=1):
    scaled = variogram.scale_places(places)
    step = scaled[:, None] - scaled[None]
    covariance = variogram.structure(np.hypot(step[..., 0], step[..., 1]))
    root = np.linalg.cholesky(covariance + 1e-8 * np.eye(len(places)))
    drawn = root @ rng.normal(size=(len(places), fields)) + rng.normal(0, 0.7, (len(places), fields))
    return 12 + drawn.T


@pytest.mark.parametrize("ratio", [0.25, 3.0])
def test_a_clear_ratio_is_recovered(ratio):
    truth = Variogram("exponential", 0.5, 4.0, 12.0 / min(ratio, 1.0) ** 0.5, bearing_deg=35.0, ratio=ratio)
    places = places_of_rows(35.0)
    values = draw(truth, places, np.random.default_rng(3))[0]
    fit = estimate_variogram(places, values, bearing_deg=35.0)[1]
    assert fit.variogram.bearing_deg == 35.0
    assert np.log(fit.variogram.ratio) == pytest.approx(np.log(ratio), abs=0.7)
    assert "Along the rows the range parameter is" in fit.note
    outline = shapely.MultiPoint(places).convex_hull
    spec = grid_over(outline, cell_m=8.0, crs="EPSG:3035")
    surface = krige_grid(places, values, spec=spec, outline=outline, bearing_deg=35.0)
    assert surface.variogram == fit.variogram
    assert np.isfinite(surface.standard_error.values).any()


def test_the_same_in_all_directions_is_left_so():
    truth = Variogram("exponential", 0.5, 4.0, 15.0)
    places = places_of_rows(0.0)
    fields = draw(truth, places, np.random.default_rng(4), fields=5)
    taken = [estimate_variogram(places, field, bearing_deg=0.0)[1] for field in fields]
    assert sum(one.variogram.ratio != 1.0 for one in taken) == 0


def test_too_few_readings_keep_all_directions_together():
    rng = np.random.default_rng(1)
    places = rng.uniform(0, 60, (25, 2))
    fit = estimate_variogram(places, rng.normal(10, 1, 25), bearing_deg=0.0)[1]
    assert fit.variogram.ratio == 1.0


def test_readings_of_one_row_say_nothing_across_it():
    places = np.column_stack([np.zeros(400), np.arange(400.0)])
    start = Variogram("exponential", 1.0, 4.0, 20.0)
    values = np.random.default_rng(2).normal(size=400)
    fit = fit_directions(places, values, start, bearing_deg=0.0, max_distance_m=60.0, bin_m=4.0)
    assert not fit.clear
    assert fit.variogram is start
    assert np.isnan(fit.ratio)


def lags_of(variogram, along=True, pairs=500):
    h = np.arange(8.0, 60.0, 4.0)
    scaled = h if along else h / variogram.ratio
    plain = Variogram(variogram.model, variogram.nugget, variogram.partial_sill, variogram.range_m)
    return ExperimentalVariogram(h, plain.semivariance(scaled), np.full(h.size, pairs), plain.sill)


@pytest.mark.parametrize("ratio", [0.25, 0.6, 1.0, 2.0, 4.0])
def test_ratio_of_exact_variograms_is_given_back(ratio):
    truth = Variogram("exponential", 0.5, 4.0, 20.0, ratio=ratio)
    found, gain = _best_ratio(truth, (lags_of(truth), lags_of(truth, along=False)))
    assert np.log(found) == pytest.approx(np.log(ratio), abs=0.07)  # half a step of those tried
    assert gain > 0.9 if ratio != 1.0 else gain == pytest.approx(0.0, abs=0.05)


def test_scaled_lags_keep_the_weights_of_their_own_distances():
    truth = Variogram("exponential", 0.5, 4.0, 20.0, ratio=0.5)
    along, across = lags_of(truth, pairs=400), lags_of(truth, along=False, pairs=900)
    distance, gamma, weight = _scaled((along, across), 0.5)
    count = len(along.distance_m)
    assert distance.tolist() == [*along.distance_m, *(2.0 * across.distance_m)]
    assert gamma.tolist() == [*along.semivariance, *across.semivariance]
    assert weight[count:] == pytest.approx(900 / across.distance_m**2)
    assert weight[:count] == pytest.approx(400 / along.distance_m**2)


@pytest.mark.parametrize(
    ("ratio", "beyond"), [(1.3, False), (1.45, True), (0.77, False), (0.69, True), (1.0, False)]
)
def test_a_ratio_counts_from_one_and_four_tenths_or_its_inverse(ratio, beyond):
    assert _beyond(ratio) == beyond


def test_a_block_is_halved_in_the_middle_of_its_longer_side():
    points = np.column_stack([np.arange(10.0), 3.0 * np.arange(10.0)[::-1]])
    low, high = _halves(points)
    assert low.tolist() == [False] * 5 + [True] * 5
    assert (low ^ high).all()
    wide = np.column_stack([np.arange(10.0) * 5, np.zeros(10)])
    assert _halves(wide)[0].tolist() == [True] * 5 + [False] * 5


def test_lags_of_few_pairs_or_nearer_than_six_metres_are_no_part_of_a_direction():
    places = places_of_rows(0.0)
    values = np.random.default_rng(1).normal(size=len(places))
    along, across = _two_directions(places, values, 0.0, max_distance_m=60.0, bin_m=4.0)
    for one in (along, across):
        assert one.distance_m.min() >= 6.0
        assert one.pairs.min() >= 30
    every = experimental_variogram(
        places, values, max_distance_m=60.0, bin_m=4.0, bearing_deg=90.0, tolerance_deg=22.5
    )
    used = (every.pairs >= 30) & (every.distance_m >= 6.0)
    assert across.semivariance.tolist() == every.semivariance[used].tolist()
    few = places[:: len(places) // 30]
    assert _two_directions(few, values[: len(few)], 0.0, max_distance_m=60.0, bin_m=4.0) is None


def test_a_pattern_of_one_half_of_a_block_is_not_clear():
    rng = np.random.default_rng(6)
    places = rng.uniform(0, [400, 150], (3000, 2))
    east = 3 * np.sin(places[:, 0] / 8)
    north = 3 * np.sin(places[:, 1] / 8)
    start = Variogram("spherical", 1.0, 4.0, 20.0)
    lags = {"bearing_deg": 0.0, "max_distance_m": 60.0, "bin_m": 4.0}
    noise = rng.normal(0, 1, 3000)
    whole = fit_directions(places, east + noise, start, **lags)
    assert whole.clear
    assert whole.ratio < 1 / 1.4
    assert 0.25 <= whole.gain <= 1.0
    assert whole.variogram.bearing_deg == 0.0
    assert whole.variogram.ratio == whole.ratio
    other = fit_directions(places, np.where(places[:, 0] < 200, 2 * east, north) + noise, start, **lags)
    assert not other.clear
    assert other.variogram is start
