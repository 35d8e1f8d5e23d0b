"""One invented block with known zones and its yield surfaces, to measure how well zones are found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from vinemap.errors import DataError
from vinemap.land import Grid, GridSpec, RowFrame, grid_over, lay_rows
from vinemap.simulate.fields import sample_field

SOUND, FALLING, POOR = 0, 1, 2  # codes of the truth
PATTERNS = ("none", "poor", "corner", "both", "focus", "rows", "whole")
BEARING_DEG = 20.0
ORIGIN = (4_321_000.0, 3_210_000.0)  # somewhere in EPSG:3035
CELL_M = 4.0
USUAL_T_HA = 20.0
SEASON_SD = 0.2
YEARS_OF_FALL = 4


@dataclass(frozen=True, slots=True)
class ZoneBlock:
    """What `simulate_zone_block` gives.

    Attributes
    ----------
    surfaces, errors : dict of int to Grid
        Yield and its standard error by vintage [t/ha].
    rows : geopandas.GeoDataFrame
        `tables.ROWS`.
    outline : shapely.Polygon
    spec : GridSpec
    truth : int array (row, col)
        SOUND, FALLING, POOR of each grid cell; -1 outside.
    frame : RowFrame
    """

    surfaces: dict[int, Grid]
    errors: dict[int, Grid]
    rows: gpd.GeoDataFrame
    outline: Any
    spec: GridSpec
    truth: NDArray[np.int64]
    frame: RowFrame


def simulate_zone_block(
    pattern: str = "both",
    *,
    rng: np.random.Generator,
    vintages: int = 8,
    falling: float = 0.40,
    poor: float = 0.35,
    soil: float = 0.10,
    soil_range_m: float = 40.0,
    noise: float = 0.06,
    season_sd: float = SEASON_SD,
    size: tuple[float, float] = (240.0, 420.0),
    notch: tuple[float, float] = (0.0, 0.0),
) -> ZoneBlock:
    """Invent a block, rows 20 degrees off north, and its yield surfaces.

    log yield = soil + season of the block + pattern of the season + mapping error, less what fell and what
    was always poor. The fall sets in four vintages before the last and grows evenly.

    Parameters
    ----------
    pattern : str
        none; poor (a patch that always was); corner (a quarter that falls); both; focus (a disc that falls);
        rows (the outer rows fall); whole (all of it falls).
    rng : numpy.random.Generator
    vintages : int, optional
    falling : float, optional
        Share of yield lost by the last vintage.
    poor : float, optional
        Log yield by which the poor patch lies below the rest.
    soil, soil_range_m : float, optional
        Lasting pattern: standard deviation of log yield, and range of its exponential covariance [m].
    noise : float, optional
        Standard deviation of log yield of the season's own pattern, and again of the mapping error.
    season_sd : float, optional
        Standard deviation of the seasons of the block (log yield).
    size, notch : tuple of float, optional
        Extent across and along the rows, and of a corner left out [m].

    Returns
    -------
    ZoneBlock

    Raises
    ------
    DataError
        If the pattern is not known.

    Examples
    --------
    >>> made = simulate_zone_block("poor", rng=np.random.default_rng(1), vintages=2)
    >>> sorted(made.surfaces), sorted(np.unique(made.truth).tolist())
    ([2025, 2026], [-1, 0, 2])
    """
    if pattern not in PATTERNS:
        raise DataError(f"Pattern {pattern!r} is not known.", remedy=f"Use one of {', '.join(PATTERNS)}.")
    frame = RowFrame(BEARING_DEG, *ORIGIN)
    outline, rows, spec = _lay_out(frame, size, notch)
    easting, northing = spec.centres()
    inside = shapely.contains_xy(outline, easting, northing)
    truth = _true_zones(pattern, *frame.from_grid(easting, northing), size)

    def field(sd: float, range_m: float) -> NDArray[np.float64]:
        drawn = sample_field(easting.ravel(), northing.ravel(), range_m=range_m, rng=rng)
        return np.asarray(sd * drawn.reshape(easting.shape))

    lasting = field(soil, soil_range_m) - poor * (truth == POOR)
    surfaces, errors = {}, {}
    for step, vintage in enumerate(range(2027 - vintages, 2027)):
        fallen = np.where(truth == FALLING, np.log1p(-falling * _fallen(step, vintages)), 0.0)
        passing = field(noise, 30.0) + field(noise, 10.0) + rng.normal(0.0, season_sd)
        crop = USUAL_T_HA * np.exp(lasting + fallen + passing)
        surfaces[vintage] = Grid(np.where(inside, crop, np.nan), spec)
        errors[vintage] = Grid(surfaces[vintage].values * noise, spec)
    return ZoneBlock(surfaces, errors, rows, outline, spec, np.where(inside, truth, -1), frame)


def _fallen(step: int, vintages: int) -> float:
    """Share of the whole fall that a vintage shows."""
    if vintages > YEARS_OF_FALL:
        return max(0.0, (step - (vintages - 1 - YEARS_OF_FALL)) / YEARS_OF_FALL)
    return step / max(vintages - 1, 1)


def _lay_out(
    frame: RowFrame, size: tuple[float, float], notch: tuple[float, float]
) -> tuple[Any, gpd.GeoDataFrame, GridSpec]:
    """Outline, rows and grid of the block."""
    along = np.array([0.0, size[1], size[1], size[1] - notch[1], size[1] - notch[1], 0.0])
    across = np.array([0.0, 0.0, size[0] - notch[0], size[0] - notch[0], size[0], size[0]])
    outline = shapely.Polygon(np.column_stack(frame.to_grid(along, across)))
    crs = pyproj.CRS.from_epsg(3035)
    spacing = {"row_spacing_m": 3.0, "vine_spacing_m": 2.0}
    rows = lay_rows(outline, block_id="A", bearing_deg=BEARING_DEG, crs=crs, **spacing)
    return outline, rows, grid_over(outline, cell_m=CELL_M, crs=crs)


def _true_zones(
    pattern: str, along: NDArray[np.float64], across: NDArray[np.float64], size: tuple[float, float]
) -> NDArray[np.int64]:
    """Codes of the truth by cell."""
    wide, long = size
    falls = {
        "corner": (across < wide / 3) & (along > long * 11 / 21),
        "focus": np.hypot(across - 0.6 * wide, along - 0.55 * long) < 0.26 * wide,
        "rows": across > 0.75 * wide,
        "whole": np.ones(along.shape, dtype=bool),
    }
    truth = np.full(along.shape, SOUND)
    hit = falls.get("corner" if pattern == "both" else pattern)
    if hit is not None:
        truth[hit] = FALLING
    if pattern in {"poor", "both"}:
        truth[(across > wide * 5 / 8) & (along < long * 8 / 21)] = POOR
    return truth
