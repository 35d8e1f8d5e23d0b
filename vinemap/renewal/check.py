"""After renewal: did it do what was promised? Renewed zones against untouched ones of the same estate."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from vinemap.errors import DataError
from vinemap.renewal.finance import Floats

BEFORE_VINTAGES = 3  # vintages before the work that the zone is judged from; common practice, no source
LEAST_CONTROLS = 3  # controls of the same variety needed before those of other varieties are left aside
LEVEL = 0.90
YOUNG_VINTAGES = 2  # one crop missed, full crop in 2-3 seasons: handbook 1 [S]
YOUNG_WORDS = ", as the first crops after the work are small by nature"
COLUMNS = [
    "zone_id", "method", "year", "vintage", "years_after", "change_pct", "change_low", "change_high",
    "change_t_ha", "before_t_ha", "yield_t_ha", "controls", "words",
]  # fmt: skip


def check_renewals(
    zone_vintage: pd.DataFrame,
    zones: pd.DataFrame,
    renewals: pd.DataFrame,
    *,
    before_vintages: int = BEFORE_VINTAGES,
) -> pd.DataFrame:
    """Compare renewed zones before and after the work with zones that were left alone.

    Parameters
    ----------
    zone_vintage : pandas.DataFrame
        ``zone_id, vintage, yield_t_ha`` [t/ha].
    zones : pandas.DataFrame
        ``zone_id, block_id`` and, where known, ``variety``.
    renewals : pandas.DataFrame
        ``year, method`` and ``zone_id``, or ``block_id`` for all zones of a block.
    before_vintages : int
        Vintages up to the year of work that are averaged.

    Returns
    -------
    pandas.DataFrame
        One row per renewed zone and vintage after: ``change_pct`` of the yield against what the controls say
        it would be [%], with its 90 % interval ``change_low, change_high`` (NaN with one control only),
        ``change_t_ha, before_t_ha, yield_t_ha`` [t/ha], ``controls`` (how many) and ``words``.

    Raises
    ------
    DataError
        If a renewal names neither a known zone nor a known block.

    Notes
    -----
    Difference in differences on log yield: the zone's change from before to after, less the mean change of
    the controls over the same vintages. Season and any decline that all share cancel. The interval comes from
    the spread of the controls' own changes (Student's t with ``controls - 1`` degrees of freedom, standard
    error ``s * sqrt(1 + 1/n)`` of a new zone), so what ordinary zones do sets how sure one can be.

    References
    ----------
    Card & Krueger 1994, American Economic Review 84:772-793, for the design (from memory).

    Examples
    --------
    >>> rows = [(z, v, y) for z, first, second in [("A", 10, 15), ("B", 10, 10), ("C", 20, 20), ("D", 8, 8)]
    ...         for v, y in [(2020, first), (2022, second)]]
    >>> table = pd.DataFrame(rows, columns=["zone_id", "vintage", "yield_t_ha"])
    >>> zones = pd.DataFrame({"zone_id": list("ABCD"), "block_id": list("ABCD")})
    >>> done = pd.DataFrame({"zone_id": ["A"], "year": [2020], "method": ["trunk_renewal"]})
    >>> check_renewals(table, zones, done)["change_pct"].round(6).tolist()
    [50.0]
    """
    done = _by_zone(renewals, zones)
    good = zone_vintage[zone_vintage["yield_t_ha"] > 0]
    crop = good.pivot_table(index="zone_id", columns="vintage", values="yield_t_ha", aggfunc="mean")
    logs = pd.DataFrame(np.log(crop.to_numpy(dtype=float)), index=crop.index, columns=crop.columns)
    variety = zones.set_index("zone_id")["variety"] if "variety" in zones else None
    untouched = logs.index.difference(pd.Index(done["zone_id"]))
    rows: list[dict[str, object]] = []
    for one in done.to_dict("records"):
        if one["zone_id"] in logs.index:
            group = _controls(untouched, str(one["zone_id"]), variety)
            rows += _check_one(logs, group, one, before_vintages)
    return pd.DataFrame(rows, columns=COLUMNS)


def _by_zone(renewals: pd.DataFrame, zones: pd.DataFrame) -> pd.DataFrame:
    if "zone_id" in renewals.columns:
        done = renewals[["zone_id", "year", "method"]]
        unknown = set(done["zone_id"]) - set(zones["zone_id"])
    else:
        done = renewals[["block_id", "year", "method"]].merge(zones[["zone_id", "block_id"]], on="block_id")
        unknown = set(renewals["block_id"]) - set(zones["block_id"])
    if unknown:
        raise DataError(
            f"Renewal of {', '.join(sorted(map(str, unknown)))} does not fit any zone.",
            where="renewals",
            remedy="Use a zone_id or block_id of the zones table.",
        )
    return done.drop_duplicates(["zone_id", "year"]).reset_index(drop=True)


def _controls(untouched: pd.Index, zone: str, variety: pd.Series | None) -> pd.Index:
    """Untouched zones of the same variety, or all of them where there are few."""
    if variety is None or zone not in variety.index:
        return untouched
    known = variety.reindex(untouched)
    same = untouched[(known == variety[zone]).to_numpy(dtype=bool)]
    return same if len(same) >= LEAST_CONTROLS else untouched


def _check_one(
    logs: pd.DataFrame, controls: pd.Index, one: dict[object, object], before: int
) -> list[dict[str, object]]:
    zone, year = str(one["zone_id"]), int(str(one["year"]))
    mine = pd.Series(logs.loc[zone]).dropna()
    base = [v for v in mine.index if v <= year][-before:]
    later = [v for v in mine.index if v > year]
    if not base:
        return []
    others = logs.loc[controls]
    level = others[base].mean(axis=1).where(others[base].notna().all(axis=1))
    rows = []
    for vintage in later:
        change = float(mine[vintage] - mine[base].mean())
        usual = (others[vintage] - level).dropna().to_numpy(dtype=float)
        if usual.size:
            rows.append(_row(one, zone, year, int(vintage), mine, base, change, usual))
    return rows


def _row(
    one: dict[object, object],
    zone: str,
    year: int,
    vintage: int,
    mine: pd.Series,
    base: list[int],
    change: float,
    usual: Floats,
) -> dict[str, object]:
    effect = change - float(usual.mean())
    low, high = effect + _half_width(usual) * np.asarray([-1.0, 1.0])
    crop = float(np.exp(mine[vintage]))
    shares = 100.0 * np.expm1(np.asarray([effect, low, high]))
    return {
        "zone_id": zone,
        "method": one["method"],
        "year": year,
        "vintage": vintage,
        "years_after": vintage - year,
        "change_pct": shares[0],
        "change_low": shares[1],
        "change_high": shares[2],
        "change_t_ha": crop * (1.0 - np.exp(-effect)),
        "before_t_ha": float(np.exp(mine[base]).mean()),
        "yield_t_ha": crop,
        "controls": usual.size,
        "words": _say_change(shares, vintage, vintage - year, usual.size),
    }


def _half_width(usual: Floats) -> float:
    if usual.size < 2:
        return float("nan")
    quantile = special.stdtrit(usual.size - 1, 0.5 + LEVEL / 2)
    return float(quantile * usual.std(ddof=1) * np.sqrt(1.0 + 1.0 / usual.size))


def _say_change(shares: npt.NDArray[np.float64], vintage: int, after: int, controls: int) -> str:
    middle, low, high = shares
    more = "above" if middle >= 0 else "below"
    ordinal = {1: "1st", 2: "2nd", 3: "3rd"}.get(after, f"{after}th")
    kept = f"{controls} untouched zone{'s' if controls != 1 else ''}"
    when = f"In {vintage}, the {ordinal} vintage after"
    head = f"{when}, {round(abs(middle))} % {more} what {kept} lead one to expect"
    if not np.isfinite(low):
        return f"{head}; one zone to compare with gives no interval."
    sure = "clearly more" if low > 0 else "clearly less" if high < 0 else "within what zones do by themselves"
    young = YOUNG_WORDS if after <= YOUNG_VINTAGES and middle < 0 else ""
    return f"{head} (90 % interval {round(low)} to {round(high)} %): {sure}{young}."
