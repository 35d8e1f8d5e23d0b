"""What a notebook shows and needs: tables that know their units, a small map, surfaces as arrays."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap import tables
from vinemap.errors import DataError
from vinemap.publish.dictionary import known_columns
from vinemap.publish.display import Display, EstateLabel
from vinemap.publish.figures import INK, hatch_definitions
from vinemap.publish.ramps import ADVICE_MARKS
from vinemap.publish.texts import texts_in

ROOM = 16.0  # least side [px] of a zone that gets its letter
STEP_PX = 0.3  # corners nearer than this to the line between others cannot be seen


def attach_units(frame: pd.DataFrame, table: tables.Table | str, *, currency: str = "") -> pd.DataFrame:
    """Give a table the units and meanings of its columns, and its CRS, as attributes.

    Parameters
    ----------
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Not altered.
    table : vinemap.tables.Table or str
        One of `tables.OUTPUTS`, or its name.
    currency : str, optional
        Put in place of the word "currency" in units.

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame
        A shallow copy; ``attrs`` holds ``table``, ``units`` (by column, "" for none), ``meanings`` and, with
        a geometry, ``crs``: plain values, so that they survive writing to Parquet.

    Raises
    ------
    KeyError
        If no table has this name.

    Examples
    --------
    >>> typed = attach_units(pd.DataFrame({"zone_id": ["A-Z1"], "loss_pct": [12.0]}), "zone")
    >>> typed.attrs["units"]
    {'zone_id': '', 'loss_pct': '%'}
    """
    chosen = {one.name: one for one in tables.OUTPUTS}[table] if isinstance(table, str) else table
    known = {one.name: one for one in known_columns(chosen, frame.columns)}
    present = [known[name] for name in frame.columns if name in known]
    out = frame.copy(deep=False)
    out.attrs = dict(frame.attrs) | {
        "table": chosen.name,
        "units": {one.name: one.unit.replace("currency", currency or "currency") for one in present},
        "meanings": {one.name: one.meaning for one in present},
    }
    if isinstance(frame, gpd.GeoDataFrame) and frame.crs is not None:
        code = frame.crs.to_authority()
        out.attrs["crs"] = ":".join(code) if code else frame.crs.to_wkt()
    return out


def draw_estate(layers: Mapping[str, pd.DataFrame], *, width: float = 560.0, language: str = "en") -> str:
    """Draw all blocks and zones by advice, north of the grid up, as a small SVG.

    Parameters
    ----------
    layers : mapping of str to GeoDataFrame
        Tables ``block`` and ``zone`` of `tables.OUTPUTS`.
    width : float
        Width of the drawing [px].
    language : str

    Returns
    -------
    str
        An svg element; empty where there is no zone.
    """
    zones, blocks = gpd.GeoDataFrame(layers["zone"]), gpd.GeoDataFrame(layers["block"])
    if not len(zones):
        return ""
    words = texts_in(language)
    west, south, east, north = blocks.total_bounds
    scale = (width - 8) / max(east - west, north - south)
    height = (north - south) * scale + 8

    def place(xy: Any) -> Any:
        return np.column_stack([(xy[:, 0] - west) * scale + 4, (north - xy[:, 1]) * scale + 4])

    parts = [f"<defs>{hatch_definitions()}</defs>"]
    for shape, advice, zone_id, area in zip(
        zones.geometry, zones["advice"], zones["zone_id"], zones["area_ha"], strict=True
    ):
        fill = f"url(#hatch-{advice})" if advice in ADVICE_MARKS else "none"
        note = escape(f"{zone_id}: {words.get(f'advice_{advice}', advice)}, {area:.2f} ha")
        path = _path(shape, place, scale)
        parts.append(
            f'<path d="{path}" fill="{fill}" stroke="{INK}" stroke-width=".6"><title>{note}</title></path>'
        )
        parts.append(_letter(shape, words.get(f"letter_{advice}", ""), place, scale))
    parts += [
        f'<path d="{_path(shape, place, scale)}" fill="none" stroke="{INK}" stroke-width="1.6"/>'
        for shape in blocks.geometry
    ]
    counts = zones["advice"].value_counts()
    told = (f"{words[f'advice_{one}']} {counts.get(one, 0)}" for one in reversed(ADVICE_MARKS))
    label = escape(", ".join(told), quote=True)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" role="img" '
        f'aria-label="{label}" style="background:#fff">{"".join(parts)}</svg>'
    )


def _path(shape: Any, place: Any, scale: float) -> str:
    rings = shapely.get_rings(shapely.get_parts(shapely.simplify(shape, STEP_PX / scale)))
    return "".join(
        "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in place(shapely.get_coordinates(ring)[:-1])) + "Z"
        for ring in rings
    )


def _letter(shape: Any, letter: str, place: Any, scale: float) -> str:
    if not letter or np.sqrt(shape.area) * scale < ROOM:
        return ""
    ((x, y),) = place(shapely.get_coordinates(shapely.point_on_surface(shape)))
    style = "font:700 12px sans-serif;paint-order:stroke;stroke:#fff;stroke-width:3px"
    return (
        f'<text x="{x:.1f}" y="{y + 4:.1f}" text-anchor="middle" fill="{INK}" style="{style}">{letter}</text>'
    )


def show_result(
    layers: Mapping[str, pd.DataFrame],
    *,
    estate: EstateLabel,
    vintage: int,
    folder: Path | str = "",
    language: str = "en",
) -> str:
    """HTML for a notebook cell: what is advised on how many hectares, and the small map.

    Parameters
    ----------
    layers : mapping of str to GeoDataFrame
    estate : EstateLabel
    vintage : int
    folder : path-like, optional
        Where the files are.
    language : str

    Returns
    -------
    str

    Notes
    -----
    For ``_repr_html_`` of a result object.
    """
    words = texts_in(language)
    display = Display(language=language, system=estate.units, currency=estate.currency)
    zones = pd.DataFrame(layers["zone"])
    rows = []
    for advice in reversed(ADVICE_MARKS):
        mine = zones[zones["advice"] == advice]
        head = f"{words[f'letter_{advice}']} {words[f'advice_{advice}']}"
        area = display.area(float(mine["area_ha"].sum()))
        rows.append(f"<tr><th>{escape(head)}</th><td>{len(mine)}</td><td>{escape(area)}</td></tr>")
    where = f"<p><code>{escape(str(folder))}</code></p>" if str(folder) else ""
    return (
        f"<div><p><b>{escape(estate.name)}</b>, {vintage}</p>"
        f"<table><tbody>{''.join(rows)}</tbody></table>{draw_estate(layers, language=language)}{where}</div>"
    )


def open_surface(path: Path | str) -> Any:
    """Open a surface (GeoTIFF) as an xarray.DataArray with its unit and vintage as attributes.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    xarray.DataArray
        Bands by name, NaN for no data; CRS under ``.rio.crs``.

    Raises
    ------
    DataError
        If rioxarray is not installed.
    """
    try:
        rioxarray = importlib.import_module("rioxarray")
    except ImportError as error:
        raise DataError(
            "rioxarray is not installed, which opens surfaces as xarray arrays.",
            where=Path(path).name,
            remedy="Install it (pip install rioxarray), or open the file with rasterio.",
        ) from error
    array = rioxarray.open_rasterio(path, masked=True)
    names = array.attrs.get("long_name", ())
    bands = [names] if isinstance(names, str) else list(names)
    return array.assign_coords(band=bands) if len(bands) == array.sizes["band"] else array
