"""From the valuation to an advice per zone: best option, gain, cost of waiting, chance that it pays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd

from vinemap.errors import DataError, SettingsError
from vinemap.renewal.best import Best, choose_best, shut_out
from vinemap.renewal.change import describe_change
from vinemap.renewal.finance import Floats
from vinemap.renewal.scouting import VINES_LOOKED_AT, scouting_value
from vinemap.renewal.standing import LEAST_YEARS, RECOVERY_YEARS
from vinemap.renewal.value import HIGH, LOW, START_YEARS, Valuation
from vinemap.renewal.visits import KEPT
from vinemap.renewal.waiting import cost_of_waiting
from vinemap.renewal.wording import RECOVERED_PCT, SAY, Facts

# Chance that it pays before cutting is advised, chosen on seed 11 (48 estates, four winters):
# 0.5, 0.6 and 0.8 lost 13, 16 and 25 % of perfect knowledge's gain, while 5 of 177, 3 of 162 and 1 of 130
# zones advised to renew at once lost by it. On fresh estates (scripts/bench_decision.py, seed 606, six
# winters) they lost 6, 9 and 17 %.
CHANCE_THRESHOLD = 0.60
SCOUTING_COST_PER_ZONE = 150.0  # currency: about two hours of a scout; common practice, no source
# Vintages: up to so many, yield alone never leads to renewal. On invented estates with 5 and no counts
# 1.5 % of sound zones would be renewed otherwise, where a harvester read low (seed 22 of bench_decline).
SHORT_RECORD = 5
# Years that the rules speak of, for whoever values anew elsewhere, as the map page does.
RULE_YEARS = {
    "short_record": SHORT_RECORD,
    "recovery_years": RECOVERY_YEARS,
    "least_years": LEAST_YEARS,
    "start_years": START_YEARS,
}
AHEAD_YEARS = 3
DECLINING_SHARE_PER_YEAR = 0.005  # of healthy yield a year: less than that counts as holding


class HasZones(Protocol):
    """Result of the decline stage: only its zones table is used."""

    @property
    def zones(self) -> pd.DataFrame:
        """One row per zone with the decline columns of `tables.ZONE`."""


@dataclass(frozen=True, slots=True)
class _Rules:
    """What is asked for before an advice is given, as `decide_zones` takes it."""

    chance_threshold: float
    scouting_cost: float
    scouting_vines: int
    min_gain_per_ha: float
    turning_points: bool


def decide_zones(
    valuation: Valuation,
    zones: pd.DataFrame,
    decline: HasZones | pd.DataFrame,
    *,
    chance_threshold: float = CHANCE_THRESHOLD,
    scouting_cost: float = SCOUTING_COST_PER_ZONE,
    scouting_vines: int = VINES_LOOKED_AT,
    least_area_ha: float = 0.0,
    min_gain_per_ha: float = 0.0,
    turning_points: bool = False,
) -> pd.DataFrame:
    """Advise for every zone, with the numbers and the one sentence behind it.

    Parameters
    ----------
    valuation : Valuation
    zones : pandas.DataFrame
        ``zone_id``; the result has one row per zone of it, in its order.
    decline : HasZones or pandas.DataFrame
        Decline columns of `tables.ZONE` by ``zone_id``, and ``renewed_year`` where known.
    chance_threshold : float
        Least chance that it pays before ``renew`` is advised [0-1].
    scouting_cost : float
        Cost of scouting one zone [currency].
    scouting_vines : int
        Vines a scout looks at in a zone.
    least_area_ha : float
        Least area of a visit to a block [ha].
    min_gain_per_ha : float
        Expected gain over keeping above which ``renew`` is advised [currency/ha].
    turning_points : bool
        Whether to say what would change each advice, about 10 ms a zone.

    Returns
    -------
    pandas.DataFrame
        ``zone_id, advice, best_method, best_year, gain_per_ha, gain_per_ha_low, gain_per_ha_high,
        wait_cost_per_ha, chance_pays, reason`` and, beyond the contract, ``wait_cost_per_ha_low,
        wait_cost_per_ha_high`` (90 % interval; below 0 where waiting would gain), ``protect_gain_per_ha``,
        ``scouting_value`` [currency per zone], ``chance_declining``, ``loss_value_per_ha``
        [currency/ha/year],
        ``shared_with`` (zones of the same visit), ``mobilisation_share`` (of the block's mobilisation),
        ``idle_year`` (first vintage from which a kept crop is expected to bring less than leaving it idle).
        With `turning_points` also ``would_change`` (one sentence), ``change_code`` (its parts as keys of
        `change.CHANGES`, a space between them), ``break_even_loss_pct`` [%], ``price_per_t`` and
        ``break_even_price_per_t`` [currency/t].

    Raises
    ------
    DataError
        If a zone was not valued or has no decline row.
    SettingsError
        If the threshold is not between 0 and 1.

    Notes
    -----
    ``gain_per_ha`` carries the zone's share of a mobilisation shared within its block. ``wait_cost_per_ha``
    is the expected value of the best option in its best year, less the best that is left if that winter
    passes (a later winter, or none): what a year's delay past the best year costs, never negative; waiting
    until the best year costs nothing. 0 where no renewal pays.
    ``renew`` needs an expected gain above `min_gain_per_ha` and above that of wound protection, a chance at
    the threshold or above, a best year of this winter or next, and more than five vintages or a vine count.
    ``scout`` is for zones where a count is worth more than it costs, or where a short record alone stands
    against renewing. A zone renewed within the last 5 years still comes back: it is not renewed again, and
    its sentence says so.

    Examples
    --------
    >>> from vinemap.renewal.example import example_decline, example_valuation, example_zones
    >>> value = example_valuation()
    >>> decide_zones(value, example_zones(), example_decline(value))["advice"].tolist()
    ['renew', 'keep', 'renew']
    """
    if not 0.0 <= chance_threshold <= 1.0:
        raise SettingsError(
            f"Chance threshold is {chance_threshold}.", remedy="Give a share between 0 and 1, as 0.6."
        )
    table = decline if isinstance(decline, pd.DataFrame) else decline.zones
    facts = _decline_rows(table, valuation)
    valuation = shut_out(valuation, facts)
    best, lost_crop = choose_best(valuation, least_area_ha=least_area_ha), loss_value(valuation)
    rules = _Rules(chance_threshold, scouting_cost, scouting_vines, min_gain_per_ha, turning_points)
    rows = [
        _decide_one(valuation, place, best, facts.iloc[place], rules, float(lost_crop[place]))
        for place in range(len(valuation.standing.zone_ids))
    ]
    out = pd.DataFrame(rows).set_index("zone_id")
    lost = [one for one in zones["zone_id"] if one not in out.index]
    if lost:
        raise DataError(f"Zone {lost[0]} was not valued.", remedy="Pass the zones that were valued.")
    frame = out.loc[list(zones["zone_id"])].reset_index()
    return frame.astype({"best_year": "Int64", "idle_year": "Int64"})


def _decline_rows(table: pd.DataFrame, valuation: Valuation) -> pd.DataFrame:
    index = pd.DataFrame(table).set_index("zone_id")
    lost = [one for one in valuation.standing.zone_ids if one not in index.index]
    if lost:
        raise DataError(f"Zone {lost[0]} has no row in the decline table.", remedy="Pass every zone valued.")
    return index.loc[list(valuation.standing.zone_ids)]


def _decide_one(
    valuation: Valuation, place: int, best: Best, row: pd.Series, rules: _Rules, lost_crop: float
) -> dict[str, object]:
    """Give the row of one zone: `lost_crop` is what its lost crop is worth a year [currency/ha/year]."""
    facts = _facts(valuation, place, best, row, rules)
    declining = _chance_declining(valuation, place)
    advice = choose_advice(facts, declining)
    out: dict[str, object] = {
        "zone_id": valuation.standing.zone_ids[place],
        "advice": advice,
        "best_method": facts.method,
        "best_year": facts.year if facts.method else pd.NA,
        "gain_per_ha": facts.gain,
        "gain_per_ha_low": facts.gain_low,
        "gain_per_ha_high": facts.gain_high,
        "wait_cost_per_ha": facts.wait_cost,
        "chance_pays": facts.chance,
        "reason": SAY[advice](facts),
        "protect_gain_per_ha": facts.protect_gain,
        "scouting_value": facts.scouting_value,
        "chance_declining": declining,
        "loss_value_per_ha": lost_crop,
        "shared_with": " ".join(valuation.standing.zone_ids[one] for one in best.company(place)),
        "mobilisation_share": float(best.share[place]),
        "idle_year": facts.idle_year or pd.NA,
        "wait_cost_per_ha_low": facts.wait_low,
        "wait_cost_per_ha_high": facts.wait_high,
    }
    if rules.turning_points:
        out |= describe_change(valuation, place, facts, advice, float(best.share[place]))
    return out


def _facts(valuation: Valuation, place: int, best: Best, row: pd.Series, rules: _Rules) -> Facts:
    """Put together what the advice and its sentence rest on."""
    standing, method, start = valuation.standing, int(best.method[place]), int(best.start[place])
    net = valuation.shared_gain(place, float(best.share[place]))
    draws = net[:, method, start] if method != KEPT else np.zeros(standing.draw_count)
    low, high = np.quantile(draws, [LOW, HIGH])
    waiting = cost_of_waiting(net[:, valuation.renewals], draws, start)
    counted = _counted(row, bool(standing.counted[place]))
    return Facts(
        healthy_t_ha=float(row["yield_healthy_t_ha"]),
        loss_pct=float(row["loss_pct"]),
        loss_low=float(row["loss_pct_low"]),
        loss_high=float(row["loss_pct_high"]),
        decline_pct=float(row["decline_pct_per_year"]),
        decline_low=float(row.get("decline_pct_per_year_low", np.nan)),
        decline_high=float(row.get("decline_pct_per_year_high", np.nan)),
        vintages=int(row["vintages"]),
        method=valuation.methods[method].name if method != KEPT else "",
        year=int(valuation.start_years[start]) if method != KEPT else 0,
        gain=float(draws.mean()),
        gain_low=float(low),
        gain_high=float(high),
        wait_cost=waiting.mean,
        wait_low=waiting.low,
        wait_high=waiting.high,
        chance=float((draws > 0).mean()),
        threshold=rules.chance_threshold,
        first_year=valuation.first_year,
        horizon=int(standing.horizon[place]),
        currency=valuation.money.currency,
        scouting_value=_scouting_worth(valuation, net, place, rules.scouting_vines),
        scouting_cost=rules.scouting_cost,
        missing_pct=float(100.0 * standing.missing[:, place].mean()),
        protect_gain=float(best.protect[place]),
        too_short=int(row["vintages"]) <= SHORT_RECORD and not counted,
        renewed=_recovering_since(row, valuation),
        now_pct=_now_pct(row),
        idle_year=int(best.idle[place]),
        min_gain=rules.min_gain_per_ha,
    )


def _recovering_since(row: pd.Series, valuation: Valuation) -> int:
    """Year of a renewal that is not finished yet, 0 if there is none."""
    year = row.get("renewed_year")
    if pd.isna(year) or int(year) + RECOVERY_YEARS < valuation.first_year:
        return 0
    return int(year)


def _now_pct(row: pd.Series) -> float:
    if pd.notna(row.get("recovery_pct")):
        return float(row["recovery_pct"])
    return 100.0 - float(row["loss_pct"])


def _counted(row: pd.Series, otherwise: bool) -> bool:
    """Whether vines of the zone have been counted, by its decline row where that says so."""
    names = [one for one in ("missing_pct", "symptomatic_pct") if one in row.index]
    return any(pd.notna(row[one]) for one in names) if names else otherwise


def choose_advice(facts: Facts, chance_declining: float) -> str:
    """Choose between renew, scout, watch and keep; the rule is in the notes of `decide_zones`.

    Parameters
    ----------
    facts : Facts
    chance_declining : float
        Chance that the next years lose more than half a percent of healthy yield a year [0-1].

    Returns
    -------
    str
        One of `tables.ADVICE`.

    Examples
    --------
    >>> from vinemap.renewal.example import example_facts
    >>> choose_advice(example_facts(), 0.9)
    'renew'
    """
    if facts.renewed:
        return "watch" if facts.now_pct < RECOVERED_PCT else "keep"
    worthwhile = bool(facts.method) and facts.gain > facts.min_gain and not facts.protect_gain > facts.gain
    due = worthwhile and facts.chance >= facts.threshold and facts.year <= facts.first_year + 1
    if due and not facts.too_short:
        return "renew"
    if facts.method and (due or facts.scouting_value > facts.scouting_cost):
        return "scout"
    if chance_declining > 0.5 or worthwhile:
        return "watch"
    return "keep"


def _scouting_worth(valuation: Valuation, net: Floats, place: int, vines: int) -> float:
    """Value of a count to the zone [currency]: over every renewal and winter."""
    options = net[:, valuation.renewals].reshape(len(net), -1)
    options = options[:, np.isfinite(options).all(axis=0)]
    if options.shape[1] == 0:
        return 0.0
    standing = valuation.standing
    symptomatic, look = standing.symptomatic[:, place], valuation.samples.look[:, place]
    return float(standing.area_ha[place] * scouting_value(options, symptomatic, look, vines=vines))


def _chance_declining(valuation: Valuation, place: int) -> float:
    """Share of draws in which the next years lose more than half a percent of healthy yield a year."""
    standing = valuation.standing
    ahead = min(AHEAD_YEARS, standing.years.size)
    lost = (standing.now[:, place] - standing.keep[:, place, ahead - 1]) / standing.healthy[:, place]
    return float((lost > DECLINING_SHARE_PER_YEAR * ahead).mean())


def loss_value(valuation: Valuation) -> Floats:
    """Yearly worth of the crop lost so far [currency/ha/year], mean over draws, shape (zone,).

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> loss_value(example_valuation()).round(-2).tolist()
    [5100.0, 600.0, 3200.0]
    """
    standing, money = valuation.standing, valuation.money
    price = valuation.samples.price[:, None] * [money.price_of(one) for one in standing.varieties]
    tonne = np.clip(price * money.paid_share() - money.harvest_cost_per_t, 0.0, None)
    return np.asarray((np.clip(standing.healthy - standing.now, 0.0, None) * tonne).mean(axis=0))
