"""The cash flows behind an advice, year by year."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap.errors import DataError
from vinemap.renewal.cashflow import (
    aftercare_cost,
    chain_annual,
    chain_credit,
    discount,
    growing_after,
    keep_flows,
    net_price,
    work_cost,
)
from vinemap.renewal.crops import crop_after, take_share, young_ages
from vinemap.renewal.finance import Floats, capital_recovery
from vinemap.renewal.methods import Money
from vinemap.renewal.standing import Ints
from vinemap.renewal.value import Valuation, option_crop, single_zone


def explain_zone(
    valuation: Valuation,
    zone_id: str,
    *,
    method: str | None = None,
    year: int | None = None,
    mobilisation_share: float = 1.0,
) -> pd.DataFrame:
    """Cash flows, year by year, of keeping a zone and of one renewal: means over the draws.

    Parameters
    ----------
    valuation : Valuation
    zone_id : str
    method, year : str and int, optional
        Option to explain; by default the one with the highest expected gain if the zone is done alone.
    mobilisation_share : float
        Share of the block's mobilisation that the zone bears (see ``mobilisation_share`` of `decide_zones`).

    Returns
    -------
    pandas.DataFrame
        One row per year from the first winter to the horizon: ``year, discount_factor, keep_t_ha,
        renew_t_ha`` [t/ha], ``keep_income, renew_income`` (less harvest cost), ``keep_cost, renew_cost``
        (growing or idling, and the work), ``keep_net, renew_net, difference, difference_discounted``
        [currency/ha]; the last adds up to the expected gain. ``keep_idle_share`` is the share of draws in
        which keeping would leave the zone idle that year.

    Raises
    ------
    DataError
        If the zone or the option was not valued.

    Notes
    -----
    A method on a new trellis shows its equivalent annual value as ``renew_income`` from the first vintage on:
    planting, training, growing cost and removal at the end of its life are in that figure (the whole of its
    loss, where it does not pay).

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> table = explain_zone(example_valuation(), "A-Z1", method="trunk_renewal", year=2026)
    >>> table["year"].iloc[[0, -1]].tolist(), round(table["difference_discounted"].sum(), -2)
    ([2026, 2041], np.float64(31200.0))
    """
    one, column, start = one_option(valuation, zone_id, method, year)
    begin = int(one.start_years[start])
    years = np.arange(one.first_year, int(one.standing.horizon[0]) + 1)
    kept = keep_flows(one.standing, one.money, one.samples, one.first_year).income[:, 0]
    keep = _kept_flows(one, kept, years)
    keep_income, keep_cost, keep_idle = keep
    renew_income, renew_cost = _renew_flows(one, column, begin, years, keep, kept)
    end = np.where(years == years[-1], one.money.removal_per_ha, 0.0)
    renew_cost[years == begin] += _visit(one, column) * mobilisation_share
    if one.methods[column].renews_trellis:
        renew_cost += np.where(years == begin, one.money.removal_per_ha, 0.0)
    else:
        renew_cost += end
    keep_cost = keep_cost + end
    keep_net, renew_net = keep_income - keep_cost, renew_income - renew_cost
    factor = discount(years, one.first_year, one.money.discount_rate)
    return pd.DataFrame({
        "year": years, "discount_factor": factor,
        "keep_t_ha": _crop_by_year(one, one.standing.keep, years),
        "renew_t_ha": _crop_by_year(one, option_crop(one, column, begin), years),
        "keep_income": keep_income, "renew_income": renew_income,
        "keep_cost": keep_cost, "renew_cost": renew_cost, "keep_net": keep_net, "renew_net": renew_net,
        "difference": renew_net - keep_net, "difference_discounted": (renew_net - keep_net) * factor,
        "keep_idle_share": keep_idle,
    })  # fmt: skip


def one_option(
    valuation: Valuation, zone_id: str, method: str | None, year: int | None
) -> tuple[Valuation, int, int]:
    """Cut a valuation down to one zone, with the places of its method and start year as `option_of`.

    Raises
    ------
    DataError
        If the zone or the option was not valued.
    """
    place = valuation.zone_index(zone_id)
    return single_zone(valuation, place), *option_of(valuation, place, method, year)


def option_of(valuation: Valuation, place: int, method: str | None, year: int | None) -> tuple[int, int]:
    """Give the places of method and start year: those asked for, else those of the highest gain alone.

    Raises
    ------
    DataError
        If no such option was valued for the zone.
    """
    mean = valuation.alone_gain(place).mean(axis=0)
    for column, one in enumerate(valuation.methods):
        if (one.protects and method is None) or (method is not None and one.name != method):
            mean[column] = np.nan
    if year is not None:
        mean[:, valuation.start_years != year] = np.nan
    if not np.isfinite(mean).any():
        zone = valuation.standing.zone_ids[place]
        raise DataError(
            f"Zone {zone} has no value for {method or 'any renewal'} in {year or 'any year'}.",
            remedy="Ask for a method and year of its renewal options.",
        )
    best = int(np.nanargmax(mean))
    return best // mean.shape[1], best % mean.shape[1]


def _visit(one: Valuation, column: int) -> float:
    """Mobilisation in its year [currency/ha], all of it on this zone."""
    factor = one.samples.cost[:, column].mean()
    return float(factor * one.methods[column].mobilisation_per_block / one.standing.area_ha[0])


def _crop_by_year(one: Valuation, crop: Floats, years: Ints) -> Floats:
    """Mean crop [t/ha] by year; in the first winter itself what the zone bears now."""
    mean, ahead = crop[:, 0].mean(axis=0), years - int(one.standing.years[0])
    return np.asarray(np.where(ahead < 0, one.standing.now[:, 0].mean(), mean[np.maximum(ahead, 0)]))


def _kept_flows(one: Valuation, income: Floats, years: Ints) -> tuple[Floats, Floats, Floats]:
    """Income, cost and share of idle draws of keeping, by year; nothing in the first winter itself."""
    later = years > one.first_year
    ahead = years[later] - int(one.standing.years[0])
    out = np.zeros((3, years.size))
    out[:, later] = np.stack(_split(income, one.money.growing_cost_per_ha, one.money))[:, ahead]
    return out[0], out[1], out[2]


def _split(
    income: Floats, growing: Floats | float, money: Money, full: int = 0
) -> tuple[Floats, Floats, Floats]:
    """Mean income, mean cost and share of draws idle, by vintage; idling is open from the `full`-th on."""
    idle = income - growing < -money.idle_cost_per_ha
    idle[:, :full] = False
    cost = np.where(idle, money.idle_cost_per_ha, growing)
    return np.where(idle, 0.0, income).mean(axis=0), cost.mean(axis=0), idle.mean(axis=0)


def _renew_flows(
    one: Valuation, column: int, begin: int, years: Ints, keep: tuple[Floats, ...], kept: Floats
) -> tuple[Floats, Floats]:
    """Income and cost of the work by year [currency/ha]; until the work those of keeping.

    `keep` is income and cost of keeping by year, `kept` the income of the kept crop [currency/ha], shape
    (draw, forecast vintage).
    """
    method, factor = one.methods[column], one.samples.cost[:, column]
    income, cost = keep[0].copy(), keep[1].copy()
    later = years > begin
    if method.renews_trellis:
        income[later], cost[later] = _new_planting(one, column, begin, int(later.sum())), 0.0
        return income, cost
    kept = kept[:, years[later] - int(one.standing.years[0])]
    if method.protects:
        income[later], cost[later] = _protected(one, column, begin, years[later], kept)
        cost[(years >= begin) & (years < years[-1])] += factor.mean() * method.yearly_cost_per_ha
        return income, cost
    income[later], cost[later] = _worked(one, column, begin, kept)
    cost[years == begin] += work_cost(one.standing, method, factor).mean()
    return income, cost


def _new_planting(one: Valuation, column: int, begin: int, span: int) -> float:
    """Equivalent annual value of a planting on a new trellis, as credited up to the horizon [currency/ha]."""
    method, rate = one.methods[column], one.money.discount_rate
    annual = chain_annual(one.standing, method, column, money=one.money, samples=one.samples, year=begin)
    credit = chain_credit(annual, np.asarray([float(span)]), method.life_years, rate)
    return float(credit.mean() * capital_recovery(rate, span))


def _protected(one: Valuation, column: int, begin: int, years: Ints, kept: Floats) -> tuple[Floats, Floats]:
    """Income and growing cost of a zone whose decline protection slows."""
    index = years - int(one.standing.years[0])
    saved = (option_crop(one, column, begin) - one.standing.keep)[:, 0][:, index]
    tonne = net_price(one.standing, one.methods[column], one.money, one.samples)
    return _split(kept + saved * tonne, one.money.growing_cost_per_ha, one.money)[:2]


def _worked(one: Valuation, column: int, begin: int, kept: Floats) -> tuple[Floats, Floats]:
    """Income and cost of the vintages after work on the present trellis, the work itself not in them."""
    standing, method, money = one.standing, one.methods[column], one.money
    span = kept.shape[1]
    take = take_share(standing, method, one.samples.take[:, column], begin)
    earned = crop_after(standing, method, take, span)[:, 0] * net_price(standing, method, money, one.samples)
    if method.keeps_standing:
        income, cost, _ = _split(kept + earned, money.growing_cost_per_ha, money)
    else:
        income, cost, _ = _split(earned, growing_after(method, money, span), money, young_ages(method))
    care = aftercare_cost(standing, method, one.samples.cost[:, column], take, span)
    return income, cost + care[:, 0].mean(axis=0)
