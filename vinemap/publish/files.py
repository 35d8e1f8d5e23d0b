"""Files that are whole or not there: written aside, flushed, then put in place; names safe everywhere."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from vinemap.errors import StoreError

# Windows keeps these for devices, whatever the suffix (Microsoft, "Naming Files, Paths, and Namespaces").
_DEVICES = {"con", "prn", "aux", "nul"} | {f"{port}{n}" for port in ("com", "lpt") for n in "0123456789¹²³"}
_UNSAFE = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]+')
_LONGEST_NAME = 80


@contextmanager
def written_aside(path: Path) -> Iterator[Path]:
    """Give a path beside `path` to write to; put it in place when the block ends well, else remove it.

    Parameters
    ----------
    path : pathlib.Path
        Where the file shall stand. Its folder is made if need be.

    Yields
    ------
    pathlib.Path
        A new path in the same folder, with the same suffix.

    Raises
    ------
    StoreError
        If the file in place cannot be replaced because another program holds it.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(f"{path.stem}.{secrets.token_hex(4)}.part{path.suffix}")
    try:
        yield aside
        _flush(aside)
        _replace(aside, path)
    finally:
        aside.unlink(missing_ok=True)


def _flush(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def _replace(aside: Path, path: Path) -> None:
    try:
        aside.replace(path)
    except PermissionError as error:
        raise StoreError(
            f"{path.name} cannot be replaced: another program has it open, or the folder is read-only.",
            where=path.parent.name,
            remedy="Close it in the GIS or browser and run again; the old file is untouched.",
        ) from error


def write_text(path: Path, text: str, *, encoding: str = "utf-8") -> Path:
    """Write a text file whole, with LF line ends everywhere.

    Parameters
    ----------
    path : pathlib.Path
    text : str
    encoding : str

    Returns
    -------
    pathlib.Path
        `path`.
    """
    with written_aside(path) as aside:
        aside.write_bytes(text.encode(encoding))
    return path


def safe_names(names: Iterable[str]) -> dict[str, str]:
    r"""Make a file name stem of each name that Windows, macOS and Linux all accept, no two alike.

    Parameters
    ----------
    names : iterable of str
        For example block ids as people type them.

    Returns
    -------
    dict of str to str
        Stem by name; where two differ only by case or by what had to be replaced, a short hash is added.

    Examples
    --------
    >>> safe_names(["B1", "4/2: Gate", "..", "con"])
    {'B1': 'B1', '4/2: Gate': '4_2_ Gate', '..': '_', 'con': '_con'}
    """
    out: dict[str, str] = {}
    taken: set[str] = set()
    for name in dict.fromkeys(names):
        stem = _safe_stem(name)
        if stem.casefold() in taken:
            stem = f"{stem}-{hashlib.sha256(name.encode()).hexdigest()[:6]}"
        taken.add(stem.casefold())
        out[name] = stem
    return out


def _safe_stem(name: str) -> str:
    stem = _UNSAFE.sub("_", name).strip(" .")[:_LONGEST_NAME].rstrip(" .") or "_"
    return f"_{stem}" if stem.split(".")[0].strip().casefold() in _DEVICES else stem
