"""Grids for the map: mean relative yield, and loss."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.errors import DataError
from vinemap.land import Grid, GridSpec, mask_inside
from vinemap.zones.cells import FloatArray

LATE_VINTAGES = 3
FEW = 0.02  # share of the usual yield: a cell without crop lost nearly all, not infinitely much
LIMITS_PCT = (-50.0, 100.0)  # of the loss of a cell


def relative_surface(surfaces: Mapping[int, Grid]) -> Grid:
    """Mean over the vintages of yield over the block's mean of that vintage (1 is average).

    Parameters
    ----------
    surfaces : mapping of int to Grid
        Yield [t/ha] by vintage, all on one grid; NaN outside.

    Returns
    -------
    Grid
        Dimensionless; NaN where no vintage holds a value.

    Raises
    ------
    DataError
        If there is no surface, or they lie on different grids.

    Examples
    --------
    >>> spec = GridSpec(crs=None, west=0.0, north=2.0, cell_m=1.0, shape=(1, 2))
    >>> both = {2023: Grid(np.array([[10.0, 30.0]]), spec), 2024: Grid(np.array([[5.0, 15.0]]), spec)}
    >>> relative_surface(both).values.tolist()
    [[0.5, 1.5]]
    """
    stack, spec = _stack(surfaces)
    centre = np.nanmean(stack.reshape(len(stack), -1), axis=1)
    return Grid(_mean(stack / centre[:, None, None]), spec)


def loss_surface(
    surfaces: Mapping[int, Grid],
    *,
    zones: gpd.GeoDataFrame | None = None,
    zone_vintage: pd.DataFrame | None = None,
    late_vintages: int = LATE_VINTAGES,
) -> Grid:
    """Share of healthy yield lost, cell by cell [%], over the latest vintages.

    With zones and what was expected of them (`fit_decline`), a cell's loss is its zone's loss in the latest
    vintages plus what the cell lost against its zone. The cell's own lasting pattern (soil) is no loss.
    Without them it is the fall of the cell against the rest of the block, late against early vintages.

    Parameters
    ----------
    surfaces : mapping of int to Grid
        Yield [t/ha] by vintage, all on one grid.
    zones : geopandas.GeoDataFrame, optional
        zone_id, geometry.
    zone_vintage : pandas.DataFrame, optional
        zone_id, vintage, yield_t_ha, relative_yield.
    late_vintages : int, optional
        Vintages that count as the latest.

    Returns
    -------
    Grid
        [%], -50 to 100; negative where a cell gained. All 0 with one vintage and no zones.

    Raises
    ------
    DataError
        If there is no surface, or they lie on different grids.

    Examples
    --------
    >>> spec = GridSpec(crs=None, west=0.0, north=2.0, cell_m=1.0, shape=(1, 3))
    >>> middle = {2023: 10.0, 2024: 5.0}
    >>> both = {year: Grid(np.array([[10.0, one, 10.0]]), spec) for year, one in middle.items()}
    >>> loss_surface(both).values.round(1).tolist()
    [[0.0, 50.0, 0.0]]
    """
    stack, spec = _stack(surfaces)
    years = sorted(surfaces)
    late = np.arange(len(years)) >= len(years) - min(late_vintages, max(len(years) // 2, 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(np.where(stack > 0, stack, np.nan))
    if zones is not None and zone_vintage is not None:
        deviation, relative = _against_zones(logs, years, spec, zones, zone_vintage)
        shift = _mean(deviation[late]) - _mean(deviation)
        return Grid(_loss_pct(_mean(relative[late]) + shift), spec)
    centre = np.array([np.nanmedian(one) if np.isfinite(one).any() else 0.0 for one in logs])
    deviation = np.maximum(logs - centre[:, None, None], np.log(FEW))
    early = _mean(deviation[~late]) if (~late).any() else _mean(deviation)
    return Grid(_loss_pct(_mean(deviation[late]) - early), spec)


def _loss_pct(log_kept: FloatArray) -> FloatArray:
    """Loss [%] from the log of the share kept, within the limits; never -0.0."""
    return np.asarray(np.clip(100 * -np.expm1(log_kept), *LIMITS_PCT) + 0.0)


def _against_zones(
    logs: FloatArray, years: list[int], spec: GridSpec, zones: gpd.GeoDataFrame, zone_vintage: pd.DataFrame
) -> tuple[FloatArray, FloatArray]:
    """Cell's log deviation from its zone, and its zone's log relative yield, both (V, row, col)."""
    amount, share = (
        zone_vintage.pivot_table(index="zone_id", columns="vintage", values=name).reindex(columns=years)
        for name in ("yield_t_ha", "relative_yield")
    )
    deviation, relative = np.full(logs.shape, np.nan), np.full(logs.shape, np.nan)
    for zone, shape in zip(zones["zone_id"], zones.geometry, strict=True):
        if zone not in amount.index:
            continue
        inside = mask_inside(spec, shape)
        own = np.log(np.maximum(amount.loc[zone].to_numpy(dtype=float), 1e-6))
        fall = np.log(np.maximum(share.loc[zone].to_numpy(dtype=float), FEW))
        deviation[:, inside] = np.maximum(logs[:, inside] - own[:, None], np.log(FEW))
        relative[:, inside] = np.where(np.isfinite(deviation[:, inside]), fall[:, None], np.nan)
    return deviation, relative


def _mean(stack: FloatArray) -> FloatArray:
    """Mean over the first axis, NaN left out and without a warning where all are NaN."""
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    return np.asarray(
        np.where(count > 0, np.where(known, stack, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
    )


def _stack(surfaces: Mapping[int, Grid]) -> tuple[FloatArray, GridSpec]:
    """Values of all vintages, in order (V, row, col), and their common grid."""
    if not surfaces:
        raise DataError("There is no yield surface.", where="zones", remedy="Pass one vintage or more.")
    grids = [surfaces[vintage] for vintage in sorted(surfaces)]
    spec = grids[0].spec
    for vintage, grid in zip(sorted(surfaces), grids, strict=True):
        if grid.spec != spec:
            raise DataError(
                f"The surface of {vintage} lies on another grid than the first one.",
                where="zones",
                remedy="Krige all vintages of a block on one grid.",
            )
    return np.stack([grid.values for grid in grids]), spec
