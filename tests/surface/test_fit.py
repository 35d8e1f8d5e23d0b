import numpy as np
import pytest
from scipy.optimize import curve_fit, nnls

from vinemap.errors import DataError
from vinemap.surface import MODELS, ExperimentalVariogram, Variogram, experimental_variogram, fit_variogram
from vinemap.surface.fit import _sills, fit_range, misfit_of

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


def noisy(variogram, seed=0, share=0.05):
    gamma = variogram.semivariance(LAGS) * np.random.default_rng(seed).normal(1.0, share, LAGS.size)
    return ExperimentalVariogram(LAGS, gamma, np.linspace(400, 4000, LAGS.size).astype(int), variogram.sill)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_fit_is_the_weighted_least_squares_of_scipy(seed):
    found = noisy(Variogram("exponential", 2.0, 4.0, 25.0), seed)
    fit = fit_variogram(found, models=("exponential",))
    weight = found.pairs / found.distance_m**2  # pairs over distance squared
    numbers, _ = curve_fit(
        lambda h, nugget, sill, reach: nugget + sill * (1 - np.exp(-h / reach)),
        found.distance_m, found.semivariance, p0=[1.0, 5.0, 30.0], sigma=1 / np.sqrt(weight),
    )  # fmt: skip
    got = (fit.variogram.nugget, fit.variogram.partial_sill, fit.variogram.range_m)
    assert got == pytest.approx(numbers, rel=1e-3)
    rest = found.semivariance - fit.variogram.semivariance(LAGS)
    assert fit.misfit == pytest.approx(weight @ rest**2 / (weight @ found.semivariance**2))


@pytest.mark.parametrize(
    "gamma",
    [2 + 0.03 * LAGS, np.maximum(0.02 * LAGS - 0.4, 0.0), 4 - 0.02 * LAGS, np.full(20, 3.0)],
    ids=["both", "no nugget", "no structure", "flat"],
)
def test_sills_are_the_non_negative_least_squares(gamma):
    weight = 1000.0 / LAGS**2
    rise = 1.0 - np.exp(-LAGS / 40.0)
    columns = np.column_stack([np.ones(LAGS.size), rise]) * np.sqrt(weight)[:, None]
    wanted, rest = nnls(columns, gamma * np.sqrt(weight))
    error, nugget, partial = _sills("exponential", 40.0, LAGS, gamma, weight)
    assert (nugget, partial) == pytest.approx(wanted, abs=1e-9)
    assert error == pytest.approx(rest**2 / (weight @ gamma**2), abs=1e-12)


def test_of_several_models_the_one_that_fits_best_is_kept():
    found = noisy(Variogram("spherical", 1.0, 4.0, 60.0), share=0.01)
    alone = {model: fit_variogram(found, models=(model,)).misfit for model in MODELS}
    best = fit_variogram(found, models=MODELS)
    assert best.misfit == min(alone.values())
    assert best.variogram.model == "spherical"
    with pytest.raises(DataError, match="cannot be fitted"):
        fit_variogram(found, models=())


@pytest.mark.parametrize(("lags", "pairs", "fitted"), [(3, 30, False), (4, 30, True), (4, 29, False)])
def test_four_lags_of_thirty_pairs_are_needed(lags, pairs, fitted):
    truth = Variogram("exponential", 1.0, 3.0, 20.0)
    few = ExperimentalVariogram(
        LAGS, truth.semivariance(LAGS), np.where(np.arange(LAGS.size) < lags, pairs, 29), 4.5
    )
    fit = fit_variogram(few)
    assert ("Too few pairs" in fit.note) != fitted
    if not fitted:
        assert f"({lags if pairs >= 30 else 0} lags with at least 30 pairs, 4 needed)" in fit.note
        assert (fit.variogram.nugget, fit.variogram.partial_sill) == (4.5, 0.0)
        assert fit.variogram.range_m == 100.0
        assert fit.fallback


def test_lags_of_few_pairs_have_no_say():
    truth = Variogram("exponential", 1.0, 3.0, 20.0)
    gamma, pairs = truth.semivariance(LAGS), np.full(LAGS.size, 500)
    gamma[[3, 9]], pairs[[3, 9]] = 99.0, 29
    fit = fit_variogram(ExperimentalVariogram(LAGS, gamma, pairs), models=("exponential",))
    assert fit.variogram.range_m == pytest.approx(20.0, rel=1e-3)


def test_without_a_variance_few_pairs_give_their_mean():
    few = ExperimentalVariogram(np.array([4.0, 8.0]), np.array([1.0, 3.0]), np.array([10, 20]))
    fit = fit_variogram(few)
    assert fit.variogram.nugget == pytest.approx(7.0 / 3.0)
    assert fit.variogram.range_m == 8.0
    assert np.isnan(fit.misfit)
    nothing = fit_variogram(ExperimentalVariogram(np.empty(0), np.empty(0), np.empty(0, dtype=np.int64)))
    assert (nothing.variogram.sill, nothing.variogram.range_m) == (0.0, 1.0)


@pytest.mark.parametrize(("share", "told"), [(0.004, True), (0.03, False)])
def test_a_hundredth_of_the_sill_is_no_structure(share, told):
    fit = fit_variogram(exactly(Variogram("exponential", 1.0 - share, share, 15.0)), models=("exponential",))
    assert ("No spatial structure" in fit.note) == told
    if told:
        weight = 1.0 / LAGS**2
        level = weight @ Variogram("exponential", 1.0 - share, share, 15.0).semivariance(LAGS) / weight.sum()
        assert fit.variogram.nugget == pytest.approx(level)


def test_a_range_at_a_bound_is_kept_and_said():
    short = fit_variogram(exactly(Variogram("exponential", 0.0, 3.0, 1.6)), models=("exponential",))
    assert "lower bound of 2.5 m: structure is shorter than the lags" in short.note
    assert short.fallback
    assert short.variogram.range_m == pytest.approx(2.5, rel=0.02)
    long = fit_variogram(
        ExperimentalVariogram(LAGS, 1 + 0.1 * LAGS, np.full(20, 500)), models=("exponential",)
    )
    assert long.variogram.range_m == pytest.approx(300.0, rel=0.02)
    within = fit_variogram(exactly(Variogram("exponential", 1.0, 3.0, 280.0)), models=("exponential",))
    assert not within.fallback


def test_the_note_names_model_range_and_nugget():
    fit = fit_variogram(exactly(Variogram("matern_5_2", 1.0, 3.0, 12.0)), models=("matern_5_2",))
    assert fit.note == "Matern 5/2, range parameter 12.0 m, nugget 25 % of the sill."
    fit = fit_variogram(exactly(Variogram("spherical", 0.0, 3.0, 62.0)), models=("spherical",))
    assert fit.note == "Spherical, range parameter 62.0 m, nugget 0 % of the sill."


@pytest.mark.parametrize("range_m", [6.0, 20.0, 120.0])
def test_the_quick_misfit_is_near_that_of_the_fit_and_never_below(range_m):
    found = noisy(Variogram("exponential", 1.0, 3.0, range_m), 4)
    weight = found.pairs / found.distance_m**2
    best, _ = fit_range("exponential", found.distance_m, found.semivariance, weight)
    quick = misfit_of("exponential", found.distance_m, found.semivariance, weight)
    assert best <= quick <= 1.1 * best + 1e-5


@pytest.mark.parametrize("unit", [1e-3, 1e4])
@pytest.mark.parametrize("share", [0.004, 0.03, 0.6])
def test_a_fit_does_not_depend_on_the_unit_of_the_values(unit, share):
    truth = Variogram("exponential", 1.0 - share, share, 15.0).semivariance(LAGS)
    one, other = (
        fit_variogram(ExperimentalVariogram(LAGS, times * truth, np.full(20, 500)), models=("exponential",))
        for times in (1.0, unit)
    )
    assert other.note == one.note
    assert other.fallback == one.fallback
    assert other.misfit == pytest.approx(one.misfit, abs=1e-12)
    assert other.variogram.sill == pytest.approx(unit * one.variogram.sill)
