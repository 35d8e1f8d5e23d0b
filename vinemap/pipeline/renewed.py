"""Which zones a renewal that was done has touched."""

from __future__ import annotations

import pandas as pd

RENEWED_FROM_SHARE = 0.5  # of a zone's row length; a zone less renewed than that keeps its old history

COLUMNS = ("zone_id", "year", "method", "share")


def renewed_zones(renewals: pd.DataFrame, segments: pd.DataFrame, *, until: int) -> pd.DataFrame:
    """Find the zones whose rows were mostly renewed.

    Parameters
    ----------
    renewals : pandas.DataFrame
        `tables.RENEWALS`.
    segments : pandas.DataFrame
        Row segments: row_id, block_id, zone_id, length_m [m].
    until : int
        Work of later years than this vintage does not show yet.

    Returns
    -------
    pandas.DataFrame
        zone_id, year (winter after that vintage), method, share (of the zone's row length). One row a zone
        and renewal; the last renewal of a zone comes last.
    """
    found = []
    row_no = segments["row_id"].str.rsplit("-", n=1).str[-1].astype(int)
    for one in renewals[renewals["year"] < until].sort_values("year").to_dict(orient="records"):
        touched = segments["block_id"] == one["block_id"]
        if not pd.isna(one["from_row"]):
            first = int(one["from_row"])
            last = first if pd.isna(one["to_row"]) else int(one["to_row"])
            touched &= row_no.between(min(first, last), max(first, last))
        whole = segments.groupby("zone_id")["length_m"].sum()
        share = segments[touched].groupby("zone_id")["length_m"].sum() / whole
        for zone_id, part in share[share >= RENEWED_FROM_SHARE].items():
            found.append((zone_id, int(one["year"]), one["method"], float(part)))
    return pd.DataFrame(found, columns=list(COLUMNS))
