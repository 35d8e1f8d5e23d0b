"""The lines on top of a page: what it is of, and the one sentence that answers the owner's question."""

from __future__ import annotations

import datetime

import pandas as pd

from vinemap._version import __version__
from vinemap.publish.display import Display, Interval, format_date, format_number, round_significant
from vinemap.publish.texts import texts_in


def write_imprint(vintage: int | None, made: datetime.date, language: str) -> str:
    """Say after which vintage a page was made, when and by which version.

    Parameters
    ----------
    vintage : int or None
        None if no vintage has a yield.
    made : datetime.date
    language : str

    Returns
    -------
    str

    Examples
    --------
    >>> write_imprint(None, datetime.date(2026, 6, 1), "en").partition(" with")[0]
    'No vintage has a yield yet. Made 1 June 2026'
    """
    words = texts_in(language)
    text = words["imprint_no_vintage" if vintage is None else "imprint"]
    return text.format(vintage=vintage, made=format_date(made, language), version=__version__)


def write_headline(zones: pd.DataFrame, *, display: Display, waiting: Interval | None = None) -> str:
    r"""Say how many zones repay renewal now, what waiting a year costs, and how many to scout or watch.

    Parameters
    ----------
    zones : pandas.DataFrame
        ``zone`` of `tables.OUTPUTS`.
    display : Display
        Language, units and currency.
    waiting : Interval, optional
        Cost of a year's delay summed over the zones advised to renew, with its 90 % interval from the draws.
        Without it the sum of the zones' means is given; quantiles cannot be summed.

    Returns
    -------
    str

    Examples
    --------
    >>> zones = pd.DataFrame(
    ...     {"advice": ["renew", "keep"], "area_ha": [2.0, 3.0], "wait_cost_per_ha": [1200.0, 0.0]}
    ... )
    >>> write_headline(zones, display=Display(currency="AUD"))
    '1 of 2 zones repays renewal now (2.0\xa0ha); waiting a year costs about AUD\xa02,400.'
    """
    words = texts_in(display.language)
    renew = zones[zones["advice"] == "renew"]
    opening = {0: "headline_none", 1: "headline_one"}.get(len(renew), "headline_many")
    area = display.area(float(renew["area_ha"].sum()))
    parts = [words[opening].format(renew=len(renew), zones=len(zones), area=area)]
    if len(renew):
        parts.append(_waiting_clause(renew, display, waiting))
    for advice in ("scout", "watch"):
        count = int((zones["advice"] == advice).sum())
        if count:
            key = f"headline_{advice}_{'one' if count == 1 else 'many'}"
            parts.append(words[key].format(**{advice: count}))
    return "; ".join(parts) + "."


def _waiting_clause(renew: pd.DataFrame, display: Display, waiting: Interval | None) -> str:
    words = texts_in(display.language)
    if waiting is None:
        total = float((renew["wait_cost_per_ha"] * renew["area_ha"]).sum())
        return words["headline_wait"].format(cost=display.money(total))
    return words["headline_wait_interval"].format(
        cost=display.money(waiting.mean), low=_bare(waiting.low, display), high=_bare(waiting.high, display)
    )


def _bare(amount: float, display: Display) -> str:
    return format_number(round_significant(amount), 0, display.language)
