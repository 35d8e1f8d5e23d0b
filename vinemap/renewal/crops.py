"""Crops after the work: what takes, what comes back by vintage, what is refilled, what protection saves."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vinemap.renewal.finance import Floats
from vinemap.renewal.methods import Method
from vinemap.renewal.standing import RECOVERY_YEARS, Ints, Samples, Standing


def crop_at_start(standing: Standing, year: int) -> Floats:
    """Kept crop [t/ha] just before work in `year` (now, or that vintage's forecast), shape (draw, zone)."""
    index = min(year - int(standing.years[0]), standing.years.size - 1)
    return standing.now if index < 0 else standing.keep[:, :, index]


def take_share(standing: Standing, method: Method, deviate: Floats, year: int) -> Floats:
    """Share of worked vines that take in `year`, shape (draw, zone).

    The symptomatic share is carried forward by the crop lost since, one to one (Munkvold et al. 1994: slopes
    of 0.90 and 0.99 of yield on the share of spurs dead or symptomatic [S]).
    """
    lost_since = np.clip((standing.now - crop_at_start(standing, year)) / standing.healthy, 0.0, 1.0)
    sick = np.clip(standing.symptomatic + lost_since, 0.0, 1.0)
    age = np.where(np.isfinite(standing.planted), year - standing.planted, 0.0)
    old = np.clip(age - method.take_age_from, 0.0, None)
    share = method.take_share - method.take_drop_symptomatic * sick - method.take_drop_per_year * old[None, :]
    return np.clip(share + method.take_sd * deviate[:, None], 0.0, 1.0)


def worked_share(standing: Standing, method: Method) -> Floats:
    """Share of vine places worked on, shape (draw, zone)."""
    if method.keeps_standing:
        return standing.missing
    return np.ones_like(standing.missing) if method.restores_stand else 1.0 - standing.missing


def full_crop(standing: Standing, method: Method) -> Floats:
    """Crop [t/ha] of the work once in full bearing if every vine takes, shape (draw, zone).

    For infill: what the new vines add, never more than the zone has lost (neighbours fill part of a gap).
    """
    if method.keeps_standing:
        gap = np.clip(1.0 - standing.now / standing.healthy, 0.0, 1.0)
        return method.full_level * standing.healthy * np.minimum(standing.missing, gap)
    return method.full_level * standing.healthy * worked_share(standing, method)


def crop_shape(standing: Standing, method: Method, span: int) -> Floats:
    """Crop in the 1st, 2nd, ... vintage after the work as share of full, shape (draw, zone, span)."""
    ramp = np.ones(span)
    young = method.crop_share_by_year_after[:span]
    ramp[: len(young)] = young
    held = len(method.crop_share_by_year_after) + method.held_years
    declining = np.clip(np.arange(1, span + 1) - held, 0.0, None)
    shape = np.asarray(method.decline_speed * standing.rate[:, :, None] * declining)
    np.subtract(1.0, shape, out=shape)  # in place, as it is large and worked out for every start year
    np.clip(shape, 0.0, 1.0, out=shape)
    shape *= ramp
    return shape


def young_ages(method: Method) -> int:
    """Vintages after the work in which vines do not bear fully yet."""
    return len(method.crop_share_by_year_after)


def refilled_share(standing: Standing, method: Method, take: Floats) -> Floats:
    """Share of vine places refilled in the winter after the work, shape (draw, zone)."""
    empty = standing.missing + (1.0 - standing.missing) * (1.0 - take)
    return np.asarray(method.refill_share * empty)


def refill_shape(method: Method, span: int) -> Floats:
    """Crop of refilled places in the 1st, 2nd, ... vintage after the work, of full, shape (span,)."""
    out = np.ones(span)
    young = (0.0, *method.refill_crop_share_by_year_after)[:span]
    out[: len(young)] = young
    return out


def crop_after(standing: Standing, method: Method, take: Floats, span: int) -> Floats:
    """Crop [t/ha] in the 1st, 2nd, ... vintage after the work, shape (draw, zone, span).

    Of vines worked on that took and, from a winter later, of places refilled. For infill: what it adds.
    """
    taken = 1.0 if method.restores_stand else take
    level = full_crop(standing, method) * taken
    crop = crop_shape(standing, method, span)
    crop *= level[:, :, None]
    if method.refill_share and not method.restores_stand:
        young = method.refill_full_level * standing.healthy * refilled_share(standing, method, take)
        crop += young[:, :, None] * refill_shape(method, span)
    return crop


def slowing(standing: Standing, samples: Samples, column: int) -> Floats:
    """Share of further loss that protection saves, shape (draw, zone): only sound vines gain."""
    return samples.efficacy[:, [column]] * (1.0 - standing.symptomatic)


def protected_fall(standing: Standing, method: Method, year: int) -> tuple[int, Floats]:
    """Index of the first vintage that protection from `year` on touches, and the further loss [t/ha].

    The loss has the shape (draw, zone, vintage from that one on).
    """
    begin = year + method.effect_after_years
    first = first_vintage(standing, begin)
    kept = crop_at_start(standing, begin)[:, :, None]
    return first, np.clip(kept - standing.keep[:, :, first:], 0.0, None)


def first_vintage(standing: Standing, year: int) -> int:
    """Index of the first vintage that work in `year` touches."""
    return int(np.clip(year + 1 - standing.years[0], 0, standing.years.size))


def possible(standing: Standing, method: Method) -> npt.NDArray[np.bool_]:
    """Whether the method can be done in each zone at all, shape (zone,).

    Enough vines must be missing, and counted, to infill; grafting needs another variety than the zone's own.
    """
    gaps = standing.missing.mean(axis=0) >= method.least_missing_share
    if method.keeps_standing:
        gaps &= standing.gaps_counted
    if method.name != "graft_over":
        return np.asarray(gaps)
    other = [bool(method.new_variety) and one != method.new_variety for one in standing.varieties]
    return np.asarray(gaps & np.asarray(other, dtype=bool))


def still_recovering(renewed: Floats, start_years: Ints) -> npt.NDArray[np.bool_]:
    """Whether a zone renewed in that year (NaN: never) still comes back, shape (zone, start)."""
    return np.asarray(start_years[None, :] <= renewed[:, None] + RECOVERY_YEARS)
