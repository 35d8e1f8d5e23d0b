"""Parts of the delay estimate, each against what it must give by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from vinemap.harvest.delay import DelayEstimate, _combine, _correlation, _Curves, _peak, _splat, _usable


def test_rows_up_to_three_apart_and_driven_clearly_in_opposite_directions_are_paired():
    way = {0: [1] * 4, 1: [-1] * 4, 2: [1] * 4, 3: [-1] * 4, 4: [1] * 2, 5: [1, 1, 1, -1, -1], 7: [-1] * 9}
    row_no = np.repeat(list(way), [len(one) for one in way.values()])
    track = SimpleNamespace(
        pass_no=np.zeros(row_no.size, dtype=int), row_no=row_no, direction=np.concatenate(list(way.values()))
    )
    curves = _Curves.__new__(_Curves)
    curves.track, curves.rows = track, 8
    pairs = curves._opposite_pairs(np.ones(row_no.size, dtype=bool))
    # row 4 has too few readings, row 5 was driven both ways, row 7 is more than three from row 2
    assert pairs.tolist() == [[0, 1], [0, 3], [1, 2], [2, 3]]
    track.pass_no[row_no == 3] = -1
    assert curves._opposite_pairs(np.ones(row_no.size, dtype=bool)).tolist() == [[0, 1], [1, 2]]


def test_value_between_two_cells_is_shared_out():
    shared = _splat(np.array([0, 1]), np.array([0.75, 0.5]), np.array([0.25, 0.5]), 4)
    assert shared.tolist() == [0.75, 0.75, 0.5, 0.0]


def test_correlation_from_sums_is_that_of_numpy():
    x, y = np.random.default_rng(1).normal(2.0, 1.0, size=(2, 50))
    y = y + 0.5 * x
    sums = np.array([[x.size, x.sum(), y.sum(), (x * x).sum(), (y * y).sum(), (x * y).sum()]])
    assert _correlation(sums)[0] == pytest.approx(np.corrcoef(x, y)[0, 1], rel=1e-12)


@pytest.mark.parametrize("top", [8.0, 8.3, 11.75])
def test_vertex_of_a_parabola_is_found_between_candidates(top):
    candidates = np.arange(-6.0, 31.0)
    assert _peak(5.0 - 0.1 * (candidates - top) ** 2, candidates) == pytest.approx(top)


def test_two_estimates_are_joined_by_their_errors_unless_they_contradict_each_other():
    best, error, note = _combine((10.0, 1.0), (12.0, 2.0))
    assert (best, error, note) == (pytest.approx(10.4), pytest.approx(np.sqrt(0.8)), "")
    apart = "row ends say 14.0 s, neighbouring rows are followed"
    assert _combine((10.0, 0.5), (14.0, 0.6)) == (10.0, 0.5, apart)
    apart = "neighbouring rows say 20.2 s, row ends are followed"
    assert _combine((20.17, 1.5), (11.6, 0.6)) == (11.6, 0.6, apart)
    nothing = (float("nan"), float("nan"))
    assert _combine(nothing, (9.0, 0.7)) == (9.0, 0.7, "")
    assert _combine((9.0, 0.7), nothing) == (9.0, 0.7, "")


def test_estimates_at_the_border_or_too_vague_are_not_used():
    assert _usable((8.0, 0.3), 0.4) == (8.0, pytest.approx(0.5))
    assert np.isnan(_usable((29.5, 0.3), 0.4)[1])
    assert np.isnan(_usable((-5.5, 0.3), 0.4)[1])
    assert np.isnan(_usable((8.0, 2.6), 0.4)[1])


def test_an_estimate_without_error_was_not_identified():
    assert DelayEstimate("H1", "", 8.0, 0.4, 9, "").identified
    assert not DelayEstimate("H1", "", 8.0, float("nan"), 9, "").identified
