"""Gibbs sampling of the hierarchical model of log yield, the Gaussian part integrated out.

Model, for series s (zone z, block b, variety c) in vintage v::

    log y - log stand = mu + alpha_b + a_z + u_v + w_cv + b_bv + c'x_zv + curve(v) + curve_c(v) + curve_b(v)
                        + curve_s(v) + e

    alpha_b ~ N(0, sd_block^2)                a_z ~ N(0, sd_zone^2)
    u_v ~ N(0, sd_vintage^2 / lambda_v)       w_cv ~ N(0, sd_variety^2 / lambda_cv)
    b_bv ~ N(0, sd_block_vintage^2 / lambda_bv + settlement variance)
    e ~ N(0, sampling variance + sd_error^2 / lambda)

Every lambda ~ Gamma(nu/2, nu/2) makes its term Student-t: one frosted season, or one wild yield, is no trend.
Vintage effects are independent with mean zero: a fall that all zones share stays possible as decline and
possible as a run of poor seasons, in the proportion the two priors deserve. The estate has a curve, so has
every variety of many blocks, every block one that all its zones share and every zone one of its own; all are
drawn with mu, alpha, a, u, w and b integrated out given all other curves (collapsed Gibbs), because drawing
them in turn would leave a whole-block decline stuck in b_bv.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
from scipy import special

from vinemap.decline.choices import CurveChoice
from vinemap.decline.curves import CurveSpace, FloatArray, IntArray
from vinemap.decline.gaps import GapState
from vinemap.decline.layout import Layout
from vinemap.decline.signs import SignTable
from vinemap.decline.symptoms import SymptomTable

PER_FAMILY = 60
NEVER_SEEN_VARIANCE = 1e4
INTERCEPT_SD = 2.0
ELASTICITY_SD = 0.5  # change of log yield with log pruning width and the like; common practice, no source
REFERENCE_SD = 0.07  # log scale, how closely a district follows an estate; common practice, no source
SD_GRID = np.geomspace(0.004, 1.5, 60)
_QUANTILES = (np.arange(12) + 0.5) / 12


@dataclass(frozen=True, slots=True)
class Priors:
    """Prior scales (half-normal, log scale) and shares; common practice, no source.

    Attributes
    ----------
    sd_vintage, sd_variety, sd_block_vintage : float
        Scale of shared season effects, of a variety's and of a block's deviation from them.
    sd_block, sd_zone, sd_error : float
        Scale of block levels, of zone levels within a block, of unexplained zone-by-vintage variation.
    declining : tuple of float
        Beta parameters of the estate's share of zones that decline.
    common : tuple of float
        Beta parameters of the share of blocks that decline as a whole.
    estate, variety : float
        Chance that the whole estate, or all blocks of a variety, decline together, before any data.
    likeness : float
        How alike zones of one block are in that (prior zones' worth).
    degrees : float
        Degrees of freedom of the errors; infinite for Gaussian.
    season_degrees : float
        The same for the seasons of estate, varieties and blocks: one season may be far worse than the others.
    families : tuple of int
        Kinds of decline offered (see `vinemap.decline.curves`); empty for none.
    """

    sd_vintage: float = 0.25
    sd_variety: float = 0.08
    sd_block_vintage: float = 0.08
    sd_block: float = 0.5
    sd_zone: float = 0.3
    sd_error: float = 0.08
    declining: tuple[float, float] = (1.0, 3.0)
    common: tuple[float, float] = (1.0, 2.0)
    estate: float = 0.05
    variety: float = 0.1
    likeness: float = 4.0
    degrees: float = 6.0
    season_degrees: float = 5.0
    families: tuple[int, ...] = (1, 2, 3)


@dataclass(slots=True)
class ChainDraws:
    """Kept draws of one chain, one array a draw; B blocks, V vintages, C varieties, Z zones.

    Attributes
    ----------
    family : list of int array (curve,)
        Kinds of the curves of the series, of the blocks, of varieties of many blocks, of the estate.
    scores : list of float array (curve, 3)
    level : list of float array (series,)
        Log of the level [t/ha].
    season : list of float array (C, V)
        Log effect; one row where there is one variety.
    block_season : list of float array (B, V)
        Log effect.
    sd : list of float array (6,)
        Of `SD_NAMES`, log scale.
    gaps : list of int array (Z,)
        Course of the gaps.
    slope : list of float array
        Of what is adjusted for, then of signs.
    """

    family: list[IntArray] = field(default_factory=list)
    scores: list[FloatArray] = field(default_factory=list)
    level: list[FloatArray] = field(default_factory=list)
    season: list[FloatArray] = field(default_factory=list)
    block_season: list[FloatArray] = field(default_factory=list)
    sd: list[FloatArray] = field(default_factory=list)
    gaps: list[IntArray] = field(default_factory=list)
    slope: list[FloatArray] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Reference:
    """Outside series of the seasons of a district; each has a level of its own, which is free.

    Attributes
    ----------
    log_yield : float array (R, V)
        Log of yields or of an index of them, NaN where there is none.
    variety : list of int (R,)
        Code of the variety, -1 for all varieties together.
    """

    log_yield: FloatArray
    variety: list[int]


SD_NAMES = ("vintage", "variety", "block_vintage", "block", "zone", "error")


class Sampler:
    """State of one chain.

    Parameters
    ----------
    layout : Layout
    space : CurveSpace
        Owners are the series.
    symptoms : SymptomTable
        Log likelihood of counts of symptoms under each curve.
    priors : Priors
    rng : numpy.random.Generator
    signs : SignTable
        Log likelihood of signs of the loss beside the yield.
    reference : Reference, optional
    reference_sd : float, optional
        How closely the outside series follows the estate's seasons (log scale).
    per_family : int, optional
        Fresh candidate curves of each kind in a sweep.
    gaps : GapState, optional
        Courses of gaps that are open before the first count.
    """

    def __init__(
        self,
        layout: Layout,
        space: CurveSpace,
        *,
        symptoms: SymptomTable,
        priors: Priors,
        rng: np.random.Generator,
        signs: SignTable,
        gaps: GapState | None = None,
        reference: Reference | None = None,
        reference_sd: float = REFERENCE_SD,
        per_family: int = PER_FAMILY,
    ) -> None:
        self.layout, self.priors, self.rng = layout, priors, rng
        self.blocks, self.slots = layout.place
        self.shape = layout.log_yield.shape
        self.choice = CurveChoice(
            layout, space, symptoms=symptoms, signs=signs, families=priors.families,
            declining=priors.declining, common=priors.common, estate_share=priors.estate,
            variety_share=priors.variety, likeness=priors.likeness, per_family=per_family, rng=rng, gaps=gaps,
        )  # fmt: skip
        self.gaps, self.zones = gaps, sum(not np.isfinite(one.first_vintage) for one in layout.series)
        self._prepare_design(reference, reference_sd)
        self._prepare_block_design()
        self.sd = dict(zip(SD_NAMES, (0.2, 0.04, 0.06, 0.3, 0.15, 0.08), strict=True))
        self.weight = np.ones(self.shape)  # lambda of the Student-t errors
        self.season_weight = np.ones(self.seasons.stop - 1)  # of seasons, then of varieties' seasons
        self.block_weight = np.ones((self.shape[0], self.shape[2]))

    def _prepare_design(self, reference: Reference | None, reference_sd: float) -> None:
        """Columns: intercept, one a vintage, one a variety and vintage, adjustments, levels of references."""
        blocks, series, vintages = self.shape
        self.several = len(self.layout.varieties) > 1
        codes = len(self.layout.varieties) if self.several else 0
        self.seasons = slice(1, 1 + vintages * (1 + codes))
        adjusted, levels = len(self.layout.adjusted_for), 0 if reference is None else len(reference.variety)
        self.adjusted = slice(self.seasons.stop, self.seasons.stop + adjusted)
        width = self.adjusted.stop + levels
        design = np.zeros((blocks, series, vintages, width))
        design[..., 0] = 1.0
        step = np.arange(vintages)
        design[:, :, step, 1 + step] = 1.0
        for block, code in enumerate(self.layout.variety if self.several else ()):
            design[block, :, step, 1 + vintages * (1 + code) + step] = 1.0
        design[..., self.adjusted] = self.layout.adjustment
        self.centre = float(self.layout.log_yield[self.layout.seen].mean())
        self.target = np.where(self.layout.seen, self.layout.log_yield - self.centre, 0.0)
        self.design = (design * self.layout.seen[..., None]).reshape(blocks, series * vintages, width)
        self._prepare_reference(reference, reference_sd, width)

    def _prepare_reference(self, reference: Reference | None, reference_sd: float, width: int) -> None:
        """Precision and score that outside series add to the shared effects."""
        self.extra_precision, self.extra_score = np.zeros((width, width)), np.zeros(width)
        if reference is None:
            return
        vintages = self.shape[2]
        for place, (code, values) in enumerate(zip(reference.variety, reference.log_yield, strict=True)):
            for position in np.flatnonzero(np.isfinite(values)):
                row = np.zeros(width)
                row[1 + position] = row[self.adjusted.stop + place] = 1.0
                if self.several and code >= 0:
                    row[1 + vintages * (1 + code) + position] = 1.0
                self.extra_precision += np.outer(row, row) / reference_sd**2
                self.extra_score += row * (values[position] - np.nanmean(values)) / reference_sd**2

    # ------------------------------------------------------------------ one sweep
    def sweep(self) -> None:
        """Draw every unknown once."""
        inverse = self._block_precision()
        projected = inverse @ self.design
        flat = self.design.reshape(-1, self.design.shape[2])
        precision = flat.T @ projected.reshape(flat.shape) + self.extra_precision
        covariance = np.linalg.inv(precision + np.diag(1 / self._effect_variance()))
        self.choice.draw(inverse, projected, covariance, self.target, self.extra_score)
        self._draw_effects(projected, covariance)
        self._draw_block_effects()
        self._draw_scales()
        self.choice.draw_shares()
        self.choice.draw_signs()

    def run(self, *, burn: int, keep: int) -> ChainDraws:
        """Sweep, and keep the later draws.

        Parameters
        ----------
        burn : int
            Sweeps before the first draw that is kept.
        keep : int
            Draws kept, one a sweep.

        Returns
        -------
        ChainDraws
        """
        out = ChainDraws()
        for step in range(burn + keep):
            self.sweep()
            if step >= burn:
                choice = self.choice
                levels = (choice.series, choice.block, choice.variety, choice.estate)
                out.family.append(np.concatenate([one.family for one in levels]))
                out.scores.append(np.concatenate([one.scores for one in levels]))
                out.level.append(self.level[self.blocks, self.slots] + self.centre)
                out.season.append(self.season.copy())
                out.block_season.append(self.block_season.copy())
                out.gaps.append(self._gaps_by_zone())
                out.sd.append(np.array([self.sd[name] for name in SD_NAMES]))
                out.slope.append(np.concatenate([self.effect[self.adjusted], self.choice.signs.slope]))
        return out

    def _gaps_by_zone(self) -> IntArray:
        """Course of the gaps of every zone; 0 where none is open."""
        return np.zeros(self.zones, dtype=np.int64) if self.gaps is None else self.gaps.by_zone(self.zones)

    def _effect_variance(self) -> FloatArray:
        """Prior variance of the shared effects (columns,)."""
        vintages = self.shape[2]
        variance = np.full(self.design.shape[2], self.sd["variety"] ** 2)
        variance[0] = INTERCEPT_SD**2
        variance[1 : 1 + vintages] = self.sd["vintage"] ** 2
        variance[self.seasons] /= self.season_weight
        variance[self.adjusted] = ELASTICITY_SD**2
        variance[self.adjusted.stop :] = INTERCEPT_SD**2
        return variance

    def _season_variance(self) -> FloatArray:
        """Prior variance of the seasons of blocks (B, V), the settlement's in it."""
        return np.asarray(self.sd["block_vintage"] ** 2 / self.block_weight + self.layout.factor_variance)

    def _error_variance(self) -> FloatArray:
        """Variance of the log yields beyond levels and seasons (B, S, V)."""
        variance = self.layout.noise_variance + self.sd["error"] ** 2 / self.weight
        return np.where(self.layout.seen, variance, NEVER_SEEN_VARIANCE)

    def _block_precision(self) -> FloatArray:
        """Inverse covariance (B, SV, SV) of a block's log yields, levels and seasons integrated out."""
        blocks, series, vintages = self.shape
        covariance = np.full((blocks, series, vintages, series, vintages), self.sd["block"] ** 2)
        covariance += self.sd["zone"] ** 2 * self.layout.same_zone[:, :, None, :, None]
        step = np.arange(vintages)
        covariance[:, :, step, :, step] += self._season_variance().T[:, :, None, None]
        flat = covariance.reshape(blocks, series * vintages, series * vintages)
        diagonal = np.arange(series * vintages)
        flat[:, diagonal, diagonal] += self._error_variance().reshape(blocks, -1)
        return np.asarray(np.linalg.inv(flat))

    def _draw_effects(self, projected: FloatArray, covariance: FloatArray) -> None:
        """Draw the effects that blocks share, and what they leave of the log yields."""
        residual = (self.target - self.choice.fitted()).reshape(self.shape[0], -1)
        score = residual.ravel() @ projected.reshape(residual.size, -1) + self.extra_score
        root = np.linalg.cholesky(covariance)
        self.effect = covariance @ score + root @ self.rng.standard_normal(score.size)
        vintages = self.shape[2]
        shared = self.effect[1 : 1 + vintages]
        own = self.effect[1 + vintages : self.seasons.stop].reshape(-1, vintages)
        self.season = shared + (own if self.several else np.zeros((1, vintages)))
        self.residual = (residual - self.design @ self.effect).reshape(self.shape)

    def _prepare_block_design(self) -> None:
        """Columns: level of the block, levels of its zones (parts of one zone share one), its seasons."""
        blocks, series, vintages = self.shape
        self.own_level = np.argmax(self.layout.same_zone, axis=2)  # first series of the same zone
        design = np.zeros((blocks, series, vintages, 1 + series + vintages))
        design[..., 0] = 1.0
        design[np.arange(blocks)[:, None], np.arange(series)[None, :], :, 1 + self.own_level] = 1.0
        step = np.arange(vintages)
        design[:, :, step, 1 + series + step] = 1.0
        self.block_design = design.reshape(blocks, series * vintages, -1)
        self.counted_level = (self.own_level == np.arange(series)) & (self.layout.slot >= 0)

    def _draw_block_effects(self) -> None:
        """Draw block level, zone levels and block seasons jointly, all blocks at once."""
        blocks, series, _ = self.shape
        precision = np.where(self.layout.seen, 1 / self._error_variance(), 0.0).reshape(blocks, -1)
        inner = np.swapaxes(self.block_design, 1, 2) @ (self.block_design * precision[..., None])
        season = 1 / self._season_variance()
        level = np.full((blocks, 1), self.sd["block"] ** -2)
        prior = np.concatenate([level, np.full((blocks, series), self.sd["zone"] ** -2), season], axis=1)
        diagonal = np.arange(prior.shape[1])
        inner[:, diagonal, diagonal] += prior
        weighted = precision * self.residual.reshape(blocks, -1)
        score = np.swapaxes(self.block_design, 1, 2) @ weighted[..., None]
        covariance = np.linalg.inv(inner)
        noise = self.rng.standard_normal(score.shape)
        drawn = (covariance @ score + np.linalg.cholesky(covariance) @ noise)[..., 0]
        self.block_level, self.zone_level = drawn[:, 0], drawn[:, 1 : 1 + series]
        self.block_season = drawn[:, 1 + series :]
        own = np.take_along_axis(self.zone_level, self.own_level, axis=1)
        self.level = self.effect[0] + self.block_level[:, None] + own
        fitted = (self.block_design @ drawn[..., None]).reshape(self.shape)
        self.residual = np.where(self.layout.seen, self.residual - fitted, 0.0)

    # ------------------------------------------------------------------ scales
    def _draw_scales(self) -> None:
        """Draw the standard deviations, given all effects."""
        vintages = self.shape[2]
        priors, season = self.priors, self.effect[self.seasons]
        self._draw_season_weights(season)
        scaled = season * np.sqrt(self.season_weight)
        self.sd["vintage"] = self._draw_sd(scaled[:vintages], priors.sd_vintage)
        if self.several:
            self.sd["variety"] = self._draw_sd(scaled[vintages:], priors.sd_variety)
        had = self.layout.seen.any(axis=1)
        self.sd["block_vintage"] = self._draw_sd(
            self.block_season[had], priors.sd_block_vintage, self.layout.factor_variance[had],
            self.block_weight[had],
        )  # fmt: skip
        level = self.block_level
        self.sd["block"] = self._draw_sd(level, priors.sd_block)
        zone = self.zone_level[self.counted_level]
        self.sd["zone"] = self._draw_sd(zone, priors.sd_zone)
        self._draw_error()

    def _draw_season_weights(self, season: FloatArray) -> None:
        """Draw the Student-t weights of the seasons, shared ones and those of blocks."""
        degrees, vintages = self.priors.season_degrees, self.shape[2]
        sd = np.where(np.arange(season.size) < vintages, self.sd["vintage"], self.sd["variety"])
        self.season_weight = self._draw_weights(season, sd**2, 0.0, degrees)
        known = self.layout.factor_variance
        self.block_weight = self._draw_weights(
            self.block_season, np.full(known.shape, self.sd["block_vintage"] ** 2), known, degrees
        )

    def _draw_weights(
        self, values: FloatArray, variance: FloatArray, known: FloatArray | float, degrees: float
    ) -> FloatArray:
        """Draw a precision for each value, normal about zero with a known variance on top."""
        weights = weight_grid(degrees)
        total = variance[..., None] / weights + np.asarray(known)[..., None]
        fit = -0.5 * (np.log(total) + values[..., None] ** 2 / total)
        return np.asarray(weights[np.argmax(fit + self.rng.gumbel(size=fit.shape), axis=-1)])

    def _draw_sd(
        self,
        values: FloatArray,
        scale: float,
        known: FloatArray | None = None,
        weight: FloatArray | None = None,
    ) -> float:
        """Draw a standard deviation on `SD_GRID` under a half-normal prior, known variances added."""
        if known is not None and weight is not None:
            variance = SD_GRID[:, None] ** 2 / weight[None, :] + known[None, :]
            fit = -0.5 * (np.log(variance) + values[None, :] ** 2 / variance).sum(axis=1)
        else:
            fit = -values.size * np.log(SD_GRID) - 0.5 * (values**2).sum() / SD_GRID**2
        fit = fit - 0.5 * (SD_GRID / scale) ** 2 + np.log(SD_GRID)
        return float(SD_GRID[np.argmax(fit + self.rng.gumbel(size=SD_GRID.size))])

    def _draw_error(self) -> None:
        """Draw the Student-t weights and the standard deviation of the errors."""
        seen = self.layout.seen
        residual, noise = self.residual[seen], self.layout.noise_variance[seen]
        variance = np.full(noise.shape, self.sd["error"] ** 2)
        self.weight[seen] = self._draw_weights(residual, variance, noise, self.priors.degrees)
        variance = noise + SD_GRID[:, None] ** 2 / self.weight[seen]
        fit = -0.5 * (np.log(variance) + residual**2 / variance).sum(axis=1)
        fit += -0.5 * (SD_GRID / self.priors.sd_error) ** 2 + np.log(SD_GRID)
        self.sd["error"] = float(SD_GRID[np.argmax(fit + self.rng.gumbel(size=SD_GRID.size))])


@cache
def weight_grid(degrees: float) -> FloatArray:
    """Give precisions, alike in chance, that make a normal a Student-t.

    Parameters
    ----------
    degrees : float
        Of freedom.

    Returns
    -------
    float array (12,)
        Quantiles of Gamma(degrees / 2, degrees / 2); a single 1 where the degrees are infinite.
    """
    if not np.isfinite(degrees):
        return np.ones(1)
    return np.asarray(special.gammaincinv(degrees / 2, _QUANTILES) * (2 / degrees))
