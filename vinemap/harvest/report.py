"""What cleaning did to one block and vintage, in figures and in words."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from vinemap.harvest.delay import DelayEstimate
from vinemap.harvest.reasons import REASONS
from vinemap.harvest.smear import SmearEstimate

MUCH_REMOVED_SHARE = 0.35  # cleaning of grain readings took about 30 % (Vega et al. 2019) [S]; above is odd


@dataclass(frozen=True, slots=True)
class YieldFigures:
    """Figures of a set of readings.

    Parameters
    ----------
    readings : int
    mean_t_ha : float
        Mean yield [t/ha].
    cv_pct : float
        Standard deviation over mean [%].
    skewness : float
        Third standardised moment.
    nugget_t2_ha2 : float
        Semivariance between successive readings of a pass [(t/ha)2], the shortest lag there is.
    """

    readings: int
    mean_t_ha: float
    cv_pct: float
    skewness: float
    nugget_t2_ha2: float


@dataclass(frozen=True, slots=True)
class CleaningReport:
    """Report on the cleaning of one block and vintage.

    Parameters
    ----------
    readings : int
        All readings.
    kept : int
        Readings with an empty flag.
    removed : dict of str to int
        Readings left out, by reason.
    delays : list of DelayEstimate
    before, after : YieldFigures
        Before: every reading with a yield; after: the kept ones.
    interval_s : float
        Usual time between readings [s].
    passes : int
        Passes found.
    warnings, notes : list of str
    smears : list of SmearEstimate
    """

    readings: int
    kept: int
    removed: dict[str, int]
    delays: list[DelayEstimate]
    before: YieldFigures
    after: YieldFigures
    interval_s: float
    passes: int
    warnings: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    smears: list[SmearEstimate] = field(default_factory=list)

    @property
    def removed_pct(self) -> dict[str, float]:
        """Share left out by reason [%]."""
        return {name: 100.0 * count / max(self.readings, 1) for name, count in self.removed.items()}

    def to_dict(self) -> dict[str, Any]:
        """Plain dictionary of the report, shares in percent, fit for JSON (missing figures are None)."""
        plain = asdict(self)
        plain["removed_pct"] = self.removed_pct
        cleaned: dict[str, Any] = _without_nan(plain)
        return cleaned

    def describe(self) -> list[str]:
        """Lines a grower can read, each figure with its unit."""
        lines = [f"{self.kept} of {self.readings} readings kept ({self.passes} passes)."]
        lines += [
            f"{share:.1f} % left out: {REASONS[name]}."
            for name, share in self.removed_pct.items()
            if share > 0
        ]
        for one in self.delays:
            when = f" on {one.day}" if one.day else ""
            if one.identified:
                lines.append(
                    f"Flow delay of {one.machine}{when}: {one.delay_s:.1f} s, "
                    f"standard error {one.se_s:.1f} s."
                )
            else:
                lines.append(f"Flow delay of {one.machine}{when}: {one.delay_s:.1f} s; {one.note}.")
        lines += [
            f"Grapes of {one.machine} spread over about {one.smear_s:.1f} s on the conveyor (told from "
            f"{one.row_ends} row ends); this was undone."
            for one in self.smears
            if one.undone
        ]
        return [*lines, *self.warnings, *self.notes]


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_nan(one) for name, one in value.items()}
    if isinstance(value, list):
        return [_without_nan(one) for one in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value


def figures_of(yield_t_ha: np.ndarray, pass_no: np.ndarray) -> YieldFigures:
    """Figures of readings in order of time.

    Parameters
    ----------
    yield_t_ha : numpy.ndarray, (n,)
        NaN is left out [t/ha].
    pass_no : numpy.ndarray of int, (n,)

    Returns
    -------
    YieldFigures

    Examples
    --------
    >>> figures_of(np.array([9.0, 11.0, 9.0, 11.0]), np.zeros(4)).nugget_t2_ha2
    2.0
    """
    known = np.isfinite(yield_t_ha)
    value = yield_t_ha[known]
    if value.size < 2:
        nan = float("nan")
        return YieldFigures(int(value.size), float(value.mean()) if value.size else nan, nan, nan, nan)
    mean, sd = float(value.mean()), float(value.std(ddof=1))
    skew = float(np.mean((value - mean) ** 3) / sd**3) if sd > 0 else 0.0
    pair = known[1:] & known[:-1] & (pass_no[1:] == pass_no[:-1]) & (pass_no[1:] >= 0)
    difference = np.diff(yield_t_ha)[pair]
    nugget = float(0.5 * np.mean(difference**2)) if difference.size else float("nan")
    cv = 100.0 * sd / mean if mean > 0 else float("nan")
    return YieldFigures(int(value.size), mean, cv, skew, nugget)


def count_reasons(flag: pd.Series) -> dict[str, int]:
    """Count readings left out by reason, in the order of `REASONS`; reasons not met are left out.

    Examples
    --------
    >>> count_reasons(pd.Series(["", "local", "idle", "local"]))
    {'idle': 1, 'local': 2}
    """
    counts = flag.value_counts()
    return {name: int(counts[name]) for name in REASONS if name in counts.index}


def warn_of_losses(removed: dict[str, int], readings: int) -> list[str]:
    """Give a warning in words where more than `MUCH_REMOVED_SHARE` of the readings goes.

    Examples
    --------
    >>> warn_of_losses({"idle": 1}, 10)
    []
    """
    gone = sum(removed.values())
    if gone <= MUCH_REMOVED_SHARE * readings:
        return []
    most = max(removed, key=lambda name: removed[name])
    return [
        f"{100 * gone / readings:.0f} % of the readings were left out, more than "
        f"{100 * MUCH_REMOVED_SHARE:.0f} %; most because: {REASONS[most]}. Check the outline, the row "
        "direction and spacing, and the units of the file."
    ]
