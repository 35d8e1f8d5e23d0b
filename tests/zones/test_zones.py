"""Zones: geometry is exact, known zones come back, one zone is a legal answer."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from sklearn.metrics import adjusted_rand_score

from vinemap import tables
from vinemap.errors import DataError, GeometryError
from vinemap.land import Grid, segment_rows
from vinemap.zones import ZoneMap, find_zones, lay_cells

FALLING, POOR = 1, 2  # codes of the truth in conftest.py
LIMITS = {"min_area_ha": 0.3, "min_segment_m": 60.0, "max_zones": 6}


def zones_of(made, **changes) -> ZoneMap:
    return find_zones(
        made.surfaces, made.errors, made.rows, outline=made.outline, block_id="A", **(LIMITS | changes)
    )


def label(made, found: ZoneMap) -> np.ndarray:
    easting, northing = made.spec.centres()
    out = np.full(made.spec.shape, -1)
    for number, shape in enumerate(found.zones.geometry):
        out[shapely.contains_xy(shape, easting, northing)] = number
    return out


def agreement_with_truth(made, found: ZoneMap) -> float:
    labels = label(made, found)
    both = (made.truth >= 0) & (labels >= 0)
    return adjusted_rand_score(made.truth[both], labels[both])


def assert_exact_cover(found: ZoneMap, outline) -> None:
    shapes = found.zones.geometry.to_numpy()
    assert shapely.union_all(shapes).symmetric_difference(outline).area < 1e-4  # m2
    for first in range(len(shapes)):
        for second in range(first):
            assert shapes[first].intersection(shapes[second]).area < 1e-4
    assert set(found.zones.geom_type) == {"Polygon"}
    assert found.zones["area_ha"].sum() * 1e4 == pytest.approx(outline.area, abs=1e-3)


def test_zones_cover_the_outline_exactly(block):
    found = zones_of(block)
    assert_exact_cover(found, block.outline)
    tables.check_table(found.zones, tables.ZONES)
    assert found.zones.crs == block.rows.crs
    assert found.zones["vines"].sum() == block.rows["vines"].sum()


@pytest.mark.parametrize("notch", [(90.0, 130.0), (150.0, 260.0)])
def test_zones_cover_an_outline_with_a_notch(make_block, notch):
    made = make_block(2, notch=notch)
    assert_exact_cover(zones_of(made), made.outline)


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
@pytest.mark.parametrize("vintages", [5, 8])
def test_known_zones_come_back(make_block, seed, vintages):
    """A corner that lost 40 %, a patch 30 % below the rest; soil pattern and noise of 10 and 6 %."""
    made = make_block(seed, vintages=vintages)
    found = zones_of(made)
    assert agreement_with_truth(made, found) >= 0.7


def test_falling_and_always_poor_are_told_apart(block):
    found = zones_of(block)
    labels = label(block, found)
    falling = np.bincount(labels[(block.truth == FALLING) & (labels >= 0)]).argmax()
    poor = np.bincount(labels[(block.truth == POOR) & (labels >= 0)]).argmax()
    assert falling != poor
    profile = found.report.profile
    assert profile["change_pct"][falling] < -20 < profile["change_pct"][poor]
    assert profile["level_pct"][poor] < -15


def test_a_block_without_pattern_is_one_zone(make_block):
    made = make_block(4, "none")
    assert len(zones_of(made).zones) == 1


def test_one_vintage_gives_zones_by_level_and_says_so(make_block):
    made = make_block(1, vintages=1, soil=0.05)
    found = zones_of(made)
    labels = label(made, found)
    poor = made.truth == POOR
    assert np.mean(labels[poor] == np.bincount(labels[poor]).argmax()) > 0.9
    assert "Only vintage 2026" in found.report.notes[0]
    assert np.isnan(found.report.agreement)


def test_limits_are_kept(block):
    found = zones_of(block)
    assert (found.zones["area_ha"] >= LIMITS["min_area_ha"]).all()
    assert len(found.zones) <= LIMITS["max_zones"]
    cut = segment_rows(block.rows, found.zones)
    whole = cut.groupby("row_id")["length_m"].transform("sum")
    assert ((cut["length_m"] > LIMITS["min_segment_m"] - 4.0) | (cut["length_m"] > whole - 1e-6)).all()


def test_at_most_two_zones_where_two_are_asked_for(block):
    assert len(zones_of(block, max_zones=2).zones) <= 2


def test_missing_cells_and_a_missing_vintage_are_borne(block):
    surfaces = dict(block.surfaces)
    holed = surfaces[2024].values.copy()
    holed[: holed.shape[0] // 3] = np.nan
    surfaces[2024] = Grid(holed, block.spec)
    del surfaces[2022]
    found = find_zones(surfaces, block.errors, block.rows, outline=block.outline, block_id="A", **LIMITS)
    assert_exact_cover(found, block.outline)
    labels = label(block, found)
    both = (block.truth >= 0) & (labels >= 0)
    assert adjusted_rand_score(block.truth[both], labels[both]) > 0.7


def test_cells_never_seen_follow_their_neighbours(block):
    surfaces = {}
    for vintage, grid in block.surfaces.items():
        values = grid.values.copy()
        values[:, : values.shape[1] // 4] = np.nan
        surfaces[vintage] = Grid(values, block.spec)
    found = find_zones(surfaces, {}, block.rows, outline=block.outline, block_id="A", **LIMITS)
    assert_exact_cover(found, block.outline)
    assert found.report.cells_without_data > 0
    assert "hold no yield" in " ".join(found.report.notes)


def test_leaving_out_a_vintage_hardly_moves_the_zones(block):
    assert zones_of(block).report.agreement > 0.7


def test_ids_are_carried_over_by_overlap(block):
    first = zones_of(block).zones
    renamed = first.assign(zone_id=[f"A-Z{number + 10}" for number in range(len(first))])
    again = zones_of(block, previous=renamed).zones
    assert again["zone_id"].tolist() == renamed["zone_id"].tolist()


@pytest.mark.parametrize("moved_m", [-15.0, 15.0, 30.0])
def test_ids_stay_when_a_border_moves(block, moved_m):
    """Last year the falling zone was smaller or larger by a strip of 15 or 30 m: every zone keeps its id."""
    found = zones_of(block)
    falling = int(found.report.profile["change_pct"].idxmin())
    shapes = found.zones.geometry.tolist()
    grown = shapes[falling].buffer(moved_m, join_style="mitre").intersection(block.outline)
    rest = block.outline.difference(grown)
    before = [grown if place == falling else shape.intersection(rest) for place, shape in enumerate(shapes)]
    if moved_m < 0:  # what the falling zone gained since was of the largest
        largest = int(np.argmax([one.area for one in before]))
        before[largest] = before[largest].union(shapes[falling].difference(grown))
    names = [f"A-Z{number}" for number in (7, 3, 5)]
    old = gpd.GeoDataFrame({"zone_id": names}, geometry=before, crs=block.rows.crs)
    assert zones_of(block, previous=old).zones["zone_id"].tolist() == names


def test_a_zone_that_is_new_gets_an_id_never_used(block):
    """Last year there were two zones: the patch that fell since is new, the others keep their names."""
    found = zones_of(block)
    falling = int(found.report.profile["change_pct"].idxmin())
    poor = int(found.report.profile["level_pct"].where(found.zones.index != falling).idxmin())
    rest = block.outline.difference(found.zones.geometry[poor])
    old = gpd.GeoDataFrame(
        {"zone_id": ["A-Z1", "A-Z2"]}, geometry=[found.zones.geometry[poor], rest], crs=block.rows.crs
    )
    names = zones_of(block, previous=old).zones["zone_id"]
    assert names[poor] == "A-Z1"
    assert names[falling] == "A-Z3"
    assert sorted(names) == ["A-Z1", "A-Z2", "A-Z3"]


def test_ids_are_numbered_from_the_first_row(block):
    found = zones_of(block).zones
    assert found["zone_id"].tolist() == [f"A-Z{number + 1}" for number in range(len(found))]
    middle = found.geometry.centroid
    _, across = block.frame.from_grid(middle.x.to_numpy(), middle.y.to_numpy())
    assert across[0] < across[-1]


def test_result_does_not_depend_on_row_direction_of_drawing(block):
    turned = block.rows.copy()
    turned.geometry = turned.geometry.reverse()
    found = find_zones(block.surfaces, block.errors, turned, outline=block.outline, block_id="A", **LIMITS)
    assert agreement_with_truth(block, found) > 0.9


def test_no_row_is_split_lengthwise(block):
    cells = lay_cells(block.rows, block.outline, min_segment_m=60.0)
    ends = np.array([line.coords[0] for line in block.rows.geometry])
    sine, cosine = np.sin(np.radians(cells.bearing_deg)), np.cos(np.radians(cells.bearing_deg))
    across = (ends[:, 0] - cells.origin[0]) * cosine - (ends[:, 1] - cells.origin[1]) * sine
    nearest = np.abs(across[:, None] - cells.across_edges[None, 1:-1]).min()
    assert nearest == pytest.approx(1.5, abs=0.05)  # edges lie midway between rows 3 m apart


def test_no_surface_is_refused(block):
    with pytest.raises(DataError, match="no yield surface"):
        find_zones({}, {}, block.rows, outline=block.outline, block_id="A")


def test_surface_elsewhere_is_refused(block):
    away = shapely.affinity.translate(block.outline, 10_000, 0)
    rows = gpd.GeoDataFrame(
        block.rows.drop(columns="geometry"), geometry=block.rows.translate(10_000, 0).values
    )
    with pytest.raises(DataError, match="No surface holds a value"):
        find_zones(block.surfaces, {}, rows.set_crs(block.rows.crs), outline=away, block_id="A")


def test_limit_that_is_not_positive_is_refused(block):
    with pytest.raises(GeometryError, match=r"Limits of zones are -1 ha"):
        zones_of(block, min_area_ha=-1)
