"""Where rows truly stand: phase across the block, direction and spacing, from the harvester's readings."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import numpy as np
import shapely
from numpy.typing import NDArray

from vinemap.land.crs import check_metre_crs
from vinemap.land.ground import planar_spacing
from vinemap.land.rows import RowFrame, turn_outline

Floats = NDArray[np.float64]
FEWEST_READINGS = 20  # fewer readings do not tell a phase
# Below these the readings do not tell where the rows stand. Passes at random places, 30 of them, reach 0.28
# in 2 % of cases, and 0.38 over the many looks of `fit_rows` (by simulation, see the tests). Readings
# on rows 3 m apart with 0.5 m of jitter reach 0.58, with one in five an outlier 0.46 (wrapped normal).
CLEAR_SNAP = 0.3
CLEAR_FIT = 0.38
MOST_READINGS = 2500  # thinned to about this many for the search: more do not move its peak
PHASE_STEP = (
    0.15  # [turn] the search steps so finely that phase at the block's edge moves by no more than this
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RowPhase:
    """Where rows stand across a block as told by readings.

    Parameters
    ----------
    offset_m : float
        For `lay_rows` [m], within half a row spacing of 0.
    concentration : float
        Mean resultant length, 0 (readings anywhere) to 1 (all on rows).
    readings : int
        Readings used.
    """

    _CLEAR_FROM: ClassVar[float] = CLEAR_SNAP

    offset_m: float
    concentration: float
    readings: int

    @property
    def clear(self) -> bool:
        """Whether the readings tell the rows clearly enough to be used in place of the settings."""
        return self.readings >= FEWEST_READINGS and self.concentration >= self._CLEAR_FROM


@dataclass(frozen=True, slots=True, kw_only=True)
class RowFit(RowPhase):
    """Direction and spacing of the rows as told by readings, and their phase with these.

    Parameters
    ----------
    bearing_deg : float
        Direction from grid north [deg].
    row_spacing_m : float
        On the ground [m].
    """

    _CLEAR_FROM: ClassVar[float] = CLEAR_FIT

    bearing_deg: float
    row_spacing_m: float


def snap_rows(
    outline: Any,
    easting: Any,
    northing: Any,
    *,
    row_spacing_m: float,
    bearing_deg: float,
    crs: Any,
) -> RowPhase:
    """Find the shift of the rows at which the readings lie on them.

    The position of each reading across the rows, as an angle over one row spacing, is averaged on the circle;
    readings further than a quarter spacing from the mean are left out of a second and third average.

    Parameters
    ----------
    outline : shapely.Polygon or shapely.MultiPolygon
        Outline of the block in `crs` [m].
    easting, northing : array_like, shape (n,)
        Readings [m]; those outside the outline are not used.
    row_spacing_m : float
        Row spacing on the ground [m].
    bearing_deg : float
        Direction of the rows from grid north [deg].
    crs : pyproj.CRS
        Projected, axes in metres.

    Returns
    -------
    RowPhase
        Use ``offset_m`` in `lay_rows` only if ``clear``.

    Raises
    ------
    GeometryError
        If the CRS is not in metres.

    References
    ----------
    Mardia, K.V. & Jupp, P.E. 2000, Directional Statistics, Wiley, ch. 2 (mean direction, resultant length).

    Examples
    --------
    >>> outline = shapely.box(4_321_000, 3_210_000, 4_321_030, 3_210_100)
    >>> north = 3_210_000 + np.arange(100.0)
    >>> east = 4_321_000 + 2.0 + 3.0 * (np.arange(100) % 10)
    >>> phase = snap_rows(outline, east, north, row_spacing_m=3.0, bearing_deg=0.0, crs="EPSG:3035")
    >>> round(phase.offset_m, 3), round(phase.concentration, 3), phase.clear
    (0.5, 1.0, True)
    """
    known = check_metre_crs(crs, where="snap_rows")
    centre = outline.envelope.centroid
    spacing = planar_spacing(known, centre.x, centre.y, bearing_deg, row_spacing_m)
    frame = RowFrame(bearing_deg, centre.x, centre.y)
    east, north = _inside(outline, easting, northing)
    if not len(east):
        return RowPhase(offset_m=0.0, concentration=0.0, readings=0)
    left = turn_outline(outline, frame).bounds[0]
    _, across = frame.from_grid(east, north)
    angle = 2 * np.pi * (across - left - spacing / 2) / spacing
    mean = _robust_mean_angle(angle)
    return RowPhase(
        offset_m=mean / (2 * np.pi) * row_spacing_m,
        concentration=float(np.abs(np.exp(1j * angle).mean())),
        readings=len(east),
    )


def fit_rows(
    outline: Any,
    easting: Any,
    northing: Any,
    *,
    row_spacing_m: float,
    bearing_deg: float,
    crs: Any,
    bearing_reach_deg: float = 2.0,
    spacing_reach: float = 0.02,
) -> RowFit:
    """Find the direction and spacing, near those of the settings, in which the readings lie best on rows.

    A direction off by half a degree moves the end of a 400 m row by more than a row, and a spacing off by 1 %
    moves the hundredth row by a whole one; settings are seldom better than that. The pair with the highest
    concentration of the phase (see `snap_rows`) is searched on a grid, then twice again five times finer.

    Parameters
    ----------
    outline, easting, northing, crs
        As in `snap_rows`.
    row_spacing_m : float
        Row spacing of the settings, on the ground [m].
    bearing_deg : float
        Direction of the settings from grid north [deg].
    bearing_reach_deg : float, optional
        How far the direction may be from that of the settings [deg].
    spacing_reach : float, optional
        How far the spacing may be from that of the settings, as a share.

    Returns
    -------
    RowFit
        The settings themselves, concentration 0, if no reading lies in the outline. Use it only if ``clear``.

    Raises
    ------
    GeometryError
        If the CRS is not in metres.

    References
    ----------
    Mardia, K.V. & Jupp, P.E. 2000, Directional Statistics, Wiley, ch. 2 (resultant length).

    Examples
    --------
    >>> outline = shapely.box(4_321_000, 3_210_000, 4_321_090, 3_210_100)
    >>> north, east = 3_210_000 + np.arange(900.0) % 100, 4_321_001.0 + 3.0 * (np.arange(900) // 30)
    >>> fit = fit_rows(outline, east, north, row_spacing_m=3.03, bearing_deg=0.5, crs="EPSG:3035")
    >>> round(fit.row_spacing_m, 2), round(fit.concentration, 2), fit.clear
    (3.0, 1.0, True)
    """
    known = check_metre_crs(crs, where="fit_rows")
    east, north = _inside(outline, easting, northing)
    if not len(east):
        return RowFit(
            bearing_deg=bearing_deg, row_spacing_m=row_spacing_m, offset_m=0.0, concentration=0.0, readings=0
        )
    centre = outline.envelope.centroid
    stretch = planar_spacing(known, centre.x, centre.y, bearing_deg, 1.0)
    thin = max(len(east) // MOST_READINGS, 1)
    frame = RowFrame(bearing_deg, centre.x, centre.y)
    along, across = frame.from_grid(east[::thin], north[::thin])
    turn, wave = _search(along, across, 1.0 / (row_spacing_m * stretch), bearing_reach_deg, spacing_reach)
    bearing, spacing = bearing_deg + float(np.degrees(turn)), 1.0 / wave / stretch
    phase = snap_rows(outline, east, north, row_spacing_m=spacing, bearing_deg=bearing, crs=known)
    return RowFit(bearing_deg=bearing, row_spacing_m=spacing, **asdict(phase))


def _search(
    along: Floats, across: Floats, wave: float, bearing_reach_deg: float, spacing_reach: float
) -> tuple[float, float]:
    """Turn [rad] and rows per metre at which readings are most concentrated in phase."""
    turn_step = PHASE_STEP / (wave * max(float(np.abs(along).max()), 1.0))
    wave_step = PHASE_STEP / max(float(np.abs(across).max()), 1.0)
    turns = _steps(0.0, np.radians(bearing_reach_deg), turn_step)
    waves = _steps(wave, wave * spacing_reach, wave_step)
    best_turn, best_wave = _peak(along, across, turns, waves)
    for finer in (0.2, 0.04):
        turns = _steps(best_turn, turn_step * finer * 5, turn_step * finer)
        waves = _steps(best_wave, wave_step * finer * 5, wave_step * finer)
        best_turn, best_wave = _peak(along, across, turns, waves)
    return best_turn, best_wave


def _steps(centre: float, reach: float, step: float) -> Floats:
    count = int(np.ceil(reach / step))
    return np.asarray(centre + step * np.arange(-count, count + 1), dtype=float)


def _peak(along: Floats, across: Floats, turns: Floats, waves: Floats) -> tuple[float, float]:
    height = np.empty((len(turns), len(waves)))
    for index, turn in enumerate(turns):
        turned = across * np.cos(turn) - along * np.sin(turn)
        height[index] = np.abs(np.exp(2j * np.pi * np.outer(waves, turned)).mean(axis=1))
    row, column = np.unravel_index(int(np.argmax(height)), height.shape)
    return float(turns[row]), float(waves[column])


def _robust_mean_angle(angle: Floats) -> float:
    unit = np.exp(1j * angle)
    mean = float(np.angle(unit.mean()))
    for _ in range(3):
        close = np.abs(np.angle(unit * np.exp(-1j * mean))) <= np.pi / 2
        if not close.any():
            break
        mean = float(np.angle(unit[close].mean()))
    return mean


def _inside(outline: Any, easting: Any, northing: Any) -> tuple[Floats, Floats]:
    east, north = np.asarray(easting, dtype=float), np.asarray(northing, dtype=float)
    if not len(east):
        return east, north
    shapely.prepare(outline)
    keep = shapely.intersects_xy(outline, east, north)
    return east[keep], north[keep]


__all__ = ["RowFit", "RowPhase", "fit_rows", "snap_rows"]
