"""What a year's delay past the best winter costs, with its interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from vinemap.renewal.finance import Floats
from vinemap.renewal.value import HIGH, LOW, Valuation
from vinemap.renewal.visits import KEPT


@dataclass(frozen=True, slots=True)
class Waiting:
    """Cost of a year's delay [currency/ha, or currency in all]: mean and 90 % interval over the draws."""

    mean: float
    low: float
    high: float


def cost_of_waiting(net: Floats, best: Floats, start: int) -> Waiting:
    """Value the best option less the best that is left once its winter has passed, or none.

    Parameters
    ----------
    net : numpy.ndarray, shape (draw, method, start)
        Net present value of each renewal over keeping [currency/ha], NaN where not possible.
    best : numpy.ndarray, shape (draw,)
        The same of the best option.
    start : int
        Place of its start year, -1 if there is none.

    Returns
    -------
    Waiting
        The mean is never negative; the interval may be, where waiting would gain on some draws. All 0 where
        no renewal pays.

    Examples
    --------
    >>> net = np.array([[[10.0, 6.0]], [[14.0, 10.0]]])
    >>> cost_of_waiting(net, net[:, 0, 0], 0).mean
    4.0
    """
    return _sum_up(_draw_costs(net, best, start))


def total_waiting(valuation: Valuation, advice: pd.DataFrame) -> Waiting:
    """Cost of a year's delay of several zones together.

    Parameters
    ----------
    valuation : Valuation
    advice : pandas.DataFrame
        Lines of `decide_zones` of the zones to sum.

    Returns
    -------
    Waiting
        [currency]; on each draw the costs of the zones are added, as they share seasons and prices.
    """
    standing = valuation.standing
    total = np.zeros(standing.draw_count)
    for one in advice[advice["best_year"].notna()].to_dict(orient="records"):
        place, method = valuation.zone_index(one["zone_id"]), valuation.method_index(one["best_method"])
        start = int(np.searchsorted(valuation.start_years, int(one["best_year"])))
        net = valuation.shared_gain(place, one["mobilisation_share"])
        costs = _draw_costs(net[:, valuation.renewals], net[:, method, start], start)
        total += float(standing.area_ha[place]) * costs
    return _sum_up(total)


def _draw_costs(net: Floats, best: Floats, start: int) -> Floats:
    if net.shape[1] == 0 or start == KEPT or best.mean() <= 0:
        return np.zeros(len(best))
    later = net[:, :, start + 1 :].reshape(len(net), -1)
    mean = np.nan_to_num(later.mean(axis=0), nan=-np.inf)
    return best - later[:, mean.argmax()] if mean.max(initial=0.0) > 0 else best


def _sum_up(cost: Floats) -> Waiting:
    low, high = np.quantile(cost, [LOW, HIGH])
    return Waiting(max(0.0, float(cost.mean())), float(low), float(high))
