"""What was said of an earlier file of the same shape, for the file at hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from vinemap.intake.numbers import DATE_ORDERS
from vinemap.intake.raw import RawTable
from vinemap.taken import Guess, Remembered

BY_VALUES = "no unit given"


@dataclass(slots=True)
class Said:
    """What is known of the columns before they are looked at.

    Attributes
    ----------
    columns, units : dict of str to str
        By the user, now or for an earlier file of the same shape.
    told : dict of str to str
        Units that the values of an earlier file told.
    note : str
    """

    columns: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    told: dict[str, str] = field(default_factory=dict)
    note: str = ""


def recall_columns(
    raw: RawTable,
    kind: str,
    columns: Mapping[str, str] | None,
    units: Mapping[str, str] | None,
    remembered: Sequence[Remembered],
) -> Said:
    """Put together what the user says now and said of the last file of the same shape.

    Parameters
    ----------
    raw : RawTable
    kind : str
    columns, units : mapping or None
        Said now; goes before anything remembered.
    remembered : sequence of Remembered
        The later one goes before the earlier.

    Returns
    -------
    Said
    """
    said = Said(dict(columns or {}), dict(units or {}))
    headers = [str(one) for one in raw.frame.columns]
    same = [one for one in remembered if one.kind == kind and one.headers == headers]
    if not same:
        return said
    last = same[-1]
    used = {name: header for name, header in last.columns.items() if name not in said.columns}
    free = {name: header for name, header in used.items() if header not in said.columns.values()}
    again = {
        name: unit
        for name, unit in last.units.items()
        if name not in said.units and said.columns.get(name) is None and not unit.startswith("?")
    }
    said.told = {name: unit[1:] for name, unit in last.units.items() if unit.startswith("?")}
    said.columns |= free
    said.units |= again
    if free or again:
        listed = [f"{name} in {header!r}" for name, header in free.items()]
        listed += [f"{name} in {unit}" for name, unit in again.items()]
        said.note = f"As you said for {last.file} of the same columns: {', '.join(listed)}."
    return said


def settle_units(guesses: Sequence[Guess], said: Said) -> list[Guess]:
    """Let the unit that an earlier file of the same shape had decide where the values leave it open."""
    out = []
    for one in guesses:
        before = said.told.get(one.field, "")
        if not before or BY_VALUES not in one.why:
            out.append(one)
        elif before == one.unit:
            why = f"{one.why}; as in the last file of the same columns"
            out.append(Guess(one.field, one.header, one.unit, max(one.confidence, 0.85), why))
        elif " or " in one.why and before in one.why:
            why = f"{one.why}; {before} as in the last file of the same columns"
            out.append(Guess(one.field, one.header, before, 0.8, why))
        else:
            why = f"{one.why}; but the last file of the same columns was in {before}"
            out.append(Guess(one.field, one.header, one.unit, min(one.confidence, 0.6), why))
    return out


def to_remember(kind: str, headers: Sequence[str], said: Said, guesses: Sequence[Guess]) -> Remembered | None:
    """Give what is worth remembering of a file, None if its headers told everything.

    A value given for all rows ("=value") is of one file only and is forgotten.
    """
    columns = {name: header for name, header in said.columns.items() if not header.startswith("=")}
    units = {one.field: one.unit for one in guesses if one.field in said.units}
    units |= {name: unit for name, unit in said.units.items() if unit in DATE_ORDERS}
    units |= {
        one.field: f"?{one.unit}"
        for one in guesses
        if BY_VALUES in one.why and one.field not in units and one.unit
    }
    if not columns and not units:
        return None
    return Remembered(kind, [str(one) for one in headers], columns, units)
