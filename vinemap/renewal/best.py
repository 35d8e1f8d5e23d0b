"""The best option of every zone: method, winter, and the visit that it shares within its block."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from vinemap.renewal.cashflow import keep_flows, live
from vinemap.renewal.crops import still_recovering
from vinemap.renewal.finance import Floats
from vinemap.renewal.standing import Flags, Ints, zone_parts
from vinemap.renewal.value import Valuation
from vinemap.renewal.visits import KEPT, share_visits, visit_shares


@dataclass(frozen=True, slots=True)
class Best:
    """Best option of every zone, and what stands beside it.

    Parameters
    ----------
    method, start : numpy.ndarray of int, shape (zone,)
        Places of the method and of the winter, -1 where a zone has no option.
    share : numpy.ndarray, shape (zone,)
        Share of the block's mobilisation that the zone bears.
    joined : numpy.ndarray of int, shape (zone,)
        Number of the visit that the zone joins, -1 where it is better kept.
    protect : numpy.ndarray, shape (zone,)
        Highest expected gain of wound protection [currency/ha], NaN if it was not valued.
    idle : numpy.ndarray of int, shape (zone,)
        First vintage from which a kept crop brings less than leaving the zone idle, 0 if there is none.
    beside : tuple of tuple of int
        Places of the other zones of its block, by zone.
    """

    method: Ints
    start: Ints
    share: Floats
    joined: Ints
    protect: Floats
    idle: Ints
    beside: tuple[tuple[int, ...], ...]

    def company(self, place: int) -> list[int]:
        """Places of the zones of the same visit."""
        mine = self.joined[place]
        return [n for n in self.beside[place] if mine != KEPT and self.joined[n] == mine]


def choose_best(valuation: Valuation, *, least_area_ha: float = 0.0) -> Best:
    """Choose the best visit for each zone, mobilisation shared within blocks.

    Parameters
    ----------
    valuation : Valuation
    least_area_ha : float
        Least area of a visit to a block [ha].

    Returns
    -------
    Best
        Where no visit pays, the zone's own best option if it were done alone.

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> value = example_valuation()
    >>> best = choose_best(value)
    >>> [value.methods[one].name for one in best.method], best.joined[1].item()
    (['trunk_renewal', 'trunk_renewal', 'infill'], -1)
    """
    standing, columns = valuation.standing, valuation.renewals
    count, starts = len(standing.zone_ids), valuation.start_years.size
    mean = valuation.gain.mean(axis=0)[:, columns].reshape(count, -1)
    visit = valuation.visit[:, columns].mean(axis=0).reshape(-1)
    protect = _protection(valuation)
    kept = np.nan_to_num(np.clip(protect, 0.0, None)) * standing.area_ha
    joined, share = np.full(count, KEPT, dtype=np.int64), np.ones(count)
    beside: list[tuple[int, ...]] = [()] * count
    for here in pd.Series(range(count)).groupby(list(standing.block_ids)).indices.values():
        area = standing.area_ha[here]
        worth = mean[here] * area[:, None]
        joined[here] = share_visits(worth, visit, area, kept=kept[here], least_ha=least_area_ha)
        share[here] = visit_shares(joined[here], area)
        for place in here:
            beside[place] = tuple(int(one) for one in here if one != place)
    alone = np.where(np.isfinite(mean), mean, -np.inf) - visit / standing.area_ha[:, None]
    highest = alone.argmax(axis=1) if alone.size else np.zeros(count, dtype=np.int64)
    option = np.where(joined == KEPT, highest, joined)
    none = ~np.isfinite(alone).any(axis=1)
    method = np.where(none, KEPT, columns[option // starts] if columns.size else KEPT)
    start = np.where(none, KEPT, option % starts)
    return Best(method, start, share, joined, protect, _idle_years(valuation), tuple(beside))


def _protection(valuation: Valuation) -> Floats:
    """Highest expected gain of wound protection this winter or later [currency/ha], NaN without it."""
    column = [n for n, one in enumerate(valuation.methods) if one.protects]
    if not column:
        return np.full(len(valuation.standing.zone_ids), np.nan)
    mean = valuation.gain[:, :, column[0]].mean(axis=0)
    return np.asarray(np.where(np.isfinite(mean), mean, -np.inf).max(axis=1))


def _idle_years(valuation: Valuation) -> Ints:
    """First vintage from which keeping is expected to bring less than leaving it idle, 0 if none, by zone."""
    standing, money = valuation.standing, valuation.money
    income = [
        keep_flows(standing.of(one), money, valuation.samples, valuation.first_year).income.mean(axis=0)
        for one in zone_parts(len(standing.zone_ids))
    ]
    margin = np.concatenate(income) - money.growing_cost_per_ha
    worse = (margin < -money.idle_cost_per_ha) & (live(standing) > 0)
    return np.asarray(np.where(worse.any(axis=1), standing.years[worse.argmax(axis=1)], 0))


def shut_out(valuation: Valuation, facts: pd.DataFrame) -> Valuation:
    """Take out what only the decline rows tell to be impossible.

    That is infill where missing vines were never counted, as their share is then only a guess, and any
    renewal in winters in which an earlier one is not finished.

    Parameters
    ----------
    valuation : Valuation
    facts : pandas.DataFrame
        Decline rows in the order of the valuation, with ``missing_pct`` and ``renewed_year`` where known.

    Returns
    -------
    Valuation
        With NaN gains there.
    """
    return _without_recovering(_without_uncounted(valuation, facts), facts)


def _without_uncounted(valuation: Valuation, facts: pd.DataFrame) -> Valuation:
    filling = [one.keeps_standing for one in valuation.methods]
    if "missing_pct" not in facts.columns or not any(filling):
        return valuation
    never = facts["missing_pct"].isna().to_numpy(dtype=bool)
    shut = never[:, None] & np.asarray(filling)
    return _closed(valuation, np.broadcast_to(shut[..., None], valuation.gain.shape[1:]))


def _without_recovering(valuation: Valuation, facts: pd.DataFrame) -> Valuation:
    recovering = still_recovering(_renewed_years(facts), valuation.start_years)
    renewals = np.isin(np.arange(len(valuation.methods)), valuation.renewals)
    return _closed(valuation, recovering[:, None, :] & renewals[:, None])


def _renewed_years(facts: pd.DataFrame) -> Floats:
    if "renewed_year" not in facts.columns:
        return np.full(len(facts), np.nan)
    years = facts["renewed_year"].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    return np.asarray(years, dtype=float)


def _closed(valuation: Valuation, shut: Flags) -> Valuation:
    """Take options (zone, method, start) out; where they were never valued all draws stay as they are."""
    if not np.isfinite(valuation.gain[0][shut]).any():
        return valuation
    return replace(valuation, gain=np.where(shut, np.nan, valuation.gain))
