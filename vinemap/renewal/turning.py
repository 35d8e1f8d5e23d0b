"""The loss and price at which an advice turns, and what dominates it."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import optimize

from vinemap.renewal.cashflow import make_case, method_gain
from vinemap.renewal.explain import one_option
from vinemap.renewal.methods import Method, Money
from vinemap.renewal.standing import Samples, Standing
from vinemap.renewal.value import Valuation

SEARCH, SEARCH_STEPS = 8.0, 10  # break-even is sought from an eighth to eight times, in so many steps


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
    one, column, start = one_option(valuation, zone_id, method, year)
    chosen = one.methods[column]
    at_price = _gain_by_price(one, column, start, mobilisation_share)

    def at_crop(factor: float) -> float:
        return _gain(one, column, start, mobilisation_share, standing=_scale_crop(one.standing, factor))

    price = one.money.price_of(one.standing.varieties[0])
    slope = _slope(at_price, price)
    out = {"loss_pct": np.nan, "price_per_t": price * _crossing(at_price), "gain_per_price": slope}
    if not (chosen.protects or chosen.keeps_standing):
        left = float((one.standing.now / one.standing.healthy).mean())
        out["loss_pct"] = 100.0 * (1.0 - left * _crossing(at_crop))
    return out


def gain_per_price(
    valuation: Valuation,
    zone_id: str,
    *,
    method: str | None = None,
    year: int | None = None,
    mobilisation_share: float = 1.0,
) -> float:
    """Rise of the expected gain with the price [currency/ha per currency/t], as `break_even` gives it.

    Parameters
    ----------
    valuation, zone_id, method, year, mobilisation_share
        As in `explain_zone`.

    Returns
    -------
    float
        0 where the price is 0.

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> gain_per_price(example_valuation(), "A-Z1", method="trunk_renewal", year=2026) > 0
    True
    """
    one, column, start = one_option(valuation, zone_id, method, year)
    price = one.money.price_of(one.standing.varieties[0])
    return _slope(_gain_by_price(one, column, start, mobilisation_share), price)


def _gain_by_price(one: Valuation, column: int, start: int, share: float) -> Callable[[float], float]:
    """Gain of one option [currency/ha] by the factor on all prices."""
    chosen = one.methods[column]
    return lambda factor: _gain(
        one, column, start, share,
        money=_scale_price(one.money, factor), method=_scale_new_price(chosen, factor),
    )  # fmt: skip


def _slope(at_price: Callable[[float], float], price: float) -> float:
    return (at_price(1.01) - at_price(0.99)) / (0.02 * price) if price > 0 else 0.0


def _crossing(gain: Callable[[float], float]) -> float:
    """Factor nearest to 1 at which the gain is 0, NaN if there is none between 1/8 and 8.

    Up and down from 1 in step, so that nothing is valued farther out than the answer.
    """
    known = functools.cache(gain)
    steps = np.geomspace(1.0, SEARCH, SEARCH_STEPS).tolist()
    for near, far in itertools.pairwise(steps):
        ends = [(near, far), (1.0 / near, 1.0 / far)]
        found = [float(optimize.brentq(known, *one, xtol=1e-4)) for one in ends if _turns(known, *one)]
        if found:
            return min(found, key=lambda one: abs(np.log(one)))
    return np.nan


def _turns(gain: Callable[[float], float], near: float, far: float) -> bool:
    """Whether the gain is 0 at the far end or of another sign than at the near one."""
    return gain(far) == 0.0 or gain(near) * gain(far) < 0


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
    years = one.start_years[[start]]
    case = make_case(stand, money=cash, samples=drawn, first_year=one.first_year)
    gain = method_gain(case, work, column, years)
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
    one, column, start = one_option(valuation, zone_id, method, year)
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
        "price", "20 % lower", "20 % higher",
        {"money": _scale_price(money, 0.8), "method": _scale_new_price(method, 0.8)},
        {"money": _scale_price(money, 1.2), "method": _scale_new_price(method, 1.2)},
    )  # fmt: skip
    yield _Change(
        "cost of work", "20 % lower", "20 % higher",
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
        "growing cost", "20 % lower", "20 % higher",
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
        "take share", "10 points lower", "10 points higher",
        {"method": replace(method, take_share=max(method.take_share - 0.1, 0.0))},
        {"method": replace(method, take_share=min(method.take_share + 0.1, 1.0))},
    )  # fmt: skip
    yield _Change(
        "full level", "10 % lower", "10 % higher",
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
