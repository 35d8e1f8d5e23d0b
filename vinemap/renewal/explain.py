"""The cash flows behind an advice, the loss and price at which it turns, and what dominates it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import optimize

from vinemap.errors import DataError
from vinemap.renewal.cashflow import (
    aftercare_cost,
    chain_annual,
    chain_credit,
    crop_after,
    discount,
    growing_after,
    keep_flows,
    method_gain,
    net_price,
    take_share,
    work_cost,
    young_ages,
)
from vinemap.renewal.finance import Floats, capital_recovery
from vinemap.renewal.methods import Method, Money
from vinemap.renewal.standing import Samples, Standing
from vinemap.renewal.value import Valuation, option_crop, single_zone

SEARCH, SEARCH_STEPS = 8.0, 10  # break-even is sought from an eighth to eight times, in so many steps


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
    place = valuation.zone_index(zone_id)
    column, start = _option_of(valuation, place, method, year)
    one = single_zone(valuation, place)
    begin = int(one.start_years[start])
    years = np.arange(one.first_year, int(one.standing.horizon[0]) + 1)
    keep = _keep_table(one, years)
    renew_income, renew_cost = _renew_flows(one, column, begin, years, keep)
    crop = _crop_by_year(one, option_crop(one, column, begin), years)
    end = np.where(years == years[-1], one.money.removal_per_ha, 0.0)
    renew_cost[years == begin] += _visit(one, column) * mobilisation_share
    if one.methods[column].renews_trellis:
        renew_cost += np.where(years == begin, one.money.removal_per_ha, 0.0)
    else:
        renew_cost += end
    frame = pd.DataFrame({"year": years})
    frame["discount_factor"] = discount(years, one.first_year, one.money.discount_rate)
    frame["keep_t_ha"], frame["renew_t_ha"] = _crop_by_year(one, one.standing.keep, years), crop
    frame["keep_income"], frame["renew_income"] = keep["income"].to_numpy(), renew_income
    frame["keep_cost"], frame["renew_cost"] = keep["cost"].to_numpy() + end, renew_cost
    frame["keep_net"] = frame["keep_income"] - frame["keep_cost"]
    frame["renew_net"] = frame["renew_income"] - frame["renew_cost"]
    frame["difference"] = frame["renew_net"] - frame["keep_net"]
    frame["difference_discounted"] = frame["difference"] * frame["discount_factor"]
    frame["keep_idle_share"] = keep["idle"].to_numpy()
    return frame


def _option_of(valuation: Valuation, place: int, method: str | None, year: int | None) -> tuple[int, int]:
    mean = valuation.alone_gain()[:, place].mean(axis=0)
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


def _crop_by_year(one: Valuation, crop: Floats, years: np.ndarray) -> Floats:
    mean = pd.Series(crop[:, 0].mean(axis=0), index=one.standing.years)
    out = mean.reindex(years)
    if years[0] < one.standing.years[0]:
        out.iloc[0] = one.standing.now[:, 0].mean()
    return out.to_numpy(dtype=float)


def _keep_table(one: Valuation, years: np.ndarray) -> pd.DataFrame:
    """Income, cost and share of idle draws of keeping, by year; nothing in the first winter itself."""
    flows = keep_flows(one.standing, one.money, one.samples, one.first_year)
    split = _split(flows.income[:, 0], one.money.growing_cost_per_ha, one.money)
    frame = pd.DataFrame(dict(zip(("income", "cost", "idle"), split, strict=True)), index=one.standing.years)
    frame = frame.reindex(years, fill_value=0.0)
    frame.loc[years <= one.first_year] = 0.0
    return frame


def _split(
    income: Floats, growing: Floats | float, money: Money, full: int = 0
) -> tuple[Floats, Floats, Floats]:
    """Mean income, mean cost and share of draws idle, by vintage; idling is open from the `full`-th on."""
    idle = income - growing < -money.idle_cost_per_ha
    idle[:, :full] = False
    cost = np.where(idle, money.idle_cost_per_ha, growing)
    return np.where(idle, 0.0, income).mean(axis=0), cost.mean(axis=0), idle.mean(axis=0)


def _renew_flows(
    one: Valuation, column: int, begin: int, years: np.ndarray, keep: pd.DataFrame
) -> tuple[Floats, Floats]:
    """Income and cost of the work by year [currency/ha]; until the work those of keeping."""
    standing, method, money = one.standing, one.methods[column], one.money
    factor = one.samples.cost[:, column]
    income, cost = keep["income"].to_numpy(copy=True), keep["cost"].to_numpy(copy=True)
    later = years > begin
    span = int(later.sum())
    if method.renews_trellis:
        annual = chain_annual(standing, method, column, money=money, samples=one.samples, year=begin)
        left = np.asarray([float(span)])
        credit = chain_credit(annual, left, method.life_years, money.discount_rate)
        income[later] = credit.mean() * capital_recovery(money.discount_rate, span)
        cost[later] = 0.0
        return income, cost
    index = years[later] - int(standing.years[0])
    kept = keep_flows(standing, money, one.samples, one.first_year).income[:, 0][:, index]
    if method.protects:
        _, crop = standing.keep[:, 0][:, index], option_crop(one, column, begin)[:, 0][:, index]
        tonne = net_price(standing, method, money, one.samples)
        saved = (crop - standing.keep[:, 0][:, index]) * tonne
        income[later], cost[later], _ = _split(kept + saved, money.growing_cost_per_ha, money)
        cost[(years >= begin) & (years < years[-1])] += factor.mean() * method.yearly_cost_per_ha
        return income, cost
    take = take_share(standing, method, one.samples.take[:, column], begin)
    earned = crop_after(standing, method, take, span)[:, 0] * net_price(standing, method, money, one.samples)
    if method.keeps_standing:
        split = _split(kept + earned, money.growing_cost_per_ha, money)
    else:
        split = _split(earned, growing_after(method, money, span), money, young_ages(method))
    income[later], cost[later] = split[0], split[1]
    cost[later] += aftercare_cost(standing, method, factor, take, span)[:, 0].mean(axis=0)
    cost[years == begin] += work_cost(standing, method, factor).mean()
    return income, cost


def break_even(
    valuation: Valuation,
    zone_id: str,
    *,
    method: str | None = None,
    year: int | None = None,
    mobilisation_share: float = 1.0,
) -> dict[str, float]:
    """Loss and price at which the renewal and keeping come out even, all else equal.

    Parameters
    ----------
    valuation, zone_id, method, year, mobilisation_share
        As in `explain_zone`.

    Returns
    -------
    dict
        ``loss_pct``: loss of healthy yield now [%] above which the renewal pays, the whole forecast scaled in
        proportion: below 0 it pays at any loss, for its decline alone (NaN for infill and wound protection,
        which do not replace the kept crop, and where keeping earns nothing). ``price_per_t``: price
        [currency/t] at which the expected gain is 0 (NaN where there is none); whether the gain rises or
        falls with price is ``gain_per_price`` [currency/ha per currency/t].

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> even = break_even(example_valuation(), "A-Z1", method="trunk_renewal", year=2026)
    >>> even["loss_pct"] < 40, 0 < even["price_per_t"] < 600
    (True, True)
    """
    place = valuation.zone_index(zone_id)
    column, start = _option_of(valuation, place, method, year)
    one, chosen = single_zone(valuation, place), valuation.methods[column]

    def at_price(factor: float) -> float:
        return _gain(one, column, start, mobilisation_share, money=_scale_price(one.money, factor),
                     method=_scale_new_price(chosen, factor))  # fmt: skip

    def at_crop(factor: float) -> float:
        return _gain(one, column, start, mobilisation_share, standing=_scale_crop(one.standing, factor))

    price = one.money.price_of(one.standing.varieties[0])
    slope = (at_price(1.01) - at_price(0.99)) / (0.02 * price) if price > 0 else 0.0
    out = {"loss_pct": np.nan, "price_per_t": price * _crossing(at_price), "gain_per_price": slope}
    if not (chosen.protects or chosen.keeps_standing):
        left = float((one.standing.now / one.standing.healthy).mean())
        out["loss_pct"] = 100.0 * (1.0 - left * _crossing(at_crop))
    return out


def _crossing(gain: Callable[[float], float]) -> float:
    """Factor nearest to 1 at which the gain is 0, NaN if there is none between 1/8 and 8."""
    steps = np.geomspace(1.0, SEARCH, SEARCH_STEPS)
    found = []
    for ends in (steps, 1.0 / steps):
        values = [gain(1.0)]
        for near, far in itertools.pairwise(ends):
            values.append(gain(float(far)))
            if values[-1] == 0.0 or values[-2] * values[-1] < 0:
                found.append(float(optimize.brentq(gain, near, far, xtol=1e-4)))
                break
    return min(found, key=lambda one: abs(np.log(one)), default=np.nan)


def _gain(
    one: Valuation,
    column: int,
    start: int,
    mobilisation_share: float,
    *,
    money: Money | None = None,
    method: Method | None = None,
    standing: Standing | None = None,
    samples: Samples | None = None,
) -> float:
    """Value one option of a one-zone valuation with some inputs exchanged [currency/ha]."""
    cash, work = money or one.money, method or one.methods[column]
    stand, drawn = standing or one.standing, samples or one.samples
    flows = keep_flows(stand, cash, drawn, one.first_year)
    years = one.start_years[[start]]
    gain = method_gain(
        stand, flows, work, column, money=cash, samples=drawn, first_year=one.first_year, start_years=years
    )
    visit = drawn.cost[:, column] * work.mobilisation_per_block / stand.area_ha[0]
    later = (1.0 + cash.discount_rate) ** -float(years[0] - one.first_year)
    return float((gain[:, 0, 0] - mobilisation_share * visit * later).mean())


def _scale_price(money: Money, factor: float) -> Money:
    by_variety = {name: factor * one for name, one in money.price_by_variety.items()}
    return replace(money, price_per_t=factor * money.price_per_t, price_by_variety=by_variety)


def _scale_crop(standing: Standing, factor: float) -> Standing:
    """Let the zone bear more or less if kept, its healthy yield as it is."""
    return replace(standing, keep=factor * standing.keep, now=factor * standing.now)


def _scale_growing(money: Money, factor: float) -> Money:
    return replace(
        money,
        growing_cost_per_ha=factor * money.growing_cost_per_ha,
        growing_cost_out_of_crop_per_ha=factor * money.growing_cost_out_of_crop_per_ha,
    )


def _scale_new_price(method: Method, factor: float) -> Method:
    if method.new_price_per_t is None:
        return method
    return replace(method, new_price_per_t=factor * method.new_price_per_t)


@dataclass(frozen=True, slots=True)
class _Change:
    """One input moved: its name, the two values in words, and the inputs exchanged at each."""

    name: str
    low: str
    high: str
    low_inputs: dict[str, Money | Method | Standing | Samples]
    high_inputs: dict[str, Money | Method | Standing | Samples]


def measure_sensitivity(
    valuation: Valuation,
    zone_id: str,
    *,
    method: str | None = None,
    year: int | None = None,
    mobilisation_share: float = 1.0,
) -> pd.DataFrame:
    """Move one input at a time and see what it does to the expected gain of a zone's renewal.

    Parameters
    ----------
    valuation, zone_id, method, year, mobilisation_share
        As in `explain_zone`.

    Returns
    -------
    pandas.DataFrame
        ``input, low, high, gain_low, gain_high`` [currency/ha], ``swing`` [currency/ha], ``changes_sign``,
        sorted by swing. The ranges (20 % of price and costs, half of the cost of idling, 2 points of discount
        rate, 10 points of take, 10 % of the full level, half and one and a half times the speed of decline, a
        crop one year later) are common practice, no source.

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> table = measure_sensitivity(example_valuation(), "A-Z1", method="trunk_renewal", year=2026)
    >>> bool(table["swing"].is_monotonic_decreasing), "price" in set(table["input"])
    (True, True)
    """
    place = valuation.zone_index(zone_id)
    column, start = _option_of(valuation, place, method, year)
    one = single_zone(valuation, place)
    rows = []
    for change in _changes(one, column):
        low = _gain(one, column, start, mobilisation_share, **change.low_inputs)  # type: ignore[arg-type]
        high = _gain(one, column, start, mobilisation_share, **change.high_inputs)  # type: ignore[arg-type]
        rows.append((change.name, change.low, change.high, low, high, abs(high - low), low * high < 0))
    names = ["input", "low", "high", "gain_low", "gain_high", "swing", "changes_sign"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.sort_values("swing", ascending=False, kind="stable").reset_index(drop=True)


def _changes(one: Valuation, column: int) -> Iterator[_Change]:
    money, method = one.money, one.methods[column]
    yield _Change(
        "price", "-20 %", "+20 %",
        {"money": _scale_price(money, 0.8), "method": _scale_new_price(method, 0.8)},
        {"money": _scale_price(money, 1.2), "method": _scale_new_price(method, 1.2)},
    )  # fmt: skip
    yield _Change(
        "cost of work", "-20 %", "+20 %",
        {"samples": replace(one.samples, cost=0.8 * one.samples.cost)},
        {"samples": replace(one.samples, cost=1.2 * one.samples.cost)},
    )  # fmt: skip
    rate = money.discount_rate
    yield _Change(
        "discount rate", f"{100 * max(rate - 0.02, 0.0):.1f} %", f"{100 * (rate + 0.02):.1f} %",
        {"money": replace(money, discount_rate=max(rate - 0.02, 0.0))},
        {"money": replace(money, discount_rate=rate + 0.02)},
    )  # fmt: skip
    yield _Change(
        "growing cost", "-20 %", "+20 %",
        {"money": _scale_growing(money, 0.8)}, {"money": _scale_growing(money, 1.2)},
    )  # fmt: skip
    yield _Change(
        "cost of leaving idle", "half", "one and a half",
        {"money": replace(money, idle_cost_per_ha=0.5 * money.idle_cost_per_ha)},
        {"money": replace(money, idle_cost_per_ha=1.5 * money.idle_cost_per_ha)},
    )  # fmt: skip
    yield _Change(
        "speed of decline", "half", "one and a half",
        {"standing": _scale_decline(one.standing, 0.5)},
        {"standing": _scale_decline(one.standing, 1.5)},
    )  # fmt: skip
    if method.protects:
        return
    yield _Change(
        "take share", "-10 points", "+10 points",
        {"method": replace(method, take_share=max(method.take_share - 0.1, 0.0))},
        {"method": replace(method, take_share=min(method.take_share + 0.1, 1.0))},
    )  # fmt: skip
    yield _Change(
        "full level", "-10 %", "+10 %",
        {"method": replace(method, full_level=0.9 * method.full_level)},
        {"method": replace(method, full_level=1.1 * method.full_level)},
    )  # fmt: skip
    late = (0.0, *method.crop_share_by_year_after)
    yield _Change(
        "first crop", "a year later", "as set", {"method": replace(method, crop_share_by_year_after=late)}, {}
    )


def _scale_decline(standing: Standing, factor: float) -> Standing:
    now = standing.now[:, :, None]
    keep = np.clip(now - factor * (now - standing.keep), 0.0, None)
    return replace(standing, keep=keep, rate=np.clip(factor * standing.rate, 0.0, 1.0))
