"""A writer of ISO 11783-10 task data, made for the tests from the standard's types alone.

Types and order [S/M] of handbook section 7: little-endian; milliseconds since midnight (uint32) and days
since 1980-01-01 (uint16); latitude and longitude int32 in 1e-7 degree; number of values (uint8); then
place (uint8) and value (int32) of each. It shares no code with the reader.
"""

from __future__ import annotations

import datetime as dt
import struct
from pathlib import Path

import pytest

TASKDATA = """<?xml version="1.0" encoding="UTF-8"?>
<ISO11783_TaskData VersionMajor="3" VersionMinor="0" DataTransferOrigin="2">
  <PFD A="PFD1" C="Long Paddock" D="20000"/>
  <DVC A="DVC-1" B="Invented harvester 7" D="00" F="00" G="00">
    <DET A="DET-1" B="1" C="1" D="Machine" E="0" F="0"/>
    <DET A="DET-2" B="2" C="2" D="Left conveyor" E="1" F="1"/>
    <DET A="DET-3" B="3" C="2" D="Right conveyor" E="2" F="1"/>
    {properties}
  </DVC>
  <TSK A="TSK1" B="Harvest" E="PFD1" G="4">{logs}</TSK>
</ISO11783_TaskData>
"""
STORED = '<PTN A="" B="" D=""/>'


def pack_record(time: dt.datetime | None, position: bytes, values: list[tuple[int, int]]) -> bytes:
    """Pack one record."""
    head = b""
    if time is not None:
        midnight = time.replace(hour=0, minute=0, second=0, microsecond=0)
        milliseconds = round((time - midnight).total_seconds() * 1000)
        days = (time.date() - dt.date(1980, 1, 1)).days
        head = struct.pack("<IH", milliseconds, days)
    pairs = b"".join(struct.pack("<Bi", place, value) for place, value in values)
    return head + position + struct.pack("<B", len(values)) + pairs


def pack_position(latitude: float, longitude: float, status: int = 4) -> bytes:
    """Pack latitude, longitude and kind of fix."""
    return struct.pack("<iiB", round(latitude * 1e7), round(longitude * 1e7), status)


def write_task_data(
    folder: Path,
    binary: bytes,
    *,
    values: str,
    position: str = STORED,
    start: str = "",
    properties: str = "",
    logs: str = '<TLG A="TLG00001" C="1"/>',
    taskdata: str = TASKDATA,
    lower: bool = False,
) -> Path:
    """Write a folder of task data with one log; gives the path of TASKDATA.XML."""
    folder.mkdir(parents=True, exist_ok=True)

    def put(name: str, content: bytes) -> Path:
        file = folder / (name.lower() if lower else name)
        file.write_bytes(content)
        return file

    header = f'<?xml version="1.0"?><TIM A="{start}" D="4">{position}{values}</TIM>'
    put("TLG00001.XML", header.encode())
    put("TLG00001.BIN", binary)
    return put("TASKDATA.XML", taskdata.format(properties=properties, logs=logs).encode())


@pytest.fixture
def tasks():
    """Give the writer: ``tasks.pack_record``, ``tasks.pack_position``, ``tasks.write_task_data``."""

    class Writer:
        pack_record = staticmethod(pack_record)
        pack_position = staticmethod(pack_position)
        write_task_data = staticmethod(write_task_data)

    return Writer
