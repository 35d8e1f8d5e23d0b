"""Jumps off the track: how far, how long, at both ends of a log, and never from one machine to another."""

import numpy as np
import pytest

from vinemap.harvest.jumps import _nanmedian, find_bad_fixes, find_shifted_runs


def track(count=60, *, interval_s=1.0, speed=1.4):
    time = interval_s * np.arange(count)
    return time, np.zeros(count), speed * time, np.zeros(count)


def shifted(offset, first=20, size=5, *, interval_s=1.0, speed=1.4, back=True, way=1.0, more=None):
    """Fixes on the way north, some of them moved east."""
    time, x, y, machine = track(interval_s=interval_s, speed=speed)
    x[first : first + size if back else None] += offset
    out = find_shifted_runs(
        time, x, way * y, machine if more is None else more, np.full(60, speed), (0.0, 1.0),
        interval_s=interval_s,
    )  # fmt: skip
    return np.flatnonzero(out).tolist()


@pytest.mark.parametrize(
    ("at", "size", "bad"), [(30, 2.9, False), (30, 3.1, True), (0, 3.1, True), (59, 3.1, True)]
)
def test_a_jump_counts_from_the_limit_on_at_either_end_of_a_log_too(at, size, bad):
    time, x, y, machine = track()
    x[at] += size
    assert np.flatnonzero(find_bad_fixes(time, x, y, machine, limit_m=3.0)).tolist() == [at] * bad


def test_a_change_of_speed_or_a_bend_is_no_jump():
    time = np.arange(60.0)
    y = np.cumsum(np.where(time < 30, 0.4, 2.4))
    x = np.where(time < 30, 0.0, 1.0 * (time - 30))
    assert not find_bad_fixes(time, x, y, 0 * time, limit_m=3.0).any()


def test_places_are_judged_by_the_time_between_fixes():
    time = np.cumsum(np.tile([1.0, 4.0, 2.0], 20))  # at 1.4 m/s a fix 4 s on is 5.6 m on
    assert not find_bad_fixes(time, 0 * time, 1.4 * time, 0 * time, limit_m=1.0).any()
    late = time.copy()
    late[30] += 0.9
    assert not find_bad_fixes(late, 0 * time, 1.4 * time, 0 * time, limit_m=1.3).any()


def test_a_machine_far_from_another_is_no_jump():
    time, x, y, machine = track()
    machine[30:], x[30:] = 1, 5000.0
    assert not find_bad_fixes(time, x, y, machine, limit_m=3.0).any()
    options = {"speed_m_s": np.full(60, 1.4), "direction": (0.0, 1.0), "interval_s": 1.0}
    assert not find_shifted_runs(time, x, y, machine, **options).any()


@pytest.mark.parametrize(("size", "bad"), [(5, True), (6, False)])
def test_five_fixes_between_two_steps_no_machine_can_make_are_bad(size, bad):
    time, x, y, machine = track()
    x[30 : 30 + size] += 100.0
    found = find_bad_fixes(time, x, y, machine, limit_m=1e6)  # so that the steps alone tell
    assert np.flatnonzero(found).tolist() == (list(range(30, 30 + size)) if bad else [])


@pytest.mark.parametrize(("step", "bad"), [(7.5, False), (8.5, True)])
def test_no_machine_drives_faster_than_eight_metres_a_second(step, bad):
    time, x, y, machine = track(speed=0.0)
    x[30:33] += step
    assert find_bad_fixes(time, x, y, machine, limit_m=1e6).sum() == 3 * bad
    twice = find_bad_fixes(2.0 * time, x, y, machine, limit_m=1e6)
    assert not twice.any()  # 8.5 m in 2 s can be driven


def test_a_long_part_of_a_log_beyond_a_leap_stays():
    time, x, y, machine = track()
    x[40:] += 100.0
    assert not find_bad_fixes(time, x, y, machine, limit_m=1e6).any()
    x[57:] += 100.0  # the last three fixes lie between a leap and the end, not between two
    assert not find_bad_fixes(time, x, y, machine, limit_m=1e6).any()


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(("offset", "told"), [(2.4, False), (2.6, True), (-2.6, True)])
def test_a_shift_aside_counts_from_two_and_a_half_metres(offset, told, way):
    assert shifted(offset, way=way) == (list(range(20, 25)) if told else [])


@pytest.mark.parametrize(("offset", "told"), [(2.7, False), (2.9, True)])
def test_in_a_slow_log_a_shift_is_a_share_of_the_usual_step(offset, told):
    assert bool(shifted(offset, interval_s=5.0)) == told  # 0.4 of 7 m


@pytest.mark.parametrize(("size", "told"), [(1, True), (12, True), (13, False)])
def test_a_shift_longer_than_twelve_fixes_is_drift(size, told):
    assert shifted(6.0, size=size) == (list(range(20, 20 + size)) if told else [])


def test_a_shift_that_does_not_come_back_is_none():
    assert shifted(6.0, back=False) == []
    time, x, y, machine = track()
    x[20:25] += 6.0
    x[25:] += 10.0  # goes on, not back
    options = {"speed_m_s": np.full(60, 1.4), "direction": (0.0, 1.0), "interval_s": 1.0}
    assert not find_shifted_runs(time, x, y, machine, **options).any()
    x[25:] -= 7.5  # comes back to within half of the shift
    assert np.flatnonzero(find_shifted_runs(time, x, y, machine, **options)).tolist() == list(range(20, 25))


def test_noisy_receivers_wander_more_before_it_is_a_shift():
    rng = np.random.default_rng(5)
    time, x, y, machine = track(2000)
    x = x + np.cumsum(rng.normal(0, 0.9, 2000))
    shift = np.zeros(2000)
    shift[1000:1005] = 3.0
    options = {"speed_m_s": np.full(2000, 1.4), "direction": (0.0, 1.0), "interval_s": 1.0}
    # Five robust deviations of a step (its length counts): 0.61 m x 1.4826 x 5 = 4.5 m.
    assert find_shifted_runs(time, x, y, machine, **options).mean() < 0.002
    steady = find_shifted_runs(time, 0 * x + shift, y, machine, **options)
    assert np.flatnonzero(steady).tolist() == list(range(1000, 1005))


def test_steps_over_a_gap_in_the_log_say_nothing():
    time, x, y, machine = track()
    x[20:25] += 6.0
    time[20:] += 30.0  # the step aside is over a stop
    y = 1.4 * time
    options = {"speed_m_s": np.full(60, 1.4), "direction": (0.0, 1.0), "interval_s": 1.0}
    assert not find_shifted_runs(time, x, y, machine, **options).any()


@pytest.mark.parametrize("count", [0, 1, 3, 4])
def test_a_handful_of_fixes_is_left_alone(count):
    time, x, y, machine = track(count)
    options = {"speed_m_s": np.full(count, 1.4), "direction": (0.0, 1.0), "interval_s": 1.0}
    assert not find_shifted_runs(time, x, y, machine, **options).any()
    if count:
        assert not find_bad_fixes(time, x, y, machine, limit_m=3.0).any()


def test_a_shift_of_six_robust_deviations_is_told_and_one_of_four_is_not():
    rng = np.random.default_rng(8)
    time, x, y, machine = track(3000)
    x = x + np.cumsum(rng.normal(0, 0.7, 3000))
    options = {"speed_m_s": np.full(3000, 1.4), "direction": (0.0, 1.0), "interval_s": 1.0}
    scale = 1.4826 * np.median(np.abs(np.column_stack([np.diff(x), np.zeros(2999)])))
    for times, told in ((4.0, False), (7.5, True)):
        moved = x.copy()
        starts = np.arange(200, 2800, 200)
        for start in starts:
            moved[start : start + 4] += times * max(scale, 0.5)
        found = find_shifted_runs(time, moved, y, machine, **options)
        share = np.mean([found[start : start + 4].all() for start in starts])
        assert share > 0.7 if told else share < 0.3


def test_median_of_three_passes_over_what_is_missing():
    nan = float("nan")
    arrays = [np.array([3.0, 1.0, nan, nan]), np.array([1.0, nan, nan, 7.0]), np.array([2.0, 4.0, nan, nan])]
    assert _nanmedian(arrays).tolist() == pytest.approx([2.0, 2.5, nan, 7.0], nan_ok=True)
