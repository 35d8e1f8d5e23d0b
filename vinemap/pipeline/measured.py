"""What an assessment has measured, before any money: kept on disk so that a plan need not redo the maps."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa

from vinemap.decline import Decline, DeclineDraws
from vinemap.errors import StoreError
from vinemap.pipeline.cache import read_words, write_words
from vinemap.tables import read_plain

FORMAT = 3
# What reading a file that was cut short may raise.
DAMAGE = (OSError, ValueError, KeyError, TypeError, EOFError, BadZipFile, zlib.error, pa.ArrowException)
FRAMES = ("blocks", "rows", "zones", "segments", "stand", "settlement", "renewed")
DECLINE_FRAMES = ("zones", "zone_vintage", "forecast", "vintage_effects", "scales", "slopes")


@dataclass(frozen=True, slots=True)
class Measured:
    """Blocks, zones, rows, decline and its draws; the notes and reports that go with them.

    Attributes
    ----------
    vintage : int
        The assessment is as after this vintage.
    blocks, rows, zones, segments : geopandas.GeoDataFrame
        Prepared blocks, `tables.ROWS`, `tables.ZONES` and row segments, in the estate CRS.
    stand, settlement, renewed : pandas.DataFrame
        Counts by zone and vintage; audit against loads; renewals done by zone.
    decline : Decline
    reports : dict
        Cleaning, settlement, surface and zone reports, as JSON holds them.
    notes : list of str
        What weakens the result, in words.
    """

    vintage: int
    blocks: gpd.GeoDataFrame
    rows: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    segments: gpd.GeoDataFrame
    stand: pd.DataFrame
    settlement: pd.DataFrame
    renewed: pd.DataFrame
    decline: Decline
    reports: dict[str, Any]
    notes: list[str]


def save_measured(measured: Measured, folder: Path) -> None:
    """Write to `folder`, which is made; files already there are replaced.

    Parameters
    ----------
    measured : Measured
    folder : pathlib.Path
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name in FRAMES:
        getattr(measured, name).to_parquet(folder / f"{name}.parquet")
    for name in DECLINE_FRAMES:
        getattr(measured.decline, name).to_parquet(folder / f"decline_{name}.parquet")
    draws = measured.decline.draws
    arrays: dict[str, Any] = {one.name: np.asarray(getattr(draws, one.name)) for one in fields(draws)}
    np.savez_compressed(folder / "draws.npz", **arrays)
    words = {
        "format": FORMAT,
        "vintage": measured.vintage,
        "reports": measured.reports,
        "notes": measured.notes,
        "decline_notes": measured.decline.notes,
    }
    write_words(folder / "measured.json", words)


def load_measured(folder: Path) -> Measured:
    """Read what `save_measured` wrote.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    Measured

    Raises
    ------
    StoreError
        If there is no finished assessment, or one that is damaged or of another format.
    """
    if not (folder / "measured.json").exists():
        raise StoreError(
            "There is no assessment yet.", where=str(folder.parent), remedy="Run vinemap assess first."
        )
    try:
        return _load(folder)
    except DAMAGE as error:
        raise StoreError(
            f"The assessment cannot be read: {str(error)[:200]}.",
            where=str(folder.parent),
            remedy="Run vinemap assess again.",
        ) from error


def _load(folder: Path) -> Measured:
    words = read_words(folder / "measured.json")
    if words["format"] != FORMAT:
        raise StoreError(
            f"The assessment is of format {words['format']}, this version reads {FORMAT}.",
            where=str(folder.parent),
            remedy="Run vinemap assess again.",
        )
    frames = {name: _read(folder / f"{name}.parquet") for name in FRAMES}
    parts = {name: _read(folder / f"decline_{name}.parquet") for name in DECLINE_FRAMES}
    with (folder / "draws.npz").open("rb") as file, np.load(file) as arrays:
        loaded = {name: arrays[name] for name in arrays.files}
    loaded["zone_ids"] = [str(one) for one in loaded["zone_ids"]]
    decline = Decline(**parts, draws=DeclineDraws(**loaded), notes=words["decline_notes"])
    return Measured(
        vintage=int(words["vintage"]),
        decline=decline,
        reports=words["reports"],
        notes=words["notes"],
        **frames,
    )


def _read(path: Path) -> pd.DataFrame:
    try:
        located: pd.DataFrame = gpd.read_parquet(path)
        return located
    except ValueError:  # no geometry in it
        return read_plain(path)
