"""Files of readings: plain GeoParquet; those of an older version are joined to."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from vinemap.errors import StoreError
from vinemap.estate import create_estate
from vinemap.estate.reading_files import mark_readings, stored_marks
from vinemap.intake import read_frame
from vinemap.tables import READINGS, check_table
from vinemap.taken import mark_rows

FILE = "harvest/2024/A1.parquet"


def log(hour: int, count: int = 20, **columns) -> pd.DataFrame:
    times = pd.date_range(f"2024-03-01T{hour:02d}:00:00Z", periods=count, freq="s")
    plain = {"time": times, "latitude": np.linspace(-34.199, -34.198, count), "longitude": 140.501}
    return pd.DataFrame(plain | {"mass_flow_kg_s": 2.0, "speed_m_s": 1.0, "machine": "H1"} | columns)


@pytest.fixture
def store(tmp_path):
    outline = gpd.GeoDataFrame(
        {"block_id": ["A1"], "row_spacing_m": 3.0, "vine_spacing_m": 2.0},
        geometry=[shapely.box(140.5, -34.2, 140.502, -34.197)],
        crs=4326,
    )
    out = create_estate(tmp_path / "estate")
    out.add(read_frame(outline, "blocks"))
    return out


def test_readings_join_a_file_that_geopandas_wrote(store):
    """Earlier versions wrote the table through geopandas, at first without the name typed in the cab."""
    store.add(read_frame(log(8, block="A1"), "harvest", name="one"))
    before = gpd.read_parquet(store.folder / FILE)
    before.drop(columns="block_name").to_parquet(store.folder / FILE, index=False)
    report = store.add(read_frame(pd.concat([log(8), log(9)]), "harvest", name="two"))
    assert report.reasons == {"the same reading is stored already": 20}
    after = store.readings(2024, "A1")
    assert after["reading_id"].tolist() == list(range(1, 41))
    assert after["import_id"].tolist() == [2] * 20 + [3] * 20
    pd.testing.assert_series_equal(after["time"].iloc[:20], check_table(before, READINGS)["time"])
    assert store.verify() == []


def test_a_column_of_a_newer_version_is_kept(store):
    store.add(read_frame(log(8), "harvest", name="one"))
    newer = gpd.read_parquet(store.folder / FILE).assign(header_rpm=410.0)
    newer.to_parquet(store.folder / FILE, index=False)
    store.add(read_frame(log(9), "harvest", name="two"))
    rpm = gpd.read_parquet(store.folder / FILE)["header_rpm"]
    assert rpm.iloc[:20].tolist() == [410.0] * 20
    assert rpm.iloc[20:].isna().all()


def test_a_damaged_file_is_told_and_stays(store):
    store.add(read_frame(log(8), "harvest", name="one"))
    (store.folder / FILE).write_bytes(b"PAR1 no longer")
    with pytest.raises(StoreError, match=r"A1.parquet: It cannot be read.* backup copy, or undo its import"):
        store.add(read_frame(log(9), "harvest", name="two"))
    assert (store.folder / FILE).read_bytes() == b"PAR1 no longer"


def test_a_stored_reading_has_the_mark_that_it_came_with(store):
    taken = read_frame(log(8), "harvest", name="one")
    store.add(taken)
    marks, number = stored_marks(store.folder / FILE)
    assert sorted(marks) == sorted(mark_readings(taken.tidy))
    assert number == 21


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["a", "b", ""]), st.sampled_from([0.0, -0.0, 1.5, np.nan]))))
def test_rows_alike_have_one_mark_and_others_another(rows):
    """-0.0 is 0.0, and empty cells are alike, in whatever order the categories stand."""
    frame = pd.DataFrame(rows, columns=["name", "value"]).astype({"value": "float64"})
    turned = frame.assign(name=pd.Categorical(frame["name"], categories=["", "b", "a"]))
    marks = mark_rows(frame.assign(name=pd.Categorical(frame["name"])), ["name", "value"])
    assert (marks == mark_rows(turned, ["name", "value"])).all()
    said = [(name, "empty" if np.isnan(value) else value + 0.0) for name, value in rows]
    assert len(set(marks.tolist())) == len(set(said))
