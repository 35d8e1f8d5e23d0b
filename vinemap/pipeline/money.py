"""Settings of an estate as the values that the renewal stage takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import pandas as pd

from vinemap import renewal
from vinemap.estate import Settings


def list_methods(settings: Settings) -> list[renewal.Method]:
    """Give the enabled methods of an estate.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    list of renewal.Method
    """
    return list(renewal.default_methods())
    known = {one.name for one in fields(renewal.Method)}
    out = []
    for name in type(settings.methods).model_fields:
        values = getattr(settings.methods, name).model_dump()
        if not values.pop("enabled"):
            continue
        plain = {
            key: tuple(one) if isinstance(one, list) else one for key, one in values.items() if key in known
        }
        out.append(renewal.Method(name=name, **plain))
    return out


def set_money(
    settings: Settings, blocks: pd.DataFrame, mog_pct: Mapping[str, float] | None = None
) -> renewal.Money:
    """Give prices, costs and the discount rate of an estate.

    Parameters
    ----------
    settings : Settings
    blocks : pandas.DataFrame
        ``variety``: prices are looked up for these, letter case aside.
    mog_pct : mapping, optional
        Not used yet beyond its mean: MOG by block [%].

    Returns
    -------
    renewal.Money
    """
    money = settings.money
    varieties = {str(one) for one in blocks.get("variety", []) if one}
    share: dict[str, Any] = {}
    if mog_pct:
        share["mog_share"] = float(sum(mog_pct.values()) / len(mog_pct)) / 100
    return renewal.Money(
        currency=settings.estate.currency,
        price_per_t=money.price_per_tonne,
        price_by_variety={one: settings.price_of(one) for one in varieties},
        price_sd_share=money.price_sd_pct / 100,
        discount_rate=money.discount_rate_pct / 100,
        harvest_cost_per_t=money.harvest_cost_per_t,
        growing_cost_per_ha=money.growing_cost_per_ha,
        cost_sd_share=money.cost_sd_pct / 100,
        removal_per_ha=money.removal_cost_per_ha,
        **share,
    )
