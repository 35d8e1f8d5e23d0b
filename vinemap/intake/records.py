"""Weighed loads and renewals done: tidy tables."""

from __future__ import annotations

import difflib

import numpy as np
import pandas as pd

from vinemap.intake.convert import Job, missing_column
from vinemap.intake.fields import METHOD_WORDS
from vinemap.intake.header import plain_words
from vinemap.tables import LOADS, METHODS, RENEWALS, check_table

# A scale and a pen may disagree by this much before it is worth a word.
NET_TOLERANCE_KG = 20.0
NET_TOLERANCE_SHARE = 0.01
MOST_BRIX = 40.0  # raisins aside; common practice, no source


def tidy_loads(job: Job) -> pd.DataFrame:
    """Make the table of weighed loads.

    Parameters
    ----------
    job : Job

    Returns
    -------
    pandas.DataFrame
        `vinemap.tables.LOADS`; ``net_kg`` from gross and tare where not given; several blocks joined by ";".
    """
    gross, tare, net = (job.column(name) for name in ("gross_kg", "tare_kg", "net_kg"))
    if not job.has("net_kg") and not (job.has("gross_kg") and job.has("tare_kg")):
        raise missing_column(job, "net_kg", "gross_kg and tare_kg")
    _check_masses(job, gross, tare, net)
    frame = pd.DataFrame(
        {
            "load_id": _load_ids(job),
            "vintage": vintage_of(job),
            "block_id": job.values["block_id"].str.replace(r"\s*[;+,&]\s*", ";", regex=True).str.strip("; "),
            "machine": job.column("machine", ""),
            "time": job.column("time", pd.NaT),
            "gross_kg": gross,
            "tare_kg": tare,
            "net_kg": net.fillna(gross - tare),
            "mog_pct": job.column("mog_pct"),
            "sugar_brix": _sugar(job),
            "import_id": 0,
        }
        # As written: loads are settled block by block, but which rows they came from is not thrown away.
        | ({"rows": job.values["rows"]} if job.has("rows") else {})
    )
    job.refusals.add(frame["net_kg"].isna(), "net mass is empty and cannot be had from gross and tare")
    job.refusals.add(frame["net_kg"] <= 0, "net mass is not above 0", frame["net_kg"])
    job.refusals.add(
        frame["load_id"].duplicated(), "ticket number stands in the file twice", frame["load_id"]
    )
    return check_table(frame, LOADS, where=job.where)


def _sugar(job: Job) -> pd.Series:
    """Sugar in Brix; a column of another scale is left out, for it says nothing about the mass."""
    sugar = job.column("sugar_brix")
    middle = float(sugar.dropna().median()) if sugar.notna().any() else 0.0
    if middle > MOST_BRIX:
        job.notes.append(f"Sugar values around {middle:.0f} cannot be Brix (Oechsle?) and were left out.")
        return pd.Series(np.nan, index=sugar.index)
    job.refusals.add(sugar > 2 * MOST_BRIX, "sugar is above 80 Brix, which cannot be", sugar)
    return sugar


def _check_masses(job: Job, gross: pd.Series, tare: pd.Series, net: pd.Series) -> None:
    job.refusals.add(tare > gross, "tare is above gross", tare)
    gap = (net - (gross - tare)).abs()
    odd = gap > np.maximum(NET_TOLERANCE_KG, NET_TOLERANCE_SHARE * net)
    if odd.any():
        place = int(np.flatnonzero(odd)[0])
        job.notes.append(
            f"In {int(odd.sum())} loads net is not gross less tare (row {job.raw.source_row[place]}: "
            f"{gap.iloc[place]:,.0f} kg apart); net was taken."
        )


def _load_ids(job: Job) -> pd.Series:
    ids = job.column("load_id", "")
    without = ids == ""
    if without.any():
        job.notes.append(f"{int(without.sum())} loads have no ticket number; file and row were taken.")
    own = pd.Series([f"{job.where} row {row}" for row in job.raw.source_row], dtype=object)
    return ids.where(~without, own)


def vintage_of(job: Job) -> pd.Series:
    """Vintage of each row: named by the user, else the column, else the year of its time."""
    if job.has("vintage"):
        vintage = job.values["vintage"]
        if job.vintage:
            job.refusals.add(
                vintage.notna() & (vintage != job.vintage),
                f"row is of another vintage than {job.vintage}",
                vintage,
            )
            vintage = vintage.fillna(job.vintage)
    elif job.vintage:
        vintage = pd.Series(float(job.vintage), index=range(job.rows))
    elif job.has("time"):
        vintage = job.values["time"].dt.year.astype("float64")
    else:
        raise missing_column(job, "vintage", "date")
    job.refusals.add(vintage.isna(), "vintage is empty; name it with --vintage")
    return whole(vintage)


def whole(values: pd.Series) -> pd.Series:
    """Numbers as nullable integers; what is not whole becomes empty (its row was refused before)."""
    return values.where(values == values.round()).astype("Int64")


def tidy_renewals(job: Job) -> pd.DataFrame:
    """Make the table of renewals done.

    Parameters
    ----------
    job : Job

    Returns
    -------
    pandas.DataFrame
        `vinemap.tables.RENEWALS`, with ``zone_id`` where the file names zones.
    """
    block, zone = job.column("block_id", ""), job.column("zone_id", "")
    if not job.has("block_id") and not job.has("zone_id"):
        raise missing_column(job, "block_id", "zone_id")
    # Zones are named after their block: B12-Z2.
    block = block.where(block != "", zone.str.rsplit("-", n=1).str[0])
    job.refusals.add(block == "", "block is empty")
    text = job.values["method"]
    known = {one: read_method(one) for one in text.unique()}
    method = text.map(known).astype(object)
    job.refusals.add(method == "", f"method is none of {', '.join(METHODS)}", text)
    first, last = job.column("from_row"), job.column("to_row").fillna(job.column("from_row"))
    first = first.fillna(last)
    job.refusals.add(last < first, "last row is before the first", last)
    frame = pd.DataFrame(
        {
            "block_id": block,
            "from_row": whole(first),
            "to_row": whole(last),
            "method": method,
            "year": whole(job.values["year"]),
            "cost": job.column("cost"),
            "variety": job.column("variety", ""),
            "import_id": 0,
        }
        | ({"zone_id": zone} if job.has("zone_id") else {})
    )
    keys = ["block_id", "from_row", "to_row", "method", "year"]
    job.refusals.add(
        frame.assign(zone_id=zone).duplicated([*keys, "zone_id"]),
        "the same renewal stands in the file twice",
        text,
    )
    return check_table(frame, RENEWALS, where=job.where)


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
