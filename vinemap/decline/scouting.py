"""Where to look before anyone cuts: spatially balanced vines in doubtful zones and a healthy control."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import land
from vinemap.decline.curves import FloatArray, IntArray
from vinemap.errors import DataError

POINTS_PER_ZONE = 5
LLOYD_ROUNDS = 20
STRETCH_VINES = 20  # vines to look at from each point on: about a panel or three; common practice, no source
CONTROL_WHY = "Healthy control: what sound vines look like in the same season."
CONTROL_OF_VARIETY_WHY = "Healthy control: what sound vines of the variety look like in the same season."


def place_scouting_points(
    zones: pd.DataFrame,
    segments: gpd.GeoDataFrame,
    *,
    flagged: Mapping[str, str] | Sequence[str],
    controls: Mapping[str, str] | Sequence[str] = (),
    points_per_zone: int = POINTS_PER_ZONE,
    rng: np.random.Generator,
) -> gpd.GeoDataFrame:
    """Place points, to the row and vine, in flagged zones and in controls.

    Every zone is cut into compact parts of like size (k-means on the vines), one vine is taken at random in
    each: the count over the points is then nearly unbiased for the zone, and no corner is left out.

    Parameters
    ----------
    zones : pandas.DataFrame
        zone_id; other columns are not used.
    segments : geopandas.GeoDataFrame
        Row segments as `land.segment_rows` gives them: row_id, zone_id, from_vine, to_vine, LineString from
        the first to the last vine.
    flagged : mapping of str to str, or sequence of str
        Zones to look at, with the reason.
    controls : mapping of str to str, or sequence of str, optional
        Healthy zones to look at for comparison, with the reason (`choose_controls`).
    points_per_zone : int, optional
    rng : numpy.random.Generator

    Returns
    -------
    geopandas.GeoDataFrame
        `tables.SCOUTING_POINT`, and to_vine (end of the stretch to look at) and is_control; in the CRS of the
        segments, in walking order within the zone.

    Raises
    ------
    DataError
        If a zone asked for does not exist or has no row segment.

    References
    ----------
    Walvoort, Brus and de Gruijter 2010, Computers & Geosciences 36:1261-1267: random sampling from compact
    geographical strata by k-means (from memory).

    Examples
    --------
    >>> import shapely
    >>> line = shapely.LineString([(0, 0), (0, 210)])
    >>> rows = gpd.GeoDataFrame({"row_id": ["A-1"], "zone_id": ["A-Z1"], "from_vine": [1], "to_vine": [100]},
    ...                         geometry=[line], crs="EPSG:32754")
    >>> made = place_scouting_points(pd.DataFrame({"zone_id": ["A-Z1"]}), rows, flagged={"A-Z1": "Falls."},
    ...                              rng=np.random.default_rng(1))
    >>> len(made), bool(made["vine_no"].is_monotonic_increasing or made["vine_no"].is_monotonic_decreasing)
    (5, True)
    """
    reasons = dict(flagged) if isinstance(flagged, Mapping) else dict.fromkeys(flagged, "Doubtful zone.")
    sound = dict(controls) if isinstance(controls, Mapping) else dict.fromkeys(controls, CONTROL_WHY)
    known = set(zones["zone_id"])
    parts = []
    asked = reasons | {zone: why for zone, why in sound.items() if zone not in reasons}
    for zone, why in asked.items():
        own = segments[segments["zone_id"] == zone]
        if zone not in known or own.empty:
            raise DataError(
                f"Zone {zone!r} has no row segments to scout.",
                where="scouting points",
                remedy="Pass zones and the row segments cut from the same zone map.",
            )
        parts.append(_one_zone(zone, why, own, points_per_zone, rng).assign(is_control=zone not in reasons))
    columns = ["point_id", "zone_id", "row_id", "vine_no", "order", "why", "to_vine", "is_control"]
    if not parts:
        return gpd.GeoDataFrame({name: [] for name in columns}, geometry=[], crs=segments.crs)
    table = pd.concat(parts, ignore_index=True)
    points = gpd.points_from_xy(table["easting"], table["northing"])
    return gpd.GeoDataFrame(table[columns], geometry=points, crs=segments.crs)


def choose_controls(zones: pd.DataFrame, flagged: Sequence[str]) -> dict[str, str]:
    """Choose the healthiest kept zone of every variety that is flagged, or of the estate where none is.

    Parameters
    ----------
    zones : pandas.DataFrame
        zone_id, variety, advice, health_score.
    flagged : sequence of str
        Zones to look at.

    Returns
    -------
    dict of str to str
        The reason by zone, as `place_scouting_points` takes it.

    Examples
    --------
    >>> zones = pd.DataFrame({"zone_id": ["A", "B", "C"], "variety": ["Shiraz", "Merlot", "Shiraz"],
    ...     "advice": ["renew", "keep", "keep"], "health_score": [40.0, 99.0, 95.0]})
    >>> list(choose_controls(zones, ["A"]))
    ['C']
    """
    kept = zones[(zones["advice"] == "keep") & ~zones["zone_id"].isin(flagged)]
    best = kept.sort_values("health_score", ascending=False).drop_duplicates("variety")
    wanted = zones.loc[zones["zone_id"].isin(flagged), "variety"]
    same = best.loc[best["variety"].isin(wanted), "zone_id"]
    if len(same):
        return dict.fromkeys(same.astype(str), CONTROL_OF_VARIETY_WHY)
    return dict.fromkeys(best["zone_id"].head(1).astype(str), CONTROL_WHY)


def _one_zone(
    zone: str, why: str, segments: gpd.GeoDataFrame, wanted: int, rng: np.random.Generator
) -> pd.DataFrame:
    """Points of one zone, in walking order."""
    segment, vine, position = _vines(segments)
    parts = min(wanted, vine.size)
    label = _compact_parts(position, parts, rng)
    chosen = np.array([rng.choice(np.flatnonzero(label == one)) for one in np.unique(label)])
    chosen = chosen[_walk(position[chosen])]
    order = np.arange(1, chosen.size + 1)
    last = segments["to_vine"].to_numpy()[segment[chosen]]
    return pd.DataFrame({
        "point_id": [f"{zone}-{one}" for one in order], "zone_id": zone,
        "row_id": segments["row_id"].to_numpy()[segment[chosen]], "vine_no": vine[chosen], "order": order,
        "why": why, "to_vine": np.minimum(vine[chosen] + STRETCH_VINES - 1, last),
        "easting": position[chosen, 0], "northing": position[chosen, 1],
    })  # fmt: skip


def _compact_parts(position: FloatArray, parts: int, rng: np.random.Generator) -> IntArray:
    """Cut points into compact parts by k-means (Lloyd), seeded far apart from one another."""
    columns = np.ascontiguousarray(position.T)  # easting, northing
    centre = position[[rng.integers(len(position))]]
    while len(centre) < parts:
        centre = np.vstack([centre, position[np.argmax(_nearest(columns, centre)[1])]])
    for _ in range(LLOYD_ROUNDS):
        label = _nearest(columns, centre)[0]
        count = np.bincount(label, minlength=parts)
        sums = np.stack([np.bincount(label, weights=one, minlength=parts) for one in columns], axis=1)
        centre = np.where(count[:, None] > 0, sums / np.maximum(count, 1)[:, None], centre)
    return label


def _nearest(columns: FloatArray, centre: FloatArray) -> tuple[IntArray, FloatArray]:
    """Which centre each point is nearest to, the first of equals, and the square of the distance to it.

    One centre at a time: reducing over an axis of two or five costs numpy several times as much.
    """
    label = np.zeros(columns.shape[1], dtype=np.int64)
    least = np.full(columns.shape[1], np.inf)
    for place, (easting, northing) in enumerate(centre):
        away = (columns[0] - easting) ** 2 + (columns[1] - northing) ** 2
        label[away < least] = place
        np.minimum(least, away, out=least)
    return label, least


def _vines(segments: gpd.GeoDataFrame) -> tuple[IntArray, IntArray, FloatArray]:
    """Every vine place of the segments: which segment, its number, its position (easting, northing)."""
    first, last = segments["from_vine"].to_numpy(dtype=int), segments["to_vine"].to_numpy(dtype=int)
    count = np.maximum(last - first + 1, 1)
    segment = np.repeat(np.arange(count.size), count)
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    share = (within + 0.5) / count[segment]
    return segment, first[segment] + within, land.points_along(segments.geometry.to_numpy(), segment, share)


def _walk(position: FloatArray) -> IntArray:
    """Order of a short walk: from the point farthest out, always to the nearest one left."""
    centre = position.mean(axis=0)
    here = int(np.argmax(((position - centre) ** 2).sum(axis=1)))
    left, order = set(range(len(position))) - {here}, [here]
    while left:
        here = min(left, key=lambda one: float(((position[one] - position[order[-1]]) ** 2).sum()))
        left.remove(here)
        order.append(here)
    return np.array(order)
