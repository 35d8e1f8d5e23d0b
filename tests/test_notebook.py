"""The notebook face: tables that know their units, small map, surfaces as arrays."""

from __future__ import annotations

import re
from types import SimpleNamespace
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pytest
import shapely

from vinemap import tables
from vinemap.publish import EstateLabel, attach_units, draw_estate, open_surface, show_result, write_surface

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def layers() -> dict[str, gpd.GeoDataFrame]:
    """Two blocks of an invented estate with three zones, one of them with an awkward name."""
    west = 930_000.0
    shapes = [shapely.box(west, 0, west + 60, 200), shapely.box(west + 60, 0, west + 200, 200),
              shapely.box(west + 220, 0, west + 400, 200)]  # fmt: skip
    zone = gpd.GeoDataFrame(
        {
            "zone_id": ["A-Z1", "A-Z2", "<B>&-Z1"],
            "advice": ["renew", "keep", "scout"],
            "area_ha": [1.2, 2.8, 3.6],
            "gain_per_ha": [9000.0, -400.0, 100.0],
        },
        geometry=shapes,
        crs="EPSG:9473",
    )
    block = gpd.GeoDataFrame(
        {"block_id": ["A", "B"]}, geometry=[shapely.box(west, 0, west + 200, 200), shapes[2]], crs="EPSG:9473"
    )
    return {"zone": zone, "block": block}


def test_units_meanings_and_crs_are_attributes(layers):
    typed = attach_units(layers["zone"], "zone", currency="AUD")
    assert isinstance(typed, gpd.GeoDataFrame)
    assert typed.attrs["units"] == {"zone_id": "", "advice": "", "area_ha": "ha", "gain_per_ha": "AUD/ha"}
    assert typed.attrs["meanings"]["area_ha"] == tables.ZONE.column("area_ha").meaning
    assert typed.attrs["crs"] == "EPSG:9473"
    assert layers["zone"].attrs == {}


def test_attributes_survive_parquet(layers, tmp_path):
    attach_units(layers["zone"], tables.ZONE).to_parquet(tmp_path / "zone.parquet")
    assert gpd.read_parquet(tmp_path / "zone.parquet").attrs["units"]["gain_per_ha"] == "currency/ha"


def test_local_crs_without_a_code_is_given_in_full(layers):
    local = layers["zone"].to_crs("+proj=laea +lat_0=-34.4 +lon_0=142.2 +ellps=GRS80 +units=m")
    assert attach_units(local, "zone").attrs["crs"].startswith("PROJCRS")


@pytest.mark.parametrize("table", tables.OUTPUTS, ids=lambda one: one.name)
def test_every_documented_column_has_an_entry(table):
    empty = tables.empty_table(table, crs="EPSG:9473")
    assert list(attach_units(empty, table).attrs["units"]) == table.names


def test_unknown_table_is_refused(layers):
    with pytest.raises(KeyError, match="zones"):
        attach_units(layers["zone"], "zones")


def test_map_shows_every_zone_by_its_advice_and_nothing_runs(layers):
    root = ElementTree.fromstring(draw_estate(layers))
    zones = [one for one in root.iter(f"{SVG}path") if one.find(f"{SVG}title") is not None]
    assert [one.get("fill") for one in zones] == [
        f"url(#hatch-{one}" + ")" for one in ("renew", "keep", "scout")
    ]
    assert zones[2].findtext(f"{SVG}title") == "<B>&-Z1: scout, 3.60 ha"
    assert [one.text for one in root.iter(f"{SVG}text")] == ["R", "K", "S"]
    assert root.get("aria-label") == "renew 1, scout 1, watch 0, keep 1"
    assert not list(root.iter(f"{SVG}script"))


def test_map_lies_within_its_frame(layers):
    root = ElementTree.fromstring(draw_estate(layers, width=300))
    numbers = [
        float(one) for path in root.findall(f"{SVG}path") for one in re.findall(r"[\d.]+", path.get("d", ""))
    ]
    assert 0 <= min(numbers) <= max(numbers) <= 300
    assert float(root.get("height", "nan")) == pytest.approx(292 / 2 + 8, abs=1)


def test_cell_shows_hectares_with_their_unit(layers):
    html = show_result(
        layers, estate=EstateLabel("<Brolga> Reach", "AUD", "us"), vintage=2026, folder="out/2026"
    )
    assert "&lt;Brolga&gt; Reach" in html
    assert "3.0\xa0acres" in html  # 1.2 ha
    assert "<svg" in html


def test_no_zones_give_no_map(layers):
    assert draw_estate({**layers, "zone": layers["zone"].iloc[:0]}) == ""


@pytest.mark.filterwarnings("ignore::PendingDeprecationWarning")  # within rioxarray
def test_surface_opens_as_an_array_with_its_unit(tmp_path):
    pytest.importorskip("rioxarray", reason="rioxarray opens surfaces as xarray arrays")
    values = np.arange(48.0).reshape(6, 8)
    values[0, 0] = np.nan
    grid = SimpleNamespace(
        values=values, spec=SimpleNamespace(crs="EPSG:9473", west=930_000.0, north=0.0, cell_m=2.0)
    )
    path = write_surface(
        tmp_path / "a.tif",
        {"yield": grid, "standard error": grid},
        units="t/ha",
        vintage=2026,
        description="x",
    )
    array = open_surface(path)
    assert list(array["band"].values) == ["yield", "standard error"]
    assert array.rio.crs.to_epsg() == 9473
    assert array.attrs["VINTAGE"] == 2026
    np.testing.assert_allclose(array.sel(band="yield"), values)
