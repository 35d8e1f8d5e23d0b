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
