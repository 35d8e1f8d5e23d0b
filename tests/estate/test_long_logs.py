"""A long log read and stored in parts is the same as at once; memory stays that of one part."""

from __future__ import annotations

import gzip
import subprocess
import sys

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.errors import DataError, IntakeError
from vinemap.estate import create_estate, reading_parts
from vinemap.intake import IntakeStream, open_source, preview_source, read_frame, read_source, text_blocks
from vinemap.tables import READINGS, check_table

ROWS = 3000


@pytest.fixture
def short_blocks(monkeypatch):
    """Make every file a long one, of blocks of a few hundred lines that end in the middle of a line."""
    monkeypatch.setattr(text_blocks, "STREAM_FROM_BYTES", 1)
    monkeypatch.setattr(text_blocks, "STREAM_PACKED_FROM_BYTES", 1)
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 20_011)
    monkeypatch.setattr(
        reading_parts, "HELD_BYTES", 60_000
    )  # the first pieces stay in memory, others go to the disk


@pytest.fixture
def store(tmp_path):
    boxes = [shapely.box(140.5 + 0.004 * n, -34.2, 140.503 + 0.004 * n, -34.198) for n in range(2)]
    frame = gpd.GeoDataFrame(
        {"block_id": ["A1", "A2"], "row_spacing_m": 3.0, "vine_spacing_m": 2.0}, geometry=boxes, crs=4326
    )
    out = create_estate(tmp_path / "estate")
    out.add(read_frame(frame, "blocks"))
    return out


def log(*, total: bool = False) -> pd.DataFrame:
    """Readings in two blocks and outside; days that read by day or month first alike at the start."""
    rng = np.random.default_rng(5)
    times = pd.Timestamp("2024-02-01T22:00:00") + pd.to_timedelta(np.arange(ROWS) * 20, unit="s")
    frame = pd.DataFrame(
        {
            "Time": times.strftime("%d/%m/%Y %H:%M:%S"),
            "Latitude": rng.uniform(-34.2002, -34.1982, ROWS).round(7),
            "Longitude": rng.uniform(140.4998, 140.5072, ROWS).round(7),
            "Speed (km/h)": rng.uniform(3, 5, ROWS).round(2),
            "Flow (t/h)": rng.uniform(4, 30, ROWS).round(2),
            "Machine": "Häher",
            "Block": "a2",
        }
    )
    frame.loc[[10, 1500], "Flow (t/h)"] = -1.0
    if total:
        frame = frame.drop(columns="Flow (t/h)").assign(total_mass_kg=np.arange(ROWS) * 5.0)
    return frame


def write_log(frame: pd.DataFrame, file, encoding: str = "utf-8", end: str = "\n") -> None:
    content = frame.to_csv(index=False, sep=";", lineterminator=end).encode(encoding)
    file.write_bytes(gzip.compress(content) if file.suffix == ".gz" else content)


def stored(store) -> pd.DataFrame:
    index = store.harvest_index()
    parts = [
        store.readings(vintage, block).assign(block=block)
        for vintage, block in zip(index["vintage"], index["block_id"], strict=True)
    ]
    return pd.concat(parts, ignore_index=True).sort_values("source_row", ignore_index=True)


@pytest.mark.parametrize(
    ("name", "encoding", "end"),
    [
        ("a.csv", "utf-8", "\n"),
        ("a.csv", "utf-8-sig", "\r\n"),
        ("a.csv", "utf-16", "\r\n"),
        ("a.csv", "cp1252", "\r"),
        ("a.csv.gz", "utf-8", "\n"),
    ],
)
@pytest.mark.parametrize("total", [False, True])
def test_parts_give_what_the_whole_gives(tmp_path, store, monkeypatch, name, encoding, end, total):
    file = tmp_path / name
    write_log(log(total=total), file, encoding, end)
    whole = read_source(file, "harvest")
    monkeypatch.setattr(text_blocks, "STREAM_FROM_BYTES", 1)
    monkeypatch.setattr(text_blocks, "STREAM_PACKED_FROM_BYTES", 1)
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 20_011)
    monkeypatch.setattr(reading_parts, "HELD_BYTES", 60_000)
    stream = open_source(file, "harvest")
    assert isinstance(stream, IntakeStream)
    report = store.add(stream)
    assert report.rows_read == whole.rows_read == ROWS
    assert report.rows_stored + report.rows_refused == ROWS
    table = stored(store)
    expected = whole.table.set_index("source_row").loc[table["source_row"]]
    assert table["source_row"].is_unique
    assert (table["time"].to_numpy() == expected["time"].to_numpy()).all()
    assert (table["machine"].to_numpy() == expected["machine"].to_numpy()).all()
    for column in ("mass_flow_kg_s", "mass_kg", "speed_m_s"):
        np.testing.assert_array_equal(table[column], expected[column])
    np.testing.assert_array_equal(table.geometry.x, gpd.GeoSeries(expected["geometry"]).x)
    assert store.verify() == []


def test_report_of_a_long_log(tmp_path, store, short_blocks):
    write_log(log(), tmp_path / "a.csv")
    report = store.add(open_source(tmp_path / "a.csv", "harvest"))
    assert report.reasons["mass flow is negative"] == 2
    assert report.reasons["position lies outside every block"] > 100
    notes = "\n".join(report.notes)
    assert notes.count("name no time zone") == 1
    assert "say block 'a2' but lie in 'A1'; the position was taken" in notes
    again = store.add(open_source(tmp_path / "a.csv", "harvest"))
    assert again.duplicate
    (tmp_path / "b.csv").write_bytes((tmp_path / "a.csv").read_bytes() + b"\n\n")
    with pytest.raises(DataError, match="are stored already or lie outside"):
        store.add(open_source(tmp_path / "b.csv", "harvest"))
    store.undo(report.import_id)
    assert len(store.harvest_index()) == 0


def test_joined_file_is_good_geoparquet(tmp_path, store, short_blocks):
    """GeoParquet 1.0: plain geopandas reads it; the bounding box of the column is around all parts."""
    write_log(log(), tmp_path / "a.csv")
    store.add(open_source(tmp_path / "a.csv", "harvest"))
    frame = gpd.read_parquet(store.folder / "harvest" / "2024" / "A1.parquet")
    assert frame.crs.to_epsg() == 4326
    check_table(frame, READINGS)
    assert frame["reading_id"].tolist() == list(range(1, len(frame) + 1))
    import json

    import pyarrow.parquet as pq

    schema = pq.read_schema(store.folder / "harvest" / "2024" / "A1.parquet")
    box = json.loads(schema.metadata[b"geo"])["columns"]["geometry"]["bbox"]
    np.testing.assert_allclose(box, frame.total_bounds)


def test_second_log_is_joined_to_the_first(tmp_path, store, short_blocks):
    frame = log()
    write_log(frame.iloc[:2000], tmp_path / "a.csv")
    write_log(frame.iloc[1000:], tmp_path / "b.csv")
    first = store.add(open_source(tmp_path / "a.csv", "harvest"))
    second = store.add(open_source(tmp_path / "b.csv", "harvest"))
    assert second.reasons["the same reading is stored already"] > 500
    write_log(frame, tmp_path / "c.csv")
    table = stored(store)
    assert len(table) == first.rows_stored + second.rows_stored
    assert not table.duplicated(["time", "machine"]).any()


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"x" * 3_000_000, "far too long"),
        (b"Time;Lat\n" + b"\0" * 50_000, "not a text file"),
        (
            b"Time;Lat;Lon;Flow (kg/s)\n" + b"a;b;c;d\n" * 20_000,
            "No row can be used; row 2: latitude is not a number",
        ),
    ],
)
def test_bad_long_file_is_refused_and_nothing_is_stored(tmp_path, store, short_blocks, content, sentence):
    (tmp_path / "a.csv").write_bytes(content)
    before = sorted(one.name for one in store.folder.rglob("*"))
    with pytest.raises(IntakeError, match=sentence):
        store.add(open_source(tmp_path / "a.csv", "harvest"))
    assert sorted(one.name for one in store.folder.rglob("*")) == before


def test_bad_byte_far_down_takes_the_whole_import_back(tmp_path, store, short_blocks):
    """Whole or not at all, though most of it had been written in parts by then."""
    write_log(log(), tmp_path / "a.csv")
    data = (tmp_path / "a.csv").read_bytes()
    (tmp_path / "a.csv").write_bytes(data[:-100] + b"\0" + data[-100:])
    with pytest.raises(IntakeError, match="not a text file"):
        store.add(open_source(tmp_path / "a.csv", "harvest"))
    assert len(store.harvest_index()) == 0
    assert store.verify() == []


def test_gzip_that_is_cut_off_or_runs_away(tmp_path, store, short_blocks, monkeypatch):
    write_log(log(), tmp_path / "a.csv.gz")
    data = (tmp_path / "a.csv.gz").read_bytes()
    (tmp_path / "cut.csv.gz").write_bytes(data[:-100])
    with pytest.raises(IntakeError, match="cut off"):
        store.add(open_source(tmp_path / "cut.csv.gz", "harvest"))
    (tmp_path / "two.csv.gz").write_bytes(data + gzip.compress(b"\n\n"))
    assert store.add(open_source(tmp_path / "two.csv.gz", "harvest")).rows_read == ROWS
    monkeypatch.setattr(text_blocks, "RATIO_FROM_BYTES", 1000)
    head = "Time;Latitude;Longitude;Flow (t/h)\n"
    (tmp_path / "bomb.csv.gz").write_bytes(gzip.compress((head + "0;0;0;0\n" * 2_000_000).encode()))
    with pytest.raises(IntakeError, match="shrinks beyond belief"):
        store.add(open_source(tmp_path / "bomb.csv.gz", "harvest"))


def test_preview_of_a_long_log_reads_its_start(tmp_path, short_blocks):
    write_log(log(), tmp_path / "a.csv")
    seen = preview_source(tmp_path / "a.csv")
    assert seen.kind == "harvest"
    assert 0 < seen.rows_read < ROWS
    assert any("only its first part is shown" in note for note in seen.notes)


MEASURE = """
import resource, sys
from vinemap.estate import create_estate, reading_parts
from vinemap.intake import open_source, read_source, text_blocks
text_blocks.STREAM_FROM_BYTES, text_blocks.BLOCK_BYTES, reading_parts.HELD_BYTES = 1, 1 << 20, 1 << 20
store = create_estate(sys.argv[1] + "/e")
store.add(read_source(sys.argv[1] + "/blocks.geojson", "blocks"))
store.add(open_source(sys.argv[1] + "/" + sys.argv[2], "harvest"))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="the resource module is of POSIX")
def test_memory_does_not_grow_with_the_file(tmp_path):
    """Ten times the file may take only a little more: 8 bytes a reading to know it again."""
    blocks = gpd.GeoDataFrame(
        {"block_id": ["A1"], "row_spacing_m": 3.0, "vine_spacing_m": 2.0},
        geometry=[shapely.box(140.49, -34.21, 140.51, -34.19)],
        crs=4326,
    )
    used = []
    for place, rows in enumerate((20_000, 200_000)):
        folder = tmp_path / str(place)
        folder.mkdir()
        blocks.to_file(folder / "blocks.geojson")
        times = pd.Timestamp("2024-02-01") + pd.to_timedelta(np.arange(rows), unit="s")
        pd.DataFrame(
            {
                "Time (UTC)": times.astype(str),
                "Latitude": -34.2 + 1e-7 * np.arange(rows) % 0.005,
                "Longitude": 140.5,
                "Flow (kg/s)": 2.0,
                "Speed (m/s)": 1.0,
            }
        ).to_csv(folder / "log.csv", index=False)
        done = subprocess.run(
            [sys.executable, "-c", MEASURE, str(folder), "log.csv"],
            check=True,
            capture_output=True,
            text=True,
            timeout=300,
        )
        used.append(int(done.stdout) * (1 if sys.platform != "darwin" else 1 / 1024) / 1024)
    assert used[1] < used[0] + 80, used
