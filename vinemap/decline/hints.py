"""Words for what the pattern of loss looks like: careful ones, never a diagnosis."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

# One text a code, in the order in which they are said; in braces columns of table `zone`. A translation needs
# the same keys (`word_cause`).
HINTS = {
    "renewed_waiting": "Renewed in {renewed_year}; no vintage since.",
    "renewed_back": "Renewed in {renewed_year}; yields {recovery_pct} % of its healthy level now.",
    "missing_most": ("Missing vines explain most of the loss; output per standing vine is close to healthy."),
    "missing_half": (
        "Missing vines explain about half of the loss or more; standing vines have lost some as well."
    ),
    "below_holding": "Below its level but not clearly falling.",
    "doubtful": "If it falls at all:",
    "whole_block_no_peer": "The whole block falls, with no other block of the variety to compare.",
    "whole_block_alone": "The whole block falls while most ground of the variety elsewhere holds.",
    "whole_block_shared": "Most ground of the variety falls, this block among it.",
    "along_rows": "Whole rows fall while other rows of the block hold, as what spreads along rows would.",
    "growing_focus": "Falls first here and later next to it, as a growing focus would.",
    "beside_focus": "Falls next to ground that lost far more, as the edge of a growing focus would.",
    "patch": "A patch within the rows falls while the ground around it holds, as a focus would.",
    "several_zones": "Several zones of the block fall while others hold.",
    "one_zone": "This zone falls while the rest of the block holds.",
    "ground": "Wet, saline or hungry ground cannot be told from yield alone: scout.",
    "symptoms_few": "Few symptoms were counted, which speaks for another cause than dieback.",
    "symptoms_seen": (
        "Symptoms were counted on {symptomatic_pct} % of the vines, which fits trunk disease but does not "
        "prove it."
    ),
    "machine_change": "A change of harvester in {machine_change_vintage} coincides: check the loads first.",
    "machine_change_named": (
        "A change of harvester to {machine_change_to} in {machine_change_vintage} coincides: check the loads "
        "first."
    ),
}


def word_cause(code: str, values: Mapping[Any, Any], words: Mapping[str, str] = HINTS) -> str:
    """Put codes in words.

    Parameters
    ----------
    code : str
        Codes with a space between them, as in column cause_code; empty for none.
    values : mapping of str to object
        A row of table ``zone``: renewed_year, recovery_pct [%], symptomatic_pct [%], machine_change_vintage,
        machine_change_to, as far as the codes speak of them.
    words : mapping of str to str, optional
        Texts by code, as `HINTS`, in another language.

    Returns
    -------
    str

    Examples
    --------
    >>> word_cause("doubtful patch symptoms_seen", {"symptomatic_pct": 14.2})[:75]
    'If it falls at all: a patch within the rows falls while the ground around i'
    >>> word_cause("machine_change", {"machine_change_vintage": 2025, "machine_change_to": "Ibis"})
    'A change of harvester to Ibis in 2025 coincides: check the loads first.'
    """
    shown = {str(name): _shown(value) for name, value in values.items()}
    said: list[str] = []
    for one in code.split():
        named = one == "machine_change" and bool(shown.get("machine_change_to"))
        text = words["machine_change_named" if named else one].format_map(shown)
        after_colon = bool(said) and said[-1].endswith(":")
        said.append(text[:1].lower() + text[1:] if after_colon else text)
    return " ".join(said)


def _shown(value: Any) -> str:
    """Numbers without decimals, nothing for what is not known."""
    if isinstance(value, str):
        return value
    return "" if pd.isna(value) else f"{float(value):.0f}"
