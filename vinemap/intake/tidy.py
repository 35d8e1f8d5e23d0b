"""From a raw table to the tidy one of its kind, in one go or in parts."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from vinemap.errors import IntakeError
from vinemap.intake.convert import convert_fields
from vinemap.intake.counts import tidy_counts
from vinemap.intake.draft import Draft
from vinemap.intake.fields import FIELDS
from vinemap.intake.harvest import tidy_harvest
from vinemap.intake.land import tidy_blocks, tidy_rows
from vinemap.intake.parting import part_cells
from vinemap.intake.raw import RawTable, short_cells
from vinemap.intake.recall import recall_columns, settle_units, to_remember
from vinemap.intake.recognise import doubtful_notes, recognise_columns
from vinemap.intake.records import tidy_loads, tidy_renewals
from vinemap.taken import Guess, Intake, Refusals, Remembered

_TIDY: dict[str, Callable[[Draft], pd.DataFrame]] = {
    "harvest": tidy_harvest,
    "blocks": tidy_blocks,
    "rows": tidy_rows,
    "loads": tidy_loads,
    "counts": tidy_counts,
    "renewals": tidy_renewals,
}


@dataclass(frozen=True, slots=True)
class Asked:
    """What the caller says about a file.

    Attributes
    ----------
    vintage, crs, columns, units, timezone, remembered
        As the arguments of `vinemap.intake.read_source`.
    """

    vintage: int | None = None
    crs: str | int | None = None
    columns: Mapping[str, str] | None = None
    units: Mapping[str, str] | None = None
    timezone: str = ""
    remembered: Sequence[Remembered] = ()


@dataclass(slots=True)
class Flow:
    """What the parts of one long file share: understood once, then held to.

    Attributes
    ----------
    guesses : list of Guess or None
        None before the first part.
    details : dict
    decided : dict
        Decisions of the conversion, by what they are about.
    notes : list of str
        Notes on how the columns were understood, given with the first part.
    kept : int
        Rows kept so far.
    """

    guesses: list[Guess] | None = None
    details: dict[str, Any] = field(default_factory=dict)
    decided: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    kept: int = 0


def tidy_raw(
    raw: RawTable,
    kind: str,
    asked: Asked,
    *,
    where: str,
    sha256: str,
    path: Path | None = None,
    flow: Flow | None = None,
) -> Intake:
    """Make the tidy table of a raw one.

    Parameters
    ----------
    raw : RawTable
    kind : str
    asked : Asked
    where : str
        File name.
    sha256 : str
    path : pathlib.Path, optional
    flow : Flow, optional
        Where `raw` is a part of a long file: carried from part to part, filled here. A part may then have no
        row that is kept.

    Returns
    -------
    Intake

    Raises
    ------
    IntakeError
        If it cannot be read as asked, or nothing is left of it.
    """
    shared = flow or Flow()
    if not len(raw.frame) and flow is None:
        raise nothing_left(raw.refused, where)
    raw = part_cells(replace(raw, frame=short_cells(raw.frame)), kind, shared.decided)
    _understand(raw, kind, asked, where, shared)
    draft = Draft(
        where,
        kind,
        raw,
        shared.guesses or [],
        Refusals(len(raw.frame)),
        asked.vintage or 0,
        None if asked.crs is None else str(asked.crs),
        asked.timezone,
        notes=[*raw.notes, *shared.notes],
        decided=shared.decided,
    )
    shared.notes = []
    convert_fields(draft, FIELDS[kind])
    table = _TIDY[kind](draft)
    kept = draft.refusals.kept
    refused = _refused(raw, draft)
    shared.kept += int(kept.sum())
    if not kept.any() and flow is None:
        raise nothing_left(refused, where, raw)
    return Intake(
        _keep(table, kept),
        refused,
        draft.guesses,
        draft.notes,
        raw.rows_read,
        raw.format,
        kind,
        where,
        sha256,
        draft.vintage,
        path,
        shared.details,
    )


def _understand(raw: RawTable, kind: str, asked: Asked, where: str, shared: Flow) -> None:
    """Recognise the columns, once for all parts."""
    if shared.guesses is not None:
        return
    said = recall_columns(raw, kind, asked.columns, asked.units, asked.remembered)
    guesses = recognise_columns(raw, FIELDS[kind], columns=said.columns, units=said.units, where=where)
    shared.guesses = settle_units(guesses, said)
    shared.notes = [*([said.note] if said.note else []), *doubtful_notes(shared.guesses)]
    headers = [str(one) for one in raw.frame.columns]
    remember = to_remember(kind, headers, said, shared.guesses)
    shared.details = {**raw.details, "headers": headers, "remember": remember}


def _refused(raw: RawTable, draft: Draft) -> pd.DataFrame:
    parts = [one for one in (raw.refused, draft.refusals.table(raw.source_row)) if len(one)]
    if not parts:
        return raw.refused
    return pd.concat(parts, ignore_index=True).sort_values("source_row", ignore_index=True)


def _keep(table: pd.DataFrame, kept: Any) -> pd.DataFrame:
    if kept.all():
        return table
    out: pd.DataFrame = table[kept].reset_index(drop=True)
    return gpd.GeoDataFrame(out) if isinstance(table, gpd.GeoDataFrame) else out


def nothing_left(refused: pd.DataFrame, where: str, raw: RawTable | None = None) -> IntakeError:
    """Refuse a file of which no row can be used, with the first reason."""
    if not len(refused):
        return IntakeError("It holds no rows.", where=where, remedy="Export it again with its rows.")
    first = refused.iloc[0]
    seen = f" ({first['value']!r})" if first["value"] else ""
    return IntakeError(
        f"No row can be used; row {first['source_row']}: {first['reason']}{seen}.",
        where=where,
        remedy=raw.details["remedy"]
        if raw is not None and "remedy" in raw.details
        else "See vinemap preview; name columns and units with --column and --unit.",
    )
