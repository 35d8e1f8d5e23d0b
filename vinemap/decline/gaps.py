"""How the gaps that were counted came about: the stand before the first count is open backwards.

Vines go missing as a planting ages, and sooner where it is ill, so a count says little about the years before
it: the share m that was counted may have stood empty from the start, or the vines may have gone lately. Each
zone has a course of its own, drawn along with its decline curve::

    missing(t) = m ((t - planted) / (counted - planted))^k

with k = 0 for gaps as old as the planting and a large k for vines lost just before the count. Yields tell the
courses apart where they can: old gaps lower the level, late ones the last vintages.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from vinemap.decline.courses import FloatArray, IntArray
from vinemap.decline.curves import UNKNOWN_AGE
from vinemap.decline.layout import BoolArray, Layout
from vinemap.decline.stand import Stand

EXPONENTS = np.array([0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0])  # k; no source
# Chance of each before any data: gaps are likelier old, or as old as the vines, than late. No source.
PRIOR = np.array([0.40, 0.15, 0.15, 0.10, 0.08, 0.06, 0.06])
SETTLED_YEARS = 3  # counts that agree over so many years or more show a stand that holds; no source
GOES_ON_YEARS = 5  # after a single count vines go missing as in the years before it; no source
LEAST_MISSING, LARGEST_MISSING = 0.005, 0.95  # fewer gaps than that have no course worth telling
TRIED = 3  # courses weighed in a sweep, the present one among them
LOG_PRIOR = np.log(PRIOR)


@dataclass(frozen=True, slots=True)
class Gaps:
    """Possible courses of the gaps of every zone.

    Attributes
    ----------
    is_open : bool array (Z,)
        Whether the years before the first count are open.
    course : float array (Z, K, T)
        Share missing over the share that `Stand` holds, by exponent k and year; 1 where not open.
    """

    is_open: BoolArray
    course: FloatArray

    def of(self, zones: IntArray) -> Gaps:
        """Take some zones only.

        Parameters
        ----------
        zones : int array (n,)
            Rows.

        Returns
        -------
        Gaps
        """
        return Gaps(self.is_open[zones], self.course[zones])


def open_backwards(
    standing: Stand, stand: pd.DataFrame | None, zone_ids: list[str], planted: FloatArray, years: IntArray
) -> tuple[Stand, Gaps]:
    """Open the years before the first count, except where counts agree over several years or found no gaps.

    Parameters
    ----------
    standing : Stand
        As `interpolate_stand` gives it: level before the first count.
    stand : pandas.DataFrame or None
        Columns zone_id, vintage, missing_pct.
    zone_ids : list of str
        Zones, in order (Z).
    planted : float array (Z,)
        Year of planting; where not known the vines count as 15 years old in the first year.
    years : int array (T,)

    Returns
    -------
    Stand
        Its doubt no longer grows backwards where the courses take that over.
    Gaps

    Examples
    --------
    >>> from vinemap.decline.stand import interpolate_stand
    >>> counts = pd.DataFrame({"zone_id": ["A"], "vintage": [2026], "missing_pct": [30.0],
    ...                        "symptomatic_pct": [0.0], "vines": [1000]})
    >>> years = np.arange(2016, 2027)
    >>> level = interpolate_stand(counts, ["A"], years)
    >>> _, gaps = open_backwards(level, counts, ["A"], np.array([2006.0]), years)
    >>> gaps.course[0, :3, [0, -1]].round(2).tolist()
    [[1.0, 0.71, 0.5], [1.0, 1.0, 1.0]]
    """
    is_open = np.zeros(len(zone_ids), dtype=bool)
    course = np.ones((len(zone_ids), EXPONENTS.size, years.size))
    sd = standing.missing_sd.copy()
    planted = np.where(np.isfinite(planted), planted, years[0] - UNKNOWN_AGE)
    for row, (first, last) in _first_and_last(stand, zone_ids).items():
        agreeing = standing.growth_sd[row] == 0
        holds = agreeing and last - first >= SETTLED_YEARS
        if first <= years[0] or holds or standing.missing[row].max() < LEAST_MISSING:
            continue
        is_open[row] = True
        course[row] = trace_gaps(years, planted=planted[row], first=first, last=last, goes_on=bool(agreeing))
        sd[row, years < first] = sd[row, np.searchsorted(years, first)]
    return replace(standing, missing_sd=sd), Gaps(is_open, course)


def _first_and_last(stand: pd.DataFrame | None, zone_ids: list[str]) -> dict[int, tuple[float, float]]:
    """Vintages of the first and the last count that found gaps or none, by row of the zone."""
    if stand is None or stand.empty:
        return {}
    seen = stand[stand["missing_pct"].notna()].groupby("zone_id")["vintage"].agg(["min", "max"])
    row = {zone: place for place, zone in enumerate(zone_ids)}
    return {row[zone]: (float(first), float(last)) for zone, first, last in seen.itertuples() if zone in row}


def trace_gaps(years: IntArray, *, planted: float, first: float, last: float, goes_on: bool) -> FloatArray:
    """Give the share missing over the share counted, for every exponent k.

    Between the first and the last count the counts speak.

    Parameters
    ----------
    years : int array (T,)
    planted : float
        Year of planting.
    first, last : float
        Vintages of the first and the last count.
    goes_on : bool
        Whether vines go missing after the last count as they did in the years before the first.

    Returns
    -------
    float array (K, T)
        In the order of `EXPONENTS`.
    """
    age = max(first - planted, 1.0)
    share = np.clip((years - planted) / age, 0.0, 1.0) ** EXPONENTS[:, None]
    share[:, years >= first] = 1.0
    if goes_on:
        before = np.clip((first - GOES_ON_YEARS - planted) / age, 0.0, 1.0) ** EXPONENTS
        share = share + (1 - before)[:, None] / GOES_ON_YEARS * np.maximum(years - last, 0.0)
    return np.asarray(share)


class GapState:
    """The course that the gaps of every series take at present, for one chain.

    Parameters
    ----------
    layout : Layout
    standing : Stand
        Whose share is in the log yields of the layout.
    gaps : Gaps
    years : int array (T,)
    rng : numpy.random.Generator

    Attributes
    ----------
    rows : int array (n,)
        Series whose course is open; a renewed zone's is not.
    course : int array (n,)
    log_stand : float array (n, K, V)
        Log of the share standing over the share that is in the log yields; 0 where not seen.
    """

    def __init__(
        self, layout: Layout, standing: Stand, gaps: Gaps, years: IntArray, rng: np.random.Generator
    ) -> None:
        self.rng = rng
        renewed = layout.renewed
        self.zone = np.array([one.zone for one in layout.series], dtype=np.int64)
        usable = [bool(gaps.is_open[zone]) and zone not in renewed for zone in self.zone]
        self.rows = np.flatnonzero(usable)
        columns, zones = layout.vintages - years[0], self.zone[self.rows]
        counted = standing.missing[zones][:, None, columns]
        gone = np.minimum(counted * gaps.course[zones][:, :, columns], LARGEST_MISSING)
        blocks, slots = layout.place
        seen = layout.seen[blocks[self.rows], slots[self.rows]]
        self.log_stand = (np.log1p(-gone) - np.log1p(-counted)) * seen[:, None, :]
        self.course = rng.integers(0, EXPONENTS.size, self.rows.size)

    def present(self) -> FloatArray:
        """Give the log of the share standing over that in the log yields, under the present courses.

        Returns
        -------
        float array (n, V)
        """
        return np.asarray(self.log_stand[np.arange(self.rows.size), self.course])

    def by_zone(self, zones: int) -> IntArray:
        """Give the present course of every zone.

        Parameters
        ----------
        zones : int
            Number of zones (Z).

        Returns
        -------
        int array (Z,)
            0 where it is not open.
        """
        out = np.zeros(zones, dtype=np.int64)
        out[self.zone[self.rows]] = self.course
        return out

    def propose(self, part: slice) -> IntArray:
        """Draw courses to weigh for a part of the rows.

        They lie at distances from the present one drawn alike for all rows: the way back is then as likely as
        the way there.

        Parameters
        ----------
        part : slice
            Of the rows.

        Returns
        -------
        int array (rows, TRIED)
            The present course first.
        """
        away = self.rng.choice(EXPONENTS.size - 1, TRIED - 1, replace=False) + 1
        return np.asarray((self.course[part, None] + np.r_[0, away]) % EXPONENTS.size)
