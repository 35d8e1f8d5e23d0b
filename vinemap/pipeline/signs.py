"""What is known of zones beside the yield: signs of the loss, and what lowers a crop without being one.

Signs are canopy vigour out of the images and MOG out of the loads. What lowers a crop is the width left at
pruning, out of the counts.
"""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pyproj

from vinemap import harvest, land
from vinemap.estate import EstateStore

VIGOUR_CELL_M = 2.0
COLUMNS = ["zone_id", "vintage", "sign", "value", "worth"]
WIDTH = "box_width_m"
NARROWER = 0.9  # of the usual width: what a note speaks of


def gather_signs(store: EstateStore, zones: gpd.GeoDataFrame, *, vintage: int) -> pd.DataFrame:
    """Give the signs of the loss that the estate holds up to a vintage.

    Parameters
    ----------
    store : EstateStore
    zones : geopandas.GeoDataFrame
        zone_id, block_id; in the estate CRS [m].
    vintage : int
        Last vintage.

    Returns
    -------
    pandas.DataFrame
        zone_id, vintage, sign ("vigour", "mog"), value, worth: as `vinemap.decline.fit_decline` takes them.
    """
    loads = store.loads()
    mog = harvest.sum_up_mog(loads[loads["vintage"] <= vintage])
    images = store.imagery()
    seen = _vigour_of_images(store, zones, vintage) if len(images) else pd.DataFrame(columns=COLUMNS)
    parts = [one for one in (share_mog(mog, zones), seen) if len(one)]
    return pd.concat(parts, ignore_index=True)[COLUMNS] if parts else pd.DataFrame(columns=COLUMNS)


def share_mog(mog: pd.DataFrame, zones: gpd.GeoDataFrame) -> pd.DataFrame:
    """Share what the loads of a block say between its zones.

    Parameters
    ----------
    mog : pandas.DataFrame
        block_id, vintage, mog_pct [%].
    zones : geopandas.GeoDataFrame
        zone_id, block_id.

    Returns
    -------
    pandas.DataFrame
        zone_id, vintage, sign, value [%], worth: one over the number of zones of the block.
    """
    together = zones.groupby("block_id")["zone_id"].transform("size")
    told = pd.DataFrame(zones[["zone_id", "block_id"]]).assign(worth=1.0 / together)
    joined = told.merge(mog[["block_id", "vintage", "mog_pct"]], on="block_id")
    return joined.rename(columns={"mog_pct": "value"}).assign(sign="mog")


def measure_box_width(counts: pd.DataFrame, segments: pd.DataFrame, *, vintage: int) -> pd.DataFrame:
    """Give the width that pruning left, zone by zone, as row counts measured it.

    A zone in which no row was ever measured takes the mean of its block. A zone with one measured vintage
    has nothing to compare with and is left out.

    Parameters
    ----------
    counts : pandas.DataFrame
        `tables.COUNTS`.
    segments : pandas.DataFrame
        block_id, zone_id, row_no, from_vine, to_vine: row segments (`vinemap.land.segment_rows`).
    vintage : int
        Last vintage.

    Returns
    -------
    pandas.DataFrame
        zone_id, vintage, box_width_m [m], weighted by the vine places measured: as `fit_decline` takes it.

    Examples
    --------
    >>> counts = pd.DataFrame({"vintage": [2025, 2026], "block_id": "A", "row_no": 1, "from_vine": 1,
    ...                        "to_vine": 40, "box_width_m": [0.6, 0.4]})
    >>> segments = pd.DataFrame({"block_id": "A", "zone_id": ["A-Z1", "A-Z2"], "row_no": [1, 2],
    ...                          "from_vine": 1, "to_vine": 50})
    >>> measure_box_width(counts, segments, vintage=2026).to_numpy().tolist()
    [['A-Z1', 2025, 0.6], ['A-Z1', 2026, 0.4], ['A-Z2', 2025, 0.6], ['A-Z2', 2026, 0.4]]
    """
    told = counts[(counts[WIDTH] > 0) & (counts["vintage"] <= vintage)]
    keys = ["block_id", "row_no"]
    places = told[[*keys, "vintage", "from_vine", "to_vine", WIDTH]].merge(
        pd.DataFrame(segments[[*keys, "zone_id", "from_vine", "to_vine"]]), on=keys, suffixes=("", "_of_zone")
    )
    first = places["from_vine"].fillna(1).clip(lower=places["from_vine_of_zone"])
    last = places["to_vine"].fillna(places["to_vine_of_zone"]).clip(upper=places["to_vine_of_zone"])
    places["vines"] = (last - first + 1).clip(lower=0).astype(float)
    by_zone = _mean_width(places, ["zone_id", "vintage"])
    unseen = segments.loc[~segments["zone_id"].isin(by_zone["zone_id"]), ["block_id", "zone_id"]]
    by_block = _mean_width(places, ["block_id", "vintage"])
    lent = pd.DataFrame(unseen).drop_duplicates().merge(by_block, on="block_id")
    out = pd.concat([by_zone, lent[["zone_id", "vintage", WIDTH]]], ignore_index=True)
    several = out.groupby("zone_id")["vintage"].transform("nunique") > 1
    return out[several].reset_index(drop=True)


def _mean_width(places: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    whole = places.assign(times=places[WIDTH] * places["vines"])
    sums = whole[whole["vines"] > 0].groupby(keys)[["times", "vines"]].sum().reset_index()
    return sums.assign(**{WIDTH: sums["times"] / sums["vines"]})[[*keys, WIDTH]]


def tell_box_width(slopes: pd.DataFrame) -> list[str]:
    """Say how far crops followed the width that pruning left.

    Parameters
    ----------
    slopes : pandas.DataFrame
        name, median, low, high: as in `vinemap.decline.Decline`.

    Returns
    -------
    list of str
        One note, or none where no width was measured.

    Examples
    --------
    >>> tell_box_width(pd.DataFrame({"name": ["box_width_m"], "median": [1.0], "low": [0.5], "high": [1.2]}))
    ['Crops are compared at equal width after pruning: one tenth narrower bears 10 % less here (5 to 12 %).']
    """
    found = slopes[slopes["name"] == WIDTH]
    if found.empty:
        return []
    less, low, high = (
        round(100 * (1 - NARROWER ** float(found[name].iloc[0]))) + 0 for name in ("median", "low", "high")
    )
    return [
        f"Crops are compared at equal width after pruning: one tenth narrower bears {less} % less here "
        f"({low} to {high} %)."
    ]


def _vigour_of_images(store: EstateStore, zones: gpd.GeoDataFrame, vintage: int) -> pd.DataFrame:
    lines = []
    for block_id, own in zones.groupby("block_id", sort=False):
        spec = land.grid_over(own.geometry.union_all(), cell_m=VIGOUR_CELL_M, crs=pyproj.CRS(zones.crs))
        for image in store.canopy_vigour(spec):
            if image.vintage <= vintage:
                means = land.average_in(image.grid, own)
                lines += [(zone, block_id, image.vintage, (image.file, image.date), mean)
                          for zone, mean in zip(own["zone_id"], means, strict=True)]  # fmt: skip
    return level_images(pd.DataFrame(lines, columns=["zone_id", "block_id", "vintage", "image", "value"]))


def level_images(seen: pd.DataFrame) -> pd.DataFrame:
    """Bring images to one level, and average those of a vintage.

    Days and cameras differ in level, so a value counts against the median of its image. An image of a single
    block would hide what all of that block lost; where there are others it is left out.

    Parameters
    ----------
    seen : pandas.DataFrame
        zone_id, block_id, vintage, image, value.

    Returns
    -------
    pandas.DataFrame
        zone_id, vintage, sign, value [-], worth.
    """
    seen = seen.dropna(subset=["value"])
    blocks = seen.groupby("image")["block_id"].transform("nunique")
    seen = seen[(blocks > 1) | (seen["block_id"].nunique() == 1)]
    level = seen.groupby("image")["value"].transform("median")
    relative = (seen["value"] / level.where(level > 0)).rename("value")
    by_zone = relative.groupby([seen["zone_id"], seen["vintage"]]).mean().dropna().reset_index()
    return by_zone.assign(sign="vigour", worth=1.0)
