"""Discounting: present value, annuities, equivalent annual value, economic life and the replacement rule."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from vinemap.errors import DataError

Floats = npt.NDArray[np.float64]


def present_value(cash_flows: Sequence[float] | Floats, rate: float) -> float:
    """Present value [currency] of yearly cash flows, the first of them now.

    Parameters
    ----------
    cash_flows : sequence of float, shape (n,)
        Cash flows [currency], at times 0, 1, ... years.
    rate : float
        Real discount rate [1/year], 0.05 for 5 %.

    Returns
    -------
    float

    References
    ----------
    Compound-interest tables of engineering economics; same convention as ``numpy_financial.npv``.

    Examples
    --------
    >>> round(present_value([-100.0, 60.0, 60.0], 0.10), 4)
    4.1322
    """
    flows = np.asarray(cash_flows, dtype=float)
    return float(flows @ (1.0 + rate) ** -np.arange(flows.size))


def annuity_factor(rate: float, years: float) -> float:
    """Present value of 1 a year at the end of each of `years` years.

    Parameters
    ----------
    rate : float
        Real discount rate [1/year].
    years : float
        Number of yearly payments.

    Returns
    -------
    float

    References
    ----------
    ``(1 - (1 + r)**-n) / r``; printed tables give 10.3797 at 5 % and 15 years.

    Examples
    --------
    >>> round(annuity_factor(0.05, 15), 4), annuity_factor(0.0, 15)
    (10.3797, 15.0)
    """
    if rate == 0.0:
        return float(years)
    return float(-np.expm1(-years * np.log1p(rate)) / rate)


def capital_recovery(rate: float, years: float) -> float:
    """Yearly payment that repays 1 over `years` years: the inverse of `annuity_factor`.

    Raises
    ------
    DataError
        If `years` is not positive.

    Examples
    --------
    >>> round(capital_recovery(0.05, 25), 7)
    0.0709525
    """
    if not years > 0:
        raise DataError(
            f"Capital cannot be recovered over {years} years.", remedy="Give a life of a year or more."
        )
    return 1.0 / annuity_factor(rate, years)


def equivalent_annual(net_present_value: float, rate: float, years: float) -> float:
    """Constant yearly amount [currency/year] worth as much as `net_present_value` over `years` years.

    Raises
    ------
    DataError
        If `years` is not positive.

    Examples
    --------
    >>> round(equivalent_annual(10.3797, 0.05, 15), 4)
    1.0
    """
    return net_present_value * capital_recovery(rate, years)


def annual_worth_by_life(
    price: float, yearly_cost: Sequence[float], salvage: Sequence[float], rate: float
) -> Floats:
    """Equivalent annual worth [currency/year] of an asset kept for 1, 2, ... n years.

    Parameters
    ----------
    price : float
        Price paid at the start [currency].
    yearly_cost : sequence of float, shape (n,)
        Cost at the end of each year [currency].
    salvage : sequence of float, shape (n,)
        Worth at the end of each year if sold then [currency].
    rate : float
        Discount rate [1/year].

    Returns
    -------
    numpy.ndarray, shape (n,)
        The economic life is the year of the highest value.

    Raises
    ------
    DataError
        If the two lists differ in length.

    References
    ----------
    Textbook method of engineering economics (economic service life).

    Examples
    --------
    >>> cost, sold = [1000, 1200, 1500, 2000, 3000], [7000, 5000, 4200, 3000, 2000]
    >>> worth = annual_worth_by_life(10000, cost, sold, 0.1)
    >>> [round(float(one)) for one in worth], int(worth.argmax()) + 1
    ([-5000, -4476, -3970, -3894, -3961], 4)
    """
    cost, sold = np.asarray(yearly_cost, dtype=float), np.asarray(salvage, dtype=float)
    if cost.shape != sold.shape:
        raise DataError(
            f"{cost.size} yearly costs but {sold.size} salvage values.", remedy="Give one of each per year."
        )
    year = np.arange(1, cost.size + 1)
    factor = (1.0 + rate) ** -year
    present = -price - np.cumsum(cost * factor) + sold * factor
    return np.asarray([equivalent_annual(float(present[n - 1]), rate, float(n)) for n in year])


def replacement_year(marginal_net: Sequence[float] | Floats, challenger_annual: float) -> int:
    """First year in which the standing asset earns less than its successor does in an average year.

    Parameters
    ----------
    marginal_net : sequence of float, shape (n,)
        Net return of keeping the standing asset for year 1, 2, ... n [currency/year].
    challenger_annual : float
        Highest annualised net present value of the successor [currency/year].

    Returns
    -------
    int
        Year index from 0 before which to replace; n if keeping is better in every year.

    References
    ----------
    Faris 1960, J. Farm Economics 42:755-766; Perrin 1972, AJAE 54:60-67 (rule recalled from memory).

    Examples
    --------
    >>> replacement_year([900.0, 700.0, 400.0, 100.0], 500.0)
    2
    """
    below = np.asarray(marginal_net, dtype=float) < challenger_annual
    return int(below.argmax()) if below.any() else int(below.size)
