"""A long text log in blocks of whole lines, so that memory stays flat."""

from __future__ import annotations

import codecs
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

from vinemap.errors import IntakeError
from vinemap.intake.archive import MAX_RATIO, RATIO_FROM_BYTES
from vinemap.intake.raw import RawTable
from vinemap.intake.text import (
    check_text,
    cut_rows,
    describe_layout,
    even_line_ends,
    even_text,
    find_encoding,
    find_layout,
    first_lines,
)

STREAM_FROM_BYTES = 64 << 20
STREAM_PACKED_FROM_BYTES = 8 << 20  # logs of numbers shrink about eightfold
BLOCK_BYTES = 8 << 20
MAX_LINE = 1 << 20
MAX_STREAM_BYTES = 64 << 30
_GZIP = b"\x1f\x8b"
_NOT_TEXT = (b"SQLite format 3\0", b"PAR1", b"PK\x03\x04", b"{", b"<")


def is_long_text(path: Path, head: bytes) -> bool:
    """Whether a file is delimited text too long to be read at once."""
    if path.suffix.lower() in (".shp", ".gpkg", ".fgb", ".parquet", ".kml", ".kmz", ".geojson", ".json"):
        return False
    if any(head.lstrip(b"\xef\xbb\xbf \r\n\t").startswith(one) for one in _NOT_TEXT):
        return False
    start = STREAM_PACKED_FROM_BYTES if head[:2] == _GZIP else STREAM_FROM_BYTES
    return path.stat().st_size > start


def iterate_text(path: Path) -> Iterator[RawTable]:
    """Read delimited text, also gzip-packed, block by block.

    Parameters
    ----------
    path : pathlib.Path

    Yields
    ------
    RawTable
        All with the layout that the first block shows; ``source_row`` is the line in the file, from 1.

    Raises
    ------
    IntakeError
        If it is not text, is damaged, or a line has no end.
    """
    line = 0
    layout = None
    described = ""
    details: dict[str, Any] = {}
    for data, encoding in _text_blocks(path):
        if layout is None:
            if data.isspace():
                raise IntakeError("The file starts with blanks only.", where=path.name, remedy="Check it.")
            layout = find_layout(first_lines(data), path.name)
            described, details = describe_layout(layout, encoding)
            raw = cut_rows(data, layout, path.name)
            layout = replace(layout, header_line=-1, first_line=0)
        else:
            raw = cut_rows(data, layout, path.name)
        yield replace(
            _moved(raw, line), format=described, units=layout.units, decimal=layout.decimal, details=details
        )
        line += data.count(b"\n")


def _moved(raw: RawTable, lines: int) -> RawTable:
    refused = raw.refused.assign(source_row=raw.refused["source_row"] + lines)
    return replace(raw, source_row=raw.source_row + lines, refused=refused)


def _text_blocks(path: Path) -> Iterator[tuple[bytes, str]]:
    """Text as UTF-8 in blocks of whole lines, and its encoding."""
    encoding, waiting, wide = "", b"", None
    for data in _byte_blocks(path):
        if not encoding:
            encoding = find_encoding(data)
            wide = codecs.getincrementaldecoder(encoding)("replace") if encoding != "utf-8" else None
            data = data.removeprefix(codecs.BOM_UTF8)
        waiting += wide.decode(data).encode("utf-8", "replace") if wide else data
        check_text(waiting, path.name)
        # A carriage return at the end may be half of a line end.
        held = b"\r" if waiting.endswith(b"\r") else b""
        even = even_line_ends(waiting[: len(waiting) - len(held)])
        cut = even.rfind(b"\n") + 1
        if len(even) - cut > MAX_LINE:
            raise IntakeError(
                "A line is far too long for a table.", where=path.name, remedy="Export it as CSV."
            )
        waiting = even[cut:] + held
        if cut:
            block, encoding = even_text(even[:cut], encoding)
            yield block, encoding
    rest = even_line_ends(waiting)
    if rest.strip():
        yield even_text(rest + b"\n", encoding)


def _byte_blocks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as handle:
        packed = handle.read(2) == _GZIP
        handle.seek(0)
        if not packed:
            while block := handle.read(BLOCK_BYTES):
                yield block
            return
        yield from _unpacked_blocks(handle, path.name)


def _unpacked_blocks(handle: BinaryIO, name: str) -> Iterator[bytes]:
    """Unpack gzip members one after another, never more than a block at a time."""
    seen = written = 0
    member, data = zlib.decompressobj(wbits=31), b""
    try:
        while data := data or handle.read(BLOCK_BYTES // 8):
            if member.eof:
                data = data.lstrip(b"\0")
                member = zlib.decompressobj(wbits=31)
                continue
            out = member.decompress(data, BLOCK_BYTES)
            data = member.unused_data if member.eof else member.unconsumed_tail
            written += len(out)
            seen = handle.tell()
            if written > MAX_STREAM_BYTES or (written > RATIO_FROM_BYTES and written > MAX_RATIO * seen):
                raise IntakeError(
                    "It shrinks beyond belief.", where=name, remedy="Unpack it yourself and check it."
                )
            if out:
                yield out
        while not member.eof and (out := member.decompress(b"", BLOCK_BYTES)):
            yield out
    except zlib.error as error:
        raise IntakeError("The gzip file is damaged.", where=name, remedy="Copy it again.") from error
    if not member.eof:
        raise IntakeError("The gzip file is cut off.", where=name, remedy="Copy it again.")
