"""Direction, spacing and phase of rows recovered from invented readings with known truth."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely import Polygon, affinity, box

from vinemap.land import estimate_bearing, fit_rows, lay_rows, snap_rows
from vinemap.land.directions import mean_direction

AUSTRALIA = CRS.from_epsg(9473)
PLACE = (770_000.0, -3_765_000.0)
BLOCK = affinity.translate(box(0, 0, 200, 300), *PLACE)
LSHAPE = affinity.translate(Polygon([(0, 0), (300, 0), (300, 60), (100, 60), (100, 350), (0, 350)]), *PLACE)


def _drive(rng, *, bearing, offset=0.0, spacing=3.0, jitter=0.5, outliers=0.2, outline=BLOCK, step=1.6):
    """Readings along every second row and back, with GPS jitter, and a share anywhere in the block."""
    rows = lay_rows(
        outline, block_id="T", row_spacing_m=spacing, vine_spacing_m=2.1, bearing_deg=bearing, crs=AUSTRALIA,
        offset_m=offset,
    )  # fmt: skip
    passes = []
    for index, line in enumerate(rows.geometry.iloc[::2]):
        points = shapely.get_coordinates(
            shapely.line_interpolate_point(line, np.arange(0, line.length, step))
        )
        passes.append(points if index % 2 == 0 else points[::-1])
    readings = np.concatenate(passes) + rng.normal(0, jitter, (sum(map(len, passes)), 2))
    stray = rng.random(len(readings)) < outliers
    west, south, east, north = outline.bounds
    readings[stray] = rng.uniform((west, south), (east, north), (int(stray.sum()), 2))
    return readings[:, 0], readings[:, 1]


@settings(max_examples=25, deadline=None)
@given(offset=st.floats(-1.4, 1.4), bearing=st.floats(0, 180), seed=st.integers(0, 1000))
def test_phase_is_recovered_through_jitter_and_outliers(offset, bearing, seed):
    """0.5 m of jitter and 20 % outliers: within 0.1 m, and called clear."""
    east, north = _drive(np.random.default_rng(seed), bearing=bearing, offset=offset)
    phase = snap_rows(
        BLOCK, row_spacing_m=3.0, bearing_deg=bearing, crs=AUSTRALIA, easting=east, northing=north
    )
    assert (phase.offset_m - offset + 1.5) % 3.0 - 1.5 == pytest.approx(0.0, abs=0.1)
    assert phase.clear


def test_concentration_is_that_of_the_wrapped_normal():
    """Mardia & Jupp 2000, wrapped normal: exp(-sigma^2 / 2), times the share that is not an outlier.

    Sigma is 2 pi x 0.5 m / 3 m. [C]
    """
    east, north = _drive(np.random.default_rng(8), bearing=40.0)
    phase = snap_rows(BLOCK, row_spacing_m=3.0, bearing_deg=40.0, crs=AUSTRALIA, easting=east, northing=north)
    expected = 0.8 * np.exp(-((2 * np.pi * 0.5 / 3.0) ** 2) / 2)
    assert phase.concentration == pytest.approx(expected, abs=0.02)


def test_readings_anywhere_are_not_clear():
    rng = np.random.default_rng(9)
    east, north = PLACE[0] + rng.uniform(0, 200, 4000), PLACE[1] + rng.uniform(0, 300, 4000)
    phase = snap_rows(BLOCK, row_spacing_m=3.0, bearing_deg=0.0, crs=AUSTRALIA, easting=east, northing=north)
    assert phase.concentration < 0.1
    assert not phase.clear
    fit = fit_rows(BLOCK, row_spacing_m=3.0, bearing_deg=0.0, crs=AUSTRALIA, easting=east, northing=north)
    assert not fit.clear


def test_passes_at_random_places_are_hardly_ever_clear():
    """Sixty passes, each along some line of its own: the threshold of `fit_rows` holds over 30 tries."""
    clear = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        east = PLACE[0] + np.repeat(rng.uniform(0, 200, 60), 100) + rng.normal(0, 0.3, 6000)
        north = PLACE[1] + np.tile(np.linspace(1, 299, 100), 60)
        fit = fit_rows(BLOCK, row_spacing_m=3.0, bearing_deg=0.0, crs=AUSTRALIA, easting=east, northing=north)
        clear += fit.clear
    assert clear <= 1


@settings(max_examples=12, deadline=None)
@given(
    tilt=st.floats(-1.5, 1.5),
    stretch=st.floats(-0.015, 0.015),
    offset=st.floats(-1, 1),
    seed=st.integers(0, 99),
)
def test_direction_and_spacing_are_refined(tilt, stretch, offset, seed):
    """Settings off by up to 1.5 degrees and 1.5 %: rows come within 0.35 m of the truth everywhere."""
    bearing, spacing = 25.0, 3.0 * (1 + stretch)
    east, north = _drive(np.random.default_rng(seed), bearing=bearing + tilt, spacing=spacing, offset=offset)
    fit = fit_rows(BLOCK, row_spacing_m=3.0, bearing_deg=bearing, crs=AUSTRALIA, easting=east, northing=north)
    assert fit.clear
    assert fit.bearing_deg == pytest.approx(bearing + tilt, abs=0.05)
    assert fit.row_spacing_m == pytest.approx(spacing, rel=0.001)
    _check_rows_lie_on(fit, bearing + tilt, spacing, offset)


def _check_rows_lie_on(fit, bearing, spacing, offset):
    common = {"block_id": "T", "vine_spacing_m": 2.1, "crs": AUSTRALIA}
    truth = lay_rows(BLOCK, row_spacing_m=spacing, bearing_deg=bearing, offset_m=offset, **common)
    fitted = lay_rows(
        BLOCK, row_spacing_m=fit.row_spacing_m, bearing_deg=fit.bearing_deg, offset_m=fit.offset_m, **common
    )
    points = shapely.line_interpolate_point(
        np.repeat(truth.geometry.to_numpy(), 3), np.tile([0.1, 0.5, 0.9], len(truth)), normalized=True
    )
    distance = shapely.distance(points, fitted.union_all())
    assert np.quantile(distance, 0.95) < 0.35


def test_no_readings_leave_the_settings_alone():
    for east, north in ([], []), ([PLACE[0] - 500], [PLACE[1]]):
        fit = fit_rows(
            BLOCK, row_spacing_m=3.0, bearing_deg=12.0, crs=AUSTRALIA, easting=east, northing=north
        )
        assert (fit.bearing_deg, fit.row_spacing_m, fit.offset_m) == (12.0, 3.0, 0.0)
        assert not fit.clear
        phase = snap_rows(
            BLOCK, row_spacing_m=3.0, bearing_deg=12.0, crs=AUSTRALIA, easting=east, northing=north
        )
        assert (phase.offset_m, phase.concentration, phase.clear) == (0.0, 0.0, False)


@pytest.mark.parametrize("bearing", [0.0, 12.0, 89.5, 135.0, 179.6])
@pytest.mark.parametrize("outline", [BLOCK, LSHAPE], ids=["square", "L"])
def test_direction_from_where_the_harvester_drove(bearing, outline):
    """Within half a degree, from readings with jitter and outliers, whatever the outline."""
    east, north = _drive(np.random.default_rng(3), bearing=bearing, outline=outline)
    found = estimate_bearing(outline, easting=east, northing=north)
    assert 0 <= found < 180
    assert (found - bearing + 90) % 180 - 90 == pytest.approx(0.0, abs=0.5)


@settings(max_examples=30, deadline=None)
@given(turn=st.floats(0, 180))
def test_direction_from_the_outline_turns_with_it(turn):
    outline = affinity.rotate(box(0, 0, 90, 400), -turn, origin="centroid")
    assert (estimate_bearing(outline) - turn + 90) % 180 - 90 == pytest.approx(0.0, abs=1e-6)


def test_too_few_readings_fall_back_on_the_outline():
    outline = box(0, 0, 90, 400)
    found = estimate_bearing(outline, easting=[0.0, 10.0, 20.0, 30.0], northing=[5.0] * 4)
    assert (found + 90) % 180 - 90 == pytest.approx(0.0, abs=1e-6)


def test_mean_direction_is_blind_to_sense():
    assert mean_direction([10.0, 190.0, 20.0, 200.0], [1, 1, 1, 1]) == pytest.approx(15.0)
    assert (mean_direction([178.0, 2.0], [1, 1]) + 90) % 180 - 90 == pytest.approx(0.0, abs=1e-9)
