"""Stretches keep their length as support: limits, and known fields recovered with honest errors."""

import numpy as np
import pytest

from vinemap.errors import DataError
from vinemap.surface import LocalBlockKriging, Variogram, krige_stretches
from vinemap.surface.stretches import check_ends, lay_spots, stretch_shares

FIELD = Variogram("exponential", 0.2, 4.0, 25.0)


def test_stretches_without_length_are_points():
    rng = np.random.default_rng(3)
    places, values, cells = rng.uniform(0, 60, (30, 2)), rng.normal(10, 2, 30), rng.uniform(5, 55, (5, 2))
    ends = np.stack([places, places], axis=1)
    mean, error = krige_stretches(ends, values, cells, variogram=FIELD)
    plain = LocalBlockKriging(FIELD, quadrature="gauss").fit(places, values).predict(cells, return_std=True)
    assert mean == pytest.approx(plain[0], rel=1e-9)
    assert error == pytest.approx(plain[1], rel=1e-8)


def test_known_field_of_row_panels_is_recovered_better_than_from_their_middles(draw_field):
    rng = np.random.default_rng(7)
    fine = np.stack(np.meshgrid(np.arange(0.5, 60), np.arange(1.5, 30, 3.0)), -1).reshape(
        -1, 2
    )  # places of rows
    panels = fine.reshape(10, 3, 20, 2)  # three panels of 20 m on each of ten rows
    ends = panels[:, :, [0, -1]].reshape(-1, 2, 2) + np.array([[-0.5, 0.0], [0.5, 0.0]])
    fields = draw_field(FIELD, fine, 200, rng)
    values = fields.reshape(200, 30, 20).mean(axis=2) + rng.normal(0, np.sqrt(FIELD.nugget), (200, 30))
    inside = (np.abs(fine - [25.0, 15.0]) <= 5.0).all(axis=1)
    truth = fields[:, inside].mean(axis=1)
    off, plain = [], []
    for one, true in zip(values, truth, strict=True):
        mean, error = krige_stretches(ends, one, [[25.0, 15.0]], variogram=FIELD)
        middle = LocalBlockKriging(FIELD).fit(ends.mean(axis=1), one).predict([[25.0, 15.0]])
        off.append((mean[0] - true) / error[0])
        plain.append((middle[0] - true) / error[0])
    assert np.mean(np.abs(off) <= 1.645) == pytest.approx(0.9, abs=0.06)
    assert np.std(off) < np.std(plain)


def test_refusals_say_what_is_wrong():
    with pytest.raises(DataError, match=r"Ends of stretches have shape \(3, 2\)"):
        krige_stretches(np.zeros((3, 2)), [1.0, 2.0, 3.0], [[0.0, 0.0]], variogram=FIELD)
    twice = np.tile([[0.0, 0.0], [20.0, 0.0]], (2, 1, 1))
    with pytest.raises(DataError, match="Two stretches are one and the same"):
        krige_stretches(twice, [1.0, 2.0], [[0.0, 0.0]], variogram=Variogram("spherical", 0.0, 1.0, 30.0))


def dense(ends, values, block, variogram, noise):
    """Ordinary kriging with the multiplier, every mean a sum over many places of the stretches."""
    share = (np.arange(80) + 0.5) / 80
    spots = ends[:, None, 0] + share[:, None] * (ends[:, None, 1] - ends[:, None, 0])

    def mean(one, other):
        one, other = variogram.scale_places(one), variogram.scale_places(other)
        step = one[:, None] - other[None]
        return variogram.structure(np.hypot(step[..., 0], step[..., 1])).mean()

    size = len(values)
    system = np.ones((size + 1, size + 1))
    for a in range(size):
        for b in range(size):
            system[a, b] = mean(spots[a], spots[b]) + (noise[a] if a == b else 0.0)
    system[size, size] = 0.0
    right = np.append([mean(one, block) for one in spots], 1.0)
    weight = np.linalg.solve(system, right)
    return weight[:size] @ values, np.sqrt(mean(block, block) - weight @ right)


@pytest.mark.parametrize("ratio", [1.0, 0.5])
def test_stretches_are_kriged_as_by_the_textbook(ratio):
    field = Variogram("exponential", 0.3, 4.0, 25.0, bearing_deg=90.0, ratio=ratio)
    rng = np.random.default_rng(5)
    start = rng.uniform(0, 60, (9, 2))
    ends = np.stack([start, start + np.column_stack([rng.uniform(5, 40, 9), np.zeros(9)])], axis=1)
    values, noise = rng.normal(10, 2, 9), rng.uniform(0.1, 1.0, 9)
    mean, error = krige_stretches(
        ends, values, [[30.0, 30.0]], variogram=field, noise_variance=noise, block_m=12.0
    )
    side = (np.arange(24) + 0.5) / 24 * 12.0 + 24.0
    block = np.stack(np.meshgrid(side, side), -1).reshape(-1, 2)
    expected = dense(ends, values, block, field, noise + 0.3)
    assert mean[0] == pytest.approx(expected[0], rel=2e-3)
    assert error[0] == pytest.approx(expected[1], rel=0.04)


def test_many_blocks_are_those_of_one_at_a_time():
    rng = np.random.default_rng(6)
    start = rng.uniform(0, 60, (6, 2))
    ends, values = np.stack([start, start + np.array([20.0, 0.0])], axis=1), rng.normal(10, 2, 6)
    cells = rng.uniform(0, 60, (1203, 2))
    mean, error = krige_stretches(ends, values, cells, variogram=FIELD)
    for at in (0, 499, 500, 501, 1000, 1202):
        one = krige_stretches(ends, values, cells[at : at + 1], variogram=FIELD)
        assert (mean[at], error[at]) == pytest.approx((one[0][0], one[1][0]))


def test_fifteen_hundred_stretches_are_let_in_and_one_more_is_not():
    assert len(check_ends(np.zeros((1500, 2, 2)))) == 1500
    with pytest.raises(DataError, match="of 1500 stretches at most"):
        check_ends(np.zeros((1501, 2, 2)))
    for shape in ((3, 2, 3), (3, 3, 2), (2, 2)):
        with pytest.raises(DataError, match="Ends of stretches have shape"):
            check_ends(np.zeros(shape))


def test_places_that_stand_for_a_stretch_integrate_along_it():
    lines = np.array([[[10.0, 5.0], [70.0, 45.0]]])
    spots, shares = lay_spots(lines)[0], stretch_shares()
    assert shares.sum() == pytest.approx(1.0)
    assert shares @ spots == pytest.approx([40.0, 25.0])
    along = (spots[:, 0] - 10.0) / 60.0
    for power in range(12):  # six nodes are exact up to the eleventh power
        assert shares @ along**power == pytest.approx(1 / (power + 1))
