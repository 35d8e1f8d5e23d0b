"""An estate on object storage or another machine: fetched to work on, its outputs sent back (fsspec).

Object storage has neither locks nor renames, on which a store rests that is whole or not at all. So nothing
is added to an estate there: one folder, on a disk, is the one that files are added to; its copy on storage is
for others to fetch, assess and plan, and for them to send outputs to.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from vinemap.errors import StoreError
from vinemap.estate import layout
from vinemap.estate.atomic import LOCK_NAME, write_text_whole
from vinemap.estate.checks import verify_store

FETCHED = ".fetched.json"  # what the storage called each file that lies here
CACHE = "cache"
LEFT_BEHIND = (layout.OUT, CACHE, LOCK_NAME, FETCHED)


def fetch_estate(url: str, folder: Path) -> list[str]:
    """Copy an estate from storage to a folder on this machine, only what has changed since the last time.

    Parameters
    ----------
    url : str
        As fsspec takes it, e.g. ``s3://bucket/estate`` or ``sftp://host/estate``; the package that it needs
        (s3fs, paramiko, ...) must be installed.
    folder : pathlib.Path
        Made if it is not there. Files that are no longer on the storage are removed here.

    Returns
    -------
    list of str
        Files copied, relative to the estate.

    Raises
    ------
    StoreError
        If there is no estate, the folder holds one that was not fetched, or what came is not whole since
        somebody was writing to it meanwhile.
    """
    storage, root = _open(url)
    there = _list(storage, root)
    if layout.FORMAT_FILE not in there:
        raise StoreError("There is no estate there.", where=url, remedy="Check the address.")
    note = folder / FETCHED
    if not note.exists() and folder.exists() and any(folder.iterdir()):
        raise StoreError(
            "The folder holds something that was not fetched.", where=str(folder), remedy="Name a new folder."
        )
    known = json.loads(note.read_text(encoding="utf-8")) if note.exists() else {}
    copied = [name for name, mark in there.items() if known.get(name) != mark or not (folder / name).exists()]
    folder.mkdir(parents=True, exist_ok=True)
    write_text_whole(note, json.dumps({name: known[name] for name in known if name not in copied}))
    for name in copied:
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        storage.get_file(f"{root}/{name}", str(target))
    for name in set(known) - set(there):
        (folder / name).unlink(missing_ok=True)
    write_text_whole(note, json.dumps(there))
    problems = verify_store(folder)
    if problems:
        raise StoreError(
            f"What came is not whole: {problems[0]}",
            where=url,
            remedy="Fetch again when nobody writes to it.",
        )
    return copied


def send_outputs(folder: Path, url: str, *, vintage: int) -> list[str]:
    """Copy the outputs of a vintage to an estate on storage; run.json comes last, when all others are there.

    Parameters
    ----------
    folder : pathlib.Path
        Estate folder.
    url : str
        As in `fetch_estate`.
    vintage : int

    Returns
    -------
    list of str
        Files copied, relative to the estate.

    Raises
    ------
    StoreError
        If there is no estate there, or the vintage was not assessed.
    """
    storage, root = _open(url)
    if not storage.exists(f"{root}/{layout.FORMAT_FILE}"):
        raise StoreError("There is no estate there.", where=url, remedy="Check the address.")
    made = folder / layout.OUT / str(vintage)
    if not (made / "run.json").exists():
        raise StoreError(
            f"Vintage {vintage} was not assessed.", where=str(folder), remedy="Run vinemap assess first."
        )
    files = sorted(one for one in made.rglob("*") if one.is_file())
    files.sort(key=lambda one: one.name == "run.json")
    names = [one.relative_to(folder).as_posix() for one in files]
    for name, file in zip(names, files, strict=True):
        storage.makedirs(f"{root}/{name}".rsplit("/", 1)[0], exist_ok=True)
        storage.put_file(str(file), f"{root}/{name}")
    return names


def _open(url: str) -> tuple[Any, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise StoreError(
            "fsspec is not installed.", where=url, remedy="Install it with: pip install 'vinemap[cluster]'."
        ) from error
    try:
        storage, root = url_to_fs(url)
    except (ImportError, ValueError) as error:
        raise StoreError(
            f"This address cannot be used: {error}", where=url, remedy="Install what it names."
        ) from error
    return storage, str(root).rstrip("/")


def _list(storage: Any, root: str) -> dict[str, str]:
    """Every file of an estate on storage with what the storage says of its content."""
    storage.invalidate_cache()
    found = (one.removeprefix(root).lstrip("/") for one in storage.find(root))
    kept = sorted(one for one in found if one.split("/")[0] not in LEFT_BEHIND)
    return {name: str(storage.ukey(f"{root}/{name}")) for name in kept}
