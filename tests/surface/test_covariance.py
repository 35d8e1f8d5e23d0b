import numpy as np
import pytest
from scipy.special import gamma, kv

from vinemap.errors import DataError
from vinemap.surface import MODELS, Variogram
from vinemap.surface.covariance import tabulate_covariance


@pytest.mark.parametrize("model", MODELS)
def test_sill_is_nugget_plus_partial_sill(model):
    variogram = Variogram(model, 0.5, 2.0, 10.0)
    assert variogram.semivariance(0.0) == 0.0
    assert variogram.semivariance(1e-9) == pytest.approx(0.5, abs=1e-8)
    assert variogram.semivariance(1e4) == pytest.approx(2.5)
    assert variogram.covariance(0.0) == 2.5


@pytest.mark.parametrize(
    ("model", "smoothness"), [("exponential", 0.5), ("matern_3_2", 1.5), ("matern_5_2", 2.5)]
)
def test_matern_forms_agree_with_the_bessel_form(model, smoothness):
    # Chiles and Delfiner 2012, eq. 2.59: 2^(1-k)/Gamma(k) u^k K_k(u) [M+: recomputed here with scipy].
    u = np.linspace(0.05, 8.0, 40)
    bessel = 2 ** (1 - smoothness) / gamma(smoothness) * u**smoothness * kv(smoothness, u)
    assert Variogram(model, 0.0, 1.0, 3.0).correlation(3.0 * u) == pytest.approx(bessel, rel=1e-10)


@pytest.mark.parametrize("model", MODELS)
def test_table_gives_the_covariance_at_any_distance(model):
    variogram = Variogram(model, 1.0, 4.0, 25.0)
    table, step_m = tabulate_covariance(variogram)
    distance = np.concatenate([np.linspace(0.0, 200.0, 5001), [25.0, 999.0, 1e5]])
    segment = np.minimum((distance / step_m).astype(int), len(table) - 1)
    part = distance / step_m - segment
    looked_up = (table[segment] * part[:, None] ** np.arange(4)).sum(axis=1)
    assert np.abs(looked_up - variogram.structure(distance)).max() < 1e-10 * 4.0


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (("cubic", 0.0, 1.0, 1.0), "'cubic' is not known"),
        (("spherical", -0.1, 1.0, 1.0), "nugget is -0.1"),
        (("spherical", 0.0, float("nan"), 1.0), "partial_sill is nan"),
        (("spherical", 0.0, 1.0, 0.0), "range is 0.0 m"),
    ],
)
def test_refuses_what_is_no_variogram(settings, words):
    with pytest.raises(DataError, match=words):
        Variogram(*settings)
