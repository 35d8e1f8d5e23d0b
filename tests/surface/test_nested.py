"""A second structure is fitted where it is there, and only there."""

import numpy as np
import pytest

from vinemap.surface import ExperimentalVariogram, Structure, Variogram, fit_nested_variogram

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
