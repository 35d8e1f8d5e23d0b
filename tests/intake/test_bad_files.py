"""Bad files: refused as a whole with one clear sentence, or row by row with reasons."""

from __future__ import annotations

import gzip
import io
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.errors import IntakeError
from vinemap.intake import archive as archives
from vinemap.intake import read_source

HEADER = "Time,Lat,Lon,Speed (m/s),Flow (kg/s)\n"
GOOD = "2024-03-01T08:00:00Z,-34.2,140.5,1.2,4.5\n"


def zipped(**members: bytes) -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name.replace("__", "/").replace("_dot_", "."), content)
    return sink.getvalue()


def climbing_zip() -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        archive.writestr("../../evil.csv", HEADER + GOOD)
    return sink.getvalue()


# name: (file name, bytes, kind, sentence)
WHOLE = {
    "empty": ("a.csv", b"", "harvest", "The file is empty"),
    "blank": ("a.csv", b"\n\n  \n", "harvest", "The file is empty"),
    "document": (
        "a.pdf",
        b"%PDF-1.7\n1 0 obj\n",
        "harvest",
        "This is a document, not a table. Export the data",
    ),
    "only a header": ("a.csv", HEADER.encode(), "harvest", "has a header but no rows below it"),
    "no position": (
        "a.csv",
        b"Time,Flow (kg/s)\n2024-03-01,1\n",
        "harvest",
        "No column was recognised as latitude. Columns are: Time, Flow .* --column latitude=HEADER",
    ),
    "no time": ("a.csv", b"Lat,Lon,Flow (kg/s)\n-34.2,140.5,1\n", "harvest", "recognised as time or date"),
    "clock without a day": (
        "a.csv",
        (HEADER + "13:50:00,-34.2,140.5,1.2,4.5\n" * 3).encode(),
        "harvest",
        "The times name no day .'13:50:00'.. Name the column .* --column date==2026-03-01",
    ),
    "nothing that tells the yield": (
        "a.csv",
        b"Time,Lat,Lon\n2024-03-01,-34.2,140.5\n",
        "harvest",
        "recognised as mass flow .mass_flow_kg_s. or mass .mass_kg. or yield .yield_t_ha.",
    ),
    "swapped": (
        "a.csv",
        (HEADER + "2024-03-01,140.5,-34.2,1.2,4.5\n" * 3).encode(),
        "harvest",
        "swapped: latitudes run to 140.5000.* --column latitude=Lon --column longitude=Lat",
    ),
    "eastings without CRS": (
        "a.csv",
        b"Time,Easting,Northing,Flow (kg/s)\n2024-03-01,455000,6213000,2\n",
        "harvest",
        "coordinate system is not known. Name it with --crs EPSG",
    ),
    "all rows bad": (
        "a.csv",
        (HEADER + "2024-03-01,-34.2,140.5,1,x\n2024-03-01,-34.2,140.5,1,y\n").encode(),
        "harvest",
        "No row can be used; row 2: mass flow is not a number",
    ),
    "not text": ("a.csv", bytes(range(256)) * 20, "harvest", "This is not a text file"),
    "null bytes": ("a.csv", (HEADER + GOOD).encode() + b"\0\0\0" * 40, "harvest", "This is not a text file"),
    "damaged spreadsheet": (
        "a.xlsx",
        zipped(xl__workbook_dot_xml=b"<x/>"),
        "loads",
        "spreadsheet is damaged or of another format. Open it, save it again as .xlsx",
    ),
    "zip that calls itself a spreadsheet": (
        "a.xlsx",
        zipped(a_dot_csv=b"x"),
        "loads",
        "not an .xlsx spreadsheet. Save the sheet as .xlsx or as CSV",
    ),
    "spreadsheet that calls itself a zip": (
        "a.zip",
        zipped(xl__workbook_dot_xml=b"<x/>"),
        "loads",
        "a spreadsheet under another name. Name it .xlsx",
    ),
    "old spreadsheet": (
        "a.csv",
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
        "loads",
        "spreadsheet of an older format. Save it as .xlsx or as CSV",
    ),
    "task data without logs": (
        "TASKDATA.XML",
        b"<ISO11783_TaskData/>",
        "harvest",
        "The task data hold no time log .TLG.. Export the logged data with it",
    ),
    "zip with a path that climbs": ("a.zip", climbing_zip(), "harvest", "path that leads outside"),
    "zip without data": ("a.zip", zipped(readme_dot_md=b"x"), "harvest", "holds no data file"),
    "zip with two logs": (
        "a.zip",
        zipped(a_dot_csv=b"x", b_dot_csv=b"y"),
        "harvest",
        "holds 2 data files .a.csv, b.csv.",
    ),
    "zip in zip": (
        "a.zip",
        zipped(readme_dot_md=b"x", logs_dot_zip=zipped(b_dot_csv=b"x")),
        "harvest",
        r"a\.zip: The zip file holds another archive .logs\.zip.\. Unpack logs\.zip first and give the files",
    ),
    "zip in zip under another name": (
        "a.zip",
        zipped(a_dot_csv=zipped(b_dot_csv=b"x")),
        "harvest",
        r"holds another archive .a\.csv.\. Unpack a\.csv first",
    ),
    "damaged zip": (
        "a.zip",
        b"PK\x03\x04" + b"x" * 100,
        "harvest",
        "It cannot be opened: it is damaged or needs a password",
    ),
    "damaged gzip": (
        "a.csv.gz",
        gzip.compress((HEADER + GOOD * 50).encode())[:-20],
        "harvest",
        "gzip file is cut off",
    ),
    "not gzip inside": ("a.csv.gz", b"\x1f\x8b" + b"x" * 50, "harvest", "gzip file is damaged"),
    "too many columns": (
        "a.csv",
        (",".join(f"c{n}" for n in range(5000)) + "\n" + "1," * 4999 + "1\n").encode(),
        "harvest",
        "more than 2000 columns",
    ),
    "one endless line": ("a.csv", b"x" * 300_000, "harvest", "far too long"),
    "damaged GeoPackage": (
        "a.gpkg",
        b"SQLite format 3\0" + b"x" * 200,
        "blocks",
        "GeoPackage cannot be read",
    ),
    "damaged GeoJSON": ("a.geojson", b'{"type": "FeatureColl', "blocks", "GeoJSON cannot be read"),
    "damaged Parquet": ("a.parquet", b"PAR1xxxxxxxxPAR1", "blocks", "Parquet file cannot be read"),
    "KML with entities": (
        "a.kml",
        b'<?xml version="1.0"?><!DOCTYPE kml [<!ENTITY a "aaaa">]><kml>&a;</kml>',
        "blocks",
        "XML defines entities",
    ),
    "text for blocks": (
        "a.csv",
        b"block,variety\nA1,Shiraz\n",
        "blocks",
        "a table without shapes, and blocks need them. Export them from your GIS",
    ),
    "no net mass": (
        "a.csv",
        b"Ticket,Vintage,Block\n1,2024,A1\n",
        "loads",
        "recognised as net mass .net_kg.",
    ),
    "no vintage": ("a.csv", b"Ticket,Block,Net (kg)\n1,A1,9000\n", "loads", "recognised as vintage or date"),
    "no counts": (
        "a.csv",
        b"vintage,block_id,row_no\n2024,A1,1\n",
        "counts",
        "recognised as missing or symptomatic",
    ),
    "no method": ("a.csv", b"block,year\nA1,2020\n", "renewals", "recognised as method"),
    "not a raster": ("a.tif", b"II*\0" + b"x" * 100, "imagery", "It is not a raster"),
}


@pytest.mark.parametrize("case", WHOLE.values(), ids=WHOLE.keys())
def test_file_is_refused_with_its_sentence(tmp_path, case):
    name, content, kind, sentence = case
    (tmp_path / name).write_bytes(content)
    with pytest.raises(IntakeError, match=sentence) as caught:
        read_source(tmp_path / name, kind)
    assert str(caught.value).startswith(name)
    assert caught.value.remedy


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(IntakeError, match="no such file"):
        read_source(tmp_path / "none.csv", "harvest")
    with pytest.raises(IntakeError, match=r"It is a folder without TASKDATA\.XML"):
        read_source(tmp_path, "harvest")
    with pytest.raises(IntakeError, match=r"There is no kind 'yield'. Kinds are: blocks"):
        read_source(tmp_path, "yield")


# reason: (row, value seen)
ROWS = {
    "mass flow is negative": ("2024-03-01T08:00:01Z,-34.2,140.5,1.2,-4.5", "-4.5"),
    "mass flow is not a number": ("2024-03-01T08:00:01Z,-34.2,140.5,1.2,high", "high"),
    "mass flow is above 150 kg/s, which cannot be": (
        "2024-03-01T08:00:01Z,-34.2,140.5,1.2,1e308",
        "1e308",
    ),
    "mass flow is empty": ("2024-03-01T08:00:01Z,-34.2,140.5,1.2,NaN", ""),
    "speed is above 30 m/s, which cannot be": ("2024-03-01T08:00:01Z,-34.2,140.5,99,4.5", "99"),
    "speed is not a number": ("2024-03-01T08:00:01Z,-34.2,140.5,inf,4.5", "inf"),
    "latitude is below -90": ("2024-03-01T08:00:01Z,-134.2,140.5,1.2,4.5", "-134.2"),
    "position is empty": ("2024-03-01T08:00:01Z,,140.5,1.2,4.5", ""),
    "position is 0, 0 (no satellite fix)": ("2024-03-01T08:00:01Z,0,0,1.2,4.5", ""),
    "time cannot be read": ("yesterday,-34.2,140.5,1.2,4.5", "yesterday"),
    "time is empty": (",-34.2,140.5,1.2,4.5", ""),
    "time is before 1990 or after 2100": ("1980-01-06T00:00:00Z,-34.2,140.5,1.2,4.5", "1980-01-06T00:00:00Z"),
    "has 3 cells, the header has 5": ("2024-03-01T08:00:01Z,-34.2,140.5", "2024-03-01T08:00:01Z,-34.2,140.5"),
    "the same reading stands in the file twice": (GOOD.strip(), ""),
    "reading is of another year than vintage 2024": (
        "2023-03-01T08:00:01Z,-34.2,140.5,1.2,4.5",
        "2023-03-01 08:00:01+00:00",
    ),
}


@pytest.mark.parametrize(("reason", "case"), ROWS.items(), ids=ROWS.keys())
def test_bad_row_is_refused_with_reason_row_and_value(tmp_path, reason, case):
    """The bad row stands in line 4; all others are kept."""
    bad, value = case
    more = "".join(f"2024-03-01T08:01:{second:02d}Z,-34.2,140.5,1.2,4.5\n" for second in range(20))
    (tmp_path / "a.csv").write_text(HEADER + GOOD + "\n" + bad + "\n" + more, encoding="utf-8")
    taken = read_source(tmp_path / "a.csv", "harvest", vintage=2024)
    assert taken.refused.to_dict(orient="records") == [{"source_row": 4, "reason": reason, "value": value}]
    assert len(taken.table) == 21
    assert taken.rows_read == 22
    assert 4 not in taken.table["source_row"].to_numpy()


def test_vintage_of_another_year_by_every_clock_is_taken_with_a_note(tmp_path):
    (tmp_path / "a.csv").write_text(HEADER + GOOD, encoding="utf-8")
    taken = read_source(tmp_path / "a.csv", "harvest", vintage=2023)
    assert taken.table["vintage"].tolist() == [2023]
    assert any("No reading is of 2023 by its clock" in note for note in taken.notes)


def test_layer_without_crs_is_refused_and_names_the_remedy(tmp_path):
    frame = gpd.GeoDataFrame({"block": ["A1"]}, geometry=[shapely.box(0, 0, 100, 100)], crs=28354)
    frame.to_file(tmp_path / "b.shp")
    (tmp_path / "b.prj").unlink()
    with pytest.raises(
        IntakeError, match=r"b.shp: The layer names no coordinate system. Name it with --crs EPSG"
    ):
        read_source(tmp_path / "b.shp", "blocks")


def test_shapefile_without_its_parts(tmp_path):
    frame = gpd.GeoDataFrame({"block": ["A1"]}, geometry=[shapely.box(0, 0, 100, 100)], crs=28354)
    frame.to_file(tmp_path / "b.shp")
    (tmp_path / "b.shx").unlink()
    with pytest.raises(IntakeError, match=r"the part .shx is missing\. Give all parts"):
        read_source(tmp_path / "b.shp", "blocks")


def test_swapped_layer_and_metres_passed_off_as_degrees(tmp_path):
    """RFC 7946: longitude first; a latitude beyond 90 cannot be."""
    swapped = gpd.GeoDataFrame(
        {"block": ["A1"]}, geometry=[shapely.box(-34.21, 140.5, -34.2, 140.51)], crs=4326
    )
    swapped.to_file(tmp_path / "s.geojson")
    with pytest.raises(IntakeError, match=r"swapped: latitudes run to 140.5100.*longitude first"):
        read_source(tmp_path / "s.geojson", "blocks")
    metres = gpd.GeoDataFrame(
        {"block": ["A1"]}, geometry=[shapely.box(455000, 6213000, 455100, 6213100)], crs=4326
    )
    metres.to_file(tmp_path / "m.geojson")
    with pytest.raises(IntakeError, match=r"455,000.0, 6,213,000.0 cannot be degrees"):
        read_source(tmp_path / "m.geojson", "blocks")
    assert len(read_source(tmp_path / "m.geojson", "blocks", crs=28354).table) == 1


def test_unknown_crs_field_header_and_unit(tmp_path):
    (tmp_path / "a.csv").write_text(HEADER + GOOD, encoding="utf-8")
    with pytest.raises(IntakeError, match="There is no coordinate system '999999'"):
        read_source(tmp_path / "a.csv", "harvest", crs=999999)
    with pytest.raises(IntakeError, match=r"There is no field 'speed' here. Fields are: latitude"):
        read_source(tmp_path / "a.csv", "harvest", columns={"speed": "Speed (m/s)"})
    with pytest.raises(IntakeError, match=r"no column 'Speed' for speed_m_s. Did you mean 'Speed \(m/s\)'"):
        read_source(tmp_path / "a.csv", "harvest", columns={"speed_m_s": "Speed"})
    with pytest.raises(IntakeError, match=r"Unit 'bananas' cannot be one of speed_m_s. Use one of"):
        read_source(tmp_path / "a.csv", "harvest", units={"speed_m_s": "bananas"})


def test_bad_blocks_are_refused_one_by_one(tmp_path):
    box = shapely.box(140.5, -34.21, 140.503, -34.208)
    two = shapely.MultiPolygon([box, shapely.box(140.6, -34.21, 140.603, -34.208)])
    frame = gpd.GeoDataFrame(
        {"block": ["A1", "A1", "a1", "B1", "", "C;1", "D" * 80]},
        geometry=[box, box, box, two, box, box, box],
        crs=4326,
    )
    frame.to_file(tmp_path / "b.gpkg")
    taken = read_source(tmp_path / "b.gpkg", "blocks")
    # B1 is one block in two parts.
    assert taken.table["block_id"].tolist() == ["A1", "B1"]
    assert taken.table.geom_type.tolist() == ["Polygon", "MultiPolygon"]
    reasons = dict(zip(taken.refused["source_row"], taken.refused["reason"], strict=True))
    assert reasons[2] == "block stands in the file twice"
    assert "letter case" in reasons[3]
    assert reasons[5] == "block is empty"
    assert "parts several blocks" in reasons[6]
    assert "longer than 64" in reasons[7]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("2,2024,A1,8000,20000,", "tare is above gross"),
        ("2,2024,A1,,,", "net mass is empty"),
        ("2,2024,A1,,,-5", "net mass is negative"),
        ("2,2024,A1,,,0", "net mass is not above 0"),
        ("1,2024,A1,,,9000", "ticket number stands in the file twice"),
        ("2,2024,,,,9000", "block is empty"),
        ("2,,A1,,,9000", "vintage is empty"),
        ("2,2024.5,A1,,,9000", "vintage is not a whole number"),
    ],
)
def test_bad_loads_are_refused(tmp_path, row, reason):
    (tmp_path / "l.csv").write_text(
        f"Ticket,Vintage,Block,Gross (kg),Tare (kg),Net (kg)\n1,2024,A1,20000,8000,12000\n{row}\n",
        encoding="utf-8",
    )
    taken = read_source(tmp_path / "l.csv", "loads")
    assert taken.refused["source_row"].tolist() == [3]
    assert reason in taken.refused["reason"].iloc[0]
    assert len(taken.table) == 1


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("2024,A1,2,50,60,10", "missing is more than the vines"),
        ("2024,A1,2,50,30,30", "together are more than the vines"),
        ("2024,A1,2,50,1.5,0", "missing is not a whole number"),
        ("2024,A1,1,50,1,0", "counted twice"),
        ("2024,A1,,50,1,0", "row number is empty"),
    ],
)
def test_bad_counts_are_refused(tmp_path, row, reason):
    (tmp_path / "c.csv").write_text(
        f"vintage,block,row,vines,missing,symptomatic\n2024,A1,1,50,2,3\n{row}\n", encoding="utf-8"
    )
    taken = read_source(tmp_path / "c.csv", "counts")
    assert len(taken.table) == 1
    assert reason in taken.refused["reason"].iloc[0]


def test_net_that_disagrees_with_gross_less_tare_is_told(tmp_path):
    (tmp_path / "l.csv").write_text(
        "Ticket,Vintage,Block,Gross (kg),Tare (kg),Net (kg)\n1,2024,A1,20000,8000,11000\n", encoding="utf-8"
    )
    taken = read_source(tmp_path / "l.csv", "loads")
    assert taken.table["net_kg"].tolist() == [11000.0]
    assert any("row 2: 1,000 kg apart" in note for note in taken.notes)


def test_runaway_archives_are_refused(tmp_path, monkeypatch):
    """Limits are lowered for the test: a bomb of the true size would only cost time."""
    monkeypatch.setattr(archives, "MAX_BYTES", 100_000)
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(b"0" * 200_000))
    with pytest.raises(IntakeError, match="Unpacked it is larger than"):
        read_source(tmp_path / "a.csv.gz", "harvest")
    (tmp_path / "a.zip").write_bytes(zipped(a_dot_csv=b"0" * 200_000))
    with pytest.raises(IntakeError, match="Unpacked it is larger than"):
        read_source(tmp_path / "a.zip", "harvest")


def test_shrinking_beyond_belief_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(archives, "RATIO_FROM_BYTES", 1000)
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(b"0" * 2_000_000))
    with pytest.raises(IntakeError, match="shrinks beyond belief"):
        read_source(tmp_path / "a.csv.gz", "harvest")


def test_nothing_of_the_users_frame_is_altered():
    from vinemap.intake import read_frame

    frame = pd.DataFrame(
        {"time": ["2024-03-01T08:00:00Z"], "lat": [-34.2], "lon": [140.5], "flow_kg_s": [np.float64(2)]}
    )
    before = frame.copy()
    read_frame(frame, "harvest")
    pd.testing.assert_frame_equal(frame, before)


def test_good_copy_of_a_refused_row_is_kept(tmp_path):
    """Found by fuzzing: a row refused for its speed took its good copy with it."""
    (tmp_path / "a.csv").write_text(HEADER + GOOD.replace("1.2", "x") + GOOD + GOOD, encoding="utf-8")
    taken = read_source(tmp_path / "a.csv", "harvest")
    assert taken.table["source_row"].tolist() == [3]
    assert taken.refused["source_row"].tolist() == [2, 4]
