"""Tell whether anything that an assessment was measured from has changed since."""

from __future__ import annotations

from collections.abc import Sequence

from vinemap.estate import EstateStore, layout
from vinemap.pipeline.cache import code_of, digest, hash_of

# Sections of estate.toml that only advice and outputs read; they are made anew in any case.
LATER_SECTIONS = frozenset({"estate", "money", "prices", "decision", "methods", "programme", "outputs"})
DATA_FILES = (layout.BLOCKS_FILE, layout.ROWS_FILE, layout.RENEWALS_FILE, layout.CRS_FILE)
DATA_FOLDERS = (layout.HARVEST, layout.LOADS, layout.COUNTS, layout.IMPORTS, layout.IMAGERY)


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


def _hash_data(store: EstateStore) -> list[tuple[str, str]]:
    files = [store.folder / name for name in DATA_FILES]
    for name in DATA_FOLDERS:
        files += sorted(one for one in (store.folder / name).rglob("*") if one.is_file())
    return [(one.relative_to(store.folder).as_posix(), hash_of(one)) for one in files]
