"""Ground that readings stand for: half way to their neighbours, within reach, row ends apart."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError
from vinemap.harvest import summarise_rows


def clean_of(along, value, *, row_no=1, machine="H1", flag="", crs="EPSG:9473"):
    along = np.asarray(along, dtype=float)
    table = pd.DataFrame({
        "reading_id": range(along.size), "machine": machine, "time": pd.Timestamp("2026-03-01", tz="UTC"),
        "pass_no": 0, "row_no": row_no, "along_m": along, "flag": flag, "yield_t_ha": value,
    })  # fmt: skip
    return gpd.GeoDataFrame(table, geometry=gpd.points_from_xy(0 * along, along), crs=crs)


def summary(clean, rows):
    return summarise_rows(clean, rows, block_id="A", row_spacing_m=3.0)


def test_a_reading_stands_for_half_the_way_to_its_neighbours(lay):
    along = np.r_[np.arange(5.0, 50.0, 10.0), 50.0, 60.0, 70.0, 75.0, 85.0, 95.0]
    value = np.where(along == 50.0, 40.0, 10.0)
    line = summary(clean_of(along, value), lay(1, 100.0)).iloc[0]
    # 50 m stands for 2.5 m + 5 m; the ends, within 7.5 m of the row's, have no say
    ground = {5.0: 10.0, 50.0: 7.5, 95.0: 10.0}
    counted = 100.0 - ground[5.0] - ground[95.0]
    assert line["yield_t_ha"] == pytest.approx((40.0 * 7.5 + 10.0 * (counted - 7.5)) / counted)
    assert line["covered_m"] == pytest.approx(100.0)
    assert (line["readings"], line["length_m"]) == (11, 100.0)
    assert line["median_t_ha"] == 10.0
    assert line["sd_log"] == pytest.approx(np.log(value).std(ddof=1))


@pytest.mark.parametrize(("gap", "covered"), [(6.0, 40.0), (20.0, 40.0 + 6.0 - 20.0)])
def test_no_reading_stands_for_more_than_three_usual_steps(lay, gap, covered):
    along = np.r_[np.arange(1.0, 21.0, 2.0), np.arange(19.0 + gap, 40.0, 2.0)]
    line = summary(clean_of(along, 10.0), lay(1, 40.0)).iloc[0]
    assert line["covered_m"] == pytest.approx(covered)


def test_row_ends_are_covered_within_half_the_reach(lay):
    line = summary(clean_of(np.arange(10.0, 50.0, 2.0), 10.0), lay(1, 100.0)).iloc[0]
    assert line["covered_m"] == pytest.approx(3.0 + 38.0 + 3.0)
    over = summary(clean_of(np.r_[np.arange(0.0, 20.0, 2.0), 21.0], 10.0), lay(1, 20.0)).iloc[0]
    assert over["covered_m"] == pytest.approx(21.0)  # up to the reading beyond the end, and no further


@pytest.mark.parametrize(("first", "counted"), [(1.4, False), (1.6, True)])
def test_a_reading_nearer_to_a_row_end_than_three_quarters_of_a_step_has_no_say(lay, first, counted):
    along = np.r_[first, np.arange(4.0, 97.0, 2.0)]
    line = summary(clean_of(along, np.where(along == first, 30.0, 10.0)), lay(1, 100.0)).iloc[0]
    assert (line["yield_t_ha"] > 10.0) == counted
    back = summary(clean_of(100.0 - along, np.where(along == first, 30.0, 10.0)), lay(1, 100.0)).iloc[0]
    assert back["yield_t_ha"] == pytest.approx(line["yield_t_ha"])


def test_rows_and_machines_are_apart_and_rows_without_readings_stay(lay):
    along = np.tile(np.arange(4.0, 97.0, 2.0), 3)
    row_no, machine = np.repeat([1, 1, 3], 47), np.repeat(["H1", "H2", "H1"], 47)
    found = summary(clean_of(along, row_no * 5.0, row_no=row_no, machine=machine), lay(3, 100.0))
    assert found["row_no"].tolist() == [1, 1, 2, 3]
    assert found["machine"].tolist() == ["H1", "H2", "", "H1"]
    assert found["readings"].tolist() == [47, 47, 0, 47]
    assert found["covered_m"].tolist() == pytest.approx([98.0, 98.0, 0.0, 98.0])
    assert found["yield_t_ha"].tolist() == pytest.approx([5.0, 5.0, np.nan, 15.0], nan_ok=True)
    assert (found["area_ha"] == 0.03).all()
    assert (found["block_id"] == "A").all()


def test_readings_left_out_off_the_rows_or_of_no_row_of_the_plan_do_not_count(lay):
    along = np.arange(4.0, 97.0, 2.0)
    parts = [
        clean_of(along, 10.0), clean_of(along, 90.0, flag="local"), clean_of(along, 90.0, row_no=-1),
        clean_of(along, 90.0, row_no=8), clean_of(along, np.nan),
    ]  # fmt: skip
    found = summary(pd.concat(parts, ignore_index=True), lay(1, 100.0))
    assert len(found) == 1
    assert found["yield_t_ha"].iloc[0] == pytest.approx(10.0)
    assert found["readings"].iloc[0] == 47
    nothing = summary(parts[1], lay(1, 100.0))
    assert nothing["readings"].tolist() == [0]


def test_two_readings_in_one_place_stand_for_no_more_ground_than_one(lay):
    along = np.sort(np.r_[np.arange(4.0, 97.0, 2.0), 50.0, 50.0])
    line = summary(clean_of(along, 10.0), lay(1, 100.0)).iloc[0]
    assert line["covered_m"] == pytest.approx(98.0, abs=1e-3)


def test_rows_in_row_zero_count_and_a_spacing_must_be_positive(lay):
    rows = lay(1, 100.0).assign(row_no=0)
    assert summary(clean_of(np.arange(4.0, 97.0, 2.0), 10.0, row_no=0), rows)["readings"].tolist() == [47]
    with pytest.raises(DataError, match=r"Row spacing is 0 m"):
        summarise_rows(clean_of([1.0], 1.0), rows, block_id="A", row_spacing_m=0)


def test_lone_readings_stand_for_a_metre_and_a_half_to_each_side(lay):
    found = summary(clean_of([50.0, 40.0], 10.0, row_no=[1, 2]), lay(2, 100.0))
    assert found["covered_m"].tolist() == pytest.approx([3.0, 3.0])
