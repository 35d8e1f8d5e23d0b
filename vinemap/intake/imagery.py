"""Imagery: a GeoTIFF of canopy vigour is checked and kept as it is."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import rasterio
from rasterio._err import CPLE_BaseError  # what PROJ and GDAL say while places are turned
from rasterio.errors import RasterioError
from rasterio.warp import transform_bounds

from vinemap.errors import IntakeError
from vinemap.intake.archive import hash_file
from vinemap.intake.positions import check_crs, no_crs
from vinemap.taken import Guess, Intake, refused_table

_DAY = re.compile(r"(?<!\d)((?:19|20)\d{2})[-_.]?(0[1-9]|1[0-2])[-_.]?(0[1-9]|[12]\d|3[01])(?!\d)")
SEASON_STARTS = 7  # month in which the southern growing season is counted on; common practice, no source
MAX_PIXELS = 4_000_000_000


def read_imagery(path: Path, *, vintage: int = 0, crs: str | int | None = None) -> Intake:
    """Check one GeoTIFF.

    Parameters
    ----------
    path : pathlib.Path
    vintage : int
        0 to take the year of the date.
    crs : str or int, optional
        CRS of a file that names none.

    Returns
    -------
    Intake
        One row: size, bands, CRS, bounds in WGS84 [degrees], date by the file's tags, else by its name.

    Raises
    ------
    IntakeError
        If it is not a raster, or has no CRS or place.
    """
    try:
        with rasterio.open(path) as source:
            return _describe(source, path, vintage, _crs_of(source, path, crs))
    except (RasterioError, CPLE_BaseError) as error:
        raise IntakeError(
            "It is not a raster image, or damaged.", where=path.name, remedy="Export it again as a GeoTIFF."
        ) from error


def _crs_of(source: rasterio.DatasetReader, path: Path, crs: str | int | None) -> str:
    """Name the CRS of an image that has its place on the map: its own, else the one that the user names."""
    if source.crs is None and crs in (None, ""):
        raise no_crs(path.name, "The image names no coordinate system.")
    if source.transform.is_identity or source.width * source.height > MAX_PIXELS:
        raise IntakeError(
            f"The image has no place on the map or is too large ({source.width} x {source.height} pixels).",
            where=path.name,
            remedy="Export it as a GeoTIFF with its place, in parts if need be.",
        )
    return str((source.crs if source.crs is not None else check_crs(str(crs), path.name)).to_string())


def _describe(source: rasterio.DatasetReader, path: Path, vintage: int, crs: str) -> Intake:
    bounds = transform_bounds(crs, "EPSG:4326", *source.bounds)
    day, why = _date_of(source, path)
    notes = (
        []
        if day
        else ["The image has no date in its tags or name: name the file like canopy_2026-01-15.tif."]
    )
    row = {
        "file": path.name,
        "date": day,
        "vintage": vintage or _vintage_of(day, (bounds[1] + bounds[3]) / 2),
        "bands": source.count,
        "width": source.width,
        "height": source.height,
        "pixel_size": float(source.res[0]),
        "crs": crs,
        "west": bounds[0],
        "south": bounds[1],
        "east": bounds[2],
        "north": bounds[3],
        "import_id": 0,
    }
    guesses = [Guess("date", why, "", 0.9 if why == "tag" else 0.7, f"from the {why}")] if day else []
    return Intake(
        pd.DataFrame([row]),
        refused_table(),
        guesses,
        notes,
        1,
        f"raster ({source.driver}, {source.count} bands)",
        "imagery",
        path.name,
        hash_file(path),
        vintage,
        path,
        {"crs": crs, "headers": [text or "" for text in source.descriptions]},
    )


def _vintage_of(day: str, latitude: float) -> int:
    """Year of the harvest that the canopy of a day bears: south of the equator the next one, from July on.

    Examples
    --------
    >>> _vintage_of("2025-12-10", -34.2), _vintage_of("2025-08-10", 44.0), _vintage_of("", 44.0)
    (2026, 2025, 0)
    """
    if not day:
        return 0
    year, month = int(day[:4]), int(day[5:7])
    return year + 1 if latitude < 0 and month >= SEASON_STARTS else year


def _date_of(source: rasterio.DatasetReader, path: Path) -> tuple[str, str]:
    tag = str(source.tags().get("TIFFTAG_DATETIME", "")).replace(":", "-")
    for text, why in ((tag, "tag"), (path.stem, "name")):
        found = _DAY.search(text)
        if found:
            return "-".join(found.groups()), why
    return "", ""
