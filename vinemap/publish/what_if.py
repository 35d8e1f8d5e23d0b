"""What the map page needs to value renewal anew in the browser: the draws, the methods and the money.

The page (`templates/value.js`) does what `vinemap.renewal` does, on the same draws: cash flows, visits shared
within blocks, value of a scouting count, advice. A test runs both on the same changes and compares them.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from vinemap.errors import DataError

Floats = npt.NDArray[np.float64]
# Draws times zones that the page carries at most: every draw of a middling estate, every fourth of a large
# one, so that the page answers at once.
MOST_CELLS = 24_000
_KEEP_LEVELS = 65_535


class ValuationLike(Protocol):
    """What is read of `vinemap.renewal.Valuation`."""

    @property
    def gain(self) -> Floats:
        """Net present values [currency/ha], shape (draw, zone, method, start)."""

    @property
    def methods(self) -> Sequence[Any]:
        """Methods, dataclasses."""

    @property
    def first_year(self) -> int:
        """First winter of work."""

    @property
    def money(self) -> Any:
        """Prices and costs, a dataclass with ``price_of``."""

    @property
    def standing(self) -> Any:
        """Zones and draws as arrays."""

    @property
    def samples(self) -> Any:
        """Draws of price, cost, take, efficacy and count."""


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Draws, methods and money, as `build_what_if` takes them off a valuation.

    Parameters
    ----------
    zone_ids, block_ids : tuple of str
        One per zone.
    zone : mapping of str to numpy.ndarray, shape (zone,)
        ``area_ha``, ``vines_per_ha``, ``metres_per_ha``, ``planted``, ``renewed`` (years, NaN if not known or
        never), ``horizon`` (last vintage on the trellis), ``price`` [currency/t], ``chance_declining`` [0-1],
        ``too_short`` (1 where the record is too short to renew on yield alone).
    fixed_advice : tuple of str
        Advice of zones that still come back from a renewal, "" for all others.
    possible : numpy.ndarray of bool, shape (zone, method)
        Whether a method can be done at all.
    years : numpy.ndarray of int, shape (year,)
        Vintages forecast.
    keep : numpy.ndarray, shape (draw, zone, year)
        Yield if kept [t/ha].
    by_draw : mapping of str to numpy.ndarray, shape (draw, zone)
        ``healthy``, ``now`` [t/ha], ``missing``, ``symptomatic``, ``rate`` (shares), ``look``.
    price_factor : numpy.ndarray, shape (draw,)
    by_method : mapping of str to numpy.ndarray, shape (draw, method)
        ``cost``, ``take``, ``efficacy``.
    methods : tuple of mapping
        Fields of `vinemap.renewal.Method`.
    method_price : numpy.ndarray, shape (method, zone)
        Price after the work [currency/t].
    money : mapping
        Fields of `vinemap.renewal.Money`, prices by variety left out.
    first_year : int
        First winter of work.
    rule : mapping of str to float
        ``chance_threshold``, ``scouting_cost``, ``scouting_vines``, ``least_area_ha``, ``min_gain_per_ha``.
    rule_years : mapping of str to int
        `vinemap.renewal.RULE_YEARS`.
    draws_of : int
        Number of draws of the assessment; fewer may be carried.
    """

    zone_ids: tuple[str, ...]
    block_ids: tuple[str, ...]
    zone: Mapping[str, Floats]
    fixed_advice: tuple[str, ...]
    possible: npt.NDArray[np.bool_]
    years: npt.NDArray[np.int64]
    keep: Floats
    by_draw: Mapping[str, Floats]
    price_factor: Floats
    by_method: Mapping[str, Floats]
    methods: tuple[Mapping[str, Any], ...]
    method_price: Floats
    money: Mapping[str, Any]
    first_year: int
    rule: Mapping[str, float]
    rule_years: Mapping[str, int]
    draws_of: int


def build_what_if(
    valuation: ValuationLike,
    zones: pd.DataFrame,
    *,
    rule_years: Mapping[str, int],
    chance_threshold: float,
    scouting_cost: float = 150.0,
    scouting_vines: int = 60,
    least_area_ha: float = 0.0,
    min_gain_per_ha: float = 0.0,
    most_cells: int = MOST_CELLS,
) -> WhatIf:
    """Take off a valuation what the page needs to value anew.

    Parameters
    ----------
    valuation : ValuationLike
        `vinemap.renewal.Valuation`.
    zones : pandas.DataFrame
        Layer ``zone``, with ``chance_declining`` of `vinemap.renewal.decide_zones` and ``renewed_year`` of
        the decline stage where known.
    rule_years : mapping of str to int
        `vinemap.renewal.RULE_YEARS`: years that its rules speak of.
    chance_threshold, scouting_cost, scouting_vines, least_area_ha, min_gain_per_ha
        As given to `vinemap.renewal.decide_zones`.
    most_cells : int
        Draws times zones carried at most.

    Returns
    -------
    WhatIf

    Raises
    ------
    DataError
        If a zone that was valued is not among `zones`, or ``chance_declining`` is missing.
    """
    standing, samples, money = valuation.standing, valuation.samples, valuation.money
    facts = _line_up(zones, standing.zone_ids)
    pick = _thinned(np.asarray(samples.price), len(standing.zone_ids), most_cells)
    renewed = np.fmax(_numbers(facts, "renewed_year"), np.asarray(standing.renewed, dtype=float))
    coming_back = renewed + rule_years["recovery_years"] >= valuation.first_year
    counted = np.isfinite(_numbers(facts, "missing_pct")) | np.isfinite(_numbers(facts, "symptomatic_pct"))
    price = np.asarray([money.price_of(one) for one in standing.varieties])
    zone = {
        "area_ha": standing.area_ha,
        "vines_per_ha": standing.vines_per_ha,
        "metres_per_ha": standing.metres_per_ha,
        "planted": standing.planted,
        "renewed": renewed,
        "horizon": standing.horizon.astype(float),
        "price": price,
        "chance_declining": _numbers(facts, "chance_declining"),
        "too_short": ((_numbers(facts, "vintages") <= rule_years["short_record"]) & ~counted).astype(float),
    }
    return WhatIf(
        zone_ids=tuple(standing.zone_ids),
        block_ids=tuple(standing.block_ids),
        zone=zone,
        fixed_advice=tuple(
            str(one) if back else "" for one, back in zip(facts["advice"], coming_back, strict=True)
        ),
        possible=_possible(valuation, _numbers(facts, "missing_pct")),
        years=np.asarray(standing.years, dtype=np.int64),
        keep=standing.keep[pick],
        by_draw={
            name: getattr(standing, name)[pick]
            for name in ("healthy", "now", "missing", "symptomatic", "rate")
        }
        | {"look": samples.look[pick]},
        price_factor=samples.price[pick],
        by_method={name: getattr(samples, name)[pick] for name in ("cost", "take", "efficacy")},
        methods=tuple(asdict(one) | {"protects": bool(one.protects)} for one in valuation.methods),
        method_price=_method_price(valuation.methods, money, standing.varieties),
        money={key: value for key, value in asdict(money).items() if key != "price_by_variety"},
        first_year=int(valuation.first_year),
        rule={
            "chance_threshold": chance_threshold,
            "scouting_cost": scouting_cost,
            "scouting_vines": float(scouting_vines),
            "least_area_ha": least_area_ha,
            "min_gain_per_ha": min_gain_per_ha,
        },
        rule_years=dict(rule_years),
        draws_of=int(valuation.gain.shape[0]),
    )


def _line_up(zones: pd.DataFrame, zone_ids: Sequence[str]) -> pd.DataFrame:
    if "chance_declining" not in zones.columns:
        raise DataError(
            "Column chance_declining is missing.",
            where="zone",
            remedy="Pass the zone layer with the columns of decide_zones.",
        )
    table = pd.DataFrame(zones).set_index("zone_id")
    lost = [one for one in zone_ids if one not in table.index]
    if lost:
        raise DataError(f"Zone {lost[0]} was valued but is not among the zones.", remedy="Pass every zone.")
    return table.loc[list(zone_ids)]


def _numbers(table: pd.DataFrame, name: str) -> Floats:
    if name not in table.columns:
        return np.full(len(table), np.nan)
    return np.asarray(
        [np.nan if pd.isna(one) else float(one) for one in pd.to_numeric(table[name], errors="coerce")],
        dtype=float,
    )


def _thinned(price: Floats, zones: int, most_cells: int) -> npt.NDArray[np.int64]:
    """Draws to carry: all, or one from each of as many classes by price, which all zones share."""
    draws = price.size
    count = int(np.clip(most_cells // max(zones, 1), min(draws, 50), draws))
    middles = ((np.arange(count) + 0.5) * draws / count).astype(np.int64)
    return np.asarray(np.sort(np.argsort(price, kind="stable")[middles]), dtype=np.int64)


def _possible(valuation: ValuationLike, missing_pct: Floats) -> npt.NDArray[np.bool_]:
    open_ = np.any(np.isfinite(valuation.gain[0]), axis=2)  # what is not possible is so on every draw
    filling = np.asarray([bool(one.keeps_standing) for one in valuation.methods])
    return np.asarray(open_ & ~(np.isnan(missing_pct)[:, None] & filling[None, :]))


def _method_price(methods: Sequence[Any], money: Any, varieties: Sequence[str]) -> Floats:
    rows = [
        [
            one.new_price_per_t
            if one.new_price_per_t is not None
            else money.price_of(one.new_variety or variety)
            for variety in varieties
        ]
        for one in methods
    ]
    return np.asarray(rows, dtype=float).reshape(len(methods), len(varieties))


# ---------------------------------------------------------------- as the page takes it
def pack_what_if(what_if: WhatIf) -> dict[str, Any]:
    """Turn it into plain values and one deflated block of numbers, zone by zone.

    Parameters
    ----------
    what_if : WhatIf

    Returns
    -------
    dict
        For JSON; ``block`` is base64 of a zlib stream: arrays as float32, little-endian, and the kept crop as
        16-bit levels, each the difference from the year before, high bytes first, then low bytes.
    """
    draws, zones, years = what_if.keep.shape
    step = max(float(what_if.keep.max(initial=0.0)), 1e-6) / _KEEP_LEVELS
    levels = np.rint(what_if.keep.transpose(1, 0, 2) / step).astype(np.uint16)
    levels[:, :, 1:] -= levels[:, :, :-1].copy()
    big = levels.astype(">u2").view(np.uint8).reshape(-1, 2)
    arrays = {name: value.T for name, value in what_if.by_draw.items()}
    arrays |= {"price_factor": what_if.price_factor}
    arrays |= {name: value.T for name, value in what_if.by_method.items()}
    floats = b"".join(np.ascontiguousarray(one, dtype="<f4").tobytes() for one in arrays.values())
    raw = floats + big[:, 0].tobytes() + big[:, 1].tobytes()
    return {
        "zone_ids": list(what_if.zone_ids),
        "block_ids": list(what_if.block_ids),
        "zone": {name: _exact(value) for name, value in what_if.zone.items()},
        "fixed_advice": list(what_if.fixed_advice),
        "possible": what_if.possible.astype(int).tolist(),
        "first_vintage": int(what_if.years[0]),
        "counts": {"draws": draws, "zones": zones, "years": years, "of": what_if.draws_of},
        "arrays": [[name, int(np.size(value))] for name, value in arrays.items()],
        "step": step,
        "methods": [_plain(one) for one in what_if.methods],
        "method_price": [_exact(one) for one in what_if.method_price],
        "money": _plain(what_if.money),
        "first_year": what_if.first_year,
        "rule": _plain(what_if.rule),
        **what_if.rule_years,
        "block": base64.b64encode(zlib.compress(raw, 9)).decode("ascii"),
    }


def _exact(values: Floats) -> list[float | None]:
    return [float(f"{one:.9g}") if np.isfinite(one) else None for one in np.asarray(values, dtype=float)]


def _plain(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: list(one) if isinstance(one, tuple) else one for name, one in fields.items()}
