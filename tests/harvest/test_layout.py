"""Readings laid out: sorted by machine and time, jumps out, rows whatever way they were drawn."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.harvest.flow import flow_from, number_column
from vinemap.harvest.layout import _along_in, _speed_note, common_direction, lay_track, sort_readings
from vinemap.tables import READINGS, check_table


def table_of(time_s, machine, places, **columns):
    start = pd.Timestamp("2026-03-02 20:00", tz="UTC")
    stamp = pd.Series([pd.NaT if one is None else start + pd.Timedelta(seconds=one) for one in time_s])
    frame = pd.DataFrame({
        "reading_id": range(len(time_s)), "import_id": 1, "source_row": range(len(time_s)),
        "time": pd.to_datetime(stamp, utc=True), "machine": machine, "mass_flow_kg_s": 5.0,
    } | columns)  # fmt: skip
    points = [None if one is None else shapely.Point(*one) for one in places]
    return check_table(gpd.GeoDataFrame(frame, geometry=points, crs="EPSG:9473"), READINGS, where="test")


def test_readings_are_sorted_by_machine_and_time_and_need_both_place_and_time():
    table = table_of(
        [9, 3, 14_400, None, 5, 3], ["B", "B", "A", "A", "A", "B"],
        [(0, 9), (0, 3), (0, 7), (0, 8), None, (0, 4)],
    )  # fmt: skip
    found = sort_readings(table)
    assert found.order.tolist() == [2, 1, 5, 0]
    assert found.machine.tolist() == [0, 1, 1, 1]
    assert found.machines == ["A", "B"]
    assert found.northing.tolist() == [7.0, 3.0, 4.0, 9.0]
    assert (found.time_s - found.time_s[1]).tolist() == [14_397.0, 0.0, 0.0, 6.0]
    assert found.days == {0: "2026-03-02", 1: "2026-03-03"}
    assert found.timed


def test_without_any_time_the_order_of_the_file_stays():
    found = sort_readings(table_of([None] * 3, "A", [(0, 0), (0, 14), (0, 28)]))
    assert found.order.tolist() == [0, 1, 2]
    assert not found.timed
    assert found.days == {}
    assert found.time_s.tolist() == pytest.approx([0.0, 10.0, 20.0])


def test_direction_is_common_to_rows_drawn_either_way(lay):
    rows = lay(3, 100.0)
    assert common_direction(rows) == pytest.approx((0.0, 1.0))
    lines = [rows.geometry.iloc[0], rows.geometry.iloc[1].reverse(), rows.geometry.iloc[2]]
    assert common_direction(rows.set_geometry(lines)) == pytest.approx((0.0, 1.0))
    slanting = rows.set_geometry([shapely.LineString([(x, 0), (x + 60, 80)]) for x in (0, 5, 9)])
    assert common_direction(slanting) == pytest.approx((0.6, 0.8))
    fan = rows.iloc[:2].set_geometry(
        [shapely.LineString([(0, 0), (10, 0)]), shapely.LineString([(0, 0), (0, 10)])]
    )
    assert np.hypot(
        *common_direction(fan.set_geometry([fan.geometry.iloc[0], shapely.LineString([(0, 0), (9, 9)])]))
    ) == pytest.approx(1.0)


def test_distance_along_a_given_row_is_on_the_ground(lay):
    rows = lay(2, 100.0)
    x, y = rows.geometry.iloc[1].coords[0]
    found = _along_in(rows, np.array([2, 2]), np.array([x + 1.0, x]), np.array([y + 30.0, y + 100.0]))
    assert found == pytest.approx([30.0, 100.0])
    stretched = rows.assign(length_m=99.0)  # the CRS makes it 1 % longer than the ground
    assert _along_in(stretched, np.array([2]), np.array([x]), np.array([y + 100.0])) == pytest.approx([99.0])
    slanting = rows.set_geometry([shapely.LineString([(0, 0), (60, 80)])] * 2)
    assert _along_in(slanting, np.array([1]), np.array([38.0]), np.array([34.0])) == pytest.approx([50.0])


@pytest.mark.parametrize(("ratio", "told"), [(0.79, True), (0.81, False), (1.24, False), (1.26, True)])
def test_logged_speed_may_differ_by_a_fifth_from_that_between_positions(ratio, told):
    travelled = np.full(40, 1.5)
    assert bool(_speed_note(ratio * travelled, travelled)) == told


def test_speed_is_compared_where_both_move():
    travelled = np.r_[np.full(30, 1.5), np.full(40, 0.29)]
    logged = np.r_[np.full(30, 1.5), np.full(40, 5.0)]
    assert _speed_note(logged, travelled) == []
    assert _speed_note(travelled, logged) == []
    assert len(_speed_note(np.where(travelled > 1, 4.0, 0.0), travelled)) == 1


def driven(lay, *, jump=None, **columns):
    """Up row 1, across, and down row 2, a fix each second at 1 m/s."""
    rows = lay(2, 60.0)
    (x1, y), (x2, _) = rows.geometry.iloc[0].coords[0], rows.geometry.iloc[1].coords[0]
    up = [(x1, y + at + 0.5) for at in range(60)]
    turn = [(x1 + at / 4.0, y + 62.0) for at in range(12)]
    places = up + turn + [(x2, y + 59.5 - at) for at in range(60)]
    if jump is not None:
        at, east = jump
        places[at] = (places[at][0] + east, places[at][1])
    table = table_of(list(range(132)), "H1", places, **columns)
    return (*lay_track(table, sort_readings(table), rows, 3.0), rows)


def test_track_holds_rows_passes_and_directions(lay):
    track, notes, _ = driven(lay)
    assert notes == []
    assert track.interval_s == 1.0
    assert track.row_no[[10, 100]].tolist() == [1, 2]
    assert track.pass_no[[10, 66, 100]].tolist() == [0, -1, 1]
    assert track.direction[[10, 100]].tolist() == [1, -1]
    assert track.along_m[[10, 100]] == pytest.approx([10.5, 59.5 - 28])
    assert track.good.all()
    assert track.speed_m_s[[10, 100]] == pytest.approx([1.0, 1.0])
    assert (track.day == 0).all()


@pytest.mark.parametrize(("east", "good"), [(2.4, True), (3.3, False)])
def test_a_fix_further_off_than_a_row_is_no_fix(lay, east, good):
    track, _, _ = driven(lay, jump=(30, -east))
    assert track.good[30] == good
    assert track.good.sum() == 131 + good
    if not good:
        assert (track.row_no[30], track.pass_no[30]) == (-1, -1)
        assert np.isnan(track.along_m[30])


def test_logged_speed_goes_before_that_between_positions(lay):
    speed = np.full(132, 3.6)
    speed[:5] = np.nan
    track, notes, _ = driven(lay, speed_m_s=speed)
    assert track.speed_m_s[[3, 20]] == pytest.approx([1.0, 3.6])
    assert "Logged speed is 3.60 times the speed between positions" in notes[0]


def test_speed_between_positions_is_on_the_ground(lay):
    _, _, rows = driven(lay)
    (x, y) = rows.geometry.iloc[0].coords[0]
    table = table_of(list(range(40)), "H1", [(x, y + at) for at in range(40)])
    stretched = rows.assign(length_m=54.0)
    track, _ = lay_track(table, sort_readings(table), stretched, 3.0)
    assert track.speed_m_s == pytest.approx(np.full(40, 0.9))
    assert track.along_m[20] == pytest.approx(18.0, abs=0.1)


def flow_of(table, machine=None, time=None, **more):
    size = len(table)
    options = {"speed_m_s": np.ones(size), "row_spacing_m": 3.0, "interval_s": 1.0} | more
    return flow_from(
        pd.DataFrame(table), time_s=np.arange(float(size)) if time is None else np.array(time, dtype=float),
        machine=np.zeros(size) if machine is None else np.array(machine), **options,
    ).tolist()  # fmt: skip


def test_flow_goes_before_mass_and_mass_before_ready_yield():
    nan = float("nan")
    table = pd.DataFrame({
        "mass_flow_kg_s": [1.0, nan, nan, nan], "mass_kg": [9.0, 2.0, nan, nan],
        "yield_t_ha": [90.0, 90.0, 10.0, nan], "width_m": [3.0, 3.0, 2.0, 3.0],
    })  # fmt: skip
    assert flow_of(table)[:3] == [1.0, 2.0, 2.0]
    assert np.isnan(flow_of(table)[3])
    assert flow_of(table.assign(width_m=nan))[2] == 3.0
    assert flow_of(table.assign(width_m=0.0))[2] == 3.0
    assert np.isnan(flow_of(table, speed_m_s=np.full(4, nan))[2])


def test_a_mass_is_over_the_time_since_the_last_reading_of_the_machine():
    table = pd.DataFrame({"mass_kg": [4.0] * 6})
    found = flow_of(table, time=[0, 2, 2, 5, 0, 9.1], machine=[0, 0, 0, 0, 1, 1], interval_s=2.0)
    assert found[:2] == [2.0, 2.0]
    assert np.isnan(found[2])  # no time has passed
    assert found[3] == pytest.approx(4.0 / 3.0)
    assert found[4] == 2.0  # the first of its machine
    assert np.isnan(found[5])  # after more than three intervals it cannot be placed
    assert flow_of(table.iloc[:2], time=[0, 6], interval_s=2.0)[1] == pytest.approx(4.0 / 6.0)


def test_numbers_that_are_none_are_missing():
    assert np.isnan(number_column(pd.DataFrame({"a": ["x", None]}), "a")).all()
    assert number_column(pd.DataFrame({"a": pd.array([1, None], dtype="Int64")}), "a")[0] == 1.0
