"""What was said of one file holds for the next of the same shape, is shown, and can be taken back."""

from __future__ import annotations

import geopandas as gpd
import pytest
import shapely

from vinemap.errors import StoreError
from vinemap.estate import create_estate
from vinemap.estate.memory import MEMORY_FILE
from vinemap.intake import preview_source, read_frame, read_source

HEADER = "When,A,B,Velocity,Stream\n"


def log(folder, name: str, hour: int, *, speed: float = 1.2, header: str = HEADER):
    lines = [
        f"2024-03-01T{hour:02d}:00:{second:02d}Z,-34.199{second:02d},140.501{second:02d},{speed},2.0"
        for second in range(20)
    ]
    (folder / name).write_text(header + "\n".join(lines) + "\n", encoding="utf-8")
    return folder / name


@pytest.fixture
def store(tmp_path):
    block = gpd.GeoDataFrame(
        {"block_id": ["A1"], "row_spacing_m": [3.0], "vine_spacing_m": [2.0]},
        geometry=[shapely.box(140.5, -34.2, 140.503, -34.198)],
        crs=4326,
    )
    out = create_estate(tmp_path / "estate")
    out.add(read_frame(block, "blocks"))
    return out


def test_columns_and_units_said_once_hold_for_the_next_file(store, tmp_path):
    said = {"columns": {"mass_flow_kg_s": "Stream", "machine": "=H1"}, "units": {"mass_flow_kg_s": "kg/s"}}
    store.add(read_source(log(tmp_path, "a.csv", 8), "harvest", **said))
    known = store.remembered()
    assert [(one.file, one.import_id, one.columns) for one in known] == [
        ("a.csv", 2, {"mass_flow_kg_s": "Stream"})
    ]
    again = read_source(log(tmp_path, "b.csv", 9), "harvest", remembered=known)
    assert again.table["mass_flow_kg_s"].unique().tolist() == [2.0]
    assert any(
        note
        == "As you said for a.csv of the same columns: mass_flow_kg_s in 'Stream', mass_flow_kg_s in kg/s."
        for note in again.notes
    )
    # One name for all rows is of one file: the next may be of another machine.
    assert again.table["machine"].unique().tolist() == ["harvester"]
    assert preview_source(tmp_path / "b.csv", kind="harvest", remembered=known).problem == ""


def test_what_is_said_now_goes_before_what_was_said(store, tmp_path):
    store.add(read_source(log(tmp_path, "a.csv", 8), "harvest", columns={"mass_flow_kg_s": "Stream"}))
    file = log(tmp_path, "b.csv", 9)
    now = read_source(file, "harvest", columns={"mass_kg": "Stream"}, remembered=store.remembered())
    assert now.table["mass_kg"].unique().tolist() == [2.0]
    assert now.table["mass_flow_kg_s"].isna().all()


def test_another_shape_is_not_touched(store, tmp_path):
    store.add(read_source(log(tmp_path, "a.csv", 8), "harvest", columns={"mass_flow_kg_s": "Stream"}))
    other = log(tmp_path, "b.csv", 9, header="When,A,B,Velocity,Flow (t/h)\n")
    taken = read_source(other, "harvest", remembered=store.remembered())
    assert taken.table["mass_flow_kg_s"].iloc[0] == pytest.approx(2.0 / 3.6)
    assert not any("As you said" in note for note in taken.notes)


def test_unit_that_only_the_values_told_decides_the_next_doubtful_file(store, tmp_path):
    """A median of 2 can be m/s, km/h or mph; after a file that can only be m/s it is m/s."""
    columns = {"mass_flow_kg_s": "Stream"}
    store.add(read_source(log(tmp_path, "a.csv", 8, speed=0.9), "harvest", columns=columns))
    file = log(tmp_path, "b.csv", 9, speed=2.2)
    alone = {one.field: one for one in read_source(file, "harvest", columns=columns).guesses}["speed_m_s"]
    assert alone.confidence < 0.75
    taken = read_source(file, "harvest", remembered=store.remembered())
    after = {one.field: one for one in taken.guesses}["speed_m_s"]
    assert (after.unit, after.confidence) == ("m/s", 0.8)
    assert "as in the last file of the same columns" in after.why
    # Values that cannot be of the remembered unit go before it, and it is said.
    fast = read_source(log(tmp_path, "c.csv", 10, speed=7.0), "harvest", remembered=store.remembered())
    seen = {one.field: one for one in fast.guesses}["speed_m_s"]
    assert seen.unit == "km/h"
    assert any("but the last file of the same columns was in m/s" in note for note in fast.notes)


def test_undo_forgets_and_a_damaged_memory_is_told(store, tmp_path):
    said = {"columns": {"mass_flow_kg_s": "Stream"}}
    number = store.add(read_source(log(tmp_path, "a.csv", 8), "harvest", **said)).import_id
    store.undo(number)
    assert store.remembered() == []
    (store.folder / MEMORY_FILE).write_text("[{", encoding="utf-8")
    with pytest.raises(StoreError, match=r"Delete this file; nothing else is lost"):
        store.remembered()
