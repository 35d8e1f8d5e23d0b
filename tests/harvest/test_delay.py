"""Parts of the delay estimate, each against what it must give by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from vinemap.harvest.delay import (
    DelayEstimate,
    _combine,
    _correlation,
    _Curves,
    _jackknife,
    _peak,
    _peak_with_error,
    _splat,
    _usable,
    estimate_delays,
    pool_delays,
)
from vinemap.harvest.track import Track


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


@pytest.mark.parametrize(("best", "used"), [(-5.0, False), (-4.9, True), (28.9, True), (29.0, False)])
def test_estimates_nearer_to_the_border_than_a_step_are_not_used(best, used):
    assert np.isfinite(_usable((best, 0.3), 0.4)[1]) == used


@pytest.mark.parametrize(("error", "used"), [(2.4, True), (2.6, False)])
def test_an_estimate_vaguer_than_two_and_a_half_seconds_is_not_used(error, used):
    assert np.isfinite(_usable((8.0, error), 0.0)[1]) == used


def test_three_joint_errors_apart_is_a_contradiction():
    assert _combine((10.0, 0.6), (14.4, 0.8)) != _combine((10.0, 0.6), (13.1, 0.8))  # joint error 1 s
    assert _combine((10.0, 0.6), (12.9, 0.8))[2] == ""
    assert _combine((10.0, 0.6), (13.1, 0.8))[2] != ""


def test_jackknife_error_of_a_mean_is_the_textbook_one():
    # Efron and Tibshirani 1993, ch. 11 (from memory): of a mean it is the standard deviation over root n.
    values = np.random.default_rng(3).normal(5.0, 2.0, 12)
    left_out = [float(np.delete(values, one).mean()) for one in range(12)]
    assert _jackknife(left_out) == pytest.approx(values.std(ddof=1) / np.sqrt(12))


def test_peak_beside_a_border_or_of_a_hollow_stays_near_the_highest_candidate():
    candidates = np.arange(-6.0, 31.0)
    assert _peak(np.where(candidates == 30.0, 1.0, 0.0), candidates[:]) <= 34.0
    rising = np.exp(candidates / 9.0)  # no top: a parabola open upward
    assert _peak(rising, candidates) == 30.0
    assert _peak(np.array([0.0, 2.0, 1.0]), np.array([4.0, 5.0, 6.0])) == 5.0  # too few for a parabola
    lonely = np.full(37, np.nan)
    lonely[[10, 11, 12, 13]] = [0.0, 0.9, 1.0, 0.7]
    with np.errstate(invalid="ignore"):
        assert abs(_peak(np.nan_to_num(lonely), candidates) - 6.0) <= 4.0


def test_parabola_reaches_four_seconds_to_each_side():
    candidates = np.arange(-6.0, 31.0)
    curve = 5.0 - 0.1 * (candidates - 10.3) ** 2
    curve[np.abs(candidates - 10.3) > 4.8] = -50.0  # beyond the span
    assert _peak(curve, candidates) == pytest.approx(10.3)
    inside = curve.copy()
    inside[candidates == 14.0] -= 1.0
    assert _peak(inside, candidates) < 10.2


def test_peak_and_error_of_row_pairs_are_those_of_pairs_left_out_in_ten_groups():
    candidates = np.arange(-6.0, 31.0)
    tops = np.random.default_rng(5).normal(9.0, 1.0, 20)
    sums = 5.0 - 0.1 * (candidates[None] - tops[:, None]) ** 2
    weights = np.ones_like(sums)
    best, error = _peak_with_error(sums, weights, candidates)
    assert best == pytest.approx(tops.mean())  # parabolas of one curvature add up to one
    means = tops.reshape(10, 2).mean(axis=1)
    assert error == pytest.approx(means.std(ddof=1) / np.sqrt(10), rel=1e-6)
    heavy = weights.copy()
    heavy[:10] = 3.0
    assert _peak_with_error(sums * heavy, heavy, candidates)[0] == pytest.approx(
        np.average(tops, weights=heavy[:, 0])
    )


def test_correlation_of_what_does_not_vary_is_nought():
    sums = np.array([[10.0, 20.0, 30.0, 40.0, 90.0, 60.0]])  # x is always 2, y always 3
    assert _correlation(sums).tolist() == [0.0]


def delay_track(*, lag_s=8.0, rows=12, cells=100, interval_s=1.0, noise=0.02, machines=1):
    """Rows up and down in turn with 20 s between, each with its own pattern shared with its neighbours."""
    rng = np.random.default_rng(4)
    per_row = round((cells + 20) / interval_s)
    time = interval_s * np.arange(rows * per_row)
    second = time % (cells + 20)
    row = (time // (cells + 20)).astype(int)
    inside = second < cells
    along = np.where(row % 2 == 0, second, cells - 1 - second) * 1.4
    pattern = lambda at: 1.0 + 0.4 * np.sin(at / 9.0) + 0.3 * np.cos(at / 4.0)  # noqa: E731
    flow = np.where(inside, pattern(along), 0.0)
    shift = round(lag_s / interval_s)
    at_sensor = np.r_[np.zeros(shift), flow[: flow.size - shift]] * np.exp(rng.normal(0, noise, time.size))
    size = time.size
    track = Track(
        np.arange(size), np.zeros(size, dtype=int), np.zeros(size, dtype=int), time, 3.0 * row, along,
        np.where(inside, row, -1), np.where(inside, along, np.nan), np.full(size, 1.4),
        np.ones(size, dtype=bool), np.where(inside, row, -1), np.where(row % 2 == 0, 1, -1), inside,
        interval_s,
    )  # fmt: skip
    return track, at_sensor


def estimates(track, flow, **more):
    options = {"machines": ["H1"], "days": {0: "2026-03-02", 1: "2026-03-03"}, "row_spacing_m": 3.0} | more
    return estimate_delays(track, flow, **options)


@pytest.mark.parametrize("lag_s", [0.0, 5.0, 12.0, 20.0])
def test_both_ways_of_telling_find_the_delay(lag_s):
    track, flow = delay_track(lag_s=lag_s)
    curves = _Curves(track, flow, 3.0)
    mine = np.ones(flow.size, dtype=bool)
    sums, weights = curves.of(mine)
    assert sums.shape == weights.shape == (20, 37)  # 11 pairs of neighbours, 9 three rows apart
    assert _peak_with_error(sums, weights, curves.candidates)[0] == pytest.approx(lag_s, abs=0.3)
    assert curves.at_row_ends(mine)[0] == pytest.approx(lag_s, abs=0.5)
    delay, found = estimates(track, flow)
    assert found[0].delay_s == pytest.approx(lag_s, abs=0.4)
    assert (delay == found[0].delay_s).all()
    assert 0.0 < found[0].se_s < 0.7
    assert found[0].identified


def test_readings_of_other_machines_say_nothing():
    track, flow = delay_track(lag_s=9.0)
    other = np.r_[np.zeros(flow.size // 2, dtype=int), np.ones(flow.size - flow.size // 2, dtype=int)]
    spoiled = np.where(other == 1, 7.7, flow)
    found = estimates(replace(track, machine=other), spoiled, machines=["H1", "H2", "H3"])[1]
    assert [one.machine for one in found] == ["H1", "H2"]
    assert found[0].delay_s == pytest.approx(9.0, abs=0.5)
    assert not found[1].identified


def test_row_ends_need_a_hundred_readings_with_flow():
    track, flow = delay_track(lag_s=6.0)
    curves = _Curves(track, flow, 3.0)
    few = np.zeros(flow.size, dtype=bool)
    few[:99] = True
    assert np.isnan(curves.at_row_ends(few)[1])
    few[:400] = True
    assert np.isfinite(curves.at_row_ends(few)[1])
    curves.flow = np.where(np.arange(flow.size) < 310, np.nan, flow)
    assert np.isnan(curves.at_row_ends(few)[1])  # 90 of them known
    curves.flow = 0.0 * flow
    assert np.isnan(curves.at_row_ends(np.ones(flow.size, dtype=bool))[1])


def test_spikes_hardly_move_the_delay_of_row_ends():
    track, flow = delay_track(lag_s=6.0)
    spiked = flow.copy()
    spiked[7::60] *= 40.0
    mine = np.ones(flow.size, dtype=bool)
    assert _Curves(track, spiked, 3.0).at_row_ends(mine)[0] == pytest.approx(6.0, abs=0.5)


def test_logs_of_yield_are_about_the_median_and_drawn_in():
    picked = SimpleNamespace(speed_m_s=np.ones(203), pass_no=np.r_[np.zeros(202, dtype=int), -1])
    logs = np.random.default_rng(1).normal(0.0, 0.2, 200)
    flow = np.r_[np.exp(logs), 1e6, 1e-6, 1.0]
    found = _Curves._logs(flow, picked, 10.0)
    spread = 1.4826 * np.median(np.abs(logs - np.median(logs)))
    assert np.isnan(found[202])
    assert np.median(found[:202]) == pytest.approx(0.0, abs=0.01)
    assert found[200] == pytest.approx(2.5 * spread, rel=0.05)
    assert found[201] == pytest.approx(-2.5 * spread, rel=0.05)
    assert np.isnan(_Curves._logs(np.zeros(203), picked, 10.0)).all()


def test_fewer_than_six_pairs_are_not_asked_and_said():
    track, _ = delay_track(rows=3, noise=0.0)
    blind = np.full(track.time_s.size, 2.0)
    found = estimates(track, blind)[1][0]
    assert (found.delay_s, found.pairs) == (8.0, 2)
    assert found.note.startswith("2 pairs of neighbouring rows driven in opposite directions (6 needed)")


def test_a_fallback_is_said_and_a_delay_is_never_negative():
    track, _ = delay_track()
    blind = np.full(track.time_s.size, 2.0)
    found = estimates(track, blind, fallback_s=11.0)[1][0]
    assert found.delay_s == 11.0
    assert "do not agree better at any delay than at others: 11 s is used as given" in found.note
    early = delay_track(lag_s=2.0)
    moved = np.r_[early[1][4:], np.zeros(4)]  # logged two seconds before it was picked
    delay, found = estimates(early[0], moved)
    assert found[0].delay_s == 0.0
    assert not delay.any()


def test_days_are_asked_only_where_there_are_several():
    track, flow = delay_track(lag_s=6.0, rows=24)
    late = delay_track(lag_s=15.0, rows=24)[1]
    day = (np.arange(flow.size) >= flow.size // 2).astype(int)
    both = np.where(day == 1, late, flow)
    found = estimates(replace(track, day=day), both)[1]
    assert {one.day for one in found} > {""}
    by_day = {one.day: one.delay_s for one in found if one.day}
    for name, lag in by_day.items():
        assert lag == pytest.approx(6.0 if name == "2026-03-02" else 15.0, abs=0.6)
    assert [one.day for one in estimates(track, flow)[1]] == [""]
    assert [one.day for one in estimates(replace(track, day=day), flow)[1]] == [""]  # both days alike


def test_pooled_delays_weigh_by_their_errors_which_are_never_below_the_floor():
    told = [DelayEstimate("H1", "", 8.0, 1.0, 40, ""), DelayEstimate("H1", "", 10.0, 0.5, 40, "")]
    assert pool_delays(told)["H1"] == pytest.approx((8.0 + 4 * 10.0) / 5)
    sure = [DelayEstimate("H1", "", 8.0, 0.1, 40, ""), DelayEstimate("H1", "", 10.0, 0.4, 40, "")]
    assert pool_delays(sure)["H1"] == pytest.approx(9.0)
    one_day = DelayEstimate("H2", "2026-03-02", 20.0, 0.4, 40, "")
    assert pool_delays([one_day]) == {}


def test_jackknife_leaves_out_sums_together_with_their_weights():
    candidates = np.arange(-6.0, 31.0)
    rng = np.random.default_rng(8)
    tops = rng.normal(9.0, 1.0, 10)
    # At some delays a pair has more cells in common: its weight differs from candidate to candidate.
    weights = rng.uniform(0.5, 4.0, 10)[:, None] * (1.0 + 0.05 * rng.uniform(0, 1, (10, 37)))
    sums = weights * (5.0 - 0.1 * (candidates[None] - tops[:, None]) ** 2)
    left_out = [
        _peak(
            np.delete(sums, one, axis=0).sum(axis=0) / np.delete(weights, one, axis=0).sum(axis=0), candidates
        )
        for one in range(10)
    ]
    best, error = _peak_with_error(sums, weights, candidates)
    assert best == pytest.approx(_peak(sums.sum(axis=0) / weights.sum(axis=0), candidates))
    assert error == pytest.approx(_jackknife(left_out))


def test_logs_are_laid_into_cells_of_their_row_less_its_mean():
    curves = _Curves.__new__(_Curves)
    curves.rows, curves.cells, curves.cell_m = 2, 6, 2.0
    along = np.array([0.0, 3.0, 7.4, 2.0, np.nan, 50.0])
    row_no, log = np.array([0, 0, 0, 1, 1, 1]), np.array([1.0, 3.0, 4.0, 7.0, np.nan, 1.0])
    curves.traced, curves.log_yield = [SimpleNamespace(along_m=along, row_no=row_no)], [log]
    mine = np.array([True, True, True, True, True, False])
    value, weight = curves._grid(mine, 0)
    # 3.0 m lies half way between cells 1 and 2, 7.4 m in cell 3 by 0.3 and 4 by 0.7; mean of row 0: 8 / 3
    assert weight[0] == pytest.approx([1.0, 0.5, 0.5, 0.3, 0.7, 0.0])
    assert value[0] == pytest.approx([1 - 8 / 3, 3 - 8 / 3, 3 - 8 / 3, 4 - 8 / 3, 4 - 8 / 3, 0.0])
    assert weight[1].tolist() == [0.0, 1.0, 0.0, 0.0, 0.0, 0.0]
    assert value[1].tolist() == [0.0] * 6  # alone in its row it is the mean
    curves.traced[0].along_m = np.array([0.0, 3.7, 7.4, 2.0, np.nan, 50.0])
    assert curves._grid(mine, 0)[1][0] == pytest.approx([1.0, 0.0, 0.85, 0.3, 0.7, 0.0])  # 0.15 is too little
    curves.traced[0].along_m = np.array([-3.0, 99.0, 7.4, 2.0, np.nan, 50.0])
    assert curves._grid(mine, 0)[1][0, 0] == 1.0  # beyond the row counts at its end
    assert curves._grid(mine, 0)[1][0, 4:] == pytest.approx([1.7, 0.0], abs=2e-3)


def test_candidates_are_each_second_from_minus_six_to_thirty():
    track, flow = delay_track(rows=3)
    curves = _Curves(track, flow, 3.0)
    assert curves.candidates.tolist() == list(range(-6, 31))
    assert curves.cell_m == 2.0
    assert curves.rows == 3
    assert curves.cells * curves.cell_m >= np.nanmax(track.along_m) + 2.0
    assert len(curves.traced) == len(curves.log_yield) == 37
    slow, flow = delay_track(rows=3, interval_s=5.0)
    assert _Curves(slow, flow, 3.0).cell_m == pytest.approx(7.0)


def test_sums_of_pairs_weigh_cells_that_both_rows_have():
    track, flow = delay_track(rows=2, cells=40)
    curves = _Curves(track, flow, 3.0)
    mine = np.ones(flow.size, dtype=bool)
    sums, weights = curves.of(mine)
    value, weight = curves._grid(mine, 14)
    both = np.minimum(weight[0], weight[1])
    assert sums[0, 14] == pytest.approx((value[0] * value[1] * both).sum())
    assert weights[0, 14] == pytest.approx(both.sum())
    nothing = curves.of(np.zeros(flow.size, dtype=bool))
    assert nothing[0].shape == (0, 37)
