"""ISO 11783-10 task data against the types of the standard; files by the writer in conftest, all invented.

Beside each test stands the XML element of ISO 11783-10 (its annex on XML elements; nobody here has seen the
numbers of its clauses printed) or the entry of the data dictionary, ISO 11783-11, that it is about. Marks are
those of the handbook: [S] seen in print, [R] as open implementations have it, [C] computed, [M] from memory.
Open implementations looked at: for entries and units the dictionary's public export as AgIsoStack++ carries
it (isobus_data_dictionary.cpp, generated 2025); for the records the ISO 11783-10 plug-in of AgGateway's ADAPT
framework (TimeLogMapper, ISOPositionStatus).
"""

from __future__ import annotations

import datetime as dt
import struct
import time
import zipfile

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import IntakeError
from vinemap.intake import preview_source, read_source
from vinemap.intake.taskdata import DICTIONARY, OTHER_YIELDS, WORK_STATE, YIELD_ENTRIES

START = dt.datetime(2024, 3, 1, 8, 0, 0)
PLACES = [(-34.2001234, 140.5001234), (-34.2002234, 140.5001244), (-34.2003234, 140.5001254)]
FLOW = '<DLV A="0057" B="" C="DET-1"/>'
WIDTH = '<DLV A="0043" B="" C="DET-1"/>'
SPEED = '<DLV A="018D" B="" C="DET-1"/>'


# Number: (name, unit of one bit), copied by hand from the dictionary's export [R].
EXPORT = {
    67: ("Actual Working Width", "mm"),
    84: ("Mass Per Area Yield", "mg/m2"),
    87: ("Mass Per Time Yield", "mg/s"),
    90: ("Yield Total Mass", "kg"),
    100: ("Crop Contamination", "ppm"),
    397: ("Actual Speed", "mm/s"),
}
OTHER = {
    83: "Volume Per Area Yield",
    85: "Count Per Area Yield",
    86: "Volume Per Time Yield",
    88: "Count Per Time Yield",
    181: "Dry Mass Per Area Yield",
    182: "Dry Mass Per Time Yield",
    183: "Yield Total Dry Mass",
    358: "Average Dry Yield Mass Per Time",
    359: "Average Dry Yield Mass Per Area",
}


def test_entries_are_those_of_the_data_dictionary():
    """ISO 11783-11: numbers, names and units [R]; 141 is Actual Work State, 0 to 3 [R]."""
    assert DICTIONARY == EXPORT
    assert set(YIELD_ENTRIES) == {84, 87, 90}
    assert WORK_STATE == 141
    assert set(OTHER_YIELDS) == set(OTHER)
    for entry, ours in OTHER_YIELDS.items():
        assert set(ours.split()) <= set(OTHER[entry].lower().split()), entry


def log(tasks, rows, *, every_s: float = 1.0) -> bytes:
    """Records at the three places and on, one every so many seconds, with these values."""
    return b"".join(
        tasks.pack_record(
            START + dt.timedelta(seconds=every_s * place), tasks.pack_position(*PLACES[place % 3]), values
        )
        for place, values in enumerate(rows)
    )


def test_binary_log_with_time_and_position_in_the_records(tmp_path, tasks):
    """ISO 11783-10, TIM and PTN with empty attributes: stored, in the order of the attributes [S/M].

    Entries 87 (mg/s), 67 (mm) of ISO 11783-11 [S]; 397 actual speed (mm/s) [R]. 4.5 kg/s = 4.5e6 mg/s [C].
    """
    rows = [[(0, 4_500_000), (1, 3000), (2, 1250)], [(0, 2_250_000), (1, 3000), (2, 1500)], [(0, 9_000_000)]]
    file = tasks.write_task_data(tmp_path, log(tasks, rows), values=FLOW + WIDTH + SPEED)
    taken = read_source(file, "harvest", timezone="UTC")
    table = taken.table
    assert taken.format == "ISO 11783-10 task data"
    np.testing.assert_allclose(table["mass_flow_kg_s"], [4.5, 2.25, 9.0])
    np.testing.assert_allclose(table["speed_m_s"], [1.25, 1.5, 1.5])  # not logged again: stands
    np.testing.assert_allclose(table["width_m"], [3.0, 3.0, 3.0])
    np.testing.assert_allclose(table.geometry.y, [one[0] for one in PLACES], atol=1e-9)
    np.testing.assert_allclose(table.geometry.x, [one[1] for one in PLACES], atol=1e-9)
    assert table["time"].tolist() == list(pd.date_range(START, periods=3, freq="s", tz="UTC"))
    assert table["machine"].unique().tolist() == ["Invented harvester 7"]
    assert table["block_name"].unique().tolist() == ["Long Paddock"]
    assert table["source_row"].tolist() == [1, 2, 3]
    assert {one.field: one.unit for one in taken.guesses}["mass_flow_kg_s"] == "mg/s"
    assert not any(note.startswith("Doubtful") for note in taken.notes)


def test_ready_yield_per_area(tmp_path, tasks):
    """ISO 11783-11 entry 84, mg/m2 [S]: 1 t/ha = 100,000 mg/m2 [C], handbook section 7."""
    file = tasks.write_task_data(
        tmp_path, log(tasks, [[(0, 100_000)], [(0, 1_234_500)]]), values='<DLV A="0054" B="" C="DET-1"/>'
    )
    assert read_source(file, "harvest").table["yield_t_ha"].tolist() == pytest.approx([1.0, 12.345])


def test_total_mass_is_taken_as_its_steps(tmp_path, tasks):
    """ISO 11783-11 entry 90, kg [S]; records between two totals have none and are refused, not guessed."""
    rows = [[(0, 100)], [(0, 104)], [], [(0, 112)]]
    file = tasks.write_task_data(tmp_path, log(tasks, rows), values='<DLV A="005A" B="" C="DET-1"/>')
    taken = read_source(file, "harvest")
    assert taken.table["mass_kg"].tolist() == [4.0, 8.0]
    assert set(taken.refused["reason"]) == {"mass is empty"}


def test_contamination_is_mog(tmp_path, tasks):
    """ISO 11783-11 entry 100 crop contamination, ppm [R]: 25,000 ppm = 2.5 % [C]."""
    file = tasks.write_task_data(
        tmp_path,
        log(tasks, [[(0, 2_000_000), (1, 25_000)]]),
        values=FLOW + '<DLV A="0064" B="" C="DET-1"/>',
    )
    assert read_source(file, "harvest").table["mog_pct"].tolist() == pytest.approx([2.5])


def test_time_and_position_fixed_in_the_header(tmp_path, tasks):
    """The other form: attributes with a value hold for all records and are not stored [S/M]."""
    binary = b"".join(tasks.pack_record(None, b"", [(0, value)]) for value in (1_000_000, 2_000_000))
    file = tasks.write_task_data(
        tmp_path,
        binary,
        values=FLOW,
        start="2024-03-01T08:00:00",
        position='<PTN A="-34.2001234" B="140.5001234" D="4"/>',
    )
    table = read_source(file, "harvest").table
    assert table["mass_flow_kg_s"].tolist() == [1.0, 2.0]
    assert table["time"].unique().tolist() == [pd.Timestamp(START, tz="UTC")]
    assert table.geometry.y.tolist() == pytest.approx([-34.2001234] * 2)


def test_value_fixed_in_the_header(tmp_path, tasks):
    """A DLV with a value holds where no record says otherwise [S/M]; its place still counts."""
    rows = [[(1, 1_000_000)], [(0, 2500), (1, 2_000_000)]]
    values = '<DLV A="0043" B="3100" C="DET-1"/>' + FLOW
    table = read_source(tasks.write_task_data(tmp_path, log(tasks, rows), values=values), "harvest").table
    assert table["width_m"].tolist() == [3.1, 2.5]
    assert table["mass_flow_kg_s"].tolist() == [1.0, 2.0]


def test_further_position_fields(tmp_path, tasks):
    """PTN C height (int32), E, F dilution (uint16), G satellites (uint8), H, I time (uint32, uint16) [R]."""
    utc = struct.pack("<IH", (21 * 3600 + 30 * 60) * 1000, (dt.date(2024, 2, 29) - dt.date(1980, 1, 1)).days)
    position = struct.pack("<iiiBHHB", -342001234, 1405001234, 250, 4, 12, 8, 17) + utc
    file = tasks.write_task_data(
        tmp_path,
        tasks.pack_record(START, position, [(0, 3_000_000)]),
        values=FLOW,
        position='<PTN A="" B="" C="" D="" E="" F="" G="" H="" I=""/>',
    )
    table = read_source(file, "harvest", timezone="Australia/Adelaide").table
    # The receiver's clock is UTC; the task controller's 08:00 is not looked at.
    assert table["time"].tolist() == [pd.Timestamp("2024-02-29 21:30:00", tz="UTC")]
    assert table.geometry.y.tolist() == pytest.approx([-34.2001234])
    assert table["mass_flow_kg_s"].tolist() == [3.0]


def test_clock_of_the_task_controller_is_local(tmp_path, tasks):
    """Without the receiver's time the clock is the controller's own; the estate's zone turns it [M]."""
    file = tasks.write_task_data(tmp_path, log(tasks, [[(0, 1_000_000)]]), values=FLOW)
    table = read_source(file, "harvest", timezone="Australia/Adelaide").table
    assert table["time"].tolist() == [pd.Timestamp("2024-02-29 21:30:00", tz="UTC")]
    assert any("name no time zone" in note for note in read_source(file, "harvest").notes)


@pytest.mark.parametrize("status", [0, 14])
def test_record_without_a_fix_is_refused(tmp_path, tasks, status):
    """PTN D: 0 no fix, 14 error [R]."""
    binary = tasks.pack_record(START, tasks.pack_position(-34.2, 140.5, status), [(0, 1_000_000)])
    binary += tasks.pack_record(START, tasks.pack_position(-34.2, 140.5), [(0, 1_000_000)])
    taken = read_source(tasks.write_task_data(tmp_path, binary, values=FLOW), "harvest")
    assert taken.refused[["source_row", "reason"]].to_numpy().tolist() == [[1, "position is empty"]]


def test_status_that_is_not_known_says_nothing_against_the_position(tmp_path, tasks):
    """PTN D 15: not available [R]; exporters that do not know it write it beside good positions [R].

    A position that is not available itself is 0x7FFFFFFF in both coordinates [R].
    """
    nowhere = struct.pack("<iiB", 2**31 - 1, 2**31 - 1, 15)
    binary = tasks.pack_record(START, tasks.pack_position(-34.2, 140.5, 15), [(0, 1_000_000)])
    binary += tasks.pack_record(START, nowhere, [(0, 1_000_000)])
    taken = read_source(tasks.write_task_data(tmp_path, binary, values=FLOW), "harvest")
    assert taken.table.geometry.y.tolist() == pytest.approx([-34.2])
    assert taken.refused[["source_row", "reason"]].to_numpy().tolist() == [[2, "position is empty"]]


def test_value_stands_for_ten_seconds_and_not_while_the_machine_is_off(tmp_path, tasks):
    """Entry 141, actual work state: 0 is off [R]; how long a value stands is common practice, no source."""
    rows = [[(0, 1_000_000), (1, 1)], [], [], [(1, 0)], [(1, 1)]]
    values = FLOW + '<DLV A="008D" B="" C="DET-1"/>'
    file = tasks.write_task_data(tmp_path, log(tasks, rows, every_s=6), values=values)
    taken = read_source(file, "harvest")
    assert taken.table["source_row"].tolist() == [1, 2]
    off = [[(0, 1_000_000), (1, 1)], [(1, 0)], [(1, 1)]]
    file = tasks.write_task_data(tmp_path, log(tasks, off, every_s=2), values=values)
    assert read_source(file, "harvest").table["source_row"].tolist() == [1, 3]


def test_two_elements_that_log_the_same_are_told_and_can_be_chosen(tmp_path, tasks):
    """DLV C: the device element (DET) whose value it is [S/M]; entry 87 of two of them."""
    values = '<DLV A="0057" B="" C="DET-2"/><DLV A="0057" B="" C="DET-3"/>'
    file = tasks.write_task_data(tmp_path, log(tasks, [[(0, 1_000_000), (1, 2_000_000)]]), values=values)
    assert read_source(file, "harvest").table["mass_flow_kg_s"].tolist() == [1.0]
    seen = preview_source(file, kind="harvest")
    other = "Mass Per Time Yield, Right conveyor (mg/s)"
    assert other in seen.headers
    assert other in seen.unused
    chosen = read_source(file, "harvest", columns={"mass_flow_kg_s": other})
    assert chosen.table["mass_flow_kg_s"].tolist() == [2.0]


def test_width_that_the_device_states(tmp_path, tasks):
    """DPT (device property): B entry, C value, as entry 67 in mm [M]; where the log has no width."""
    file = tasks.write_task_data(
        tmp_path,
        log(tasks, [[(0, 1_000_000)]]),
        values=FLOW,
        properties='<DPT A="9" B="0043" C="2750" D="Width"/>',
    )
    assert read_source(file, "harvest").table["width_m"].tolist() == [2.75]


@pytest.mark.parametrize("lower", [False, True])
@pytest.mark.parametrize("form", ["folder", "folder above", "zip", "zip with a folder", "file"])
def test_folder_zip_and_letter_case(tmp_path, tasks, form, lower):
    """TASKDATA.XML in a folder TASKDATA [S/M], TLG with A as the stem of its files; either letter case."""
    folder = tmp_path / "stick" / "TASKDATA"
    file = tasks.write_task_data(folder, log(tasks, [[(0, 1_000_000)]]), values=FLOW, lower=lower)
    source = {"folder": folder, "folder above": tmp_path / "stick", "file": file}.get(form)
    if source is None:
        source = tmp_path / "task.zip"
        with zipfile.ZipFile(source, "w") as archive:
            for one in folder.iterdir():
                archive.write(one, f"TASKDATA/{one.name}" if "folder" in form else one.name)
            archive.writestr("readme.txt", "not a log")
    assert len(read_source(source, "harvest").table) == 1
    assert preview_source(source).kind == "harvest"


def test_parts_of_the_task_data_in_files_of_their_own(tmp_path, tasks):
    """XFR refers to a file of elements [S/M]; several logs are joined."""
    taskdata = """<ISO11783_TaskData VersionMajor="3"><XFR A="DVC00001" B="1"/><XFR A="TSK00001" B="1"/>
      </ISO11783_TaskData>{properties}{logs}"""
    file = tasks.write_task_data(
        tmp_path,
        log(tasks, [[(0, 1_000_000)]]),
        values=FLOW,
        taskdata=taskdata.replace("{properties}{logs}", ""),
    )
    (tmp_path / "DVC00001.XML").write_text(
        '<XFC><DVC A="DVC-1" B="Outside"><DET A="DET-1"/></DVC></XFC>', encoding="utf-8"
    )
    (tmp_path / "TSK00001.XML").write_text(
        '<XFC><TSK A="TSK1" G="4"><TLG A="TLG00001" C="1"/><TLG A="TLG00002"/></TSK></XFC>', encoding="utf-8"
    )
    (tmp_path / "TLG00002.XML").write_bytes((tmp_path / "TLG00001.XML").read_bytes())
    (tmp_path / "TLG00002.BIN").write_bytes(
        tasks.pack_record(START + dt.timedelta(hours=1), tasks.pack_position(*PLACES[0]), [(0, 2_000_000)])
    )
    table = read_source(file, "harvest").table
    assert table["mass_flow_kg_s"].tolist() == [1.0, 2.0]
    assert table["machine"].tolist() == ["Outside", "Outside"]


def test_hash_covers_the_logs(tmp_path, tasks):
    """TLG keeps its records outside TASKDATA.XML: the same one with other records is another import."""
    first = tasks.write_task_data(tmp_path / "a", log(tasks, [[(0, 1_000_000)]]), values=FLOW)
    second = tasks.write_task_data(tmp_path / "b", log(tasks, [[(0, 2_000_000)]]), values=FLOW)
    assert read_source(first, "harvest").sha256 != read_source(second, "harvest").sha256


def test_log_that_is_cut_off_or_lies_about_its_length(tmp_path, tasks):
    """TLG B: length of the file in bytes [M]; of a record the last bytes are missing."""
    binary = log(tasks, [[(0, 1_000_000)], [(0, 2_000_000)]])
    file = tasks.write_task_data(
        tmp_path, binary[:-3], values=FLOW, logs='<TLG A="TLG00001" B="10737418240" C="1"/>'
    )
    taken = read_source(file, "harvest")
    assert len(taken.table) == 1
    assert any("cut off (18 bytes)" in note for note in taken.notes)
    assert any("says that TLG00001.BIN has 10,737,418,240 bytes; it has 39" in note for note in taken.notes)


def test_value_that_the_header_does_not_list(tmp_path, tasks):
    """The byte before a value is the place of its DLV in TIM, from 0 [S/R]."""
    rows = [[(0, 1_000_000)], [(9, 1)], [(0, 3_000_000)]]
    taken = read_source(tasks.write_task_data(tmp_path, log(tasks, rows), values=FLOW), "harvest")
    assert len(taken.table) == 1
    assert any("Record 2 of TLG00001.BIN names a value" in note for note in taken.notes)


# Elements that a file gets wrong, or abuses: TLG A and C, TIM A, PTN A, DLV A (four hexadecimal digits of
# ISO 11783-11), entries 181 and 7. What is wrong: (arguments of the writer, sentence).
BAD = {
    "path that climbs": (
        {"logs": '<TLG A="../../etc/passwd" C="1"/>'},
        "refers to '../../etc/passwd', which is no file name of task data",
    ),
    "absolute path": ({"logs": '<TLG A="C:\\\\x\\\\TLG00001" C="1"/>'}, "no file name of task data"),
    "missing log": ({"logs": '<TLG A="TLG00009" C="1"/>'}, "TLG00009.XML is missing. Give the whole folder"),
    "no log": ({"logs": ""}, "hold no time log"),
    "other type of log": ({"logs": '<TLG A="TLG00001" C="4"/>'}, "is of type '4'; only binary logs"),
    "entity bomb": (
        {"taskdata": '<!DOCTYPE a [<!ENTITY b "bbbb">]><ISO11783_TaskData>&b;</ISO11783_TaskData>'},
        "Its XML defines entities.* Do not trust this file",
    ),
    "external entity": (
        {
            "taskdata": '<!DOCTYPE a SYSTEM "file:///etc/passwd"><ISO11783_TaskData/>',
        },
        "Its XML defines entities",
    ),
    "damaged XML": ({"taskdata": "<ISO11783_TaskData><TSK"}, "The XML is damaged"),
    "only dry mass": (
        {"values": '<DLV A="00B5" B="" C="DET-1"/>'},
        r"no mass of fresh fruit: dictionary entries logged are 181 \(dry mass per area\).*Needed is 87",
    ),
    "application rate": ({"values": '<DLV A="0007" B="" C="DET-1"/>'}, "entries logged are 7"),
    "entry that is none": ({"values": '<DLV A="XYZ" B="" C="DET-1"/>'}, "DLV A='XYZ' is no entry"),
    "too many values": ({"values": FLOW * 300}, "lists 300 values; a record can name 255"),
    "no record": ({"binary": b""}, "The log holds no whole record"),
    "value that is not listed": (
        {"binary": struct.pack("<IHiiBBBi", 0, 16_000, -342_000_000, 1_405_000_000, 1, 1, 9, 7)},
        r"no whole record: record 1 of TLG00001.BIN names a value that the header does not list",
    ),
    "no fix in any record": (
        {"binary": struct.pack("<IHiiBBBi", 0, 16_000, 0, 0, 0, 1, 0, 7)},
        "row 1: position is empty.*Nothing can be named in task data: see that the receiver has a fix",
    ),
    "no task data": ({"taskdata": "<html/>"}, "starts with 'html'.*Give the TASKDATA.XML that the terminal"),
    "one broken record": ({"binary": b"\xff" * 20}, "The log holds no whole record"),
    "time that is none": (
        {"start": "yesterday", "binary": b"\0" * 10},
        "TIM A='yesterday' is not a time",
    ),
    "position that is none": ({"position": '<PTN A="nan" B="" D=""/>'}, "PTN A='nan' is not a number"),
}


@pytest.mark.parametrize("case", BAD.values(), ids=BAD.keys())
def test_bad_task_data_is_refused_with_its_sentence(tmp_path, tasks, case):
    """Each refusal says which element it is about and what to do."""
    changes, sentence = case
    arguments = {"values": FLOW, "binary": log(tasks, [[(0, 1_000_000)]])} | changes
    if "taskdata" in arguments:
        arguments["taskdata"] = arguments["taskdata"].replace("{", "{{").replace("}", "}}")
    file = tasks.write_task_data(tmp_path, arguments.pop("binary"), **arguments)
    with pytest.raises(IntakeError, match=sentence) as caught:
        read_source(file, "harvest")
    assert caught.value.remedy


def test_two_folders_in_one_zip(tmp_path):
    """One TASKDATA.XML is one set of task data [S/M]."""
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("a/TASKDATA.XML", "<x/>")
        archive.writestr("b/TASKDATA.XML", "<x/>")
    with pytest.raises(IntakeError, match="holds 2 folders of task data"):
        read_source(tmp_path / "a.zip", "harvest")


def test_long_log_is_read_fast(tmp_path, tasks):
    """1.5 million records in about a second each of walking and of placing values; three times allowed."""
    one = log(tasks, [[(0, 1_000_000 + place), (1, 1500)] for place in range(100)])
    file = tasks.write_task_data(tmp_path, one * 3000, values=FLOW + SPEED)
    started = time.process_time()
    taken = preview_source(file, kind="harvest")
    assert taken.rows_read == 300_000
    assert time.process_time() - started < 15
