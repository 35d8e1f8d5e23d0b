"""The programme over years: highest expected value under budget, crew, stock and contract limits."""

from __future__ import annotations

import time
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import optimize, sparse

from vinemap.errors import SettingsError
from vinemap.renewal.finance import Floats
from vinemap.renewal.limits import Choices, Rows, Yearly, build_rows, list_choices
from vinemap.renewal.solving import INFEASIBLE, MANY_CHOICES, Solution, solve
from vinemap.renewal.standing import Ints, zone_parts
from vinemap.renewal.value import Valuation
from vinemap.renewal.wording import METHOD_WORDS, say_amount
from vinemap.tables import PROGRAMME, check_table

RELAX_SHARE = 0.10  # limits are moved by this share to find their shadow cost
BINDING_SHARE = 0.50  # a limit used to this share may bind: zones are done whole, so much may stay unused
ROUNDING = 1e-6  # of a limit's own size: a breach of less is the solver's
SHADOW_LIMITS = 8  # shadow costs are found for at most so many limits


@dataclass(frozen=True, slots=True)
class Programme:
    """A programme of renewals under limits.

    Parameters
    ----------
    table : pandas.DataFrame
        Columns of `tables.PROGRAMME` and ``npv`` [currency], ``rank`` (place in the queue, by value per cost
        within its year) and ``reason``; the cost holds the zone's share of mobilisation, by area.
    npv : float
        Value of the whole programme over keeping [currency].
    bound : float
        No programme can be worth more than this [currency].
    gap : float
        Distance to the bound as share of it.
    shadow_costs : pandas.DataFrame
        ``limit, unit, allowed, used, moved_to, adds`` [currency]: what the programme would gain if this one
        limit were looser by a tenth (solved again; good to within the gap), and ``words``.
    clashes : tuple of str
        Where the limits cannot all be met: which, and by how much. The table is then empty.
    notes : tuple of str
    """

    table: pd.DataFrame
    npv: float
    bound: float
    gap: float
    shadow_costs: pd.DataFrame
    clashes: tuple[str, ...]
    notes: tuple[str, ...]


def plan_programme(
    valuation: Valuation,
    zones: pd.DataFrame | None = None,
    *,
    years: int = 10,
    budget: Yearly = None,
    crew_days: Yearly = None,
    most_orders: Yearly = None,
    most_ha_out: Yearly = None,
    min_tonnes: Mapping[str, Yearly] | None = None,
    together: Sequence[Sequence[str]] = (),
    not_before: Mapping[str, int] | None = None,
    not_after: Mapping[str, int] | None = None,
    exclude: Sequence[str] = (),
    risk_quantile: float | None = None,
    mip_gap: float = 0.001,
    time_limit_s: float = 60.0,
    shadow: bool = True,
) -> Programme:
    """Plan which zone to renew, by which method, in which winter.

    Parameters
    ----------
    valuation : Valuation
    zones : pandas.DataFrame, optional
        If given, only zones in its ``zone_id`` are planned; if it has ``advice``, only those not ``scout``.
    years : int
        Number of winters, from the first.
    budget : float, mapping of year to float, or None
        Most to spend on work each winter [currency]; unspent money does not carry over. Aftercare of later
        years is in the value, not in the budget.
    crew_days, most_orders : float, mapping of year to float, or None
        Most crew days, and most vines or buds, each winter.
    most_ha_out : float, mapping of year to float, or None
        Most hectares below half a crop in each vintage [ha].
    min_tonnes : mapping of variety to float or mapping of year to float, optional
        Least tonnes of a variety in each vintage, average season [t].
    together : sequence of sequences of str
        Zones or blocks to be done in the same winter or not at all.
    not_before, not_after : mapping of zone_id or block_id to year, optional
    exclude : sequence of str
        Zones to leave out.
    risk_quantile : float, optional
        Maximise this quantile of each option's gain over the draws and not its mean: cautious, since all
        zones are then taken at their poor outcome together.
    mip_gap : float
        Gap to the bound at which the solver may stop.
    time_limit_s : float
        Longest time for one solve [s].
    shadow : bool
        Whether to find shadow costs, by solving again: for the limits used most, as many as `time_limit_s`
        leaves time for.

    Returns
    -------
    Programme

    Raises
    ------
    SettingsError
        If a limit is negative or names an unknown zone, block or variety.
    DataError
        If no programme that keeps the limits is found in time, and doing nothing does not keep them.

    References
    ----------
    Mixed-integer programme with one binary per zone, method and winter; see `vinemap.renewal.solving`.

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> out = plan_programme(example_valuation(), years=3, budget=50_000.0)
    >>> out.table[["zone_id", "method", "year"]].to_numpy().tolist(), out.clashes
    ([['A-Z1', 'trunk_renewal', 2026], ['B-Z3', 'infill', 2027]], ())
    """
    least = dict(min_tonnes or {})
    limits = {"budget": budget, "crew days": crew_days, "vines": most_orders, "hectares": most_ha_out} | least
    _check_limits(limits, years)
    value = _value_per_ha(valuation, risk_quantile)
    _leave_out(valuation, value, zones, exclude)
    span = min(years, valuation.start_years.size)
    choices = list_choices(
        valuation, years=span, value_per_ha=value, keep_losing=bool(least or together),
        not_before=dict(not_before or {}), not_after=dict(not_after or {}),
    )  # fmt: skip
    rows = build_rows(
        valuation, choices, years=span, budget=budget, crew_days=crew_days, most_orders=most_orders,
        most_ha_out=most_ha_out, min_tonnes=least, together=together,
    )  # fmt: skip
    notes = [] if span == years else [f"Only {span} winters were valued, so only these are planned."]
    solved = solve(choices, rows, mip_gap=mip_gap, time_limit_s=time_limit_s)
    if solved.status == INFEASIBLE:
        return _clashing(choices, rows, time_limit_s, tuple(notes))
    table = _programme_table(valuation, choices, solved.x)
    costs = (
        _shadow_costs(choices, rows, solved, mip_gap, time_limit_s, valuation.money.currency)
        if shadow
        else _no_shadow()
    )
    if solved.gap > mip_gap:
        notes.append(_say_stopped(solved, time_limit_s))
    return Programme(table, solved.npv, solved.bound, solved.gap, costs, (), tuple(notes))


def _check_limits(limits: Mapping[str, Yearly], years: int) -> None:
    if years < 1:
        raise SettingsError(f"A programme of {years} years.", remedy="Give 1 or more.")
    for name, limit in limits.items():
        given = list(limit.values()) if isinstance(limit, Mapping) else [limit]
        for one in given:
            if one is not None and not one >= 0:
                raise SettingsError(f"Limit on {name} is {one}.", remedy="Give 0 or more, or leave it out.")


def _value_per_ha(valuation: Valuation, risk_quantile: float | None) -> Floats:
    if risk_quantile is None:
        return np.asarray(valuation.gain.mean(axis=0))
    if not 0.0 < risk_quantile < 1.0:
        raise SettingsError(
            f"Risk quantile is {risk_quantile}.", remedy="Give a share between 0 and 1, as 0.2."
        )
    parts = zone_parts(len(valuation.standing.zone_ids))
    return np.concatenate([np.quantile(valuation.gain[:, one], risk_quantile, axis=0) for one in parts])


def _leave_out(
    valuation: Valuation, value: Floats, zones: pd.DataFrame | None, exclude: Sequence[str]
) -> None:
    wanted = set(valuation.standing.zone_ids)
    if zones is not None:
        chosen = zones if "advice" not in zones else zones[zones["advice"] != "scout"]
        wanted &= set(chosen["zone_id"])
    wanted -= set(exclude)
    value[[one not in wanted for one in valuation.standing.zone_ids]] = np.nan


def _say_stopped(solved: Solution, time_limit_s: float) -> str:
    if not np.isfinite(solved.bound):
        return (
            f"No programme was found within {time_limit_s:.0f} s. That none is listed does not say that none "
            "pays: plan fewer years, or part of the estate at a time."
        )
    return f"The solver stopped after {time_limit_s:.0f} s, {100 * solved.gap:.1f} % from the bound."


def _chosen(choices: Choices, x: Floats) -> Ints:
    return np.flatnonzero(x[: choices.size] > 0.5)


def _programme_table(valuation: Valuation, choices: Choices, x: Floats) -> pd.DataFrame:
    standing, picked = valuation.standing, _chosen(choices, x)
    zone, area = choices.zone[picked], standing.area_ha[choices.zone[picked]]
    together = np.zeros(len(choices.visits))
    np.add.at(together, choices.visit[picked], area)
    share = area / together[choices.visit[picked]] if picked.size else np.zeros(0)
    frame = pd.DataFrame(
        {
            "year": valuation.start_years[choices.start[picked]],
            "block_id": np.asarray(standing.block_ids, dtype=object)[zone],
            "zone_id": np.asarray(standing.zone_ids, dtype=object)[zone],
            "method": [valuation.methods[one].name for one in choices.method[picked]],
            "area_ha": area,
            "cost": choices.cost[picked] + share * choices.visit_cost[choices.visit[picked]],
            "crew_days": choices.crew_days[picked],
            "vines": np.rint(choices.orders[picked]).astype(np.int64),
            "tonnes_out": choices.out_t[picked],
            "npv": choices.value[picked] - share * choices.visit_value[choices.visit[picked]],
        }
    )
    ratio = frame["npv"] / frame["cost"].where(frame["cost"] > 0)
    order = np.lexsort((-ratio.fillna(np.inf).to_numpy(dtype=float), frame["year"].to_numpy(dtype=float)))
    frame = frame.iloc[order].reset_index(drop=True)
    frame["rank"] = np.arange(1, len(frame) + 1)
    frame["reason"] = [_say_place(one, valuation) for one in frame.to_dict("records")]
    return check_table(frame, PROGRAMME, where="plan_programme")


def _say_place(row: Mapping[Hashable, object], valuation: Valuation) -> str:
    """Why the renewal stands where it does in the queue."""
    npv, cost, year = float(str(row["npv"])), float(str(row["cost"])), int(str(row["year"]))
    currency, words = valuation.money.currency, METHOD_WORDS[str(row["method"])]
    head = f"Number {row['rank']}: {words} of {float(str(row['area_ha'])):.1f} ha in the winter of {year}"
    if npv <= 0:
        return f"{head} costs {say_amount(-npv)} {currency} over keeping; it holds up the tonnes promised."
    place = valuation.zone_index(str(row["zone_id"]))
    mean = valuation.alone_gain(place).mean(axis=0)[valuation.method_index(str(row["method"]))]
    best = int(valuation.start_years[int(np.nanargmax(mean))])
    per = say_amount(1000.0 * npv / cost) if cost > 0 else "?"
    tail = "its best winter" if best == year else f"on its own its best winter would be {best}"
    return (
        f"{head} is worth {say_amount(npv)} {currency} over keeping, {per} {currency} for each 1,000 "
        f"{currency} spent; {tail}."
    )


def _no_shadow() -> pd.DataFrame:
    return pd.DataFrame(columns=["limit", "unit", "allowed", "used", "moved_to", "adds", "words"])


def _say_shadow(name: str, unit: str, change: float, adds: float, currency: str) -> str:
    """Say what a looser limit would add.

    Examples
    --------
    >>> _say_shadow("budget 2028", "AUD", 10_000.0, 5234.0, "AUD")
    'Another 10,000 AUD for budget 2028 would add about 5,200 AUD.'
    """
    size = f"{say_amount(abs(change))} {unit}" if abs(change) >= 10 else f"{abs(change):.1f} {unit}"
    head = f"Another {size} for {name}" if change >= 0 else f"{size} less of {name}"
    if round(adds) <= 0:
        return f"{head} would add nothing."
    return f"{head} would add about {say_amount(adds)} {currency}."


def _shadow_costs(
    choices: Choices, rows: Rows, solved: Solution, mip_gap: float, time_limit_s: float, currency: str
) -> pd.DataFrame:
    """Solve again with one limit looser by a tenth, for the limits used most."""
    if choices.size == 0:
        return _no_shadow()
    used = rows.matrix() @ solved.x
    tight = []
    for n, soft in enumerate(rows.soft):
        full = _fullness(used[n], rows.low[n], rows.high[n])
        if soft and full >= BINDING_SHARE:
            tight.append((full, n))
    out = []
    begin = time.monotonic()
    for _, n in sorted(tight, reverse=True)[:SHADOW_LIMITS]:
        if time.monotonic() - begin > time_limit_s:
            break
        looser, moved = _loosen(rows, n)
        again = solve(choices, looser, mip_gap=mip_gap, time_limit_s=time_limit_s)
        allowed = rows.high[n] if np.isfinite(rows.high[n]) else rows.low[n]
        adds = max(0.0, again.npv - solved.npv)
        words = _say_shadow(rows.names[n], rows.units[n], moved - allowed, adds, currency)
        out.append((rows.names[n], rows.units[n], allowed, float(used[n]), moved, adds, words))
    frame = pd.DataFrame(out, columns=list(_no_shadow().columns))
    return frame.sort_values("adds", ascending=False, kind="stable").reset_index(drop=True)


def _fullness(used: float, low: float, high: float) -> float:
    if np.isfinite(high):
        return used / high if high > 0 else 1.0
    slack = used - low
    return 1.0 - slack / max(abs(low), abs(used), 1e-9)


def _loosen(rows: Rows, n: int) -> tuple[Rows, float]:
    low, high = list(rows.low), list(rows.high)
    if np.isfinite(high[n]):
        high[n] *= 1.0 + RELAX_SHARE
    else:
        low[n] -= RELAX_SHARE * abs(low[n])
    moved = high[n] if np.isfinite(high[n]) else low[n]
    return replace(rows, low=low, high=high), moved


def _clashing(choices: Choices, rows: Rows, time_limit_s: float, notes: tuple[str, ...]) -> Programme:
    """Find the least that limits must give way, as shares of their size, and say so."""
    soft = np.flatnonzero(rows.soft)
    sizes = np.asarray([_size(rows.low[n], rows.high[n]) for n in soft])
    short = _least_breach(choices, rows, soft, sizes, time_limit_s)
    said = [
        f"{rows.names[n]}: missed by {amount:,.1f} {rows.units[n]} ({rows.details[n]})"
        for n, amount, size in zip(soft, short, sizes, strict=True)
        if amount > ROUNDING * size
    ]
    head = "These limits clash; the least that must give way is as follows."
    empty = check_table(pd.DataFrame(columns=PROGRAMME.names), PROGRAMME, where="plan_programme")
    return Programme(empty, 0.0, 0.0, 0.0, _no_shadow(), (head, *said), notes)


def _size(low: float, high: float) -> float:
    return max(abs(high if np.isfinite(high) else low), 1.0)


def _least_breach(choices: Choices, rows: Rows, soft: Ints, sizes: Floats, time_limit_s: float) -> Floats:
    """Least breaches of the soft rows [unit of each], by a second solve with one slack per row."""
    if choices.size == 0:
        low, high = np.asarray(rows.low)[soft], np.asarray(rows.high)[soft]
        return np.asarray(np.clip(np.where(np.isfinite(low), low, -high), 0.0, None))
    sign = np.where(np.isfinite(np.asarray(rows.low)[soft]), 1.0, -1.0) * sizes
    total = len(rows.names)
    slack = sparse.csr_array((sign, (soft, np.arange(soft.size))), shape=(total, soft.size))
    matrix = sparse.hstack([rows.matrix(), slack], format="csr")
    cost = np.concatenate([np.zeros(rows.width), np.ones(soft.size)])
    whole = np.zeros(cost.size)
    whole[: choices.size] = choices.size <= MANY_CHOICES  # among so many, halves of a zone do not tell
    top = np.concatenate([np.ones(rows.width), np.full(soft.size, np.inf)])
    result = optimize.milp(
        cost, integrality=whole, bounds=optimize.Bounds(0.0, top),
        constraints=optimize.LinearConstraint(matrix, rows.low, rows.high),
        options={"time_limit": time_limit_s, "mip_rel_gap": 0.01},
    )  # fmt: skip
    if result.x is None:
        return sizes
    return np.asarray(result.x[rows.width :] * sizes)
