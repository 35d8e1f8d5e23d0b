"""One vintage of one block: readings to a kriged surface on a grid, with its standard error."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from vinemap.errors import DataError
from vinemap.land import Grid, GridSpec, mask_inside
from vinemap.surface.checks import check_readings
from vinemap.surface.covariance import Floats, Variogram
from vinemap.surface.fit import VariogramFit, fit_variogram
from vinemap.surface.kriging import LocalBlockKriging
from vinemap.surface.pairs import ExperimentalVariogram, experimental_variogram
from vinemap.surface.support import Quadrature

LONGEST_LAG_M = 100.0  # some thirty rows: beyond it the trend of the block rules; common practice, no source
LAGS = 20


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
        As used.
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
        experimental, fit = estimate_variogram(points, numbers, noise_variance=noise)
        variogram, note = fit.variogram, fit.note
    model = LocalBlockKriging(
        variogram,
        neighbours=neighbours,
        block_m=block_m,
        discretisation=discretisation,
        quadrature=quadrature,
        share_within_m=0.0 if shared_cells == 1 else shared_cells * spec.cell_m,
        threads=threads,
    ).fit(points, numbers, noise)
    mean, standard_error, blank = _fill(model, spec, inside, max_distance_m)
    if blank:
        note += f" No data in {blank:.1%} of the outline, further than {max_distance_m:g} m from a reading."
    return Surface(Grid(mean, spec), Grid(standard_error, spec), variogram, experimental, note)


def estimate_variogram(
    coordinates: npt.ArrayLike, values: npt.ArrayLike, *, noise_variance: npt.ArrayLike | None = None
) -> tuple[ExperimentalVariogram, VariogramFit]:
    """Measure and fit the variogram of one block and vintage with the usual lags.

    Twenty lags up to 100 m, or up to half the diagonal of the readings if that is shorter. The mean noise
    variance is taken off the fitted nugget, so that it is not counted twice in kriging.

    Parameters
    ----------
    coordinates : array_like of shape (n, 2)
        Easting and northing [m].
    values : array_like of shape (n,)
        Values.
    noise_variance : array_like of shape (n,) or scalar, optional
        Error variance of each reading [values squared].

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
    mean_noise = float(noise.mean())
    if mean_noise == 0:
        return experimental, fit
    nugget = max(fit.variogram.nugget - mean_noise, 0.0)
    note = f"{fit.note} Of the nugget {min(mean_noise, fit.variogram.nugget):.3g} is noise of the readings."
    return experimental, replace(fit, variogram=replace(fit.variogram, nugget=nugget), note=note)


def _fill(
    model: LocalBlockKriging, spec: GridSpec, inside: npt.NDArray[np.bool_], max_distance_m: float
) -> tuple[Floats, Floats, float]:
    easting, northing = spec.centres()
    mean, variance, nearest = model.predict_parts(np.column_stack([easting[inside], northing[inside]]))
    far = ~(nearest <= max_distance_m)
    mean[far], variance[far] = np.nan, np.nan
    grids = np.full((2, *spec.shape), np.nan)
    grids[0][inside], grids[1][inside] = mean, np.sqrt(variance)
    return grids[0], grids[1], float(far.mean())
