"""The reason of an advice in any language and units, built from the numbers of the zone.

The assessment's own sentence (column ``reason``) is English and metric. The page builds the same in
`templates/page.js`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from vinemap.publish.display import Display
from vinemap.publish.texts import texts_in

MOVES_PCT = 0.25  # a change of less than this a year is called holding, as `vinemap.renewal` does


def write_reason(zone: Mapping[str, Any], display: Display) -> str:
    r"""Say why a zone has its advice.

    Parameters
    ----------
    zone : mapping of str to object
        One row of table ``zone``; ``renewed_year`` is used where known.
    display : Display

    Returns
    -------
    str
        The assessment's own sentence in English and metric units, else one built from the numbers.

    Examples
    --------
    >>> zone = {"reason": "Holds.", "loss_pct": 12.0, "loss_pct_low": 8.0, "loss_pct_high": 15.0,
    ...         "yield_healthy_t_ha": 20.0, "decline_pct_per_year": 0.1, "best_method": "", "advice": "keep"}
    >>> write_reason(zone, Display())
    'Holds.'
    >>> write_reason(zone, Display("es")).replace("\xa0", " ").partition(";")[0]
    'Ha perdido 12 % (de 8 % a 15 %) de las 20,0 t/ha que daría sana y se mantiene'
    """
    if display.language == "en" and display.system == "metric":
        return str(zone["reason"])
    words = texts_in(display.language)
    parts = [f"{_lost(zone, words, display)} {words['and']} {_moving(zone, words, display)}"]
    if not pd.isna(zone.get("renewed_year")):
        parts.append(words["reason_renewed"].format(year=int(zone["renewed_year"])))
    elif not zone["best_method"]:
        parts.append(words["reason_no_method"])
    else:
        parts += _money(zone, words, display)
    return "; ".join(parts) + "."


def _lost(zone: Mapping[str, Any], words: Mapping[str, str], display: Display) -> str:
    loss, low, high = (display.percent(zone[f"loss_pct{end}"]) for end in ("", "_low", "_high"))
    healthy = display.crop(zone["yield_healthy_t_ha"])
    return words["reason_lost"].format(loss=loss, low=low, high=high, healthy=healthy)


def _moving(zone: Mapping[str, Any], words: Mapping[str, str], display: Display) -> str:
    rate = zone["decline_pct_per_year"]
    if pd.isna(rate) or abs(rate) < MOVES_PCT:
        return words["reason_holds"]
    return words["reason_falls" if rate > 0 else "reason_gains"].format(rate=display.percent(abs(rate), 1))


def _money(zone: Mapping[str, Any], words: Mapping[str, str], display: Display) -> list[str]:
    gain, low, high = (display.per_area(zone[f"gain_per_ha{end}"]) for end in ("", "_low", "_high"))
    work = words.get(f"method_{zone['best_method']}", zone["best_method"])
    key = "reason_worth" if zone["gain_per_ha"] > 0 else "reason_loses"
    chance = display.percent(100 * zone["chance_pays"])
    year = int(zone["best_year"])
    out = [words[key].format(work=work, year=year, gain=gain, low=low, high=high, chance=chance)]
    if zone["wait_cost_per_ha"] >= 1:
        out.append(words["reason_wait"].format(wait=display.per_area(zone["wait_cost_per_ha"])))
    if zone["advice"] == "scout":
        out.append(words["reason_scout"])
    return out
