"""Fitting an import to what is known: blocks and rows updated, blocks told by name, lines known left out.

Nothing is ever deleted in silence.
"""

from __future__ import annotations

import difflib
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.errors import DataError
from vinemap.tables import BLOCKS, ROWS, check_table
from vinemap.taken import Intake, refused_table

_ATTRIBUTES = tuple(name for name in BLOCKS.names if name != "block_id")
# Outlines closer than this [degrees, about a centimetre] are the same.
_SAME_DEG = 1e-7
# What makes two lines speak of the same thing: a spreadsheet is often exported again with more lines in it.
_KEYS = {
    "loads": ["vintage", "load_id", "block_id"],
    "counts": ["vintage", "block_id", "row_no", "from_vine", "to_vine", "easting", "northing"],
    "renewals": ["block_id", "from_row", "to_row", "method", "year"],
}

# Things of one place that may come in files of their own: widths after pruning, vines counted in summer.
_MEASURED_APART = {
    "counts": (
        "missing", "symptomatic", "dead_arm", "replanted", "picked_kg", "pruning_kg", "box_width_m",
    ),
}  # fmt: skip


def fold_blocks(old: gpd.GeoDataFrame, new: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Update and add blocks.

    Parameters
    ----------
    old, new : geopandas.GeoDataFrame
        Blocks known, blocks of the import; neither is altered.

    Returns
    -------
    blocks : geopandas.GeoDataFrame
        Attributes that the import leaves empty keep their old values.
    notes : list of str
    """
    if not len(old):
        return check_table(new, BLOCKS), []
    before, fresh = old.set_index("block_id"), new.set_index("block_id")
    both = [one for one in fresh.index if one in before.index]
    notes = _update_notes(before, fresh, both)
    merged = fresh.copy()
    for name in _ATTRIBUTES:
        given = _given(merged[name])
        merged[name] = merged[name].where(given, before[name].reindex(merged.index))
    kept = before[~before.index.isin(fresh.index)]
    if len(kept) and len(both):
        notes.append(f"{len(kept)} blocks that the file does not hold were kept as they are.")
    out = gpd.GeoDataFrame(pd.concat([kept, merged]), geometry="geometry", crs=new.crs)
    order = {one: place for place, one in enumerate([*before.index, *fresh.index][::-1])}
    out = out.reset_index()
    out = out.iloc[np.argsort([-order[one] for one in out["block_id"]], kind="stable")]
    return check_table(out.reset_index(drop=True), BLOCKS), notes


def _given(values: pd.Series) -> pd.Series:
    return values.notna() & (values.astype(object) != "")


def _update_notes(before: gpd.GeoDataFrame, fresh: gpd.GeoDataFrame, both: list[str]) -> list[str]:
    """Say what changes in each block known already."""
    notes = []
    for block in both:
        changes = []
        if not before.geometry[block].equals_exact(fresh.geometry[block], _SAME_DEG):
            changes.append("outline")
        for name in _ATTRIBUTES:
            was, now = before.at[block, name], fresh.at[block, name]
            if _given(pd.Series([now])).all() and not _same(was, now):
                changes.append(f"{name} {'' if pd.isna(was) else was} -> {now}")
        if changes:
            notes.append(
                f"Block {block} was updated: {'; '.join(changes)}. Readings stored stay with their block."
            )
    return notes


def _same(was: Any, now: Any) -> bool:
    if pd.isna(was):
        return False
    return bool(was == now)


def fold_rows(
    old: gpd.GeoDataFrame, new: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Replace the rows of every block that the import holds; count vines by spacing where not given.

    Parameters
    ----------
    old, new : geopandas.GeoDataFrame
    blocks : geopandas.GeoDataFrame
        For the vine spacing [m].

    Returns
    -------
    rows : geopandas.GeoDataFrame
    notes : list of str
    """
    notes = unknown_blocks(new, blocks)
    spacing = new["block_id"].map(blocks.set_index("block_id")["vine_spacing_m"]).astype("float64")
    fresh = new.copy()
    counted = pd.Series(np.floor(fresh["length_m"] / spacing + 0.5), index=fresh.index).astype("Int64")
    fresh["vines"] = fresh["vines"].fillna(counted)
    replaced = sorted(set(old["block_id"]) & set(fresh["block_id"]))
    if replaced:
        notes.append(f"Rows of block {', '.join(replaced[:8])} were replaced.")
    kept = old[~old["block_id"].isin(fresh["block_id"])]
    merged = (
        gpd.GeoDataFrame(pd.concat([kept, fresh], ignore_index=True), crs=new.crs) if len(kept) else fresh
    )
    return check_table(merged.sort_values(["block_id", "row_no"], ignore_index=True), ROWS), notes


def use_block_ids(taken: Intake, blocks: gpd.GeoDataFrame) -> tuple[Intake, list[str]]:
    """Put the id of a block where a file has its name, or another letter case of its id.

    Parameters
    ----------
    taken : Intake
        ``block_id`` may hold several, parted by ";".
    blocks : geopandas.GeoDataFrame
        Blocks of the estate; a name that several bear tells nothing.

    Returns
    -------
    taken : Intake
    notes : list of str
    """
    known = set(blocks["block_id"])
    names = blocks["name"].astype(str).str.strip().str.casefold()
    single = ~names.duplicated(keep=False)
    ids = dict(zip(names[single], blocks.loc[single, "block_id"], strict=True))
    ids |= {str(one).casefold(): one for one in known}
    seen = {one.strip() for text in taken.table["block_id"].astype(str).unique() for one in text.split(";")}
    meant = {one: ids[one.casefold()] for one in sorted(seen - known) if one.casefold() in ids}
    if not meant:
        return taken, []
    table = taken.table.assign(
        block_id=[
            ";".join(meant.get(one.strip(), one.strip()) for one in str(text).split(";"))
            for text in taken.table["block_id"]
        ]
    )
    listed = ", ".join(f"{name!r} is {one!r}" for name, one in list(meant.items())[:8])
    return replace(taken, tidy=table), [f"Blocks were told by their names: {listed}."]


def unknown_blocks(table: pd.DataFrame, blocks: gpd.GeoDataFrame) -> list[str]:
    """Note on block names that the estate does not know (yet)."""
    known = list(blocks["block_id"])
    named = table["block_id"].astype(str).str.split(";").explode().str.strip()
    odd = [one for one in named.unique() if one and one not in set(known)]
    notes = []
    for one in odd[:8]:
        near = difflib.get_close_matches(one, known, n=1, cutoff=0.6)
        hint = f" Did the file mean {near[0]!r}?" if near else ""
        notes.append(
            f"Block {one!r} is not among the blocks of the estate; its rows are stored but not used.{hint}"
        )
    return notes


def drop_stored(taken: Intake, stored: pd.DataFrame) -> Intake:
    """Leave out lines that are stored already, each with its reason.

    Parameters
    ----------
    taken : Intake
        Loads, counts or renewals.
    stored : pandas.DataFrame
        What the estate holds of the kind.

    Returns
    -------
    Intake
        Without them; ``refused`` has them, those with other values than the stored ones under another reason.

    Raises
    ------
    DataError
        If nothing is left.
    """
    keys = _KEYS[taken.kind]
    values = [name for name in taken.table.columns if name not in (*keys, "import_id")]
    before: dict[tuple[str, ...], list[tuple[str, ...]]] = {}
    for row, rest in _pairs(stored, keys, values):
        before.setdefault(_line(row), []).append(_line(rest))
    told = [name in _MEASURED_APART.get(taken.kind, values) for name in values]
    same, other = [], []
    for row, rest in _pairs(taken.table, keys, values):
        known, line = before.get(_line(row), []), _line(rest)
        same.append(line in known)
        other.append(line not in known and any(_clash(line, one, told) for one in known))
    if not any(same) and not any(other):
        return taken
    reasons = np.where(
        same,
        "is stored already",
        np.where(other, "is stored already with other values; undo that import first", ""),
    )
    left = ~(np.array(same) | np.array(other))
    if not left.any():
        raise DataError(
            f"All {len(left)} lines are stored already.",
            where=taken.file,
            remedy="Nothing to do; see vinemap status.",
        )
    shown = [_shown(row, keys) for row, _ in _pairs(taken.table[~left], keys, [])]
    gone = refused_table(np.zeros((~left).sum()), reasons[~left], shown)
    refused = pd.concat([taken.refused, gone], ignore_index=True) if len(taken.refused) else gone
    return replace(taken, tidy=taken.table[left].reset_index(drop=True), refused=refused)


def _clash(line: tuple[str, ...], known: tuple[str, ...], told: list[bool]) -> bool:
    """Whether two lines tell the same thing; widths may be measured where vines were counted before."""
    return len(line) != len(known) or any(
        one and two for one, two, counts in zip(line, known, told, strict=True) if counts
    )


def _shown(row: list[Any], keys: list[str]) -> str:
    """Say which line is meant, by what makes it that line.

    Examples
    --------
    >>> _shown([2024, "A1", 3, pd.NA], ["vintage", "block_id", "row_no", "from_vine"])
    'vintage 2024, block_id A1, row_no 3'
    """
    return ", ".join(f"{key} {one}" for key, one in zip(keys, _line(row), strict=True) if one)


def _pairs(table: pd.DataFrame, keys: list[str], values: list[str]) -> list[tuple[Any, Any]]:
    have = [name for name in values if name in table.columns]
    rows = table[keys].astype(object).to_numpy().tolist()
    rest = table[have].astype(object).to_numpy().tolist()
    return list(zip(rows, rest, strict=True))


def _line(cells: list[Any]) -> tuple[str, ...]:
    return tuple(
        "" if pd.isna(one) else f"{one:.6g}" if isinstance(one, float) else str(one) for one in cells
    )
