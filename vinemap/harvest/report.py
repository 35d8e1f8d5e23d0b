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
MUCH_DOUBTED_SHARE = 0.08  # outliers; invented blocks with a spike in every fiftieth reading lose 1 to 3 %
MEAN_MOVED_SHARE = 0.10  # of the mean yield: readings left out were then not faults of either side; no source
NORMAL_90 = 1.645  # two-sided 90 % quantile of the normal distribution
LEAST_TOLD_PCT = 0.05  # a share that would be told as 0.0 % is left to the table
TURNING = ("headland", "idle")  # no faults: the machine was not picking
DOUBTED = ("limits", "local")


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
    prediction_se_t_ha : float
        Root mean kriging variance of 10 m squares made from these readings [t/ha]; NaN where not looked at.
    """

    readings: int
    mean_t_ha: float
    cv_pct: float
    skewness: float
    nugget_t2_ha2: float
    prediction_se_t_ha: float = float("nan")


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
        """Give a plain dictionary of the report, fit for JSON.

        Returns
        -------
        dict
            The fields, and removed_pct [%]; missing figures are None.
        """
        plain = asdict(self)
        plain["removed_pct"] = self.removed_pct
        cleaned: dict[str, Any] = _without_nan(plain)
        return cleaned

    def describe(self) -> list[str]:
        """Say what the cleaning did in lines a grower can read, each figure with its unit.

        Returns
        -------
        list of str
        """
        lines = [f"{self.kept} of {self.readings} readings kept ({self.passes} passes)."]
        lines += [
            f"{share:.1f} % left out: {REASONS[name]}."
            for name, share in self.removed_pct.items()
            if share >= LEAST_TOLD_PCT
        ]
        lines += describe_effect(self.before, self.after)
        lines += [_describe_delay(one) for one in self.delays]
        lines += [
            f"Grapes of {one.machine} spread over about {one.smear_s:.1f} s on the conveyor (told from "
            f"{one.row_ends} row ends); this was undone."
            for one in self.smears
            if one.undone
        ]
        return [*lines, *self.warnings, *self.notes]


def describe_effect(before: YieldFigures, after: YieldFigures) -> list[str]:
    """Say what leaving readings out did to mean, scatter, skew and the error of the map.

    Parameters
    ----------
    before, after : YieldFigures

    Returns
    -------
    list of str
        Only what is known.

    Examples
    --------
    >>> rough = YieldFigures(90, 14.0, 80.0, 3.0, 32.0, 1.5)
    >>> for line in describe_effect(rough, YieldFigures(80, 13.5, 30.0, -0.02, 2.0, 0.5)):
    ...     print(line)
    Mean of the readings 14.0 t/ha before, 13.5 t/ha after.
    Two readings in a row differ by about 8.0 t/ha before, 2.0 t/ha after (nugget 32 and 2 (t/ha)2).
    Skew 3.0 before, 0.0 after (0 is even to both sides).
    A 10 m square is known to +-2.5 t/ha before, +-0.8 t/ha after (90 % interval).
    """
    pairs = [
        (
            (before.mean_t_ha, after.mean_t_ha),
            "Mean of the readings {:.1f} t/ha before, {:.1f} t/ha after.",
        ),
        (
            (*np.sqrt([2 * before.nugget_t2_ha2, 2 * after.nugget_t2_ha2]),
             before.nugget_t2_ha2, after.nugget_t2_ha2),
            "Two readings in a row differ by about {:.1f} t/ha before, {:.1f} t/ha after (nugget {:.3g} and "
            "{:.3g} (t/ha)2).",
        ),
        (
            (round(before.skewness, 1) + 0.0, round(after.skewness, 1) + 0.0),  # never -0.0
            "Skew {:.1f} before, {:.1f} after (0 is even to both sides).",
        ),
        (
            (NORMAL_90 * before.prediction_se_t_ha, NORMAL_90 * after.prediction_se_t_ha),
            "A 10 m square is known to +-{:.1f} t/ha before, +-{:.1f} t/ha after (90 % interval).",
        ),
    ]  # fmt: skip
    return [words.format(*figures) for figures, words in pairs if np.isfinite(figures).all()]


def _describe_delay(one: DelayEstimate) -> str:
    when = f" on {one.day}" if one.day else ""
    told = f"standard error {one.se_s:.1f} s" if one.identified else one.note
    mark = "," if one.identified else ";"
    return f"Flow delay of {one.machine}{when}: {one.delay_s:.1f} s{mark} {told}."


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

    Parameters
    ----------
    flag : pandas.Series of str
        Empty for kept readings.

    Returns
    -------
    dict of str to int

    Examples
    --------
    >>> count_reasons(pd.Series(["", "local", "idle", "local"]))
    {'idle': 1, 'local': 2}
    """
    counts = flag.value_counts()
    return {name: int(counts[name]) for name in REASONS if name in counts.index}


def warn_of_losses(
    removed: dict[str, int], readings: int, *, before: YieldFigures, after: YieldFigures
) -> list[str]:
    """Give warnings in words where more goes than cleaning should take.

    Parameters
    ----------
    removed : dict of str to int
        By reason.
    readings : int
    before, after : YieldFigures

    Returns
    -------
    list of str
        More than `MUCH_REMOVED_SHARE` of all readings gone; more than `MUCH_DOUBTED_SHARE` of those within
        rows doubted; or the mean moved by more than `MEAN_MOVED_SHARE` though turning is left aside.

    Examples
    --------
    >>> figures = YieldFigures(10, 14.0, 30.0, 0.0, 1.0)
    >>> warn_of_losses({"idle": 1}, 10, before=figures, after=figures)
    []
    """
    gone = sum(removed.values())
    turning = sum(removed.get(name, 0) for name in TURNING)
    doubted = sum(removed.get(name, 0) for name in DOUBTED)
    out = []
    if gone > MUCH_REMOVED_SHARE * readings:
        most = max(removed, key=lambda name: removed[name])
        out.append(
            f"{100 * gone / readings:.0f} % of the readings were left out, more than "
            f"{100 * MUCH_REMOVED_SHARE:.0f} %; most because: {REASONS[most]}. Check the outline, the row "
            "direction and spacing, and the units of the file."
        )
    if doubted > MUCH_DOUBTED_SHARE * max(readings - turning, 1):
        out.append(
            f"{100 * doubted / (readings - turning):.0f} % of the readings within rows were left out as "
            f"outliers, more than {100 * MUCH_DOUBTED_SHARE:.0f} %: the sensor may have been foul or loose. "
            "Look at the map of this vintage before trusting a pattern that others do not show."
        )
    moved = after.mean_t_ha / before.mean_t_ha - 1 if before.mean_t_ha > 0 else 0.0
    if abs(moved) > MEAN_MOVED_SHARE:
        out.append(
            f"Leaving readings out moved the mean from {before.mean_t_ha:.1f} to {after.mean_t_ha:.1f} t/ha "
            f"({100 * moved:+.0f} %): what was left out was mostly on one side. Weighed loads put the level "
            "right; without them it is doubtful."
        )
    return out
