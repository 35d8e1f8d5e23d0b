"""Tables: types brought into line, missing columns refused, caller's frame left alone."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import Point

from vinemap import tables
from vinemap.errors import TableError, VinemapError


def test_check_orders_and_types_and_keeps_extra_columns():
    frame = pd.DataFrame(
        {"note": ["x"], "import_id": [1], "year": ["2021"], "method": ["infill"], "block_id": ["A"]}
    )
    out = tables.check_table(frame.assign(year=frame["year"].astype(int)), tables.RENEWALS)
    assert list(out.columns) == [*tables.RENEWALS.names, "note"]
    assert out["year"].dtype == "Int64"
    assert out["from_row"].isna().all()
    assert list(frame.columns) == ["note", "import_id", "year", "method", "block_id"]


def test_missing_required_column_is_named():
    with pytest.raises(TableError, match="Column method is missing"):
        tables.check_table(
            pd.DataFrame({"block_id": ["A"], "year": [2020], "import_id": [1]}), tables.RENEWALS
        )


def test_fractional_whole_number_is_refused():
    frame = pd.DataFrame({"block_id": ["A"], "method": ["infill"], "year": [2020.5], "import_id": [1]})
    with pytest.raises(TableError, match="Column year must be int"):
        tables.check_table(frame, tables.RENEWALS)


def test_geometry_is_demanded():
    with pytest.raises(TableError, match="No geometry"):
        tables.check_table(pd.DataFrame({name: [] for name in tables.ZONES.names}), tables.ZONES)


@pytest.mark.parametrize("table", [*tables.INPUTS, *tables.STAGES, *tables.OUTPUTS], ids=lambda one: one.name)
def test_empty_table_passes_its_own_check(table):
    empty = tables.empty_table(table, crs="EPSG:9473" if table.geometry else None)
    assert list(tables.check_table(empty, table).columns[: len(table.names)]) == table.names


@pytest.mark.parametrize("table", [*tables.INPUTS, *tables.STAGES, *tables.OUTPUTS], ids=lambda one: one.name)
def test_names_are_snake_case_and_units_agree_with_suffixes(table):
    for column in table.columns:
        assert column.name == column.name.lower()
        assert column.meaning
        if column.name.endswith("_pct"):
            assert column.unit == "%"
        if column.name.endswith("_t_ha"):
            assert column.unit == "t/ha"


def test_text_that_is_missing_becomes_empty_text():
    frame = gpd.GeoDataFrame({"block_id": ["A", None]}, geometry=[Point(0, 0), Point(1, 1)], crs=4326)
    column = tables.Table("x", "", "Point", (tables.Column("block_id", "", "str", "Block"),))
    assert tables.check_table(frame, column)["block_id"].tolist() == ["A", ""]


def test_errors_survive_pickling():
    import pickle

    error = TableError("What.", where="a.csv, row 3", remedy="Mend it.")
    again = pickle.loads(pickle.dumps(error))
    assert isinstance(again, VinemapError)
    assert (again.what, again.where, again.remedy, str(again)) == (
        "What.",
        "a.csv, row 3",
        "Mend it.",
        str(error),
    )


def test_plain_tables_come_back_from_parquet_as_pandas_reads_them(tmp_path):
    frame = pd.DataFrame(
        {
            "vintage": pd.array([2021, None], dtype="Int64"),
            "time": pd.to_datetime(["2021-03-01T05:00Z", None]),
            "machine": pd.Categorical(["Wren", None]),
            "mass": [1.5, float("nan")],
        },
        index=[4, 7],
    )
    place = tmp_path / "vintage=2020"  # a name that pyarrow's data sets would make a column of
    place.mkdir()
    frame.to_parquet(place / "t.parquet")
    seen = tables.read_plain(place / "t.parquet")
    pd.testing.assert_frame_equal(seen, frame)
    pd.testing.assert_frame_equal(seen, pd.read_parquet(place / "t.parquet"))
