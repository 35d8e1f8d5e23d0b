"""What would change the advice of a zone, in any language and units, from its codes and numbers."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import pandas as pd

from vinemap import units
from vinemap.publish.display import Display, unit_labels
from vinemap.publish.texts import texts_in

# Keys and blanks are those of `vinemap.renewal.change.CHANGES` (a test holds it), and what joins two parts.
CHANGES: dict[str, dict[str, str]] = {
    "en": {
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
        "or": ", or ",
    },
    "es": {
        "loss_below": "una pérdida que en verdad no llegue a cerca de {loss} (ahora {loss_taken})",
        "loss_above": "una pérdida de cerca de {loss} o más (ahora {loss_taken})",
        "price_below": "un precio que se quede por debajo de unos {price} (fijado: {price_set})",
        "price_above": "un precio que se mantenga por encima de unos {price} (fijado: {price_set})",
        "surer": "más certeza de que compensa, por conteos o nuevas vendimias",
        "more_gain": "una ganancia mayor que la mínima exigida",
        "protection": "que proteger las heridas valga menos que renovar",
        "sooner": "una caída más rápida de lo esperado, que adelantaría el invierno de {year}",
        "count": "un conteo de síntomas, antes de cortar nada",
        "record": "más vendimias registradas, o un conteo de cepas y síntomas",
        "recovering": "que las próximas cosechas se queden por debajo de las de troncos nuevos",
        "trellis": "una espaldera nueva, pues ninguna labor cabe antes de que acabe esta",
        "nothing": "ningún precio y ninguna pérdida alcanzables",
        "or": ", o ",
    },
}


def write_change(zone: Mapping[str, Any], display: Display) -> str:
    r"""Say what would change the advice of a zone.

    Parameters
    ----------
    zone : mapping of str to object
        One row of table ``zone`` with ``would_change`` and, for other languages and units, ``change_code``,
        ``loss_pct``, ``break_even_loss_pct``, ``price_per_t``, ``break_even_price_per_t``, ``best_year``.
    display : Display

    Returns
    -------
    str
        Empty where the assessment does not say.

    Examples
    --------
    >>> zone = {"would_change": "A price ...", "change_code": "price_below", "loss_pct": 40.0,
    ...         "break_even_loss_pct": -2.0, "price_per_t": 650.0, "break_even_price_per_t": 402.0,
    ...         "best_year": 2026}
    >>> write_change(zone, Display("es", currency="AUD")).replace("\xa0", " ")
    'Un precio que se quede por debajo de unos AUD 400/t (fijado: AUD 650/t).'
    """
    own, code = zone.get("would_change"), str(zone.get("change_code") or "")
    if not isinstance(own, str) or not code or (display.language == "en" and display.system == "metric"):
        return own if isinstance(own, str) else ""
    said = CHANGES[texts_in(display.language)["language_code"]]["or"].join(list_changes(zone, display))
    return f"{said[:1].upper()}{said[1:]}."


def list_changes(zone: Mapping[Any, Any], display: Display, *, leave_out: Collection[str] = ()) -> list[str]:
    """Say what would change the advice of a zone, one phrase a code.

    Parameters
    ----------
    zone : mapping of str to object
        As in `write_change`; no phrase without ``change_code``.
    display : Display
    leave_out : collection of str
        Codes to leave out.

    Returns
    -------
    list of str
    """
    words, code = CHANGES[texts_in(display.language)["language_code"]], zone.get("change_code")
    codes = [one for one in (code.split() if isinstance(code, str) else []) if one not in leave_out]
    if not codes:
        return []
    shown = {
        "loss": display.percent(_number(zone["break_even_loss_pct"])),
        "loss_taken": display.percent(_number(zone["loss_pct"])),
        "price": _price(zone["break_even_price_per_t"], display),
        "price_set": _price(zone["price_per_t"], display),
        "year": "" if pd.isna(zone["best_year"]) else str(int(zone["best_year"])),
    }
    return [words[one].format_map(shown) for one in codes]


def _price(per_tonne: Any, display: Display) -> str:
    """Price of grapes by weight, two significant digits."""
    value = _number(per_tonne)
    if value is None:
        return ""
    tonnes = units.SHORT_TON_KG / units.TONNE_KG if display.system == "us" else 1.0
    unit = unit_labels(display.language, display.system)["per_tonne"]
    return f"{display.money(value * tonnes)}{unit}"


def _number(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)
