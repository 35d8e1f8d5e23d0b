"""Settings of an estate as the values that the renewal stage takes: one truth, mapped one to one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from vinemap import renewal
from vinemap.estate import Settings

# What a method is by its nature, and no setting: infill leaves standing vines, replanting fills every place.
NATURE = {"infill": {"keeps_standing": True}, "replant": {"restores_stand": True}}


def list_methods(settings: Settings) -> list[renewal.Method]:
    """Give the enabled methods of an estate; fields of `[methods.*]` are those of `renewal.Method`.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    list of renewal.Method

    Examples
    --------
    >>> list_methods(Settings()) == list(renewal.default_methods())
    True
    """
    out = []
    for name in type(settings.methods).model_fields:
        values = getattr(settings.methods, name).model_dump()
        if values.pop("enabled"):
            plain: dict[str, Any] = {
                key: tuple(one) if isinstance(one, list) else one for key, one in values.items()
            }
            out.append(renewal.Method(name=name, **(plain | NATURE.get(name, {}))))
    return out


def set_money(
    settings: Settings, blocks: pd.DataFrame, mog_pct: Mapping[str, float] | None = None
) -> renewal.Money:
    """Give prices, costs and the discount rate of an estate; percentages become shares here only.

    Parameters
    ----------
    settings : Settings
    blocks : pandas.DataFrame
        ``variety``: prices are looked up for these, letter case aside.
    mog_pct : mapping, optional
        MOG of weighed loads by block [%]; their mean takes the place of the setting.

    Returns
    -------
    renewal.Money

    Examples
    --------
    >>> set_money(Settings(), pd.DataFrame({"variety": []})) == renewal.Money()
    True
    """
    money = settings.money
    varieties = {str(one) for one in blocks.get("variety", []) if one}
    varieties |= {settings.methods.graft_over.new_variety} - {""}
    measured = sum(mog_pct.values()) / len(mog_pct) if mog_pct else money.mog_pct
    return renewal.Money(
        currency=settings.estate.currency,
        price_per_t=money.price_per_tonne,
        price_by_variety={one: settings.price_of(one) for one in sorted(varieties)},
        price_sd_share=money.price_sd_pct / 100,
        discount_rate=money.discount_rate_pct / 100,
        harvest_cost_per_t=money.harvest_cost_per_t,
        growing_cost_per_ha=money.growing_cost_per_ha,
        growing_cost_out_of_crop_per_ha=money.growing_cost_out_of_crop_per_ha,
        idle_cost_per_ha=money.idle_cost_per_ha,
        mog_share=measured / 100,
        mog_share_old_wood=money.mog_old_wood_pct / 100,
        mog_threshold_share=money.mog_threshold_pct / 100,
        mog_deduction=money.mog_deduction_pct_per_pct,
        cost_sd_share=money.cost_sd_pct / 100,
        removal_per_ha=money.removal_cost_per_ha,
    )


def set_decision(settings: Settings) -> dict[str, Any]:
    """Give what `renewal.decide_zones` takes of `[decision]`.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    dict
        Keyword arguments.
    """
    own = settings.decision
    return {
        "chance_threshold": own.chance_threshold,
        "min_gain_per_ha": own.min_gain_per_ha,
        "scouting_cost": own.scouting_cost_per_zone,
        "scouting_vines": own.scouting_vines,
        "least_area_ha": own.min_visit_ha,
    }


def set_programme(settings: Settings, given: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Give what `renewal.plan_programme` takes of `[programme]`, or of what is given over it.

    Parameters
    ----------
    settings : Settings
    given : mapping, optional
        Limits over those of the settings, by name of the argument; None and what is empty are passed over.

    Returns
    -------
    dict
        Keyword arguments.

    Examples
    --------
    >>> limits = set_programme(Settings(), {"years": 3, "budget": None})
    >>> limits["years"], limits["budget"]
    (3, None)
    """
    own = settings.programme
    limits = {
        "years": own.years,
        "budget": own.budget_per_year,
        "crew_days": own.crew_days_per_year,
        "most_orders": own.vines_per_year,
        "most_ha_out": own.max_out_of_crop_ha,
        "min_tonnes": own.min_tonnes,
        "not_before": own.not_before,
        "not_after": own.not_after,
        "together": own.together,
        "exclude": own.exclude,
        "risk_quantile": own.risk_quantile,
    }
    return limits | {
        key: value for key, value in (given or {}).items() if value is not None and value not in ({}, [])
    }
