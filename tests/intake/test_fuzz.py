"""Bounded fuzzing: damaged files of every format are read or refused with a sentence, never anything else.

Valid small files are made once; hypothesis cuts, doubles, overwrites and swaps their bytes. What was found
stays in `FOUND`, so that it is tried every time.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import struct
import warnings
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from vinemap.errors import IntakeError
from vinemap.intake import open_source, preview_source, read_source, text_blocks
from vinemap.intake.archive import MAX_BYTES

BOUNDED = settings(
    max_examples=60,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],  # no shrinking: the time is bounded
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
TEXT = (
    "Time (UTC);Lat;Lon;Speed (km/h);Flow (t/h);Machine\n"
    + "".join(f"2024-03-01 08:00:{n:02d};-34,2{n:03d};140,5{n:03d};4,{n};12,5;H1\n" for n in range(30))
).encode()
KML = (
    '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>A1</name><Polygon>'
    "<outerBoundaryIs><LinearRing><coordinates>140.5,-34.21 140.503,-34.21 140.503,-34.208 140.5,-34.21"
    "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Document></kml>"
)


def zipped() -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("a.csv", (2024, 3, 1, 8, 0, 0)), TEXT)
    return sink.getvalue()


ZIP = zipped()
STAMP = dt.datetime(2024, 3, 1, 8, 0)


def layer(shapes: list[object]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"block": [f"A{n}" for n in range(len(shapes))], "row_spacing_m": 3.0, "vine_spacing_m": 2.0},
        geometry=shapes,
        crs=4326,
    )


class Seeds(dict):
    """Files by name; of a short look, or hypothesis prints them all."""

    def __repr__(self) -> str:
        return f"Seeds({', '.join(self)})"


@pytest.fixture(scope="module")
def seeds(tmp_path_factory) -> Seeds:
    """Small good files: bytes and kind by name."""
    folder = tmp_path_factory.mktemp("seeds")
    blocks = layer([shapely.box(140.5 + 0.01 * n, -34.21, 140.505 + 0.01 * n, -34.2) for n in range(3)])
    out = {"a.csv": (TEXT, "harvest")}
    for name in ("a.geojson", "a.gpkg", "a.fgb"):
        blocks.to_file(folder / name)
    (folder / "a.kml").write_text(KML, encoding="utf-8")
    blocks.to_parquet(folder / "a.parquet")
    with rasterio.open(
        folder / "a.tif", "w", driver="GTiff", width=8, height=8, count=1, dtype="float32", crs="EPSG:4326",
        transform=rasterio.Affine(1e-4, 0.0, 140.5, 0.0, -1e-4, -34.2),
    ) as sink:  # fmt: skip
        sink.write(np.ones((1, 8, 8), dtype="float32"))
    for name in ("a.geojson", "a.gpkg", "a.fgb", "a.kml", "a.parquet"):
        out[name] = ((folder / name).read_bytes(), "blocks")
    out["a.tif"] = ((folder / "a.tif").read_bytes(), "imagery")
    out["a.zip"] = (ZIP, "harvest")
    return Seeds(out)


EDITS = st.lists(
    st.tuples(
        st.sampled_from(["flip", "cut", "double", "insert", "zero", "end"]),
        st.floats(0, 1, exclude_max=True),
        st.integers(1, 40),
        st.binary(min_size=1, max_size=12),
    ),
    min_size=1,
    max_size=5,
)


def damage(data: bytes, edits: list[tuple[str, float, int, bytes]]) -> bytes:
    out = bytearray(data)
    for what, where, length, fresh in edits:
        place = int(where * len(out))
        if what == "flip":
            out[place : place + len(fresh)] = fresh[: max(len(out) - place, 0)]
        elif what == "cut":
            del out[place : place + length]
        elif what == "double":
            out[place:place] = out[place : place + length]
        elif what == "insert":
            out[place:place] = fresh
        elif what == "zero":
            out[place : place + length] = bytes(min(length, len(out) - place))
        else:
            del out[place:]
    return bytes(out)


def read_or_refuse(file, kind: str, **options) -> None:
    refusal = None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # GDAL warns of damage that it mends
        try:
            taken = read_source(file, kind, **options)
        except IntakeError as error:
            refusal = error
    if refusal is not None:
        assert refusal.what
        assert refusal.remedy
        assert len(str(refusal)) < 1500
        return
    assert len(taken.table) + len(taken.refused) == taken.rows_read
    assert len(taken.table) > 0


NAMES = ["a.csv", "a.geojson", "a.gpkg", "a.fgb", "a.kml", "a.parquet", "a.tif", "a.zip"]


@pytest.mark.parametrize("name", NAMES)
@BOUNDED
@given(edits=EDITS)
def test_damaged_file_is_read_or_refused(tmp_path, seeds, name, edits):
    data, kind = seeds[name]
    (tmp_path / name).write_bytes(damage(data, edits))
    read_or_refuse(tmp_path / name, kind)


@BOUNDED
@given(edits=EDITS, kind=st.sampled_from(["loads", "counts", "renewals", "rows", "blocks"]))
def test_damaged_text_of_any_kind(tmp_path, edits, kind):
    text = b"Vintage,Block,Row,From vine,To vine,Vines,Missing,Panel,Status,Bunches,Bunch weight (g),"
    text += b"Method,Year,Ticket,Gross (kg),Tare (kg),Net (kg),MOG,Brix,Date\n"
    text += b"2024,A1,1,1,5,5,1,1,ok,10,120,replant,2020,77,20000,8000,12000,2.5,24,2024-03-01\n" * 3
    (tmp_path / "a.csv").write_bytes(damage(text, edits))
    read_or_refuse(tmp_path / "a.csv", kind)


HEADERS = st.builds(
    lambda a, b, d, values: f'<TIM A="{a}" D="4"><PTN A="{b}" B="{b}" D="{d}"/>{"".join(values)}</TIM>',
    st.sampled_from(["", "2024-03-01T08:00:00", "x"]),
    st.sampled_from(["", "-34.2", "1e999", "91"]),
    st.sampled_from(["", "4", "0"]),
    st.lists(
        st.builds(
            '<DLV A="{}" B="{}" C="DET-1"/>'.format,
            st.sampled_from(["0057", "0054", "005A", "0043", "018D", "FFFF", "10000"]),
            st.sampled_from(["", "1000", "-1", "99999999999"]),
        ),
        max_size=4,
    ),
)


@BOUNDED
@given(header=HEADERS, binary=st.binary(max_size=200), edits=EDITS)
def test_any_time_log_is_read_or_refused(tmp_path, tasks, header, binary, edits):
    record = tasks.pack_record(STAMP, tasks.pack_position(-34.2, 140.5), [(0, 3_000_000), (1, 2000)])
    file = tasks.write_task_data(tmp_path, damage(record * 5, edits) + binary, values="")
    (tmp_path / "TLG00001.XML").write_text(header, encoding="utf-8")
    read_or_refuse(file, "harvest")


@BOUNDED
@given(edits=EDITS)
def test_damaged_task_data_xml(tmp_path, tasks, edits):
    record = tasks.pack_record(STAMP, tasks.pack_position(-34.2, 140.5), [(0, 3_000_000)])
    file = tasks.write_task_data(tmp_path, record, values='<DLV A="0057" B="" C="DET-1"/>')
    file.write_bytes(damage(file.read_bytes(), edits))
    read_or_refuse(file, "harvest")


@BOUNDED
@given(edits=EDITS, block=st.integers(400, 900))
def test_damaged_log_in_parts_is_the_log_at_once(tmp_path, edits, block):
    """Whatever the damage and wherever the parts are cut, as many rows are kept as when read at once.

    One decimal mark, delimiter and header are settled by the first part, so the start is left whole.
    """
    head, body = TEXT[:700], TEXT[700:] * 3
    (tmp_path / "a.csv").write_bytes(head + damage(body, edits))
    kept = {}
    saved = text_blocks.STREAM_FROM_BYTES, text_blocks.BLOCK_BYTES
    for name, limits in {"whole": (MAX_BYTES, block), "parts": (1, 700 + block)}.items():
        text_blocks.STREAM_FROM_BYTES, text_blocks.BLOCK_BYTES = limits
        with contextlib.suppress(IntakeError):
            taken = open_source(tmp_path / "a.csv", "harvest")
            parts = [taken] if hasattr(taken, "table") else list(taken.parts)
            times = pd.concat([one.table["time"] for one in parts])
            kept[name] = sorted(set(times))
    text_blocks.STREAM_FROM_BYTES, text_blocks.BLOCK_BYTES = saved
    if len(kept) == 2:
        assert kept["whole"] == kept["parts"]


# Found by the runs above or by hand: name, bytes, kind.
FOUND = {
    "utf-16 mark and nothing": ("a.csv", b"\xff\xfe", "harvest"),
    "zip without an end": ("a.zip", b"PK\x03\x04" + bytes(26), "harvest"),
    "zip with its first byte gone": ("a.zip", ZIP[1:], "harvest"),
    "gzip of nothing": ("a.csv.gz", b"\x1f\x8b\x08" + bytes(7), "harvest"),
    "quote that never ends": ("a.csv", b'Time,Lat,Lon,Flow\n"2024-03-01,-34,140,1\n' * 3, "harvest"),
    "only delimiters": ("a.csv", b",,,,\n,,,,\n", "harvest"),
    "parquet tail only": ("a.parquet", b"PAR1" + struct.pack("<I", 1 << 31) + b"PAR1", "blocks"),
    "one byte": ("a.csv", b"\x00", "harvest"),
    "line of carriage returns": ("a.csv", b"\r" * 5000, "harvest"),
    "number row as header": ("a.csv", b"1,2,3\n4,5,6\n", "harvest"),
    "tiff of four billion pixels": ("a.tif", b"II*\x00\x08\x00\x00\x00\xff\xff" + b"\xff" * 40, "imagery"),
    "outline that does not end where it begins": (
        "a.kml",
        KML.replace(" 140.5,-34.21<", " 140.501,-34.205<").encode(),
        "blocks",
    ),
    "outline of one point": (
        "a.kml",
        KML.replace(" 140.503,-34.21 140.503,-34.208 140.5,-34.21", "").encode(),
        "blocks",
    ),
    "json null": ("a.geojson", b'{"type": "FeatureCollection", "features": [null]}', "blocks"),
    "json wrong type": ("a.geojson", b'{"type": "FeatureCollection", "features": {"a": 1}}', "blocks"),
}


@pytest.mark.parametrize("case", FOUND.values(), ids=FOUND.keys())
def test_found_case_is_refused(tmp_path, case):
    name, content, kind = case
    (tmp_path / name).write_bytes(content)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(IntakeError) as caught:
            read_source(tmp_path / name, kind)
        assert caught.value.remedy
        with contextlib.suppress(IntakeError):
            assert preview_source(tmp_path / name, kind=kind).problem
