"""Stretches keep their length as support: limits, and known fields recovered with honest errors."""

import numpy as np
import pytest

from vinemap.errors import DataError
from vinemap.surface import LocalBlockKriging, Variogram, krige_stretches

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
