"""Patterns of loss, machines and words: borders between one saying and the next."""

from __future__ import annotations

from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.decline import describe_causes, list_machine_changes, word_cause
from vinemap.decline.hints import HINTS

FALLING = {
    "chance_declining": 0.9, "loss_pct": 30.0, "stand_loss_pct": 1.0, "vine_loss_pct": 29.0,
    "symptomatic_pct": None, "onset_vintage": 2021, "renewed_year": None, "recovery_pct": None,
}  # fmt: skip
HOLDING = FALLING | {"chance_declining": 0.1, "loss_pct": 2.0, "vine_loss_pct": 1.0, "onset_vintage": None}


def estate(zones: dict[str, dict], shapes: list | None = None, **facts) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows by zone, on shapes or on none."""
    rows = [{"zone_id": name, "block_id": name.split("-")[0]} | row for name, row in zones.items()]
    table = pd.DataFrame(rows)
    table = table.astype({name: "Int64" for name in ("onset_vintage", "onset_low") if name in table})
    known = table[["zone_id", "block_id"]].assign(variety="Shiraz", **facts)
    return table, known if shapes is None else gpd.GeoDataFrame(known, geometry=shapes, crs=3035)


def strips(*borders: float, height: float = 10.0) -> list:
    return [shapely.box(west, 0, east, height) for west, east in pairwise(borders)]


def codes(
    zones: dict[str, dict], shapes: list | None = None, *, changes=None, seen=None, **facts
) -> list[str]:
    return describe_causes(*estate(zones, shapes, **facts), machine_changes=changes, seen=seen)[
        "cause_code"
    ].tolist()


# ---------------------------------------------------------------- chance, loss, stand, symptoms
@pytest.mark.parametrize(
    ("chance", "loss", "code"),
    [
        (0.8, 30.0, "one_zone ground"), (0.79, 30.0, "doubtful one_zone ground"),
        (0.5, 30.0, "doubtful one_zone ground"), (0.49, 30.0, "below_holding ground"),
        (0.49, 10.0, "below_holding ground"), (0.49, 9.9, ""), (None, 9.9, ""),
    ],
)  # fmt: skip
def test_words_grow_more_careful_as_the_chance_falls(chance, loss, code):
    sick = FALLING | {"chance_declining": chance, "loss_pct": loss, "vine_loss_pct": loss}
    assert codes({"A-Z1": sick, "A-Z2": HOLDING})[0] == code


@pytest.mark.parametrize(
    ("stand", "vine", "code"),
    [
        (5.0, 4.9, "missing_most"), (4.9, 1.0, "one_zone ground"), (20.0, 4.9, "missing_most"),
        (20.0, 5.0, "missing_half"), (20.0, 20.0, "missing_half"), (20.0, 20.1, "one_zone ground"),
        (None, 2.0, "one_zone ground"), (30.0, None, "missing_most"),
    ],
)  # fmt: skip
def test_missing_vines_are_named_first_where_they_explain_more_than_half(stand, vine, code):
    sick = FALLING | {"stand_loss_pct": stand, "vine_loss_pct": vine}
    assert codes({"A-Z1": sick, "A-Z2": HOLDING})[0] == code


@pytest.mark.parametrize(
    ("share", "code"), [(None, ""), (0.0, " symptoms_few"), (4.9, " symptoms_few"), (5.0, " symptoms_seen")]
)
def test_symptoms_count_from_five_percent(share, code):
    """About the background that counters call in sound blocks."""
    sick = FALLING | {"symptomatic_pct": share}
    assert codes({"A-Z1": sick, "A-Z2": HOLDING})[0] == f"one_zone ground{code}"


@pytest.mark.parametrize(("recovery", "code"), [(None, "renewed_waiting"), (0.0, "renewed_back")])
def test_a_renewed_zone_is_spoken_of_as_renewed(recovery, code):
    done = FALLING | {"renewed_year": 2023, "recovery_pct": recovery, "stand_loss_pct": 40.0}
    assert codes({"A-Z1": done, "A-Z2": HOLDING})[0] == code


def test_of_zones_hardly_known_nothing_is_said():
    seen = pd.Series([False, True])
    changes = pd.DataFrame({"block_id": ["A", "B"], "vintage": 2021, "machine": "Ibis"})
    found = describe_causes(*estate({"A-Z1": FALLING, "B-Z1": FALLING}), machine_changes=changes, seen=seen)
    assert found["cause_code"].tolist() == ["", "whole_block_shared ground machine_change"]
    assert found["cause_hint"].iloc[0] == ""
    assert found["machine_change_to"].tolist() == ["", "Ibis"]
    assert found["machine_change_vintage"].isna().tolist() == [True, False]


def test_answers_come_on_the_index_of_the_table():
    table, zones = estate({"A-Z1": FALLING, "A-Z2": HOLDING})
    found = describe_causes(table.set_axis([7, 3]), zones)
    assert found.index.tolist() == [7, 3]
    assert found.columns.tolist() == [
        "cause_code",
        "cause_hint",
        "machine_change_vintage",
        "machine_change_to",
    ]
    assert found["machine_change_vintage"].dtype == "Int64"


# ---------------------------------------------------------------- blocks and their peers
def test_whole_block_needs_all_zones_and_losses_alike():
    """Alike: no zone lost less than a third of what another lost."""
    other = {"B-Z1": HOLDING}
    third = FALLING | {"loss_pct": 10.0}
    assert codes({"A-Z1": FALLING, "A-Z2": third} | other)[0] == "whole_block_alone ground"
    assert codes({"A-Z1": FALLING, "A-Z2": third | {"loss_pct": 9.9}} | other)[0] == "one_zone ground"
    assert (
        codes({"A-Z1": FALLING, "A-Z2": third | {"chance_declining": 0.49}} | other)[0] == "one_zone ground"
    )
    assert codes({"A-Z1": FALLING, "A-Z2": third | {"chance_declining": 0.5}} | other)[0].startswith(
        "whole_block"
    )


def test_several_zones_are_told_from_one():
    many = {"A-Z1": FALLING, "A-Z2": FALLING, "A-Z3": HOLDING}
    assert codes(many)[:2] == ["several_zones ground"] * 2
    assert codes(many | {"A-Z2": HOLDING})[0] == "one_zone ground"


@pytest.mark.parametrize(
    ("holding", "falling", "code"),
    [
        (1, 1, "whole_block_alone ground"),
        (1, 2, "whole_block_shared ground"),
        (2, 0, "whole_block_alone ground"),
    ],
)
def test_peers_are_other_blocks_of_the_variety(holding, falling, code):
    """Half of them or more hold: alone. Zones count alike where their area is not known."""
    peers = {f"B-Z{n}": HOLDING for n in range(holding)} | {f"C-Z{n}": FALLING for n in range(falling)}
    assert codes({"A-Z1": FALLING} | peers)[0] == code


def test_a_block_without_peers_cannot_be_compared():
    table, zones = estate({"A-Z1": FALLING, "B-Z1": HOLDING})
    zones["variety"] = ["Shiraz", "Merlot"]
    assert describe_causes(table, zones)["cause_code"].iloc[0] == "whole_block_no_peer ground"
    assert codes({"A-Z1": FALLING, "A-Z2": FALLING})[0] == "whole_block_no_peer ground"


def test_a_peer_of_chance_one_half_counts_as_falling():
    half = HOLDING | {"chance_declining": 0.5}
    assert codes({"A-Z1": FALLING, "B-Z1": half})[0] == "whole_block_shared ground"


# ---------------------------------------------------------------- ground next to it
LATE = FALLING | {"onset_vintage": 2023, "loss_pct": 20.0}


@pytest.mark.parametrize(
    ("onset", "gap", "focus"),
    [
        (2023, 0.0, True),
        (2022, 0.0, False),
        (2021, 0.0, False),
        (2023, 0.9, True),
        (2023, 1.1, False),
        (None, 0.0, False),
    ],
)
def test_a_focus_grows_into_touching_ground_two_years_or_more_later(onset, gap, focus):
    """Touching: within a metre."""
    shapes = [shapely.box(0, 0, 10, 10), shapely.box(10 + gap, 0, 20, 10), shapely.box(20, 0, 30, 10)]
    found = codes({"A-Z1": FALLING, "A-Z2": LATE | {"onset_vintage": onset}, "A-Z3": HOLDING}, shapes)[0]
    assert found == ("growing_focus ground" if focus else "several_zones ground")


def test_without_an_onset_of_its_own_a_zone_is_no_focus_that_grows():
    unknown = FALLING | {"onset_vintage": None}
    assert (
        codes({"A-Z1": unknown, "A-Z2": LATE, "A-Z3": HOLDING}, strips(0, 10, 20, 30))[0]
        == "several_zones ground"
    )


@pytest.mark.parametrize(
    ("loss", "onset", "code"),
    [
        (9.9, 2021, "beside_focus"), (10.0, 2021, "several_zones"), (9.9, 2020, "growing"),
        (9.9, 2022, "beside_focus"), (9.9, None, "beside_focus"),
    ],
)  # fmt: skip
def test_the_edge_of_a_focus_lost_far_less_and_no_earlier(loss, onset, code):
    """Less than a third of what the ground next to it lost, which set in no later."""
    edge = FALLING | {"loss_pct": loss, "onset_vintage": onset}
    found = codes({"A-Z1": FALLING, "A-Z2": edge, "A-Z3": HOLDING}, strips(0, 10, 20, 30))[1]
    if code == "growing":
        assert "beside_focus" not in found
    else:
        assert found == f"{code} ground"


def test_far_ground_makes_no_edge():
    edge = FALLING | {"loss_pct": 9.0}
    shapes = [shapely.box(0, 0, 10, 10), shapely.box(12, 0, 20, 10), shapely.box(20, 0, 30, 10)]
    assert codes({"A-Z1": FALLING, "A-Z2": edge, "A-Z3": HOLDING}, shapes)[1] != "beside_focus ground"


def test_a_neighbour_of_unknown_onset_makes_no_edge_of_a_zone_with_one():
    hard = FALLING | {"onset_vintage": None}
    edge = FALLING | {"loss_pct": 9.0}
    assert (
        codes({"A-Z1": hard, "A-Z2": edge, "A-Z3": HOLDING}, strips(0, 10, 20, 30))[1]
        != "beside_focus ground"
    )


# ---------------------------------------------------------------- whole rows
@pytest.mark.parametrize(
    ("top", "code"), [(40.0, "along_rows"), (33.0, "along_rows"), (31.0, "patch"), (15.0, "patch")]
)
def test_whole_rows_are_those_taken_for_four_fifths(top, code):
    """Rows run north, 40 m long; the patch takes so much of them."""
    shapes = [shapely.box(0, 0, 10, top), shapely.box(10, 0, 30, 40).union(shapely.box(0, top, 10, 40))]
    assert codes({"A-Z1": FALLING, "A-Z2": HOLDING}, shapes, grid_bearing_deg=0.0)[0] == f"{code} ground"


@pytest.mark.parametrize(("width", "code"), [(26.0, "along_rows"), (28.0, "patch")])
def test_a_patch_as_wide_as_the_block_leaves_no_rows_to_compare_with(width, code):
    """More than nine tenths of the block's width of 30 m."""
    shapes = strips(0, width, 30, height=40.0)
    assert codes({"A-Z1": FALLING, "A-Z2": HOLDING}, shapes, grid_bearing_deg=0.0)[0] == f"{code} ground"


def test_falling_zones_that_touch_make_one_patch():
    """Two halves of the same rows, end to end, take them whole; one of them alone does not."""
    shapes = [shapely.box(0, 0, 10, 20), shapely.box(0, 20, 10, 40), shapely.box(10, 0, 30, 40)]
    both = {"A-Z1": FALLING, "A-Z2": FALLING, "A-Z3": HOLDING}
    assert codes(both, shapes, grid_bearing_deg=0.0)[:2] == ["along_rows ground"] * 2
    assert codes(both | {"A-Z2": HOLDING}, shapes, grid_bearing_deg=0.0)[0] == "patch ground"
    far = shapely.box(20, 20, 30, 40)
    apart = [shapes[0], far, shapely.box(0, 0, 30, 40) - shapes[0] - far]
    assert codes(both, apart, grid_bearing_deg=0.0)[0] == "patch ground"


def test_a_chain_of_touching_zones_is_one_patch():
    """Three thirds of the same rows: the ends touch only through the middle."""
    shapes = [shapely.box(0, y, 10, y + 10) for y in (0, 20, 10)] + [shapely.box(10, 0, 40, 30)]
    names = {"A-Z1": FALLING, "A-Z2": FALLING, "A-Z3": FALLING, "A-Z4": HOLDING}
    assert codes(names, shapes, grid_bearing_deg=0.0)[:3] == ["along_rows ground"] * 3


# ---------------------------------------------------------------- machines
def change(vintage, machine="Ibis", zone=False) -> pd.DataFrame:
    key = {"zone_id": "A-Z1"} if zone else {"block_id": "A"}
    return pd.DataFrame({**key, "vintage": np.atleast_1d(vintage), "machine": machine})


def machine_of(row: dict, changes) -> tuple:
    found = describe_causes(*estate({"A-Z1": row, "A-Z2": HOLDING}), machine_changes=changes).iloc[0]
    return found["machine_change_vintage"], found["machine_change_to"]


def test_the_change_nearest_to_the_onset_is_named():
    assert machine_of(FALLING, change([2020, 2022, 2024])) in [(2020, "Ibis"), (2022, "Ibis")]
    assert machine_of(FALLING, change([2024, 2022])) == (2022, "Ibis")
    assert machine_of(FALLING | {"onset_low": 2018}, change([2018, 2024])) == (2018, "Ibis")
    assert machine_of(FALLING | {"onset_low": 2018}, change([2017])) == (pd.NA, "")
    assert machine_of(FALLING | {"onset_low": 2021}, change([2020])) == (2020, "Ibis")


def test_no_onset_no_change_or_another_block_names_no_machine():
    assert machine_of(FALLING | {"onset_vintage": None}, change(2021)) == (pd.NA, "")
    assert machine_of(FALLING, change(2021).iloc[:0]) == (pd.NA, "")
    assert machine_of(FALLING, change(2021).assign(block_id="B")) == (pd.NA, "")
    assert machine_of(FALLING, change(2021, zone=True).assign(zone_id="A-Z2")) == (pd.NA, "")
    assert machine_of(FALLING, change(2021, zone=True)) == (2021, "Ibis")
    assert machine_of(FALLING, change(2021)[["block_id", "vintage"]]) == (2021, "")


def test_machine_with_most_readings_counts_else_the_first_by_name():
    used = pd.DataFrame({
        "block_id": list("AAAAABB"), "vintage": [2022, 2023, 2023, 2024, 2025, 2024, 2022],
        "machine": ["Ibis", "Ibis", "Owl", "Ibis", "Owl", "Owl", "Owl"], "readings": [5, 4, 6, 9, 9, 9, 9],
    })  # fmt: skip
    found = list_machine_changes(used.sample(frac=1, random_state=1))
    assert found.to_numpy().tolist() == [["A", 2023, "Owl"], ["A", 2024, "Ibis"], ["A", 2025, "Owl"]]
    plain = list_machine_changes(used.drop(columns="readings"))
    assert plain.to_numpy().tolist() == [["A", 2025, "Owl"]]
    assert list_machine_changes(used.iloc[:1]).empty


def test_readings_of_a_machine_add_up():
    used = pd.DataFrame({"block_id": "A", "vintage": [2022, 2023, 2023, 2023], "readings": [9, 4, 4, 6],
                         "machine": ["Ibis", "Ibis", "Ibis", "Owl"]})  # fmt: skip
    assert list_machine_changes(used).empty


# ---------------------------------------------------------------- words
def test_every_code_has_words_and_numbers_without_decimals():
    values = {"renewed_year": 2021.0, "recovery_pct": 79.6, "symptomatic_pct": 14.4,
              "machine_change_vintage": 2022, "machine_change_to": "Ibis"}  # fmt: skip
    for code, text in HINTS.items():
        said = word_cause(code, values)
        assert said, code
        assert "{" not in said
        assert text.count("{") == 0 or said != text
    assert word_cause("renewed_back", values) == "Renewed in 2021; yields 80 % of its healthy level now."
    assert word_cause("", values) == ""


def test_what_follows_a_colon_is_not_capitalised():
    said = word_cause("doubtful one_zone ground", {})
    assert ": this zone falls" in said
    assert ". Wet, saline" in said


def test_a_machine_without_a_name_is_not_named():
    values = {"machine_change_vintage": 2022, "machine_change_to": ""}
    assert "harvester in 2022" in word_cause("machine_change", values)
    assert word_cause("machine_change", {"machine_change_vintage": pd.NA, "machine_change_to": pd.NA})
