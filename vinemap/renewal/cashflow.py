"""Net present value of each method and start year against keeping, on every draw at once.

Timing. Work in year Y is paid in the winter after vintage Y; the first vintage it touches is Y + 1. All
values are of the winter `first_year`: an amount of vintage or winter y is discounted by
``(1 + r)**(y - first_year)``.

Equal horizons. Every option runs to the last vintage on the present trellis (the horizon H), then every
option is followed by the same new planting, so what comes after H cancels. A method that brings its own new
trellis starts that chain of plantings early: over Y+1..H it earns the equivalent annual value of a new
planting, the credit for the life it has left at H. That is the replacement rule of Faris (1960) and Perrin
(1972).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vinemap.renewal.finance import Floats, annuity_factor, capital_recovery
from vinemap.renewal.methods import Method, Money
from vinemap.renewal.standing import Ints, Samples, Standing


@dataclass(frozen=True, slots=True)
class KeepFlows:
    """What keeping brings.

    Parameters
    ----------
    income : numpy.ndarray, shape (draw, zone, year)
        Income less harvest cost [currency/ha], not discounted, 0 past the horizon.
    after : numpy.ndarray, shape (draw, zone, year + 1)
        Discounted income of this and all later forecast vintages [currency/ha].
    price : numpy.ndarray, shape (draw, zone)
        Price times the draw's price factor [currency/t].
    """

    income: Floats
    after: Floats
    price: Floats


def keep_flows(standing: Standing, money: Money, samples: Samples, first_year: int) -> KeepFlows:
    """Income of keeping each zone [currency/ha] by vintage.

    Parameters
    ----------
    standing : Standing
    money : Money
    samples : Samples
    first_year : int
        Winter of the first possible work: the date of all present values.

    Returns
    -------
    KeepFlows
    """
    table = np.asarray([money.price_of(one) for one in standing.varieties])
    price = samples.price[:, None] * table[None, :]
    old_wood = money.mog_share_old_wood * _loss(standing, standing.keep)
    paid = price[:, :, None] * (1.0 - money.mog_share - old_wood)
    live = np.asarray(standing.years[None, :] <= standing.horizon[:, None])
    income = standing.keep * (paid - money.harvest_cost_per_t) * live[None]
    discounted = income * discount(standing.years, first_year, money.discount_rate)
    after = np.zeros((*income.shape[:2], income.shape[2] + 1))
    after[:, :, :-1] = np.cumsum(discounted[:, :, ::-1], axis=2)[:, :, ::-1]
    return KeepFlows(income, after, price)


def discount(years: Ints, first_year: int, rate: float) -> Floats:
    """Discount factors of these years."""
    return np.asarray((1.0 + rate) ** -(years - first_year).astype(float))


def _loss(standing: Standing, crop: Floats) -> Floats:
    return np.clip(1.0 - crop / standing.healthy[:, :, None], 0.0, 1.0)


def crop_at_start(standing: Standing, year: int) -> Floats:
    """Kept crop [t/ha] just before work in `year` (now, or that vintage's forecast), shape (draw, zone)."""
    index = min(year - int(standing.years[0]), standing.years.size - 1)
    return standing.now if index < 0 else standing.keep[:, :, index]


def take_share(standing: Standing, method: Method, deviate: Floats, year: int) -> Floats:
    """Share of worked vines that take in `year`, shape (draw, zone).

    The symptomatic share is carried forward by the crop lost since, one to one (Munkvold et al. 1994: slopes
    of 0.90 and 0.99 of yield on the share of spurs dead or symptomatic [S]).
    """
    lost_since = np.clip((standing.now - crop_at_start(standing, year)) / standing.healthy, 0.0, 1.0)
    sick = np.clip(standing.symptomatic + lost_since, 0.0, 1.0)
    age = np.where(np.isfinite(standing.planted), year - standing.planted, 0.0)
    old = np.clip(age - method.take_age_from, 0.0, None)
    share = method.take_share - method.take_drop_symptomatic * sick - method.take_drop_per_year * old[None, :]
    return np.clip(share + method.take_sd * deviate[:, None], 0.0, 1.0)


def worked_share(standing: Standing, method: Method) -> Floats:
    """Share of vine places worked on, shape (draw, zone)."""
    if method.keeps_standing:
        return standing.missing
    return np.ones_like(standing.missing) if method.restores_stand else 1.0 - standing.missing


def full_crop(standing: Standing, method: Method) -> Floats:
    """Crop [t/ha] of the work once in full bearing if every vine takes, shape (draw, zone).

    For infill: what the new vines add, never more than the zone has lost (neighbours fill part of a gap).
    """
    if method.keeps_standing:
        gap = np.clip(1.0 - standing.now / standing.healthy, 0.0, 1.0)
        return method.full_level * standing.healthy * np.minimum(standing.missing, gap)
    return method.full_level * standing.healthy * worked_share(standing, method)


def crop_shape(standing: Standing, method: Method, span: int) -> Floats:
    """Crop in the 1st, 2nd, ... vintage after the work as share of full, shape (draw, zone, span)."""
    ramp = np.ones(span)
    young = method.crop_share_by_year_after[:span]
    ramp[: len(young)] = young
    held = len(method.crop_share_by_year_after) + method.held_years
    declining = np.clip(np.arange(1, span + 1) - held, 0.0, None)
    left = 1.0 - method.decline_speed * standing.rate[:, :, None] * declining
    return np.asarray(ramp * np.clip(left, 0.0, 1.0))


def work_cost(standing: Standing, method: Method, factor: Floats) -> Floats:
    """Cost of the work in its year [currency/ha], mobilisation not in it, shape (draw, zone)."""
    per_metre = method.cost_per_m * standing.metres_per_ha if method.cost_per_m else 0.0
    vines = standing.vines_per_ha * worked_share(standing, method)
    spread = vines / standing.vines_per_ha if method.keeps_standing else 1.0
    per_ha = np.asarray(per_metre) + method.cost_per_ha
    return np.asarray(factor[:, None] * (method.cost_per_vine * vines + spread * per_ha))


def aftercare_cost(standing: Standing, method: Method, factor: Floats, take: Floats, span: int) -> Floats:
    """Cost in the 1st, 2nd, ... winter after the work [currency/ha], shape (draw, zone, span)."""
    vines = standing.vines_per_ha * worked_share(standing, method)
    per_vine = np.zeros(span)
    care = method.aftercare_per_vine_by_year[:span]
    per_vine[: len(care)] = care
    cost = vines[:, :, None] * per_vine
    if method.restores_stand and span:
        cost[:, :, 0] += vines * (1.0 - take) * method.cost_per_vine
    return np.asarray(factor[:, None, None] * cost)


def net_price(standing: Standing, method: Method, money: Money, samples: Samples) -> Floats:
    """Income less harvest cost of a tonne after the work [currency/t], shape (draw, zone)."""
    if method.new_price_per_t is not None:
        table = np.full(len(standing.zone_ids), method.new_price_per_t)
    else:
        table = np.asarray([money.price_of(method.new_variety or one) for one in standing.varieties])
    paid = samples.price[:, None] * table * (1.0 - money.mog_share)
    return np.asarray(paid - money.harvest_cost_per_t)


def method_gain(
    standing: Standing,
    flows: KeepFlows,
    method: Method,
    column: int,
    *,
    money: Money,
    samples: Samples,
    first_year: int,
    start_years: Ints,
) -> Floats:
    """Net present value over keeping [currency/ha], mobilisation not in it.

    Parameters
    ----------
    standing : Standing
    flows : KeepFlows
    method : Method
    column : int
        Place of the method in the samples.
    money : Money
    samples : Samples
    first_year : int
    start_years : numpy.ndarray of int, shape (start,)

    Returns
    -------
    numpy.ndarray, shape (draw, zone, start)
        NaN where no vintage is left after the work, or the method is not possible (see `possible`).
    """
    if method.protects:
        gain = _protect_gain(standing, flows, method, column, money, samples, first_year, start_years)
    elif method.renews_trellis:
        gain = _chain_gain(standing, flows, method, column, money, samples, first_year, start_years)
    else:
        gain = _renew_gain(standing, flows, method, column, money, samples, first_year, start_years)
    too_late = start_years[None, :] >= standing.horizon[:, None]
    out = ~possible(standing, method)
    return np.where((too_late | out[:, None])[None], np.nan, gain)


def possible(standing: Standing, method: Method) -> npt.NDArray[np.bool_]:
    """Whether the method can be done in each zone at all: enough vines missing, another variety to graft."""
    gaps = standing.missing.mean(axis=0) >= method.least_missing_share
    if method.keeps_standing:
        gaps &= standing.gaps_counted
    if method.name != "graft_over":
        return np.asarray(gaps)
    other = [bool(method.new_variety) and one != method.new_variety for one in standing.varieties]
    return np.asarray(gaps & np.asarray(other, dtype=bool))


def _renew_gain(
    standing: Standing,
    flows: KeepFlows,
    method: Method,
    column: int,
    money: Money,
    samples: Samples,
    first_year: int,
    start_years: Ints,
) -> Floats:
    """Value work on the present trellis: crop by the ramp to the horizon, less what keeping would bring."""
    span, rate = standing.years.size, money.discount_rate
    care_span = len(method.aftercare_per_vine_by_year) + int(method.restores_stand)
    shape = crop_shape(standing, method, span)
    by_age = (1.0 + rate) ** -np.arange(1, span + 1)
    worth = _running(shape * by_age)
    tonne = full_crop(standing, method) * net_price(standing, method, money, samples)
    cost = work_cost(standing, method, samples.cost[:, column])
    zone = np.arange(len(standing.zone_ids))
    out = np.empty((standing.draw_count, zone.size, start_years.size))
    for place, year in enumerate(start_years):
        ahead = np.clip(standing.horizon - year, 0, span)
        take = take_share(standing, method, samples.take[:, column], int(year))
        care = aftercare_cost(standing, method, samples.cost[:, column], take, care_span)
        care_worth = _running(care * by_age[:care_span])[:, zone, np.minimum(ahead, care_span)]
        level = tonne * (1.0 if method.restores_stand else take)
        value = level * worth[:, zone, ahead] - cost - care_worth
        lost = 0.0 if method.keeps_standing else flows.after[:, :, _first_vintage(standing, int(year))]
        out[:, :, place] = value * (1.0 + rate) ** -float(year - first_year) - lost
    return out


def _running(values: Floats) -> Floats:
    """Give sums of the first 0, 1, ... n values along the last axis."""
    out = np.zeros((*values.shape[:-1], values.shape[-1] + 1))
    np.cumsum(values, axis=-1, out=out[..., 1:])
    return out


def _first_vintage(standing: Standing, year: int) -> int:
    """Index of the first vintage that work in `year` touches."""
    return int(np.clip(year + 1 - standing.years[0], 0, standing.years.size))


def chain_annual(
    standing: Standing, method: Method, column: int, *, money: Money, samples: Samples, year: int
) -> Floats:
    """Equivalent annual value of a new planting on a new trellis [currency/ha/year], shape (draw, zone).

    Its cost, crop by the ramp, growing cost and removal at the end of its life, spread over its life.
    """
    life, rate = method.life_years, money.discount_rate
    by_age = (1.0 + rate) ** -np.arange(1, life + 1)
    take = take_share(standing, method, samples.take[:, column], year)
    care = aftercare_cost(standing, method, samples.cost[:, column], take, life) @ by_age
    crop = crop_shape(standing, method, life) @ by_age
    tonne = full_crop(standing, method) * net_price(standing, method, money, samples)
    level = tonne * (1.0 if method.restores_stand else take)
    worth = level * crop - work_cost(standing, method, samples.cost[:, column]) - care
    worth -= money.growing_cost_per_ha * by_age.sum() + money.removal_per_ha * by_age[-1]
    return np.asarray(worth * capital_recovery(rate, life))


def _chain_gain(
    standing: Standing,
    flows: KeepFlows,
    method: Method,
    column: int,
    money: Money,
    samples: Samples,
    first_year: int,
    start_years: Ints,
) -> Floats:
    """Value a new planting: its equivalent annual value from Y+1 to the horizon, the old one pulled early."""
    rate = money.discount_rate
    out = np.empty((standing.draw_count, len(standing.zone_ids), start_years.size))
    end = (1.0 + rate) ** -(standing.horizon - first_year).astype(float)
    for place, year in enumerate(start_years):
        begin = (1.0 + rate) ** -float(year - first_year)
        annual = chain_annual(standing, method, column, money=money, samples=samples, year=int(year))
        left = np.clip(standing.horizon - year, 0, None)
        annuity = begin * np.asarray([annuity_factor(rate, float(one)) if one else 0.0 for one in left])
        kept = flows.after[:, :, _first_vintage(standing, int(year))] - money.growing_cost_per_ha * annuity
        early = money.removal_per_ha * (begin - end)
        out[:, :, place] = annual * annuity - kept - early
    return out


def _protect_gain(
    standing: Standing,
    flows: KeepFlows,
    method: Method,
    column: int,
    money: Money,
    samples: Samples,
    first_year: int,
    start_years: Ints,
) -> Floats:
    """Value wound protection from winter Y on: slows later loss, costs the same every winter."""
    rate = money.discount_rate
    factor = discount(standing.years, first_year, rate)
    live = standing.years[None, :] <= standing.horizon[:, None]
    paid = flows.price * (1.0 - money.mog_share) - money.harvest_cost_per_t
    out = np.empty((standing.draw_count, len(standing.zone_ids), start_years.size))
    for place, year in enumerate(start_years):
        first, fall = protected_fall(standing, method, int(year))
        saved = (fall * (live[:, first:] * factor[first:])).sum(axis=2)
        winters = np.clip(standing.horizon - year, 0, None)
        due = np.asarray([annuity_factor(rate, float(one)) * (1.0 + rate) if one else 0.0 for one in winters])
        cost = samples.cost[:, [column]] * method.yearly_cost_per_ha * due
        gain = slowing(standing, samples, column) * saved * paid
        out[:, :, place] = gain - cost * (1.0 + rate) ** -float(year - first_year)
    return out


def slowing(standing: Standing, samples: Samples, column: int) -> Floats:
    """Share of further loss that protection saves, shape (draw, zone): only sound vines gain."""
    return samples.efficacy[:, [column]] * (1.0 - standing.symptomatic)


def protected_fall(standing: Standing, method: Method, year: int) -> tuple[int, Floats]:
    """Index of the first vintage that protection from `year` on touches, and the further loss [t/ha]."""
    begin = year + method.effect_after_years
    first = _first_vintage(standing, begin)
    kept = crop_at_start(standing, begin)[:, :, None]
    return first, np.clip(kept - standing.keep[:, :, first:], 0.0, None)


def all_gains(
    standing: Standing,
    methods: Sequence[Method],
    *,
    money: Money,
    samples: Samples,
    first_year: int,
    start_years: Ints,
) -> Floats:
    """Net present values over keeping, mobilisation not in them [currency/ha].

    Shape (draw, zone, method, start); see `method_gain`.
    """
    flows = keep_flows(standing, money, samples, first_year)
    shape = (standing.draw_count, len(standing.zone_ids), len(methods), start_years.size)
    out = np.empty(shape)
    for column, method in enumerate(methods):
        out[:, :, column, :] = method_gain(
            standing, flows, method, column,
            money=money, samples=samples, first_year=first_year, start_years=start_years,
        )  # fmt: skip
    return out
