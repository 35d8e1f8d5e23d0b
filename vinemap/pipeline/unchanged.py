"""Tell whether anything that an assessment was measured from, or written from, has changed since."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from vinemap.estate import EstateStore, layout
from vinemap.estate.atomic import write_text_whole
from vinemap.pipeline.assessment import TOLD, Assessment, Parts
from vinemap.pipeline.cache import code_of, digest, hash_of, is_whole, seal
from vinemap.pipeline.out_folder import KEPT, SURFACES, list_assessed

# Sections of estate.toml that only advice and outputs read; they are made anew where one has changed.
LATER_SECTIONS = frozenset({"estate", "money", "prices", "decision", "methods", "programme", "outputs"})
DATA_FILES = (layout.BLOCKS_FILE, layout.ROWS_FILE, layout.RENEWALS_FILE, layout.CRS_FILE)
DATA_FOLDERS = (layout.HARVEST, layout.LOADS, layout.COUNTS, layout.IMPORTS, layout.IMAGERY)
INPUTS = "inputs.sha256"  # hash of what was measured
WRITTEN = "written.json"  # hash of all that the outputs follow from, and their files with their sizes


def digest_inputs(store: EstateStore, *, vintage: int | None, blocks: Sequence[str] | None) -> str:
    """Hash everything that the measures of an assessment follow from.

    Parameters
    ----------
    store : EstateStore
    vintage : int, optional
        As asked for.
    blocks : sequence of str, optional
        As asked for.

    Returns
    -------
    str
        SHA-256, hexadecimal: of the stored data, the settings that measuring reads, what was asked for, and
        the code of vinemap.
    """
    settings = store.settings.model_dump(exclude=set(LATER_SECTIONS))
    return digest(
        code_of("."),
        settings,
        store.crs().to_wkt(),
        store.settings.money.trellis_life_years,  # the forecast goes on to the end of the trellis
        vintage,
        sorted(blocks or ()),
        _hash_data(store),
    )


def find_measured(out: Path, key: str) -> int | None:
    """Vintage whose assessment was measured from the inputs with this hash, if there is one.

    Parameters
    ----------
    out : pathlib.Path
        Folder of all outputs.
    key : str
        As `digest_inputs` gives it.

    Returns
    -------
    int or None
    """
    for vintage in reversed(list_assessed(out)):
        folder = out / str(vintage)
        if stands_whole(folder) and (folder / KEPT / INPUTS).read_text(encoding="utf-8") == key:
            return vintage
    return None


def is_measured(store: EstateStore, *, vintage: int | None, blocks: Sequence[str] | None) -> bool:
    """Whether what an assessment would measure stands already, so that no workers are needed for it.

    Parameters
    ----------
    store : EstateStore
    vintage : int, optional
        As asked for.
    blocks : sequence of str, optional
        As asked for.
    """
    out = store.folder / layout.OUT
    assessed = bool(list_assessed(out))
    return assessed and find_measured(out, digest_inputs(store, vintage=vintage, blocks=blocks)) is not None


def stands_whole(folder: Path) -> bool:
    """Whether nothing is missing of what an assessment measured, and of its surfaces.

    Parameters
    ----------
    folder : pathlib.Path
        out/<vintage>/.
    """
    return is_whole(folder / KEPT) and is_whole(folder / SURFACES)


def note_measured(folder: Path, key: str) -> None:
    """Note from which inputs was measured what lies in a folder, and that it is all there.

    Parameters
    ----------
    folder : pathlib.Path
        What will stand as out/<vintage>/.
    key : str
        Hash of the inputs; empty if they changed meanwhile.
    """
    write_text_whole(folder / KEPT / INPUTS, key)
    (folder / SURFACES).mkdir(exist_ok=True)  # blocks that were only weighed have none
    seal(folder / SURFACES)
    seal(folder / KEPT)


def note_written(folder: Path, store: EstateStore, key: str, told: dict[str, Any]) -> None:
    """Note what the outputs in `folder` were written from and what was told of them.

    Parameters
    ----------
    folder : pathlib.Path
        out/<vintage>/ or what will stand there.
    store : EstateStore
    key : str
        Hash of the inputs; empty after a plan under limits of its own, which an assessment overwrites.
    told : dict
    """
    write_text_whole(folder / KEPT / TOLD, json.dumps(told, ensure_ascii=False))
    words = {"from": _digest_all(store, key) if key else "", "files": _sizes(folder)}
    write_text_whole(folder / KEPT / WRITTEN, json.dumps(words, ensure_ascii=False))


def find_written(folder: Path, store: EstateStore, key: str) -> dict[str, Any] | None:
    """Give what was told of outputs that stand as they would be written now, if they do.

    Parameters
    ----------
    folder : pathlib.Path
        out/<vintage>/.
    store : EstateStore
    key : str
        As `digest_inputs` gives it.

    Returns
    -------
    dict or None
    """
    try:
        words = json.loads((folder / KEPT / WRITTEN).read_text(encoding="utf-8"))
        told: dict[str, Any] = json.loads((folder / KEPT / TOLD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    same = words["from"] == _digest_all(store, key) and words["files"] == _sizes(folder)
    return told if same else None


def find_unchanged(
    store: EstateStore, *, vintage: int | None = None, blocks: Sequence[str] | None = None
) -> Assessment | None:
    """Give the assessment that stands, if nothing it follows from has changed and its files are all there.

    Parameters
    ----------
    store : EstateStore
    vintage : int, optional
        As asked for.
    blocks : sequence of str, optional
        As asked for.

    Returns
    -------
    Assessment or None
        Its tables are worked out again only when they are looked at.
    """
    out = store.folder / layout.OUT
    if not list_assessed(out):
        return None
    key = digest_inputs(store, vintage=vintage, blocks=blocks)
    measured = find_measured(out, key)
    told = find_written(out / str(measured), store, key) if measured is not None else None
    if told is None:
        return None
    folder = out / str(measured)
    return Assessment(folder, told, lambda: _work_out(store, folder))


def _work_out(store: EstateStore, folder: Path) -> Parts:
    from vinemap.pipeline.result import work_out

    return work_out(store, folder)


def _digest_all(store: EstateStore, key: str) -> str:
    return digest(key, store.settings.model_dump(), hash_of(store.folder / "ledger.parquet"))


def _sizes(folder: Path) -> dict[str, int]:
    """Every file that goes out, with its size [bytes]."""
    files = (one for one in sorted(folder.rglob("*")) if one.is_file())
    sizes = {one.relative_to(folder).as_posix(): one.stat().st_size for one in files}
    return {name: size for name, size in sizes.items() if not name.startswith(f"{KEPT}/")}


def _hash_data(store: EstateStore) -> list[tuple[str, str]]:
    files = [store.folder / name for name in DATA_FILES]
    for name in DATA_FOLDERS:
        files += sorted(one for one in (store.folder / name).rglob("*") if one.is_file())
    hashes = [(one.relative_to(store.folder).as_posix(), hash_of(one)) for one in files]
    reference = store.reference_path()
    if reference is not None and reference.is_file():
        hashes.append((layout.REFERENCE_FILE, hash_of(reference)))
    return hashes
