"""Scenarios of the light generator: which zones get which trouble, and when it sets in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from vinemap.errors import DataError

ONSET_LOSS = 0.03  # share of healthy yield; the first vintage with at least this loss by disease is the onset
DECLINING_LOSS = 0.10  # loss by disease from which a zone counts as declining in the truth
VARIETIES = ("Shiraz", "Chardonnay", "Cabernet Sauvignon", "Colombard")


@dataclass(frozen=True, slots=True)
class Scenario:
    """One way an invented estate can be: sizes, and what is done to its zones.

    Parameters
    ----------
    meaning : str
        In plain words.
    disease : str
        "", "focal", "row_wise", "whole_block", "late" (any pattern, onset in the last vintages) or "any".
    vintages, blocks : int
        Defaults.
    twists : tuple of str
        Further features: bad_season, biased_machine, weak_soil, missing, renewed, gaps, counts_only,
        width_change.
    """

    meaning: str
    disease: str = ""
    vintages: int = 8
    blocks: int = 8
    twists: tuple[str, ...] = ()


SCENARIOS: dict[str, Scenario] = {
    "none": Scenario("No decline at all"),
    "bad_season": Scenario("One season down about 30 % everywhere, often the latest", twists=("bad_season",)),
    "biased_machine": Scenario(
        "A machine reads low in the latest vintages; what settlement leaves of it lasts",
        twists=("biased_machine",),
    ),
    "width_change": Scenario(
        "The harvester's width changes half way; what settlement leaves of it lasts",
        twists=("width_change",),
    ),
    "weak_soil": Scenario("Zones that were always poor and hold", twists=("weak_soil",)),
    "missing_only": Scenario("Zones with missing vines and nothing else", twists=("missing",)),
    "focal": Scenario("Growing foci: one or two zones of some blocks decline", disease="focal"),
    "row_wise": Scenario("Spread along and across rows: zone after zone of some blocks", disease="row_wise"),
    "whole_block": Scenario("All zones of some blocks decline together", disease="whole_block"),
    "late_onset": Scenario("Decline that set in only in the last three vintages", disease="late"),
    "renewed": Scenario("Declining blocks, some renewed half way and recovered", "any", twists=("renewed",)),
    "few_vintages": Scenario("Some decline, few vintages", "any", vintages=3),
    "gaps": Scenario("Some decline, a quarter of the block-vintages lost", "any", twists=("gaps",)),
    "one_block": Scenario("A single block", "any", blocks=1),
    "many_blocks": Scenario("Thirty blocks, some decline", "any", blocks=30),
    "counts_only": Scenario(
        "Row counts and picked weights, no harvester data", "any", twists=("counts_only",)
    ),
    "mixed": Scenario(
        "Everything at once: decline, weak soil, missing vines, a bad season",
        "any",
        blocks=12,
        vintages=10,
        twists=("bad_season", "weak_soil", "missing", "biased_machine"),
    ),
}


def scenario_named(name: str) -> Scenario:
    """Give the scenario of this name.

    Parameters
    ----------
    name : str

    Returns
    -------
    Scenario

    Raises
    ------
    DataError
        If there is none.

    Examples
    --------
    >>> scenario_named("one_block").blocks
    1
    """
    if name not in SCENARIOS:
        raise DataError(f"Scenario {name!r} is not known.", remedy=f"Use one of {', '.join(SCENARIOS)}.")
    return SCENARIOS[name]


def lay_out_zones(blocks: int, *, last_vintage: int, rng: np.random.Generator) -> pd.DataFrame:
    """Invent the zones of an estate: blocks with variety, age and level, each of one to four zones.

    Parameters
    ----------
    blocks : int
        Number of blocks.
    last_vintage : int
        Latest vintage [year]; plantings are 12 to 30 years old then.
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        zone_id, block_id, variety, year_planted, area_ha, healthy_t_ha (block level times soil of the zone).

    Examples
    --------
    >>> lay_out_zones(2, last_vintage=2026, rng=np.random.default_rng(1))["block_id"].unique().tolist()
    ['B01', 'B02']
    """
    count = rng.integers(2, 5, blocks)
    block = np.repeat(np.arange(blocks), count)
    number = np.concatenate([np.arange(1, one + 1) for one in count])
    variety = rng.integers(0, len(VARIETIES), blocks)
    planted = last_vintage - rng.integers(12, 31, blocks)
    level = rng.uniform(16.0, 27.0, blocks)
    soil = rng.normal(0.0, 0.12, block.size)
    return pd.DataFrame({
        "zone_id": [f"B{b + 1:02d}-Z{n}" for b, n in zip(block, number, strict=True)],
        "block_id": [f"B{b + 1:02d}" for b in block],
        "variety": np.array(VARIETIES, dtype=object)[variety[block]],
        "year_planted": planted[block],
        "area_ha": rng.uniform(0.8, 4.0, block.size).round(2),
        "healthy_t_ha": level[block] * np.exp(soil),
    })  # fmt: skip


def choose_troubles(
    scenario: Scenario, zones: pd.DataFrame, *, years: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    """Decide each zone's trouble.

    Parameters
    ----------
    scenario : Scenario
    zones : pandas.DataFrame
        As `lay_out_zones` gives them; not altered.
    years : numpy.ndarray
        Vintages of the estate [year].
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        Index of `zones`: trouble ("", focal, row_wise, whole_block), onset_year (real number, NaN for none),
        rate_per_year, pace_years, ceiling, missing (share of vine places), soil_log (extra constant soil
        effect), weak_soil (flag), renewed_year (0 for none).
    """
    size = len(zones)
    out = pd.DataFrame({
        "trouble": np.full(size, "", dtype=object),
        "onset_year": np.nan,
        "rate_per_year": 0.5,
        "pace_years": rng.uniform(3.0, 5.0, size),
        "ceiling": rng.uniform(0.6, 1.0, size),
        "missing": rng.uniform(0.0, 0.03, size),
        "soil_log": 0.0,
        "weak_soil": False,
        "renewed_year": 0,
    }, index=zones.index)  # fmt: skip
    if scenario.disease:
        _infect(out, zones, scenario.disease, years, rng)
    if "weak_soil" in scenario.twists:
        weak = rng.random(size) < 0.3
        out.loc[weak, "weak_soil"] = True
        out.loc[weak, "soil_log"] = -rng.uniform(0.25, 0.55, int(weak.sum()))
    if "missing" in scenario.twists:
        thin = rng.random(size) < 0.4
        out.loc[thin, "missing"] = rng.uniform(0.08, 0.35, int(thin.sum()))
    if "renewed" in scenario.twists:
        _renew(out, zones, years, rng)
    return out


def _infect(
    out: pd.DataFrame, zones: pd.DataFrame, disease: str, years: np.ndarray, rng: np.random.Generator
) -> None:
    """Let the disease hit some blocks: in place."""
    names = zones["block_id"].unique()
    hit = names[rng.random(names.size) < 0.45]
    if hit.size == 0:
        hit = rng.choice(names, 1)
    if len(names) == 1 and rng.random() < 1 / 3:
        return  # a single block may also be sound
    for name in hit:
        pattern = str(rng.choice(list(_PATTERNS))) if disease in {"any", "late"} else disease
        members = zones.index[zones["block_id"] == name].to_numpy()
        first = _first_onset(years, late=disease == "late", rng=rng)
        index, onset, rate = _PATTERNS[pattern](members, first, rng)
        out.loc[index, "trouble"] = pattern
        out.loc[index, "onset_year"] = onset
        out.loc[index, "rate_per_year"] = rate * (1.6 if disease == "late" else 1.0)


def _first_onset(years: np.ndarray, *, late: bool, rng: np.random.Generator) -> float:
    """Draw the year of the first onset in a block."""
    last = float(years[-1])
    if late:
        return float(rng.uniform(last - 3.5, last - 1.0))
    # with few vintages the disease is usually older than the data
    return float(rng.uniform(min(years[0] - 1.0, last - 8.0), last - 2.0))


_Hit = tuple[np.ndarray, np.ndarray, np.ndarray]


def _focal(members: np.ndarray, first: float, rng: np.random.Generator) -> _Hit:
    """One or two zones of a block."""
    most = max(1, members.size - 1)
    index = rng.choice(members, int(rng.integers(1, min(2, most) + 1)), replace=False)
    return index, first + rng.uniform(0.0, 1.5, index.size), rng.uniform(0.4, 0.8, index.size)


def _row_wise(members: np.ndarray, first: float, rng: np.random.Generator) -> _Hit:
    """Zone after zone of a block."""
    step = np.cumsum(np.concatenate([[0.0], rng.uniform(0.8, 3.0, members.size - 1)]))
    return members, first + step, np.full(members.size, rng.uniform(0.35, 0.7))


def _whole_block(members: np.ndarray, first: float, rng: np.random.Generator) -> _Hit:
    """All zones of a block at about one time."""
    onset = first + rng.normal(0.0, 0.5, members.size)
    return members, onset, rng.uniform(0.25, 0.5) * rng.uniform(0.9, 1.1, members.size)


_PATTERNS: dict[str, Callable[[np.ndarray, float, np.random.Generator], _Hit]] = {
    "focal": _focal,
    "row_wise": _row_wise,
    "whole_block": _whole_block,
}


def _renew(out: pd.DataFrame, zones: pd.DataFrame, years: np.ndarray, rng: np.random.Generator) -> None:
    """Renew some of the blocks that are ill: in place."""
    sick = zones.loc[out["trouble"] != "", "block_id"].unique()
    for name in sick[: max(1, len(sick) // 2)]:
        index = zones.index[zones["block_id"] == name]
        out.loc[index, "renewed_year"] = int(rng.integers(years[0] + 1, max(years[-1] - 2, years[0] + 2)))
