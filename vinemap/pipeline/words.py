"""Sentences about a run: what weakens it."""

from __future__ import annotations

import pandas as pd

ONE_VINTAGE = (
    "There is one vintage only: the map stands, but no trend can be told from it, so nothing is "
    "advised for renewal on yield alone."
)
TWO_VINTAGES = (
    "There are two vintages only: a fall between two seasons is weak evidence of decline, so intervals "
    "are wide."
)


def warn_of_record(zone_vintage: pd.DataFrame) -> list[str]:
    """Say in words how short the record is, if it is.

    Examples
    --------
    >>> warn_of_record(pd.DataFrame({"vintage": [2025, 2026], "yield_t_ha": [20.0, 19.0]}))[0][:27]
    'There are two vintages only'
    """
    vintages = zone_vintage.loc[zone_vintage["yield_t_ha"].notna(), "vintage"].nunique()
    return {1: [ONE_VINTAGE], 2: [TWO_VINTAGES]}.get(int(vintages), [])
