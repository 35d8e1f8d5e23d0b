"""Net present value of each method and start year against keeping, on every draw at once.

Timing. Work in year Y is paid in the winter after vintage Y; the first vintage it touches is Y + 1. All
values are of the winter `first_year`: an amount of vintage or winter y is discounted by
``(1 + r)**(y - first_year)``.

Margins. A vintage brings crop times price less harvest, less the growing cost: of vines in crop, of vines out
of crop while they bear nothing after the work, and in between in proportion to the crop that they bear.
Nobody need go on growing a crop that does not pay: a zone in full bearing, kept or renewed, can be left idle
in any vintage for a small cost of care, so a margin never falls below minus that cost. Without that floor a
renewal would be credited with ending losses that no owner would go on making.

Equal horizons. Every option runs to the last vintage on the present trellis (the horizon H); what follows is
the same new planting for every option, or nothing where a planting does not pay, so what comes after H
cancels. A method that brings its own new trellis starts that chain of plantings early: over Y+1..H it earns
the equivalent annual value of a new planting, the credit for the life it has left at H. That is the
replacement rule of Faris (1960) and Perrin (1972). A planting that does not pay bears the whole of its loss.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vinemap.renewal.finance import Floats, annuity_factor, capital_recovery
from vinemap.renewal.methods import Method, Money
from vinemap.renewal.standing import RECOVERY_YEARS, Ints, Samples, Standing


@dataclass(frozen=True, slots=True)
class KeepFlows:
    """What keeping brings.

    Parameters
    ----------
    income : numpy.ndarray, shape (draw, zone, year)
        Income less harvest cost if the vintage is harvested [currency/ha], not discounted.
    margin : numpy.ndarray, shape (draw, zone, year)
        Income less growing cost, at least minus the cost of leaving the zone idle; 0 past the horizon.
    after : numpy.ndarray, shape (draw, zone, year + 1)
        Discounted margin of this and all later forecast vintages [currency/ha].
    price : numpy.ndarray, shape (draw, zone)
        Price times the draw's price factor [currency/t].
    """

    income: Floats
    margin: Floats
    after: Floats
    price: Floats


def keep_flows(standing: Standing, money: Money, samples: Samples, first_year: int) -> KeepFlows:
    """Income and margin of keeping each zone [currency/ha] by vintage.

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
    paid = price[:, :, None] * money.paid_share(_loss(standing, standing.keep))
    income = standing.keep * (paid - money.harvest_cost_per_t)
    margin = live(standing) * floored(income - money.growing_cost_per_ha, money)
    discounted = margin * discount(standing.years, first_year, money.discount_rate)
    after = np.zeros((*income.shape[:2], income.shape[2] + 1))
    after[:, :, :-1] = np.cumsum(discounted[:, :, ::-1], axis=2)[:, :, ::-1]
    return KeepFlows(income, margin, after, price)


def live(standing: Standing) -> Floats:
    """1 for vintages up to the horizon, 0 after, shape (zone, year)."""
    return np.asarray(standing.years[None, :] <= standing.horizon[:, None], dtype=float)


def floored(margin: Floats, money: Money) -> Floats:
    """Margin of a vintage, or of leaving the zone idle if that loses less [currency/ha]."""
    return np.maximum(margin, -money.idle_cost_per_ha)


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


def young_ages(method: Method) -> int:
    """Vintages after the work in which vines do not bear fully yet."""
    return len(method.crop_share_by_year_after)


def refilled_share(standing: Standing, method: Method, take: Floats) -> Floats:
    """Share of vine places refilled in the winter after the work, shape (draw, zone)."""
    empty = standing.missing + (1.0 - standing.missing) * (1.0 - take)
    return np.asarray(method.refill_share * empty)


def refill_shape(method: Method, span: int) -> Floats:
    """Crop of refilled places in the 1st, 2nd, ... vintage after the work, of full, shape (span,)."""
    out = np.ones(span)
    young = (0.0, *method.refill_crop_share_by_year_after)[:span]
    out[: len(young)] = young
    return out


def crop_after(standing: Standing, method: Method, take: Floats, span: int) -> Floats:
    """Crop [t/ha] in the 1st, 2nd, ... vintage after the work, shape (draw, zone, span).

    Of vines worked on that took and, from a winter later, of places refilled. For infill: what it adds.
    """
    taken = 1.0 if method.restores_stand else take
    level = full_crop(standing, method) * taken
    crop = level[:, :, None] * crop_shape(standing, method, span)
    if method.refill_share and not method.restores_stand:
        young = method.refill_full_level * standing.healthy * refilled_share(standing, method, take)
        crop = crop + young[:, :, None] * refill_shape(method, span)
    return np.asarray(crop)


def growing_after(method: Method, money: Money, span: int) -> Floats:
    """Growing cost in the 1st, 2nd, ... vintage after the work [currency/ha], shape (span,)."""
    bearing = np.ones(span)
    young = method.crop_share_by_year_after[:span]
    bearing[: len(young)] = young
    out_of_crop = min(money.growing_cost_out_of_crop_per_ha, money.growing_cost_per_ha)
    return np.asarray(out_of_crop + (money.growing_cost_per_ha - out_of_crop) * bearing)


def margin_after(method: Method, money: Money, income: Floats) -> Floats:
    """Margin by vintage after the work [currency/ha]; idling is open once the vines bear fully."""
    margin = income - growing_after(method, money, income.shape[-1])
    full = young_ages(method)
    margin[..., full:] = floored(margin[..., full:], money)
    return np.asarray(margin)


def work_cost(standing: Standing, method: Method, factor: Floats) -> Floats:
    """Cost of the work in its year [currency/ha], mobilisation not in it, shape (draw, zone)."""
    per_metre = method.cost_per_m * standing.metres_per_ha if method.cost_per_m else 0.0
    vines = standing.vines_per_ha * worked_share(standing, method)
    spread = vines / standing.vines_per_ha if method.keeps_standing else 1.0
    per_ha = np.asarray(per_metre) + method.cost_per_ha
    return np.asarray(factor[:, None] * (method.cost_per_vine * vines + spread * per_ha))


def aftercare_cost(standing: Standing, method: Method, factor: Floats, take: Floats, span: int) -> Floats:
    """Cost in the 1st, 2nd, ... winter after the work [currency/ha], shape (draw, zone, span).

    Training; in the first of them also setting failed vines again, or refilling failed and missing ones.
    """
    vines = standing.vines_per_ha * worked_share(standing, method)
    per_vine = np.zeros(span)
    care = method.aftercare_per_vine_by_year[:span]
    per_vine[: len(care)] = care
    cost = vines[:, :, None] * per_vine
    if span and method.restores_stand:
        cost[:, :, 0] += vines * (1.0 - take) * method.cost_per_vine
    elif span and method.refill_share:
        refilled = standing.vines_per_ha * refilled_share(standing, method, take)
        cost[:, :, 0] += refilled * method.refill_cost_per_vine
    return np.asarray(factor[:, None, None] * cost)


def net_price(standing: Standing, method: Method, money: Money, samples: Samples) -> Floats:
    """Income less harvest cost of a tonne after the work [currency/t], shape (draw, zone)."""
    if method.new_price_per_t is not None:
        table = np.full(len(standing.zone_ids), method.new_price_per_t)
    else:
        table = np.asarray([money.price_of(method.new_variety or one) for one in standing.varieties])
    paid = samples.price[:, None] * table * money.paid_share()
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
    shut = start_years[None, :] >= standing.horizon[:, None]
    if not method.protects:
        shut = shut | still_recovering(standing.renewed, start_years)
    out = ~possible(standing, method)
    return np.where((shut | out[:, None])[None], np.nan, gain)


def still_recovering(renewed: Floats, start_years: Ints) -> npt.NDArray[np.bool_]:
    """Whether a zone renewed in that year (NaN: never) still comes back, shape (zone, start)."""
    return np.asarray(start_years[None, :] <= renewed[:, None] + RECOVERY_YEARS)


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
    """Value work on the present trellis: margins to the horizon and its costs, less what keeping brings."""
    span, rate = standing.years.size, money.discount_rate
    by_age = (1.0 + rate) ** -np.arange(1, span + 1)
    out = np.empty((standing.draw_count, len(standing.zone_ids), start_years.size))
    for place, year in enumerate(start_years):
        ahead = np.clip(standing.horizon - year, 0, span)
        weight = by_age * (np.arange(1, span + 1) <= ahead[:, None])
        lasting = int(ahead.max(initial=0))
        take = take_share(standing, method, samples.take[:, column], int(year))
        first = _first_vintage(standing, int(year))
        margin = after_margins(standing, flows, method, money, samples, take, first, lasting)
        margin -= aftercare_cost(standing, method, samples.cost[:, column], take, lasting)
        value = np.einsum("dza,za->dz", margin, weight[:, :lasting])
        value -= work_cost(standing, method, samples.cost[:, column])
        out[:, :, place] = value * (1.0 + rate) ** -float(year - first_year) - flows.after[:, :, first]
    return out


def after_margins(
    standing: Standing,
    flows: KeepFlows,
    method: Method,
    money: Money,
    samples: Samples,
    take: Floats,
    first: int,
    span: int,
) -> Floats:
    """Margin of the 1st, 2nd, ... vintage after the work [currency/ha], shape (draw, zone, span)."""
    income = crop_after(standing, method, take, span)
    income *= net_price(standing, method, money, samples)[:, :, None]
    if not method.keeps_standing:
        return margin_after(method, money, income)
    kept = flows.income[:, :, first : first + span]
    income[:, :, : kept.shape[2]] += kept
    return floored(income - money.growing_cost_per_ha, money)


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
    income = crop_after(standing, method, take, life)
    income *= net_price(standing, method, money, samples)[:, :, None]
    margin = margin_after(method, money, income)
    margin -= aftercare_cost(standing, method, samples.cost[:, column], take, life)
    worth = margin @ by_age - work_cost(standing, method, samples.cost[:, column])
    worth -= money.removal_per_ha * by_age[-1]
    return np.asarray(worth * capital_recovery(rate, life))


def chain_credit(annual: Floats, left: Floats, life: int, rate: float) -> Floats:
    """Worth in its winter of a new planting up to the horizon [currency/ha], shape (draw, zone).

    Its annual value over the years `left` to the horizon; a planting that does not pay bears its whole loss,
    since keeping until then would be followed by nothing.
    """
    to_horizon = np.asarray([annuity_factor(rate, float(one)) if one > 0 else 0.0 for one in left])
    return np.where(annual >= 0.0, annual * to_horizon, annual * annuity_factor(rate, float(life)))


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
        left = np.clip(standing.horizon - year, 0, None).astype(float)
        credit = begin * chain_credit(annual, left, method.life_years, rate)
        early = money.removal_per_ha * (begin - end)
        out[:, :, place] = credit - flows.after[:, :, _first_vintage(standing, int(year))] - early
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
    factor = discount(standing.years, first_year, rate) * live(standing)
    tonne = flows.price * money.paid_share() - money.harvest_cost_per_t
    slowed = slowing(standing, samples, column) * tonne
    out = np.empty((standing.draw_count, len(standing.zone_ids), start_years.size))
    for place, year in enumerate(start_years):
        first, fall = protected_fall(standing, method, int(year))
        margin = flows.income[:, :, first:] + slowed[:, :, None] * fall - money.growing_cost_per_ha
        saved = floored(margin, money) * live(standing)[:, first:] - flows.margin[:, :, first:]
        worth = np.einsum("dzy,zy->dz", saved, factor[:, first:])
        winters = np.clip(standing.horizon - year, 0, None)
        due = np.asarray([annuity_factor(rate, float(one)) * (1.0 + rate) if one else 0.0 for one in winters])
        cost = samples.cost[:, [column]] * method.yearly_cost_per_ha * due
        out[:, :, place] = worth - cost * (1.0 + rate) ** -float(year - first_year)
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
