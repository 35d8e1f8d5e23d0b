"""How a file would be read, without storing anything."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

import pandas as pd

from vinemap.errors import IntakeError
from vinemap.intake.fields import FIELDS
from vinemap.intake.parting import part_cells
from vinemap.intake.raw import RawTable
from vinemap.intake.readers import find_source, first_bytes, read_raw
from vinemap.intake.recognise import recognise_columns
from vinemap.intake.source import open_asked
from vinemap.intake.text_blocks import is_long_text, iterate_text
from vinemap.intake.tidy import Asked
from vinemap.taken import KINDS, Guess, Intake, IntakeStream, Remembered, count_reasons, refused_table

FIRST_ROWS = 8
SHOWN_REFUSED = 20
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


@dataclass(frozen=True, slots=True)
class Preview:
    """How a file would be read.

    Attributes
    ----------
    file, kind, format : str
    encoding, delimiter, crs : str
        "" where the format has none.
    headers : list of str
    unused : list of str
        Headers that no field was found for.
    guesses : list of Guess
    first_rows : pandas.DataFrame
        First rows as they would be stored.
    rows_read, rows_refused : int
    reasons : dict of str to int
        Refusals by reason.
    refused : pandas.DataFrame
        The first refused rows.
    notes : list of str
    problem : str
        Why the file would be refused as a whole, "" if it would not.
    """

    file: str
    kind: str
    format: str
    encoding: str = ""
    delimiter: str = ""
    crs: str = ""
    headers: list[str] = field(default_factory=list)
    unused: list[str] = field(default_factory=list)
    guesses: list[Guess] = field(default_factory=list)
    first_rows: pd.DataFrame = field(default_factory=pd.DataFrame)
    rows_read: int = 0
    rows_refused: int = 0
    reasons: dict[str, int] = field(default_factory=dict)
    refused: pd.DataFrame = field(default_factory=pd.DataFrame)
    notes: list[str] = field(default_factory=list)
    problem: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        told = {one.name: getattr(self, one.name) for one in fields(self)}
        return told | {
            "guesses": [asdict(one) for one in self.guesses],
            "first_rows": _records(self.first_rows),
            "refused": _records(self.refused),
        }


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    plain = pd.DataFrame(frame)
    return [
        {str(key): _plain(value) for key, value in row.items()}
        for row in plain.astype(object).to_dict(orient="records")
    ]


def _plain(value: Any) -> Any:
    if hasattr(value, "wkt"):
        return value.wkt if len(value.wkt) < 120 else value.wkt[:117] + "..."
    if pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    return value.item() if hasattr(value, "item") else value


def preview_source(
    path: Path | str,
    *,
    kind: str | None = None,
    vintage: int | None = None,
    crs: str | int | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    timezone: str = "",
    remembered: Sequence[Remembered] = (),
) -> Preview:
    """Tell how a file would be read.

    Parameters
    ----------
    path : pathlib.Path or str
    kind : str, optional
        None to guess it from the columns.
    vintage, crs, columns, units, timezone, remembered
        As in `read_source`.

    Returns
    -------
    Preview
        With ``problem`` set where the file as a whole would be refused.

    Raises
    ------
    IntakeError
        If the file cannot even be opened.
    """
    file = find_source(path)
    head = first_bytes(file)
    raw = None if head[:4] in _TIFF else _first_raw(file, head, kind or "")
    notes = []
    if kind is None:
        kind, sure = ("imagery", 1.0) if raw is None else guess_kind(raw)
        notes = [f"Taken as {kind} (confidence {sure:.2f}); say otherwise by naming the kind."]
    asked = Asked(vintage, crs, columns, units, timezone, remembered)
    try:
        taken = open_asked(file, kind, asked)
        if isinstance(taken, IntakeStream):
            taken = next(taken.parts)
            notes.append("The file is long: only its first part is shown; all of it is read when added.")
    except IntakeError as error:
        return _show_refused(file.name, kind, raw, notes, asked, str(error))
    return _show(taken, taken.table, notes)


def _first_raw(file: Path, head: bytes, kind: str) -> RawTable:
    return next(iterate_text(file)) if is_long_text(file, head) else read_raw(file, kind)


def _show(taken: Intake, rows: pd.DataFrame, notes: list[str], problem: str = "") -> Preview:
    used = {one.header for one in taken.guesses}
    headers = taken.details.get("headers") or []
    return Preview(
        taken.file,
        taken.kind,
        taken.format,
        taken.details.get("encoding") or "",
        taken.details.get("delimiter") or "",
        taken.details.get("crs") or "",
        headers,
        [one for one in headers if one and one not in used],
        taken.guesses,
        rows.head(FIRST_ROWS),
        taken.rows_read,
        len(taken.refused),
        count_reasons(taken.refused),
        taken.refused.head(SHOWN_REFUSED),
        notes + taken.notes,
        problem,
    )


def _show_refused(
    name: str, kind: str, raw: RawTable | None, notes: list[str], asked: Asked, problem: str
) -> Preview:
    """Show what can be seen of a file that would be refused: its cells, and how they were understood."""
    if raw is None or kind not in FIELDS:
        return Preview(name, kind, "raster", notes=notes, problem=problem)
    raw = part_cells(raw, kind)
    try:
        guesses = recognise_columns(raw, FIELDS[kind], columns=asked.columns, units=asked.units, where=name)
    except IntakeError:
        guesses = []
    details = raw.details | {"headers": [str(one) for one in raw.frame.columns]}
    seen = Intake(
        raw.frame, refused_table(), guesses, raw.notes, raw.rows_read, raw.format, kind, name, details=details
    )
    return _show(seen, raw.frame, notes, problem)


def guess_kind(raw: RawTable) -> tuple[str, float]:
    """Tell which kind of table a file holds.

    Parameters
    ----------
    raw : RawTable

    Returns
    -------
    kind : str
    confidence : float
        0-1.
    """
    shapes = set(raw.geometry.geom_type.dropna()) if raw.geometry is not None else set()
    if shapes and shapes <= {"Polygon", "MultiPolygon"}:
        return "blocks", 0.9
    if shapes and shapes <= {"LineString", "MultiLineString"}:
        return "rows", 0.9
    if shapes:
        return "harvest", 0.8
    scores = {
        kind: _kind_score(raw, kind) for kind in KINDS if kind in FIELDS and kind not in ("blocks", "rows")
    }
    best = max(scores, key=lambda one: scores[one])
    others = [score for kind, score in scores.items() if kind != best]
    return best, round(min(0.95, max(0.3, 0.5 + scores[best] - max(others))), 2)


# Fields that only one kind of file has.
_TELLING = {
    "harvest": {"latitude", "longitude", "speed_m_s", "mass_flow_kg_s", "yield_t_ha", "width_m"},
    "loads": {"gross_kg", "tare_kg", "net_kg", "load_id", "sugar_brix"},
    "counts": {"row_no", "missing", "symptomatic", "dead_arm", "replanted", "picked_kg"},
    "renewals": {"method", "from_row", "to_row", "cost"},
}


def _kind_score(raw: RawTable, kind: str) -> float:
    try:
        parted = part_cells(raw, kind)
        found = {one.field: one.confidence for one in recognise_columns(parted, FIELDS[kind])}
    except IntakeError:
        return 0.0
    return sum(sure for name, sure in found.items() if name in _TELLING[kind]) / len(_TELLING[kind])
