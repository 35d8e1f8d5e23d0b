"""Cause hints: words by pattern."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from vinemap.decline import HINTS, describe_causes, list_machine_changes, word_cause

BASE = {"loss_pct": 30.0, "stand_loss_pct": 1.0, "vine_loss_pct": 29.0, "symptomatic_pct": None,
        "onset_vintage": 2021, "renewed_year": None, "recovery_pct": None}  # fmt: skip


def case(chances: dict[str, float], **first) -> tuple[pd.DataFrame, gpd.GeoDataFrame]:
    rows = [BASE | {"zone_id": name, "block_id": name.split("-")[0], "chance_declining": chance}
            for name, chance in chances.items()]  # fmt: skip
    rows[0] |= first
    table = pd.DataFrame(rows)
    shapes = [shapely.box(10 * number, 0, 10 * number + 10, 10) for number in range(len(rows))]
    zones = gpd.GeoDataFrame(
        table[["zone_id", "block_id"]].assign(variety="Shiraz"), geometry=shapes, crs=3035
    )
    return table, zones


def hints_of(table: pd.DataFrame, zones: pd.DataFrame, **more) -> pd.Series:
    return describe_causes(table, zones, **more)["cause_hint"]


def test_single_zone():
    hint = hints_of(*case({"A-Z1": 0.9, "A-Z2": 0.1})).iloc[0]
    assert hint.startswith("This zone falls while the rest of the block holds")
    assert "cannot be told from yield alone: scout" in hint


@pytest.mark.parametrize(
    ("bearing", "code"),
    [(0.0, "along_rows"), (90.0, "patch"), (45.0, "patch")],
    ids=["along", "across", "askew"],
)
def test_whole_rows_are_told_from_a_patch(bearing, code):
    """Three strips of 10 m x 40 m side by side, west to east; the first falls."""
    table, zones = case({"A-Z1": 0.9, "A-Z2": 0.1, "A-Z3": 0.1})
    table.loc[1:, "loss_pct"] = 3.0
    shapes = [shapely.box(10 * number, 0, 10 * number + 10, 40) for number in range(3)]
    zones = zones.set_geometry(shapes, crs=3035).assign(grid_bearing_deg=bearing)
    found = describe_causes(table, zones)
    assert found["cause_code"].tolist() == [f"{code} ground", "", ""]
    zones.geometry = zones.rotate(-30.0, origin=(0, 0))  # clockwise, with the rows
    turned = describe_causes(table, zones.assign(grid_bearing_deg=bearing + 30.0))
    pd.testing.assert_frame_equal(turned, found)


def test_codes_carry_what_a_translation_needs():
    changes = pd.DataFrame({"block_id": ["A"], "vintage": [2022], "machine": ["Ibis"]})
    table, zones = case({"A-Z1": 0.6, "A-Z2": 0.1}, symptomatic_pct=14.2)
    table.loc[1, "loss_pct"] = 3.0
    found = describe_causes(table, zones, machine_changes=changes)
    row = table.iloc[0].to_dict() | found.iloc[0].to_dict()
    assert row["cause_code"] == "doubtful one_zone ground symptoms_seen machine_change"
    assert (row["machine_change_vintage"], row["machine_change_to"]) == (2022, "Ibis")
    assert word_cause(row["cause_code"], row) == row["cause_hint"]
    other = {name: f"<{name}>" for name in HINTS}
    assert word_cause(row["cause_code"], row, other).startswith("<doubtful> <one_zone> <ground>")
    assert found["machine_change_vintage"].isna().tolist() == [False, True]


def test_ground_elsewhere_counts_by_its_area():
    """One large zone of the variety holds, two small ones fall."""
    table, zones = case({"A-Z1": 0.9, "B-Z1": 0.9, "B-Z2": 0.9, "C-Z1": 0.1})
    zones["area_ha"] = [3.0, 1.0, 1.0, 9.0]
    assert describe_causes(table, zones)["cause_code"].iloc[0] == "whole_block_alone ground"
    zones["area_ha"] = [3.0, 5.0, 5.0, 9.0]
    assert describe_causes(table, zones)["cause_code"].iloc[0] == "whole_block_shared ground"


def test_focus_that_grows():
    table, zones = case({"A-Z1": 0.9, "A-Z2": 0.9, "A-Z3": 0.1})
    table.loc[1, "onset_vintage"] = 2024
    assert "Falls first here and later next to it" in hints_of(table, zones).iloc[0]
    table.loc[1, "loss_pct"] = 8.0
    hints = hints_of(table, zones)
    assert "Falls first here and later next to it" in hints.iloc[0]
    assert "Falls next to ground that lost far more" in hints.iloc[1]


def test_a_block_that_lost_most_in_one_place_does_not_fall_as_a_whole():
    """The rest may be falling too, by far less: season and block cannot be told apart that well."""
    table, zones = case({"A-Z1": 0.95, "A-Z2": 0.6, "B-Z1": 0.1})
    assert describe_causes(table, zones)["cause_code"].iloc[0].startswith("whole_block_alone")
    table.loc[1, "loss_pct"] = 7.0
    assert describe_causes(table, zones)["cause_code"].iloc[0].startswith("one_zone")
    assert describe_causes(table, zones)["cause_code"].iloc[1].startswith("doubtful beside_focus")


def test_whole_block_with_peers_that_hold():
    hint = hints_of(*case({"A-Z1": 0.9, "A-Z2": 0.9, "B-Z1": 0.1, "C-Z1": 0.1})).iloc[0]
    assert "The whole block falls while most ground of the variety elsewhere holds" in hint


def test_doubtful_fall_is_put_as_doubtful():
    assert hints_of(*case({"A-Z1": 0.6, "A-Z2": 0.1})).iloc[0].startswith("If it falls at all: ")


@pytest.mark.parametrize(
    ("share", "words"),
    [(2.0, "speaks for another cause"), (35.0, "fits trunk disease but does not prove it")],
)
def test_symptoms(share, words):
    assert words in hints_of(*case({"A-Z1": 0.9, "A-Z2": 0.1}, symptomatic_pct=share)).iloc[0]


def test_change_of_harvester_is_named():
    changes = pd.DataFrame({"block_id": ["A"], "vintage": [2022]})
    hint = hints_of(*case({"A-Z1": 0.9, "A-Z2": 0.1}), machine_changes=changes).iloc[0]
    assert hint.endswith("A change of harvester in 2022 coincides: check the loads first.")


def test_change_of_harvester_is_named_by_zone():
    changes = pd.DataFrame({"zone_id": ["A-Z1", "A-Z2"], "vintage": [2020, 2021], "machine": ["Ibis", "Owl"]})
    hint = hints_of(*case({"A-Z1": 0.9, "A-Z2": 0.1}), machine_changes=changes).iloc[0]
    assert hint.endswith("A change of harvester to Ibis in 2020 coincides: check the loads first.")


@pytest.mark.parametrize(
    ("vintage", "low", "named"),
    [(2019, None, False), (2020, None, True), (2024, None, True), (2017, 2016, True)],
)
def test_a_change_of_harvester_counts_from_when_the_fall_may_have_set_in(vintage, low, named):
    """Onset 2021, or from 2016 on: an earlier change of harvester has nothing to do with it."""
    changes = pd.DataFrame({"block_id": ["A"], "vintage": [vintage]})
    table, zones = case({"A-Z1": 0.9, "A-Z2": 0.1})
    found = describe_causes(table.assign(onset_low=low), zones, machine_changes=changes)
    assert ("machine_change" in found["cause_code"].iloc[0]) == named


def test_machine_changes_are_listed_without_readings():
    used = pd.DataFrame({
        "zone_id": ["A-Z1"] * 3 + ["A-Z2"] * 2, "vintage": [2022, 2024, 2025, 2024, 2025],
        "machine": ["one", "two", "two", "one", "one"],
    })  # fmt: skip
    assert list_machine_changes(used).to_numpy().tolist() == [["A-Z1", 2024, "two"]]


def test_holding_zone_has_no_hint():
    assert hints_of(*case({"A-Z1": 0.1, "A-Z2": 0.9}, loss_pct=3.0, vine_loss_pct=2.0)).iloc[0] == ""
