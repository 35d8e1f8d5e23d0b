"""Ground above the cleaning capacity, and MOG by block and vintage with its drift."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import linregress

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
    assert line["capacity_t_ha"] == 20.0
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


def test_a_load_that_names_a_block_twice_counts_once():
    found = sum_up_mog(loads_of([("A;A", 2026, 10, 1.0), ("A", 2026, 10, 3.0)])).iloc[0]
    assert (found["mog_pct"], found["loads"], found["gross_t"]) == (2.0, 2, 20.0)


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


def test_heavy_yield_is_what_a_twentieth_exceeds():
    rows = pd.DataFrame({
        "row_no": [1], "machine": ["H1"], "covered_m": [120.0], "length_m": [100.0], "area_ha": [0.03],
        "readings": [101],
    })  # fmt: skip
    clean = pd.DataFrame({"row_no": 1, "machine": "H1", "yield_t_ha": np.arange(101.0)})
    line = find_over_capacity(rows, clean, block_id="A", capacity_t_ha=50.0).iloc[0]
    assert line["heavy_t_ha"] == pytest.approx(95.0)
    assert line["picked_ha"] == pytest.approx(0.03)  # never more than the row
    assert line["over_capacity_pct"] == pytest.approx(100 * 50 / 101)  # at the capacity is not over it


def test_capacity_is_told_by_machine_and_readings_of_unpicked_rows_are_none():
    rows = pd.DataFrame({
        "row_no": [1, 1, 2], "machine": ["H1", "H2", ""], "covered_m": [50.0, 50.0, 0.0], "length_m": 100.0,
        "area_ha": 0.04, "readings": [2, 2, 0],
    })  # fmt: skip
    clean = pd.DataFrame({
        "row_no": [1, 1, 1, 1, 2], "machine": ["H1", "H1", "H2", "H2", "H1"],
        "yield_t_ha": [30.0, 30.0, 10.0, 30.0, 30.0],
    })  # fmt: skip
    found = find_over_capacity(rows, clean, block_id="A", capacity_t_ha=20.0)
    assert found["machine"].tolist() == ["H1", "H2"]
    assert found["over_capacity_pct"].tolist() == pytest.approx([100.0, 50.0])
    assert found["picked_ha"].tolist() == pytest.approx([0.02, 0.02])


def test_loads_without_weight_or_block_have_no_mog():
    found = sum_up_mog(loads_of([("A", 2026, 0.0, 9.0), ("", 2026, 5, 9.0), ("A", 2026, 4, 2.0)]))
    assert found["block_id"].tolist() == ["A"]
    assert found[["mog_pct", "loads", "gross_t"]].iloc[0].tolist() == [2.0, 1, 4.0]


def drift_of(shares, *, blocks="A", **more):
    years = np.arange(2020, 2020 + len(shares))
    return find_mog_drift(
        pd.concat([pd.DataFrame({"block_id": name, "vintage": years, "mog_pct": shares}) for name in blocks]),
        **more,
    )


def test_drift_and_its_error_are_those_of_a_straight_line():
    shares = [1.0, 1.6, 1.5, 2.3, 2.2, 2.9]
    line = drift_of(shares).iloc[0]
    fit = linregress(np.arange(6), shares)  # scipy
    assert line["drift_pct_per_year"] == pytest.approx(fit.slope)
    assert line["drift_se"] == pytest.approx(fit.stderr)
    assert line["clear"] == (fit.pvalue < 0.01)
    assert line["mog_pct"] == pytest.approx(np.mean(shares))
    assert line["vintages"] == 6
    assert not line["against_others"]


@pytest.mark.parametrize("noise", np.linspace(0.02, 1.2, 13))
def test_a_drift_is_clear_at_a_chance_of_one_in_a_hundred(noise):
    shares = 1.0 + 0.1 * np.arange(8) + noise * np.array([1, -1, -1, 1, 1, -1, -1, 1])
    assert drift_of(shares)["clear"].iloc[0] == (linregress(np.arange(8), shares).pvalue < 0.01)
    falling = drift_of(3.0 - shares)["clear"].iloc[0]
    assert falling == drift_of(shares)["clear"].iloc[0]


def test_fewer_than_three_vintages_or_blocks():
    assert drift_of([1.0, 2.0]).empty
    assert len(drift_of([1.0, 2.0, 3.5])) == 1
    shares = [1.0, 1.4, 2.1, 2.6]
    assert not drift_of(shares, blocks="AB")["against_others"].any()
    three = drift_of(shares, blocks="ABC")
    assert three["against_others"].all()
    assert three["drift_pct_per_year"].tolist() == pytest.approx([0.0] * 3)  # all share it
    alone = drift_of(shares, blocks="ABC", shared_by_vintage=False)
    assert alone["drift_pct_per_year"].tolist() == pytest.approx([0.55] * 3)
    assert alone["mog_pct"].tolist() == three["mog_pct"].tolist()


def test_only_clear_drifts_are_told_and_in_which_direction():
    assert describe_mog(drift_of([3.0, 2.5, 2.1, 1.4, 1.0]))[0].startswith("Block A: MOG fell by 0.51 (+-")
    told = describe_mog(drift_of([1.0, 1.5, 2.1, 2.4, 3.0]))[0]
    line = drift_of([1.0, 1.5, 2.1, 2.4, 3.0]).iloc[0]
    assert f"(+-{1.645 * line['drift_se']:.2f})" in told
    assert "over 5 vintages, with a mean of 2.0 % of the load" in told
    assert describe_mog(drift_of([1.0, 3.0, 1.0, 3.0, 1.2])) == []


def test_a_machine_whose_rows_have_no_ground_is_not_listed():
    rows = pd.DataFrame({
        "row_no": [1, 2], "machine": ["H1", "H2"], "covered_m": [100.0, 0.0], "length_m": 100.0,
        "area_ha": 0.03, "readings": 2,
    })  # fmt: skip
    clean = pd.DataFrame({"row_no": [1, 1, 2], "machine": ["H1", "H1", "H2"], "yield_t_ha": 12.0})
    found = find_over_capacity(rows, clean, block_id="A", capacity_t_ha=20.0)
    assert found["machine"].tolist() == ["H1"]
