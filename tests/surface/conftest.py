"""Fields with known covariance, and the Meuse readings."""

import numpy as np
import pytest

from vinemap.surface import Variogram


@pytest.fixture(scope="session")
def meuse():
    """Positions [m] and zinc [ppm] of the 155 Meuse samples (R package sp, as scikit-gstat ships them)."""
    data = pytest.importorskip("skgstat.data")
    places, zinc = data.meuse("zinc")["sample"]
    return places.astype(float), zinc.ravel().astype(float)


@pytest.fixture(scope="session")
def rows_of_readings():
    """Readings along ten rows 3 m apart, the variogram, and a function that draws fields from it."""
    along, across = np.meshgrid(np.arange(0.0, 80.0, 1.3), np.arange(0.0, 30.0, 3.0))
    places = np.column_stack([along.ravel(), across.ravel()])
    places += np.random.default_rng(5).normal(0, 0.1, places.shape)
    row_no = np.repeat(np.arange(10), along.shape[1])
    return places, row_no, Variogram("exponential", 1.0, 4.0, 20.0)


@pytest.fixture(scope="session")
def draw_field():
    """Draw Gaussian fields at points, nugget left out: (variogram, points, draws, rng) -> (draws, points)."""

    def draw(variogram, points, draws, rng):
        step = points[:, None] - points[None]
        covariance = variogram.structure(np.hypot(step[..., 0], step[..., 1]))
        root = np.linalg.cholesky(covariance + 1e-9 * np.eye(len(points)))
        return rng.normal(size=(draws, len(points))) @ root.T

    return draw
