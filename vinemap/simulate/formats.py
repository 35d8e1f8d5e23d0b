"""Two invented log formats: what each harvester of an invented estate writes. Headers are plain words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from vinemap.simulate.plan import LogStyle

LOCAL_OFFSET_H = 10  # local clock of the semicolon logs: UTC+10, no summer time
ODD_ROWS = 4  # rows per file without a position fix, or with text in place of a flow
SEPARATOR: dict[LogStyle, str] = {"comma": ",", "semicolon": ";"}


def write_as_logged(
    readings: pd.DataFrame, style: LogStyle, *, block_names: Mapping[str, str], rng: np.random.Generator
) -> pd.DataFrame:
    """Turn readings into the table that a machine would write.

    Parameters
    ----------
    readings : pandas.DataFrame
        As `SimulatedEstate.readings`; not altered.
    style : {"comma", "semicolon"}
        comma: UTC time in ISO 8601, degrees, km/h, kg/s, block as typed in the cab; a few rows have no
        position fix (0, 0). semicolon: local date and clock apart, degrees, m/s, t/h, width; a few rows
        hold ``---`` in place of a flow.
    block_names : mapping of str to str
        Name typed in the cab by block_id.
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame

    Examples
    --------
    >>> one = pd.DataFrame({"time": pd.to_datetime(["2026-03-01T11:00:05Z"]), "machine": "Ibis",
    ...     "block_id": "B01", "longitude": 143.2, "latitude": -34.6, "speed_m_s": 1.6, "width_m": 3.0,
    ...     "mass_flow_kg_s": 9.5})
    >>> log = write_as_logged(one, "semicolon", block_names={}, rng=np.random.default_rng(1))
    >>> log["Date (dd/mm/yyyy)"].iloc[0], log["Local time (UTC+10)"].iloc[0]
    ('01/03/2026', '21:00:05')
    """
    if style == "comma":
        return _comma(readings, block_names, rng)
    return _semicolon(readings, rng)


def _odd(count: int, rng: np.random.Generator) -> np.ndarray:
    """Rows to spoil; none in a short file."""
    return rng.choice(count, ODD_ROWS, replace=False) if count > 1000 else np.array([], dtype=int)


def _comma(readings: pd.DataFrame, names: Mapping[str, str], rng: np.random.Generator) -> pd.DataFrame:
    lat, lon = (readings[name].round(6).to_numpy(copy=True) for name in ("latitude", "longitude"))
    odd = _odd(len(readings), rng)
    lat[odd], lon[odd] = 0.0, 0.0
    return pd.DataFrame({
        "Time (UTC)": readings["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "Harvester": readings["machine"],
        "Block": readings["block_id"].map(lambda one: names.get(one, one)),
        "Latitude (deg)": lat,
        "Longitude (deg)": lon,
        "Speed (km/h)": (readings["speed_m_s"] * 3.6).round(1),
        "Mass flow (kg/s)": readings["mass_flow_kg_s"].round(1),
    })  # fmt: skip


def _semicolon(readings: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    local = readings["time"] + pd.Timedelta(hours=LOCAL_OFFSET_H)
    flow = (readings["mass_flow_kg_s"] * 3.6).round(1)
    odd = _odd(len(readings), rng)
    if odd.size:
        flow = flow.astype(str)
        flow.iloc[odd] = "---"
    return pd.DataFrame({
        "Date (dd/mm/yyyy)": local.dt.strftime("%d/%m/%Y"),
        "Local time (UTC+10)": local.dt.strftime("%H:%M:%S"),
        "Machine": readings["machine"],
        "Longitude (deg)": readings["longitude"].round(6),
        "Latitude (deg)": readings["latitude"].round(6),
        "Ground speed (m/s)": readings["speed_m_s"].round(2),
        "Working width (m)": readings["width_m"],
        "Flow rate (t/h)": flow,
    })  # fmt: skip
