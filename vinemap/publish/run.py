"""The run_info table: what made these files, so that a number can be traced years later."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
import pyproj

from vinemap import tables
from vinemap._version import __version__


def make_run_info(
    *,
    settings_hash: str,
    crs: pyproj.CRS | str | int,
    vintages: Sequence[int],
    cautions: Sequence[str] = (),
    extra: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Make the run_info table.

    Parameters
    ----------
    settings_hash : str
        Hash of the settings in force.
    crs : pyproj.CRS or what it accepts
        CRS of the estate.
    vintages : sequence of int
        Vintages used.
    cautions : sequence of str
        Caution texts, each becomes a row ``caution_1``, ``caution_2``, ...
    extra : mapping of str to str, optional
        More keys (hashes of inputs, time of the run, ...).

    Returns
    -------
    pandas.DataFrame
        Table ``run_info`` of `tables.OUTPUTS`.

    Examples
    --------
    >>> make_run_info(settings_hash="ab12", crs=3035, vintages=[2024, 2025])["value"].tolist()[1:4]
    ['ab12', 'EPSG:3035 ETRS89-extended / LAEA Europe', '2024, 2025']
    """
    system = pyproj.CRS.from_user_input(crs)
    code = system.to_authority()
    facts = {
        "version": __version__,
        "settings_hash": settings_hash,
        "crs": f"{':'.join(code)} {system.name}" if code else system.to_wkt(),
        "vintages": ", ".join(str(one) for one in sorted(set(vintages))),
        **{f"caution_{number}": text for number, text in enumerate(cautions, 1)},
        **(extra or {}),
    }
    frame = pd.DataFrame({"key": list(facts), "value": list(facts.values())})
    return tables.check_table(frame, tables.RUN_INFO, where="run_info")
