"""Files made to hurt: refused with a sentence, or taken without harm."""

from __future__ import annotations

import decimal
import io
import json
import time
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely

from vinemap.errors import IntakeError
from vinemap.intake import preview_source, read_frame, read_source

RING = "140.5,-34.21 140.503,-34.21 140.503,-34.208 140.5,-34.208 140.5,-34.21"
KML = (
    '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>A1</name><Polygon><outerBoundaryIs>'
    f"<LinearRing><coordinates>{RING}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
    "</Document></kml>"
)
BOMB = '<!DOCTYPE k [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'


def zipped(members: dict[str, bytes]) -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return sink.getvalue()


@pytest.mark.parametrize(
    "content",
    [
        f'<?xml version="1.0"?>{BOMB}{KML}'.encode(),
        # Beyond the first blocks of the file.
        ('<?xml version="1.0"?><!--' + "x" * 3_000_000 + f"-->{BOMB}{KML}").encode(),
        # In UTF-16 no byte string of the word stands in the file.
        f'<?xml version="1.0" encoding="UTF-16"?>{BOMB}{KML}'.encode("utf-16"),
        f'<?xml version="1.0"?><!DOCTYPE k SYSTEM "file:///etc/passwd">{KML}'.encode(),
    ],
    ids=["bomb", "far down", "utf-16", "external"],
)
@pytest.mark.parametrize("packed", [False, True])
def test_xml_entities(tmp_path, content, packed):
    name = "a.kmz" if packed else "a.kml"
    (tmp_path / name).write_bytes(zipped({"doc.kml": content}) if packed else content)
    with pytest.raises(IntakeError, match=r"Its XML defines entities.* Do not trust this file"):
        read_source(tmp_path / name, "blocks")


def test_kmz_is_unpacked_under_the_same_limits_as_any_zip(tmp_path):
    (tmp_path / "a.kmz").write_bytes(zipped({"doc.kml": KML.encode(), "files/more.kml": b"<kml/>"}))
    assert read_source(tmp_path / "a.kmz", "blocks").table["block_id"].tolist() == ["A1"]
    (tmp_path / "b.kmz").write_bytes(zipped({"doc.kml": b" " * (60 << 20)}))
    with pytest.raises(IntakeError, match="shrinks beyond belief"):
        read_source(tmp_path / "b.kmz", "blocks")
    (tmp_path / "c.kmz").write_bytes(zipped({"../doc.kml": KML.encode()}))
    with pytest.raises(IntakeError, match="leads outside"):
        read_source(tmp_path / "c.kmz", "blocks")


def test_zip_that_lies_about_its_sizes(tmp_path):
    """The directory says 10 bytes; what comes out is counted, not believed."""
    data = bytearray(zipped({"a.csv": b"0" * 100_000}))
    place = data.index(b"PK\x01\x02")
    data[place + 24 : place + 28] = (10).to_bytes(4, "little")
    (tmp_path / "a.zip").write_bytes(bytes(data))
    with pytest.raises(IntakeError, match=r"a\.zip"):
        read_source(tmp_path / "a.zip", "harvest")


@pytest.mark.parametrize("name", ["/etc/cron.csv", "C:\\x.csv", "..\\x.csv", "a/../../x.csv"])
def test_zip_paths_that_lead_outside(tmp_path, name):
    (tmp_path / "a.zip").write_bytes(zipped({name: b"a,b\n1,2\n"}))
    with pytest.raises(IntakeError, match="leads outside"):
        read_source(tmp_path / "a.zip", "harvest")


def test_million_columns(tmp_path):
    (tmp_path / "a.csv").write_text(",".join("c" * 3 for _ in range(1_000_000)) + "\n", encoding="utf-8")
    with pytest.raises(IntakeError, match="far too long for a table"):
        read_source(tmp_path / "a.csv", "harvest")
    wide = pa.table({f"c{n}": [1] for n in range(3000)})
    pq.write_table(wide, tmp_path / "a.parquet")
    with pytest.raises(IntakeError, match="more than 2000 columns"):
        read_source(tmp_path / "a.parquet", "harvest")


def test_coordinates_without_sense_in_a_layer(tmp_path):
    """NaN is no JSON; 1e308 and infinities cannot be on the Earth."""
    good = [[140.5, -34.2], [140.501, -34.2], [140.501, -34.199], [140.5, -34.2]]
    for odd in ("NaN", "1e308", "1e999", "-1e308"):
        ring = json.dumps(good).replace("140.501", odd, 1)
        text = (
            '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"block": "A1"}, '
            f'"geometry": {{"type": "Polygon", "coordinates": [{ring}]}}}}]}}'
        )
        (tmp_path / "a.geojson").write_text(text, encoding="utf-8")
        with pytest.raises(IntakeError):
            read_source(tmp_path / "a.geojson", "blocks")


def test_json_nested_without_end(tmp_path):
    (tmp_path / "a.geojson").write_text('{"type": ' + "[" * 200_000, encoding="utf-8")
    with pytest.raises(IntakeError, match="GeoJSON cannot be read"):
        read_source(tmp_path / "a.geojson", "blocks")


NAMES = {
    '=cmd|" /C calc"!A0': '=cmd|" /C calc"!A0',
    "@SUM(1)": "@SUM(1)",
    "-1+1": "-1+1",
    "<img src=x onerror=alert(1)>": "<img src=x onerror=alert(1)>",
    "A\r\nB": "A B",
    "C\u202eD": "C D",
    "E\x07F": "E F",
    "G\x00H": "G H",
}


def test_names_are_data_and_print_on_one_line():
    """Control characters, direction overrides and line ends become blanks; nothing is run.

    What begins like a formula is kept as it is here (OWASP, handbook 7); whoever writes it out must
    neutralise it.
    """
    box = shapely.box(140.5, -34.21, 140.503, -34.208)
    frame = gpd.GeoDataFrame({"block_id": list(NAMES)}, geometry=[box] * len(NAMES), crs=4326)
    table = read_frame(frame, "blocks").table
    assert table["block_id"].tolist() == list(NAMES.values())


def read_or_refuse(source, **options):
    """Give what was read, None after a clear refusal; anything else is a defect."""
    read = read_frame if isinstance(source, pd.DataFrame) else read_source
    refusal = None
    try:
        return read(source, "harvest", **options)
    except IntakeError as error:
        refusal = error
    assert refusal.what
    assert refusal.remedy
    return None


def odd_columns() -> dict[str, list[object]]:
    return {
        "lists": [[1, 2], [3]],
        "bytes": [b"\xff\x00", b"2"],
        "decimal": [decimal.Decimal("1.5"), decimal.Decimal("NaN")],
        "mixed": [1, "two"],
        "objects": [object(), None],
        "dicts": [{"a": 1}, {}],
        "bools": [True, False],
        "durations": [pd.Timedelta(seconds=3), pd.NaT],
        "complex": [1 + 2j, 3j],
        "huge": [10**400, -(10**400)],
    }


@pytest.mark.parametrize("name", odd_columns())
@pytest.mark.parametrize("field", ["mass_flow_kg_s", "machine", "time", "latitude"])
def test_columns_of_odd_types_are_read_or_refused(name, field):
    frame = pd.DataFrame(
        {
            "time": ["2024-03-01T08:00:00Z", "2024-03-01T08:00:01Z"],
            "latitude": [-34.2, -34.2001],
            "longitude": [140.5, 140.5001],
            "mass_flow_kg_s": [2.0, 3.0],
            "machine": ["H1", "H1"],
        }
    ).astype({field: object})
    frame[field] = pd.Series(odd_columns()[name], dtype=object)
    taken = read_or_refuse(frame)
    assert taken is None or len(taken.table) + len(taken.refused) == 2


@pytest.mark.parametrize("kind", ["list", "struct", "binary", "map", "decimal", "dictionary", "large"])
def test_parquet_of_odd_types(tmp_path, kind):
    columns = {
        "list": pa.array([[1.0], [2.0]]),
        "struct": pa.array([{"a": 1}, {"a": 2}]),
        "binary": pa.array([b"\xff", b"\x00"]),
        "map": pa.array([[("a", 1)], []], pa.map_(pa.string(), pa.int64())),
        "decimal": pa.array([decimal.Decimal("1.5"), decimal.Decimal("2.5")]),
        "dictionary": pa.array(["1.5", "2.5"]).dictionary_encode(),
        "large": pa.array(["1.5", "2.5"], pa.large_string()),
    }
    table = pa.table(
        {
            "time": pa.array(["2024-03-01T08:00:00Z", "2024-03-01T08:00:01Z"]),
            "latitude": [-34.2, -34.2001],
            "longitude": [140.5, 140.5001],
            "mass_flow_kg_s": columns[kind],
        }
    )
    pq.write_table(table, tmp_path / "a.parquet")
    taken = read_or_refuse(tmp_path / "a.parquet")
    assert (taken is not None) == (kind in ("decimal", "dictionary", "large"))
    if taken is None:
        return
    np.testing.assert_allclose(taken.table["mass_flow_kg_s"], [1.5, 2.5])


def test_parquet_whose_geo_metadata_lies(tmp_path):
    """GeoParquet metadata is only text: it may name columns that are not there, or hold anything."""
    for geo in (b"{", b"[]", b'{"primary_column": "x", "columns": {"x": {}}, "version": "1.0.0"}', b"\xff"):
        table = pa.table({"a": [1]}).replace_schema_metadata({b"geo": geo})
        pq.write_table(table, tmp_path / "a.parquet")
        with pytest.raises(IntakeError):
            read_source(tmp_path / "a.parquet", "blocks")
        assert preview_refused(tmp_path / "a.parquet")


def preview_refused(file) -> bool:
    try:
        return bool(preview_source(file, kind="blocks").problem)
    except IntakeError:
        return True


LONG = "1.25" + " " * 150_000 + "x"
ENDLESS = {
    "position in one cell": ("harvest", f"Time (UTC);GPS;Flow (kg/s)\n2024-03-01T08:00:00;{LONG};1\n"),
    "degrees": ("harvest", f"Time (UTC);Lat;Lon;Flow (kg/s)\n2024-03-01T08:00:00;{LONG};140.5;1\n"),
    "time": ("harvest", f"Time;Lat;Lon;Flow (kg/s)\n{LONG};-34.5;140.5;1\n"),
    "number": ("harvest", f"Time (UTC);Lat;Lon;Flow (kg/s)\n2024-03-01T08:00:00;-34.5;140.5;{LONG}\n"),
    "header": ("harvest", f"Time (UTC);Lat;Lon;Flow {'(' * 150_000}\n2024-03-01T08:00:00;-34.5;140.5;1\n"),
    "rows": ("counts", f"Vintage;Block;Rows;Missing\n2024;A1;1-2;1\n2024;A1;{LONG};1\n"),
    "rows renewed": ("renewals", f"Block;Rows;Method;Year\nA1;1-4;replant;2024\nA1;{LONG};replant;2024\n"),
}


@pytest.mark.parametrize(("kind", "text"), ENDLESS.values(), ids=ENDLESS.keys())
def test_endless_cells_do_not_keep_the_reader_busy(tmp_path, kind, text):
    """Patterns that allow blanks on both sides took minutes on a cell of nothing else; none is taken."""
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    started = time.process_time()
    seen = preview_source(tmp_path / "a.csv", kind=kind)
    assert time.process_time() - started < 5
    said = f"{seen.problem} {seen.refused.to_string()}"
    assert LONG not in text or "'1.25  " in said or "1.25   " in said or "recognised as latitude" in said
    assert len(seen.problem) < 1000


def test_long_cells_in_a_layer_are_no_numbers(tmp_path):
    frame = gpd.GeoDataFrame(
        {"time": "2024-03-01T08:00:00Z", "flow_kg_s": [LONG, "2.5"]},
        geometry=gpd.points_from_xy([140.5, 140.6], [-34.2, -34.2]),
        crs=4326,
    )
    assert read_frame(frame, "harvest").refused["reason"].tolist() == ["mass flow is not a number"]
    frame.to_file(tmp_path / "a.gpkg")
    assert read_source(tmp_path / "a.gpkg", "harvest").refused["reason"].tolist() == [
        "mass flow is not a number"
    ]
