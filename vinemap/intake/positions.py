"""Positions and outlines to WGS84; missing CRS and swapped axes are refused."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from pyproj.exceptions import CRSError, ProjError

from vinemap.errors import IntakeError
from vinemap.intake.draft import Draft
from vinemap.intake.raw import Places

WGS84 = "EPSG:4326"
SWAPPED_FROM = 0.5


@cache
def _wgs84() -> pyproj.CRS:
    return pyproj.CRS(WGS84)


def check_crs(text: str | int, where: str) -> pyproj.CRS:
    """Read a CRS that the user named.

    Raises
    ------
    IntakeError
        If there is none of that name.

    Examples
    --------
    >>> check_crs("28354", "a.csv").to_epsg()
    28354
    """
    name = str(text).strip()
    try:
        return pyproj.CRS.from_user_input(int(name) if name.isdigit() else name)
    except CRSError as error:
        raise IntakeError(
            f"There is no coordinate system {name!r}.",
            where=where,
            remedy="Give an EPSG number, as in --crs 4326.",
        ) from error


def reading_places(draft: Draft) -> Places:
    """Positions of readings in WGS84 [degrees].

    Parameters
    ----------
    draft : Draft
        Rows without a position, or with one that cannot be, are refused in it.

    Returns
    -------
    Places, shape (rows,)

    Raises
    ------
    IntakeError
        If no position is found, its coordinate system is not known, or its axes are swapped.
    """
    if draft.raw.geometry is not None:
        return _layer_places(draft)
    if draft.has("latitude") and draft.has("longitude"):
        return _degree_places(draft)
    if draft.has("easting") and draft.has("northing"):
        return _planar_places(draft)
    raise draft.lacks("longitude" if draft.has("latitude") else "latitude")


def _degree_places(draft: Draft) -> Places:
    latitude, longitude = draft.values["latitude"].to_numpy(), draft.values["longitude"].to_numpy()
    _refuse_swapped_degrees(draft, latitude, longitude)
    draft.refusals.add(np.isnan(latitude) | np.isnan(longitude), "position is empty")
    draft.refusals.add((latitude == 0) & (longitude == 0), "position is 0, 0 (no satellite fix)")
    crs = check_crs(draft.crs, draft.where) if draft.crs else _wgs84()
    if not crs.is_geographic:
        raise IntakeError(
            f"Positions are in degrees, but {crs.name} is in {crs.axis_info[0].unit_name}.",
            where=draft.where,
            remedy="Leave --crs out, or name the columns with --column easting=... --column northing=...",
        )
    return _places_to_wgs84(draft, Places(longitude, latitude, crs))


def _refuse_swapped_degrees(draft: Draft, latitude: Any, longitude: Any) -> None:
    filled = ~(np.isnan(latitude) | np.isnan(longitude))
    if not filled.any():
        return
    out = filled & (np.abs(latitude) > 90) & (np.abs(longitude) <= 90)
    if out.sum() > SWAPPED_FROM * filled.sum():
        lat, lon = (draft.headers[name] for name in ("latitude", "longitude"))
        raise IntakeError(
            f"Latitude and longitude look swapped: latitudes run to {np.nanmax(np.abs(latitude)):.4f}, "
            f"beyond 90 degrees.",
            where=draft.where,
            remedy=f"Give --column latitude={_quoted(lon)} --column longitude={_quoted(lat)}.",
        )


def _quoted(header: str) -> str:
    return f'"{header}"' if " " in header else header


def _planar_places(draft: Draft) -> Places:
    if not draft.crs:
        raise no_crs(
            draft.where, "Positions are eastings and northings, but their coordinate system is not known."
        )
    easting, northing = draft.values["easting"].to_numpy(), draft.values["northing"].to_numpy()
    draft.refusals.add(np.isnan(easting) | np.isnan(northing), "position is empty")
    return _places_to_wgs84(draft, Places(easting, northing, check_crs(draft.crs, draft.where)))


def _layer_places(draft: Draft) -> Places:
    found = draft.raw.geometry
    places = found if isinstance(found, Places) else _bare_places(found, draft.where)
    crs = _layer_crs(draft, places.crs)
    finite = np.isfinite(places.x) & np.isfinite(places.y)
    x, y = places.x, places.y
    if not finite.all():
        draft.refusals.add(np.isnan(x) & np.isnan(y), "has no point")
        draft.refusals.add(~finite, "has a coordinate that is not a number")
        x, y = x[finite], y[finite]
    if len(x):
        _refuse_wrong_degrees(draft, crs, (x.min(), y.min(), x.max(), y.max()))
    return _places_to_wgs84(draft, Places(places.x, places.y, crs))


def _bare_places(geometry: Any, where: str) -> Places:
    """Coordinates of shapes that are points, NaN of those that are none.

    Raises
    ------
    IntakeError
        If none is a point.
    """
    shapes = geometry.to_numpy()
    single = (shapely.get_type_id(shapes) == 4) & (shapely.get_num_geometries(shapes) == 1)
    if single.any():
        shapes = np.where(single, shapely.get_geometry(shapes, 0), shapes)
    point = shapely.get_type_id(shapes) == 0
    if not point.any():
        held = geometry.geom_type.dropna()
        raise IntakeError(
            f"Readings must be points; this layer holds {held.iloc[0] if len(held) else 'none'}.",
            where=where,
            remedy="Export the points of the log.",
        )
    points = np.where(point, shapes, None)
    return Places(shapely.get_x(points), shapely.get_y(points), geometry.crs)


def _places_to_wgs84(draft: Draft, places: Places) -> Places:
    """Turn coordinates to WGS84; those outside their coordinate system are refused."""
    if places.crs.equals(_wgs84(), ignore_axis_order=True):
        return places
    known = np.isfinite(places.x) & np.isfinite(places.y)
    try:
        turn = pyproj.Transformer.from_crs(places.crs, WGS84, always_xy=True)
        x, y = turn.transform(np.where(known, places.x, 0.0), np.where(known, places.y, 0.0))
    except (ProjError, CRSError, ValueError) as error:
        raise _cannot_turn(places.crs, draft.where, error) from error
    x, y = np.where(known, x, np.nan), np.where(known, y, np.nan)
    lost = known & ~(np.isfinite(x) & np.isfinite(y))
    _refuse_lost(draft, lost)
    return Places(np.where(lost, np.nan, x), np.where(lost, np.nan, y), _wgs84())


def no_crs(where: str, what: str) -> IntakeError:
    """Refuse positions without a coordinate system."""
    return IntakeError(
        what,
        where=where,
        remedy="Name it with --crs EPSG (ask whoever made the file; 4326 for GPS degrees, as in --crs 4326).",
    )


def layer_geometry(draft: Draft) -> Any:
    """Geometry of a layer in WGS84, flat; bad shapes refused.

    Raises
    ------
    IntakeError
        If the layer has no CRS and none is given, or its values are not of its CRS.
    """
    geometry = draft.raw.geometry
    if geometry is None:
        raise IntakeError(
            f"It is a table without shapes, and {draft.kind} need them.",
            where=draft.where,
            remedy="Export them from your GIS as GeoPackage, GeoJSON, Shapefile or KML.",
        )
    crs = _layer_crs(draft, geometry.crs)
    flat = gpd.GeoSeries(shapely.force_2d(geometry.to_numpy()), crs=crs)
    draft.refusals.add(flat.isna().to_numpy() | flat.is_empty.to_numpy(), "has no geometry")
    draft.refusals.add(_unfinished(flat), "has a coordinate that is not a number")
    _refuse_wrong_degrees(draft, crs, flat.total_bounds)
    return _shapes_to_wgs84(draft, flat)


def _layer_crs(draft: Draft, own: pyproj.CRS | None) -> pyproj.CRS:
    """Coordinate system of a layer: the one that the user names, else its own."""
    if draft.crs:
        named = check_crs(draft.crs, draft.where)
        if own is not None and not own.equals(named, ignore_axis_order=True):
            draft.notes.append(f"The file says {own.name}; {named.name} was taken, as you said.")
        return named
    if own is None:
        raise no_crs(draft.where, "The layer names no coordinate system.")
    return own


def _unfinished(geometry: Any) -> Any:
    """Shapes with a coordinate that is NaN or infinite; RFC 8259 forbids NaN, readers let it pass."""
    coordinates, owner = shapely.get_coordinates(geometry.to_numpy(), return_index=True)
    out = np.zeros(len(geometry), dtype=bool)
    out[owner[~np.isfinite(coordinates).all(axis=1)]] = True
    return out


def _shown(value: float) -> str:
    return f"{value:,.1f}" if abs(value) < 1e9 else f"{value:.3g}"


def _refuse_wrong_degrees(draft: Draft, crs: pyproj.CRS, bounds: Sequence[float]) -> None:
    """Refuse degrees that are out of range: axes swapped, or metres passed off as degrees."""
    if not crs.is_geographic:
        return
    west, south, east, north = bounds
    if not np.isfinite(west) or (
        abs(west) <= 180 and abs(east) <= 180 and abs(south) <= 90 and abs(north) <= 90
    ):
        return
    furthest = max(abs(south), abs(north))
    if furthest <= 180 and max(abs(west), abs(east)) <= 90:
        raise IntakeError(
            f"Latitude and longitude look swapped: latitudes run to {furthest:.4f}, beyond 90 degrees.",
            where=draft.where,
            remedy="Export the layer with longitude first, latitude second.",
        )
    raise no_crs(
        draft.where,
        f"Coordinates such as {_shown(west)}, {_shown(south)} cannot be degrees, as the file has it.",
    )


def _shapes_to_wgs84(draft: Draft, geometry: Any) -> Any:
    try:
        turned = geometry.to_crs(WGS84)
    except (ProjError, CRSError, ValueError) as error:
        raise _cannot_turn(geometry.crs, draft.where, error) from error
    finite = np.isfinite(turned.bounds.to_numpy()).all(axis=1)
    _refuse_lost(draft, ~finite & turned.notna().to_numpy() & ~turned.is_empty.to_numpy())
    return turned


def _cannot_turn(crs: pyproj.CRS, where: str, error: Exception) -> IntakeError:
    return IntakeError(
        f"Coordinates cannot be turned from {crs.name}: {error}.", where=where, remedy="Check --crs."
    )


def _refuse_lost(draft: Draft, lost: Any) -> None:
    """Refuse rows whose coordinates are not of their coordinate system, the file if that is all of them."""
    if len(lost) and lost.all():
        raise IntakeError(
            f"The coordinates are not of {draft.crs or 'the coordinate system named'}.",
            where=draft.where,
            remedy="Check --crs.",
        )
    draft.refusals.add(lost, "position lies outside its coordinate system")


def geodesic_length(lines: Any) -> pd.Series:
    """Length on the ground [m] of lines in WGS84 (Karney's geodesics through pyproj)."""
    geod = pyproj.Geod(ellps="WGS84")
    lengths = [geod.geometry_length(one) if one is not None and not one.is_empty else np.nan for one in lines]
    return pd.Series(lengths, dtype="float64")
