"""Row counts -> points: picked weights to yield, counts of vines to stand.

The stretch counted is the support of the value: a whole row, a panel, or a single vine place. Ground of
missing vines is part of it, so that yield per hectare falls where vines are missing.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap.errors import DataError
from vinemap.tables import COUNTS, check_table
from vinemap.units import HECTARE_M2, TONNE_KG


def yield_from_counts(
    counts: pd.DataFrame, rows: gpd.GeoDataFrame, *, row_spacing_m: float, vine_spacing_m: float
) -> gpd.GeoDataFrame:
    """Yield of every counted stretch with a picked weight, at the middle of the stretch.

    Parameters
    ----------
    counts : pandas.DataFrame
        `tables.COUNTS`; lines without a picked weight are passed over. A picked weight of zero is a yield.
    rows : geopandas.GeoDataFrame
        `tables.ROWS` of the block or blocks, in the estate CRS.
    row_spacing_m, vine_spacing_m : float
        Distances between rows and between vines in the row [m].

    Returns
    -------
    geopandas.GeoDataFrame
        block_id, vintage, row_no, along_m (middle, on the ground), support_m (length on the ground),
        yield_t_ha, flag ("" or "no_row": the plan has no such row or vine places), with points.

    Raises
    ------
    DataError
        If a picked weight is negative, a stretch runs backward, or a spacing is not positive.

    Examples
    --------
    >>> rows = gpd.GeoDataFrame({"row_id": ["A-1"], "block_id": ["A"], "row_no": [1], "length_m": [20.0],
    ...     "vines": [10]}, geometry=[shapely.LineString([(0, 0), (0, 20)])], crs="EPSG:3035")
    >>> counts = pd.DataFrame({"vintage": [2026], "block_id": ["A"], "row_no": [1], "from_vine": [3],
    ...     "to_vine": [3], "picked_kg": [6.0], "import_id": [1]})
    >>> point = yield_from_counts(counts, rows, row_spacing_m=3.0, vine_spacing_m=2.0).iloc[0]
    >>> [round(float(point[name]), 6) for name in ("along_m", "support_m", "yield_t_ha")]
    [5.0, 2.0, 10.0]
    """
    table = _checked(counts, row_spacing_m, vine_spacing_m)
    table = table[table["picked_kg"].notna()]
    points = _place(table, rows, vine_spacing_m)
    ground_m2 = points["support_m"] * row_spacing_m
    points["yield_t_ha"] = (table["picked_kg"].to_numpy(dtype=float) / TONNE_KG) / (ground_m2 / HECTARE_M2)
    names = ["block_id", "vintage", "row_no", "along_m", "support_m", "yield_t_ha", "flag", "geometry"]
    return points[names]


def ends_of_stretches(points: pd.DataFrame, rows: gpd.GeoDataFrame) -> np.ndarray:
    """Both ends of counted stretches on their rows.

    Parameters
    ----------
    points : pandas.DataFrame
        row_no, along_m and support_m, as of `yield_from_counts`; n stretches of one block.
    rows : geopandas.GeoDataFrame
        `tables.ROWS` of the block, in the estate CRS; it has every row of the stretches.

    Returns
    -------
    numpy.ndarray, (n, 2, 2)
        First and second end: easting, northing [m].

    Examples
    --------
    >>> rows = gpd.GeoDataFrame({"row_no": [1], "length_m": [20.0]},
    ...     geometry=[shapely.LineString([(0, 0), (0, 20)])], crs="EPSG:3035")
    >>> points = pd.DataFrame({"row_no": [1], "along_m": [5.0], "support_m": [8.0]})
    >>> ends_of_stretches(points, rows).round(6).tolist()
    [[[0.0, 1.0], [0.0, 9.0]]]
    """
    own = rows.set_index("row_no").loc[points["row_no"].to_numpy(int)]
    length = own["length_m"].to_numpy(dtype=float)
    middle, half = points["along_m"].to_numpy(float), points["support_m"].to_numpy(float) / 2.0
    ends = [
        shapely.line_interpolate_point(own.geometry.to_numpy(), np.clip(at / length, 0, 1), normalized=True)
        for at in (middle - half, middle + half)
    ]
    return np.stack([shapely.get_coordinates(one) for one in ends], axis=1)


def stand_from_counts(
    counts: pd.DataFrame, rows: gpd.GeoDataFrame, *, row_spacing_m: float, vine_spacing_m: float
) -> gpd.GeoDataFrame:
    """Vines looked at, missing and symptomatic of every counted stretch, at its middle.

    Parameters
    ----------
    counts : pandas.DataFrame
        `tables.COUNTS`; lines that count neither missing nor symptomatic vines are passed over. Where the
        number of vines looked at is not given, all places of the stretch are taken.
    rows : geopandas.GeoDataFrame
        `tables.ROWS` of the block or blocks, in the estate CRS.
    row_spacing_m, vine_spacing_m : float
        Distances between rows and between vines in the row [m].

    Returns
    -------
    geopandas.GeoDataFrame
        block_id, vintage, row_no, along_m, support_m, vines, missing, symptomatic, dead_arm, replanted
        (empty where not counted), flag, with points.

    Raises
    ------
    DataError
        If a number is negative, or more vines are missing or symptomatic than were looked at.
    """
    table = _checked(counts, row_spacing_m, vine_spacing_m)
    table = table[table["missing"].notna() | table["symptomatic"].notna()]
    points = _place(table, rows, vine_spacing_m)
    places = np.maximum(np.round(points["support_m"].to_numpy() / vine_spacing_m), 1)
    places = np.where(np.isfinite(places), places, 0).astype(int)
    points["vines"] = table["vines"].fillna(pd.Series(places, index=table.index, dtype="Int64"))
    for name in ("missing", "symptomatic", "dead_arm", "replanted"):
        points[name] = table[name]
    too_many = points["missing"].fillna(0) + points["symptomatic"].fillna(0) > points["vines"]
    _refuse(
        table,
        too_many & (points["flag"] == ""),
        "has more missing and symptomatic vines than were looked at",
        "Symptoms are counted on living vines only; correct the counts.",
    )  # fmt: skip
    names = ["block_id", "vintage", "row_no", "along_m", "support_m", "vines"]
    return points[[*names, "missing", "symptomatic", "dead_arm", "replanted", "flag", "geometry"]]


def _checked(counts: pd.DataFrame, row_spacing_m: float, vine_spacing_m: float) -> pd.DataFrame:
    """Give the counts as `tables.COUNTS`, or refuse them."""
    if not (row_spacing_m > 0 and vine_spacing_m > 0):
        raise DataError(
            f"Spacings are {row_spacing_m} m x {vine_spacing_m} m.",
            remedy="Give row and vine spacing in metres.",
        )
    table = check_table(counts, COUNTS, where="counts")
    for name in ("picked_kg", "vines", "missing", "symptomatic", "dead_arm", "replanted"):
        _refuse(table, table[name] < 0, f"has a negative {name}", "Correct the number; zero is a real value.")
    backward = (table["to_vine"] < table["from_vine"]) | (table["from_vine"] < 1)
    _refuse(
        table,
        backward,
        "has a stretch that runs backward or starts before vine 1",
        "Correct the vine places.",
    )
    return table


def _refuse(table: pd.DataFrame, wrong: pd.Series, what: str, remedy: str) -> None:
    """Refuse the counts where any is wrong, with the first of them in the message."""
    wrong = wrong.fillna(False).astype(bool)
    if not wrong.any():
        return
    first = table[wrong].iloc[0]
    seen = {
        name: first[name] for name in ("from_vine", "to_vine", "picked_kg", "vines", "missing", "symptomatic")
    }
    shown = ", ".join(f"{name} {value}" for name, value in seen.items() if pd.notna(value))
    raise DataError(
        f"The count {what} ({shown}); {int(wrong.sum())} of {len(table)} counts are so.",
        where=f"block {first['block_id']}, row {first['row_no']}, vintage {first['vintage']}",
        remedy=remedy,
    )


def _place(table: pd.DataFrame, rows: gpd.GeoDataFrame, vine_spacing_m: float) -> gpd.GeoDataFrame:
    """Middle and length of every counted stretch on its row."""
    key = pd.MultiIndex.from_arrays([rows["block_id"].astype(str), rows["row_no"].astype(int)])
    wanted = pd.MultiIndex.from_arrays([table["block_id"].astype(str), table["row_no"].astype(int)])
    place = key.get_indexer(wanted) if len(rows) else np.full(len(table), -1)
    known = place >= 0
    spot = np.where(known, place, 0)
    if len(rows):
        length = np.where(known, rows["length_m"].to_numpy(dtype=float)[spot], np.nan)
        line = rows.geometry.to_numpy()[spot]
    else:
        length, line = np.full(len(table), np.nan), np.array([None] * len(table), dtype=object)
    start = (table["from_vine"].fillna(1).to_numpy(dtype=float) - 1) * vine_spacing_m
    end = table["to_vine"].to_numpy(dtype=float, na_value=np.nan) * vine_spacing_m
    end = np.where(np.isfinite(end), end, length)
    on_plan = known & (start < length) & (end <= length + vine_spacing_m)
    end = np.minimum(end, np.where(table["to_vine"].isna(), length, end))
    share = np.clip(0.5 * (start + end) / length, 0.0, 1.0)
    point = shapely.line_interpolate_point(line, np.where(on_plan, share, 0.0), normalized=True)
    point[~on_plan] = shapely.Point()
    own = np.isfinite(table["easting"].to_numpy()) & np.isfinite(table["northing"].to_numpy())
    point[own] = shapely.points(table["easting"].to_numpy()[own], table["northing"].to_numpy()[own])
    frame = pd.DataFrame(
        {
            "block_id": table["block_id"],
            "vintage": table["vintage"],
            "row_no": table["row_no"],
            "along_m": np.where(on_plan, share * length, np.nan),
            "support_m": np.where(on_plan, end - start, np.nan),
            "flag": np.where(on_plan, "", "no_row").astype(object),
        },
        index=table.index,
    )
    return gpd.GeoDataFrame(frame, geometry=point, crs=rows.crs)
