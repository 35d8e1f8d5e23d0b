"""Stored tables with geometry: read as geopandas reads them, with a CRS that is made once."""

import geopandas as gpd
import pandas as pd
import pyproj
import pytest
import shapely

from vinemap.errors import StoreError
from vinemap.estate.layout import read_table, write_table
from vinemap.tables import DRAWN_ZONES


def drawn(crs: str, name: str = "A-Z1") -> gpd.GeoDataFrame:
    shape = shapely.box(143.2, -34.6, 143.21, -34.59)
    return gpd.GeoDataFrame(
        {"zone_id": [name], "block_id": ["A"], "import_id": [1]}, geometry=[shape], crs=crs
    )


@pytest.mark.parametrize("crs", ["EPSG:4326", "OGC:CRS84", "EPSG:7854"])
def test_as_geopandas_reads_it(tmp_path, crs):
    write_table(drawn(crs), tmp_path / "zones.parquet")
    seen = read_table(tmp_path, "zones.parquet", DRAWN_ZONES)
    whole = gpd.read_parquet(tmp_path / "zones.parquet")
    assert seen.crs == whole.crs == pyproj.CRS.from_user_input(crs)
    assert seen.geometry.geom_equals_exact(whole.geometry, 0).all()
    assert seen["zone_id"].tolist() == ["A-Z1"]


def test_two_tables_share_one_crs(tmp_path):
    for name in ("one", "two"):
        write_table(drawn("EPSG:4326", name), tmp_path / f"{name}.parquet")
    first, second = (read_table(tmp_path, f"{name}.parquet", DRAWN_ZONES) for name in ("one", "two"))
    assert first.crs is second.crs


def test_other_encodings_are_left_to_geopandas(tmp_path):
    drawn("EPSG:4326").to_parquet(tmp_path / "zones.parquet", geometry_encoding="geoarrow")
    seen = read_table(tmp_path, "zones.parquet", DRAWN_ZONES)
    assert seen.geometry.iloc[0].equals(drawn("EPSG:4326").geometry.iloc[0])


def test_a_table_that_lost_its_geometry_is_refused(tmp_path):
    pd.DataFrame({"zone_id": ["A-Z1"], "block_id": ["A"]}).to_parquet(tmp_path / "zones.parquet")
    with pytest.raises(StoreError, match="cannot be read") as told:
        read_table(tmp_path, "zones.parquet", DRAWN_ZONES)
    assert "zones.parquet" in str(told.value)
