"""Ground above the cleaning capacity, and MOG by block and vintage with its drift."""

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError
from vinemap.harvest import describe_mog, find_mog_drift, find_over_capacity, sum_up_mog


def loads_of(lines):
    return pd.DataFrame(
        [
            {
                "load_id": str(n), "vintage": year, "block_id": name, "net_kg": 1e3 * t, "mog_pct": mog,
                "import_id": 1,
            }
            for n, (name, year, t, mog) in enumerate(lines)
        ]
    )  # fmt: skip


def test_share_over_capacity_weighs_ground_not_readings():
    rows = pd.DataFrame({
        "row_no": [1, 2, 3], "machine": ["H1", "H1", ""], "covered_m": [100.0, 200.0, 0.0],
        "length_m": [100.0, 200.0, 100.0], "area_ha": [0.03, 0.06, 0.03], "readings": [10, 4, 0],
    })  # fmt: skip
    clean = pd.DataFrame({
        "row_no": [1] * 10 + [2] * 4, "machine": "H1", "yield_t_ha": [30.0] * 10 + [12.0] * 4,
    })  # fmt: skip
    line = find_over_capacity(rows, clean, block_id="A", capacity_t_ha=20.0).iloc[0]
    assert line["over_capacity_pct"] == pytest.approx(100 / 3)
    assert line["over_capacity_ha"] == pytest.approx(0.03)
    assert line["picked_ha"] == pytest.approx(0.09)
    assert line["heavy_t_ha"] == 30.0
    with pytest.raises(DataError, match=r"Cleaning capacity is 0 t/ha"):
        find_over_capacity(rows, clean, block_id="A", capacity_t_ha=0)


def test_only_covered_ground_counts_as_picked():
    rows = pd.DataFrame({
        "row_no": [1], "machine": ["H1"], "covered_m": [50.0], "length_m": [200.0], "area_ha": [0.06],
        "readings": [2],
    })  # fmt: skip
    clean = pd.DataFrame({"row_no": [1, 1], "machine": "H1", "yield_t_ha": [30.0, 10.0]})
    line = find_over_capacity(rows, clean, block_id="A", capacity_t_ha=20.0).iloc[0]
    assert line["picked_ha"] == pytest.approx(0.015)
    assert line["over_capacity_ha"] == pytest.approx(0.0075)


def test_error_of_mog_is_that_of_a_weighted_mean():
    # by hand: 10, 10 and 20 t with 1, 2 and 3 %; sum of (mass x difference)2 over mass2, times n / (n - 1)
    loads = loads_of([("A", 2026, 10, 1.0), ("A", 2026, 10, 2.0), ("A", 2026, 20, 3.0)])
    line = sum_up_mog(loads).iloc[0]
    assert line["mog_pct"] == pytest.approx(2.25)
    expected = np.sqrt((100 * 1.25**2 + 100 * 0.25**2 + 400 * 0.75**2) / 1600 * 1.5)
    assert line["mog_se_pct"] == pytest.approx(expected)


def test_mog_counts_shared_loads_for_each_block_and_skips_unknown():
    found = sum_up_mog(
        loads_of([("A", 2026, 10, 1.0), ("A; B", 2026, 10, 2.0), ("B", 2026, 5, np.nan), ("A", 2025, 8, 0.5)])
    ).set_index(["block_id", "vintage"])
    assert found["mog_pct"].to_dict() == pytest.approx({("A", 2025): 0.5, ("A", 2026): 1.5, ("B", 2026): 2.0})
    assert found.loc[("A", 2026), "loads"] == 2
    assert np.isnan(found.loc[("B", 2026), "mog_se_pct"])
    assert sum_up_mog(pd.DataFrame()).empty


def test_drift_is_told_apart_from_what_all_blocks_share():
    rng = np.random.default_rng(1)
    years = np.arange(2017, 2027)
    season = rng.normal(0, 0.5, years.size)
    lines = [
        (name, year, 10.0, 1.5 + season[at] + slope * at + rng.normal(0, 0.05))
        for name, slope in {"A": 0.0, "B": 0.0, "C": 0.15, "D": 0.0}.items()
        for at, year in enumerate(years)
    ]
    found = find_mog_drift(sum_up_mog(loads_of(lines))).set_index("block_id")
    assert found.loc["C", "drift_pct_per_year"] == pytest.approx(0.15, abs=0.03)
    assert found["clear"].to_dict()["C"]
    assert "Block C: MOG rose against the other blocks by " in " ".join(describe_mog(found.reset_index()))
    assert found.drop(index="C")["drift_pct_per_year"].abs().max() < 0.05
    assert (
        not find_mog_drift(sum_up_mog(loads_of(lines)), shared_by_vintage=False)
        .set_index("block_id")
        .loc["A", "clear"]
    )
