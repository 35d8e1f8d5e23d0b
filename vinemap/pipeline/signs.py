"""Signs of the loss beside the yield, zone by zone: canopy vigour out of the images, MOG out of the loads."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pyproj

from vinemap import harvest, land
from vinemap.estate import EstateStore

VIGOUR_CELL_M = 2.0
COLUMNS = ["zone_id", "vintage", "sign", "value", "worth"]


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
