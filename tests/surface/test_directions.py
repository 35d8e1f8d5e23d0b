"""Directions are taken where readings show them, and only there."""

import numpy as np
import pytest
import shapely

from vinemap.land import grid_over
from vinemap.surface import Variogram, estimate_variogram, krige_grid
from vinemap.surface.directions import fit_directions


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
