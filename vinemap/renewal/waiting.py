"""What a year's delay past the best winter costs, with its interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vinemap.renewal.finance import Floats
from vinemap.renewal.value import HIGH, LOW
from vinemap.renewal.visits import KEPT


@dataclass(frozen=True, slots=True)
class Waiting:
    """Cost of a year's delay [currency/ha]: mean and 90 % interval over the draws."""

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
    if net.shape[1] == 0 or start == KEPT or best.mean() <= 0:
        return Waiting(0.0, 0.0, 0.0)
    later = net[:, :, start + 1 :].reshape(len(net), -1)
    mean = np.nan_to_num(later.mean(axis=0), nan=-np.inf)
    instead = later[:, mean.argmax()] if mean.max(initial=0.0) > 0 else np.zeros(len(net))
    cost = best - instead
    low, high = np.quantile(cost, [LOW, HIGH])
    return Waiting(max(0.0, float(cost.mean())), float(low), float(high))
