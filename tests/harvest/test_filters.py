"""Each filter on the plainest case, and properties of the flags."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap.harvest import REASONS, filters
from vinemap.harvest.jumps import find_bad_fixes, find_shifted_runs
from vinemap.harvest.layout import _speed_note
from vinemap.harvest.reasons import set_first
from vinemap.harvest.track import join_passes, number_passes, steady_rows


@given(st.lists(st.booleans(), min_size=1, max_size=30), st.sampled_from(sorted(REASONS)))
def test_the_first_reason_stays_and_flagging_twice_changes_nothing(mask, reason):
    start = np.array(["" if n % 3 else "idle" for n in range(len(mask))], dtype=object)
    once = set_first(start, np.array(mask), reason)
    assert set_first(once, np.array(mask), reason).tolist() == once.tolist()
    assert all(new == old for new, old in zip(once, start, strict=True) if old)
    assert start.tolist() == ["" if n % 3 else "idle" for n in range(len(mask))]


def test_an_unknown_reason_is_refused():
    with pytest.raises(KeyError, match="nonsense"):
        set_first(np.array([""], dtype=object), np.array([True]), "nonsense")


def test_stuck_needs_longer_runs_where_flow_is_rounded():
    rng = np.random.default_rng(0)
    coarse = np.round(rng.normal(6.0, 0.2, 5000), 1)  # equal neighbours are common
    assert filters.find_stuck(coarse, np.zeros(5000)).mean() < 0.002
    fine = rng.normal(6.0, 0.5, 500)
    fine[100:108] = fine[100]
    assert np.flatnonzero(filters.find_stuck(fine, np.zeros(500))).tolist() == list(range(100, 108))


def test_zero_is_never_stuck():
    assert not filters.find_stuck(np.zeros(50), np.zeros(50)).any()


def pass_table(ramp):
    rng = np.random.default_rng(0)
    full = 12 * np.exp(0.2 * rng.normal(size=(20, 120)))
    full[:, : len(ramp)] *= ramp
    return full.ravel(), np.repeat(np.arange(20), 120), np.zeros(2400, dtype=int)


def test_a_filling_conveyor_is_cut_where_it_is_full():
    value, pass_no, machine = pass_table([0.1, 0.35, 0.6, 0.8])
    found = filters.find_ramps(value, pass_no, machine, interval_s=1.0).reshape(20, 120)
    assert found[:, :4].all()
    assert not found[:, 4:].any()


def test_weak_row_ends_are_no_ramp():
    value, pass_no, machine = pass_table(np.linspace(0.72, 1.0, 40))
    assert not filters.find_ramps(value, pass_no, machine, interval_s=1.0).any()


def test_redriven_keeps_a_pass_that_goes_on_where_another_ended():
    along = np.r_[np.arange(0, 50, 1.4), np.arange(51, 100, 1.4)]
    pass_no = np.r_[np.zeros(36, dtype=int), np.ones(35, dtype=int)]
    found = filters.find_redriven(np.ones(71, dtype=int), along, pass_no, cell_m=2.0)
    assert found.sum() <= 1


def track(count=120):
    time = np.arange(float(count))
    return time, np.zeros(count), 1.4 * time, np.zeros(count)


@pytest.mark.parametrize("size", [4.0, 12.0, 300.0])
def test_a_single_jump_is_found_alone(size):
    time, x, y, machine = track()
    x[50] += size
    assert np.flatnonzero(find_bad_fixes(time, x, y, machine, limit_m=3.0)).tolist() == [50]


def test_fixes_before_and_after_a_short_run_stay_good():
    time, x, y, machine = track()
    x[50:53] += 9.0
    assert not find_bad_fixes(time, x, y, machine, limit_m=3.0)[[47, 48, 49, 53, 54, 55]].any()


@pytest.mark.parametrize("angle", [0.0, 0.7, 1.57, 3.1])
def test_a_run_shifted_aside_is_found_whole(angle):
    time, x, y, machine = track()
    x[50:57] += 6 * np.sin(angle)
    y[50:57] += 6 * np.cos(angle)
    found = find_shifted_runs(time, x, y, machine, np.full(120, 1.4), (0.0, 1.0), interval_s=1.0)
    assert np.flatnonzero(found).tolist() == list(range(50, 57))


def test_jitter_is_no_jump():
    rng = np.random.default_rng(0)
    time, x, y, machine = track(5000)
    x, y = x + rng.normal(0, 0.4, 5000), y + rng.normal(0, 0.4, 5000)
    assert find_bad_fixes(time, x, y, machine, limit_m=3.0).mean() < 0.001
    assert (
        find_shifted_runs(time, x, y, machine, np.full(5000, 1.4), (0.0, 1.0), interval_s=1.0).mean() < 0.002
    )


def test_passes_are_numbered_by_time_over_machines():
    row = np.array([1] * 10 + [-1] * 8 + [2] * 10 + [3] * 10)
    machine = np.array([0] * 28 + [1] * 10)
    time = np.r_[np.arange(28.0), np.arange(10.0) + 9.0]
    way = np.array([1] * 10 + [0] * 8 + [-1] * 10 + [1] * 10)
    numbers, direction = number_passes(machine, time, row, way, np.ones(38, dtype=bool), interval_s=1.0)
    assert numbers[[0, 12, 20, 30]].tolist() == [0, -1, 2, 1]
    assert direction[[0, 20, 30]].tolist() == [1, -1, 1]


def test_hops_into_the_next_row_are_taken_back():
    hop = np.array([4] * 20 + [5] * 2 + [4] * 20)
    assert set(steady_rows(hop, interval_s=1.0)) == {4}
    drift = np.array([4] * 20 + [5] * 9 + [4] * 20)
    assert set(join_passes(drift, np.zeros(49), np.arange(49.0), interval_s=1.0)) == {4}


def test_a_shifted_run_is_found_while_the_speed_changes():
    time = np.arange(60.0)
    speed = np.linspace(0.6, 3.0, 60)
    y = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))])
    x = np.where((time >= 20) & (time < 25), 6.0, 0.0)
    found = find_shifted_runs(time, x, y, np.zeros(60), speed, (0.0, 1.0), interval_s=1.0)
    assert found.nonzero()[0].tolist() == [20, 21, 22, 23, 24]


@pytest.mark.parametrize(("readings", "told"), [(19, 0), (20, 1)])
def test_a_speed_in_the_wrong_unit_is_told_where_enough_readings_say_so(readings, told):
    travelled = np.r_[np.full(readings, 1.5), np.full(30, 0.1)]
    notes = _speed_note(3.6 * travelled, travelled)
    assert len(notes) == told
    assert all("3.60 times the speed between positions" in one for one in notes)
    assert _speed_note(1.1 * travelled, travelled) == []


def test_idle_is_below_a_share_of_the_usual_speed_and_never_below_what_picks_at_all():
    assert filters.find_idle(np.array([0.48, 0.50, np.nan]), 1.4).tolist() == [True, False, True]
    assert filters.find_idle(np.array([0.24, 0.26]), 0.5).tolist() == [True, False]


def test_a_fix_is_a_fault_where_it_jumps_or_lies_off_the_rows_of_the_block():
    bad, row_no = np.array([True, False, False, False]), np.array([3, -1, -1, 0])
    inside = np.array([True, True, False, True])
    assert filters.find_position_faults(bad, row_no, inside).tolist() == [True, True, False, False]


@pytest.mark.parametrize(("run", "stuck"), [(4, False), (5, True)])
def test_five_equal_flows_are_stuck_where_flow_is_fine(run, stuck):
    flow = np.random.default_rng(2).normal(6.0, 0.5, 400)
    flow[100 : 100 + run] = flow[100]
    assert filters.find_stuck(flow, np.zeros(400)).sum() == run * stuck


@pytest.mark.parametrize(("run", "stuck"), [(17, False), (18, True)])
def test_eighteen_equal_flows_are_stuck_where_every_second_is_equal_by_rounding(run, stuck):
    # Equal neighbours have a chance of one half: 0.5^17 is the first below 1e-5, so 18 readings.
    pairs = np.repeat(np.arange(1.0, 500.0), 2)
    flow = np.concatenate([pairs, np.full(run, 900.0), pairs + 1000.0])
    found = np.flatnonzero(filters.find_stuck(flow, np.zeros(flow.size)))
    assert found.tolist() == (list(range(998, 998 + run)) if stuck else [])


def test_never_more_than_twenty_five_equal_flows_are_needed():
    flow = np.repeat([2.0, 3.0, 2.0, 3.0, 2.0], [5, 5, 24, 5, 25])
    assert np.flatnonzero(filters.find_stuck(flow, np.zeros(64))).tolist() == list(range(39, 64))


def test_equal_flows_of_two_machines_are_not_one_run():
    flow = np.random.default_rng(3).normal(6.0, 0.5, 400)
    flow[198:202] = 6.0
    flow[202] = 6.0
    machine = np.repeat([0, 1], 200)
    assert not filters.find_stuck(flow, machine).any()
    assert filters.find_stuck(flow, np.zeros(400)).sum() == 5


def test_no_flow_is_a_fiftieth_of_the_usual_and_bare_a_quarter():
    beside = np.array([12.0, 12.0, 2.4, 2.6, np.nan])
    value = np.array([0.21, 0.19, 0.0, 0.0, 0.0])
    assert filters.find_zero_flow(value, beside, 10.0).tolist() == [False, True, False, True, True]


def test_an_emptying_conveyor_is_cut_at_the_end_of_the_pass_and_each_machine_has_its_own():
    value, pass_no, machine = pass_table([0.1, 0.35, 0.6, 0.8])
    back = value.reshape(20, 120)[:, ::-1].ravel()
    found = filters.find_ramps(back, pass_no, machine, interval_s=1.0).reshape(20, 120)
    assert found[:, -4:].all()
    assert not found[:, :-4].any()
    even = pass_table([])[0]
    both = filters.find_ramps(
        np.r_[value, even], np.r_[pass_no, pass_no + 20], np.repeat([0, 1], 2400), interval_s=1.0
    ).reshape(40, 120)
    assert both[:20, :4].all()
    assert not both[20:].any()


def test_a_ramp_must_begin_low_and_is_full_at_85_pct():
    for start, told in ((0.75, False), (0.55, True)):
        value, pass_no, machine = pass_table([start])
        assert filters.find_ramps(value, pass_no, machine, interval_s=1.0).any() == told
    value, pass_no, machine = pass_table([0.3, 0.75, 0.95, 0.75])
    found = filters.find_ramps(value, pass_no, machine, interval_s=1.0).reshape(20, 120)
    assert found.sum(axis=0)[:5].tolist() == [20, 20, 0, 0, 0]


@pytest.mark.parametrize(("passes", "told"), [(7, False), (8, True)])
def test_a_ramp_is_drawn_from_eight_passes(passes, told):
    value, pass_no, machine = (one[: 120 * passes] for one in pass_table([0.1, 0.3]))
    assert filters.find_ramps(value, pass_no, machine, interval_s=1.0).any() == told


@pytest.mark.parametrize(("length", "told"), [(60, False), (61, True)])
def test_a_ramp_is_not_looked_for_in_passes_shorter_than_four_times_the_longest(length, told):
    value = np.full((20, length), 12.0)
    value[:, :3] = 2.0
    pass_no = np.repeat(np.arange(20), length)
    found = filters.find_ramps(value.ravel(), pass_no, np.zeros(20 * length, dtype=int), interval_s=1.0)
    assert found.any() == told


def test_readings_off_the_passes_and_left_out_are_no_part_of_a_ramp():
    value, pass_no, machine = pass_table([0.1, 0.3])
    plain = filters.find_ramps(value, pass_no, machine, interval_s=1.0)
    spoiled, off = value.copy(), pass_no.copy()
    spoiled[120 * 3 : 120 * 3 + 2] = np.nan  # left out already: the reading after them is the first
    off[:120] = -1
    found = filters.find_ramps(spoiled, off, machine, interval_s=1.0)
    assert not found[:120].any()
    assert not found[360:362].any()
    assert found[120:360].tolist() == plain[120:360].tolist()


def test_no_ramp_is_longer_than_fifteen_seconds():
    value, pass_no, machine = pass_table(np.linspace(0.1, 0.84, 24))
    assert not filters.find_ramps(value, pass_no, machine, interval_s=1.0).any()
    value, pass_no, machine = pass_table(np.linspace(0.1, 0.8, 14))
    assert filters.find_ramps(value, pass_no, machine, interval_s=1.0).sum() in (20 * 14, 20 * 15)


def test_speed_jumps_by_more_than_thirty_per_cent_for_less_than_half_of_nine_seconds():
    speed = np.full(60, 1.5)
    speed[10], speed[20], speed[30] = 1.5 * 1.29, 1.5 * 1.31, 1.5 * 0.69
    pass_no = np.zeros(60, dtype=int)
    assert np.flatnonzero(filters.find_speed_jumps(speed, pass_no, interval_s=1.0)).tolist() == [20, 30]
    pass_no[20] = -1
    assert np.flatnonzero(filters.find_speed_jumps(speed, pass_no, interval_s=1.0)).tolist() == [30]
    for size, told in ((4, [20, 21, 22, 23]), (5, [])):
        speed = np.full(60, 1.5)
        speed[20 : 20 + size] = 3.0
        found = filters.find_speed_jumps(speed, np.zeros(60, dtype=int), interval_s=1.0)
        assert np.flatnonzero(found).tolist() == told
    slow = np.array([1.5, 1.5, 3.0, 1.5, 1.5, 3.0, 3.0, 1.5])  # each 5 s: three readings are the window
    found = filters.find_speed_jumps(slow, np.zeros(8, dtype=int), interval_s=5.0)
    assert np.flatnonzero(found)[:1].tolist() == [2]
    assert not found[5:7].any()


def test_a_width_may_differ_by_a_tenth():
    width = np.array([2.69, 2.71, 3.0, 3.29, 3.31])
    assert filters.find_width_faults(width, 3.0).tolist() == [True, False, False, False, True]


def test_redriven_is_the_same_row_and_stretch_by_a_later_pass():
    row_no, along = np.array([1, 2, 1, 1, 1, 1]), np.array([12.0, 12.0, 12.4, 30.0, np.nan, 12.0])
    pass_no = np.array([5, 6, 7, 8, 9, -1])
    found = filters.find_redriven(row_no, along, pass_no, cell_m=5.0)
    assert found.tolist() == [False, False, True, False, False, False]
    assert not filters.find_redriven(row_no, along, np.full(6, -1), cell_m=5.0).any()
    many = np.tile(np.arange(0.0, 100.0, 2.0), 3)  # rows side by side never share a stretch
    rows = np.repeat([4, 5, 6], 50)
    assert not filters.find_redriven(rows, many, rows, cell_m=5.0).any()
