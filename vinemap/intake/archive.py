"""Opening files safely: size limits, gzip and zip without bombs or paths that climb out."""

from __future__ import annotations

import hashlib
import re
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import IO

from vinemap.errors import IntakeError
from vinemap.taken import show_value

MAX_BYTES = 1 << 30
MAX_MEMBERS = 10_000
MAX_RATIO = 400  # a log of numbers shrinks 5- to 20-fold; zero-filled bombs 1000-fold
RATIO_FROM_BYTES = 50 << 20
_CHUNK = 1 << 20
ENTITIES = "Its XML defines entities, which no file of this kind needs and hostile ones use."
# What the zip module raises on damage: offsets before the start, names that are no text, other methods, ...
_DAMAGE = (
    zipfile.BadZipFile, NotImplementedError, RuntimeError, zlib.error, EOFError, OSError, ValueError,
    LookupError, struct.error,
)  # fmt: skip
# ISO 11783-10: the main file, and the files that it may refer to.
TASK_NAME = "TASKDATA.XML"
TASK_FILE = re.compile(r"^(?:TASKDATA\.XML|[A-Z]{3}\d{5}\.(?:XML|BIN))$", re.IGNORECASE)
_SIDE_FILES = (".dbf", ".shx", ".prj", ".cpg")
DATA_SUFFIXES = (
    ".shp",
    ".gpkg",
    ".geojson",
    ".json",
    ".kml",
    ".parquet",
    ".csv",
    ".txt",
    ".tsv",
    ".dat",
    ".xlsx",
    ".tif",
    ".tiff",
)
_ARCHIVE_SUFFIXES = (".zip", ".kmz", ".gz", ".tgz", ".tar", ".bz2", ".xz", ".zst", ".7z", ".rar")


def hash_file(path: Path) -> str:
    """SHA-256 of a file, for a shapefile or task data of all their parts.

    Raises
    ------
    IntakeError
        If it cannot be read.
    """
    digest = hashlib.sha256()
    parts = [path]
    if path.suffix.lower() == ".shp":
        parts += [one for end in _SIDE_FILES if (one := path.with_suffix(end)).is_file()]
    if path.name.upper() == TASK_NAME:
        parts += sorted(one for one in path.parent.iterdir() if one != path and TASK_FILE.match(one.name))
    try:
        for part in parts:
            with part.open("rb") as handle:
                while chunk := handle.read(_CHUNK):
                    digest.update(chunk)
    except OSError as error:
        raise cannot_read(path, error) from error
    return digest.hexdigest()


def cannot_read(path: Path, error: OSError) -> IntakeError:
    """Refuse a file that the system does not let us read."""
    return IntakeError(f"It cannot be read: {error.strerror}.", where=path.name, remedy="Check the file.")


def read_bytes(path: Path) -> bytes:
    """Read a whole file, unpacked if it is gzip.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    bytes

    Raises
    ------
    IntakeError
        If it cannot be read, is a damaged or runaway archive, or is larger than `MAX_BYTES`.
    """
    if path.stat().st_size > MAX_BYTES:
        raise _too_large(path.name)
    data = path.read_bytes()
    return _gunzip(data, path.name) if data[:2] == b"\x1f\x8b" else data


def _gunzip(data: bytes, name: str) -> bytes:
    """Unpack all members of a gzip file up to the limits."""
    out = bytearray()
    rest = data
    try:
        while rest:
            member = zlib.decompressobj(wbits=31)
            out += member.decompress(rest, MAX_BYTES - len(out) + 1)
            if len(out) > MAX_BYTES or _runaway(len(out), len(data)):
                raise _too_large(name)
            if not member.eof:
                raise IntakeError("The gzip file is cut off.", where=name, remedy="Copy it again.")
            rest = member.unused_data.lstrip(b"\0")
    except zlib.error as error:
        raise IntakeError("The gzip file is damaged.", where=name, remedy="Copy it again.") from error
    return bytes(out)


def _runaway(unpacked: int, packed: int) -> bool:
    return unpacked > RATIO_FROM_BYTES and unpacked > MAX_RATIO * max(packed, 1)


def _too_large(name: str, most_bytes: int = MAX_BYTES) -> IntakeError:
    return IntakeError(
        f"Unpacked it is larger than {most_bytes >> 20} MB or shrinks beyond belief.",
        where=name,
        remedy="Unpack it yourself, check it and give it in parts.",
    )


@contextmanager
def unpacked(path: Path) -> Iterator[Path]:
    """Unpack the one data file of a zip archive into a temporary folder.

    Parameters
    ----------
    path : pathlib.Path

    Yields
    ------
    pathlib.Path
        The data file; a shapefile has its parts beside it.

    Raises
    ------
    IntakeError
        If the archive is damaged, hostile, or holds no or several data files.
    """
    with tempfile.TemporaryDirectory(prefix="vinemap-", ignore_cleanup_errors=True) as folder:
        try:
            with zipfile.ZipFile(path) as archive:
                members = _safe_members(archive, path.name)
                main = _data_member(members, path.name)
                for one in members:
                    if _belongs(PurePosixPath(one.filename), PurePosixPath(main.filename)):
                        _extract(archive, one, Path(folder))
        except _DAMAGE as error:
            raise _damaged(path.name, error) from error
        yield Path(folder) / PurePosixPath(main.filename).name


def check_archive(path: Path, *, most_bytes: int = MAX_BYTES) -> set[str]:
    """See that a zip archive of XML is neither damaged nor hostile.

    Parameters
    ----------
    path : pathlib.Path
    most_bytes : int
        Most bytes that it may unpack to.

    Returns
    -------
    set of str
        Names of the files in it.

    Raises
    ------
    IntakeError
        If it is damaged, leads outside, would unpack to more, or its XML defines entities.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = _checked_members(archive, path.name, most_bytes)
            for one in members:
                if one.filename.lower().endswith((".xml", ".rels")):
                    with archive.open(one) as handle:
                        refuse_entities(handle, path.name)
    except _DAMAGE as error:
        raise _damaged(path.name, error) from error
    return {one.filename for one in members}


def refuse_entities(handle: IO[bytes], name: str) -> None:
    """Refuse XML that defines entities, anywhere and in UTF-16 too: they can blow up or read other files.

    Raises
    ------
    IntakeError
    """
    tail = b""
    while block := handle.read(_CHUNK):
        text = tail + block.replace(b"\0", b"").upper()
        if b"<!ENTITY" in text or b"<!DOCTYPE" in text:
            raise IntakeError(ENTITIES, where=name, remedy="Do not trust this file.")
        tail = text[-16:]


def _damaged(name: str, error: Exception) -> IntakeError:
    return IntakeError(
        f"It cannot be opened: it is damaged or needs a password ({show_value(error)}).",
        where=name,
        remedy="Copy it again, or unpack it yourself and give what is in it.",
    )


def _safe_members(archive: zipfile.ZipFile, name: str) -> list[zipfile.ZipInfo]:
    """Members that may hold data, of an archive that may be unpacked."""
    members = _checked_members(archive, name, MAX_BYTES)
    names = {one.filename for one in members}
    if "xl/workbook.xml" in names or "content.xml" in names:
        raise IntakeError(
            "It is a spreadsheet under another name.",
            where=name,
            remedy="Name it .xlsx, or save the sheet as CSV, and give that.",
        )
    return [one for one in members if not _is_clutter(one.filename)]


def _checked_members(archive: zipfile.ZipFile, name: str, most_bytes: int) -> list[zipfile.ZipInfo]:
    members = [one for one in archive.infolist() if not one.is_dir()]
    if len(members) > MAX_MEMBERS:
        raise IntakeError(
            f"The zip file holds more than {MAX_MEMBERS} files.", where=name, remedy="Unpack it yourself."
        )
    for one in members:
        windows = PureWindowsPath(one.filename)
        if windows.is_absolute() or windows.drive or ".." in windows.parts or one.filename.startswith("/"):
            raise IntakeError(
                f"The zip file holds a path that leads outside: {one.filename[:80]!r}.",
                where=name,
                remedy="Do not trust this file.",
            )
    total = sum(one.file_size for one in members)
    packed = sum(one.compress_size for one in members)
    if total > most_bytes or _runaway(total, packed):
        raise _too_large(name, most_bytes)
    return members


def _is_clutter(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return parts[0] == "__MACOSX" or parts[-1].startswith(".")


def _data_member(members: list[zipfile.ZipInfo], name: str) -> zipfile.ZipInfo:
    if any(PurePosixPath(one.filename).name.upper() == TASK_NAME for one in members):
        return _task_member(members, name)
    data = [one for one in members if PurePosixPath(one.filename).suffix.lower() in DATA_SUFFIXES]
    # A KMZ holds pictures and further layers beside its main one (OGC 12-007, KML 2.2).
    main = [one for one in data if PurePosixPath(one.filename).name.lower() == "doc.kml"]
    if len(data) == 1 or len(main) == 1:
        return (main or data)[0]
    if not data:
        raise _no_data(members, name)
    listed = ", ".join(PurePosixPath(one.filename).name for one in data[:6])
    raise IntakeError(
        f"The zip file holds {len(data)} data files ({listed}).",
        where=name,
        remedy="Unpack it and give them one by one.",
    )


def _no_data(members: list[zipfile.ZipInfo], name: str) -> IntakeError:
    names = (PurePosixPath(one.filename) for one in members)
    inner = [one.name for one in names if one.suffix.lower() in _ARCHIVE_SUFFIXES]
    if inner:
        return nested_archive(inner[0], name)
    return IntakeError(
        "The zip file holds no data file.", where=name, remedy=f"Known are: {', '.join(DATA_SUFFIXES)}."
    )


def nested_archive(inner: str, where: str) -> IntakeError:
    """Refuse an archive in an archive: what lies in it is not looked for, however deep."""
    return IntakeError(
        f"The zip file holds another archive ({inner}).",
        where=where,
        remedy=f"Unpack {inner} first and give the files in it.",
    )


def _task_member(members: list[zipfile.ZipInfo], name: str) -> zipfile.ZipInfo:
    found = [one for one in members if PurePosixPath(one.filename).name.upper() == TASK_NAME]
    if len(found) > 1:
        raise IntakeError(
            f"The zip file holds {len(found)} folders of task data.",
            where=name,
            remedy="Unpack it and give them one by one.",
        )
    return found[0]


def _belongs(one: PurePosixPath, main: PurePosixPath) -> bool:
    """Whether a member is a part of the data file: of a shapefile, or of task data."""
    if one == main:
        return True
    if main.name.upper() == TASK_NAME:
        return one.parent == main.parent and bool(TASK_FILE.match(one.name))
    return one.with_suffix("").as_posix().lower() == main.with_suffix("").as_posix().lower()


def _extract(archive: zipfile.ZipFile, member: zipfile.ZipInfo, folder: Path) -> None:
    """Unpack one member flat into the folder, counting bytes: the size in the directory may lie."""
    target = folder / PurePosixPath(member.filename).name
    written = 0
    with archive.open(member) as source, target.open("wb") as sink:
        while chunk := source.read(_CHUNK):
            written += len(chunk)
            if written > MAX_BYTES:
                raise _too_large(member.filename)
            sink.write(chunk)
