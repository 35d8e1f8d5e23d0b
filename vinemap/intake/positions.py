"""Positions and outlines to WGS84; missing CRS and swapped axes are refused."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from pyproj.exceptions import CRSError, ProjError

from vinemap.errors import IntakeError
from vinemap.intake.convert import Job, missing_column

WGS84 = "EPSG:4326"
SWAPPED_FROM = 0.5


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


def reading_points(job: Job) -> Any:
    """Positions of readings as points in WGS84.

    Parameters
    ----------
    job : Job
        Rows without a position, or with one that cannot be, are refused in it.

    Returns
    -------
    geopandas.GeoSeries, shape (rows,)
    """
    if job.raw.geometry is not None:
        return _layer_points(job)
    if job.has("latitude") and job.has("longitude"):
        return _degree_points(job)
    if job.has("easting") and job.has("northing"):
        return _planar_points(job)
    raise missing_column(job, *(("longitude",) if job.has("latitude") else ("latitude",)))


def _degree_points(job: Job) -> Any:
    latitude, longitude = job.values["latitude"].to_numpy(), job.values["longitude"].to_numpy()
    _refuse_swapped_degrees(job, latitude, longitude)
    job.refusals.add(np.isnan(latitude) | np.isnan(longitude), "position is empty")
    job.refusals.add((latitude == 0) & (longitude == 0), "position is 0, 0 (no satellite fix)")
    crs = check_crs(job.crs, job.where) if job.crs else pyproj.CRS(WGS84)
    if not crs.is_geographic:
        raise IntakeError(
            f"Positions are in degrees, but {crs.name} is in {crs.axis_info[0].unit_name}.",
            where=job.where,
            remedy="Leave --crs out, or name the columns with --column easting=... --column northing=...",
        )
    return _to_wgs84(gpd.GeoSeries(gpd.points_from_xy(longitude, latitude), crs=crs), job.where)


def _refuse_swapped_degrees(job: Job, latitude: Any, longitude: Any) -> None:
    filled = ~(np.isnan(latitude) | np.isnan(longitude))
    if not filled.any():
        return
    out = filled & (np.abs(latitude) > 90) & (np.abs(longitude) <= 90)
    if out.sum() > SWAPPED_FROM * filled.sum():
        headers = {one.field: one.header for one in job.guesses}
        lat, lon = headers["latitude"], headers["longitude"]
        raise IntakeError(
            f"Latitude and longitude look swapped: latitudes run to {np.nanmax(np.abs(latitude)):.4f}, "
            f"beyond 90 degrees.",
            where=job.where,
            remedy=f"Give --column latitude={_quoted(lon)} --column longitude={_quoted(lat)}.",
        )


def _quoted(header: str) -> str:
    return f'"{header}"' if " " in header else header


def _planar_points(job: Job) -> Any:
    if not job.crs:
        raise no_crs(
            job.where, "Positions are eastings and northings, but their coordinate system is not known."
        )
    easting, northing = job.values["easting"].to_numpy(), job.values["northing"].to_numpy()
    job.refusals.add(np.isnan(easting) | np.isnan(northing), "position is empty")
    points = gpd.GeoSeries(gpd.points_from_xy(easting, northing), crs=check_crs(job.crs, job.where))
    return _finish(job, _to_wgs84(points, job.where))


def no_crs(where: str, what: str) -> IntakeError:
    """Refuse positions without a coordinate system."""
    return IntakeError(
        what,
        where=where,
        remedy="Name it with --crs EPSG (ask whoever made the file; 4326 for GPS degrees, as in --crs 4326).",
    )


def _layer_points(job: Job) -> Any:
    geometry = layer_geometry(job)
    multi = (shapely.get_type_id(geometry.to_numpy()) == 4) & (
        shapely.get_num_geometries(geometry.to_numpy()) == 1
    )
    if multi.any():
        geometry = geometry.where(~multi, geometry.get_geometry(0))
    kinds = shapely.get_type_id(geometry.to_numpy())
    if not (kinds == 0).any():
        raise IntakeError(
            f"Readings must be points; this layer holds "
            f"{geometry.geom_type.dropna().iloc[0] if geometry.notna().any() else 'none'}.",
            where=job.where,
            remedy="Export the points of the log.",
        )
    job.refusals.add((kinds != 0) | geometry.is_empty.to_numpy(), "has no point")
    return geometry


def layer_geometry(job: Job) -> Any:
    """Geometry of a layer in WGS84, flat; bad shapes refused.

    Raises
    ------
    IntakeError
        If the layer has no CRS and none is given, or its values are not of its CRS.
    """
    geometry = job.raw.geometry
    if geometry is None:
        raise IntakeError(
            "The file holds no outlines or lines.", where=job.where, remedy="Export a map layer."
        )
    if job.crs:
        named = check_crs(job.crs, job.where)
        if geometry.crs is not None and not geometry.crs.equals(named, ignore_axis_order=True):
            job.notes.append(f"The file says {geometry.crs.name}; {named.name} was taken, as you said.")
        geometry = geometry.set_crs(named, allow_override=True)
    if geometry.crs is None:
        raise no_crs(job.where, "The layer names no coordinate system.")
    flat = gpd.GeoSeries(shapely.force_2d(geometry.to_numpy()), crs=geometry.crs)
    job.refusals.add(flat.isna().to_numpy() | flat.is_empty.to_numpy(), "has no geometry")
    job.refusals.add(_unfinished(flat), "has a coordinate that is not a number")
    _refuse_wrong_degrees(job, flat)
    return _finish(job, _to_wgs84(flat, job.where))


def _unfinished(geometry: Any) -> Any:
    """Shapes with a coordinate that is NaN or infinite; RFC 8259 forbids NaN, readers let it pass."""
    coordinates, owner = shapely.get_coordinates(geometry.to_numpy(), return_index=True)
    out = np.zeros(len(geometry), dtype=bool)
    out[owner[~np.isfinite(coordinates).all(axis=1)]] = True
    return out


def _shown(value: float) -> str:
    return f"{value:,.1f}" if abs(value) < 1e9 else f"{value:.3g}"


def _refuse_wrong_degrees(job: Job, geometry: Any) -> None:
    """Refuse degrees that are out of range: axes swapped, or metres passed off as degrees."""
    if not geometry.crs.is_geographic:
        return
    west, south, east, north = geometry.total_bounds
    if not np.isfinite(west) or (
        abs(west) <= 180 and abs(east) <= 180 and abs(south) <= 90 and abs(north) <= 90
    ):
        return
    furthest = max(abs(south), abs(north))
    if furthest <= 180 and max(abs(west), abs(east)) <= 90:
        raise IntakeError(
            f"Latitude and longitude look swapped: latitudes run to {furthest:.4f}, beyond 90 degrees.",
            where=job.where,
            remedy="Export the layer with longitude first, latitude second.",
        )
    raise no_crs(
        job.where,
        f"Coordinates such as {_shown(west)}, {_shown(south)} cannot be degrees, as the file has it.",
    )


def _to_wgs84(geometry: Any, where: str) -> Any:
    try:
        return geometry.to_crs(WGS84)
    except (ProjError, CRSError, ValueError) as error:
        raise IntakeError(
            f"Coordinates cannot be turned from {geometry.crs.name}: {error}.",
            where=where,
            remedy="Check --crs.",
        ) from error


def _finish(job: Job, geometry: Any) -> Any:
    bounds = geometry.bounds
    out = (
        ~np.isfinite(bounds.to_numpy()).all(axis=1)
        & geometry.notna().to_numpy()
        & ~geometry.is_empty.to_numpy()
    )
    if len(out) and out.all():
        raise IntakeError(
            f"The coordinates are not of {job.crs or 'the coordinate system named'}.",
            where=job.where,
            remedy="Check --crs.",
        )
    job.refusals.add(out, "position lies outside its coordinate system")
    return geometry


def geodesic_length(lines: Any) -> pd.Series:
    """Length on the ground [m] of lines in WGS84 (Karney's geodesics through pyproj)."""
    geod = pyproj.Geod(ellps="WGS84")
    lengths = [geod.geometry_length(one) if one is not None and not one.is_empty else np.nan for one in lines]
    return pd.Series(lengths, dtype="float64")
