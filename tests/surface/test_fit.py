import numpy as np
import pytest

from vinemap.errors import DataError
from vinemap.surface import MODELS, ExperimentalVariogram, Variogram, experimental_variogram, fit_variogram

LAGS = np.arange(5.0, 105.0, 5.0)


def exactly(variogram, pairs=1000):
    return ExperimentalVariogram(
        LAGS, variogram.semivariance(LAGS), np.full(LAGS.size, pairs), variogram.sill
    )


def test_meuse_spherical_as_gstat_fits_it(meuse):
    # Handbook 6 [S]: nugget 0.05066, partial sill 0.59061, range 897.02 (gstat stops iterating near there).
    places, zinc = meuse
    cutoff = np.hypot(*np.ptp(places, axis=0)) / 3
    found = experimental_variogram(places, np.log(zinc), max_distance_m=cutoff, bin_m=cutoff / 15)
    fit = fit_variogram(found, models=("spherical",))
    assert fit.variogram.nugget == pytest.approx(0.05066, abs=6e-6)
    assert fit.variogram.partial_sill == pytest.approx(0.59061, abs=1e-5)
    assert fit.variogram.range_m == pytest.approx(897.02, abs=0.03)
    assert not fit.fallback


@pytest.mark.parametrize("model", MODELS)
def test_recovers_the_model_it_was_made_from(model):
    truth = Variogram(model, 1.5, 3.0, 18.0)
    fit = fit_variogram(exactly(truth), models=MODELS)
    assert fit.variogram.model == model
    got = (fit.variogram.nugget, fit.variogram.partial_sill, fit.variogram.range_m)
    assert got == pytest.approx((1.5, 3.0, 18.0), rel=1e-4)
    assert not fit.fallback
    assert "nugget 33 % of the sill" in fit.note


def test_never_negative():
    semivariance = np.maximum(0.02 * LAGS - 0.5, 0.0)
    fit = fit_variogram(ExperimentalVariogram(LAGS, semivariance, np.full(LAGS.size, 500)))
    assert fit.variogram.nugget == 0.0
    assert fit.variogram.partial_sill > 0


@pytest.mark.parametrize(
    ("experimental", "words", "nugget"),
    [
        (
            exactly(Variogram("exponential", 2.0, 0.0, 20.0)),
            "No spatial structure up to 100 m: pure nugget",
            2.0,
        ),
        (exactly(Variogram("exponential", 2.0, 4.0, 20.0), pairs=3), "Too few pairs", 6.0),
        (
            ExperimentalVariogram(LAGS, 2.0 - 0.01 * LAGS, np.full(LAGS.size, 50)),
            "No spatial structure",
            None,
        ),
        (ExperimentalVariogram(LAGS, 0.0 * LAGS, np.full(LAGS.size, 50)), "All readings are the same", 0.0),
        (ExperimentalVariogram(LAGS, 1 + 0.1 * LAGS, np.full(LAGS.size, 50)), "upper bound of 300 m", None),
    ],
    ids=["no structure", "few pairs", "falling", "constant", "still rising"],
)
def test_fallbacks_say_so(experimental, words, nugget):
    fit = fit_variogram(experimental)
    assert words in fit.note
    assert fit.fallback
    if nugget is not None:
        assert fit.variogram.nugget == pytest.approx(nugget)


def test_no_pairs_at_all():
    nothing = ExperimentalVariogram(np.empty(0), np.empty(0), np.empty(0, np.int64), 0.0)
    assert fit_variogram(nothing).variogram.sill == 0.0


def test_refuses_unknown_models():
    with pytest.raises(DataError, match="cubic"):
        fit_variogram(exactly(Variogram("exponential", 1.0, 1.0, 9.0)), models=("cubic",))
