"""What an estate folder holds, per block and vintage, and what is missing or doubtful."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from vinemap.errors import VinemapError
from vinemap.estate import EstateStore


@dataclass(frozen=True, slots=True)
class EstateStatus:
    """State of an estate folder.

    Attributes
    ----------
    name, folder, crs : str
    blocks : pandas.DataFrame
        block_id, variety, and for each vintage what is stored: H readings, L loads, C counts.
    imports : pandas.DataFrame
        `tables.LEDGER`.
    missing : list of str
        What a full assessment would want and does not find.
    problems : list of str
        Damage of the store or settings; empty if all is well.
    """

    name: str
    folder: str
    crs: str
    blocks: pd.DataFrame
    imports: pd.DataFrame
    missing: list[str]
    problems: list[str]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "name": self.name,
            "folder": self.folder,
            "crs": self.crs,
            "blocks": self.blocks.to_dict(orient="records"),
            "imports": self.imports.to_dict(orient="records"),
            "missing": self.missing,
            "problems": self.problems,
        }


def describe_status(store: EstateStore) -> EstateStatus:
    """Look through an estate folder and verify it.

    Parameters
    ----------
    store : EstateStore

    Returns
    -------
    EstateStatus
    """
    problems = [*store.verify(), *store.recovered]
    try:
        name, crs = store.settings.estate.name, store.crs().name
    except VinemapError as error:
        problems.append(str(error))
        name, crs = store.folder.name, ""
    held = _what_is_held(store)
    return EstateStatus(
        name=name,
        folder=str(store.folder),
        crs=crs,
        blocks=held,
        imports=store.ledger(),
        missing=_what_is_missing(held),
        problems=problems,
    )


def _what_is_held(store: EstateStore) -> pd.DataFrame:
    blocks = store.blocks()
    marks: dict[tuple[str, int], str] = {}
    harvested = pd.DataFrame(store.harvest_keys(), columns=["vintage", "block_id"])
    sources = (("H", harvested), ("L", _split_loads(store.loads())), ("C", store.counts()))
    for letter, table in sources:
        for block_id, vintage in set(zip(table["block_id"], table["vintage"], strict=True)):
            key = (str(block_id), int(vintage))
            marks[key] = marks.get(key, "") + letter
    vintages = sorted({vintage for _, vintage in marks})
    held = pd.DataFrame({"block_id": blocks["block_id"], "variety": blocks["variety"]})
    for vintage in vintages:
        held[str(vintage)] = [marks.get((str(one), vintage), "") for one in held["block_id"]]
    return held


def _split_loads(loads: pd.DataFrame) -> pd.DataFrame:
    out = pd.DataFrame(
        {"block_id": loads["block_id"].astype(str).str.split(";"), "vintage": loads["vintage"]}
    )
    out = out.explode("block_id")
    return out.assign(block_id=out["block_id"].str.strip())


def _what_is_missing(held: pd.DataFrame) -> list[str]:
    if held.empty:
        return ["No blocks yet: vinemap add blocks FILE --to FOLDER."]
    vintages = [name for name in held.columns if name.isdigit()]
    words = []
    if not vintages:
        words.append("No harvest data yet: vinemap add harvest FILE... --to FOLDER --vintage Y.")
    elif len(vintages) < 3:
        few = "One vintage" if len(vintages) == 1 else "Two vintages"
        words.append(f"{few} only: a trend needs three or more, and is weak below five.")
    for vintage in vintages:
        lacking = held.loc[~held[vintage].str.contains("[HC]"), "block_id"].tolist()
        unweighed = held.loc[
            held[vintage].str.contains("H") & ~held[vintage].str.contains("L"), "block_id"
        ].tolist()
        if lacking:
            words.append(f"Vintage {vintage}: nothing of block {', '.join(lacking)}.")
        if unweighed:
            words.append(f"Vintage {vintage}: readings but no weighed loads of block {', '.join(unweighed)}.")
    if not any(held[vintage].str.contains("C").any() for vintage in vintages):
        words.append("No row counts: missing vines cannot be told from weak ones.")
    return words
