"""Kriging with a drift, beside PyKrige's universal kriging and the textbook system."""

import numpy as np
import pytest

from vinemap.errors import DataError
from vinemap.surface import LocalBlockKriging, Variogram, discretise_block, krige_with_drift, mean_covariance

FIELD = Variogram("exponential", 0.7, 4.0, 12.0)


@pytest.fixture(name="case", scope="module")
def case_fixture():
    """Readings on a plane and on a column beside it, cells, and the column at both."""
    rng = np.random.default_rng(5)
    places, cells = rng.uniform(0, 60, (50, 2)), rng.uniform(5, 55, (7, 2))
    column = np.sin(places[:, 0] / 9) + places[:, 1] / 40
    values = 10 + 0.1 * places[:, 0] + 3 * column + rng.normal(0, 1, 50)
    return places, values, cells, column, np.sin(cells[:, 0] / 9) + cells[:, 1] / 40


def solve_densely(variogram, places, values, cell, trends, at_cell, block_m):
    """Textbook system with a multiplier for each trend, solved by numpy."""
    offsets, weights = discretise_block(block_m, 4)
    n, k = trends.shape
    gap = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    system = np.zeros((n + k, n + k))
    system[:n, :n] = variogram.structure(gap) + variogram.nugget * np.eye(n)
    system[:n, n:], system[n:, :n] = trends, trends.T
    to_cell = (
        variogram.structure(np.hypot(*(places[:, None] - (cell + offsets)[None]).transpose(2, 0, 1)))
        @ weights
    )
    side = np.concatenate([to_cell, at_cell])
    solved = np.linalg.solve(system, side)
    return solved[:n] @ values, mean_covariance(variogram, offsets, weights) - solved @ side


def test_plane_as_pykrige(case):
    peer = pytest.importorskip("pykrige.uk")
    places, values, cells, *_ = case
    theirs = peer.UniversalKriging(
        places[:, 0], places[:, 1], values, variogram_model="exponential",
        variogram_parameters={"psill": 4.0, "range": 36.0, "nugget": 0.7}, drift_terms=["regional_linear"],
    )  # fmt: skip
    mean, variance = theirs.execute("points", cells[:, 0], cells[:, 1])
    ours, error = krige_with_drift(places, values, cells, variogram=FIELD, block_m=0.0)
    assert ours == pytest.approx(np.asarray(mean), rel=1e-8)
    assert error**2 == pytest.approx(np.asarray(variance), rel=1e-8)


def test_column_as_pykrige(case):
    peer = pytest.importorskip("pykrige.uk")
    places, values, cells, column, at_cells = case
    theirs = peer.UniversalKriging(
        places[:, 0], places[:, 1], values, variogram_model="exponential",
        variogram_parameters={"psill": 4.0, "range": 36.0, "nugget": 0.7},
        drift_terms=["specified"], specified_drift=[column],
    )  # fmt: skip
    mean, variance = theirs.execute("points", cells[:, 0], cells[:, 1], specified_drift_arrays=[at_cells])
    ours, error = krige_with_drift(
        places, values, cells, variogram=FIELD, block_m=0.0,
        linear=False, drift=column, drift_at_positions=at_cells,
    )  # fmt: skip
    assert ours == pytest.approx(np.asarray(mean), rel=1e-8)
    assert error**2 == pytest.approx(np.asarray(variance), rel=1e-8)


def test_blocks_with_plane_and_column_as_the_textbook_system(case):
    places, values, cells, column, at_cells = case
    ours, error = krige_with_drift(
        places,
        values,
        cells,
        variogram=FIELD,
        quadrature="regular",
        drift=column,
        drift_at_positions=at_cells,
    )
    trends = np.column_stack([np.ones(50), places, column])
    expected = [
        solve_densely(FIELD, places, values, cell, trends, [1.0, *cell, at], 10.0)
        for cell, at in zip(cells, at_cells, strict=True)
    ]
    assert ours == pytest.approx([one[0] for one in expected], rel=1e-8)
    assert error**2 == pytest.approx([one[1] for one in expected], rel=1e-7)


def test_without_a_drift_it_is_ordinary_kriging(case):
    places, values, cells, *_ = case
    ours = krige_with_drift(places, values, cells, variogram=FIELD, linear=False, neighbours=24)
    plain = LocalBlockKriging(FIELD, neighbours=24).fit(places, values).predict(cells, return_std=True)
    assert ours[0] == pytest.approx(plain[0], rel=1e-10)
    assert ours[1] == pytest.approx(plain[1], rel=1e-10)


def test_values_on_the_drift_are_given_back_whatever_its_unit_and_origin(case):
    places, _, cells, column, at_cells = case
    for scale, shift in ((1.0, 0.0), (1e4, 3e5)):
        mean, _ = krige_with_drift(
            places, 2.0 + 3.0 * column - 0.2 * places[:, 1], cells, variogram=FIELD, neighbours=20,
            drift=shift + scale * column, drift_at_positions=shift + scale * at_cells,
        )  # fmt: skip
        assert mean == pytest.approx(2.0 + 3.0 * at_cells - 0.2 * cells[:, 1], abs=1e-5)


def test_a_trend_that_cannot_be_told_is_left_out(case):
    places, values, cells, *_ = case
    flat = krige_with_drift(
        places, values, cells, variogram=FIELD, linear=False,
        drift=np.full(50, 7.0), drift_at_positions=np.full(7, 7.0),
    )  # fmt: skip
    plain = krige_with_drift(places, values, cells, variogram=FIELD, linear=False)
    assert flat[0] == pytest.approx(plain[0], rel=1e-8)
    one_row = np.column_stack([np.arange(40.0), np.zeros(40)])
    mean, error = krige_with_drift(one_row, one_row[:, 0], [[20.0, 3.0]], variogram=FIELD)
    assert mean[0] == pytest.approx(20.0, abs=1e-6)
    assert np.isfinite(error[0])


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"drift": np.zeros(50)}, r"Drift has shape \(50, 1\) at 50 readings and \(0, 0\) at 7 positions"),
        ({"drift": np.full(50, np.nan), "drift_at_positions": np.zeros(7)}, "is not finite"),
        ({"drift": np.zeros(49), "drift_at_positions": np.zeros(7)}, r"\(49, 1\) at 50 readings"),
    ],
)
def test_refuses_columns_that_do_not_fit(case, columns, words):
    places, values, cells, *_ = case
    with pytest.raises(DataError, match=words):
        krige_with_drift(places, values, cells, variogram=FIELD, **columns)
    with pytest.raises(DataError, match="readings lie where others do"):
        krige_with_drift(
            np.zeros((3, 2)), [1.0, 2.0, 3.0], cells, variogram=Variogram("exponential", 0.0, 1.0, 9.0)
        )


# krige(log(zinc) ~ x + y, meuse, ..., vgm(0.15, "Exp", 300, 0.06), nmax=40, block=c(40, 40)) of gstat 2.1.0
GSTAT = {
    (181180, 333740): (6.68365693807, 0.1288259111863),
    (180580, 332500): (6.41058038714, 0.0395972928809),
    (180260, 331300): (4.89232676247, 0.0636243516462),
    (179180, 329820): (5.97749713125, 0.0509480069967),
}


def test_meuse_blocks_with_a_plane_as_gstat(meuse):
    # [R]: run here with R 4 and the gstat of Debian; Gaussian quadrature, gstat's default.
    places, zinc = meuse
    mean, error = krige_with_drift(
        places, np.log(zinc), list(GSTAT), variogram=Variogram("exponential", 0.06, 0.15, 300.0),
        neighbours=40, block_m=40.0, quadrature="gauss",
    )  # fmt: skip
    expected = np.array(list(GSTAT.values()))
    assert mean == pytest.approx(expected[:, 0], rel=1e-7)
    assert error**2 == pytest.approx(expected[:, 1], rel=1e-7)
