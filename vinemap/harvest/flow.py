"""Mass flow at the sensor from whatever the file holds: flow, mass since the last reading, or ready yield."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap.harvest.picked import KG_S_M2_TO_T_HA

LONGEST_MASS_INTERVALS = 3.0  # a mass over a longer gap than this many intervals cannot be placed; no source


def flow_from(
    readings: pd.DataFrame,
    *,
    time_s: np.ndarray,
    machine: np.ndarray,
    speed_m_s: np.ndarray,
    row_spacing_m: float,
    interval_s: float,
) -> np.ndarray:
    """Flow of each reading [kg/s]; for each reading the first of flow, mass and ready yield that it has.

    A ready yield is turned back with the speed and width at which the machine had reckoned it; with the
    width typed in the cab wrong, this puts it right.

    Parameters
    ----------
    readings : pandas.DataFrame
        Columns of `tables.READINGS` (missing ones count as empty), sorted by machine and time, n rows.
    time_s, machine, speed_m_s : numpy.ndarray, (n,)
        In the same order [s, code, m/s].
    row_spacing_m : float
        Width picked, and the machine's width where none is given [m].
    interval_s : float
        Usual time between readings [s].

    Returns
    -------
    numpy.ndarray, (n,)
        NaN where there is nothing to go by.

    Examples
    --------
    >>> table = pd.DataFrame({"mass_kg": [7.0, 14.0]})
    >>> flow_from(table, time_s=np.array([0.0, 5.0]), machine=np.zeros(2), speed_m_s=np.ones(2),
    ...           row_spacing_m=3.0, interval_s=5.0).tolist()
    [1.4, 2.8]
    """
    flow = number_column(readings, "mass_flow_kg_s")
    since = np.full(flow.size, interval_s)
    since[1:] = np.where(np.diff(machine) == 0, np.diff(time_s), interval_s)
    since[(since <= 0) | (since > LONGEST_MASS_INTERVALS * interval_s)] = np.nan
    if flow.size:
        since[:1] = interval_s
    flow = np.where(np.isfinite(flow), flow, number_column(readings, "mass_kg") / since)
    width = number_column(readings, "width_m")
    width = np.where(width > 0, width, row_spacing_m)
    ready = number_column(readings, "yield_t_ha") * speed_m_s * width / KG_S_M2_TO_T_HA
    return np.where(np.isfinite(flow), flow, ready)


def number_column(frame: pd.DataFrame, name: str) -> np.ndarray:
    """Give a column as floats; all NaN where the frame lacks it.

    Parameters
    ----------
    frame : pandas.DataFrame
        n rows.
    name : str

    Returns
    -------
    numpy.ndarray, (n,)
        NaN where there is no number.

    Examples
    --------
    >>> number_column(pd.DataFrame({"a": [1]}), "b").tolist()
    [nan]
    """
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
