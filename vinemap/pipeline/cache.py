"""Results kept between runs under the hash of what they follow from, so that only what changed is redone.

The folder `cache/` of an estate holds one folder a result, named by its key. A result is written aside and
then renamed, so a run that is stopped leaves whole results or none, and the next run goes on from them. A key
holds the content of the inputs, the settings used and the source code of the stages; nothing has to be
declared stale. The whole folder may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely

FOLDER = "cache"
WHOLE = "whole.json"  # in a sealed folder: its files with their sizes
# Two sessions on one folder: what the other one has just made is not taken from under it.
SPARE_S = 24 * 3600.0
_NUMERICS = ("numpy", "pandas", "scipy", "scikit-learn", "numba", "shapely", "rasterio")
_PACKAGE = Path(__file__).resolve().parent.parent


@dataclass(frozen=True, slots=True)
class ResultCache:
    """Results by key in one folder; safe for several processes at once.

    Parameters
    ----------
    folder : pathlib.Path
        Made when the first result comes.

    Examples
    --------
    >>> import tempfile
    >>> kept = ResultCache(Path(tempfile.mkdtemp()))
    >>> made = kept.fetch("a1", lambda place: (place / "sum.txt").write_text("3"))
    >>> again = kept.fetch("a1", lambda place: (place / "sum.txt").write_text("not called"))
    >>> (again / "sum.txt").read_text()
    '3'
    """

    folder: Path

    def fetch(self, key: str, make: Callable[[Path], Any]) -> Path:
        """Give the folder of a result; if it is not there yet, `make` fills it.

        Parameters
        ----------
        key : str
            As `digest` gives it.
        make : callable
            Called with an empty folder to write into.

        Returns
        -------
        pathlib.Path
        """
        place = self.folder / key
        if not self._touch(place):
            shutil.rmtree(place, ignore_errors=True)  # cut short by a crash or a full disk
            aside = self.folder / f".new-{secrets.token_hex(8)}"
            aside.mkdir(parents=True)
            try:
                make(aside)
                seal(aside)
                _put(aside, place)
            finally:
                shutil.rmtree(aside, ignore_errors=True)
        return place

    def forget_before(self, moment: float) -> int:
        """Delete results that no run has used since `moment` [s since 1970] and that are a day old.

        Returns
        -------
        int
            Results deleted.
        """
        limit = min(moment, time.time() - SPARE_S)
        old = [one for one in self.folder.glob("*") if one.stat().st_mtime < limit]
        for one in old:
            shutil.rmtree(one, ignore_errors=True)
        return len(old)

    @staticmethod
    def _touch(place: Path) -> bool:
        if not is_whole(place):
            return False
        with contextlib.suppress(OSError):  # taken away since by another session
            os.utime(place)
            return True
        return False


def seal(folder: Path) -> None:
    """Note the files of a folder with their sizes, so that one cut short later is seen.

    Parameters
    ----------
    folder : pathlib.Path
        Without folders in it.
    """
    sizes = {one.name: one.stat().st_size for one in sorted(folder.iterdir())}
    (folder / WHOLE).write_text(json.dumps(sizes, ensure_ascii=False), encoding="utf-8")


def is_whole(folder: Path) -> bool:
    """Whether every file that `seal` noted is there in its full length; others do not matter.

    Examples
    --------
    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp())
    >>> written = (place / "sum.txt").write_text("300")
    >>> is_whole(place), seal(place), is_whole(place)
    (False, None, True)
    >>> os.truncate(place / "sum.txt", 2)
    >>> is_whole(place)
    False
    """
    try:
        sizes = json.loads((folder / WHOLE).read_text(encoding="utf-8"))
        return all((folder / name).stat().st_size == size for name, size in sizes.items())
    except (OSError, ValueError, AttributeError):
        return False


def _put(aside: Path, place: Path) -> None:
    try:
        aside.rename(place)
    except OSError:
        if not place.exists():  # else another process was quicker with the same result
            raise


def write_words(path: Path, words: Any) -> None:
    """Write plain values as JSON; NumPy numbers become plain ones."""
    path.write_text(json.dumps(words, ensure_ascii=False, default=_plain), encoding="utf-8")


def read_words(path: Path) -> Any:
    """Read what `write_words` wrote."""
    return json.loads(path.read_text(encoding="utf-8"))


def digest(*parts: Any) -> str:
    """Hash values, arrays and tables into one key.

    Parameters
    ----------
    *parts
        Plain values, NumPy arrays, DataFrames, GeoDataFrames (geometry by its WKB), or lists, tuples and
        dicts of them; other objects by their text.

    Returns
    -------
    str
        SHA-256, hexadecimal.

    Examples
    --------
    >>> digest(1, "a", np.arange(3)) == digest(1, "a", np.arange(3))
    True
    >>> digest(1.0) == digest(np.float64(1.0)), digest("ab", "c") == digest("a", "bc")
    (True, False)
    """
    running = hashlib.sha256()
    for part in parts:
        _feed(running, part)
    return running.hexdigest()


def hash_of(path: Path) -> str:
    """SHA-256 of a file, empty if it is not there."""
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except FileNotFoundError:
        return ""


@cache
def code_of(*names: str) -> str:
    """Hash the source of packages or modules of vinemap, and the versions of the numeric libraries.

    Parameters
    ----------
    *names : str
        As in the folder `vinemap`: "harvest", "tables.py".

    Returns
    -------
    str
        SHA-256, hexadecimal.
    """
    running = hashlib.sha256()
    for name in sorted(names):
        root = _PACKAGE / name
        for file in sorted(root.rglob("*.py")) if root.is_dir() else [root]:
            running.update(file.relative_to(_PACKAGE).as_posix().encode())
            running.update(file.read_bytes())
    running.update(repr([(name, metadata.version(name)) for name in _NUMERICS]).encode())
    return running.hexdigest()


def _feed(running: Any, part: Any) -> None:
    if isinstance(part, pd.DataFrame):
        _feed(running, list(part.columns))
        for name in part.columns:
            _feed(running, part[name])
    elif isinstance(part, pd.Series):
        _feed_column(running, part)
    elif isinstance(part, np.ndarray):
        running.update(f"array{part.shape}{part.dtype}".encode())
        running.update(np.ascontiguousarray(part).tobytes())
    elif isinstance(part, dict):
        _feed(running, [(key, part[key]) for key in sorted(part, key=str)])
    elif isinstance(part, list | tuple):
        running.update(f"list{len(part)}".encode())
        for one in part:
            _feed(running, one)
    else:
        text = repr(_plain(part)).encode()
        running.update(f"value{len(text)}:".encode() + text)


def _feed_column(running: Any, column: pd.Series) -> None:
    if str(column.dtype) == "geometry":
        texts = [b"" if one is None else one for one in shapely.to_wkb(column.to_numpy())]
        _feed(running, np.array([len(one) for one in texts]))
        running.update(b"".join(texts))
    else:
        _feed(running, pd.util.hash_pandas_object(column, index=False).to_numpy())


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    return value if isinstance(value, str | int | float | bool | None) else str(value)
