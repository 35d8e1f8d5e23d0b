"""The reader for each file, chosen by its content and name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from vinemap.errors import IntakeError
from vinemap.intake.archive import TASK_NAME, cannot_read, nested_archive, unpacked
from vinemap.intake.raw import RawTable
from vinemap.intake.taskdata import read_task_data
from vinemap.intake.text import read_text
from vinemap.intake.vector import FORMATS, read_vector


@dataclass(frozen=True, slots=True)
class Reader:
    """One way to read a file.

    Attributes
    ----------
    name : str
    suits : callable
        Path and first bytes to whether this reader takes the file.
    read : callable
        Path and kind to a `RawTable`.
    """

    name: str
    suits: Callable[[Path, bytes], bool]
    read: Callable[[Path, str], RawTable]


def _read_zip(path: Path, kind: str) -> RawTable:
    with unpacked(path) as inside:
        try:
            raw = read_raw(inside, kind, nested=True)
        except IntakeError as error:
            where = f"{path.name} ({inside.name})"
            raise IntakeError(error.what, where=where, remedy=error.remedy) from error
    raw.details["inside"] = inside.name
    return raw


def _read_sheet(path: Path) -> RawTable:
    from vinemap.intake.sheet import read_sheet  # openpyxl takes longer to load than most files to read

    return read_sheet(path)


def _is_vector(path: Path, head: bytes) -> bool:
    start = head.lstrip(b"\xef\xbb\xbf \r\n\t")[:1]
    return (
        (path.suffix.lower() in FORMATS and path.suffix.lower() != ".json")
        or head[:16] == b"SQLite format 3\0"
        or head[:4] == b"PAR1"
        or start == b"{"
        or b"<kml" in head
    )


def _is_xml(head: bytes) -> bool:
    return head.lstrip(b"\xef\xbb\xbf \r\n\t")[:1] == b"<" or head[:2] in (b"\xff\xfe", b"\xfe\xff")


# The first reader that suits takes the file; a new format is one more line.
READERS: list[Reader] = [
    Reader(
        "task data",
        lambda path, head: _is_xml(head) and (b"ISO11783_TaskData" in head or path.name.upper() == TASK_NAME),
        lambda path, kind: read_task_data(path),  # noqa: ARG005
    ),
    Reader(
        "spreadsheet",
        lambda path, head: (
            head[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
            or path.suffix.lower() in (".xlsx", ".xlsm", ".xls", ".ods")
        ),
        lambda path, kind: _read_sheet(path),  # noqa: ARG005
    ),
    Reader(
        "zip archive",
        lambda path, head: head[:4] == b"PK\x03\x04" or path.suffix.lower() in (".zip", ".kmz"),
        _read_zip,
    ),
    Reader("vector layer", _is_vector, lambda path, kind: read_vector(path, kind=kind)),
    Reader("delimited text", lambda path, head: True, lambda path, kind: read_text(path)),  # noqa: ARG005
]


def read_raw(path: Path, kind: str = "", *, nested: bool = False) -> RawTable:
    """Read a file as it stands, by the first reader that takes it.

    Parameters
    ----------
    path : pathlib.Path
    kind : str
        Kind of table wanted; chooses among layers.
    nested : bool
        Whether the file came out of an archive (archives in archives are refused).

    Returns
    -------
    RawTable

    Raises
    ------
    IntakeError
        If it cannot be read.
    """
    head = first_bytes(path)
    reader = next(one for one in READERS if one.suits(path, head))
    if nested and reader.name == "zip archive":
        raise nested_archive(path.name, path.name)
    return reader.read(path, kind)


def first_bytes(path: Path) -> bytes:
    """First bytes of a file.

    Raises
    ------
    IntakeError
        If it is not there, is empty or cannot be read.
    """
    if not path.exists():
        raise IntakeError("There is no such file.", where=str(path), remedy="Check the name and the folder.")
    if path.is_dir():
        raise IntakeError(
            f"It is a folder without {TASK_NAME}.", where=path.name, remedy="Give the files in it one by one."
        )
    try:
        with path.open("rb") as handle:
            head = handle.read(4096)
    except OSError as error:
        raise cannot_read(path, error) from error
    if not head:
        raise IntakeError("The file is empty.", where=path.name, remedy="Export it again.")
    return head


def find_source(path: Path | str) -> Path:
    """Give the file that is meant: of a folder of task data its main file."""
    file = Path(path)
    if not file.is_dir():
        return file
    inside = [one for one in file.iterdir() if one.name.upper() == TASK_NAME]
    deeper = [] if inside else [one for one in file.glob("*/*") if one.name.upper() == TASK_NAME]
    found = inside or deeper
    return found[0] if len(found) == 1 else file
