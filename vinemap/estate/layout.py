"""Where everything lies in an estate folder, and the version of that order."""

from __future__ import annotations

import json
import re
from functools import lru_cache
from pathlib import Path
from urllib.parse import quote, unquote

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import shapely

from vinemap import tables
from vinemap._version import __version__
from vinemap.errors import StoreError, TableError
from vinemap.tables import Table, check_table, empty_table

FORMAT = 1
FORMAT_FILE = "format.json"
SETTINGS_FILE = "estate.toml"
CRS_FILE = "crs.json"
BLOCKS_FILE = "blocks.parquet"
ROWS_FILE = "rows.parquet"
RENEWALS_FILE = "renewals.parquet"
REFERENCE_FILE = "reference.csv"  # put there by a person, like estate.toml
HARVEST = "harvest"
LOADS = "loads"
COUNTS = "counts"
IMAGERY = "imagery"
IMPORTS = (
    "imports"  # blocks and rows as each import gave them; blocks.parquet and rows.parquet follow from these
)
OUT = "out"
WGS84 = "EPSG:4326"
# Kinds of import that are kept as a file each, and the columns of these.
PART_TABLES = {
    "blocks": tables.BLOCKS,
    "rows": tables.ROWS,
    "zones": tables.DRAWN_ZONES,
    LOADS: tables.LOADS,
    COUNTS: tables.COUNTS,
}
_PART_NUMBER = re.compile(r"^\d{6,}\.parquet$")
_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)$", re.IGNORECASE)


def file_stem(block_id: str) -> str:
    """Name of a block as a file name that every system takes; `block_of` turns it back.

    Examples
    --------
    >>> file_stem("A 1/2"), file_stem("con"), block_of(file_stem("../x"))
    ('A 1%2F2', '%63on', '../x')
    """
    name = quote(block_id, safe=" -_").replace(".", "%2E").replace("~", "%7E")
    if _RESERVED.match(name):
        name = f"%{ord(name[0]):02X}{name[1:]}"
    if name.startswith(" "):
        name = "%20" + name[1:]
    return name[:-1] + "%20" if name.endswith(" ") else name


def block_of(stem: str) -> str:
    """Block whose readings lie in the file of this name."""
    return unquote(stem)


def harvest_file(vintage: int, block_id: str) -> str:
    """Path of the readings of one block and vintage, relative to the estate."""
    return f"{HARVEST}/{vintage}/{file_stem(block_id)}.parquet"


def part_file(kind: str, import_id: int) -> str:
    """Path of what one import of blocks, rows, zones, loads or counts gave, relative to the estate."""
    return f"{_part_start(kind)}{import_id:06d}.parquet"


def list_parts(folder: Path, kind: str) -> list[str]:
    """Paths of what all imports of a kind gave; files of a name that `part_file` does not give are strays."""
    start = _part_start(kind)
    paths = (one.relative_to(folder).as_posix() for one in folder.glob(f"{start}*.parquet"))
    return sorted(one for one in paths if _PART_NUMBER.match(one.removeprefix(start)))


def _part_start(kind: str) -> str:
    return f"{kind}/" if kind in (LOADS, COUNTS) else f"{IMPORTS}/{kind}-"


def format_text(version: int = FORMAT) -> str:
    """Content of the format file."""
    return json.dumps({"format": version, "made_by": f"vinemap {__version__}"}, indent=1) + "\n"


def read_format(folder: Path) -> int:
    """Give the format of an estate folder.

    Raises
    ------
    StoreError
        If it is no estate folder.
    """
    file = folder / FORMAT_FILE
    if not folder.is_dir() or not file.is_file():
        raise StoreError(
            "This is not an estate folder.", where=str(folder), remedy="Make one with vinemap new."
        )
    try:
        return int(json.loads(file.read_text(encoding="utf-8"))["format"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            "The file does not say the format of the folder.",
            where=str(file),
            remedy=f'Write {{"format": {FORMAT}}} into it if the folder was made by this version.',
        ) from error


def read_table(folder: Path, target: str, table: Table) -> pd.DataFrame:
    """Read one table of the store, empty if its file is not there.

    Parameters
    ----------
    folder : pathlib.Path
    target : str
        Path relative to the estate, with forward slashes.
    table : vinemap.tables.Table

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame

    Raises
    ------
    StoreError
        If the file is damaged, or was not written by vinemap.
    """
    file = folder / target
    if not file.exists():
        return no_rows(table)
    try:
        frame = _read_located(file) if table.geometry else tables.read_plain(file)
        return check_table(frame, table, where=target)
    except TableError as error:
        raise not_ours(file, error.what) from error
    except (pa.ArrowException, OSError, ValueError, KeyError) as error:
        raise damaged(file, error) from error


def no_rows(table: Table) -> pd.DataFrame:
    """Make a table of the store without rows; in WGS84 if it has a geometry."""
    return empty_table(table, crs=WGS84 if table.geometry else None)


def not_ours(file: Path, why: str) -> StoreError:
    """Refuse a file that bears a name of the estate's own but is not as vinemap writes it."""
    return StoreError(
        f"It is not as vinemap wrote it: {why.rstrip('.')}.",
        where=str(file),
        remedy="If you put it there, take it out of the folder and add it with vinemap add; else take the "
        "file back from a backup copy.",
    )


def _read_located(file: Path) -> gpd.GeoDataFrame:
    """Read as `geopandas.read_parquet`, but make a CRS once: of a file's description it takes 20 ms."""
    stored = pq.read_table(file)
    told = json.loads((stored.schema.metadata or {}).get(b"geo", "{}"))
    name = told.get("primary_column")
    own = told.get("columns", {}).get(name, {})
    if own.get("encoding") != "WKB" or not own.get("crs") or len(told["columns"]) > 1:
        return gpd.read_parquet(file)  # not as this store writes
    shapes = shapely.from_wkb(stored[name].to_numpy())
    crs = _crs_of(json.dumps(own["crs"]))
    return gpd.GeoDataFrame(stored.drop_columns([name]).to_pandas(), geometry=shapes, crs=crs)


@lru_cache(maxsize=16)
def _crs_of(description: str) -> pyproj.CRS:
    return pyproj.CRS.from_json(description)


def damaged(file: Path, error: Exception) -> StoreError:
    """Refuse to go on with a file of the estate that cannot be read."""
    return StoreError(
        f"It cannot be read: {describe_damage(error)}.",
        where=str(file),
        remedy="Take it back from a backup copy, or undo its import and add the source file again.",
    )


def describe_damage(error: Exception) -> str:
    """Say in words of this trade what a library says of a broken file.

    Examples
    --------
    >>> describe_damage(ValueError("Parquet magic bytes not found in footer. Either ..."))
    'it is damaged or cut off'
    """
    said = str(error)
    if any(sign in said for sign in ("magic bytes", "smaller than", "thrift", "Thrift", "footer", "zstd")):
        return "it is damaged or cut off"
    return said.splitlines()[0][:200].rstrip(". ") if said else type(error).__name__


def write_table(frame: pd.DataFrame, path: Path) -> None:
    """Write a table as (Geo)Parquet to a (staged) file."""
    frame.to_parquet(path, index=False, compression="zstd")
