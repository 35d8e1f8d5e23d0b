"""Images of canopy vigour on the grid of a block: made in one coordinate system, read in another."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely

from vinemap.errors import DataError, StoreError
from vinemap.estate import create_estate
from vinemap.intake import read_frame, read_source
from vinemap.land import grid_over, mask_inside

UTM = "EPSG:32754"
WEST, NORTH = 454_000.0, 6_216_000.0
ESTATE = pyproj.CRS("EPSG:9473")


@pytest.fixture
def store(tmp_path):
    outline = gpd.GeoSeries([shapely.box(WEST + 40, NORTH - 160, WEST + 160, NORTH - 40)], crs=UTM)
    blocks = gpd.GeoDataFrame(
        {"block_id": ["A1"], "row_spacing_m": 3.0, "vine_spacing_m": 2.0}, geometry=outline.to_crs(4326)
    )
    out = create_estate(tmp_path / "estate")
    out.add(read_frame(blocks, "blocks"))
    return out


def zones(store) -> gpd.GeoDataFrame:
    """Western and eastern half of the block, in the estate CRS."""
    halves = [shapely.box(WEST + 40 + 60 * n, NORTH - 160, WEST + 100 + 60 * n, NORTH - 40) for n in (0, 1)]
    frame = gpd.GeoDataFrame({"zone_id": ["A1-Z1", "A1-Z2"]}, geometry=halves, crs=UTM)
    return frame.to_crs(store.crs())


def field(easting, northing):
    """Vigour that rises by 0.1 in a hundred metres to the east."""
    return 0.4 + 0.001 * (easting - WEST) + 0.0 * northing


def level(value: float):
    """One value everywhere."""
    return lambda easting, northing: np.full_like(easting + northing, value)


def image(file, bands, *, pixel_m=1.0, crs=UTM, names=(), nodata=None, size_m=200.0, **profile) -> None:
    """Write bands that are functions of easting and northing [m] as a GeoTIFF."""
    count = round(size_m / pixel_m)
    x = WEST + pixel_m * (np.arange(count) + 0.5)
    y = NORTH - pixel_m * (np.arange(count) + 0.5)
    east, north = np.meshgrid(x, y)
    transform = rasterio.Affine(pixel_m, 0.0, WEST, 0.0, -pixel_m, NORTH)
    layout = {"driver": "GTiff", "width": count, "height": count, "count": len(bands), "dtype": "float32"}
    with rasterio.open(file, "w", crs=crs, transform=transform, nodata=nodata, **(layout | profile)) as sink:
        for place, band in enumerate(bands, 1):
            sink.write(np.asarray(band(east, north)).astype(layout["dtype"]), place)
            if names:
                sink.set_band_description(place, names[place - 1])


def expected(spec):
    """The field at the cell centres, by pyproj alone."""
    turn = pyproj.Transformer.from_crs(spec.crs, UTM, always_xy=True)
    return field(*turn.transform(*spec.centres()))


@pytest.mark.parametrize("pixel_m", [0.25, 1.0, 5.0], ids=["drone", "aeroplane", "satellite"])
def test_field_is_recovered_on_the_estates_grid(store, tmp_path, pixel_m):
    image(tmp_path / "vigour_2026-01-15.tif", [field], pixel_m=pixel_m)
    store.add(read_source(tmp_path / "vigour_2026-01-15.tif", "imagery"))
    outline = store.blocks().to_crs(store.crs()).geometry.iloc[0]
    spec = grid_over(outline, cell_m=2.0, crs=store.crs())
    (seen,) = store.canopy_vigour(spec)
    assert (seen.vintage, seen.date, seen.measure) == (2026, "2026-01-15", "the only band")
    inside = mask_inside(spec, outline)
    assert np.isfinite(seen.grid.values[inside]).all()
    # Pixels are squares of one value: a cell differs from the field by no more than half of the larger.
    most = 0.001 * max(pixel_m, 2.0)
    assert np.abs(seen.grid.values - expected(spec))[inside].max() < most
    assert abs(np.mean((seen.grid.values - expected(spec))[inside])) < 2e-5


def test_several_bands_near_infrared_and_red_give_their_normalised_difference(store, tmp_path):
    """(nir - red) / (nir + red), Rouse et al. 1974; bands are told by their names, red edge is not red."""
    bands = [
        level(9.0),
        level(0.9),
        level(0.1),
        level(0.5),
    ]
    file = tmp_path / "canopy_20251210.tif"
    image(file, bands, names=["Blue", "Red edge", "Red", "NIR"])
    store.add(read_source(file, "imagery"))
    spec = grid_over(zones(store).geometry.union_all(), cell_m=2.0, crs=store.crs())
    (seen,) = store.canopy_vigour(spec)
    assert seen.measure == "NDVI of 'NIR' and 'Red'"
    np.testing.assert_allclose(seen.grid.values[np.isfinite(seen.grid.values)], 0.4 / 0.6, rtol=1e-6)
    assert (seen.vintage, seen.date) == (2026, "2025-12-10")  # the southern summer before the harvest


def test_band_described_as_an_index_is_taken_with_its_scale(store, tmp_path):
    file = tmp_path / "canopy_2026-01-15.tif"
    bands = [level(5), level(7000)]
    image(file, bands, names=["red", "NDVI"], dtype="int16")
    with rasterio.open(file, "r+") as sink:
        sink.scales = (1.0, 1e-4)
    store.add(read_source(file, "imagery"))
    (seen,) = store.canopy_vigour(grid_over(zones(store).geometry.union_all(), cell_m=2.0, crs=store.crs()))
    assert seen.measure == "NDVI"
    assert np.nanmean(seen.grid.values) == pytest.approx(0.7, abs=1e-6)


def test_cells_without_data_stay_empty(store, tmp_path):
    """No-data pixels, and ground that the image does not reach."""
    file = tmp_path / "canopy_2026-01-15.tif"
    image(file, [lambda e, n: np.where(e + 0 * n < WEST + 100, -9999.0, 0.6)], nodata=-9999.0, size_m=130.0)
    store.add(read_source(file, "imagery"))
    spec = grid_over(zones(store).geometry.union_all(), cell_m=2.0, crs=store.crs())
    (seen,) = store.canopy_vigour(spec)
    east, north = pyproj.Transformer.from_crs(spec.crs, UTM, always_xy=True).transform(*spec.centres())
    shown = (east > WEST + 102) & (east < WEST + 128) & (north > NORTH - 128)
    hidden = (east < WEST + 98) | (east > WEST + 132) | (north < NORTH - 132)
    np.testing.assert_allclose(seen.grid.values[shown], 0.6, rtol=1e-6)
    assert np.isnan(seen.grid.values[hidden]).all()


def test_zones_by_vintage_against_the_mean_of_the_block(store, tmp_path):
    """Halves whose mean field is 0.47 and 0.53; a second image of other light has the same ratios."""
    image(tmp_path / "a_2026-01-10.tif", [field])
    image(tmp_path / "b_2026-02-10.tif", [lambda e, n: 2.0 * field(e, n)])
    image(tmp_path / "c_2025-01-10.tif", [level(0.5)])
    for name in ("a_2026-01-10.tif", "b_2026-02-10.tif", "c_2025-01-10.tif"):
        store.add(read_source(tmp_path / name, "imagery"))
    seen = store.zone_vigour(zones(store)).set_index(["zone_id", "vintage"])
    assert seen.loc[("A1-Z1", 2026), "relative_vigour"] == pytest.approx(0.47 / 0.50, abs=0.002)
    assert seen.loc[("A1-Z2", 2026), "relative_vigour"] == pytest.approx(0.53 / 0.50, abs=0.002)
    assert seen["images"].to_dict()[("A1-Z1", 2026)] == 2
    assert seen.loc[("A1-Z1", 2025), "relative_vigour"] == pytest.approx(1.0, abs=1e-6)
    only = store.zone_vigour(zones(store), vintage=2025)
    assert only["vintage"].unique().tolist() == [2025]


def test_no_image_and_images_elsewhere_give_nothing(store, tmp_path):
    assert store.zone_vigour(zones(store)).empty
    image(tmp_path / "a_2026-01-10.tif", [field])
    store.add(read_source(tmp_path / "a_2026-01-10.tif", "imagery"))
    away = zones(store).translate(5_000.0)
    assert store.zone_vigour(gpd.GeoDataFrame({"zone_id": ["x", "y"]}, geometry=away)).empty


def test_what_cannot_be_used_is_told(store, tmp_path):
    with pytest.raises(DataError, match="zones name no coordinate system"):
        store.zone_vigour(zones(store).set_crs(None, allow_override=True))
    image(tmp_path / "a_2026-01-10.tif", [field])
    store.add(read_source(tmp_path / "a_2026-01-10.tif", "imagery"))
    (store.folder / store.imagery()["path"].iloc[0]).write_bytes(b"II*\0 no longer")
    with pytest.raises(StoreError, match=r"image cannot be read.* undo its import and add the image again"):
        store.zone_vigour(zones(store))
