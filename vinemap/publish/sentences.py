"""Sentences about a zone in any language and units, built from its numbers and codes.

The assessment's own sentences (columns ``reason`` and ``cause_hint``) are English and metric. The page builds
the same reason in `templates/page.js`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from vinemap.publish.display import Display
from vinemap.publish.hint_texts import HINTS
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
    low, high = zone["decline_pct_per_year_low"], zone["decline_pct_per_year_high"]
    key, moves = ("reason_falls", (rate, low, high)) if rate > 0 else ("reason_gains", (-rate, -high, -low))
    said = [display.percent(one, 1) for one in moves]
    return words[key].format(rate=said[0], low=said[1], high=said[2])


def _money(zone: Mapping[str, Any], words: Mapping[str, str], display: Display) -> list[str]:
    gain = display.per_area(zone["gain_per_ha"])
    low, high = (display.per_area_number(zone[f"gain_per_ha_{end}"], 2) for end in ("low", "high"))
    work = words.get(f"method_{zone['best_method']}", zone["best_method"])
    key = "reason_worth" if zone["gain_per_ha"] > 0 else "reason_loses"
    chance = display.percent(100 * zone["chance_pays"])
    year = int(zone["best_year"])
    out = [words[key].format(work=work, year=year, gain=gain, low=low, high=high, chance=chance)]
    if zone["wait_cost_per_ha"] >= 1:
        wait, least = display.per_area(zone["wait_cost_per_ha"]), zone.get("wait_cost_per_ha_low")
        if pd.isna(least):
            out.append(words["reason_wait"].format(wait=wait))
        else:
            low, high = (display.per_area_number(one, 2) for one in (least, zone["wait_cost_per_ha_high"]))
            out.append(words["reason_wait_interval"].format(wait=wait, low=low, high=high))
    if zone["advice"] == "scout":
        out.append(words["reason_scout"])
    return out


def write_cause(zone: Mapping[Any, Any], language: str) -> tuple[str, str]:
    """Say what the pattern of loss looks like, and in which language it is said.

    Parameters
    ----------
    zone : mapping of str to object
        One row of table ``zone``; ``cause_code`` and the columns that its texts speak of where known.
    language : str

    Returns
    -------
    tuple of str
        The hint without its last stop, "" for none; language of the hint: English where its codes are not
        known.

    Examples
    --------
    >>> zone = {"cause_hint": "Falls first here.", "cause_code": "doubtful growing_focus"}
    >>> write_cause(zone, "en")
    ('Falls first here', 'en')
    >>> write_cause(zone, "es")
    ('Si es que cae: cae primero aquí y después al lado, como haría un foco que crece', 'es')
    """
    short = texts_in(language)["language_code"]
    codes = str(zone.get("cause_code") or "").split()
    words = HINTS.get(short, {})
    if not codes or not all(one in words for one in codes):
        return str(zone["cause_hint"] or "").rstrip(" ."), "en"
    return _word_codes(codes, zone, words).rstrip(" ."), short


def _word_codes(codes: Sequence[str], zone: Mapping[Any, Any], words: Mapping[str, str]) -> str:
    shown = {str(name): _plain(value) for name, value in zone.items()}
    said: list[str] = []
    for one in codes:
        named = one == "machine_change" and shown.get("machine_change_to")
        text = words["machine_change_named" if named else one].format_map(shown)
        after_colon = bool(said) and said[-1].endswith(":")
        said.append(text[:1].lower() + text[1:] if after_colon else text)
    return " ".join(said)


def _plain(value: Any) -> str:
    if isinstance(value, str):
        return value
    return "" if not pd.api.types.is_number(value) or pd.isna(value) else f"{float(value):.0f}"
