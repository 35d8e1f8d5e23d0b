"""Formulas of the decline curves, compiled: millions of candidate curves are traced in a fit.

The constants of the curves stand here, beside the compiled code that uses them: a kept compilation is renewed
only when its own file changes.
"""

# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import math

import numba
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HELD, STEADY, HELD_THEN, S_SHAPED, RECOVERING = range(5)
FLOOR = 0.10  # share of healthy yield below which no curve goes; common practice, no source
RATE_EDGES_PCT = (1.5, 3.0, 5.0, 8.0)  # borders of the classes of yearly loss, % of healthy per year
# Share of healthy yield lost a year; the estate's own spread re-weights it (see `RATE_EDGES_PCT`).
MEDIAN_RATE = 0.03
RATE_LOG_SD = 0.75
# A fall of more than this in one year is a season or a machine: incidence rises 1 to 7.5 points a year
# (Limestone Coast survey 2012-2019, handbook [S]), and vines lose their crop over years, not at once.
LEAST_RATE, LARGEST_RATE = 0.007, 0.15
HALF_CROP_YEARS = 1.75  # one crop missed, full crop in 2-3 seasons (handbook, section 1)
FULL_AGAIN, FULL_AGAIN_SD = 1.0, 0.10  # share of healthy yield once recovered; common practice, no source
_ROOT_HALF = math.sqrt(0.5)

compiled = numba.njit(cache=True, nogil=True)


@compiled
def normal_share(score):
    """Share of a standard normal below a score."""
    return 0.5 * math.erfc(-score * _ROOT_HALF)


@compiled
def yearly_pace(score):
    """Share of healthy yield lost a year by a straight fall, at a standard normal score."""
    return min(max(MEDIAN_RATE * math.exp(RATE_LOG_SD * score), LEAST_RATE), LARGEST_RATE)


@compiled
def logistic_rate(score):
    """Logistic rate [1/year] of an S-shaped loss; 0.15 to 1.0 about 0.40, common practice, no source."""
    return min(max(0.40 * math.exp(0.40 * score), 0.15), 1.0)


@compiled
def ceiling(score):
    """Share of healthy yield an S-shaped loss ends at, from 0.15 to what the floor leaves; no source."""
    return 0.15 + (1.0 - FLOOR - 0.15) * normal_share(score)


@compiled
def _class_of(kind, scores):
    if kind in (HELD, RECOVERING):
        return 0
    if kind == S_SHAPED:  # across the year of half loss
        steepest = 100 * ceiling(scores[1]) * math.tanh(logistic_rate(scores[0]) / 4)
    else:
        steepest = 100 * yearly_pace(scores[1])
    found = 0
    for edge in RATE_EDGES_PCT:
        if steepest >= edge:
            found += 1
    return found


@compiled
def _ramp(onset, pace, years, out):
    for at in range(years.size):
        out[at] = math.log1p(-min(pace * max(years[at] - onset, 0.0), 1.0 - FLOOR))


@compiled
def _s_shaped(scores, midpoints, years, out):
    rate, top = logistic_rate(scores[0]), ceiling(scores[1])
    place = normal_share(scores[2]) * (midpoints.size - 1)
    below = min(int(place), midpoints.size - 2)
    midpoint = midpoints[below] + (place - below) * (midpoints[below + 1] - midpoints[below])
    for at in range(years.size):
        out[at] = math.log1p(-top / (1.0 + math.exp(-rate * (years[at] - midpoint))))
    return midpoint - math.log(9.0) / rate  # a tenth of the ceiling is lost


@compiled
def _recovering(scores, work_year, years, out):
    full = min(max(FULL_AGAIN + FULL_AGAIN_SD * scores[0], 0.5), 1.15)
    half = HALF_CROP_YEARS * math.exp(0.2 * scores[1])
    steepness = 1.5 + 3.5 * normal_share(scores[2])
    for at in range(years.size):
        since = max(years[at] - work_year, 0.0) / half
        out[at] = math.log(max(full * (1 - math.exp(-math.log(2.0) * since**steepness)), 0.02))


@compiled
def fill_curves(owner, family, scores, years, span, lead, midpoints, work_year, curve, onset):
    """Trace curves (n, W) and their onsets (n) of given kinds (n) and scores (n, 3).

    `span` is the first year and the length of the vintages; `lead` (owners), `midpoints` (owners, 401) and
    `work_year` (owners) are those of `curves.CurveSpace`.
    """
    first, length = span
    for one in range(family.size):
        kind, who, own = family[one], owner[one], scores[one]
        onset[one] = np.nan
        if kind == STEADY:  # beta(1, 3): short leads are likelier than long ones
            onset[one] = first - lead[who] * (1.0 - normal_share(-own[0]) ** (1.0 / 3.0))
            _ramp(onset[one], yearly_pace(own[1]), years, curve[one])
        elif kind == HELD_THEN:
            onset[one] = first + length * normal_share(own[0])
            _ramp(onset[one], yearly_pace(own[1]), years, curve[one])
        elif kind == S_SHAPED:
            onset[one] = _s_shaped(own, midpoints[who], years, curve[one])
        elif kind == RECOVERING:
            _recovering(own, work_year[who], years, curve[one])
        else:
            curve[one] = 0.0


@compiled
def fill_classes(family, scores, found):
    """Class of the steepest yearly loss (n) of curves of given kinds (n) and scores (n, 3)."""
    for one in range(family.size):
        found[one] = _class_of(family[one], scores[one])


@compiled
def fill_paces(scores, found):
    """Yearly losses (n) at standard normal scores (n)."""
    for one in range(scores.size):
        found[one] = yearly_pace(scores[one])
