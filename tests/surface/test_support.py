import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from vinemap.errors import DataError
from vinemap.surface import MODELS, Variogram, discretise_block, mean_covariance
from vinemap.surface.support import tabulate_block


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
    exact = tabulate_block(long, 1.0)[3]
    assert (1.0 - exact) * 1e6 / 1.5 == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("ratio", [1.0, 0.4])
@pytest.mark.parametrize("model", MODELS)
def test_table_of_a_block_is_the_mean_covariance_with_it(model, ratio):
    variogram = Variogram(model, 0.0, 1.0, 12.0, bearing_deg=90.0, ratio=ratio)
    points, weights = discretise_block(10.0, 160)
    table, per_column, per_row, _ = tabulate_block(variogram, 10.0)
    for east, north in [(0.0, 0.0), (3.1, 1.7), (5.0, 5.0), (4.9, 0.1), (9.0, 14.0)]:
        gap = variogram.scale_places(points + np.array([east, north]))
        dense = variogram.structure(np.hypot(*gap.T)) @ weights
        column, row = east * per_column, north / ratio * per_row
        found = map_coordinates(table, [[row + 1], [column + 1]], order=3, mode="nearest")[0]
        assert found == pytest.approx(dense, abs=3e-4)


@pytest.mark.parametrize(
    ("settings", "words"),
    [((-1.0, 4), "side is -1.0 m"), ((10.0, 0), "0 points per side"), ((10.0, 4, "simpson"), "'simpson'")],
)
def test_refuses_impossible_blocks(settings, words):
    with pytest.raises(DataError, match=words):
        discretise_block(*settings)


@pytest.mark.parametrize("ratio", [1.0, 0.4])
@pytest.mark.parametrize("model", MODELS)
def test_covariance_within_a_block_is_that_of_many_points(model, ratio):
    variogram = Variogram(model, 0.7, 2.0, 9.0, bearing_deg=90.0, ratio=ratio)
    points, weights = discretise_block(10.0, 30, "gauss")
    assert tabulate_block(variogram, 10.0)[3] == pytest.approx(
        mean_covariance(variogram, points, weights), rel=1e-3
    )


def test_table_reaches_two_and_a_half_blocks_beyond_the_centre():
    table, per_column, per_row, _ = tabulate_block(Variogram("exponential", 0.0, 1.0, 12.0), 8.0)
    assert per_column == per_row == 4.0  # sixteen steps to half a block of 8 m
    assert 2.5 * 8.0 * per_column <= len(table) - 4 < 2.5 * 8.0 * per_column + 2
    assert table.shape[0] == table.shape[1]
    assert table[0] == pytest.approx(table[2], rel=1e-9)  # a step to either side of the centre
    assert (np.diff(table[1, 1:]) < 0).all()
    squeezed = tabulate_block(Variogram("exponential", 0.0, 1.0, 12.0, ratio=0.5), 8.0)
    assert (squeezed[1], squeezed[2]) == (4.0, 2.0)


def test_a_block_without_size_is_its_centre_and_nodes_are_row_by_row():
    offsets, weights = discretise_block(0.0, 4)
    assert offsets.tolist() == [[0.0, 0.0]]
    assert weights.tolist() == [1.0]
    offsets, weights = discretise_block(6.0, 3)
    assert offsets[:4].tolist() == [[-2.0, -2.0], [0.0, -2.0], [2.0, -2.0], [-2.0, 0.0]]
    assert weights == pytest.approx(np.full(9, 1 / 9))
    assert discretise_block(6.0, 1)[0].tolist() == [[0.0, 0.0]]
    exact, shares = discretise_block(6.0, 3, "exact")
    assert exact.tolist() == discretise_block(6.0, 3, "gauss")[0].tolist()
    assert shares.max() == pytest.approx((4 / 9) ** 2)  # eight ninths of two, halved
    with pytest.raises(DataError, match="side is inf m"):
        discretise_block(float("inf"))
