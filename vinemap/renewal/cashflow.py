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

from vinemap.renewal.crops import (
    crop_after,
    first_vintage,
    possible,
    protected_fall,
    refilled_share,
    slowing,
    still_recovering,
    take_share,
    worked_share,
    young_ages,
)
from vinemap.renewal.finance import Floats, annuity_factor, capital_recovery
from vinemap.renewal.methods import Method, Money
from vinemap.renewal.standing import Ints, Samples, Standing, zone_parts


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
    """Margin of a vintage, or of leaving the zone idle if that loses less [currency/ha], shape as given."""
    return np.maximum(margin, -money.idle_cost_per_ha)


def discount(years: Ints, first_year: int, rate: float) -> Floats:
    """Worth in the winter `first_year` of 1 in each of these years, at a rate [1/year]; shape of `years`."""
    return np.asarray((1.0 + rate) ** -(years - first_year).astype(float))


def _loss(standing: Standing, crop: Floats) -> Floats:
    return np.clip(1.0 - crop / standing.healthy[:, :, None], 0.0, 1.0)


def growing_after(method: Method, money: Money, span: int) -> Floats:
    """Growing cost in the 1st, 2nd, ... vintage after the work [currency/ha], shape (span,)."""
    bearing = np.ones(span)
    young = method.crop_share_by_year_after[:span]
    bearing[: len(young)] = young
    out_of_crop = min(money.growing_cost_out_of_crop_per_ha, money.growing_cost_per_ha)
    return np.asarray(out_of_crop + (money.growing_cost_per_ha - out_of_crop) * bearing)


def margin_after(method: Method, money: Money, income: Floats) -> Floats:
    """Margin by vintage after the work [currency/ha], shape of `income` (draw, zone, span).

    Leaving idle is open once the vines bear fully.
    """
    margin = np.asarray(income - growing_after(method, money, income.shape[-1]))
    bearing = margin[..., young_ages(method) :]
    np.maximum(bearing, -money.idle_cost_per_ha, out=bearing)
    return margin


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
    cost *= factor[:, None, None]
    return np.asarray(cost)


def net_price(standing: Standing, method: Method, money: Money, samples: Samples) -> Floats:
    """Income less harvest cost of a tonne after the work [currency/t], shape (draw, zone)."""
    if method.new_price_per_t is not None:
        table = np.full(len(standing.zone_ids), method.new_price_per_t)
    else:
        table = np.asarray([money.price_of(method.new_variety or one) for one in standing.varieties])
    paid = samples.price[:, None] * table * money.paid_share()
    return np.asarray(paid - money.harvest_cost_per_t)


@dataclass(frozen=True, slots=True)
class Case:
    """All that the value of an option rests on.

    Parameters
    ----------
    standing : Standing
    flows : KeepFlows
        What keeping brings, for the same standing, money and samples.
    money : Money
    samples : Samples
    first_year : int
        Winter of the first possible work: the date of all present values.
    """

    standing: Standing
    flows: KeepFlows
    money: Money
    samples: Samples
    first_year: int

    def later(self, years: Ints) -> Floats:
        """Worth at the date of all present values of 1 in these years, shape of `years`."""
        return discount(years, self.first_year, self.money.discount_rate)

    def forgone(self, year: int) -> Floats:
        """Present value of keeping after the winter `year` [currency/ha], shape (draw, zone)."""
        return self.flows.after[:, :, first_vintage(self.standing, year)]


def make_case(standing: Standing, *, money: Money, samples: Samples, first_year: int) -> Case:
    """Put a case together, with what keeping brings worked out; parameters as in `Case`."""
    flows = keep_flows(standing, money, samples, first_year)
    return Case(standing, flows, money, samples, first_year)


def method_gain(case: Case, method: Method, column: int, start_years: Ints) -> Floats:
    """Net present value over keeping [currency/ha], mobilisation not in it.

    Parameters
    ----------
    case : Case
    method : Method
    column : int
        Place of the method in the samples.
    start_years : numpy.ndarray of int, shape (start,)

    Returns
    -------
    numpy.ndarray, shape (draw, zone, start)
        NaN where no vintage is left after the work, or the method is not possible (see `possible`).
    """
    standing, can = case.standing, possible(case.standing, method)
    if not can.any():
        return np.full((standing.draw_count, len(standing.zone_ids), start_years.size), np.nan)
    gain_in = _protect_gain if method.protects else _replant_gain if method.renews_trellis else _renew_gain
    out = np.empty((standing.draw_count, len(standing.zone_ids), start_years.size))
    for place, year in enumerate(start_years):
        out[:, :, place] = gain_in(case, method, column, int(year))
    shut = start_years[None, :] >= standing.horizon[:, None]
    if not method.protects:
        shut = shut | still_recovering(standing.renewed, start_years)
    return np.where((shut | ~can[:, None])[None], np.nan, out)


def _renew_gain(case: Case, method: Method, column: int, year: int) -> Floats:
    """Value work on the present trellis: margins to the horizon and its costs, less what keeping brings."""
    standing, samples = case.standing, case.samples
    ahead = np.clip(standing.horizon - year, 0, standing.years.size)
    span = int(ahead.max(initial=0))
    ages = np.arange(1, span + 1)
    weight = (1.0 + case.money.discount_rate) ** -ages * (ages <= ahead[:, None])
    take = take_share(standing, method, samples.take[:, column], year)
    margin = after_margins(case, method, take, year, span)
    margin -= aftercare_cost(standing, method, samples.cost[:, column], take, span)
    value = np.einsum("dza,za->dz", margin, weight)
    value -= work_cost(standing, method, samples.cost[:, column])
    return np.asarray(value * case.later(np.asarray(year)) - case.forgone(year))


def after_margins(case: Case, method: Method, take: Floats, year: int, span: int) -> Floats:
    """Margin of the 1st, 2nd, ... vintage after the work [currency/ha], shape (draw, zone, span)."""
    income = crop_after(case.standing, method, take, span)
    income *= net_price(case.standing, method, case.money, case.samples)[:, :, None]
    if not method.keeps_standing:
        return margin_after(method, case.money, income)
    first = first_vintage(case.standing, year)
    kept = case.flows.income[:, :, first : first + span]
    income[:, :, : kept.shape[2]] += kept
    return floored(income - case.money.growing_cost_per_ha, case.money)


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


def _replant_gain(case: Case, method: Method, column: int, year: int) -> Floats:
    """Value a new planting: its equivalent annual value from Y+1 to the horizon, the old one pulled early."""
    standing, money = case.standing, case.money
    annual = chain_annual(standing, method, column, money=money, samples=case.samples, year=year)
    left = np.clip(standing.horizon - year, 0, None).astype(float)
    begin = case.later(np.asarray(year))
    credit = begin * chain_credit(annual, left, method.life_years, money.discount_rate)
    early = money.removal_per_ha * (begin - case.later(standing.horizon))
    return np.asarray(credit - case.forgone(year) - early)


def _protect_gain(case: Case, method: Method, column: int, year: int) -> Floats:
    """Value wound protection from winter Y on: slows later loss, costs the same every winter."""
    standing, flows, money = case.standing, case.flows, case.money
    first, fall = protected_fall(standing, method, year)
    tonne = flows.price * money.paid_share() - money.harvest_cost_per_t
    slowed = slowing(standing, case.samples, column) * tonne
    margin = flows.income[:, :, first:] + slowed[:, :, None] * fall - money.growing_cost_per_ha
    saved = floored(margin, money) * live(standing)[:, first:] - flows.margin[:, :, first:]
    worth = saved @ case.later(standing.years[first:])
    rate, winters = money.discount_rate, np.clip(standing.horizon - year, 0, None)
    due = np.asarray([annuity_factor(rate, float(one)) * (1.0 + rate) if one else 0.0 for one in winters])
    cost = case.samples.cost[:, [column]] * method.yearly_cost_per_ha * due
    return np.asarray(worth - cost * case.later(np.asarray(year)))


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
    count = len(standing.zone_ids)
    out = np.empty((standing.draw_count, count, len(methods), start_years.size))
    for zones in zone_parts(count):
        case = make_case(standing.of(zones), money=money, samples=samples.of(zones), first_year=first_year)
        for column, method in enumerate(methods):
            out[:, zones, column] = method_gain(case, method, column, start_years)
    return out
