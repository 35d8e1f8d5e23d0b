"""Whatever the bytes: a table or a clear refusal, never a crash; whatever the number: the same number."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from vinemap.errors import IntakeError
from vinemap.intake import read_source
from vinemap.intake.numbers import to_degrees, to_numbers, to_times

KINDS = ("harvest", "loads", "counts", "renewals")
QUICK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
CALM = settings(deadline=None)  # machines that test are shared
HEADER = "Time,Lat,Lon,Speed (m/s),Flow (kg/s),Block,Row,Method,Year,Net (kg),Missing,Vintage\n"


def read_or_refuse(file, kind: str) -> None:
    try:
        taken = read_source(file, kind)
    except IntakeError as error:
        refusal = error
    else:
        refusal = None
    if refusal is not None:
        assert refusal.what
        assert refusal.remedy
        return
    assert len(taken.table) > 0
    assert len(taken.table) + len(taken.refused) == taken.rows_read
    assert taken.refused["reason"].ne("").all()


@QUICK
@given(data=st.binary(max_size=400), kind=st.sampled_from(KINDS))
@example(data=b"\x1c", kind="harvest")
@example(data=b"\x1c\n\x1f,\x85", kind="counts")
def test_any_bytes_read_or_are_refused(tmp_path, data, kind):
    (tmp_path / "a.csv").write_bytes(data)
    read_or_refuse(tmp_path / "a.csv", kind)


CELLS = st.one_of(
    st.sampled_from(
        [
            "",
            "NaN",
            "inf",
            "-1",
            "1e308",
            "0x10",
            "1,5",
            '"',
            "=1+1",
            "2024-03-01",
            "\u0000",
            "<b>",
            "A1",
            "-34.2",
        ]
    ),
    st.text(max_size=8),
    st.floats(allow_nan=True).map(str),
)


@QUICK
@given(
    rows=st.lists(st.lists(CELLS, min_size=9, max_size=13), min_size=1, max_size=6),
    kind=st.sampled_from(KINDS),
)
@example(rows=[["", "", "", "", "", "", "", "", "", "1e308", "", "", ""]] * 2, kind="loads")
@example(rows=[[""] * 9, ["", "", "", "", "", "", "", "", "", "", "", "1e308"]], kind="loads")
def test_any_cells_under_a_good_header_read_or_are_refused(tmp_path, rows, kind):
    text = HEADER + "\n".join(",".join(row) for row in rows)
    (tmp_path / "a.csv").write_bytes(text.encode("utf-8", "surrogatepass"))
    read_or_refuse(tmp_path / "a.csv", kind)


@QUICK
@given(
    data=st.binary(max_size=300),
    name=st.sampled_from(["a.geojson", "a.gpkg", "a.kml", "a.parquet", "a.zip", "a.csv.gz", "a.shp"]),
)
@pytest.mark.filterwarnings("ignore")
def test_any_bytes_in_a_layer_are_refused(tmp_path, data, name):
    starts = {
        "a.gpkg": b"SQLite format 3\0",
        "a.parquet": b"PAR1",
        "a.zip": b"PK\x03\x04",
        "a.csv.gz": b"\x1f\x8b",
        "a.geojson": b"{",
    }
    (tmp_path / name).write_bytes(starts.get(name, b"") + data)
    read_or_refuse(tmp_path / name, "blocks")


@CALM
@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=20), st.sampled_from([".", ","]))
def test_numbers_come_back_by_either_decimal_mark(values, mark):
    cells = pd.Series([repr(one).replace(".", mark) for one in values])
    read = to_numbers(cells, decimal=mark)
    assert not read.bad.any()
    np.testing.assert_array_equal(read.values, values)


@CALM
@given(st.lists(st.integers(0, 999_999_999), min_size=1, max_size=10))
def test_numbers_with_marks_between_thousands_come_back(values):
    """With an apostrophe, a narrow blank, or the other mark; a single group of three can be a decimal."""
    for mark in ("'", "\u202f", " "):
        read = to_numbers(pd.Series([f"{one:,}".replace(",", mark) for one in values]))
        assert read.values.tolist() == values


@CALM
@given(st.floats(-90, 90))
def test_degrees_minutes_seconds_come_back(degrees):
    total = abs(degrees)
    minutes = (total - int(total)) * 60
    seconds = (minutes - int(minutes)) * 60
    text = f"{int(total)}\u00b0{int(minutes)}'{min(seconds, 59.99999):.5f}\" {'S' if degrees < 0 else 'N'}"
    read = to_degrees(pd.Series([text]))
    assert read.values[0] == pytest.approx(degrees, abs=1e-7)


@CALM
@given(st.datetimes(min_value=pd.Timestamp("1990-01-02"), max_value=pd.Timestamp("2099-12-30")))
def test_times_come_back_from_every_shape(moment):
    second = pd.Timestamp(moment).floor("s")
    epoch = int((second - pd.Timestamp("1970-01-01")).total_seconds())
    shapes = [second.isoformat(), second.strftime("%Y-%m-%d %H:%M:%S"), second.strftime("%Y/%m/%d %H:%M:%S")]
    if epoch > 6.5e8:
        shapes += [str(epoch), str(epoch * 1000)]
    for text in shapes:
        read = to_times(pd.Series([text]))
        assert not read.bad.any(), text
        assert read.values.iloc[0].tz_localize(None) == second, text
