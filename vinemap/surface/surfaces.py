"""One vintage of one block: readings to a kriged surface on a grid, with its standard error."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from vinemap.errors import DataError
from vinemap.land import Grid, GridSpec, mask_inside
from vinemap.surface.checks import check_coordinates, check_readings
from vinemap.surface.covariance import Floats, Structure, Variogram
from vinemap.surface.directions import fit_directions
from vinemap.surface.fit import VariogramFit, fit_variogram
from vinemap.surface.kriging import LocalBlockKriging
from vinemap.surface.pairs import ExperimentalVariogram, experimental_variogram
from vinemap.surface.support import Quadrature

LONGEST_LAG_M = 100.0  # some thirty rows: beyond it the trend of the block rules; common practice, no source
LAGS = 20
ERROR_CV = 0.07  # random error of one reading; sensors 5 to 10 %, common practice, no source
LARGEST_AREA_M2 = 40.0  # 5 s at 2.7 m/s on 3 m rows; sparser readings do not cover the ground; no source
AREA_NEIGHBOURS = 16  # readings counted to find how densely they lie
AREA_SAMPLE = 2000  # readings at which that is looked up
USUAL_ROW_M = 3.0  # between rows, where it is not told; common practice, no source
STRADDLE = 1.5  # 1 by geometry (see `straddle_variance`), the rest delay and smear left over; recovered truth
STRETCH = 1.5  # of the range that has the area of a reading: it is long, narrow, smeared; recovered truth


@dataclass(frozen=True, slots=True)
class Surface:
    """A kriged surface.

    Attributes
    ----------
    mean : Grid
        Block means [values]; NaN outside the outline or too far from a reading.
    standard_error : Grid
        Kriging standard errors of them [values].
    variogram : Variogram
        As fitted or given; the nugget still whole.
    experimental : ExperimentalVariogram or None
        What it was fitted to; none where the variogram was given.
    note : str
        Which variogram was used and why, and how much of the outline has no data.
    """

    mean: Grid
    standard_error: Grid
    variogram: Variogram
    experimental: ExperimentalVariogram | None
    note: str


def krige_grid(
    coordinates: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    spec: GridSpec,
    outline: Any,
    neighbours: int = 64,
    block_m: float = 10.0,
    max_distance_m: float = 15.0,
    noise_variance: npt.ArrayLike | None = None,
    variogram: Variogram | None = None,
    discretisation: int = 4,
    quadrature: Quadrature = "exact",
    shared_cells: int = 1,
    threads: int = 1,
    reading_area_m2: float | None = None,
    bearing_deg: float | None = None,
    row_spacing_m: float = USUAL_ROW_M,
) -> Surface:
    """Krige block means onto the cells of a grid inside an outline.

    Parameters
    ----------
    coordinates : array_like of shape (n, 2)
        Easting and northing of the readings [m].
    values : array_like of shape (n,)
        Values.
    spec : GridSpec
    outline : shapely Polygon or MultiPolygon
        Cells with their centre outside have no data.
    neighbours : int
        Nearest readings of each cell.
    block_m : float
        Side of the block about each cell centre whose mean is estimated [m]; 0 for points.
    max_distance_m : float
        Cells further than this from every reading have no data [m].
    noise_variance : array_like of shape (n,) or scalar, optional
        Error variance of each reading [values squared]; filtered from the surface.
    variogram : Variogram, optional
        None fits one to the readings (see `estimate_variogram`). One that is given must leave
        `noise_variance` out of its nugget.
    discretisation : int
        Points along each side of the block, where the quadrature is not exact. 4 (usual, and gstat's) hardly
        moves the mean but overstates the standard error of a 10 m block by 2 to 13 % (the shorter the range,
        the more); 6 by 1 to 4 %, 10 by about 1 %, measured against a 40 x 40 discretisation.
    quadrature : {"exact", "regular", "gauss"}
        Exact integrals over the block, which also cost less, or sums over points.
    shared_cells : int
        Cells along each side of the squares that share one neighbourhood. 1 is exact (as gstat) and the
        default: at 60,000 readings on 3 m rows, 2 m cells and 64 neighbours, squares of 2 x 2 cells are
        2.7 times as fast but differ by 0.20 standard errors (root mean square), squares of 3 x 3 by 0.31
        (`scripts/bench_surface.py`): far too much to be worth it.
    threads : int
    reading_area_m2 : float, optional
        Ground that one reading stands for [m2] (see `split_nugget`); 0 takes the nugget for noise, as gstat
        does. None estimates it from how densely readings lie where the variogram is fitted, and is 0 where it
        is given.
    bearing_deg : float, optional
        Of the rows, clockwise from grid north [degrees]: ranges along and across them may then differ where
        the readings show it clearly, and blocks lie along the rows.
    row_spacing_m : float
        Distance between rows [m]: with the area of a reading it gives its length.

    Returns
    -------
    Surface

    Raises
    ------
    DataError
        If readings are missing or not finite, or no cell lies inside the outline.

    Examples
    --------
    >>> import shapely
    >>> from vinemap.land import grid_over
    >>> outline = shapely.box(0, 0, 60, 60)
    >>> spec = grid_over(outline, cell_m=2.0, crs="EPSG:3035")
    >>> rng = np.random.default_rng(1)
    >>> places = rng.uniform(0, 60, (800, 2))
    >>> yields = 10 + places[:, 0] / 30 + rng.normal(0, 1, 800)
    >>> surface = krige_grid(places, yields, spec=spec, outline=outline)
    >>> bool(abs(surface.mean.values[15, 25] - (10 + 51 / 30)) < 3 * surface.standard_error.values[15, 25])
    True
    """
    points, numbers, noise = check_readings(coordinates, values, noise_variance, where="krige_grid")
    inside = mask_inside(spec, outline)
    if not inside.any():
        raise DataError(
            f"No cell of {spec.cell_m} m has its centre inside the outline.",
            where="krige_grid",
            remedy="Use smaller cells, or check that outline and grid are in the same CRS.",
        )
    if not max_distance_m > 0 or shared_cells < 1:
        raise DataError(
            f"max_distance_m is {max_distance_m}, shared_cells {shared_cells}.",
            where="krige_grid",
            remedy="Both must be positive.",
        )
    experimental, note = None, "Variogram as given."
    if variogram is None:
        experimental, fit = estimate_variogram(points, numbers, noise_variance=noise, bearing_deg=bearing_deg)
        variogram, note = fit.variogram, fit.note
        reading_area_m2 = area_of_readings(points) if reading_area_m2 is None else reading_area_m2
    error = 0.0 if noise.any() else (ERROR_CV * float(numbers.mean())) ** 2
    ground = split_nugget(variogram, reading_area_m2=reading_area_m2 or 0.0, error_variance=error)
    straddle = straddle_variance(
        variogram.nugget - ground.nugget,
        reading_area_m2=reading_area_m2 or 0.0,
        row_spacing_m=row_spacing_m,
        block_m=block_m,
    )
    model = LocalBlockKriging(
        ground,
        neighbours=neighbours,
        block_m=block_m,
        discretisation=discretisation,
        quadrature=quadrature,
        share_within_m=0.0 if shared_cells == 1 else shared_cells * spec.cell_m,
        threads=threads,
    ).fit(points, numbers, noise)
    mean, standard_error, blank = _fill(model, spec, inside, max_distance_m, straddle)
    if blank:
        note += f" No data in {blank:.1%} of the outline, further than {max_distance_m:g} m from a reading."
    return Surface(Grid(mean, spec), Grid(standard_error, spec), variogram, experimental, note)


def estimate_variogram(
    coordinates: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    noise_variance: npt.ArrayLike | None = None,
    bearing_deg: float | None = None,
) -> tuple[ExperimentalVariogram, VariogramFit]:
    """Measure and fit the variogram of one block and vintage with the usual lags.

    Twenty lags up to 100 m, or up to half the diagonal of the readings if that is shorter. The mean noise
    variance is taken off the fitted nugget, so that it is not counted twice in kriging.

    One variogram serves the whole block and vintage. One for each quarter, with this one as fallback, changed
    the error of 10 m squares by -0.6 to +0.3 % on 16 invented blocks with known truth: not worth its seams.

    Parameters
    ----------
    coordinates : array_like of shape (n, 2)
        Easting and northing [m].
    values : array_like of shape (n,)
        Values.
    noise_variance : array_like of shape (n,) or scalar, optional
        Error variance of each reading [values squared].
    bearing_deg : float, optional
        Of the rows [degrees]: a range across them of its own is fitted where the readings show it clearly.

    Returns
    -------
    experimental : ExperimentalVariogram
    fit : VariogramFit

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> experimental, fit = estimate_variogram(rng.uniform(0, 300, (3000, 2)), rng.normal(0, 2, 3000))
    >>> len(experimental.pairs), 3.5 < fit.variogram.sill < 4.5
    (20, True)
    """
    points, numbers, noise = check_readings(coordinates, values, noise_variance, where="estimate_variogram")
    diagonal = float(np.hypot(*np.ptp(points, axis=0)))
    reach = min(LONGEST_LAG_M, diagonal / 2) if diagonal > 0 else LONGEST_LAG_M
    experimental = experimental_variogram(points, numbers, max_distance_m=reach, bin_m=reach / LAGS)
    fit = fit_variogram(experimental)
    if bearing_deg is not None and not fit.fallback:
        fit = _with_directions(fit, points, numbers, bearing_deg, reach)
    mean_noise = float(noise.mean())
    if mean_noise == 0:
        return experimental, fit
    nugget = max(fit.variogram.nugget - mean_noise, 0.0)
    note = f"{fit.note} Of the nugget {min(mean_noise, fit.variogram.nugget):.3g} is noise of the readings."
    return experimental, replace(fit, variogram=replace(fit.variogram, nugget=nugget), note=note)


def _with_directions(
    fit: VariogramFit, points: Floats, numbers: Floats, bearing_deg: float, reach_m: float
) -> VariogramFit:
    """Take ranges along and across the rows where the readings show them."""
    found = fit_directions(
        points, numbers, fit.variogram, bearing_deg=bearing_deg, max_distance_m=reach_m, bin_m=reach_m / LAGS
    )
    if not found.clear:
        return fit
    along = found.variogram.range_m
    note = (
        f"{fit.note} Along the rows the range parameter is {along:.1f} m, across {found.ratio * along:.1f} m."
    )
    return replace(fit, variogram=found.variogram, note=note)


def area_of_readings(coordinates: npt.ArrayLike) -> float:
    """Ground that one reading stands for where readings cover it all [m2]; 0 where they are too sparse.

    Parameters
    ----------
    coordinates : array_like of shape (n, 2)
        Easting and northing [m].

    Returns
    -------
    float

    Examples
    --------
    >>> rows = np.stack(np.meshgrid(np.arange(0.0, 90.0, 3.0), np.arange(0.0, 90.0, 2.0)), -1).reshape(-1, 2)
    >>> 5.0 < area_of_readings(rows) < 7.0, area_of_readings(4.0 * rows)
    (True, 0.0)
    """
    points = check_coordinates(coordinates, where="area_of_readings")
    if len(points) <= AREA_NEIGHBOURS:
        return 0.0
    some = points[:: max(1, len(points) // AREA_SAMPLE)]
    reach = np.asarray(cKDTree(points).query(some, AREA_NEIGHBOURS + 1)[0])[:, -1]
    # The circle through the k-th neighbour holds on average k + 1/2 readings beside half of that one.
    area = float(np.median(np.pi * reach**2)) / (AREA_NEIGHBOURS + 0.5)
    return area if area <= LARGEST_AREA_M2 else 0.0


def split_nugget(variogram: Variogram, *, reading_area_m2: float, error_variance: float) -> Variogram:
    """Take the nugget for variation of the ground that a reading stands for, but for its error.

    From vine to vine yield varies far more than a sensor errs, and readings that follow one another along
    every row cover all the ground. Were their nugget noise, a block would be drawn to its surroundings
    although its own vines have all been weighed: on invented estates the error of 10 m squares is then 20 to
    50 % larger (`scripts/bench_clean.py`).

    Parameters
    ----------
    variogram : Variogram
    reading_area_m2 : float
        [m2]; 0 leaves the variogram as it is.
    error_variance : float
        Of a reading's error [values squared]; what is left as nugget.

    Returns
    -------
    Variogram
        With a further exponential structure whose integral over the plane, 2 pi range^2, matches the area.

    Examples
    --------
    >>> fitted = Variogram("exponential", 5.0, 4.0, 40.0)
    >>> split = split_nugget(fitted, reading_area_m2=9.6, error_variance=1.0)
    >>> split.nugget, split.further[0].partial_sill, split.sill
    (1.0, 4.0, 9.0)
    """
    if not (reading_area_m2 > 0 and variogram.nugget > error_variance):
        return variogram
    range_m = STRETCH * float(np.sqrt(reading_area_m2 / (2.0 * np.pi)))
    ground = Structure("exponential", variogram.nugget - error_variance, range_m)
    return replace(variogram, nugget=error_variance, further=(*variogram.further, ground))


def straddle_variance(
    ground_variance: float, *, reading_area_m2: float, row_spacing_m: float, block_m: float
) -> float:
    """Give the variance of a block mean from readings across its edge.

    Where within such a reading the crop was is not known. Let the ground vary from place to place with
    variance W for 1 m2, so that readings of length L on rows s apart vary by W / (L s). Of a reading across
    the edge with a part f of it inside, the sum within the block is uncertain by W s L f (1 - f), on average
    W s L / 6; a block of side B has two such ends on each of B / s rows. So its mean is uncertain by
    W L / (3 B^3).

    Parameters
    ----------
    ground_variance : float
        Variance of readings from the ground they stand for [values squared].
    reading_area_m2, row_spacing_m, block_m : float
        L s [m2], s [m] and B [m].

    Returns
    -------
    float
        [values squared]

    Examples
    --------
    >>> round(straddle_variance(10.0, reading_area_m2=24.0, row_spacing_m=3.0, block_m=10.0), 3)
    0.96
    """
    if block_m <= 0 or ground_variance <= 0:
        return 0.0
    length = reading_area_m2 / row_spacing_m
    return STRADDLE * ground_variance * reading_area_m2 * length / (3.0 * block_m**3)


def _fill(
    model: LocalBlockKriging,
    spec: GridSpec,
    inside: npt.NDArray[np.bool_],
    max_distance_m: float,
    straddle: float,
) -> tuple[Floats, Floats, float]:
    """Mean and standard error on the grid, and the share of the outline without data."""
    easting, northing = spec.centres()
    mean, variance, nearest = model.predict_parts(np.column_stack([easting[inside], northing[inside]]))
    far = ~(nearest <= max_distance_m)
    mean[far], variance[far] = np.nan, np.nan
    grids = np.full((2, *spec.shape), np.nan)
    grids[0][inside], grids[1][inside] = mean, np.sqrt(variance + straddle)
    return grids[0], grids[1], float(far.mean())
