"""The figures behind an advice, in tables that go out beside it: cash flows, turning points, what matters."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from vinemap.renewal.explain import explain_zone
from vinemap.renewal.turning import break_even, gain_per_price, measure_sensitivity
from vinemap.renewal.value import Valuation
from vinemap.renewal.wording import METHOD_WORDS, say_amount

TURNING_COLUMNS = [
    "zone_id", "method", "year", "gain_per_ha", "loss_pct", "break_even_loss_pct", "price_per_t",
    "break_even_price_per_t", "gain_per_price", "words",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Trace:
    """What stands behind the advice, for every zone that some renewal fits.

    Parameters
    ----------
    cash_flows : pandas.DataFrame
        ``zone_id, method, renew_year`` and the columns of `explain_zone`, one row a zone and year: keeping
        against the best renewal, means over the draws [currency/ha]. ``difference_discounted`` adds up to
        the gain of the advice.
    turning_points : pandas.DataFrame
        ``zone_id, method, year, gain_per_ha`` [currency/ha], ``loss_pct, break_even_loss_pct`` [%],
        ``price_per_t, break_even_price_per_t`` [currency/t], ``gain_per_price`` [currency/ha per currency/t]
        and ``words``; only zones whose advice is not ``keep``.
    sensitivity : pandas.DataFrame
        ``zone_id, method, year`` and the columns of `measure_sensitivity`, largest swing first; the same
        zones.
    """

    cash_flows: pd.DataFrame
    turning_points: pd.DataFrame
    sensitivity: pd.DataFrame


def trace_advice(valuation: Valuation, decisions: pd.DataFrame) -> Trace:
    """Put together the tables behind the advice of `decide_zones`.

    Parameters
    ----------
    valuation : Valuation
    decisions : pandas.DataFrame
        Result of `decide_zones`.

    Returns
    -------
    Trace

    Raises
    ------
    DataError
        If a zone or option of the decisions was not valued.

    Examples
    --------
    >>> from vinemap.renewal.decide import decide_zones
    >>> from vinemap.renewal.example import example_decline, example_valuation, example_zones
    >>> value = example_valuation()
    >>> advice = decide_zones(value, example_zones(), example_decline(value))
    >>> trace = trace_advice(value, advice)
    >>> summed = trace.cash_flows.groupby("zone_id")["difference_discounted"].sum()
    >>> bool(np.allclose(summed, advice.set_index("zone_id")["gain_per_ha"].loc[summed.index]))
    True
    """
    fitting = [one for one in decisions.to_dict("records") if one["best_method"]]
    flows, points, swings = [], [], []
    for one in fitting:
        zone, method, year = str(one["zone_id"]), str(one["best_method"]), int(one["best_year"])
        share = float(one["mobilisation_share"])
        table = explain_zone(valuation, zone, method=method, year=year, mobilisation_share=share)
        flows.append(_led(table, {"zone_id": zone, "method": method, "renew_year": year}))
        if one["advice"] == "keep":
            continue
        points.append(_turning_point(valuation, one))
        moved = measure_sensitivity(valuation, zone, method=method, year=year, mobilisation_share=share)
        swings.append(_led(moved, {"zone_id": zone, "method": method, "year": year}))
    return Trace(_joined(flows), pd.DataFrame(points, columns=TURNING_COLUMNS), _joined(swings))


def _led(table: pd.DataFrame, values: dict[str, object]) -> pd.DataFrame:
    """Put columns of one value each before a table."""
    front = pd.DataFrame({name: [value] * len(table) for name, value in values.items()}, index=table.index)
    return pd.concat([front, table], axis=1)


def _joined(parts: list[pd.DataFrame]) -> pd.DataFrame:
    return (
        pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({"zone_id": pd.Series(dtype=object)})
    )


def _turning_point(valuation: Valuation, decision: Mapping[Hashable, Any]) -> dict[str, object]:
    zone, place = decision["zone_id"], valuation.zone_index(decision["zone_id"])
    standing, even = valuation.standing, _even(valuation, decision)
    loss = 100.0 * (1.0 - float((standing.now[:, place] / standing.healthy[:, place]).mean()))
    out: dict[str, object] = {
        "zone_id": zone,
        "method": decision["best_method"],
        "year": int(decision["best_year"]),
        "gain_per_ha": float(decision["gain_per_ha"]),
        "loss_pct": loss,
        "break_even_loss_pct": even["loss_pct"],
        "price_per_t": valuation.money.price_of(standing.varieties[place]),
        "break_even_price_per_t": even["price_per_t"],
        "gain_per_price": even["gain_per_price"],
    }
    return out | {"words": _say_turning(out, valuation.money.currency)}


def _even(valuation: Valuation, decision: Mapping[Hashable, Any]) -> dict[str, float]:
    """`break_even` of a decision, taken from it where it was worked out for the same winter."""
    option = {
        "method": decision["best_method"],
        "year": int(decision["best_year"]),
        "mobilisation_share": float(decision["mobilisation_share"]),
    }
    asked_about = decision["gain_per_ha"] > 0 or option["year"] == valuation.first_year  # see `find_turn`
    if not asked_about or "break_even_price_per_t" not in decision:
        return break_even(valuation, decision["zone_id"], **option)
    return {
        "loss_pct": decision["break_even_loss_pct"],
        "price_per_t": decision["break_even_price_per_t"],
        "gain_per_price": gain_per_price(valuation, decision["zone_id"], **option),
    }


def _say_turning(one: dict[str, object], currency: str) -> str:
    """Say at which price and loss the answer turns.

    Examples
    --------
    >>> _say_turning({"method": "infill", "price_per_t": 650.0, "break_even_price_per_t": 480.0,
    ...               "gain_per_price": 3.0, "loss_pct": 20.0, "break_even_loss_pct": np.nan}, "AUD")
    'Infilling the missing vines pays from a price of about 480 AUD/t (set: 650).'
    """
    words = METHOD_WORDS[str(one["method"])]
    head = words[0].upper() + words[1:]
    price, set_price = float(str(one["break_even_price_per_t"])), float(str(one["price_per_t"]))
    edge = "from a price of" if float(str(one["gain_per_price"])) >= 0 else "up to a price of"
    parts = []
    if np.isfinite(price):
        parts.append(f"{edge} about {say_amount(price)} {currency}/t (set: {say_amount(set_price)})")
    even, loss = float(str(one["break_even_loss_pct"])), float(str(one["loss_pct"]))
    if np.isfinite(even):
        at = f"from a loss of about {round(even)} %" if even > 0 else "at any loss, for its decline alone"
        parts.append(f"{at} (now {round(loss)} %)")
    if not parts:
        return f"{head} turns neither at any price nor at any loss within reach."
    return f"{head} pays {' and '.join(parts)}."
