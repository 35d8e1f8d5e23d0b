"""Weighed loads and renewals done: tidy tables."""

from __future__ import annotations

import difflib

import numpy as np
import pandas as pd

from vinemap.intake.draft import Draft, whole
from vinemap.intake.fields import METHOD_WORDS
from vinemap.intake.header import plain_words
from vinemap.tables import LOADS, METHODS, RENEWALS, check_table

# A scale and a pen may disagree by this much before it is worth a word.
NET_TOLERANCE_KG = 20.0
NET_TOLERANCE_SHARE = 0.01
MOST_BRIX = 40.0  # raisins aside; common practice, no source


def tidy_loads(draft: Draft) -> pd.DataFrame:
    """Make the table of weighed loads.

    Parameters
    ----------
    draft : Draft

    Returns
    -------
    pandas.DataFrame
        `vinemap.tables.LOADS`; ``net_kg`` from gross and tare where not given; several blocks joined by ";".

    Raises
    ------
    IntakeError
        If nothing tells the net mass or the vintage.
    """
    gross, tare, net = (draft.column(name) for name in ("gross_kg", "tare_kg", "net_kg"))
    if not draft.has("net_kg") and not (draft.has("gross_kg") and draft.has("tare_kg")):
        raise draft.lacks("net_kg", "gross_kg and tare_kg")
    _check_masses(draft, gross, tare, net)
    frame = pd.DataFrame(
        {
            "load_id": _load_ids(draft),
            "vintage": draft.vintages(),
            "block_id": draft.values["block_id"]
            .str.replace(r"\s*[;+,&]\s*", ";", regex=True)
            .str.strip("; "),
            "machine": draft.column("machine", ""),
            "time": draft.column("time", pd.NaT),
            "gross_kg": gross,
            "tare_kg": tare,
            "net_kg": net.fillna(gross - tare),
            "mog_pct": draft.column("mog_pct"),
            "sugar_brix": _sugar(draft),
            "import_id": 0,
        }
        # As written: loads are settled block by block, but which rows they came from is not thrown away.
        | ({"rows": draft.values["rows"]} if draft.has("rows") else {})
    )
    draft.refusals.add(frame["net_kg"].isna(), "net mass is empty and cannot be had from gross and tare")
    draft.refusals.add(frame["net_kg"] <= 0, "net mass is not above 0", frame["net_kg"])
    draft.refusals.add(
        frame["load_id"].duplicated(), "ticket number stands in the file twice", frame["load_id"]
    )
    return check_table(frame, LOADS, where=draft.where)


def _sugar(draft: Draft) -> pd.Series:
    """Sugar in Brix; a column of another scale is left out, for it says nothing about the mass."""
    sugar = draft.column("sugar_brix")
    middle = float(sugar.dropna().median()) if sugar.notna().any() else 0.0
    if middle > MOST_BRIX:
        draft.notes.append(f"Sugar values around {middle:.0f} cannot be Brix (Oechsle?) and were left out.")
        return pd.Series(np.nan, index=sugar.index)
    draft.refusals.add(sugar > 2 * MOST_BRIX, "sugar is above 80 Brix, which cannot be", sugar)
    return sugar


def _check_masses(draft: Draft, gross: pd.Series, tare: pd.Series, net: pd.Series) -> None:
    draft.refusals.add(tare > gross, "tare is above gross", tare)
    gap = (net - (gross - tare)).abs()
    odd = gap > np.maximum(NET_TOLERANCE_KG, NET_TOLERANCE_SHARE * net)
    if odd.any():
        place = int(np.flatnonzero(odd)[0])
        draft.notes.append(
            f"In {int(odd.sum())} loads net is not gross less tare (row {draft.raw.source_row[place]}: "
            f"{gap.iloc[place]:,.0f} kg apart); net was taken."
        )


def _load_ids(draft: Draft) -> pd.Series:
    ids = draft.column("load_id", "")
    without = ids == ""
    if without.any():
        draft.notes.append(f"{int(without.sum())} loads have no ticket number; file and row were taken.")
    own = pd.Series([f"{draft.where} row {row}" for row in draft.raw.source_row], dtype=object)
    return ids.where(~without, own)


def tidy_renewals(draft: Draft) -> pd.DataFrame:
    """Make the table of renewals done.

    Parameters
    ----------
    draft : Draft

    Returns
    -------
    pandas.DataFrame
        `vinemap.tables.RENEWALS`, with ``zone_id`` where the file names zones.

    Raises
    ------
    IntakeError
        If it names neither blocks nor zones.
    """
    block, zone = draft.column("block_id", ""), draft.column("zone_id", "")
    if not draft.has("block_id") and not draft.has("zone_id"):
        raise draft.lacks("block_id", "zone_id")
    # Zones are named after their block: B12-Z2.
    block = block.where(block != "", zone.str.rsplit("-", n=1).str[0])
    draft.refusals.add(block == "", "block is empty")
    text = draft.values["method"]
    known = {one: read_method(one) for one in text.unique()}
    method = text.map(known).astype(object)
    draft.refusals.add(method == "", f"method is none of {', '.join(METHODS)}", text)
    first, last = draft.column("from_row"), draft.column("to_row").fillna(draft.column("from_row"))
    first = first.fillna(last)
    draft.refusals.add(last < first, "last row is before the first", last)
    frame = pd.DataFrame(
        {
            "block_id": block,
            "from_row": whole(first),
            "to_row": whole(last),
            "method": method,
            "year": whole(draft.values["year"]),
            "cost": draft.column("cost"),
            "variety": draft.column("variety", ""),
            "import_id": 0,
        }
        | ({"zone_id": zone} if draft.has("zone_id") else {})
    )
    keys = ["block_id", "from_row", "to_row", "method", "year"]
    draft.refusals.add(
        frame.assign(zone_id=zone).duplicated([*keys, "zone_id"]),
        "the same renewal stands in the file twice",
        text,
    )
    return check_table(frame, RENEWALS, where=draft.where)


def read_method(text: str) -> str:
    """Bring the name of a renewal method in any language to ours, "" if it is none.

    Examples
    --------
    >>> read_method("Trunk renewal"), read_method("Récépage"), read_method("pruning")
    ('trunk_renewal', 'trunk_renewal', '')
    """
    words = plain_words(text)
    every = {word: method for method in METHODS for word in (plain_words(method), *METHOD_WORDS[method])}
    if words in every:
        return every[words]
    near = difflib.get_close_matches(words, list(every), n=1, cutoff=0.85)
    return every[near[0]] if near else ""
