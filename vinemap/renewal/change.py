"""What would change an advice: the loss or price at which it turns, or what has to be known first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vinemap.renewal.turning import break_even
from vinemap.renewal.value import Valuation
from vinemap.renewal.wording import Facts, say_amount

LEAST_LOSS_PCT = 5.0  # of healthy yield: no count and no map tells less than this from none
PRICE_WITHIN = 2.0  # a price beyond twice the one set, or below half of it, is no answer to anyone
# One text a code; a translation needs the same keys. Codes and their numbers are columns of table `zone`.
CHANGES = {
    "loss_below": "a loss that is truly below about {loss} (now {loss_taken})",
    "loss_above": "a loss of about {loss} or more (now {loss_taken})",
    "price_below": "a price that stays below about {price} ({price_set} set)",
    "price_above": "a price that stays above about {price} ({price_set} set)",
    "surer": "more certainty that it pays, from counts or further vintages",
    "more_gain": "a gain above the least that was asked for",
    "protection": "wound protection that is worth less than the renewal",
    "sooner": "a faster fall than expected, which would bring the winter of {year} forward",
    "count": "a count of symptoms, before anything is cut",
    "record": "more vintages on record, or a count of vines and symptoms",
    "recovering": "crops of the coming vintages that stay behind those of new trunks",
    "trellis": "a new trellis, as no work fits before this one ends",
    "nothing": "no price and no loss within reach",
}


@dataclass(frozen=True, slots=True)
class Turn:
    """Where the best renewal of a zone and keeping come out even.

    Parameters
    ----------
    price_per_t, even_price_per_t : float
        Price set, and price at which the gain is 0, all else equal [currency/t]; NaN if there is none.
    even_loss_pct : float
        Loss now at which the gain is 0 [%]; NaN if there is none.
    """

    price_per_t: float
    even_price_per_t: float
    even_loss_pct: float


NO_TURN = Turn(np.nan, np.nan, np.nan)


def describe_change(
    valuation: Valuation, place: int, facts: Facts, advice: str, mobilisation_share: float
) -> dict[str, object]:
    """Give the columns that say what would change the advice of the zone at this place.

    Parameters
    ----------
    valuation : Valuation
    place : int
        Place of the zone in the valuation.
    facts : Facts
    advice : str
        keep, watch, scout or renew.
    mobilisation_share : float
        Share of the block's mobilisation that the zone bears [0-1].

    Returns
    -------
    dict
        ``would_change, change_code``, ``break_even_loss_pct`` [%], ``price_per_t`` and
        ``break_even_price_per_t`` [currency/t].
    """
    turn = find_turn(
        valuation, valuation.standing.zone_ids[place], facts, mobilisation_share=mobilisation_share
    )
    codes = change_codes(facts, advice, turn)
    return {
        "would_change": say_change(codes, facts, turn),
        "change_code": " ".join(codes),
        "break_even_loss_pct": turn.even_loss_pct,
        "price_per_t": turn.price_per_t,
        "break_even_price_per_t": turn.even_price_per_t,
    }


def find_turn(valuation: Valuation, zone_id: str, facts: Facts, *, mobilisation_share: float) -> Turn:
    """Find where the best renewal of a zone turns.

    Parameters
    ----------
    valuation : Valuation
    zone_id : str
    facts : Facts
        Its method and year name the renewal; where it does not pay, this winter's is asked about.
    mobilisation_share : float
        Share of the block's mobilisation that the zone bears [0-1].

    Returns
    -------
    Turn

    Examples
    --------
    >>> from vinemap.renewal.example import example_facts, example_valuation
    >>> turn = find_turn(example_valuation(), "A-Z1", example_facts(), mobilisation_share=1.0)
    >>> 0 < turn.even_price_per_t < turn.price_per_t
    True
    """
    if not facts.method:
        return NO_TURN
    place = valuation.zone_index(zone_id)
    year = facts.year
    if facts.gain <= 0 and _offered(valuation, place, facts.method, facts.first_year):
        year = facts.first_year  # where nothing pays, the least bad winter is the last: no answer to anyone
    even = break_even(
        valuation, zone_id, method=facts.method, year=year, mobilisation_share=mobilisation_share
    )
    variety = valuation.standing.varieties[place]
    return Turn(valuation.money.price_of(variety), even["price_per_t"], even["loss_pct"])


def _offered(valuation: Valuation, place: int, method: str, year: int) -> bool:
    """Whether a method was valued for a winter."""
    column = valuation.method_index(method)
    start = np.flatnonzero(valuation.start_years == year)
    return bool(start.size) and bool(np.isfinite(valuation.gain[:, place, column, start[0]]).all())


def change_codes(facts: Facts, advice: str, turn: Turn) -> list[str]:
    """Tell what would change an advice, as keys of `CHANGES`.

    Parameters
    ----------
    facts : Facts
    advice : str
        keep, watch, scout or renew.
    turn : Turn

    Returns
    -------
    list of str
    """
    if facts.renewed:
        return ["recovering"]
    if not facts.method:
        return ["trellis"]
    if advice == "scout":
        return ["record" if facts.too_short else "count"]
    if advice != "renew" and facts.gain > 0:
        return [_why_not_yet(facts)]
    return _edges(facts, turn) or ["nothing"]


def _why_not_yet(facts: Facts) -> str:
    """Say what stands against a renewal that would gain on average."""
    if facts.protect_gain > facts.gain:
        return "protection"
    if facts.gain <= facts.min_gain:
        return "more_gain"
    return "surer" if facts.chance < facts.threshold else "sooner"


def _edges(facts: Facts, turn: Turn) -> list[str]:
    found = []
    pays = facts.gain > 0
    if pays and LEAST_LOSS_PCT < turn.even_loss_pct < facts.loss_pct:
        found.append("loss_below")
    if not pays and facts.loss_pct < turn.even_loss_pct <= 100:
        found.append("loss_above")
    ratio = turn.even_price_per_t / turn.price_per_t if turn.price_per_t > 0 else np.nan
    if 1 / PRICE_WITHIN <= ratio <= PRICE_WITHIN:  # not where it is NaN
        found.append("price_below" if ratio < 1 else "price_above")
    return found


def say_change(codes: list[str], facts: Facts, turn: Turn) -> str:
    """Put what would change an advice in one plain sentence.

    Parameters
    ----------
    codes : list of str
    facts : Facts
    turn : Turn

    Returns
    -------
    str

    Examples
    --------
    >>> from vinemap.renewal.example import example_facts
    >>> say_change(["loss_below"], example_facts(), Turn(650.0, 402.0, 18.3))
    'A loss that is truly below about 18 % (now 40 %).'
    """
    values = {
        "loss": f"{_figure(turn.even_loss_pct)} %",
        "loss_taken": f"{_figure(facts.loss_pct)} %",
        "price": f"{_figure(turn.even_price_per_t)} {facts.currency}/t",
        "price_set": _figure(turn.price_per_t),
        "year": str(facts.year),
    }
    said = ", or ".join(CHANGES[one].format(**values) for one in codes)
    return f"{said[:1].upper()}{said[1:]}."


def _figure(value: float) -> str:
    return say_amount(value) if np.isfinite(value) else ""
