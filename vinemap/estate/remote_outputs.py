"""Outputs sent back to an estate on storage: run.json last, nobody's work written over.

Storage has no renames, so outputs under way cannot be told from whole ones but by this: while they are sent
there is no run.json there, and ``.sent.json`` says which of the files are of vinemap and what the storage
called each of them when it had arrived.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from vinemap.errors import StoreError
from vinemap.estate import layout
from vinemap.estate.ledger import LEDGER_FILE
from vinemap.estate.remote_files import list_files, name_some, need_estate, open_storage, shown, telling

SENT = ".sent.json"
RUN = "run.json"


def send_outputs(folder: Path, url: str, *, vintage: int) -> list[str]:
    """Copy the outputs of a vintage to an estate on storage; run.json comes last, when all others are there.

    Files that an earlier sending brought and that are no longer among the outputs are removed there; what
    others put beside them stays.

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
        If there is no estate there or another one than here, the vintage was not assessed, somebody changed
        an output there since it was sent, or the storage refuses or breaks off. Outputs that were under way
        are then without run.json until they are sent again.
    """
    storage, root = open_storage(url)
    need_estate(storage, root, url)
    made = folder / layout.OUT / str(vintage)
    run = _read_run(made, folder, vintage)
    files = {one.relative_to(made).as_posix(): one for one in made.rglob("*") if one.is_file()}
    del files[RUN]
    part = f"{layout.OUT}/{vintage}"
    target, where = f"{root}/{part}", f"{shown(url)}/{part}"
    with telling(url):
        _refuse_other_estate(storage, root, folder, url)
        stale = _clear_way(storage, target, files, where)
        for name, file in sorted(files.items()):
            storage.makedirs(f"{target}/{name}".rsplit("/", 1)[0], exist_ok=True)
            storage.put_file(str(file), f"{target}/{name}")
        for name in stale:
            storage.rm_file(f"{target}/{name}")
        if not (made / RUN).exists() or (made / RUN).read_bytes() != run:
            raise _assessed_meanwhile(folder)
        _finish(storage, target, files, run, where)
    return [f"{part}/{name}" for name in (*sorted(files), RUN)]


def _read_run(made: Path, folder: Path, vintage: int) -> bytes:
    if not (made / RUN).exists():
        raise StoreError(
            f"Vintage {vintage} was not assessed." if vintage else "Nothing was assessed yet.",
            where=str(folder),
            remedy="Run vinemap assess first.",
        )
    return (made / RUN).read_bytes()


def _assessed_meanwhile(folder: Path) -> StoreError:
    return StoreError(
        "The outputs here were made anew while they were sent.", where=str(folder), remedy="Send them again."
    )


def _refuse_other_estate(storage: Any, root: str, folder: Path, url: str) -> None:
    """Keep outputs from taking the place of those of another estate, or of other imports."""
    here, there = folder / LEDGER_FILE, f"{root}/{LEDGER_FILE}"
    own = here.read_bytes() if here.exists() else b""
    storage.invalidate_cache()
    try:
        if storage.cat_file(there) == own:
            return
    except FileNotFoundError:
        if not own:
            return
    raise StoreError(
        "The estate there has other imports than the one here, so these are not its outputs.",
        where=shown(url),
        remedy="Check the address. If files were added there, fetch, assess and send again; if they were "
        "added here, copy the estate there first.",
    )


def _clear_way(storage: Any, target: str, files: Collection[str], where: str) -> list[str]:
    """Look that nobody's work is written over, then mark the outputs there as under way.

    Gives the outputs sent earlier that are there no longer to stay.
    """
    there = list_files(storage, target)
    sent = _read_sent(storage, target) if SENT in there else None
    ours = {*files, *(sent or {})} & set(there)
    if sent is not None:
        changed = [name for name in ours if sent.get(name, "other") not in (None, there[name].mark)]
        if changed:
            raise StoreError(
                f"Changed there since the last sending: {name_some(changed)}.",
                where=where,
                remedy="Nothing was sent. Copy elsewhere what is wanted of it, delete it there and send "
                "again.",
            )
    storage.makedirs(target, exist_ok=True)
    _write_sent(storage, target, dict.fromkeys({*files, *ours}))
    if RUN in there:
        storage.rm_file(f"{target}/{RUN}")
    return sorted(ours - set(files)) if sent is not None else []


def _read_sent(storage: Any, target: str) -> dict[str, str | None]:
    """Give the marks of the outputs as they were when they were sent; None for those under way."""
    try:
        return dict(json.loads(storage.cat_file(f"{target}/{SENT}"))["files"])
    except (ValueError, KeyError, TypeError):
        return {}


def _write_sent(storage: Any, target: str, marks: Mapping[str, str | None]) -> None:
    storage.pipe_file(f"{target}/{SENT}", json.dumps({"files": dict(sorted(marks.items()))}).encode())


def _finish(storage: Any, target: str, files: Mapping[str, Path], run: bytes, where: str) -> None:
    """Look that all has arrived, then say so."""
    there = list_files(storage, target)
    for name, file in files.items():
        arrived, size = there.get(name), file.stat().st_size
        if arrived is None or arrived.size not in (None, size):
            came = "is not there" if arrived is None else f"has {arrived.size:,} bytes there"
            raise StoreError(f"{name} has {size:,} bytes here but {came}.", where=where, remedy="Send again.")
    _write_sent(storage, target, {name: there[name].mark for name in files})
    storage.pipe_file(f"{target}/{RUN}", run)
