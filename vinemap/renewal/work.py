"""Work lists: row by row, from vine to vine, what is to be done, what to order, and what to mind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from vinemap.errors import DataError, SettingsError
from vinemap.renewal.methods import Method
from vinemap.renewal.value import Valuation, refilled_mean

WOOD_SPREAD = 0.5  # the estimate of wood per vine holds to within about half; common practice, no source
POST_SPACING_M = 6.0  # about every third vine; common practice, no source
WIRED = ("trunk_renewal", "graft_over")  # methods that lay a new cordon along the wire

CAUTIONS: Mapping[str, str] = {
    "saws": "Chainsaws and powered loppers injure: trained operators, guards and protective equipment, "
    "nobody within reach; follow the maker's instructions and local work-safety law.",
    "chippers": "Chippers, mulchers and grinders throw metal and catch clothing: take wire, clips, staples "
    "and posts out first, keep people clear, stop and isolate before clearing a blockage; follow the maker's "
    "instructions and local work-safety law.",
    "sprays": "Wound sprays and paints: use only products registered for the purpose where you are; the "
    "label (rate, protective equipment, re-entry, withholding, drift) is the law.",
    "hygiene": "Disease hygiene: cut in dry weather, protect wounds, clean tools between zones, and take cut "
    "wood away or destroy it; a diagnosis needs a laboratory or an adviser, not a map.",
    "burning": "Burning wood needs whatever permit, season and notice local fire and smoke rules ask for; "
    "never burn treated posts.",
    "money": "The money is arithmetic on the prices and costs in the settings, which are examples until "
    "replaced; it is not financial advice. Ask an accountant or licensed adviser before committing.",
}
METHOD_CAUTIONS: Mapping[str, tuple[str, ...]] = {
    "trunk_renewal": ("saws", "chippers", "sprays", "hygiene", "burning", "money"),
    "graft_over": ("saws", "chippers", "sprays", "hygiene", "burning", "money"),
    "infill": ("hygiene", "money"),
    "replant": ("saws", "chippers", "hygiene", "burning", "money"),
    "keep_protected": ("sprays", "hygiene", "money"),
}


def list_work(
    programme: pd.DataFrame,
    vine_rows: pd.DataFrame,
    *,
    methods: Sequence[Method],
    missing_share: Mapping[str, float] | None = None,
    refill_share: Mapping[str, float] | None = None,
    post_spacing_m: float = POST_SPACING_M,
) -> pd.DataFrame:
    """List the work of a programme row by row.

    Parameters
    ----------
    programme : pandas.DataFrame
        ``year, block_id, zone_id, method, area_ha, cost, crew_days`` as `plan_programme` gives them.
    vine_rows : pandas.DataFrame
        ``row_id, block_id, zone_id, from_vine, to_vine, length_m``: row segments by zone, a
        geometry column is not needed.
    methods : sequence of Method
    missing_share : mapping of zone_id to float, optional
        Share of vine places without a living vine; 0 where not given.
    refill_share : mapping of zone_id to float, optional
        Share of vine places that will have to be refilled in the winter after, see `refills_by_zone`.
    post_spacing_m : float
        Posts along a row [m].

    Returns
    -------
    pandas.DataFrame
        In the order of the walk (year, block, method, then row by row, every second row backwards):
        ``year, order, block_id, zone_id, row_id, walk, from_vine, to_vine, method, vines`` (worked),
        ``length_m``, ``posts`` (to walk past, check and, for a new trellis, set),
        ``wire_m`` (cordon wire to check or lay), ``orders`` (vines or buds for the work),
        ``refill_vines`` (young vines to order for the winter after, expected), ``crew_days``, ``cost``,
        ``wood_t, wood_low_t, wood_high_t`` [t], ``basis`` and ``caution``. Crew days and cost of a zone are
        spread over its rows by length.

    Raises
    ------
    DataError
        If a zone of the programme has no row, or a method is not among `methods`.
    SettingsError
        If the spacing of posts is not positive.

    Examples
    --------
    >>> from vinemap.renewal.methods import default_methods
    >>> plan = pd.DataFrame({"year": [2026], "block_id": ["A"], "zone_id": ["A-Z1"],
    ...                      "method": ["trunk_renewal"], "area_ha": [0.06], "cost": [800.0],
    ...                      "crew_days": [0.6]})
    >>> rows = pd.DataFrame({"row_id": ["A-1", "A-2"], "block_id": "A", "zone_id": "A-Z1",
    ...                      "from_vine": 1, "to_vine": 50, "length_m": 100.0})
    >>> out = list_work(plan, rows, methods=default_methods())
    >>> out[["row_id", "walk", "vines", "cost"]].to_numpy().tolist()
    [['A-1', 'forwards', 50, 400.0], ['A-2', 'backwards', 50, 400.0]]
    """
    if not post_spacing_m > 0:
        raise SettingsError(f"Posts stand every {post_spacing_m} m.", remedy="Give a length, as 6.0.")
    known = {one.name: one for one in methods}
    _check_work(programme, vine_rows, known)
    wanted = ["year", "zone_id", "method", "area_ha", "cost", "crew_days"]
    rows = pd.DataFrame(vine_rows)[["row_id", "block_id", "zone_id", "from_vine", "to_vine", "length_m"]]
    work = programme[wanted].merge(rows, on="zone_id", how="left")
    share = work["length_m"] / work.groupby(["year", "zone_id"])["length_m"].transform("sum")
    gaps = missing_share or {}
    gone = [float(gaps.get(one, 0.0)) for one in work["zone_id"]]
    places = (work["to_vine"] - work["from_vine"] + 1).to_numpy(dtype=float)
    each = [known[one] for one in work["method"]]
    vines = np.rint(places * [_worked(one, gap) for one, gap in zip(each, gone, strict=True)])
    work["vines"] = vines.astype(np.int64)
    work["posts"] = (np.ceil(work["length_m"] / post_spacing_m) + 1).astype(np.int64)
    trellis = [one.renews_trellis or one.name in WIRED for one in each]
    work["wire_m"] = np.where(trellis, work["length_m"], 0.0)
    again = [float((refill_share or {}).get(one, 0.0)) for one in work["zone_id"]]
    refilling = np.asarray([one.refill_share > 0 and not one.restores_stand for one in each])
    refills = pd.Series(np.where(refilling, places * np.asarray(again), 0.0), index=work.index)
    work["refill_vines"] = _whole(refills, work[["year", "zone_id"]])
    work["orders"] = np.ceil(vines * [one.orders_per_vine for one in each]).astype(np.int64)
    work["crew_days"] *= share
    work["cost"] *= share
    work["wood_t"] = vines * [one.wood_kg_per_vine / 1000.0 for one in each]
    work["wood_low_t"] = (1.0 - WOOD_SPREAD) * work["wood_t"]
    work["wood_high_t"] = (1.0 + WOOD_SPREAD) * work["wood_t"]
    work["basis"] = [_say_basis(one) for one in each]
    work["caution"] = [say_cautions(one.name) for one in each]
    return _in_walking_order(work)


def _check_work(programme: pd.DataFrame, vine_rows: pd.DataFrame, known: Mapping[str, Method]) -> None:
    lost = [one for one in programme["zone_id"] if one not in set(vine_rows["zone_id"])]
    if lost:
        raise DataError(
            f"Zone {lost[0]} has no vine row.", where="vine_rows", remedy="Cut rows by zone first."
        )
    odd = sorted(set(programme["method"]) - set(known))
    if odd:
        raise DataError(f"Method {odd[0]} is not among those given.", where="programme",
                        remedy="Pass the methods that the programme was planned with.")  # fmt: skip


def _worked(method: Method, missing: float) -> float:
    if method.keeps_standing:
        return missing
    return 1.0 if method.restores_stand or method.protects else 1.0 - missing


def _whole(amounts: pd.Series, keys: pd.DataFrame) -> pd.Series:
    """Round amounts row by row so that a zone's rows add up to its rounded total."""
    groups = [keys[name] for name in keys]
    run = np.rint(amounts.groupby(groups).cumsum())
    before = run.groupby(groups).shift(fill_value=0.0)
    return pd.Series((run - before).astype(np.int64))


def _say_basis(method: Method) -> str:
    if not method.wood_kg_per_vine:
        return "no wood to chip"
    return (
        f"{method.wood_kg_per_vine:g} kg of fresh wood per vine worked, a rule of thumb without a source, "
        f"good to about {100 * WOOD_SPREAD:.0f} %: weigh the first row"
    )


def say_cautions(method: str) -> str:
    """Cautions that go with a method, in one text.

    Examples
    --------
    >>> say_cautions("infill").startswith("Disease hygiene")
    True
    """
    return " ".join(CAUTIONS[one] for one in METHOD_CAUTIONS.get(method, ("money",)))


def _in_walking_order(work: pd.DataFrame) -> pd.DataFrame:
    """Put rows in order within year, block and method, every second one to be walked backwards."""
    keys = ["year", "block_id", "method"]
    out = work.assign(_row=_row_numbers(work["row_id"]))
    back = out.groupby(keys)["_row"].rank(method="dense").to_numpy(dtype=int) % 2 == 0
    out["walk"] = np.where(back, "backwards", "forwards")
    out["_along"] = np.where(back, -out["from_vine"], out["from_vine"])
    out = out.sort_values([*keys, "_row", "_along"], kind="stable")
    out["order"] = out.groupby("year").cumcount() + 1
    columns = [
        "year", "order", "block_id", "zone_id", "row_id", "walk", "from_vine", "to_vine", "method", "vines",
        "length_m", "posts", "wire_m", "orders", "refill_vines", "crew_days", "cost", "wood_t", "wood_low_t",
        "wood_high_t", "basis", "caution",
    ]  # fmt: skip
    return out[columns].reset_index(drop=True)


def _row_numbers(row_ids: pd.Series) -> list[int]:
    """Numbers after the last dash; rows without one keep the order they come in."""
    tails = [str(one).rsplit("-", 1)[-1] for one in row_ids]
    if all(one.isdigit() for one in tails):
        return [int(one) for one in tails]
    return [int(one) for one in pd.factorize(row_ids)[0]]


def missing_by_zone(valuation: Valuation) -> dict[str, float]:
    """Mean share of missing vines by zone, for `list_work`.

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> round(missing_by_zone(example_valuation())["B-Z3"], 2)
    0.24
    """
    standing = valuation.standing
    mean = standing.missing.mean(axis=0)
    return {zone: float(one) for zone, one in zip(standing.zone_ids, mean, strict=True)}


def refills_by_zone(valuation: Valuation, programme: pd.DataFrame) -> dict[str, float]:
    """Mean share of vine places to refill in the winter after, by zone of a programme, for `list_work`.

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> plan = pd.DataFrame({"zone_id": ["A-Z1"], "method": ["trunk_renewal"]})
    >>> 0.05 < refills_by_zone(example_valuation(), plan)["A-Z1"] < 0.3
    True
    """
    out = {}
    for zone, method in programme[["zone_id", "method"]].to_numpy():
        share = refilled_mean(valuation, valuation.method_index(str(method)))
        out[str(zone)] = float(share[valuation.zone_index(str(zone))])
    return out
