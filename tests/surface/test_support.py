import numpy as np
import pytest

from vinemap.errors import DataError
from vinemap.surface import Variogram, discretise_block, mean_covariance


@pytest.mark.parametrize("quadrature", ["regular", "gauss"])
def test_weights_sum_to_one_and_points_are_centred(quadrature):
    offsets, weights = discretise_block(10.0, 4, quadrature)
    assert offsets.shape == (16, 2)
    assert weights.sum() == pytest.approx(1.0)
    assert weights @ offsets == pytest.approx(0.0, abs=1e-12)
    assert np.abs(offsets).max() < 5.0


def test_gauss_nodes_as_published():
    # Abramowitz and Stegun, table 25.4, n = 4: x = 0.861136311594053, w = 0.347854845137454 [M+].
    offsets, weights = discretise_block(2.0, 4, "gauss")
    assert offsets[0] == pytest.approx(-0.861136311594053, rel=1e-12)
    assert weights[0] == pytest.approx((0.347854845137454 / 2) ** 2, rel=1e-12)


def test_mean_covariance_of_a_square_converges_to_the_integral():
    # Mean distance in a unit square: 0.5214054331647 (2 + sqrt 2 + 5 ln(1 + sqrt 2)) / 15 [M+].
    expected = (2 + np.sqrt(2) + 5 * np.log(1 + np.sqrt(2))) / 15
    long = Variogram("spherical", 3.0, 1.0, 1e6)  # linear over the block: 1 - 1.5 h / range
    points, weights = discretise_block(1.0, 20)
    within = mean_covariance(long, points, weights)
    assert (1.0 - within) * 1e6 / 1.5 == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize(
    ("settings", "words"),
    [((-1.0, 4), "side is -1.0 m"), ((10.0, 0), "0 points per side"), ((10.0, 4, "simpson"), "'simpson'")],
)
def test_refuses_impossible_blocks(settings, words):
    with pytest.raises(DataError, match=words):
        discretise_block(*settings)
