"""Row segments: whole vine places, every one in exactly one zone."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely import Polygon, affinity, box

from vinemap.errors import GeometryError
from vinemap.land import lay_rows, place_vines, segment_rows

AUSTRALIA = CRS.from_epsg(9473)
PLACE = (770_000.0, -3_765_000.0)


def _rows(outline, bearing=15.0, block_id="A1"):
    return lay_rows(
        outline, block_id=block_id, row_spacing_m=3.0, vine_spacing_m=2.1, bearing_deg=bearing, crs=AUSTRALIA
    )


def _zones(*outlines, block_id="A1"):
    names = [f"{block_id}-Z{index + 1}" for index in range(len(outlines))]
    return gpd.GeoDataFrame({"zone_id": names, "block_id": block_id}, geometry=list(outlines), crs=AUSTRALIA)


def _check_complete(rows, segments):
    """Every place of every row once, segments in order, lengths adding up, lines where they belong."""
    for row in rows.itertuples():
        own = segments[segments["row_id"] == row.row_id]
        places = np.concatenate(
            [np.arange(a, b + 1) for a, b in zip(own["from_vine"], own["to_vine"], strict=True)]
        )
        assert places.tolist() == list(range(1, row.vines + 1))
        assert own["length_m"].sum() == pytest.approx(row.length_m)
        assert (own["zone_id"].to_numpy()[1:] != own["zone_id"].to_numpy()[:-1]).all()
        assert own.geometry.length.sum() == pytest.approx(row.geometry.length)
    assert (segments["vines"] == segments["to_vine"] - segments["from_vine"] + 1).all()


@settings(max_examples=20, deadline=None)
@given(cut_a=st.floats(0.1, 0.9), cut_b=st.floats(0.1, 0.9), bearing=st.floats(0, 180))
def test_nothing_is_lost_and_centres_decide(cut_a, cut_b, bearing):
    block = affinity.translate(box(0, 0, 90, 150), *PLACE)
    west, south, _, north = block.bounds
    left = Polygon([(west, south), (west + cut_a * 90, south), (west + cut_b * 90, north), (west, north)])
    zones = _zones(left, block.difference(left))
    rows = _rows(block, bearing)
    segments = segment_rows(rows, zones)
    _check_complete(rows, segments)
    for one in segments.iloc[:: max(len(segments) // 20, 1)].itertuples():
        row = rows[rows["row_id"] == one.row_id].iloc[0]
        share = place_vines([one.from_vine, one.to_vine], length_m=1.0, vines=row["vines"])
        centres = shapely.line_interpolate_point(row.geometry, share, normalized=True)
        zone = zones.set_index("zone_id").geometry[one.zone_id]
        assert (shapely.distance(zone, centres) < 1e-6).all()


def test_vines_of_zones_are_area_times_density():
    """Segments of a zone hold its area over 3.0 m x 2.1 m, within 2 %."""
    block = affinity.translate(box(0, 0, 180, 240), *PLACE)
    west, south, east, north = block.bounds
    zones = _zones(box(west, south, west + 60, north), box(west + 60, south, east, north))
    segments = segment_rows(_rows(block, 70.0), zones)
    vines = segments.groupby("zone_id")["vines"].sum()
    assert vines.to_numpy() == pytest.approx(zones.area.to_numpy() / (3.0 * 2.1), rel=0.02)


def test_ragged_border_falls_to_the_nearest_zone():
    """Zones of whole grid cells leave up to a cell at the outline's edge without a zone."""
    block = affinity.translate(box(0, 0, 90, 150), *PLACE)
    west, south, east, north = block.bounds
    zones = _zones(
        box(west + 4, south + 6, west + 44, north - 7), box(west + 44, south + 6, east - 3, north - 7)
    )
    rows = _rows(block, 15.0)
    segments = segment_rows(rows, zones)
    _check_complete(rows, segments)
    assert set(segments["zone_id"]) == {"A1-Z1", "A1-Z2"}


def test_no_vines_stand_in_the_gap_of_a_row():
    """Rows across a 60 m dam: places over water are in no segment, all others are."""
    dam = box(30, 45, 60, 105)
    block = affinity.translate(Polygon(box(0, 0, 90, 150).exterior.coords, [dam.exterior.coords]), *PLACE)
    rows = _rows(block, 0.0)
    segments = segment_rows(rows, _zones(block))
    wet = rows.loc[rows["gap_m"] > 0, "row_id"]
    assert len(wet) == 10
    dry = segments[~segments["row_id"].isin(wet)]
    assert (dry["from_vine"] == 1).all()
    assert dry["vines"].tolist() == rows.loc[~rows["row_id"].isin(wet), "vines"].tolist()
    assert (segments[segments["row_id"].isin(wet)].groupby("row_id").size() == 2).all()
    lost = rows["vines"].sum() - segments["vines"].sum()
    assert lost == pytest.approx(10 * 60 / 2.1, abs=10)
    assert segments["vines"].sum() * 3.0 * 2.1 == pytest.approx(block.area, rel=0.01)


def test_zones_of_another_block_are_not_considered():
    one, two = affinity.translate(box(0, 0, 60, 60), *PLACE), affinity.translate(box(55, 0, 120, 60), *PLACE)
    rows = gpd.pd.concat([_rows(one, 0.0, "A1"), _rows(two, 0.0, "B2")])
    zones = gpd.pd.concat([_zones(one), _zones(two, block_id="B2")])
    segments = segment_rows(rows, zones)
    assert (segments["zone_id"].str[:2] == segments["block_id"]).all()
    assert list(segments.columns[:3]) == ["row_id", "block_id", "zone_id"]
    assert segments.crs == AUSTRALIA


def test_missing_zones_and_unlike_crs_are_refused():
    block = affinity.translate(box(0, 0, 60, 60), *PLACE)
    rows, zones = _rows(block), _zones(block)
    with pytest.raises(GeometryError, match=r"rows but no zone for block A1\."):
        segment_rows(rows, _zones(block, block_id="B2"))
    with pytest.raises(GeometryError, match=r"Rows are in GDA2020 / Australian Albers, zones in WGS 84"):
        segment_rows(rows, zones.to_crs(4326))
    with pytest.raises(GeometryError, match="There are no zones"):
        segment_rows(rows, zones.iloc[:0])
    with pytest.raises(GeometryError, match="There are no vine rows"):
        segment_rows(rows.iloc[:0], zones)
