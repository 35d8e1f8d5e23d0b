"""An invented block with known zones: a falling corner, a patch that was always poor, the rest sound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely

from vinemap.land import Grid, GridSpec, RowFrame, grid_over, lay_rows
from vinemap.simulate.fields import sample_field

CRS = pyproj.CRS.from_epsg(3035)
SOUND, FALLING, POOR = 0, 1, 2  # codes of the truth


@dataclass(frozen=True)
class Block:
    surfaces: dict[int, Grid]
    errors: dict[int, Grid]
    rows: gpd.GeoDataFrame
    outline: Any
    spec: GridSpec
    truth: np.ndarray  # zone of each grid cell, -1 outside
    frame: RowFrame


def make_block(
    seed: int,
    *,
    vintages: int = 8,
    falling: float = 0.40,
    poor: float = 0.35,
    soil: float = 0.10,
    size: tuple[float, float] = (240.0, 420.0),
    corner: tuple[float, float] = (0.0, 0.0),
) -> Block:
    """Rows 20 degrees off north; log yield = soil + season + season pattern + kriging noise (6 % each)."""
    rng = np.random.default_rng(seed)
    frame = RowFrame(20.0, 4_321_000.0, 3_210_000.0)
    along = np.array([0.0, size[1], size[1], size[1] - corner[1], size[1] - corner[1], 0.0])
    across = np.array([0.0, 0.0, size[0] - corner[0], size[0] - corner[0], size[0], size[0]])
    outline = shapely.Polygon(np.column_stack(frame.to_grid(along, across)))
    rows = lay_rows(outline, block_id="A", row_spacing_m=3.0, vine_spacing_m=2.0, bearing_deg=20.0, crs=CRS)
    spec = grid_over(outline, cell_m=4.0, crs=CRS)
    easting, northing = spec.centres()
    inside = shapely.contains_xy(outline, easting, northing)
    ahead, beside = frame.from_grid(easting, northing)
    truth = np.where((beside < 80) & (ahead > 220), FALLING, SOUND)
    truth = np.where((beside > 150) & (ahead < 160), POOR, truth)

    def pattern(sd: float, range_m: float) -> np.ndarray:
        drawn = sample_field(easting.ravel(), northing.ravel(), range_m=range_m, rng=rng)
        return sd * drawn.reshape(easting.shape)

    base = pattern(soil, 40.0) - poor * (truth == POOR)
    surfaces, errors = {}, {}
    for step, vintage in enumerate(range(2027 - vintages, 2027)):
        loss = falling * max(
            0.0, (step - (vintages - 5)) / 4 if vintages > 4 else step / max(vintages - 1, 1)
        )
        fallen = np.where(truth == FALLING, np.log(1 - loss), 0.0)
        log = base + fallen + pattern(0.06, 30.0) + pattern(0.06, 10.0) + rng.normal(0.0, 0.2)
        surfaces[vintage] = Grid(np.where(inside, 20 * np.exp(log), np.nan), spec)
        errors[vintage] = Grid(surfaces[vintage].values * 0.06, spec)
    return Block(surfaces, errors, rows, outline, spec, np.where(inside, truth, -1), frame)


@pytest.fixture(scope="session", name="make_block")
def block_maker():
    return make_block


@pytest.fixture(scope="session")
def block() -> Block:
    return make_block(1)
