"""From chains to draws: loss so far, the way on to the horizon, and the summaries of the output tables."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import special

from vinemap.decline.choices import anchored_slots
from vinemap.decline.curves import (
    FLOOR,
    HELD,
    RECOVERING,
    CurveSpace,
    FloatArray,
    IntArray,
    draw_rates,
    trace_curves,
)
from vinemap.decline.gaps import LARGEST_MISSING, Gaps
from vinemap.decline.layout import BoolArray, Layout
from vinemap.decline.sampler import ChainDraws
from vinemap.decline.stand import Stand, draw_symptomatic

PACE_SD = 0.15  # per root of a year: how far the pace of loss may stray from its curve; no source
ONSET_PER_YEAR = 0.02  # chance a year that a held zone sets in, if all of the estate declined; no source
# Missing share where nobody counted: four zones in five have few gaps, one in five many (weight, beta a, b);
# soils within a block differ a little, some by far (weight, SD of log yield). Common practice, no source.
UNCOUNTED_MISSING = ((0.8, 0.9, 30.0), (0.2, 2.0, 8.0))
SOILS = ((0.75, 0.12), (0.25, 0.35))
_SHARES = (np.arange(60) + 0.5) / 100
DECLINE_STARTS_PCT = 0.5  # % of healthy a year; slower than this over three years is called holding


@dataclass(frozen=True, slots=True)
class DeclineDraws:
    """Draws from the posterior; the later stages carry them on.

    Attributes
    ----------
    zone_ids : list of str
        Zones (Z).
    years : int array (Y,)
        From the year after the last vintage to the horizon.
    keep_t_ha : float array (draw, Z, Y)
        Yield in an average season if kept [t/ha].
    healthy_t_ha : float array (draw, Z)
        Yield in an average season if healthy and full [t/ha].
    now_t_ha : float array (draw, Z)
        Yield in an average season in the state of the last vintage [t/ha].
    missing_share : float array (draw, Z)
        Share of vine places without a living vine, 0-1.
    symptomatic_share : float array (draw, Z)
        Share of living vines with symptoms, 0-1.
    """

    zone_ids: list[str]
    years: IntArray
    keep_t_ha: FloatArray
    healthy_t_ha: FloatArray
    now_t_ha: FloatArray
    missing_share: FloatArray
    symptomatic_share: FloatArray


@dataclass(frozen=True, slots=True)
class Paths:
    """Draws of the course of every zone (draw, Z, T) and of its level.

    Attributes
    ----------
    years : int array (T,)
    vine_kept : float array (draw, Z, T)
        Share of a healthy vine's output per standing vine.
    stand_kept : float array (draw, Z, T)
        Share of vine places that bear; a guess that stays the same where never counted.
    healthy : float array (draw, Z)
        [t/ha].
    onset : float array (draw, Z)
        Year the loss sets in, NaN for held or recovering.
    """

    years: IntArray
    vine_kept: FloatArray
    stand_kept: FloatArray
    healthy: FloatArray
    onset: FloatArray

    @property
    def kept(self) -> FloatArray:
        """Share of healthy yield kept, stand and output per vine together."""
        return self.vine_kept * self.stand_kept

    def column(self, year: int) -> int:
        """Give the place of a year in `years`.

        Parameters
        ----------
        year : int

        Returns
        -------
        int
        """
        return int(year - self.years[0])


@dataclass(frozen=True, slots=True)
class Posterior:
    """Draws of all chains, one below the other.

    Attributes
    ----------
    family : int array (draw, curve)
        Kinds of the curves of the series, of the blocks, of varieties of many blocks, of the estate.
    scores : float array (draw, curve, 3)
    level : float array (draw, series)
    season : float array (draw, C, V)
    block_season : float array (draw, B, V)
    gaps : int array (draw, Z)
        Course of the gaps of every zone.
    """

    family: IntArray
    scores: FloatArray
    level: FloatArray
    season: FloatArray
    block_season: FloatArray
    gaps: IntArray = field(default_factory=lambda: np.zeros((0, 0), dtype=np.int64))


def join_chains(chains: list[ChainDraws]) -> Posterior:
    """Put the draws of several chains one below the other.

    Parameters
    ----------
    chains : list of ChainDraws
        At least one.

    Returns
    -------
    Posterior
    """
    return Posterior(
        **{
            name: np.concatenate([np.array(getattr(one, name)) for one in chains])
            for name in Posterior.__dataclass_fields__
        }
    )


def share_held(posterior: Posterior, space: CurveSpace, layout: Layout) -> FloatArray:
    """Give the share of the series that have not set in, neither by a curve of theirs nor by a shared one.

    Parameters
    ----------
    posterior : Posterior
    space : CurveSpace
        Owners are the series.
    layout : Layout

    Returns
    -------
    float array (draw,)
    """
    still = np.isin(posterior.family, (HELD, RECOVERING))
    count = len(layout.series)
    group, blocks = layout.variety_group, still[:, count:-1]
    held = np.zeros(len(still))
    for one, block in enumerate(layout.place[0]):  # one by one: all together would be as large as the draws
        shared = blocks[:, block] & still[:, -1]
        if group[block] >= 0:
            shared &= blocks[:, group.size + group[block]]
        above = np.isfinite(space.work_year[one]) | shared
        held += still[:, one] & above
    return np.asarray(held / count)


def trace_paths(
    posterior: Posterior,
    space: CurveSpace,
    layout: Layout,
    standing: Stand,
    *,
    zones: IntArray,
    held: FloatArray,
    last_vintage: int,
    rng: np.random.Generator,
    gaps: Gaps | None = None,
) -> Paths:
    """Join the parts of renewed zones and let the future stray from the fitted curves.

    Parameters
    ----------
    posterior : Posterior
    space : CurveSpace
        Owners are the series.
    layout : Layout
    standing : Stand
        Of these zones.
    zones : int array (Z,)
        Rows of the zone table: whole blocks.
    held : float array (draw,)
        Share of all series that have not set in (`share_held`).
    last_vintage : int
    rng : numpy.random.Generator
    gaps : Gaps, optional
        Of these zones; gaps are as old as the planting where not given.

    Returns
    -------
    Paths
    """
    years, count = space.years, zones.size
    place = {int(zone): at for at, zone in enumerate(zones)}
    whole = len(layout.series) - len(layout.renewed)
    parts = [one for one in range(whole, len(layout.series)) if layout.series[one].zone in place]
    members = np.concatenate([zones, np.array(parts, dtype=np.int64)])
    log_kept, level, onset, still = _gather(posterior, space, layout, members)
    now = int(last_vintage - years[0])
    log_kept = _stray(log_kept, still, held, now, rng)
    vine, first = log_kept[:, :count].copy(), onset[:, :count].copy()
    for position, part in enumerate(parts, count):
        after = years >= layout.series[part].first_vintage
        zone = place[layout.series[part].zone]
        vine[:, zone, after] = log_kept[:, position][:, after]
        first[:, zone] = np.nan
    guess = guess_missing(level[:, :count], layout.place[0][zones], rng=rng)
    course = np.ones(vine.shape) if gaps is None else gaps.course[np.arange(count), posterior.gaps[:, zones]]
    stand_kept = _stand_path(standing, course, guess, now, rng)
    full = np.where(
        standing.counted, 1.0, stand_kept[..., now]
    )  # uncounted, a zone yields as its stand lets it
    return Paths(years, np.exp(vine), stand_kept, np.exp(level[:, :count]) / full, first)


def _gather(
    posterior: Posterior, space: CurveSpace, layout: Layout, members: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """Log kept (draw, member, T), log level, onset and held of some series, all their curves together."""
    count, blocks = len(layout.series), layout.slot.shape[0]
    own_blocks, place = np.unique(layout.place[0][members], return_inverse=True)
    group = layout.variety_group
    varieties, of_block = np.unique(group[own_blocks], return_inverse=True)  # -1 among them: no curve
    first = np.array([np.argmax(group == one) for one in varieties], dtype=np.int64)
    last = posterior.family.shape[1] - 1
    numbers = np.where(varieties >= 0, count + blocks + varieties, last)
    curves = np.concatenate([members, count + own_blocks, numbers, [last]])
    owner = np.concatenate([members, layout.slot[np.concatenate([own_blocks, first]), 0], [0]])
    curve, onset = trace_curves(
        space, owner[None, :], posterior.family[:, curves], posterior.scores[:, curves]
    )
    borders = np.cumsum([members.size, own_blocks.size, varieties.size])
    own, common, shared, estate = np.split(curve, borders, axis=1)
    first_own, before, together, earliest = np.split(onset, borders, axis=1)
    curved = (varieties >= 0)[of_block]
    shared = np.where(curved[:, None], shared[:, of_block], 0.0)
    together = np.where(curved, together[:, of_block], np.nan)
    restarts = np.isfinite(space.work_year[members])
    above = (common + shared)[:, place] + estate
    total = np.maximum(own + np.where(restarts[:, None], 0.0, above), np.log(FLOOR / 2))
    sooner = np.where(restarts, np.nan, np.fmin(np.fmin(before, together)[:, place], earliest))
    level = posterior.level[:, members] - _lost_before(total, layout, members, space.years)
    return total, level, np.fmin(first_own, sooner), np.isnan(first_own) & np.isnan(sooner)


def _lost_before(log_kept: FloatArray, layout: Layout, members: IntArray, years: IntArray) -> FloatArray:
    """Log of what was kept in the first vintage of each anchored member (draw, member); 0 for the others."""
    blocks, slots = (one[members] for one in layout.place)
    first = layout.vintages[np.argmax(layout.seen[blocks, slots], axis=1)] - years[0]
    start = np.take_along_axis(log_kept, first[None, :, None], axis=2)[..., 0]
    return np.where(anchored_slots(layout)[blocks, slots], start, 0.0)


def _stray(
    log_kept: FloatArray, still: BoolArray, held: FloatArray, now: int, rng: np.random.Generator
) -> FloatArray:
    """Scale the loss still to come by a random pace, and let zones that hold still set in at random."""
    draws, series, span = log_kept.shape
    ahead = span - now - 1
    if ahead <= 0:
        return log_kept
    kept = np.exp(log_kept)
    steps = rng.standard_normal((draws, series, ahead)) * PACE_SD
    pace = np.exp(np.cumsum(steps, axis=2))
    future = kept[..., now + 1 :]
    further = np.cumsum(np.minimum(np.diff(kept[..., now:], axis=2), 0.0) * (pace - 1), axis=2)
    chance = ONSET_PER_YEAR * (1 - held)[:, None]
    start = rng.exponential(1 / np.maximum(chance, 1e-6), (draws, series))
    rate = draw_rates((draws, series), rng)
    late = rate[..., None] * np.maximum(np.arange(1, ahead + 1) - start[..., None], 0.0)
    future = future + further - np.where(still[..., None], late, 0.0)
    out = np.concatenate(
        [kept[..., : now + 1], np.maximum(future, np.minimum(FLOOR, kept[..., now + 1 :]))], axis=2
    )
    return np.asarray(np.log(out))


def guess_missing(level: FloatArray, block: IntArray, *, rng: np.random.Generator) -> FloatArray:
    """Draw the share of missing vines where nobody counted, from how far a zone lies below its block.

    Gaps that always were there lower a yield as weak soil does; which of both it is cannot be told without a
    count, so the draws hold both.

    Parameters
    ----------
    level : float array (draw, Z)
        Log yield of the zones if healthy, in the stand they have.
    block : int array (Z,)
        Code of the block.
    rng : numpy.random.Generator

    Returns
    -------
    float array (draw, Z)

    Examples
    --------
    >>> level = np.tile(np.log([20.0, 20.0, 14.0]), (2000, 1))
    >>> drawn = guess_missing(level, np.zeros(3, dtype=int), rng=np.random.default_rng(1))
    >>> bool(np.median(drawn[:, 0]) < 0.05 < np.median(drawn[:, 2]) < 0.2)
    True
    """
    prior = np.zeros(_SHARES.size)
    for weight, a, b in UNCOUNTED_MISSING:
        prior += weight * np.exp(
            (a - 1) * np.log(_SHARES) + (b - 1) * np.log1p(-_SHARES) - special.betaln(a, b)
        )
    same = block[:, None] == block[None, :]
    others = same.sum(axis=1) - 1
    mean = (level @ same - level) / np.maximum(others, 1)
    wide = np.sqrt(1 + 1 / np.maximum(others, 1))
    below = (level - mean)[..., None] - np.log1p(-_SHARES)  # what soil then has to explain
    like = np.zeros(below.shape)
    for weight, sd in SOILS:
        spread = sd * wide[:, None]
        like += weight / spread * np.exp(-0.5 * (below / spread) ** 2)
    chance = prior * np.where((others > 0)[:, None], like, 1.0)
    total = np.cumsum(chance, axis=2)
    drawn = (total < rng.uniform(size=level.shape)[..., None] * total[..., -1:]).sum(axis=2)
    return np.asarray(_SHARES[drawn] + (rng.uniform(size=level.shape) - 0.5) / 100)


def _stand_path(
    standing: Stand, course: FloatArray, guess: FloatArray, now: int, rng: np.random.Generator
) -> FloatArray:
    """Draw stand by year: one error a zone and draw, growth after the last count by the counts' own trend.

    `course` (draw, Z, T) is the share missing over that of the counts.
    """
    draws, zones, span = course.shape
    error = rng.standard_normal((draws, zones, 1))
    trend, doubt = standing.yearly_growth, standing.growth_sd
    growth = np.maximum(trend + doubt * rng.standard_normal((draws, zones)), 0.0)
    growth = np.where(trend > 2 * doubt, growth, 0.0)  # only a clear trend goes on
    column = np.minimum(np.arange(span), now)
    missing = (standing.missing[:, column] + error * standing.missing_sd[:, column]) * course
    missing = missing + growth[..., None] * np.maximum(np.arange(span) - now, 0)
    missing = np.clip(missing, 0.0, LARGEST_MISSING)
    return 1 - np.where(standing.counted[:, None], missing, guess[..., None])


def make_draws(
    paths: Paths,
    standing: Stand,
    zone_ids: list[str],
    *,
    last_vintage: int,
    horizon_year: int,
    rng: np.random.Generator,
) -> DeclineDraws:
    """Turn paths into the draws that the decision stage works on.

    Parameters
    ----------
    paths : Paths
    standing : Stand
    zone_ids : list of str
    last_vintage, horizon_year : int
    rng : numpy.random.Generator

    Returns
    -------
    DeclineDraws
    """
    now = paths.column(last_vintage)
    ahead = slice(now + 1, paths.column(horizon_year) + 1)
    kept_now = paths.kept[..., now]
    return DeclineDraws(
        zone_ids=zone_ids,
        years=paths.years[ahead],
        keep_t_ha=paths.healthy[..., None] * paths.kept[..., ahead],
        healthy_t_ha=paths.healthy,
        now_t_ha=paths.healthy * kept_now,
        missing_share=1 - paths.stand_kept[..., now],
        symptomatic_share=draw_symptomatic(standing, 1 - paths.vine_kept[..., now], rng=rng),
    )


def lost_by(paths: Paths, year: int) -> FloatArray:
    """Give the loss in a year.

    Parameters
    ----------
    paths : Paths
    year : int

    Returns
    -------
    float array (draw, Z)
        [% of healthy yield]
    """
    return np.asarray(100 * (1 - paths.kept[..., paths.column(year)]))


def yearly_decline(paths: Paths, *, last_vintage: int) -> FloatArray:
    """Give the mean yearly loss over the last three years.

    Parameters
    ----------
    paths : Paths
        They reach back three years or more before the last vintage.
    last_vintage : int

    Returns
    -------
    float array (draw, Z)
        [% of healthy yield a year]
    """
    now = paths.column(last_vintage)
    return 100 * (paths.kept[..., now - 3] - paths.kept[..., now]) / 3


def onset_mode(onset: FloatArray, declining: BoolArray, *, first: int, last: int) -> float:
    """Most frequent onset among declining draws, kept within the vintages; NaN without any.

    Parameters
    ----------
    onset : float array (draw,)
    declining : bool array (draw,)
    first, last : int
        First and last vintage; an earlier onset counts as the first.

    Returns
    -------
    float

    Examples
    --------
    >>> onset_mode(np.array([2019.2, 2019.4, 2021.0]), np.ones(3, dtype=bool), first=2018, last=2024)
    2020.0
    """
    usable = declining.astype(bool) & np.isfinite(onset)
    if not usable.any():
        return float("nan")
    years = np.clip(np.ceil(onset[usable]), first, last).astype(int)
    counts = np.bincount(years - first)
    smooth = np.convolve(counts, [0.25, 0.5, 0.25], mode="same")  # a mode of draws is noisy
    return float(first + np.argmax(smooth))
