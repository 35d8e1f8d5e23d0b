"""Counted rows and panels keep their length: against sums over many places, and known fields recovered."""

from itertools import pairwise

import numpy as np
import pytest
import shapely

from vinemap.errors import DataError
from vinemap.land import grid_over
from vinemap.surface import Variogram, counted, fit_stretches, krige_stretch_grid, krige_stretch_polygons
from vinemap.surface.counted import _restricted, relative_noise
from vinemap.surface.stretches import lay_spots, stretch_covariances

FIELD = Variogram("exponential", 0.0, 4.0, 30.0)
OUTLINE = shapely.box(0, 0, 120, 60)


def panels(lengths=(60.0, 30.0, 30.0), every_m=9.0):
    """Rows along x, picked in panels of these lengths."""
    stops = np.r_[0.0, np.cumsum(lengths)]
    return np.array([
        [[start, y], [stop, y]]
        for y in np.arange(1.5, 60.0, every_m)
        for start, stop in pairwise(stops)
    ])  # fmt: skip


def along(ends, count):
    share = (np.arange(count) + 0.5) / count
    return ends[:, None, 0] + share[:, None] * (ends[:, None, 1] - ends[:, None, 0])


def covariance_of_means(one, other, variogram):
    step = one[:, None, :, None] - other[None, :, None]
    return variogram.structure(np.hypot(step[..., 0], step[..., 1])).mean(axis=(2, 3))


def krige_by_hand(spots, values, noise, block, variogram):
    """Block-to-block ordinary kriging (Journel & Huijbregts 1978, V.A), every mean a sum over many places."""
    size = len(values)
    system = np.ones((size + 1, size + 1))
    system[:size, :size] = covariance_of_means(spots, spots, variogram) + np.diag(noise)
    system[size, size] = 0.0
    right = np.append(covariance_of_means(spots, block[None], variogram)[:, 0], 1.0)
    weight = np.linalg.solve(system, right)
    within = covariance_of_means(block[None], block[None], variogram)[0, 0]
    return weight[:size] @ values, np.sqrt(within - weight @ right)


def lattice(west, south, east, north, step):
    x, y = np.arange(west + step / 2, east, step), np.arange(south + step / 2, north, step)
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def test_panels_of_differing_length_are_kriged_as_by_hand():
    ends = panels()
    values = np.random.default_rng(2).normal(15.0, 2.0, len(ends))
    spec = grid_over(OUTLINE, cell_m=10.0, crs="EPSG:3035")
    surface = krige_stretch_grid(ends, values, spec=spec, outline=OUTLINE, row_spacing_m=3.0)
    found = surface.variogram
    noise = (
        found.nugget * np.array([1.0, 30 / 30, 60 / 60])[0] * 30.0 / np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    )
    places = Variogram("exponential", 0.0, found.partial_sill, found.range_m)
    spots = along(ends, 60)
    ground = found.nugget * 30.0 * 3.0 / 100.0  # a 10 m square has 100 m2, a usual panel 30 m x 3 m
    for row, column in ((1, 1), (3, 6), (5, 11)):
        x, y = 10.0 * column + 5.0, 55.0 - 10.0 * row
        mean, error = krige_by_hand(spots, values, noise, lattice(x - 5, y - 5, x + 5, y + 5, 0.5), places)
        assert surface.mean.values[row, column] == pytest.approx(mean, abs=0.02 * error)
        assert surface.standard_error.values[row, column] == pytest.approx(
            np.hypot(error, np.sqrt(ground)), rel=0.01
        )


def test_zones_are_kriged_as_by_hand():
    ends = panels()
    values = np.random.default_rng(3).normal(15.0, 2.0, len(ends))
    known = Variogram("exponential", 0.5, 4.0, 30.0)
    zone = shapely.box(10, 10, 60, 40)
    line = krige_stretch_polygons(ends, values, [zone], variogram=known, row_spacing_m=3.0).iloc[0]
    noise = 0.5 * relative_noise(ends)
    mean, error = krige_by_hand(along(ends, 60), values, noise, lattice(10, 10, 60, 40, 2.0), FIELD)
    assert line["mean"] == pytest.approx(mean, abs=0.1 * error)
    told = np.hypot(error, np.sqrt(0.5 * 30 * 3 / 1500))  # 150 places for the zone: 4 % on the safe side
    assert told <= line["standard_error"] <= 1.06 * told


def test_noise_goes_by_one_over_length():
    ends = np.array([[[0.0, 0.0], [30.0, 0.0]], [[0.0, 3.0], [60.0, 3.0]], [[0.0, 6.0], [15.0, 6.0]]])
    assert relative_noise(ends).tolist() == [1.0, 0.5, 2.0]


def test_known_fields_of_whole_rows_and_panels_are_recovered(draw_field):
    # Means over panels, of a field with range 30 m and sill 4, and vines that differ by themselves: noise
    # variance 30 over the metres of a panel. The variogram is that of places though no panel is a place.
    rng = np.random.default_rng(7)
    fine = np.stack(np.meshgrid(np.arange(1.0, 120, 2.0), np.arange(1.5, 60, 3.0)), axis=-1).reshape(-1, 2)
    fields = draw_field(FIELD, fine, 40, rng)
    fields = fields + rng.normal(0.0, np.sqrt(30.0 / 2.0), fields.shape)  # each place stands for 2 m of row
    cut = fields.reshape(40, 20, 60)[:, ::2]  # every second row is picked
    values = np.concatenate([cut[:, :, :30].mean(axis=2), cut[:, :, 30:].mean(axis=2)], axis=1)
    y = np.arange(1.5, 60, 6.0)
    ends = np.array([[[west, at], [west + 60.0, at]] for west in (0.0, 60.0) for at in y])
    target = (np.abs(fine - [35.0, 30.0]) <= 6.0).all(axis=1)
    block = shapely.box(29.0, 24.0, 41.0, 36.0)
    truth = fields[:, target].mean(axis=1)
    found = [fit_stretches(ends, one) for one in values]
    off = []
    for one, known, true in zip(values, found, truth, strict=True):
        line = krige_stretch_polygons(ends, one, [block], variogram=known, row_spacing_m=3.0).iloc[0]
        off.append((line["mean"] - true) / line["standard_error"])
    sill = [one.partial_sill for one in found]
    assert np.median([one.nugget for one in found]) == pytest.approx(30.0 / 60.0, rel=0.6)
    assert 2.0 <= np.median(sill) <= 8.0
    assert 12.0 <= np.median([one.range_m for one in found]) <= 50.0
    assert np.mean(np.abs(off) <= 1.645) >= 0.8
    assert np.std(off) == pytest.approx(1.0, abs=0.3)


def test_ground_far_from_every_stretch_has_no_data_but_both_ends_of_a_long_one_have():
    ends = panels(lengths=(120.0,), every_m=3.0)[:8]  # rows of 120 m up to 22.5 m, nothing above
    spec = grid_over(OUTLINE, cell_m=5.0, crs="EPSG:3035")
    values = 12.0 + np.arange(8) / 4.0
    surface = krige_stretch_grid(ends, values, spec=spec, outline=OUTLINE, row_spacing_m=3.0)
    _, northing = spec.centres()
    known = np.isfinite(surface.mean.values)
    assert known[northing < 22.5 + 15.0].all()
    assert not known[northing > 22.5 + 15.1].any()
    assert "8 stretches of row, 120 m as a rule" in surface.note
    assert "33 % of the outline has no data" in surface.note


def test_too_many_stretches_are_refused():
    with pytest.raises(DataError, match=r"shape \(1501, 2, 2\)"):
        fit_stretches(np.zeros((1501, 2, 2)), np.zeros(1501))


def test_restricted_likelihood_is_that_of_the_textbook():
    # Patterson & Thompson 1971: with P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1, minus half of
    # log|V| + log|X'V^-1 X| + y'Py, here at the variance that makes it greatest, y'Py / (n - 1).
    rng = np.random.default_rng(4)
    root = rng.normal(size=(7, 7))
    matrix, values, ones = root @ root.T + np.eye(7), rng.normal(3.0, 1.0, 7), np.ones((7, 1))
    inverse = np.linalg.inv(matrix)
    normal = ones.T @ inverse @ ones
    projected = inverse - inverse @ ones @ np.linalg.inv(normal) @ ones.T @ inverse
    likelihood, variance = _restricted(matrix, np.column_stack([ones, values]))
    assert variance == pytest.approx(values @ projected @ values / 6)
    spread = np.linalg.slogdet(matrix)[1] + np.log(normal[0, 0])
    assert likelihood == pytest.approx(-0.5 * (6 * np.log(variance) + spread))


def test_of_all_ranges_and_shares_of_noise_the_likeliest_is_taken():
    ends = panels()
    values = np.random.default_rng(6).normal(15.0, 2.0, len(ends)) + 3.0 * np.sin(ends[:, 0, 1] / 12.0)
    found = fit_stretches(ends, values)
    spots, relative = lay_spots(ends), relative_noise(ends)
    fixed = np.column_stack([np.ones(len(ends)), values - values.mean()])
    tried = {}
    for range_m in (6.0, 12.0, 25.0, 50.0, 100.0, 200.0):
        smooth = stretch_covariances(Variogram("exponential", 0.0, 1.0, range_m), spots)
        usual = np.median(np.diag(smooth))
        for share in (0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9):
            matrix = (1 - share) * smooth / usual + share * np.diag(relative)
            likelihood, variance = _restricted(matrix, fixed)
            tried[likelihood] = (share * variance, (1 - share) * variance / usual, range_m)
    assert (found.nugget, found.partial_sill, found.range_m) == pytest.approx(tried[max(tried)])


def test_of_many_stretches_some_are_taken_evenly(monkeypatch):
    ends = panels(every_m=3.0)
    values = 12.0 + np.random.default_rng(1).normal(0, 1.0, len(ends))
    monkeypatch.setattr(counted, "MOST_FITTED", 25)
    some = np.linspace(0, len(ends) - 1, 25).round().astype(int)
    assert fit_stretches(ends, values) == fit_stretches(ends[some], values[some])


def test_the_note_tells_stretches_and_variogram():
    ends = panels()
    spec = grid_over(OUTLINE, cell_m=10.0, crs="EPSG:3035")
    values = np.random.default_rng(2).normal(15.0, 2.0, len(ends))
    surface = krige_stretch_grid(ends, values, spec=spec, outline=OUTLINE, row_spacing_m=3.0)
    found = surface.variogram
    assert surface.note == (
        "21 stretches of row, 30 m as a rule, each taken as the mean over its length; variogram of places by "
        f"restricted likelihood: exponential, range {found.range_m:.0f} m, "
        f"partial sill {found.partial_sill:.3g}, noise of a stretch {found.nugget:.3g}. 0 % of the outline "
        "has no data."
    )
    assert np.isfinite(surface.mean.values).sum() == 72


def test_ground_from_vine_to_vine_is_less_in_a_larger_block():
    ends, known = panels(), Variogram("exponential", 0.5, 1e-9, 30.0)
    zones = [shapely.box(0, 0, 10, 10), shapely.box(0, 0, 40, 10)]
    values = np.full(len(ends), 12.0)
    found = krige_stretch_polygons(ends, values, zones, variogram=known, row_spacing_m=3.0)
    mean_error = 0.5 / (1.0 / relative_noise(ends)).sum()  # of their weighted mean
    # 0.5 on the 90 m2 of a usual stretch; independent of the stretches
    assert found["standard_error"].to_numpy() ** 2 == pytest.approx(
        [mean_error + 0.5 * 90 / 100, mean_error + 0.5 * 90 / 400], rel=1e-4
    )
