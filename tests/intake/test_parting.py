"""Two values in one cell: positions, row ranges, stretches of vines."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.intake import preview_source, read_source, text_blocks
from vinemap.intake.source import open_source

HEAD = "Time (UTC);{name};Flow (kg/s)\n"
PLACES = [(-34.2001, 140.5001), (-34.2002, 140.5002), (-34.2003, 140.5003)]


def log(folder, name: str, cells: list[str]):
    lines = [f"2024-03-01T08:00:{second:02d};{cell};4.5" for second, cell in enumerate(cells)]
    (folder / "a.csv").write_text(HEAD.format(name=name) + "\n".join(lines), encoding="utf-8")
    return folder / "a.csv"


def read(folder, kind: str, text: str, **options):
    (folder / "t.csv").write_text(text, encoding="utf-8")
    return read_source(folder / "t.csv", kind, **options)


WRITTEN = {
    "GPS position": "{lat}, {lon}",
    "Position": "{lat} {lon}",
    "Coordenadas": "({lat},{lon})",
    "Lat/Lon": "{lat}/{lon}",
    "Lon, lat": "{lon}, {lat}",
    "Koordinaten": "{south}° S {lon}° E",
    "geom": "POINT ({lon} {lat})",
    "Posición": "{comma_lat} / {comma_lon}",
}


@pytest.mark.parametrize(("name", "form"), WRITTEN.items(), ids=WRITTEN.keys())
def test_position_in_one_column(tmp_path, name, form):
    cells = [
        form.format(
            lat=lat,
            lon=lon,
            south=-lat,
            comma_lat=str(lat).replace(".", ","),
            comma_lon=str(lon).replace(".", ","),
        )
        for lat, lon in PLACES
    ]
    taken = read_source(log(tmp_path, name, cells), "harvest")
    np.testing.assert_allclose(taken.table.geometry.y, [lat for lat, _ in PLACES])
    np.testing.assert_allclose(taken.table.geometry.x, [lon for _, lon in PLACES])
    assert any("was parted into" in note for note in taken.notes)
    assert preview_source(tmp_path / "a.csv").kind == "harvest"


def test_cell_without_a_position_is_refused_with_what_it_holds(tmp_path, monkeypatch):
    cells = ["-34.2001, 140.5001"] * 30
    cells[7], cells[20] = "no fix", ""
    taken = read_source(log(tmp_path, "GPS", [f"{one}" for one in cells]), "harvest")
    assert taken.refused["source_row"].tolist() == [9, 22]
    assert taken.refused["value"].tolist()[0] == "no fix"
    monkeypatch.setattr(text_blocks, "STREAM_FROM_BYTES", 1)
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 400)
    parts = list(open_source(tmp_path / "a.csv", "harvest").parts)
    assert sum(len(one.table) for one in parts) == 28


@pytest.mark.parametrize(
    ("header", "cell"),
    [
        ("Rows", "5-12"),
        ("Rangs", "5 à 12"),
        ("Filas", "5 a 12"),
        ("Reihen", "5 bis 12"),
        ("Filari", "5–12"),
        ("Row range", "R5 to R12"),
    ],
)
def test_renewals_by_rows(tmp_path, header, cell):
    table = read(
        tmp_path, "renewals", f"Block;{header};Method;Year;Cost\nA1;{cell};graft over;2024;8000\n"
    ).table
    assert table[["from_row", "to_row", "cost"]].to_numpy().tolist() == [[5, 12, 8000.0]]


def test_renewal_of_several_stretches_is_several(tmp_path):
    """The cost of the line is shared out by rows: 4 and 1 of five."""
    text = "Block;Rows;Method;Year;Cost\nA1;1-4, 8;graft over;2024;10000\nA2;7;replant;2024;500\n"
    taken = read(tmp_path, "renewals", text)
    columns = ["block_id", "from_row", "to_row", "cost"]
    assert taken.table[columns].to_numpy().tolist() == [
        ["A1", 1, 4, 8000.0],
        ["A1", 8, 8, 2000.0],
        ["A2", 7, 7, 500.0],
    ]
    assert taken.rows_read == 2


def test_count_over_several_rows_is_shared_out_and_told(tmp_path):
    """Whole vines stay whole and add up to what was written."""
    text = "Vintage;Block;Rows;Vines;Missing;Picked (kg)\n2024;A1;5-7;100;5;30.0\n2024;A1;9;40;1;10.0\n"
    taken = read(tmp_path, "counts", text)
    table = taken.table
    assert table["row_no"].tolist() == [5, 6, 7, 9]
    assert table["vines"].tolist() == [33, 33, 34, 40]
    assert table["missing"].tolist() == [1, 2, 2, 1]
    np.testing.assert_allclose(table["picked_kg"], [10.0, 10.0, 10.0, 10.0])
    assert taken.rows_read == 2
    assert any(note.startswith("Doubtful: column 'Rows' holds several rows") for note in taken.notes)


@pytest.mark.parametrize("header", ["Stretch", "Vine range", "Tramo de cepas"])
def test_stretch_of_vines_in_one_column(tmp_path, header):
    text = f"Vintage;Block;Row;{header};Missing\n2024;A1;5;1-10;2\n2024;A1;5;11-20;0\n"
    table = read(tmp_path, "counts", text).table
    assert table[["from_vine", "to_vine", "vines"]].to_numpy().tolist() == [[1, 10, 10], [11, 20, 10]]


def test_rows_that_cannot_be_read_are_refused_with_the_cell(tmp_path):
    text = "Vintage;Block;Rows;Vines;Missing\n2024;A1;1-2;40;2\n2024;A1;12-5;40;1\n2024;A1;all;40;1\n"
    taken = read(tmp_path, "counts", text)
    assert taken.refused[["source_row", "value"]].to_numpy().tolist() == [[3, "12-5"], [4, "all"]]
    assert set(taken.refused["reason"]) == {"row number is not a number"}
    text = "Block;Rows;Method;Year\nA1;1-4;replant;2024\nA1;the lot;replant;2024\n"
    assert read(tmp_path, "renewals", text).refused["value"].tolist() == ["the lot"]


def test_rows_of_a_load_are_kept_as_written(tmp_path):
    table = read(tmp_path, "loads", "Ticket;Vintage;Block;Rows;Net (kg)\n1;2024;A1;5-12;9000\n").table
    assert table[["block_id", "rows", "net_kg"]].to_numpy().tolist() == [["A1", "5-12", 9000.0]]
