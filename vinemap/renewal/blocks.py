"""Zone against whole block: what the best set of zones in each block is worth, and what all of it would."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap.renewal.finance import Floats
from vinemap.renewal.standing import Ints
from vinemap.renewal.value import Valuation
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
        whole_gain`` [currency] of the best visit that takes in every zone (empty where none can);
        ``mixed_ages``: whether the best set leaves the block with vines of more than one age, and ``words``.

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
        rows.append(_compare(valuation, str(block), here, worth, visit, columns, least_area_ha))
    return pd.DataFrame(rows).astype({"whole_year": "Int64"}) if rows else pd.DataFrame()


def _compare(
    valuation: Valuation,
    block: str,
    here: Ints,
    worth: Floats,
    visit: Floats,
    columns: Ints,
    least_area_ha: float,
) -> dict[str, object]:
    standing, starts = valuation.standing, valuation.start_years
    area = standing.area_ha[here]
    joined = (
        share_visits(worth, visit, area, least_ha=least_area_ha) if visit.size else np.full(here.size, KEPT)
    )
    done = joined != KEPT
    used = np.unique(joined[done])
    best = float(worth[done, joined[done]].sum() - visit[used].sum())
    whole = worth.sum(axis=0) - visit
    pick = int(np.nanargmax(whole)) if np.isfinite(whole).any() else KEPT

    def name(option: int) -> tuple[str, int]:
        return valuation.methods[columns[option // starts.size]].name, int(starts[option % starts.size])

    row: dict[str, object] = {
        "block_id": block,
        "best_zones": " ".join(standing.zone_ids[one] for one in here[done]),
        "best_visits": ", ".join(f"{METHOD_WORDS[method]} in {year}" for method, year in map(name, used)),
        "best_ha": float(area[done].sum()),
        "best_gain": best,
        "whole_method": name(pick)[0] if pick != KEPT else "",
        "whole_year": name(pick)[1] if pick != KEPT else pd.NA,
        "whole_ha": float(area.sum()),
        "whole_gain": float(whole[pick]) if pick != KEPT else np.nan,
        "mixed_ages": bool(done.any() and (not done.all() or used.size > 1)),
    }
    return row | {"words": _say_block(row, here.size, valuation.money.currency)}


def _say_block(row: dict[str, object], zones: int, currency: str) -> str:
    """Say whether zones or the whole block; amounts to three figures."""
    best, whole = float(str(row["best_gain"])), float(str(row["whole_gain"]))
    if not row["best_zones"]:
        return "No renewal pays in this block."
    if np.isfinite(whole) and best - whole < 0.5:
        return f"Best is the whole block ({row['best_visits']}), worth {say_amount(best)} {currency}."
    count = len(str(row["best_zones"]).split(" "))
    text = f"Best is {count} of {zones} zones ({row['best_visits']}), worth {say_amount(best)} {currency}"
    if not np.isfinite(whole):
        return f"{text}."
    tail = " and leaves the block with vines of two or more ages" if row["mixed_ages"] else ""
    return f"{text}, {say_amount(best - whole)} {currency} more than renewing the whole block at once{tail}."
