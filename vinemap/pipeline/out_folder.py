"""The folder `out/`: which vintages were assessed, and how a new assessment takes the place of an old one."""

from __future__ import annotations

import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from vinemap.errors import DISK_FULL, StoreError, VinemapError, is_full
from vinemap.estate.atomic import LOCK_WAIT_S, locked

KEPT = "measured"  # folder inside out/<vintage>/ that lets a plan be made without the readings
SURFACES = "surfaces"  # folder inside out/<vintage>/ of the GeoTIFFs
SWAP_WAIT_S = 600.0  # a plan of a large estate holds the outputs for minutes
ROOM_BYTES = 2**24  # no file that goes out is likely to be larger; common practice, no source
LEFTOVER_S = 24 * 3600.0  # what a killed run left is deleted when no run can still be writing to it


def list_assessed(out: Path) -> list[int]:
    """Vintages with a finished assessment, rising."""
    return sorted(int(one.name) for one in out.glob("[0-9]*") if (one / KEPT / "measured.json").exists())


@contextmanager
def holding_outputs(out: Path, wait_s: float = LOCK_WAIT_S) -> Iterator[None]:
    """Keep other sessions from writing outputs meanwhile; StoreError if one does not end in time."""
    with locked(out, wait_s):
        yield


@contextmanager
def telling_full(folder: Path) -> Iterator[None]:
    """Tell of a full disk whatever the libraries make of it: SQLite and GDAL often name a consequence only.

    Raises
    ------
    StoreError
        If something failed and the folder does not take a file of `ROOM_BYTES` either.
    """
    try:
        yield
    except VinemapError:
        raise
    except Exception as error:
        if is_full(error) or not _has_room(folder):
            raise StoreError(DISK_FULL.what, where=str(folder), remedy=DISK_FULL.remedy) from error
        raise


def _has_room(folder: Path) -> bool:
    probe = folder / f".probe-{secrets.token_hex(6)}"
    try:
        probe.write_bytes(bytes(ROOM_BYTES))
    except OSError as error:
        return not is_full(error)
    finally:
        probe.unlink(missing_ok=True)
    return True


@contextmanager
def staged_folder(out: Path) -> Iterator[Path]:
    """Give a new folder in `out` to fill; it is removed at the end unless it was put in place.

    Yields
    ------
    pathlib.Path
        Not a private temporary folder: others must be able to read what comes out of it.
    """
    out.mkdir(exist_ok=True)
    clear_leftovers(out)
    stage = out / f".new-{secrets.token_hex(6)}"
    stage.mkdir()
    try:
        yield stage
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def put_in_place(stage: Path, final: Path) -> None:
    """Put a filled folder in the place of an older one.

    Parameters
    ----------
    stage, final : pathlib.Path
        Both in the same folder.

    Raises
    ------
    StoreError
        If a program holds files of the old one open, or another session the outputs for too long.
    """
    with holding_outputs(final.parent, SWAP_WAIT_S):
        old = final.with_name(f".old-{final.name}-{secrets.token_hex(6)}")
        try:
            if final.exists():
                final.replace(old)
            stage.replace(final)
        except OSError as error:
            if old.exists() and not final.exists():
                old.replace(final)
            raise StoreError(
                f"The outputs cannot be replaced: {error}.",
                where=str(final),
                remedy="Close the programs that have its files open, then run again.",
            ) from error
        shutil.rmtree(old, ignore_errors=True)


def clear_leftovers(out: Path) -> None:
    """Put back outputs that a killed run had moved aside, and delete what killed runs left a day ago."""
    with holding_outputs(out, SWAP_WAIT_S):
        for old in sorted(out.glob(".old-*")):
            final = out / old.name.split("-")[1]
            if not final.exists():
                old.replace(final)
    now = time.time()
    for one in [*out.glob(".old-*"), *out.glob(".new-*")]:
        if abs(now - _last_used(one)) > LEFTOVER_S:
            shutil.rmtree(one, ignore_errors=True)


def _last_used(folder: Path) -> float:
    """When something was last made in a folder or its own folders [s since 1970]."""
    places = [folder, *(one for one in folder.glob("*") if one.is_dir())]
    return max(one.stat().st_mtime for one in places)
