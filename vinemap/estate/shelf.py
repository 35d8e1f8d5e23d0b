"""What an estate folder holds, as tables: the reading side of the store."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd
import pyproj
from pyproj.exceptions import CRSError

from vinemap import land
from vinemap.errors import DataError, GeometryError, SettingsError
from vinemap.estate import layout
from vinemap.estate.checks import find_strays, verify_store
from vinemap.estate.ledger import read_ledger
from vinemap.estate.reading_files import index_harvest, list_harvest
from vinemap.estate.reference import read_reference
from vinemap.estate.settings import Settings, load_settings
from vinemap.tables import BLOCKS, DRAWN_ZONES, READINGS, RENEWALS, ROWS, read_plain

if TYPE_CHECKING:
    from vinemap.estate.vigour import Vigour

IMAGERY_INDEX = f"{layout.IMAGERY}/index.parquet"


class EstateTables:
    """Tables of an estate folder; whatever reads one raises StoreError if its file is damaged.

    Parameters
    ----------
    folder : pathlib.Path
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._settings: Settings | None = None

    @property
    def settings(self) -> Settings:
        """Settings out of estate.toml, read once; SettingsError if they are wrong."""
        if self._settings is None:
            self._settings = load_settings(self.folder)
        return self._settings

    def crs(self) -> pyproj.CRS:
        """Equal-area CRS [m] of the estate: set in estate.toml, else chosen when the first blocks came.

        Raises
        ------
        SettingsError
            If the one set in estate.toml does not exist or is not in metres.
        DataError
            If there are no blocks yet.
        """
        if self.settings.estate.crs:
            return _named_crs(self.settings.estate.crs)
        file = self.folder / layout.CRS_FILE
        if file.is_file():
            return pyproj.CRS.from_json_dict(json.loads(file.read_text(encoding="utf-8")))
        blocks = self.blocks()
        if not len(blocks):
            raise DataError(
                "There are no blocks yet.", where=str(self.folder), remedy="Add outlines: vinemap add blocks."
            )
        return land.choose_crs(blocks)

    def blocks(self) -> gpd.GeoDataFrame:
        """Blocks in WGS84."""
        return layout.read_table(self.folder, layout.BLOCKS_FILE, BLOCKS)

    def rows(self) -> gpd.GeoDataFrame:
        """Vine rows in WGS84, as imported; empty where rows are laid from the settings of a block."""
        return layout.read_table(self.folder, layout.ROWS_FILE, ROWS)

    def readings(self, vintage: int, block_id: str) -> gpd.GeoDataFrame:
        """Give the readings of one block and vintage in WGS84, by time; empty if there are none."""
        table = layout.read_table(self.folder, layout.harvest_file(vintage, block_id), READINGS)
        return table.sort_values(["time", "reading_id"], ignore_index=True)

    def harvest_index(self) -> pd.DataFrame:
        """List what readings are stored: vintage, block_id, readings, machines, first, last."""
        return index_harvest(self.folder)

    def harvest_keys(self) -> list[tuple[int, str]]:
        """List (vintage, block_id) of what readings are stored, without reading any."""
        return list_harvest(self.folder)

    def loads(self) -> pd.DataFrame:
        """Weighed loads of all vintages."""
        return self._parts(layout.LOADS)

    def counts(self) -> pd.DataFrame:
        """Row counts of all vintages."""
        return self._parts(layout.COUNTS)

    def renewals(self) -> pd.DataFrame:
        """Renewals done."""
        return layout.read_table(self.folder, layout.RENEWALS_FILE, RENEWALS)

    def drawn_zones(self) -> gpd.GeoDataFrame:
        """Zones drawn by hand, in WGS84: of each block those of the last import that holds it."""
        out: gpd.GeoDataFrame = layout.no_rows(DRAWN_ZONES)
        for one in layout.list_parts(self.folder, "zones"):
            new = layout.read_table(self.folder, one, DRAWN_ZONES)
            kept = out[~out["block_id"].isin(new["block_id"])]
            out = (
                new if not len(kept) else kept if not len(new) else pd.concat([kept, new], ignore_index=True)
            )
        return out

    def remarks(self) -> pd.DataFrame:
        """Give notes from columns that people added: layer, id, column, value; the last one stands."""
        rows = [
            row
            for one in sorted((self.folder / layout.IMPORTS).glob("zones-*.remarks.json"))
            for row in json.loads(one.read_text(encoding="utf-8"))
        ]
        frame = pd.DataFrame(rows, columns=["layer", "id", "column", "value"])
        return frame.drop_duplicates(["layer", "id", "column"], keep="last", ignore_index=True)

    def reference_path(self) -> Path | None:
        """File of the outside series of district yields: as set, else reference.csv if it is there."""
        if self.settings.decline.reference_file:
            return self.folder / self.settings.decline.reference_file
        usual = self.folder / layout.REFERENCE_FILE
        return usual if usual.is_file() else None

    def reference(self) -> pd.DataFrame:
        """Outside series of district yields: vintage, variety and a value; empty if there is none.

        Raises
        ------
        DataError
            If the file cannot be read or used.
        """
        path = self.reference_path()
        return read_reference(path) if path else pd.DataFrame(columns=["vintage", "variety", "yield_t_ha"])

    def imagery(self) -> pd.DataFrame:
        """Images stored: one line each, with ``path`` relative to the folder."""
        file = self.folder / IMAGERY_INDEX
        return (
            read_plain(file)
            if file.exists()
            else pd.DataFrame(columns=["file", "path", "date", "vintage", "import_id"])
        )

    def canopy_vigour(self, spec: land.GridSpec, *, vintage: int | None = None) -> list[Vigour]:
        """Canopy vigour on a grid, one for each image that reaches it; see `vinemap.estate.vigour`."""
        from vinemap.estate.vigour import canopy_vigour  # rasterio, for images only

        return canopy_vigour(self.folder, self._images(vintage), spec)

    def zone_vigour(self, zones: gpd.GeoDataFrame, *, vintage: int | None = None) -> pd.DataFrame:
        """Vigour of the zones of one block against its mean: zone_id, vintage, relative_vigour, images."""
        from vinemap.estate.vigour import zone_vigour

        return zone_vigour(self.folder, self._images(vintage), zones)

    def _images(self, vintage: int | None) -> pd.DataFrame:
        images = self.imagery()
        return images if vintage is None else images[images["vintage"] == vintage]

    def ledger(self) -> pd.DataFrame:
        """Every import, those taken back among them."""
        return read_ledger(self.folder)

    def output_folder(self, vintage: int) -> Path:
        """Folder of the results of a vintage; made if need be."""
        path = self.folder / layout.OUT / str(int(vintage))
        path.mkdir(parents=True, exist_ok=True)
        return path

    def verify(self) -> list[str]:
        """Check the store against its ledger; gives the problems in words, none if all is well."""
        return verify_store(self.folder) + find_strays(self.folder)

    def _parts(self, kind: str) -> pd.DataFrame:
        table = layout.PART_TABLES[kind]
        frames = [layout.read_table(self.folder, one, table) for one in layout.list_parts(self.folder, kind)]
        return pd.concat(frames, ignore_index=True) if frames else layout.no_rows(table)


def _named_crs(name: str) -> pyproj.CRS:
    """Coordinate system that estate.toml names."""
    try:
        return land.check_metre_crs(pyproj.CRS.from_user_input(name))
    except (CRSError, GeometryError) as error:
        unfit = error.what if isinstance(error, GeometryError) else f"There is no coordinate system {name!r}."
        raise SettingsError(
            unfit,
            where=f"{layout.SETTINGS_FILE}, estate.crs",
            remedy="Name one in metres, as in EPSG:9473, or empty the setting to have it chosen by place.",
        ) from error
