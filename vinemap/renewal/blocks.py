"""Zone against whole block: what the best set of zones in each block is worth, and what all of it would."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap.renewal.finance import Floats
from vinemap.renewal.standing import Ints
from vinemap.renewal.value import HIGH, LOW, Valuation
from vinemap.renewal.visits import KEPT, share_visits
from vinemap.renewal.wording import METHOD_WORDS, say_amount


def compare_blocks(valuation: Valuation, *, least_area_ha: float = 0.0) -> pd.DataFrame:
    """Compare, for every block, its best set of zones with renewing the whole of it in one visit.

    Parameters
    ----------
    valuation : Valuation
    least_area_ha : float
        Least area of a visit to a block [ha].

    Returns
    -------
    pandas.DataFrame
        One row a block: ``block_id``, ``best_zones`` (their names), ``best_visits`` (method and winter of
        each), ``best_ha, best_gain`` [currency] of the best set; ``whole_method, whole_year, whole_ha,
        whole_gain`` [currency] of the best visit that takes in every zone (empty where none can); both gains
        with their 90 % intervals (``best_gain_low``, ...); ``mixed_ages``: whether the best set leaves the
        block with vines of more than one age, and ``words``.

    Notes
    -----
    The best set is exact for up to 8 zones that are worth a thought, by dynamic programming over subsets.

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> table = compare_blocks(example_valuation())
    >>> table[["block_id", "best_zones"]].to_numpy().tolist()
    [['A', 'A-Z1'], ['B', 'B-Z3']]
    """
    columns = valuation.renewals
    mean = valuation.gain.mean(axis=0)[:, columns]
    visit = valuation.visit.mean(axis=0)[columns].reshape(-1)
    blocks = valuation.standing.block_ids
    members = pd.Series(range(len(blocks))).groupby(list(blocks)).indices
    rows = []
    for block in dict.fromkeys(blocks):
        here = np.asarray(members[block])
        worth = mean[here].reshape(here.size, -1) * valuation.standing.area_ha[here, None]
        rows.append({"block_id": str(block), **_compare(valuation, here, worth, visit, least_area_ha)})
    return pd.DataFrame(rows).astype({"whole_year": "Int64"}) if rows else pd.DataFrame()


def _compare(
    valuation: Valuation, here: Ints, worth: Floats, visit: Floats, least_area_ha: float
) -> dict[str, object]:
    """Compare for one block: `worth` of its zones `here` by option, `visit` the cost of each [currency]."""
    area = valuation.standing.area_ha[here]
    joined = (
        share_visits(worth, visit, area, least_ha=least_area_ha) if visit.size else np.full(here.size, KEPT)
    )
    done = joined != KEPT
    used = np.unique(joined[done])
    whole = worth.sum(axis=0) - visit
    pick = int(np.nanargmax(whole)) if np.isfinite(whole).any() else KEPT
    named = [_option(valuation, one) for one in used]
    best_low, best_high = _interval(valuation, here[done], joined[done])
    whole_low, whole_high = _interval(valuation, here, np.full(here.size, pick))
    row: dict[str, object] = {
        "best_zones": " ".join(valuation.standing.zone_ids[one] for one in here[done]),
        "best_visits": ", ".join(f"{METHOD_WORDS[method]} in {year}" for method, year in named),
        "best_ha": float(area[done].sum()),
        "best_gain": float(worth[done, joined[done]].sum() - visit[used].sum()),
        "best_gain_low": best_low,
        "best_gain_high": best_high,
        "whole_method": _option(valuation, pick)[0] if pick != KEPT else "",
        "whole_year": _option(valuation, pick)[1] if pick != KEPT else pd.NA,
        "whole_ha": float(area.sum()),
        "whole_gain": float(whole[pick]) if pick != KEPT else np.nan,
        "whole_gain_low": whole_low,
        "whole_gain_high": whole_high,
        "mixed_ages": bool(done.any() and (not done.all() or used.size > 1)),
    }
    return row | {"words": _say_block(row, here.size, valuation.money.currency)}


def _option(valuation: Valuation, option: int) -> tuple[str, int]:
    """Give method and winter of an option: options are numbered renewal by renewal, winter by winter."""
    renewal, start = divmod(option, valuation.start_years.size)
    return valuation.methods[valuation.renewals[renewal]].name, int(valuation.start_years[start])


def _interval(valuation: Valuation, zones: Ints, options: Ints) -> tuple[float, float]:
    """90 % interval of the gain [currency] where each zone is done in its option; NaN where one cannot be."""
    if KEPT in options:
        return np.nan, np.nan
    renewal, start = np.divmod(options, valuation.start_years.size)
    column = valuation.renewals[renewal]
    gain = valuation.gain[:, zones, column, start] @ valuation.standing.area_ha[zones]
    for visited in {(int(one), int(two)) for one, two in zip(column, start, strict=True)}:
        gain = gain - valuation.visit[:, *visited]
    low, high = np.quantile(gain, [LOW, HIGH])
    return float(low), float(high)


def _say_block(row: dict[str, object], zones: int, currency: str) -> str:
    """Say whether zones or the whole block; amounts to three figures."""
    best, whole = float(str(row["best_gain"])), float(str(row["whole_gain"]))
    if not row["best_zones"]:
        return "No renewal pays in this block."
    worth = f"worth {say_amount(best)} {currency}"
    if "best_gain_low" in row:
        low, high = (say_amount(float(str(row[f"best_gain_{end}"]))) for end in ("low", "high"))
        worth += f" (90 %: {low} to {high})"
    if np.isfinite(whole) and best - whole < 0.5:
        return f"Best is the whole block ({row['best_visits']}), {worth}."
    count = len(str(row["best_zones"]).split(" "))
    text = f"Best is {count} of {zones} zones ({row['best_visits']}), {worth}"
    if not np.isfinite(whole):
        return f"{text}."
    tail = " and leaves the block with vines of two or more ages" if row["mixed_ages"] else ""
    return f"{text}, {say_amount(best - whole)} {currency} more than renewing the whole block at once{tail}."
