"""Tables to padded arrays: blocks x series x vintages, the shape in which the sampler works.

A series is a zone, or the part of a zone after its renewal; both parts share the zone's healthy level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from vinemap.decline.curves import CurveSpace, FloatArray, IntArray, make_space
from vinemap.errors import DataError

BoolArray = npt.NDArray[np.bool_]
LEAST_SE_SHARE = 0.01  # no zone yield is better known than 1 %; keeps one perfect value from ruling
UNSETTLED_SE = 0.15  # log factor where a vintage could not be settled: how far sensors drift; no source
RAMP_YEARS, RAMP_NOISE = 2, 0.2  # first crops after a renewal are erratic; common practice, no source
# From so many blocks on they pin the seasons of their variety: a fall of all needs a curve of its own.
MANY_BLOCKS = 6
LEAST_RELATIVE = 0.02  # yields below 2 % of the zone's median are no crop at all (hail, not picked)


@dataclass(frozen=True, slots=True)
class Series:
    """One course of yield: a zone before, or after, its renewal.

    Attributes
    ----------
    zone : int
        Row of the zone table.
    first_vintage, last_vintage : float
        Vintages that belong to it [year]; infinite where open.
    """

    zone: int
    first_vintage: float
    last_vintage: float


@dataclass(frozen=True, slots=True)
class Layout:
    """Padded arrays of the model's data; B blocks, S series a block at most, V vintages.

    Attributes
    ----------
    vintages : int array (V,)
        Vintages with data [year].
    series : list of Series
        All series; `slot[b, s]` gives the position in it, -1 for padding.
    slot : int array (B, S)
    log_yield : float array (B, S, V)
        Log of yield [t/ha] less log of stand; 0 where not seen.
    noise_variance : float array (B, S, V)
        Sampling variance of the log yield.
    seen : bool array (B, S, V)
    same_zone : bool array (B, S, S)
        Series that share a healthy level.
    factor_variance : float array (B, V)
        Variance of the log settlement factor.
    variety : int array (B,)
        Code of the variety.
    varieties : list of str
    block_ids : list of str
    adjustment : float array (B, S, V, K)
        Logs of what is adjusted for (pruning width ...), centred within the zone; 0 where not known.
    adjusted_for : list of str (K,)
    """

    vintages: IntArray
    series: list[Series]
    slot: IntArray
    log_yield: FloatArray
    noise_variance: FloatArray
    seen: BoolArray
    same_zone: BoolArray
    factor_variance: FloatArray
    variety: IntArray
    varieties: list[str]
    block_ids: list[str]
    adjustment: FloatArray
    adjusted_for: list[str]

    @property
    def variety_group(self) -> IntArray:
        """Group of each block (B,) among the varieties of `MANY_BLOCKS` blocks or more; -1 for the others.

        There must be other varieties as well: what all blocks share is the estate's.
        """
        count = np.bincount(self.variety, minlength=len(self.varieties))
        many = (count >= MANY_BLOCKS) & (count < self.variety.size)
        return np.where(many, np.cumsum(many) - 1, -1)[self.variety]

    @property
    def place(self) -> tuple[IntArray, IntArray]:
        """Block and slot of every series, in the order of `series`."""
        order = np.argsort(self.slot[self.slot >= 0], kind="stable")
        blocks, slots = np.nonzero(self.slot >= 0)
        return blocks[order], slots[order]

    @property
    def renewed(self) -> set[int]:
        """Zones (rows of the zone table) that restart after a renewal."""
        return {one.zone for one in self.series if np.isfinite(one.first_vintage)}


def list_series(zones: pd.DataFrame, renewals: pd.DataFrame | None) -> list[Series]:
    """List the series of all zones: one each, and one more for every zone that was renewed (latest renewal).

    Parameters
    ----------
    zones : pandas.DataFrame
        Columns zone_id, block_id.
    renewals : pandas.DataFrame, optional
        Columns zone_id, year, method. Infilling does not restart a zone.

    Returns
    -------
    list of Series
        Zones first, in their order.
    """
    year = _renewal_year(zones, renewals)
    series = [Series(i, -np.inf, limit) for i, limit in enumerate(np.where(np.isnan(year), np.inf, year))]
    for position in np.flatnonzero(np.isfinite(year)):
        series.append(Series(int(position), year[position] + 1, np.inf))
    return series


def _renewal_year(zones: pd.DataFrame, renewals: pd.DataFrame | None) -> FloatArray:
    """Year of the latest renewal of each zone, infilling aside; NaN for none."""
    if renewals is None or renewals.empty:
        return np.full(len(zones), np.nan)
    cut = renewals[renewals["method"] != "infill"]
    latest = cut.groupby("zone_id")["year"].max()
    return np.asarray(zones["zone_id"].map(latest), dtype=float)


def space_of_series(
    series: list[Series], planted: FloatArray, *, years: IntArray, last_vintage: int
) -> CurveSpace:
    """Prepare the curves of all series.

    Parameters
    ----------
    series : list of Series
    planted : float array (zones,)
        Year of planting, NaN where not known.
    years : int array (T,)
    last_vintage : int

    Returns
    -------
    CurveSpace
        One owner a series.
    """
    work = np.array([one.first_vintage - 1 if np.isfinite(one.first_vintage) else np.nan for one in series])
    age = np.array([planted[one.zone] for one in series])
    return make_space(years, last_vintage=last_vintage, planted=age, work_year=work)


def build_layout(
    zone_vintage: pd.DataFrame,
    zones: pd.DataFrame,
    series: list[Series],
    *,
    log_stand: FloatArray,
    stand_variance: FloatArray,
    vintages: IntArray,
    settlement: pd.DataFrame | None,
    adjustments: pd.DataFrame | None = None,
) -> Layout:
    """Arrange yields, their noise and the design of blocks, varieties and vintages.

    Parameters
    ----------
    zone_vintage : pandas.DataFrame
        Columns zone_id, vintage, yield_t_ha, yield_se_t_ha.
    zones : pandas.DataFrame
        Columns zone_id, block_id, variety; one row a zone.
    series : list of Series
    log_stand, stand_variance : float array (zones, V)
        Log of the share of vine places with a living vine and its variance; 0 where never counted.
    vintages : int array (V,)
        Vintages in order [year].
    settlement : pandas.DataFrame or None
        Columns block_id, vintage, factor_se.
    adjustments : pandas.DataFrame, optional
        Columns zone_id, vintage and one a covariate (positive).

    Returns
    -------
    Layout

    Raises
    ------
    DataError
        If no usable yield is left.
    """
    values, noise = _zone_arrays(zone_vintage, zones, vintages)
    values, noise = values - log_stand, noise + stand_variance
    block_ids = list(dict.fromkeys(zones["block_id"]))
    slot, same_zone = _slots(zones, series, block_ids)
    shape = (*slot.shape, vintages.size)
    adjusted_for, logs = _adjustment_arrays(adjustments, zones, vintages)
    adjustment = np.where((slot >= 0)[..., None, None], logs[_zone_of(slot, series)], 0.0)
    log_yield, variance, seen = np.zeros(shape), np.ones(shape), np.zeros(shape, dtype=bool)
    for block, position in zip(*np.nonzero(slot >= 0), strict=True):
        one = series[slot[block, position]]
        row = values[one.zone]
        ramp = (vintages - one.first_vintage >= 0) & (vintages - one.first_vintage < RAMP_YEARS)
        inside = np.isfinite(row) & (vintages >= one.first_vintage) & (vintages <= one.last_vintage)
        log_yield[block, position, inside] = row[inside]
        variance[block, position, inside] = (noise[one.zone] + RAMP_NOISE**2 * ramp)[inside]
        seen[block, position] = inside
    if not seen.any():
        raise DataError(
            "No zone has a usable yield.", where="zone_vintage", remedy="Add a vintage of harvest data."
        )
    names = zones.groupby("block_id", sort=False)["variety"].first().fillna("").reindex(block_ids)
    varieties = sorted(set(names))
    codes = np.array([varieties.index(one) for one in names], dtype=np.int64)
    factor = _factor_variance(settlement, block_ids, vintages)
    return Layout(
        vintages, series, slot, log_yield, variance, seen, same_zone, factor, codes, varieties, block_ids,
        adjustment, adjusted_for,
    )  # fmt: skip


def _adjustment_arrays(
    adjustments: pd.DataFrame | None, zones: pd.DataFrame, vintages: IntArray
) -> tuple[list[str], FloatArray]:
    """Names (K) and logs (zones, V, K) of what is adjusted for, centred in the zone, 0 where not known."""
    if adjustments is None or adjustments.empty:
        return [], np.zeros((len(zones), vintages.size, 0))
    names = [str(one) for one in adjustments.columns if one not in ("zone_id", "vintage")]
    logs = np.zeros((len(zones), vintages.size, len(names)))
    for place, name in enumerate(names):
        usable = adjustments[adjustments[name] > 0]
        wide = _widen(usable, name, "zone_id", zones["zone_id"], vintages).astype(float).map(np.log)
        logs[..., place] = wide.sub(wide.mean(axis=1), axis=0).fillna(0.0).to_numpy()
    return names, logs


def _zone_of(slot: IntArray, series: list[Series]) -> IntArray:
    """Row of the zone table of every place (B, S); of padding, any."""
    return np.array([one.zone for one in series], dtype=np.int64)[slot]


def _widen(
    table: pd.DataFrame, value: str, key: str, rows: pd.Series | list[str], vintages: IntArray
) -> pd.DataFrame:
    """Means of a column by zone or block and by vintage; NaN where there are none."""
    wide = table.pivot_table(index=key, columns="vintage", values=value, aggfunc="mean")
    return wide.reindex(index=rows, columns=vintages)


def _zone_arrays(
    zone_vintage: pd.DataFrame, zones: pd.DataFrame, vintages: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Log yield and its sampling variance (zones, V); NaN where there is no crop to speak of."""
    amount, error = (
        _widen(zone_vintage, name, "zone_id", zones["zone_id"], vintages).to_numpy(dtype=float)
        for name in ("yield_t_ha", "yield_se_t_ha")
    )
    typical = np.array([np.nanmedian(row) if np.isfinite(row).any() else np.nan for row in amount])
    amount = np.where(amount > LEAST_RELATIVE * typical[:, None], amount, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.maximum(np.where(np.isfinite(error), error / amount, 0.05), LEAST_SE_SHARE)
        return np.log(amount), share**2


def _slots(zones: pd.DataFrame, series: list[Series], block_ids: list[str]) -> tuple[IntArray, BoolArray]:
    """Series of every slot of a block (B, S), -1 for padding; and which slots are of one zone (B, S, S)."""
    block_of = zones["block_id"].map({name: i for i, name in enumerate(block_ids)}).to_numpy()
    members: list[list[int]] = [[] for _ in block_ids]
    for position, one in enumerate(series):
        members[block_of[one.zone]].append(position)
    slot = np.full((len(block_ids), max(len(one) for one in members)), -1, dtype=np.int64)
    for block, positions in enumerate(members):
        slot[block, : len(positions)] = positions
    zone_of = np.where(slot >= 0, _zone_of(slot, series), -1 - np.arange(slot.shape[1]))
    return slot, zone_of[:, :, None] == zone_of[:, None, :]


def _factor_variance(settlement: pd.DataFrame | None, block_ids: list[str], vintages: IntArray) -> FloatArray:
    """Variance of the log settlement factor (B, V); 0 where nothing was settled."""
    if settlement is None or settlement.empty:
        return np.zeros((len(block_ids), vintages.size))
    known = settlement.assign(factor_se=settlement["factor_se"].astype(float).fillna(UNSETTLED_SE))
    table = _widen(known, "factor_se", "block_id", block_ids, vintages).to_numpy(dtype=float)
    return np.asarray(np.nan_to_num(table, nan=0.0) ** 2)
