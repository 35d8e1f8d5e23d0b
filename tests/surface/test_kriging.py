from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree
from sklearn.base import clone

from vinemap.errors import DataError
from vinemap.surface import (
    MODELS,
    LocalBlockKriging,
    Structure,
    Variogram,
    discretise_block,
    mean_covariance,
)
from vinemap.surface.kriging import fit_labelled, group_positions, merge_places
from vinemap.surface.systems import krige_groups

SEEDS = st.integers(0, 10_000)
ISAAKS = np.array([[61, 139], [63, 140], [64, 129], [68, 128], [71, 140], [73, 141], [75, 128]], dtype=float)
PPM = np.array([477.0, 696.0, 227.0, 646.0, 606.0, 791.0, 783.0])
BOOK = Variogram("exponential", 0.0, 10.0, 1 / 0.3)


def krige(variogram, places, values, cells, noise=None, **settings_of_model):
    model = LocalBlockKriging(variogram, **settings_of_model)
    return model.fit(places, values, noise).predict(cells, return_std=True)


def krige_densely(variogram, places, values, cell, neighbours, block_m, *, points=4, turn_deg=0.0):
    """Textbook system with the multiplier, solved by numpy: independent of the compiled path."""
    turn = np.deg2rad(variogram.bearing_deg)
    to_rows = np.array([[np.sin(turn), np.cos(turn)], [np.cos(turn), -np.sin(turn)]])
    stretch = to_rows.T / [1.0, variogram.ratio]
    near = np.atleast_1d(cKDTree(places @ stretch).query(cell @ stretch, min(neighbours, len(places)))[1])
    offsets, weights = discretise_block(block_m, points)
    if turn_deg:
        offsets = offsets @ to_rows
    n = len(near)
    system = np.ones((n + 1, n + 1))
    step = (places[near][:, None] - places[near][None]) @ stretch
    system[:n, :n] = variogram.structure(np.hypot(step[..., 0], step[..., 1])) + variogram.nugget * np.eye(n)
    system[n, n] = 0.0
    gap = (places[near][:, None] - (cell + offsets)[None]) @ stretch
    side = np.append(variogram.structure(np.hypot(gap[..., 0], gap[..., 1])) @ weights, 1.0)
    solved = np.linalg.solve(system, side)
    variance = mean_covariance(variogram, offsets, weights) - solved @ side
    return solved[:n] @ values[near], variance


def scatter(seed, count=40):
    rng = np.random.default_rng(seed)
    return rng.uniform(0, 60, (count, 2)), rng.normal(10, 3, count), rng.uniform(5, 55, (7, 2))


def test_isaaks_and_srivastava_seven_samples():
    # Isaaks and Srivastava 1989, ch. 12; handbook 6 [M+].
    cell = [[65.0, 137.0]]
    mean, error = krige(BOOK, ISAAKS, PPM, cell, block_m=0.0)
    assert mean[0] == pytest.approx(592.7, abs=0.05)
    assert error[0] ** 2 == pytest.approx(8.96, abs=0.005)
    weights = np.array([krige(BOOK, ISAAKS, unit, cell, block_m=0.0)[0][0] for unit in np.eye(7)])
    assert weights == pytest.approx([0.173, 0.318, 0.129, 0.086, 0.151, 0.057, 0.086], abs=6e-4)
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    to_cell = BOOK.structure(np.hypot(*(ISAAKS - cell).T))
    assert error[0] ** 2 - (10.0 - weights @ to_cell) == pytest.approx(0.907, abs=6e-4)  # the multiplier


GSTAT = {  # Handbook 6 [S]: gstat's published test output, Gaussian quadrature
    (181170, 333250): (268.7576, 19447.67),
    (180310, 332189): (663.4915, 16991.33),
    (180205, 331707): (251.4606, 21579.71),
    (178673, 330066): (532.5776, 73807.91),
    (178770, 330675): (664.4039, 23589.17),
    (178270, 331075): (565.5436, 155113.23),
}


def test_meuse_blocks_as_gstat_publishes_them(meuse):
    places, zinc = meuse
    variogram = Variogram("spherical", 2.42e4, 1.34e5, 800.0)
    shape = {"neighbours": 40, "block_m": 40.0}
    mean, error = krige(variogram, places, zinc, list(GSTAT), quadrature="gauss", **shape)
    expected = np.array(list(GSTAT.values()))
    assert mean == pytest.approx(expected[:, 0], abs=6e-5)
    assert error**2 == pytest.approx(expected[:, 1], abs=0.006)
    mean, error = krige(variogram, places, zinc, [(181170, 333250)], quadrature="regular", **shape)
    assert mean[0] == pytest.approx(268.7324, abs=6e-5)
    assert error[0] ** 2 == pytest.approx(19568.76, abs=0.006)


@pytest.mark.parametrize(("model", "stretch"), [("exponential", 3.0), ("spherical", 1.0)])
@pytest.mark.parametrize("nugget", [0.0, 1.3])
def test_points_as_pykrige(model, stretch, nugget):
    peer = pytest.importorskip("pykrige.ok")
    for seed in range(5):
        places, values, cells = scatter(seed)
        # PyKrige's exponential model is 1 - exp(-3 h / range).
        theirs = peer.OrdinaryKriging(
            places[:, 0], places[:, 1], values, variogram_model=model,
            variogram_parameters={"psill": 4.0, "range": stretch * 12.0, "nugget": nugget},
        )  # fmt: skip
        mean, variance = theirs.execute("points", cells[:, 0], cells[:, 1])
        ours, error = krige(Variogram(model, nugget, 4.0, 12.0), places, values, cells, block_m=0.0)
        assert ours == pytest.approx(np.asarray(mean), rel=1e-8)
        assert error**2 == pytest.approx(np.asarray(variance), rel=1e-8)


@pytest.mark.parametrize("model", MODELS)
def test_same_as_the_textbook_system(model):
    variogram = Variogram(model, 0.7, 4.0, 15.0)
    places, values, cells = scatter(3, count=300)
    shape = {"neighbours": 24, "block_m": 10.0, "quadrature": "regular"}
    mean, error = krige(variogram, places, values, cells, **shape)
    expected = [krige_densely(variogram, places, values, cell, 24, 10.0) for cell in cells]
    assert mean == pytest.approx([one[0] for one in expected], rel=1e-8)
    assert error**2 == pytest.approx([one[1] for one in expected], rel=1e-7)


ROWS = {"bearing_deg": 30.0, "ratio": 0.5}


@pytest.mark.parametrize(
    "variogram",
    [
        Variogram("exponential", 0.7, 4.0, 15.0, further=(Structure("spherical", 2.0, 40.0),)),
        Variogram("exponential", 0.7, 4.0, 15.0, **ROWS),
        Variogram("spherical", 0.7, 4.0, 30.0, **ROWS),
    ],
)
def test_exact_blocks_are_the_limit_of_fine_ones(variogram):
    places, values, cells = scatter(9, count=300)
    cells = np.concatenate([cells, [[200.0, 200.0], [90.0, 40.0]]])  # beyond the table too
    mean, error = krige(variogram, places, values, cells, neighbours=24)
    fine = {"points": 40, "turn_deg": variogram.bearing_deg}
    expected = [krige_densely(variogram, places, values, cell, 24, 10.0, **fine) for cell in cells]
    assert mean == pytest.approx([one[0] for one in expected], rel=2e-4)
    assert error**2 == pytest.approx([one[1] for one in expected], rel=5e-3)


def test_directions_are_those_of_the_textbook_system():
    variogram = Variogram(
        "matern_3_2", 0.7, 4.0, 15.0, further=(Structure("exponential", 1.0, 60.0),), **ROWS
    )
    places, values, cells = scatter(10, count=300)
    mean, error = krige(variogram, places, values, cells, neighbours=24, block_m=0.0)
    expected = [krige_densely(variogram, places, values, cell, 24, 0.0) for cell in cells]
    assert mean == pytest.approx([one[0] for one in expected], rel=1e-8)
    # The textbook system predicts the noiseless mean of a point; ours a reading, with its nugget.
    assert error**2 - 0.7 == pytest.approx([one[1] for one in expected], rel=1e-7)


@settings(max_examples=20, deadline=None)
@given(seed=SEEDS, count=st.integers(1, 90), level=st.floats(-1e3, 1e3), nugget=st.sampled_from([0.0, 2.0]))
def test_weights_sum_to_one_and_variance_is_not_negative(seed, count, level, nugget):
    places, _, cells = scatter(seed, count)
    mean, error = krige(Variogram("exponential", nugget, 4.0, 20.0), places, np.full(count, level), cells)
    assert mean == pytest.approx(level, rel=1e-9, abs=1e-9)
    values = np.random.default_rng(seed).normal(size=count)
    lower = krige(Variogram("exponential", nugget, 4.0, 20.0), places, values, cells)[0]
    higher = krige(Variogram("exponential", nugget, 4.0, 20.0), places, values + level, cells)[0]
    assert higher - lower == pytest.approx(level, rel=1e-9, abs=1e-9)
    assert (error >= 0).all()


@settings(max_examples=15, deadline=None)
@given(seed=SEEDS, east=st.floats(-1e6, 1e6), north=st.floats(-1e6, 1e6), turn=st.floats(0, 6.28))
def test_moving_and_turning_changes_nothing(seed, east, north, turn):
    places, values, cells = scatter(seed, 100)
    variogram = Variogram("spherical", 0.5, 4.0, 25.0)
    rotate = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    at_rest = krige(variogram, places, values, cells, block_m=0.0, neighbours=100)
    turned = krige(variogram, places @ rotate, values, cells @ rotate, block_m=0.0, neighbours=100)
    assert turned[0] == pytest.approx(at_rest[0], rel=1e-8)
    assert turned[1] == pytest.approx(at_rest[1], rel=1e-8)
    blocks = krige(variogram, places, values, cells, neighbours=16)
    step = np.array([east, north])
    moved = krige(variogram, places + step, values, cells + step, neighbours=16)
    assert moved[0] == pytest.approx(blocks[0], rel=1e-6)
    quarter = np.array([[0.0, 1.0], [-1.0, 0.0]])
    assert krige(variogram, places @ quarter, values, cells @ quarter, neighbours=16)[0] == pytest.approx(
        blocks[0], rel=1e-8
    )


@settings(max_examples=15, deadline=None)
@given(seed=SEEDS, model=st.sampled_from(MODELS), nugget=st.sampled_from([0.0, 1.0]))
def test_points_at_readings_give_the_reading(seed, model, nugget):
    places, values, _ = scatter(seed, 60)
    mean, error = krige(Variogram(model, nugget, 4.0, 8.0), places, values, places, block_m=0.0)
    assert mean == pytest.approx(values, abs=1e-6)
    assert error == pytest.approx(0.0, abs=1e-4)


def test_nugget_and_noise_of_readings_are_one_thing_to_a_block():
    places, values, cells = scatter(1)
    as_nugget = krige(Variogram("exponential", 2.0, 4.0, 20.0), places, values, cells)
    as_noise = krige(Variogram("exponential", 0.0, 4.0, 20.0), places, values, cells, noise=2.0)
    assert as_noise[0] == pytest.approx(as_nugget[0], rel=1e-12)
    assert as_noise[1] == pytest.approx(as_nugget[1], rel=1e-12)


def test_a_reading_of_boundless_noise_counts_for_nothing():
    places, values, cells = scatter(2)
    variogram, noise = Variogram("exponential", 0.5, 4.0, 20.0), np.zeros(len(values))
    noise[0] = 1e9
    with_it = krige(variogram, places, values + 1e3 * (noise > 0), cells, noise=noise)
    without = krige(variogram, places[1:], values[1:], cells)
    assert with_it[0] == pytest.approx(without[0], abs=1e-3)
    assert with_it[1] == pytest.approx(without[1], rel=1e-6)


@pytest.mark.parametrize("nugget", [0.0, 1.0])
def test_readings_in_one_place(nugget):
    places, values, cells = scatter(4)
    variogram = Variogram("exponential", nugget, 4.0, 20.0)
    twice = np.concatenate([places, places[:9]]), np.concatenate([values + 0.0, values[:9] + 2.0])
    mean, error = krige(variogram, *twice, cells)
    merged = values.copy()
    merged[:9] += 1.0
    noise = np.where(np.arange(40) < 9, nugget / 2, nugget)
    expected = krige(Variogram("exponential", 0.0, 4.0, 20.0), places, merged, cells, noise=noise)
    assert mean == pytest.approx(expected[0], rel=1e-9)
    assert error == pytest.approx(expected[1], rel=1e-9)


def test_readings_a_hair_apart_without_nugget_stay_finite():
    places, values, cells = scatter(5)
    near = np.concatenate([places, places + 1e-9])
    mean, error = krige(Variogram("matern_5_2", 0.0, 4.0, 60.0), near, np.tile(values, 2), cells)
    assert np.isfinite(mean).all()
    assert np.abs(mean).max() < 100
    assert np.isfinite(error).all()


def test_one_row_one_reading_and_no_variation():
    row = np.column_stack([np.arange(0.0, 100.0, 1.1), np.zeros(91)])
    values = np.random.default_rng(1).normal(10, 1, 91)
    mean, error = krige(Variogram("exponential", 0.5, 1.0, 20.0), row, values, [[50.0, 0.0], [50.0, 300.0]])
    assert np.isfinite(mean).all()
    assert error[1] > error[0]
    mean, _ = krige(Variogram("exponential", 0.5, 1.0, 20.0), [[1.0, 2.0]], [7.0], [[1.0, 2.0], [9.0, 9.0]])
    assert mean.tolist() == [7.0, 7.0]
    mean, error = krige(Variogram("exponential", 0.0, 0.0, 20.0), row, np.full(91, 5.0), [[50.0, 0.0]])
    assert (mean[0], error[0]) == (5.0, 0.0)


def test_pure_nugget_is_the_mean_of_the_nearest():
    places, values, cells = scatter(6, 200)
    mean, error = krige(Variogram("exponential", 3.0, 0.0, 20.0), places, values, cells, neighbours=16)
    near = cKDTree(places).query(cells, 16)[1]
    assert mean == pytest.approx(values[near].mean(axis=1), rel=1e-12)
    assert error == pytest.approx(np.sqrt(3.0 / 16), rel=1e-12)


def test_shared_neighbourhoods_are_exact_where_all_readings_are_used():
    places, values, _ = scatter(7, 60)
    cells = np.stack(np.meshgrid(np.arange(1.0, 60, 2), np.arange(1.0, 60, 2)), -1).reshape(-1, 2)
    variogram = Variogram("exponential", 1.0, 4.0, 20.0)
    alone = krige(variogram, places, values, cells, neighbours=60)
    shared = krige(variogram, places, values, cells, neighbours=60, share_within_m=6.0)
    assert shared[0] == pytest.approx(alone[0], rel=1e-9)
    assert shared[1] == pytest.approx(alone[1], rel=1e-9)


def test_threads_give_the_same_numbers():
    places, values, cells = scatter(8, 500)
    variogram = Variogram("exponential", 1.0, 4.0, 20.0)
    alone, together = (krige(variogram, places, values, cells, threads=threads) for threads in (1, 3))
    # The order in which the nearest readings are found, and with it rounding, hangs on the cell before.
    assert alone[0] == pytest.approx(together[0], rel=1e-12)
    assert alone[1] == pytest.approx(together[1], rel=1e-12)


def test_follows_scikit_learn():
    model = LocalBlockKriging(BOOK, neighbours=5)
    copy = clone(model).set_params(block_m=0.0)
    assert copy.get_params()["neighbours"] == 5
    assert not hasattr(copy, "variogram_")
    assert copy.fit(ISAAKS, PPM) is copy
    assert copy.score(ISAAKS, PPM) == pytest.approx(1.0)
    assert (copy.n_features_in_, copy.n_readings_) == (2, 7)


def test_kernel_is_compiled_once_whatever_the_input():
    krige(BOOK, ISAAKS.astype(np.float32), PPM.astype(int), np.asfortranarray(ISAAKS))
    compiled = list(krige_groups.signatures)
    krige(BOOK, ISAAKS.tolist(), PPM.tolist(), ISAAKS[::2, ::-1], noise=1)
    assert krige_groups.signatures == compiled


def test_no_positions_give_no_estimates():
    assert LocalBlockKriging(BOOK).fit(ISAAKS, PPM).predict(np.empty((0, 2))).shape == (0,)


@pytest.mark.parametrize(
    ("settings_of_model", "places", "values", "noise", "words"),
    [
        ({"variogram": None}, ISAAKS, PPM, None, "The variogram is None"),
        ({"neighbours": 0}, ISAAKS, PPM, None, "neighbours is 0"),
        ({}, ISAAKS[:, :1], PPM, None, r"shape \(7, 1\)"),
        ({}, ISAAKS, PPM * np.nan, None, "all 7 of 7"),
        ({}, ISAAKS * np.inf, PPM, None, "position is not a finite number"),
        ({}, np.empty((0, 2)), [], None, "There are no readings"),
        ({}, ISAAKS, PPM, -np.arange(7.0), "Noise variance is -1 at reading 1"),
    ],
)
def test_refuses_unfit_input(settings_of_model, places, values, noise, words):
    model = LocalBlockKriging(**({"variogram": BOOK} | settings_of_model))
    with pytest.raises(DataError, match=words):
        model.fit(places, values, noise)


def test_positions_are_grouped_by_squares_from_their_south_western_corner():
    cells = np.array([[10.0, 20.0], [13.9, 20.0], [14.0, 20.0], [10.0, 24.1], [13.0, 23.0], [18.2, 24.0]])
    order, starts = group_positions(cells, 4.0)
    groups = [sorted(order[a:b].tolist()) for a, b in pairwise(starts)]
    assert groups == [[0, 1, 4], [2], [3], [5]]
    assert group_positions(cells, 0.0)[1].tolist() == list(range(7))
    assert group_positions(np.empty((0, 2)), 4.0)[1].tolist() == [0]
    grid = np.stack(np.meshgrid(np.arange(12) * 0.1, np.arange(9) * 0.1), -1).reshape(-1, 2)
    sizes = np.diff(group_positions(grid, 0.3)[1])  # rounding puts no cell into a wrong square
    assert sizes.tolist() == [9] * 12


def test_readings_in_one_place_are_averaged_with_noise_over_their_number():
    points = np.array([[5.0, 1.0], [0.0, 0.0], [5.0, 1.0], [5.0, 1.0]])
    found = merge_places(points, np.array([1.0, 9.0, 2.0, 6.0]), np.array([0.3, 0.1, 0.6, 0.9]), np.arange(4))
    assert found[0].tolist() == [[0.0, 0.0], [5.0, 1.0]]
    assert found[1].tolist() == [9.0, 3.0]
    assert found[2] == pytest.approx([0.1, 1.8 / 9])
    assert found[3].tolist() == [1, 0]
    alone = merge_places(points[:2], points[:2, 0], points[:2, 1], np.arange(2))
    assert alone[0] is not None
    assert alone[0].tolist() == points[:2].tolist()


def test_readings_in_one_place_stay_apart_where_all_are_noisy():
    places = np.array([[0.0, 0.0], [0.0, 0.0], [9.0, 0.0]])
    values, variogram = [1.0, 2.0, 3.0], Variogram("exponential", 0.0, 1.0, 9.0)
    assert LocalBlockKriging(variogram).fit(places, values, [0.5, 0.5, 0.5]).n_readings_ == 3
    assert LocalBlockKriging(variogram).fit(places, values, [0.5, 0.5, 0.0]).n_readings_ == 2
    assert LocalBlockKriging(replace(variogram, nugget=0.1)).fit(places, values).n_readings_ == 3


def test_a_reading_counts_by_its_own_noise():
    places, values, cells = scatter(12, 30)
    noise = np.random.default_rng(1).uniform(0.0, 3.0, 30)
    variogram = Variogram("exponential", 0.4, 4.0, 20.0)
    mean, error = krige(variogram, places, values, cells, noise=noise, quadrature="gauss")
    offsets, weights = discretise_block(10.0, 4, "gauss")
    gap = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    system = np.ones((31, 31))
    system[:30, :30] = variogram.structure(gap) + np.diag(noise + 0.4)
    system[30, 30] = 0.0
    for cell, found, told in zip(cells, mean, error, strict=True):
        to_cell = np.hypot(*(places[:, None] - (cell + offsets)[None]).transpose(2, 0, 1))
        right = np.append(variogram.structure(to_cell) @ weights, 1.0)
        solved = np.linalg.solve(system, right)
        assert found == pytest.approx(solved[:30] @ values)
        assert told**2 == pytest.approx(mean_covariance(variogram, offsets, weights) - solved @ right)


def test_distance_to_the_nearest_reading_is_told_and_labelled_readings_are_kept_away():
    places, values, cells = scatter(13, 50)
    variogram = Variogram("exponential", 0.4, 4.0, 20.0)
    model = LocalBlockKriging(variogram, neighbours=9).fit(places, values)
    assert model.predict_parts(cells)[2] == pytest.approx(cKDTree(places).query(cells)[0])
    labels = np.arange(50) % 3
    kept = fit_labelled(LocalBlockKriging(variogram, neighbours=9), places, values, np.zeros(50), labels)
    mean, _, nearest = kept.predict_parts(cells, np.full(7, 2))
    others = LocalBlockKriging(variogram, neighbours=9).fit(places[labels != 2], values[labels != 2])
    assert mean == pytest.approx(others.predict(cells))
    assert nearest == pytest.approx(cKDTree(places[labels != 2]).query(cells)[0])
    alone = fit_labelled(LocalBlockKriging(variogram), places, values, np.zeros(50), np.zeros(50))
    assert np.isnan(alone.predict_parts(cells, np.zeros(7))).all()


def test_shared_cells_use_the_readings_nearest_to_their_mean():
    places, values, _ = scatter(14, 200)
    variogram = Variogram("exponential", 1.0, 4.0, 20.0)
    cells = np.array([[20.0, 20.0], [24.0, 20.0], [20.0, 24.0], [24.0, 24.0]])
    near = cKDTree(places).query([22.0, 22.0], 12)[1]
    shared = krige(variogram, places, values, cells, neighbours=12, share_within_m=8.0)
    alone = krige(variogram, places[near], values[near], cells, neighbours=12)
    assert shared[0] == pytest.approx(alone[0])
    assert shared[1] == pytest.approx(alone[1])


@pytest.mark.parametrize("threads", [0, 2, 9])
def test_more_threads_than_positions_do_no_harm(threads):
    places, values, cells = scatter(15, 40)
    variogram = Variogram("exponential", 1.0, 4.0, 20.0)
    plain = krige(variogram, places, values, cells)
    assert krige(variogram, places, values, cells, threads=threads)[0] == pytest.approx(plain[0])
    shared = krige(variogram, places, values, cells, threads=threads, share_within_m=15.0, neighbours=40)
    assert shared[0] == pytest.approx(plain[0])


def test_one_neighbour_is_the_nearest_reading():
    places, values, cells = scatter(16, 40)
    mean, error = krige(Variogram("exponential", 0.5, 4.0, 20.0), places, values, cells, neighbours=1)
    assert mean == pytest.approx(values[cKDTree(places).query(cells)[1]])
    assert (error > 0).all()


@pytest.mark.parametrize("block_m", [4.0, 10.0])
def test_a_block_is_read_off_its_table_near_by_and_summed_far_away(block_m):
    variogram = Variogram("exponential", 0.5, 4.0, 15.0)
    rng = np.random.default_rng(17)
    ring = rng.uniform(-4, 4, (90, 2)) * block_m  # on both sides of the table's edge
    values = rng.normal(10, 2, 90)
    mean, error = krige(variogram, ring, values, [[0.0, 0.0]], neighbours=90, block_m=block_m)
    expected = krige_densely(variogram, ring, values, np.zeros(2), 90, block_m, points=40)
    assert mean[0] == pytest.approx(expected[0], rel=2e-4)
    assert error[0] ** 2 == pytest.approx(expected[1], rel=5e-3)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 7, 8, 9, 15, 16, 17, 33])
def test_any_number_of_readings_gives_the_textbook_estimate(count):
    places, values, cells = scatter(18, count)
    variogram = Variogram("matern_3_2", 0.7, 4.0, 15.0)
    mean, error = krige(variogram, places, values, cells, quadrature="regular")
    expected = [krige_densely(variogram, places, values, cell, count, 10.0) for cell in cells]
    assert mean == pytest.approx([one[0] for one in expected], rel=1e-8)
    assert error**2 == pytest.approx([one[1] for one in expected], rel=1e-7)
