"""An estate on object storage or another machine: fetched to work on, its outputs sent back (fsspec).

Object storage has neither locks nor renames, on which a store rests that is whole or not at all. So nothing
is added to an estate there: one folder, on a disk, is the one that files are added to; its copy on storage is
for others to fetch, assess and plan, and for them to send outputs to.

What is fetched comes into ``.fetching`` first and takes its place in the copy here when all of it has come
and is whole, by the same journal as an import. A fetch that is cut off leaves the copy as it was, and the
next one goes on from what has come. How outputs are sent is told in `remote_outputs`.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vinemap.errors import StoreError
from vinemap.estate import layout
from vinemap.estate.atomic import HELD_NAME, LOCK_NAME, locked
from vinemap.estate.checks import verify_store
from vinemap.estate.remote_files import (
    Found,
    list_files,
    name_some,
    need_estate,
    open_storage,
    shown,
    telling,
)
from vinemap.estate.remote_outputs import send_outputs
from vinemap.estate.transaction import STAGING, Transaction, recover

__all__ = ["fetch_estate", "send_outputs"]

FETCHED = ".fetched.json"  # from where, what the storage called each file that lies here, and its hash
FETCHING = ".fetching"
CACHE = "cache"
LEFT_BEHIND = (layout.OUT, CACHE, LOCK_NAME, HELD_NAME, FETCHED, FETCHING)
CUT_OFF = {FETCHING, STAGING, LOCK_NAME, HELD_NAME}  # what a first fetch that was cut off may leave
AT_A_TIME = 4  # files copied at once, where the storage can
Known = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class _Fetch:
    """One fetching: from where to where, what is there, what was here, what comes and what goes."""

    url: str
    folder: Path
    there: Mapping[str, Found]
    known: Known
    wanted: tuple[str, ...]
    gone: tuple[str, ...]

    @property
    def work(self) -> Path:
        return self.folder / FETCHING

    def aside(self, name: str) -> Path:
        """Where a file comes to first; named by its content, so that what has come is known again."""
        file = self.there[name]
        key = json.dumps([name, file.size, file.mark])
        return self.work / hashlib.sha256(key.encode()).hexdigest()


def fetch_estate(url: str, folder: Path) -> list[str]:
    """Copy an estate from storage to a folder on this machine, only what has changed since the last time.

    Parameters
    ----------
    url : str
        As fsspec takes it, e.g. ``s3://bucket/estate`` or ``sftp://host/estate``; the package that it needs
        (s3fs, paramiko, ...) must be installed.
    folder : pathlib.Path
        Made if it is not there. Files that are no longer on the storage are removed here. A file changed
        here stays as long as the one on the storage does.

    Returns
    -------
    list of str
        Files copied, relative to the estate.

    Raises
    ------
    StoreError
        If there is no estate, the storage refuses or breaks off, the folder holds something that was not
        fetched from there, a file was changed both here and there, or what came is not whole since somebody
        was writing to it meanwhile. The folder is then as before.
    """
    storage, root = open_storage(url)
    _read_note(folder, url)
    with telling(url):
        _list_estate(storage, root, url)
    _make(folder / FETCHING)
    with locked(folder / FETCHING):
        with locked(folder):
            recover(folder)  # of a fetch that was cut off as it put its files in place
        known = _read_note(folder, url)
        with telling(url):
            there = _list_estate(storage, root, url)
            wanted = tuple(name for name in there if _is_old(known, name, there[name], folder))
            fetch = _Fetch(url, folder, there, known, wanted, tuple(sorted(set(known) - set(there))))
            _download(storage, fetch)
            if _list_estate(storage, root, url) != there:
                raise _written_to(url)
        if wanted or fetch.gone:
            hashes = {name: _hash(fetch.aside(name)) for name in wanted}
            _refuse_changed(fetch, hashes)
            _refuse_broken(fetch)
            _put_in_place(fetch, hashes)
        else:
            _refuse_broken_here(folder)
    return list(wanted)


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"The folder cannot be made: {error}.",
            where=str(folder),
            remedy="Choose a folder that you may write to.",
        ) from error


def _list_estate(storage: Any, root: str, url: str) -> dict[str, Found]:
    files = list_files(storage, root)
    if layout.FORMAT_FILE not in files:
        need_estate(storage, root, url)  # also says why nothing could be listed
        raise StoreError(
            "An estate is there, but its files are not listed.",
            where=shown(url),
            remedy="Let the storage list its files, or fetch from an address that does.",
        )
    return {name: file for name, file in files.items() if name.split("/")[0] not in LEFT_BEHIND}


def _read_note(folder: Path, url: str) -> Known:
    """Read what was fetched into a folder: nothing if it is new; StoreError if something else lies there."""
    note = folder / FETCHED
    if not note.exists():
        if folder.exists() and (not folder.is_dir() or {one.name for one in folder.iterdir()} - CUT_OFF):
            raise StoreError(
                "The folder holds something that was not fetched.",
                where=str(folder),
                remedy="Name a new folder.",
            )
        return {}
    try:
        kept = json.loads(note.read_text(encoding="utf-8"))
        origin, files = kept["from"], {name: dict(file) for name, file in kept["files"].items()}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreError(
            "The file does not say what was fetched into this folder.",
            where=str(note),
            remedy="Fetch into a new folder; move over to it what was changed in this one.",
        ) from error
    if origin != shown(url):
        raise StoreError(
            f"The folder holds a copy of {origin}, not of {shown(url)}.",
            where=str(folder),
            remedy="Name a new folder.",
        )
    return files


def _is_old(known: Known, name: str, file: Found, folder: Path) -> bool:
    mark = known.get(name, {}).get("mark")
    return mark is None or mark != file.mark or not (folder / name).exists()


def _download(storage: Any, fetch: _Fetch) -> None:
    """Bring the files aside, each whole or not at all; what has come already is kept."""

    def bring(name: str) -> None:
        file, target = fetch.there[name], fetch.aside(name)
        if target.exists() and file.mark is not None:
            return
        part = target.with_suffix(".part")
        storage.get_file(file.path, str(part))
        size = part.stat().st_size
        if file.size not in (None, size):
            raise StoreError(
                f"{name} has {file.size:,} bytes there but {size:,} came.",
                where=shown(fetch.url),
                remedy="Nothing was changed here. Fetch again when nobody writes to it.",
            )
        part.replace(target)

    at_once = AT_A_TIME if getattr(storage, "async_impl", False) else 1
    with ThreadPoolExecutor(at_once) as pool:
        for _ in pool.map(bring, fetch.wanted):
            pass


def _written_to(url: str) -> StoreError:
    return StoreError(
        "Somebody is writing to the estate there.",
        where=shown(url),
        remedy="Nothing was changed here. Fetch again when nobody writes to it.",
    )


def _hash(file: Path) -> str:
    with file.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _refuse_changed(fetch: _Fetch, coming: Mapping[str, str]) -> None:
    """Keep what somebody changed in the copy from being written over or removed."""
    changed = []
    for name in (*coming, *fetch.gone):
        here = fetch.folder / name
        was = fetch.known.get(name, {}).get("sha256")
        if here.exists() and _hash(here) not in (was, coming.get(name)):
            changed.append(name)
    if changed:
        raise StoreError(
            f"Changed here since the last fetch, and on the storage too: {name_some(changed)}.",
            where=str(fetch.folder),
            remedy="Nothing was changed now. Copy elsewhere what is wanted of it, delete it here and fetch "
            "again; or fetch into a new folder.",
        )


def _refuse_broken_here(folder: Path) -> None:
    problems = verify_store(folder)
    if problems:
        raise StoreError(
            f"The copy here is not whole: {problems[0]}",
            where=str(folder),
            remedy="Delete that file here and fetch again, or fetch into a new folder.",
        )


def _refuse_broken(fetch: _Fetch) -> None:
    """Check the estate as it would be before anything of it is put in place."""
    view = fetch.work / "view"
    shutil.rmtree(view, ignore_errors=True)
    own = [name for name in _files_here(fetch.folder) if name not in {*fetch.there, *fetch.gone}]
    for name in (*own, *fetch.there):
        _link(fetch.aside(name) if name in fetch.wanted else fetch.folder / name, view / name)
    problems = verify_store(view)
    shutil.rmtree(view, ignore_errors=True)
    if problems:
        _empty(fetch.work)  # what has come is fetched anew next time
        besides = f" Or move away what lies here and not there: {name_some(own)}." if own else ""
        raise StoreError(
            f"What came is not whole: {problems[0]}",
            where=shown(fetch.url),
            remedy="Nothing was changed here. Fetch again when nobody writes to it; if it stays so, copy "
            f"that file anew to the storage from the folder that it comes from.{besides}",
        )


def _files_here(folder: Path) -> list[str]:
    names = (one.relative_to(folder).as_posix() for one in folder.rglob("*") if one.is_file())
    return [name for name in names if name.split("/")[0] not in (*LEFT_BEHIND, STAGING)]


def _link(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)  # some disks have no second names for a file


def _put_in_place(fetch: _Fetch, hashes: Mapping[str, str]) -> None:
    files = {
        name: {"mark": file.mark, "sha256": hashes.get(name) or fetch.known[name]["sha256"]}
        for name, file in fetch.there.items()
    }
    note = json.dumps({"from": shown(fetch.url), "files": files}, indent=1)
    with locked(fetch.folder):
        change = Transaction(fetch.folder, 0)
        try:
            for name in fetch.wanted:
                change.put(name, _mover(fetch.aside(name)))
            change.put(FETCHED, lambda file: _write(file, note))
            for name in fetch.gone:
                change.remove(name)
            change.commit()
        except BaseException:
            change.abandon()
            raise
    _empty(fetch.work)


def _mover(source: Path) -> Callable[[Path], None]:
    return lambda target: os.replace(source, target)  # noqa: PTH105 - gives nothing back


def _write(file: Path, text: str) -> None:
    file.write_text(text, encoding="utf-8", newline="\n")


def _empty(work: Path) -> None:
    """Delete what has come; the lock of the folder stays."""
    for one in work.iterdir():
        if one.is_file() and one.name != LOCK_NAME:
            one.unlink()
