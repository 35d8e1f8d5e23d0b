"""Where a harvester's cleaning system had more crop than it is rated for, and MOG over the years."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from vinemap.errors import DataError
from vinemap.harvest.report import NORMAL_90
from vinemap.harvest.tickets import split_names
from vinemap.tables import LOADS, check_table
from vinemap.units import TONNE_KG

COLUMNS = [
    "block_id", "machine", "over_capacity_pct", "over_capacity_ha", "heavy_t_ha", "picked_ha",
    "capacity_t_ha",
]  # fmt: skip
HEAVY_QUANTILE = 0.95  # yield that a twentieth of the ground exceeds
LEAST_VINTAGES = 3  # for a drift of MOG with a standard error
CLEAR_CHANCE = 0.01  # that a block without a drift shows one as clear; blocks are many, so not 0.05


def find_over_capacity(
    row_summary: pd.DataFrame, clean: pd.DataFrame, *, block_id: str, capacity_t_ha: float
) -> pd.DataFrame:
    """Give the share of a block's ground that bore more than the cleaning system is rated for.

    Above its rated load a cleaning system leaves more leaf in the crop and blows more grapes out: losses
    there are hidden from the yield sensor, and MOG is higher.

    Parameters
    ----------
    row_summary : pandas.DataFrame
        `summarise_rows` of the block: ground by row and machine.
    clean : pandas.DataFrame
        Settled readings of the block (`apply_settlement`): row_no, machine, yield_t_ha; kept ones.
    block_id : str
    capacity_t_ha : float
        Rated yield at the usual speed [t/ha], as the maker gives it for the crop.

    Returns
    -------
    pandas.DataFrame
        block_id, machine, over_capacity_pct (of the ground it picked) [%], over_capacity_ha [ha], heavy_t_ha
        (95 % quantile of yield) [t/ha], picked_ha [ha], capacity_t_ha (as given) [t/ha].

    Raises
    ------
    DataError
        If the capacity is not positive.

    Examples
    --------
    >>> rows = pd.DataFrame({"row_no": [1, 2], "machine": "H1", "covered_m": 100.0, "length_m": 100.0,
    ...     "area_ha": 0.03, "readings": 2})
    >>> yields = [10.0, 30.0, 12.0, 14.0]
    >>> clean = pd.DataFrame({"row_no": [1, 1, 2, 2], "machine": "H1", "yield_t_ha": yields})
    >>> find_over_capacity(rows, clean, block_id="A", capacity_t_ha=25.0)[["over_capacity_pct", "picked_ha"]]
       over_capacity_pct  picked_ha
    0               25.0       0.06
    """
    if not capacity_t_ha > 0:
        raise DataError(
            f"Cleaning capacity is {capacity_t_ha} t/ha.", remedy="Give the maker's rated yield in t/ha."
        )
    yields = clean["yield_t_ha"].to_numpy(dtype=float)
    machine, machines = pd.factorize(clean["machine"], sort=True)
    row, rows = pd.factorize(clean["row_no"].astype(int), sort=True)
    place = row * max(len(machines), 1) + machine
    share = np.bincount(place, minlength=len(rows) * len(machines))
    each = _ground(row_summary, rows, machines)
    with np.errstate(divide="ignore", invalid="ignore"):
        area = (each / share)[place]
    lines = []
    for code, name in enumerate(machines):
        mine = (machine == code) & (area > 0)
        if not mine.any():
            continue
        picked, heavy = float(area[mine].sum()), float(np.nanquantile(yields[mine], HEAVY_QUANTILE))
        above = float(area[mine & (yields > capacity_t_ha)].sum())
        lines.append((block_id, str(name), 100.0 * above / picked, above, heavy, picked, capacity_t_ha))
    return pd.DataFrame(lines, columns=COLUMNS)


def _ground(row_summary: pd.DataFrame, rows: pd.Index, machines: pd.Index) -> np.ndarray:
    """Ground that each machine picked of each row [ha], row by row; NaN where it has no reading."""
    own = (pd.Index(row_summary["row_no"]), pd.Index(row_summary["machine"]))
    where = rows.get_indexer(own[0]), machines.get_indexer(own[1])
    known = (row_summary["readings"].to_numpy() > 0) & (where[0] >= 0) & (where[1] >= 0)
    covered, length, area = (
        row_summary[name].to_numpy(float) for name in ("covered_m", "length_m", "area_ha")
    )
    ground = np.full((len(rows), len(machines)), np.nan)
    ground[where[0][known], where[1][known]] = (area * np.minimum(covered / length, 1.0))[known]
    return ground.ravel()


def sum_up_mog(loads: pd.DataFrame) -> pd.DataFrame:
    """Give MOG by block and vintage, weighted by mass; loads over several blocks count for each.

    Parameters
    ----------
    loads : pandas.DataFrame
        `tables.LOADS`, all vintages; those without MOG are passed over.

    Returns
    -------
    pandas.DataFrame
        block_id, vintage, mog_pct [%], mog_se_pct (standard error by the spread of the loads; NaN of one
        load) [%], loads, gross_t [t].

    Examples
    --------
    >>> loads = pd.DataFrame({"load_id": ["1", "2"], "vintage": 2026, "block_id": "A", "import_id": 1,
    ...     "net_kg": [30_000.0, 10_000.0], "mog_pct": [1.0, 3.0]})
    >>> sum_up_mog(loads)[["block_id", "mog_pct", "gross_t"]]
      block_id  mog_pct  gross_t
    0        A      1.5     40.0
    """
    names = ["block_id", "vintage", "mog_pct", "mog_se_pct", "loads", "gross_t"]
    if loads.empty:
        return pd.DataFrame(columns=names)
    table = check_table(loads, LOADS, where="loads")
    table = table[(table["net_kg"] > 0) & table["mog_pct"].notna()]
    table = table.assign(block_id=table["block_id"].map(split_names)).explode("block_id")
    lines = []
    for (block, vintage), part in table.groupby(["block_id", "vintage"], sort=True):
        mass = part["net_kg"].to_numpy(dtype=float) / TONNE_KG
        mog = part["mog_pct"].to_numpy(dtype=float)
        mean, count = float(mass @ mog / mass.sum()), len(part)
        spread = float(np.sqrt((mass**2 @ (mog - mean) ** 2) / mass.sum() ** 2 * count / max(count - 1, 1)))
        lines.append(
            (block, int(str(vintage)), mean, spread if count > 1 else np.nan, count, float(mass.sum()))
        )
    return pd.DataFrame(lines, columns=names)


def find_mog_drift(mog: pd.DataFrame, *, shared_by_vintage: bool = True) -> pd.DataFrame:
    """Give the drift of MOG over the vintages by block: brittle old wood breaks and comes along.

    Parameters
    ----------
    mog : pandas.DataFrame
        As `sum_up_mog` gives it.
    shared_by_vintage : bool
        Take off what all blocks share in a vintage (settings, weather, leaf) where there are blocks enough: a
        drift is then against the other blocks.

    Returns
    -------
    pandas.DataFrame
        block_id, vintages, mog_pct (mean) [%], drift_pct_per_year and drift_se (percentage points a year),
        clear (by Student's t, two-sided, a chance of `CLEAR_CHANCE`) and against_others (whether what all
        share was taken off). Blocks with fewer than three vintages are left out.

    Examples
    --------
    >>> years, shares = [2020, 2021, 2022, 2023], [1.0, 1.5, 2.1, 2.4]
    >>> mog = pd.DataFrame({"block_id": "A", "vintage": years, "mog_pct": shares})
    >>> find_mog_drift(mog)[["block_id", "drift_pct_per_year", "clear"]].round(2)
      block_id  drift_pct_per_year  clear
    0        A                0.48   True
    """
    wide = mog.pivot_table(index="vintage", columns="block_id", values="mog_pct", aggfunc="mean").sort_index()
    many = shared_by_vintage and wide.shape[1] >= LEAST_VINTAGES
    level = wide.sub(wide.median(axis=1), axis=0) if many else wide
    lines = []
    for block in wide.columns:
        own = level[block].dropna()
        if len(own) < LEAST_VINTAGES:
            continue
        year = own.index.to_numpy(dtype=float)
        year = year - year.mean()
        value = own.to_numpy(dtype=float) - float(own.mean())
        slope = float(year @ value / (year @ year))
        left = value - slope * year
        error = float(np.sqrt(left @ left / max(len(own) - 2, 1) / (year @ year)))
        clear = abs(slope) > error * special.stdtrit(len(own) - 2, 1.0 - CLEAR_CHANCE / 2.0)
        lines.append((str(block), len(own), float(wide[block].mean()), slope, error, bool(clear)))
    names = ["block_id", "vintages", "mog_pct", "drift_pct_per_year", "drift_se", "clear"]
    return pd.DataFrame(lines, columns=names).assign(against_others=many)


def describe_mog(drift: pd.DataFrame) -> list[str]:
    """Say in words where MOG rises or falls clearly.

    Parameters
    ----------
    drift : pandas.DataFrame
        As `find_mog_drift` gives it.

    Returns
    -------
    list of str

    Examples
    --------
    >>> years, shares = [2020, 2021, 2022, 2023, 2024], [1.0, 1.5, 2.1, 2.4, 3.0]
    >>> mog = pd.DataFrame({"block_id": "A", "vintage": years, "mog_pct": shares})
    >>> describe_mog(find_mog_drift(mog))[0][:62]
    'Block A: MOG rose by 0.49 (+-0.04) percentage points a year ov'
    """
    return [
        f"Block {one['block_id']}: MOG {'rose' if one['drift_pct_per_year'] > 0 else 'fell'}"
        f"{' against the other blocks' if one['against_others'] else ''} by "
        f"{abs(one['drift_pct_per_year']):.2f} (+-{NORMAL_90 * one['drift_se']:.2f}) percentage points a "
        f"year over {one['vintages']} vintages, with a mean of {one['mog_pct']:.1f} % of the load."
        for one in drift[drift["clear"].astype(bool)].to_dict("records")
    ]
