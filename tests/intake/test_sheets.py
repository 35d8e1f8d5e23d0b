"""Spreadsheets: what offices keep reads right; what is hostile is refused.

The format is SpreadsheetML of ECMA-376 part 1 (cells 18.3.1.4, rows 18.3.1.73, shared strings 18.4).
"""

from __future__ import annotations

import datetime as dt
import re
import zipfile

import openpyxl
import pandas as pd
import pytest

from vinemap.errors import IntakeError
from vinemap.intake import preview_source, read_source

TICKETS = [["Ticket", "Date", "Block", "Gross (kg)", "Tare (kg)", "Net (kg)", "MOG %"]]


def write_book(path, *sheets, hidden=()):
    """Write sheets, each a name and its rows."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets:
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
        if name in hidden:
            sheet.sheet_state = "hidden"
    book.save(path)
    return path


def change_member(path, member, change):
    """Write one part of a workbook anew."""
    with zipfile.ZipFile(path) as archive:
        parts = {one: archive.read(one) for one in archive.namelist()}
    parts[member] = change(parts[member])
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)


def test_tickets_of_an_office(tmp_path):
    """Lines above the header, dates as dates and as text, a formula error, blank rows, totals below."""
    rows = [
        ["Weighbridge, invented winery"],
        [],
        *TICKETS,
        [1001, dt.datetime(2026, 3, 1, 7, 30), "A1", 18250.5, 8000, 10250.5, 2.1],
        [],
        [1002, dt.date(2026, 3, 2), "A2", 18000, 8000, None, None],
        [1003, "2026-03-03", "A2", 18000, 8000, "#DIV/0!", None],
        [None, None, "Total", None, None, 20250.5, None],
    ]
    taken = read_source(write_book(tmp_path / "t.xlsx", ("Tickets", rows)), "loads")
    assert taken.format == "spreadsheet (sheet 'Tickets')"
    assert taken.table["load_id"].tolist() == ["1001", "1002"]
    assert taken.table["net_kg"].tolist() == [10250.5, 10000.0]
    assert taken.table["time"].tolist() == [
        pd.Timestamp("2026-03-01 07:30", tz="UTC"),
        pd.Timestamp("2026-03-02", tz="UTC"),
    ]
    assert taken.table["vintage"].tolist() == [2026, 2026]
    refused = taken.refused.set_index("source_row")
    assert refused.loc[7, "reason"] == "net mass is not a number"
    assert refused.loc[7, "value"] == "#DIV/0!"
    assert "vintage is empty" in refused.loc[8, "reason"]


def test_german_counts_with_units_row_and_a_comma_within_text(tmp_path):
    rows = [
        ["Jahrgang", "Parzelle", "Zeile", "Fehlende Reben", "Notiz"],
        [2026, "A, Nord", 1, 3, "Pfosten; Draht\tlose\nbei Rebe 7"],
        [2026, "A, Nord", 2, 0, None],
    ]
    taken = read_source(write_book(tmp_path / "z.xlsx", ("Zeilen", rows)), "counts")
    assert taken.table["block_id"].tolist() == ["A, Nord"] * 2
    assert taken.table["missing"].tolist() == [3, 0]


def test_readings_in_a_sheet_keep_every_digit(tmp_path):
    rows = [
        ["Time", "Lat", "Lon", "Speed (km/h)", "Flow (t/h)"],
        ["", "deg", "deg", "", ""],
        [dt.datetime(2026, 3, 1, 8, 0, 1), -34.20012345, 140.50012345, 4.5, 16.2],
        [dt.datetime(2026, 3, 1, 8, 0, 2), -34.20022345, 140.50012345, 4.5, 16.2],
    ]
    table = read_source(write_book(tmp_path / "h.xlsx", ("Log", rows)), "harvest").table
    assert table.geometry.y.tolist() == [-34.20012345, -34.20022345]
    assert table["mass_flow_kg_s"].tolist() == pytest.approx([4.5, 4.5])
    assert table["source_row"].tolist() == [3, 4]


def test_first_sheet_with_rows_is_read_and_the_others_are_named(tmp_path):
    rows = [*TICKETS, [1, "2026-03-01", "A1", None, None, 9000, None]]
    path = write_book(
        tmp_path / "t.xlsx",
        ("Cover", [["Season 2026"]]),
        ("Old", rows),
        ("Tickets", rows),
        ("Notes", [["call back"]]),
        hidden=("Old",),
    )
    taken = read_source(path, "loads")
    assert "'Tickets'" in taken.format
    assert any("sheet 'Tickets' was read, and not 'Notes'" in note for note in taken.notes)
    assert preview_source(path).kind == "loads"


def test_sheet_without_rows_is_refused(tmp_path):
    with pytest.raises(IntakeError, match=r"t.xlsx: No sheet of it holds a row"):
        read_source(write_book(tmp_path / "t.xlsx", ("Empty", [])), "loads")
    with pytest.raises(IntakeError, match="header but no rows"):
        read_source(write_book(tmp_path / "h.xlsx", ("Header", TICKETS)), "loads")


def test_a_cell_at_the_far_end_takes_no_memory(tmp_path):
    """A sheet that says it has 10^12 rows, and one with a cell in the last corner (ECMA-376 18.3.1.35)."""
    path = write_book(tmp_path / "t.xlsx", ("T", [*TICKETS, [1, "2026-03-01", "A1", None, None, 9000, None]]))
    far = b'<row r="999999999999"><c r="A999999999999"><v>1</v></c></row></sheetData>'

    def claim(xml):
        xml = re.sub(rb'<dimension ref="[^"]*"', b'<dimension ref="A1:XFD1048576"', xml)
        return xml.replace(b"</sheetData>", far)

    change_member(path, "xl/worksheets/sheet1.xml", claim)
    assert read_source(path, "loads").table["net_kg"].tolist() == [9000.0]


def test_a_million_columns_are_refused(tmp_path):
    path = write_book(tmp_path / "t.xlsx", ("T", [*TICKETS, [1]]))
    far = b'<row r="3"><c r="XFD3"><v>1</v></c></row></sheetData>'
    change_member(path, "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b"</sheetData>", far))
    with pytest.raises(IntakeError, match="more than 2,000 columns"):
        read_source(path, "loads")


BOMB = b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">'


@pytest.mark.parametrize("member", ["xl/workbook.xml", "xl/worksheets/sheet1.xml", "xl/styles.xml"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_entities_are_refused(tmp_path, member, encoding):
    path = write_book(tmp_path / "t.xlsx", ("T", [*TICKETS, [1]]))

    def bomb(xml):
        text = (BOMB + b"]>").decode() + xml.decode().split("?>", 1)[-1]
        return text.encode(encoding)

    change_member(path, member, bomb)
    with pytest.raises(IntakeError, match="XML defines entities"):
        read_source(path, "loads")


def test_zip_bomb_in_a_sheet_is_refused(tmp_path):
    path = write_book(tmp_path / "t.xlsx", ("T", [*TICKETS, [1]]))
    change_member(path, "xl/styles.xml", lambda xml: xml + b" " * (310 << 20))
    with pytest.raises(IntakeError, match="larger than 300 MB or shrinks beyond belief"):
        read_source(path, "loads")


def test_cut_off_at_any_place_is_refused(tmp_path):
    whole = write_book(tmp_path / "t.xlsx", ("T", [*TICKETS, [1]])).read_bytes()
    for size in range(4, len(whole) - 1, len(whole) // 40):
        (tmp_path / "cut.xlsx").write_bytes(whole[:size])
        with pytest.raises(IntakeError, match=r"cut\.xlsx"):
            read_source(tmp_path / "cut.xlsx", "loads")


def test_formulas_in_names_are_text(tmp_path):
    """Nothing is worked out; a formula never calculated is empty."""
    rows = [*TICKETS, ["=cmd|' /C calc'!A0", "2026-03-01", "A1", None, None, 9000, None]]
    taken = read_source(write_book(tmp_path / "t.xlsx", ("T", rows)), "loads")
    assert taken.table["load_id"].tolist() == ["t.xlsx row 2"]
