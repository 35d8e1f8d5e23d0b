"""Borders: kept where zones differ by more than patchy ground and single seasons make them."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from sklearn.metrics import adjusted_rand_score

from vinemap.land import Grid
from vinemap.simulate.fields import sample_field
from vinemap.simulate.zone_block import POOR
from vinemap.zones import find_zones
from vinemap.zones.borders import CHANGE_MATTERS, EVIDENCE_ASKED, LEVEL_MATTERS
from vinemap.zones.cells import count_missing, lay_cells
from vinemap.zones.features import PATTERN_RANGE_M, spread_of_pattern

LIMITS = {"min_area_ha": 0.3, "min_segment_m": 60.0, "max_zones": 6}


def zones_of(made, surfaces=None):
    return find_zones(
        surfaces or made.surfaces, made.errors, made.rows, outline=made.outline, block_id="A",
        check_stability=False, **LIMITS,
    )  # fmt: skip


@pytest.mark.parametrize("soil", [0.05, 0.10, 0.16])
def test_patchy_ground_is_no_zone(make_block, soil):
    """Soil pattern alone, which is the same every year: at most one block of six is divided."""
    counts = [len(zones_of(make_block(seed, "none", soil=soil)).zones) for seed in range(3200, 3206)]
    assert sum(count > 1 for count in counts) <= 1


def test_one_odd_vintage_is_no_zone(make_block):
    """Half of the block reads 35 % low in one vintage, as if two machines had picked it: no border."""
    made = make_block(5, "none", soil=0.05)
    easting, northing = made.spec.centres()
    _, across = made.frame.from_grid(easting, northing)
    odd = made.surfaces[2023]
    changed = Grid(np.where(across < 120, 0.65, 1.0) * odd.values, made.spec)
    assert len(zones_of(made, made.surfaces | {2023: changed}).zones) == 1
    every = {year: Grid(np.where(across < 120, 0.65, 1.0) * one.values, made.spec)
             for year, one in made.surfaces.items()}  # fmt: skip
    assert len(zones_of(made, every).zones) == 2  # the same difference every year is one


@pytest.mark.parametrize("pattern", ["focus", "rows", "corner"])
def test_a_fall_of_a_quarter_is_found_in_patchy_ground(make_block, pattern):
    """Falls by 25 % within four vintages; soil pattern 16 %."""
    profile = zones_of(make_block(3210, pattern, falling=0.25, soil=0.16)).report.profile
    assert profile["change_pct"].min() < -10 < 0 < profile["change_pct"].max()


def test_the_report_says_what_keeps_zones_apart(block):
    report = zones_of(block).report
    assert {*report.borders["first"], *report.borders["second"]} == set(report.profile["zone_id"])
    assert (report.borders["evidence"] >= EVIDENCE_ASKED).all()
    matters = (report.borders["level_pct"].abs() >= 100 * -np.expm1(-LEVEL_MATTERS)) | (
        report.borders["change_pct"].abs() >= 100 * CHANGE_MATTERS
    )
    assert matters.all()


def test_spread_of_a_pattern_is_recovered_beside_a_zone(make_block):
    """Standard deviation 0.2 of a field of the assumed range on cells, with and without a step across it."""
    made = make_block(1, "none", vintages=2)
    cells = lay_cells(made.rows, made.outline, min_segment_m=60.0)
    middle = cells.corners[:-1, :-1] + 7.0
    found = []
    for seed in range(20):
        drawn = 0.2 * sample_field(
            middle[..., 0].ravel(), middle[..., 1].ravel(), range_m=PATTERN_RANGE_M,
            rng=np.random.default_rng(seed),
        ).reshape(middle.shape[:2])  # fmt: skip
        step = np.where(np.arange(drawn.shape[0])[:, None] < 6, 0.5, 0.0)
        found.append((spread_of_pattern(drawn, cells), spread_of_pattern(drawn + step, cells)))
    plain, stepped = np.mean(found, axis=0)
    assert plain == pytest.approx(0.2, rel=0.1)
    assert stepped == pytest.approx(0.2, rel=0.25)


def counted_stretches(made, share_in_patch: float, *, vintages=(2023, 2026), seed=1) -> gpd.GeoDataFrame:
    """Every fifth row counted in stretches of 30 vines; missing places only in the patch of the truth."""
    rng = np.random.default_rng(seed)
    records = []
    for line in made.rows.geometry[::5]:
        for start in np.arange(30.0, line.length, 60.0):
            spot = line.interpolate(start)
            col = int((spot.x - made.spec.west) // made.spec.cell_m)
            row = int((made.spec.north - spot.y) // made.spec.cell_m)
            share = share_in_patch if made.truth[row, col] == POOR else 0.01
            records += [(spot, year, 30, rng.binomial(30, share)) for year in vintages]
    table = pd.DataFrame(records, columns=["geometry", "vintage", "vines", "missing"])
    return gpd.GeoDataFrame(table, geometry="geometry", crs=made.rows.crs)


def test_a_patch_of_missing_vines_is_a_zone_where_they_were_counted(make_block):
    """A quarter of the vines missing in 1.4 ha, ground that hides it (16 %): found by the counts."""
    found = []
    for seed in (3220, 3221, 3222):
        made = make_block(seed, "poor", poor=-np.log(0.75), soil=0.16)
        zones = find_zones(
            made.surfaces, made.errors, made.rows, outline=made.outline, block_id="A",
            stand=counted_stretches(made, 0.25), check_stability=False, **LIMITS,
        )  # fmt: skip
        assert zones.report.borders["missing_pct"].abs().max() > 12
        label = np.full(made.spec.shape, -1)
        for number, shape in enumerate(zones.zones.geometry):
            label[shapely.contains_xy(shape, *made.spec.centres())] = number
        both = (made.truth >= 0) & (label >= 0)
        found.append(adjusted_rand_score(made.truth[both], label[both]))
    assert np.median(found) >= 0.7


def test_full_rows_draw_no_border(make_block):
    made = make_block(3223, "none")
    stand = counted_stretches(made, 0.01)
    zones = find_zones(
        made.surfaces, made.errors, made.rows, outline=made.outline, block_id="A", stand=stand,
        check_stability=False, **LIMITS,
    )  # fmt: skip
    assert len(zones.zones) == 1


def test_missing_vines_are_shared_out_over_cells(make_block):
    made = make_block(1, "poor")
    cells = lay_cells(made.rows, made.outline, min_segment_m=60.0)
    assert count_missing(cells, None) is None
    share = count_missing(cells, counted_stretches(made, 0.4))
    middle = (cells.corners[:-1, :-1] + cells.corners[1:, 1:]) / 2
    along, across = made.frame.from_grid(middle[..., 0], middle[..., 1])
    assert share[(across > 180) & (along < 130)].mean() == pytest.approx(0.4, abs=0.05)
    assert share[(across < 100) & (along > 220)].mean() == pytest.approx(0.01, abs=0.02)
