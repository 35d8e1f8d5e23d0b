"""Zones whose crop is more than the harvester can clean, now or once renewed: MOG rises there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from vinemap.errors import SettingsError
from vinemap.renewal.crops import full_crop
from vinemap.renewal.finance import Floats
from vinemap.renewal.value import HIGH, LOW, Valuation

COLUMNS = [
    "zone_id", "crop_now_t_ha", "crop_now_low_t_ha", "crop_now_high_t_ha", "crop_after_t_ha",
    "crop_after_low_t_ha", "crop_after_high_t_ha", "capacity_t_ha", "over", "words",
]  # fmt: skip


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
        Only zones above the capacity, those that are so now first, then by crop: ``zone_id``,
        ``crop_now_t_ha``, ``crop_after_t_ha`` (in full bearing after the renewal advised, else as now), both
        with their 90 % intervals (``crop_now_low_t_ha``, ...), and ``capacity_t_ha`` [t/ha], ``over``
        (``now`` or ``after renewal``) and ``words``.

    Raises
    ------
    SettingsError
        If the capacity is not positive.

    Notes
    -----
    What the cleaning system has to take in an hour is yield times width times speed, so that it gets no more
    than at its capacity where speed is cut to capacity over yield.

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
    [['A-Z2', 'now'], ['B-Z3', 'after renewal'], ['A-Z1', 'after renewal']]
    """
    if not capacity_t_ha > 0:
        raise SettingsError(
            f"Cleaning capacity is {capacity_t_ha} t/ha.", remedy="Give the crop it cleans well, as 13.5."
        )
    rows = []
    for one in decisions.to_dict("records"):
        place = valuation.zone_index(str(one["zone_id"]))
        now = valuation.standing.now[:, place]
        after = _after(valuation, place, str(one["best_method"])) if one["advice"] == "renew" else now
        if max(now.mean(), after.mean()) > capacity_t_ha:
            rows.append(_row(str(one["zone_id"]), now, after, capacity_t_ha))
    rows.sort(key=lambda one: (one["over"] != "now", -one[f"crop_{_which(one)}_t_ha"]))
    return pd.DataFrame(rows, columns=COLUMNS)


def _which(row: Mapping[str, Any]) -> str:
    """Crop that is too much: that of now, or only that after the renewal."""
    return "now" if row["over"] == "now" else "after"


def _after(valuation: Valuation, place: int, name: str) -> Floats:
    """Crop in full bearing [t/ha] by draw: the full level of the healthy yield, for infill added to now."""
    standing, method = valuation.standing, valuation.methods[valuation.method_index(name)]
    if method.keeps_standing:
        return np.asarray(standing.now[:, place] + full_crop(standing, method)[:, place])
    return np.asarray(method.full_level * standing.healthy[:, place])


def _row(zone: str, now: Floats, after: Floats, capacity: float) -> dict[str, Any]:
    over = "now" if now.mean() > capacity else "after renewal"
    out: dict[str, Any] = {"zone_id": zone, "capacity_t_ha": capacity, "over": over}
    for name, crop in (("now", now), ("after", after)):
        out[f"crop_{name}_t_ha"] = float(crop.mean())
        out[f"crop_{name}_low_t_ha"], out[f"crop_{name}_high_t_ha"] = np.quantile(crop, [LOW, HIGH]).tolist()
    return out | {"words": _say_over(out)}


def _say_over(row: Mapping[str, Any]) -> str:
    """Say how much too much there is, and what to do about it."""
    crop, capacity = _which(row), row["capacity_t_ha"]
    amount, after = row[f"crop_{crop}_t_ha"], row["crop_after_t_ha"]
    when = "bears" if crop == "now" else "will bear, once renewed,"
    span = f"90 %: {row[f'crop_{crop}_low_t_ha']:.1f} to {row[f'crop_{crop}_high_t_ha']:.1f}"
    later = f" and about {after:.1f} t/ha once renewed" if after > amount else ""
    return (
        f"Zone {row['zone_id']} {when} about {amount:.1f} t/ha ({span}){later}, more than the {capacity:.1f} "
        "t/ha that the harvester cleans well (cleaning_capacity_t_ha in estate.toml: put in the maker's "
        "rating): expect more MOG, or drive slower there, at about "
        f"{100 * capacity / amount:.0f} % of the usual speed."
    )
