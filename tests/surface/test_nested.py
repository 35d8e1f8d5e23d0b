"""A second structure is fitted where it is there, and only there."""

import numpy as np
import pytest

from vinemap.surface import (
    ExperimentalVariogram,
    Structure,
    Variogram,
    fit_nested_variogram,
    fit_variogram,
)
from vinemap.surface.nested import _fit_sills

H = np.arange(2.5, 150.0, 5.0)


def of(variogram, pairs=1000):
    return ExperimentalVariogram(H, variogram.semivariance(H), np.full(H.size, pairs))


@pytest.mark.parametrize("model", ["exponential", "spherical"])
def test_two_structures_are_recovered(model):
    short, long = (6.0, 60.0) if model == "exponential" else (15.0, 120.0)
    truth = Variogram(model, 1.0, 2.0, short, further=(Structure(model, 3.0, long),))
    fit = fit_nested_variogram(of(truth), model=model)
    first, second = fit.variogram.structures
    assert not fit.fallback
    assert fit.variogram.semivariance(H) == pytest.approx(truth.semivariance(H), rel=0.02)
    assert first.range_m == pytest.approx(short, rel=0.4)
    assert second.range_m == pytest.approx(long, rel=0.4)


def test_one_structure_stays_one_and_says_so():
    noisy = Variogram("exponential", 1.0, 4.0, 30.0).semivariance(H)
    noisy = noisy * np.random.default_rng(2).normal(1.0, 0.02, H.size)
    fit = fit_nested_variogram(ExperimentalVariogram(H, noisy, np.full(H.size, 1000)))
    assert len(fit.variogram.structures) == 1
    assert "A second structure would not fit much better." in fit.note


@pytest.mark.parametrize("lags", [0, 5])
def test_few_lags_fall_back(lags):
    few = ExperimentalVariogram(H[:lags], np.ones(lags), np.full(lags, 50), variance=1.0)
    assert "A second structure was not tried." in fit_nested_variogram(few).note


def test_sills_of_given_ranges_are_the_least_squares():
    truth = Variogram("exponential", 1.0, 2.0, 6.0, further=(Structure("exponential", 3.0, 60.0),))
    weight = np.sqrt(1000.0) / H
    misfit, found = _fit_sills("exponential", (6.0, 60.0), H, truth.semivariance(H), weight)
    assert misfit == pytest.approx(0.0, abs=1e-20)
    assert (found.nugget, found.partial_sill, found.further[0].partial_sill) == pytest.approx((1.0, 2.0, 3.0))
    assert (found.range_m, found.further[0].range_m) == (6.0, 60.0)
    misfit, found = _fit_sills("exponential", (9.0, 50.0), H, truth.semivariance(H), weight)
    rest = truth.semivariance(H) - found.semivariance(H)
    assert misfit == pytest.approx(weight**2 @ rest**2 / (weight**2 @ truth.semivariance(H) ** 2))


def test_a_second_structure_must_take_away_half_of_the_misfit():
    truth = Variogram("exponential", 1.0, 2.0, 6.0, further=(Structure("exponential", 3.0, 60.0),))
    fit = fit_nested_variogram(of(truth))
    single = fit_variogram(of(truth), models=("exponential",))
    assert fit.misfit < 0.5 * single.misfit
    first, second = fit.variogram.structures
    assert second.range_m >= 2.5 * first.range_m
    share = 100 * fit.variogram.nugget / fit.variogram.sill
    assert fit.note == (
        f"Two structures, exponential, range parameters {first.range_m:.1f} and {second.range_m:.1f} m, "
        f"nugget {share:.0f} % of the sill."
    )
    rough = of(truth)
    wild = rough.semivariance * np.random.default_rng(1).normal(1.0, 0.3, H.size)  # scatter hides the second
    told = fit_nested_variogram(ExperimentalVariogram(H, wild, rough.pairs))
    assert len(told.variogram.structures) == 1


@pytest.mark.parametrize(
    ("lags", "pairs", "tried"), [(7, 1000, False), (8, 1000, True), (8, 29, False), (8, 30, True)]
)
def test_eight_lags_of_thirty_pairs_are_needed(lags, pairs, tried):
    truth = Variogram("exponential", 1.0, 2.0, 6.0, further=(Structure("exponential", 3.0, 40.0),))
    h = np.linspace(2.5, 150.0, 12)
    counted = np.where(np.arange(12) < lags, pairs, 10)
    fit = fit_nested_variogram(ExperimentalVariogram(h, truth.semivariance(h), counted))
    assert ("was not tried" not in fit.note) == tried
