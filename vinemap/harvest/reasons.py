"""Why a reading is left out: short words kept in the data, and what they mean in plain words."""

from __future__ import annotations

import numpy as np

REASONS: dict[str, str] = {
    "incomplete": "no position, no time among readings that have one, or no yield or flow",
    "duplicate": "the same machine, second and place as the reading before: the same file twice",
    "position": "the position jumps away from the track, or lies on no row",
    "headland": "picked outside the outline or off the row: turning, driving across, before the row begins",
    "idle": "the machine stood or crept when these grapes were picked",
    "stuck": "the sensor gave the very same flow again and again",
    "zero_flow": "no flow while the machine was picking, though the rows beside it bore grapes",
    "ramp": "the conveyor was filling at the start of a pass or emptying at its end",
    "speed_jump": "the speed changed too quickly for flow and ground to be matched",
    "width": "the working width was not that of one row",
    "redriven": "ground that had been picked before; the first picking counts",
    "limits": "far outside what the block bore, or beyond any crop",
    "local": "far from the readings around it on the same row and the rows beside",
}


def set_first(flag: np.ndarray, mask: np.ndarray, reason: str) -> np.ndarray:
    """Give the flags with `reason` set where `mask` holds and no earlier reason stands.

    Parameters
    ----------
    flag : numpy.ndarray, (n,) of str
        Not altered.
    mask : numpy.ndarray, (n,) of bool
    reason : str
        A key of `REASONS`.

    Returns
    -------
    numpy.ndarray, (n,) of object

    Raises
    ------
    KeyError
        If the reason is not in the table.

    Examples
    --------
    >>> set_first(np.array(["", "idle", ""], dtype=object), np.array([True, True, False]), "local").tolist()
    ['local', 'idle', '']
    """
    if reason not in REASONS:
        raise KeyError(reason)
    out = np.array(flag, dtype=object)
    out[(out == "") & np.asarray(mask, dtype=bool)] = reason
    return out
