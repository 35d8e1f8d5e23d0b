import numpy as np
import pytest
from scipy.special import gamma, kv

from vinemap.errors import DataError
from vinemap.surface import MODELS, Structure, Variogram
from vinemap.surface.covariance import kernel_terms
from vinemap.surface.lanes import load, store
from vinemap.surface.neighbours import compiled
from vinemap.surface.systems import covariance_lanes


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


@compiled
def covariance_of(squared, terms, out):
    for j in range(0, squared.shape[1], 8):
        store(out, 0, j, covariance_lanes(load(squared, 0, j), terms))


@pytest.mark.parametrize(
    "further", [(), (Structure("matern_3_2", 1.5, 90.0), Structure("spherical", 0.5, 8.0))]
)
@pytest.mark.parametrize("model", MODELS)
def test_kernels_give_the_covariance_at_any_distance(model, further):
    variogram = Variogram(model, 1.0, 4.0, 25.0, further=further)
    distance = np.concatenate(
        [np.linspace(0.0, 200.0, 5000), [24.99, 25.0, 999.0, 1e5, 1e9, 1e12, 0.0, 1e-9]]
    )
    out = np.empty((1, len(distance)))
    covariance_of(distance[None, :] ** 2, kernel_terms(variogram), out)
    assert np.abs(out[0] - variogram.structure(distance)).max() < 1e-12 * variogram.structured_sill


def test_directions_are_scaled_to_the_range_along_the_bearing():
    variogram = Variogram("exponential", 0.0, 1.0, 40.0, bearing_deg=90.0, ratio=0.25)
    places = np.array([[0.0, 0.0], [8.0, 0.0], [0.0, 8.0]])
    scaled = variogram.scale_places(places)
    along, across = np.hypot(*(scaled[1:] - scaled[0]).T)
    assert (along, across) == pytest.approx((8.0, 32.0))


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (("cubic", 0.0, 1.0, 1.0), "'cubic' is not known"),
        (("spherical", -0.1, 1.0, 1.0), "nugget is -0.1"),
        (("spherical", 0.0, float("nan"), 1.0), "partial_sill is nan"),
        (("spherical", 0.0, 1.0, 0.0), "range is 0.0 m"),
        (("spherical", 0.0, 1.0, 9.0, 0.0, -1.0), "ratio is -1.0"),
        (
            ("spherical", 0.0, 1.0, 9.0, 0.0, 1.0, (Structure("spherical", -3.0, 1.0),)),
            "partial_sill is -3.0",
        ),
    ],
)
def test_refuses_what_is_no_variogram(settings, words):
    with pytest.raises(DataError, match=words):
        Variogram(*settings)


def test_several_structures_add_up_to_the_sill_and_distance_has_no_sign():
    variogram = Variogram("exponential", 0.5, 2.0, 10.0, further=(Structure("spherical", 3.0, 40.0),))
    assert (variogram.structured_sill, variogram.sill) == (5.0, 5.5)
    assert [one.range_m for one in variogram.structures] == [10.0, 40.0]
    at = 2.0 * np.exp(-2.0) + 3.0 * (1 - 1.5 * 0.5 + 0.5 * 0.5**3)
    assert variogram.structure([20.0, -20.0]) == pytest.approx([at, at])
    assert variogram.covariance([0.0, 20.0]) == pytest.approx([5.5, at])
    assert variogram.semivariance([0.0, 20.0, 1e5]) == pytest.approx([0.0, 5.5 - at, 5.5])


@pytest.mark.parametrize("bearing", [0.0, 30.0, 90.0, 210.0])
def test_ground_across_the_bearing_counts_by_the_ratio_whatever_the_bearing(bearing):
    variogram = Variogram("exponential", 0.0, 1.0, 40.0, bearing_deg=bearing, ratio=0.5)
    turn = np.deg2rad(bearing)
    along, across = np.array([np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), -np.sin(turn)])
    scaled = variogram.scale_places(np.stack([7.0 * along, 7.0 * across, 3 * along + 4 * across]))
    assert np.hypot(*scaled.T) == pytest.approx([7.0, 14.0, np.hypot(3.0, 8.0)])
    same = Variogram("exponential", 0.0, 1.0, 40.0, bearing_deg=bearing)
    assert same.scale_places(scaled) is scaled


@pytest.mark.parametrize(
    "change",
    [
        {"ratio": float("inf")}, {"ratio": 0.0}, {"bearing_deg": float("nan")}, {"nugget": float("inf")},
        {"range_m": float("inf")}, {"range_m": -1.0},
    ],
)  # fmt: skip
def test_every_number_of_a_variogram_must_be_one(change):
    with pytest.raises(DataError, match="Variogram"):
        Variogram(**({"model": "spherical", "nugget": 0.0, "partial_sill": 1.0, "range_m": 9.0} | change))
    assert Variogram("spherical", 0.0, 0.0, 9.0).sill == 0.0
