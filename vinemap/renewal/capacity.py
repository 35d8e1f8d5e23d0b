"""Zones whose crop is more than the harvester can clean, now or once renewed: MOG rises there."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap.errors import SettingsError
from vinemap.renewal.crops import full_crop
from vinemap.renewal.value import Valuation

COLUMNS = ["zone_id", "crop_now_t_ha", "crop_after_t_ha", "capacity_t_ha", "over", "words"]


def name_over_capacity(
    valuation: Valuation, decisions: pd.DataFrame, *, capacity_t_ha: float
) -> pd.DataFrame:
    """Name the zones that bear more than the separating system cleans well, now or after their renewal.

    Parameters
    ----------
    valuation : Valuation
    decisions : pandas.DataFrame
        ``zone_id, advice, best_method`` of `decide_zones`.
    capacity_t_ha : float
        Crop up to which the harvester cleans well [t/ha].

    Returns
    -------
    pandas.DataFrame
        Only zones above the capacity: ``zone_id, crop_now_t_ha, crop_after_t_ha`` (in full bearing after the
        renewal advised, else as now) and ``capacity_t_ha`` [t/ha], ``over`` (``now`` or ``after renewal``)
        and ``words``.

    Raises
    ------
    SettingsError
        If the capacity is not positive.

    References
    ----------
    Cleaning systems are good for about 5-7 short tons/acre while machine-pruned crops reach 10-12: common
    practice, no source.

    Examples
    --------
    >>> from vinemap.renewal.decide import decide_zones
    >>> from vinemap.renewal.example import example_decline, example_valuation, example_zones
    >>> value = example_valuation()
    >>> advice = decide_zones(value, example_zones(), example_decline(value))
    >>> name_over_capacity(value, advice, capacity_t_ha=18.0)[["zone_id", "over"]].to_numpy().tolist()
    [['A-Z1', 'after renewal'], ['A-Z2', 'now'], ['B-Z3', 'after renewal']]
    """
    if not capacity_t_ha > 0:
        raise SettingsError(
            f"Cleaning capacity is {capacity_t_ha} t/ha.", remedy="Give the crop it cleans well, as 13.5."
        )
    now = valuation.standing.now.mean(axis=0)
    rows = []
    for one in decisions.to_dict("records"):
        place = valuation.zone_index(str(one["zone_id"]))
        after = now[place]
        if one["advice"] == "renew":
            after = _after(valuation, place, str(one["best_method"]))
        if max(now[place], after) > capacity_t_ha:
            rows.append(_row(str(one["zone_id"]), float(now[place]), float(after), capacity_t_ha))
    return pd.DataFrame(rows, columns=COLUMNS)


def _after(valuation: Valuation, place: int, name: str) -> float:
    """Crop in full bearing [t/ha]: the full level of the healthy yield, for infill what it adds to now."""
    method = valuation.methods[valuation.method_index(name)]
    level = method.full_level * valuation.standing.healthy[:, place]
    if method.keeps_standing:
        level = valuation.standing.now[:, place] + full_crop(valuation.standing, method)[:, place]
    return float(np.mean(level))


def _row(zone: str, now: float, after: float, capacity: float) -> dict[str, object]:
    here = now > capacity
    crop = now if here else after
    when = "bears" if here else "will bear, once renewed,"
    return {
        "zone_id": zone,
        "crop_now_t_ha": now,
        "crop_after_t_ha": after,
        "capacity_t_ha": capacity,
        "over": "now" if here else "after renewal",
        "words": f"Zone {zone} {when} about {crop:.1f} t/ha, more than the {capacity:.1f} t/ha that the "
        "harvester cleans well: expect more MOG, or drive slower there.",
    }
