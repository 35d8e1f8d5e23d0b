"""What a scouting count is worth before a decision is taken."""

from __future__ import annotations

import numpy as np

from vinemap.renewal.finance import Floats

VINES_LOOKED_AT = 60  # vines a scout looks at in a zone; common practice, no source
BINS = 8  # classes of the count; few enough that each holds tens of draws
LEAST_DRAWS = 5


def scouting_value(gains: Floats, share: Floats, deviate: Floats, *, vines: int = VINES_LOOKED_AT) -> float:
    """Value a sample count of symptomatic vines, in the unit of `gains`.

    Parameters
    ----------
    gains : numpy.ndarray, shape (draw, action)
        Gain of each action over doing nothing [currency/ha]; doing nothing (0) is always among the choices.
    share : numpy.ndarray, shape (draw,)
        True symptomatic share on each draw.
    deviate : numpy.ndarray, shape (draw,)
        Standard normal deviate of the count.
    vines : int
        Vines looked at.

    Returns
    -------
    float
        Never negative. 0 where the count could not change the choice.

    Notes
    -----
    A count is drawn for every draw from its true share (normal approximation of the binomial), draws are put
    into classes of equal number by their count, and the best action of each class is compared with the one
    best action of all. Choices are made on one half of the draws and judged on the other, and the other way
    round: choosing and judging on the same draws would find value in noise.

    References
    ----------
    Preposterior analysis: Raiffa & Schlaifer 1961, Applied Statistical Decision Theory (from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> share = rng.uniform(0, 1, 2000)
    >>> gains = (1000.0 * (0.5 - share))[:, None]
    >>> look = rng.standard_normal(2000)
    >>> 100 < scouting_value(gains, share, look) <= 130, scouting_value(gains + 5000.0, share, look)
    (True, 0.0)
    """
    count = share + deviate * np.sqrt(np.clip(share * (1.0 - share), 0.0, None) / vines)
    if np.ptp(count) == 0.0 or gains.shape[1] == 0:
        return 0.0
    actions = np.column_stack([np.zeros(len(share)), np.nan_to_num(gains, nan=-np.inf)])
    rank = count.argsort(kind="stable").argsort(kind="stable")
    label = rank * BINS // len(share)
    half = rank % 2 == 0
    total = 0.0
    for one in range(BINS):
        for side in (half, ~half):
            total += _judged(actions, (label == one) & side, (label == one) & ~side, side)
    return max(0.0, total / len(share))


def _judged(actions: Floats, learn: Floats, judge: Floats, side: Floats) -> float:
    """Sum over the judged draws of the class's choice over the one choice made for all."""
    if learn.sum() < LEAST_DRAWS or judge.sum() == 0:
        return 0.0
    informed = actions[learn].mean(axis=0).argmax()
    blind = actions[side].mean(axis=0).argmax()
    return float((actions[judge, informed] - actions[judge, blind]).sum())
