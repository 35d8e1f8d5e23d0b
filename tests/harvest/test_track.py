"""The track: time, speed, rows, directions and passes, each on a drive that can be followed by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from vinemap.harvest.picked import trace_back
from vinemap.harvest.track import (
    Track,
    join_passes,
    number_passes,
    seconds_of,
    shifted,
    steady_rows,
    travel_along,
    travel_speed,
    usual_interval,
)


def test_seconds_count_from_midnight_of_the_first_day():
    stamps = ["2026-03-02T06:00:00Z", None, "2026-03-03T00:00:01Z"]
    found = seconds_of(pd.Series(pd.to_datetime(stamps, utc=True)), np.zeros(3), np.zeros(3))
    assert found[[0, 2]].tolist() == [21_600.0, 86_401.0]
    assert np.isnan(found[1])


def test_without_time_the_way_is_driven_at_a_usual_speed():
    none = pd.Series(pd.to_datetime([None] * 3, utc=True))
    found = seconds_of(none, np.array([0.0, 3.0, 3.0]), np.array([0.0, 4.0, 18.0]))
    assert found == pytest.approx([0.0, 5.0 / 1.4, 19.0 / 1.4])


def test_usual_interval_is_that_within_machines():
    time = np.array([0.0, 2.0, 4.0, 4.0, 0.0, 2.0])
    assert usual_interval(time, np.array([0, 0, 0, 0, 1, 1])) == 2.0
    assert usual_interval(np.array([0.0, 50.0]), np.array([0, 1])) == 1.0
    assert usual_interval(np.array([0.0, 0.5, 1.0, 1.5]), np.zeros(4)) == 0.5


def test_shifted_stays_within_the_group():
    values, group = np.arange(6.0), np.array([0, 0, 0, 1, 1, 1])
    nan = float("nan")
    np.testing.assert_array_equal(shifted(values, 1, group), [1, 2, nan, 4, 5, nan])
    np.testing.assert_array_equal(shifted(values, -2, group), [nan, nan, 0, nan, nan, 3])
    np.testing.assert_array_equal(shifted(values, 0, group), values)
    for far in (6, -6, 9):
        assert np.isnan(shifted(values, far, group)).all()
    np.testing.assert_array_equal(shifted(values, 5, np.zeros(6)), [5, *[nan] * 5])


def test_speed_is_the_way_over_the_time_within_a_machine():
    time = np.array([0.0, 1.0, 2.0, 0.0, 1.0, 2.0])
    east, north = np.array([0.0, 3.0, 6.0, 500.0, 500.0, 500.0]), np.array([0.0, 4.0, 8.0, 0.0, 1.0, 2.0])
    machine = np.array([0, 0, 0, 1, 1, 1])
    assert travel_speed(time, east, north, machine, reach=1).tolist() == [5.0, 5.0, 5.0, 1.0, 1.0, 1.0]
    alone = travel_speed(np.array([0.0, 1.0]), np.zeros(2), np.zeros(2), np.array([0, 1]), reach=1)
    assert np.isnan(alone).all()


@pytest.mark.parametrize(("interval_s", "longest"), [(1.0, 3), (2.9, 3), (3.0, 1), (5.0, 1)])
def test_hops_shorter_than_half_the_window_are_taken_out(interval_s, longest):
    for size in (longest, longest + 1):
        row = np.array([4] * 20 + [5] * size + [4] * 20)
        assert (steady_rows(row, interval_s=interval_s) == 5).sum() == (0 if size == longest else size)


def drive(angle_deg, *, interval_s=1.0, speed=1.4, count=30):
    """Travel at an angle to a row that runs north."""
    time = interval_s * np.arange(count)
    way = speed * time
    east, north = way * np.sin(np.deg2rad(angle_deg)), way * np.cos(np.deg2rad(angle_deg))
    return travel_along(time, north, east, north, np.zeros(count), interval_s=interval_s)


@pytest.mark.parametrize("interval_s", [1.0, 3.0, 5.0])
@pytest.mark.parametrize(
    ("angle", "way", "along"),
    [(0, 1, True), (40, 1, True), (43, 1, False), (180, -1, True), (141, -1, True), (136, -1, False)],
)
def test_travel_within_41_degrees_of_the_row_is_along_it(angle, way, along, interval_s):
    direction, aligned = drive(angle, interval_s=interval_s)
    assert (direction == way).all()
    assert (aligned == along).all()


@pytest.mark.parametrize(("speed", "way"), [(0.15, 0), (0.25, 1)])
def test_a_machine_slower_than_a_fifth_of_a_metre_a_second_stands(speed, way):
    direction, aligned = drive(0, speed=speed)
    assert (direction == way).all()
    assert aligned.all()
    assert drive(90, speed=speed)[1].all() == (way == 0)  # standing has no direction to be wrong


def test_travel_is_seen_over_three_seconds_within_the_run():
    time = np.arange(20.0)
    north = np.where(time < 10, time, 19 - time) * 1.4  # turns back at 10 s
    direction, _ = travel_along(time, north, 0 * time, north, np.zeros(20), interval_s=1.0)
    assert direction[:8].tolist() == [1] * 8
    assert direction[12:].tolist() == [-1] * 8
    parted, _ = travel_along(time, north, 0 * time, north, (time >= 10).astype(int), interval_s=1.0)
    assert parted.tolist() == [1] * 10 + [-1] * 10


def passes(row, *, machine=None, time=None, way=None, aligned=None, interval_s=1.0):
    row = np.array(row)
    count = row.size
    numbers, direction = number_passes(
        np.zeros(count, dtype=int) if machine is None else np.array(machine),
        interval_s * np.arange(count) if time is None else np.array(time, dtype=float),
        row,
        np.ones(count, dtype=int) if way is None else np.array(way),
        np.ones(count, dtype=bool) if aligned is None else np.array(aligned, dtype=bool),
        interval_s=interval_s,
    )
    return numbers.tolist(), direction.tolist()


@pytest.mark.parametrize(("interval_s", "least"), [(1.0, 4), (2.9, 4), (3.0, 2)])
def test_a_pass_has_four_readings_or_two_of_a_slow_log(interval_s, least):
    for size in (least - 1, least):
        numbers, _ = passes([1] * size + [-1] * 9, interval_s=interval_s)
        assert numbers == [0 if size == least else -1] * size + [-1] * 9


@pytest.mark.parametrize(
    ("interval_s", "gap", "parts"), [(1.0, 19.5, 1), (1.0, 20.5, 2), (8.0, 31.0, 1), (8.0, 33.0, 2)]
)
def test_a_gap_of_twenty_seconds_or_four_intervals_ends_a_pass(interval_s, gap, parts):
    time = interval_s * np.arange(20.0)
    time[10:] += gap - interval_s
    numbers, _ = passes([1] * 20, time=time, interval_s=interval_s)
    assert max(numbers) + 1 == parts


def test_rows_machines_turns_and_crossing_end_a_pass():
    assert passes([1] * 9 + [2] * 9)[0] == [0] * 9 + [1] * 9
    assert (
        passes([1] * 18, machine=[0] * 9 + [1] * 9, time=[*range(9), *range(100, 109)])[0]
        == [0] * 9 + [1] * 9
    )
    numbers, direction = passes([1] * 24, way=[1] * 12 + [-1] * 12)
    assert numbers == [0] * 12 + [1] * 12
    assert direction == [1] * 12 + [-1] * 12
    assert passes([0] * 24, aligned=[1] * 8 + [0] * 8 + [1] * 8)[0] == [0] * 8 + [-1] * 8 + [1] * 8


def test_standing_goes_on_in_the_last_direction_of_the_same_machine():
    way = [0] * 4 + [-1] * 8 + [0] * 8 + [-1] * 4
    numbers, direction = passes([1] * 24, way=way)
    assert numbers == [0] * 24
    assert direction == [-1] * 24
    two = passes([1] * 24, machine=[0] * 12 + [1] * 12, way=[-1] * 8 + [0] * 4 + [0] * 12)[1]
    assert two == [-1] * 12 + [1] * 12  # nothing is known of the second


def test_a_drift_into_the_next_row_and_back_within_a_pass_is_taken_back():
    def joined(row, *, machine=None, time=None):
        row = np.array(row)
        machine = np.zeros(row.size) if machine is None else np.array(machine)
        time = np.arange(float(row.size)) if time is None else np.array(time, dtype=float)
        return join_passes(row, machine, time, interval_s=1.0).tolist()

    assert joined([4, 4, 5, 5, 4, 4]) == [4] * 6
    assert joined([4, 4, 3, 3, 4, 4]) == [4] * 6
    assert joined([0, 0, 1, 1, 0, 0]) == [0] * 6
    assert joined([4, 4, 6, 6, 4, 4]) == [4, 4, 6, 6, 4, 4]  # two rows on is no drift
    assert joined([4, 4, 5, 5, 6, 6]) == [4, 4, 5, 5, 6, 6]
    assert joined([0, 0, -1, -1, 0, 0]) == [0, 0, -1, -1, 0, 0]
    assert joined([-1, -1, 0, 0, -1, -1]) == [-1, -1, 0, 0, -1, -1]
    assert joined([4, 4, 5, 5]) == [4, 4, 5, 5]
    assert joined([4, 4, 5, 5, 4, 4], machine=[0, 0, 1, 1, 1, 1]) == [4, 4, 5, 5, 4, 4]
    assert joined([4, 4, 5, 5, 4, 4], machine=[0, 0, 0, 0, 1, 1]) == [4, 4, 5, 5, 4, 4]
    assert joined([4, 4, 5, 5, 4, 4], time=[0, 1, 30, 31, 32, 33]) == [4, 4, 5, 5, 4, 4]
    assert joined([4, 4, 5, 5, 4, 4], time=[0, 1, 2, 3, 30, 31]) == [4, 4, 5, 5, 4, 4]
    assert joined([4, 4, 5, 5, 4, 4], time=[0, 1, 20, 21, 40, 41]) == [4] * 6


def laid(**changes):
    """Two machines; the first picks row 1 up (0 to 4 s), turns, and row 2 down (8 to 12 s)."""
    time = np.r_[np.arange(13.0), np.arange(5.0)]
    machine = np.r_[np.zeros(13, dtype=int), np.ones(5, dtype=int)]
    pass_no = np.r_[[0] * 5, [-1] * 3, [1] * 5, [2] * 5]
    row_no = np.r_[[1] * 5, [-1] * 3, [2] * 5, [7] * 5]
    along = np.r_[2.0 * np.arange(5), [np.nan] * 3, 8.0 - 2.0 * np.arange(5), 2.0 * np.arange(5)]
    plain = Track(
        np.arange(18), machine, np.zeros(18, dtype=int), time, 3.0 * row_no, 10.0 * time, row_no, along,
        np.where(pass_no >= 0, 2.0, 0.5), np.ones(18, dtype=bool), pass_no, np.where(row_no == 2, -1, 1),
        pass_no >= 0, 1.0,
    )  # fmt: skip
    return replace(plain, **changes)


def test_usual_step_is_that_within_passes():
    assert laid().step_m == 2.0
    assert laid(interval_s=5.0).step_m == 10.0
    assert laid(pass_no=np.full(18, -1)).step_m == pytest.approx(1.4)
    assert laid(speed_m_s=np.zeros(18)).step_m == 0.1


def test_grapes_lie_where_the_machine_was_a_delay_before():
    picked = trace_back(laid(), 1.5)
    assert picked.along_m[[2, 3, 4]].tolist() == [1.0, 3.0, 5.0]
    assert picked.northing[3] == 15.0
    assert picked.row_no[[2, 3, 10, 17]].tolist() == [1, 1, 2, 7]
    assert picked.direction[[3, 10, 17]].tolist() == [1, -1, 1]
    assert picked.pass_no[[3, 10, 17]].tolist() == [0, 1, 2]
    assert picked.speed_m_s[3] == 2.0
    early = [0, 1, 13, 14]  # before the log of that machine began
    assert np.isnan(picked.along_m[early]).all()
    assert np.isnan(picked.speed_m_s[early]).all()
    assert picked.pass_no[early].tolist() == [-1] * 4
    assert picked.row_no[early].tolist() == [-1] * 4
    assert picked.direction[early].tolist() == [0] * 4


def test_between_two_passes_nothing_is_picked_but_on_a_fix_of_a_pass_something_is():
    picked = trace_back(laid(), 0.5)
    assert picked.pass_no[:13].tolist() == [-1, 0, 0, 0, 0, -1, -1, -1, -1, 1, 1, 1, 1]
    assert picked.pace_m_s[[1, 5, 6, 8]].tolist() == [2.0, 1.0, 0.0, 1.0]
    assert picked.speed_m_s[5] == 1.25
    assert trace_back(laid(), 0.0).pass_no.tolist() == laid().pass_no.tolist()
    assert trace_back(laid(), 4.0).pass_no[:13].tolist() == [-1] * 4 + [0] * 5 + [-1] * 3 + [1]
    np.testing.assert_array_equal(trace_back(laid(), 0.0).along_m, laid().along_m)


def test_the_nearest_fix_in_time_is_told():
    assert trace_back(laid(), 0.4).nearest[1:5].tolist() == [1, 2, 3, 4]
    assert trace_back(laid(), 0.6).nearest[1:5].tolist() == [0, 1, 2, 3]
    assert trace_back(laid(), -0.4).nearest[12] == 12
    beyond = trace_back(laid(), -0.4)
    assert np.isnan(beyond.easting[[12, 17]]).all()  # after the last fix of each machine


def test_fixes_that_jump_are_not_what_is_traced_back_to():
    good = np.ones(18, dtype=bool)
    good[2] = False
    easting = laid().easting.astype(float)
    easting[2] = 900.0
    picked = trace_back(laid(good=good, easting=easting), 1.0)
    assert picked.easting[3] == 3.0  # between the fixes before and after
    assert picked.along_m[3] == 4.0
    assert picked.pass_no[3] == 0
    none = trace_back(laid(good=np.zeros(18, dtype=bool)), 1.0)
    assert (none.pass_no == -1).all()
    assert (none.row_no == -1).all()
    assert (none.direction == 0).all()
    assert np.isnan(none.along_m).all()
    assert (none.nearest == 0).all()


def test_delays_may_differ_from_reading_to_reading():
    delay = np.where(np.arange(18) < 4, 1.0, 2.0)
    assert trace_back(laid(), delay).along_m[[3, 4]].tolist() == [4.0, 4.0]
