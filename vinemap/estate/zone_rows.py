"""Renewals told by zone: put down to the rows that the zone had in the last assessment.

Zones are found anew by every assessment; rows stay. So what is kept is the rows.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from vinemap.errors import DataError
from vinemap.estate import layout
from vinemap.taken import Intake, refused_table

OUTPUT = "vinemap.gpkg"
ROW_FROM_SHARE = 0.5  # of a row's length in the zone, from which the row is one of the zone's
Stretch = tuple[str, int, int]  # block, first and last row
REASON_UNKNOWN = "zone is not one of the last assessment; name its rows"
REASON_NARROW = "zone holds less than half of each of its rows; name the rows"


def rows_for_zones(taken: Intake, folder: Path) -> tuple[Intake, list[str]]:
    """Put rows in the place of zones.

    Parameters
    ----------
    taken : Intake
        Renewals; ``zone_id`` where a line names a zone and no rows.
    folder : pathlib.Path
        Estate folder, with the outputs of its assessments.

    Returns
    -------
    taken : Intake
        Without ``zone_id``; one line for each stretch of rows, its share of the cost by rows.
    notes : list of str

    Raises
    ------
    DataError
        If no line is left.
    """
    if "zone_id" not in taken.table:
        return taken, []
    asked = (taken.table["zone_id"] != "") & taken.table["from_row"].isna()
    zones, plain = taken.table["zone_id"], taken.table.drop(columns="zone_id")
    held, vintage = zone_stretches(folder) if asked.any() else ({}, 0)
    lines, reasons, gone, notes = [plain[~asked]], [], [], []
    for place in np.flatnonzero(asked).tolist():
        zone = str(zones.iloc[place])
        if not held.get(zone):
            gone.append(zone)
            reasons.append(REASON_NARROW if zone in held else REASON_UNKNOWN)
            continue
        lines.append(_parted(plain.iloc[[place]], held[zone]))
        rows = ", ".join(str(first) if first == last else f"{first}-{last}" for _, first, last in held[zone])
        notes.append(f"Zone {zone} of the assessment of {vintage} was taken as rows {rows}.")
    if len(gone) == len(plain):
        raise DataError(
            f"No line can be used; {gone[0]!r}: {reasons[0]}.",
            where=taken.file,
            remedy="Give first and last row, or run vinemap assess first.",
        )
    table = pd.concat([one for one in lines if len(one)], ignore_index=True)
    refused = pd.concat([taken.refused, refused_table(np.zeros(len(gone)), reasons, gone)], ignore_index=True)
    return replace(taken, tidy=table, refused=refused if gone else taken.refused), notes


def _parted(line: pd.DataFrame, stretches: list[Stretch]) -> pd.DataFrame:
    """One line for each stretch, with its share of the cost."""
    blocks, first, last = zip(*stretches, strict=True)
    rows = np.array(last) - np.array(first) + 1
    out = pd.concat([line] * len(stretches), ignore_index=True).assign(
        block_id=list(blocks), from_row=pd.Series(first, dtype="Int64"), to_row=pd.Series(last, dtype="Int64")
    )
    return out.assign(cost=out["cost"] * rows / rows.sum())


def zone_stretches(folder: Path) -> tuple[dict[str, list[Stretch]], int]:
    """Rows of every zone of the last assessment, and its vintage; none without an assessment.

    Raises
    ------
    DataError
        If its file cannot be read.
    """
    files = [one for one in (folder / layout.OUT).glob(f"*/{OUTPUT}") if one.parent.name.isdigit()]
    if not files:
        return {}, 0
    import pyogrio  # for estates that were assessed only
    import pyogrio.errors

    file = max(files, key=lambda one: int(one.parent.name))
    try:
        parts = pyogrio.read_dataframe(file, layer="vine_row", read_geometry=False)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError) as error:
        raise DataError(
            f"The rows of zones cannot be read: {layout.describe_damage(error)}.",
            where=str(file),
            remedy="Run vinemap assess again.",
        ) from error
    whole = parts.groupby("row_id")["length_m"].transform("sum")
    share = (parts["length_m"] / whole).groupby([parts["zone_id"], parts["row_id"]]).sum()
    blocks = dict(zip(parts["row_id"], parts["block_id"], strict=True))
    out: dict[str, list[Stretch]] = {str(one): [] for one in parts["zone_id"].unique()}
    held = share[share >= ROW_FROM_SHARE].reset_index()
    held["row_no"] = held["row_id"].str.rsplit("-", n=1).str[-1].astype("int64")
    for one in held.sort_values(["zone_id", "row_no"]).itertuples():
        _extend(out[str(one.zone_id)], str(blocks[one.row_id]), int(str(one.row_no)))
    return out, int(file.parent.name)


def _extend(stretches: list[Stretch], block: str, row: int) -> None:
    """Add a row to the last stretch if it follows on it, else begin a new one."""
    if stretches and stretches[-1][0] == block and stretches[-1][2] == row - 1:
        stretches[-1] = (block, stretches[-1][1], row)
    else:
        stretches.append((block, row, row))
