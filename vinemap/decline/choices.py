"""Which candidate curves estate, blocks and zones follow: the discrete part of the sampler.

The loss of a zone is that of the whole estate, of its variety where that has many blocks, of its block and
its own together (shares kept multiply). Varieties differ in how trunk disease takes them; without a curve of
the variety a fall of all its blocks would pass for its seasons as soon as the blocks are many.
Against the data a curve is set to zero in the first vintage of its zone, so that the level the sampler works
with is that of the first vintage: a zone lower than the rest of its block has weaker soil, not a loss that
nobody saw. What was lost before the first vintage is added back afterwards from the curve drawn. Renewed
zones are not anchored, as the crop after the work shows their healthy level.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from vinemap.decline.curves import (
    FAMILIES,
    HELD,
    RATE_EDGES_PCT,
    RECOVERING,
    CurveSpace,
    FloatArray,
    IntArray,
)
from vinemap.decline.evidence import Evidence
from vinemap.decline.gaps import LOG_PRIOR, TRIED, GapState
from vinemap.decline.layout import BoolArray, Layout
from vinemap.decline.pools import LEAST, Curves, Pools
from vinemap.decline.signs import SignTable
from vinemap.decline.symptoms import SymptomTable
from vinemap.decline.turns import add_prior, choose_blocks, choose_series

SHARE_GRID = (np.arange(60) + 0.5) / 60
NEAR_COUNT = 20  # candidates near the present curve
NEAR_LIKENESS = (0.7, 0.93, 0.985)  # how near: correlation of the normal scores, taken in turn at random
OPEN_TOGETHER = 400  # series weighed at a time with the courses of their gaps: bounds the memory
KIND_PRIOR = 2.0  # Dirichlet prior of the mix of kinds and of rate classes, cases each


def anchored_slots(layout: Layout) -> BoolArray:
    """Tell which series start from the level of their first vintage: all but renewed zones.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    bool array (B, S)
        False for padding.
    """
    renewed = layout.renewed
    plain = np.array([one.zone not in renewed for one in layout.series] + [False])  # the last is for padding
    return np.asarray(plain[layout.slot])


class CurveChoice:
    """Curves of blocks (shared by all their zones) and of series (on top), with the shares that govern them.

    Parameters
    ----------
    layout : Layout
    space : CurveSpace
        Owners are the series; a block uses the age of its first series, the estate that of the first of all.
    symptoms : SymptomTable
    signs : SignTable
    families : tuple of int
        Kinds of decline offered; empty for none.
    declining, common : tuple of float
        Beta parameters of the share of zones that decline and of blocks that decline as a whole.
    estate_share, variety_share : float
        Chance that all zones of the estate, or of a variety of many blocks, decline together.
    likeness : float
        How alike zones of one block are in declining, in prior zones' worth.
    per_family : int
        Fresh candidate curves of each kind in a sweep.
    rng : numpy.random.Generator
    gaps : GapState, optional
        Courses of gaps that are open before the first count.
    """

    def __init__(
        self,
        layout: Layout,
        space: CurveSpace,
        *,
        symptoms: SymptomTable,
        signs: SignTable,
        families: tuple[int, ...],
        declining: tuple[float, float],
        common: tuple[float, float],
        estate_share: float,
        variety_share: float,
        likeness: float,
        per_family: int,
        rng: np.random.Generator,
        gaps: GapState | None = None,
    ) -> None:
        self.gaps = gaps if gaps is not None and gaps.rows.size else None
        self.rng, self.signs, self.families = rng, signs, families
        self.evidence: tuple[Evidence, ...] = (symptoms, signs)
        self.estate_share, self.variety_share = estate_share, variety_share
        self.prior_declining, self.prior_common, self.likeness = declining, common, likeness
        self.blocks, self.slots = layout.place
        self.shape = layout.log_yield.shape
        self.starts = self.slots * self.shape[2]
        self.spans = self.starts[:, None] + np.arange(self.shape[2])  # positions in the log yields of a block
        seen_years = layout.vintages - space.years[0]
        columns = np.unique(np.concatenate([seen_years, *(one.columns() for one in self.evidence)]))
        for one in self.evidence:
            one.place_in(columns)
        self.at_vintages = np.searchsorted(columns, seen_years)
        self.pools = Pools(space, columns, families=families, per_family=per_family, rng=rng)
        self.restarts = self.pools.restarts
        self.series_owner = np.arange(len(layout.series))
        self.block_owner = layout.slot[:, 0]  # zones come before restarted parts, so slot 0 is a zone
        self.estate_owner = np.zeros(1, dtype=np.int64)
        self.group = layout.variety_group
        first = [np.flatnonzero(self.group == one)[0] for one in range(int(self.group.max()) + 1)]
        self.variety_owner = self.block_owner[np.array(first, dtype=np.int64)]
        self._prepare_common(layout)
        self._start()

    def _prepare_common(self, layout: Layout) -> None:
        """Map shared curves (V) to the log yields of a block (SV), anchored in each zone's first vintage."""
        blocks, series, vintages = self.shape
        shared = layout.seen.copy()  # where a block's curve acts
        shared[self.blocks[self.restarts], self.slots[self.restarts]] = False
        first = np.argmax(layout.seen, axis=2)
        anchor = np.eye(vintages)[first][:, :, None, :] * anchored_slots(layout)[:, :, None, None]
        expand = shared[..., None] * (np.eye(vintages) - anchor)
        self.expand = expand.reshape(blocks, series * vintages, vintages)
        self.own_seen = np.ascontiguousarray(layout.seen[self.blocks, self.slots])
        self.own_first = first[self.blocks, self.slots]
        self.own_anchor = anchored_slots(layout)[self.blocks, self.slots]

    def _start(self) -> None:
        """Start the chain over-dispersed: held, or any curve, block and zone alike."""
        count, blocks = self.series_owner.size, self.shape[0]
        some = 1.0 if self.families else 0.0
        self.series = self.pools.start(self.series_owner, self.rng.uniform(size=(count,)) < 0.4 * some)
        self.block = self.pools.start(self.block_owner, self.rng.uniform(size=(blocks,)) < 0.3 * some)
        self.estate = self.pools.start(self.estate_owner, self.rng.uniform(size=(1,)) < 0.25 * some)
        count = self.variety_owner.size
        self.variety = self.pools.start(self.variety_owner, self.rng.uniform(size=(count,)) < 0.25 * some)
        self.share, self.common_share = 0.3, 0.2
        self.share_of_block = np.full(blocks, 0.3)
        kinds = np.isin(np.arange(len(FAMILIES)), self.families)
        self.family_share = np.maximum(kinds / max(kinds.sum(), 1), LEAST)
        self.rate_share = np.full(len(RATE_EDGES_PCT) + 1, 1 / (len(RATE_EDGES_PCT) + 1))

    def _effective(self, curve: FloatArray, rows: IntArray | slice = slice(None)) -> FloatArray:
        """Turn log of what series keep (n, J, W) to how it acts on yields (n, J, V): anchored, where seen."""
        at = curve[..., self.at_vintages]
        start = np.take_along_axis(at, self.own_first[rows][:, None, None], axis=2)
        return np.asarray((at - start * self.own_anchor[rows][:, None, None]) * self.own_seen[rows][:, None])

    def fitted(self) -> FloatArray:
        """Give the log of what is kept under the present curves.

        Returns
        -------
        float array (B, S, V)
            As it acts on the log yields: anchored, 0 where not seen.
        """
        fitted = np.zeros(self.shape)
        fitted[self.blocks, self.slots] = self._effective(self.series.log_curve[:, None])[:, 0]
        common = (self.block.log_curve + self.above())[:, self.at_vintages]
        fitted += (self.expand @ common[..., None]).reshape(self.shape)
        if self.gaps is not None:
            fitted[self.blocks[self.gaps.rows], self.slots[self.gaps.rows]] += self.gaps.present()
        return np.asarray(fitted)

    def above(self) -> FloatArray:
        """Give the log of what is kept by the curves of estate and variety.

        Returns
        -------
        float array (B, W)
        """
        estate = np.repeat(self.estate.log_curve, self.shape[0], axis=0)
        return estate + self._of_variety() if self.variety_owner.size else estate

    def _of_variety(self) -> FloatArray:
        """Log kept by the variety's curve (B, W); 0 for blocks of a variety without one."""
        none = np.zeros((1, self.variety.log_curve.shape[1]))
        return np.concatenate([self.variety.log_curve, none])[self.group]

    def draw(
        self,
        inverse: FloatArray,
        projected: FloatArray,
        covariance: FloatArray,
        target: FloatArray,
        extra_score: FloatArray,
    ) -> None:
        """Draw all curves, the Gaussian part of the model integrated out.

        Parameters
        ----------
        inverse : float array (B, SV, SV)
            Inverse covariance of a block's log yields.
        projected : float array (B, SV, q)
            `inverse` times the design of the effects that blocks share.
        covariance : float array (q, q)
            Posterior covariance of those effects.
        target : float array (B, S, V)
            Centred log yields, 0 where not seen.
        extra_score : float array (q,)
            From an outside reference series.

        Notes
        -----
        See `vinemap.decline.turns` for the likelihood.
        """
        residual = (target - self.fitted()).reshape(self.shape[0], -1)
        score = (residual[:, None, :] @ projected).sum(axis=0)[0] + extra_score
        now = _Gauss(inverse, projected, covariance, self.expand, residual, score, self.blocks, self.spans)
        likeness = float(self.rng.choice(NEAR_LIKENESS))
        for fresh in (True, False):
            if self.families:
                self._draw_estate(now, fresh, likeness)
                if self.variety_owner.size:
                    self._draw_varieties(now, fresh, likeness)
                self._draw_blocks(now, fresh, likeness)
            self._draw_series(now, fresh, likeness)

    def _candidates(
        self, owner: IntArray, present: Curves, fresh: bool, likeness: float
    ) -> tuple[Curves, FloatArray]:
        """Draw candidates, fresh or near the present curves, and their log weights (n, J)."""
        if fresh:
            return self.pools.fresh(owner, present)
        mixed = bool(self.families) and self.rng.uniform() < 0.5
        made = self.pools.near(owner, present, count=NEAR_COUNT, likeness=likeness, mixed=mixed)
        return made, np.zeros(made.family.shape)

    def _draw_estate(self, now: _Gauss, fresh: bool, likeness: float) -> None:
        """Draw the curve that all zones share."""
        made, total = self._candidates(self.estate_owner, self.estate, fresh, likeness)
        self._add_prior(made, np.array([self.estate_share]), total)
        rest = self.series.log_curve + self.block.log_curve[self.blocks]
        if self.variety_owner.size:
            rest += self._of_variety()[self.blocks]
        self._add_evidence(made.log_curve, np.zeros_like(self.blocks), rest, total)
        chosen = self._choose_shared(now, slice(None), made.log_curve[0], self.estate.log_curve[0], total[0])
        self.estate = made.choose(np.array([chosen]))

    def _draw_varieties(self, now: _Gauss, fresh: bool, likeness: float) -> None:
        """Draw the curve that all zones of a variety share, variety after variety."""
        made, total = self._candidates(self.variety_owner, self.variety, fresh, likeness)
        self._add_prior(made, np.full(self.variety_owner.size, self.variety_share), total)
        rest = self.series.log_curve + (self.block.log_curve + self.estate.log_curve)[self.blocks]
        others = np.zeros((1, *made.log_curve.shape[1:]))  # group -1: blocks of a variety without a curve
        fit = np.concatenate([total, np.zeros((1, total.shape[1]))])
        owner = self.group[self.blocks] % len(fit)
        self._add_evidence(np.concatenate([made.log_curve, others]), owner, rest, fit)
        chosen = [
            self._choose_shared(
                now, self.group == one, made.log_curve[one], self.variety.log_curve[one], fit[one]
            )
            for one in range(self.variety_owner.size)
        ]
        self.variety = made.choose(np.array(chosen))

    def _choose_shared(
        self,
        now: _Gauss,
        among: slice | BoolArray,
        candidates: FloatArray,
        present: FloatArray,
        fit: FloatArray,
    ) -> int:
        """Choose among candidates (J, W) for a curve that some blocks share, and change to it."""
        curve, old = candidates[:, self.at_vintages], present[self.at_vintages]
        inner = now.inner_shared(among)
        total = fit + curve @ (now.pull(among) + inner @ old) - 0.5 * ((curve @ inner) * curve).sum(axis=1)
        chosen = int(np.argmax(total + self.rng.gumbel(size=total.size)))
        now.change(among, old - curve[chosen])
        return chosen

    def _draw_blocks(self, now: _Gauss, fresh: bool, likeness: float) -> None:
        """Draw the curve of every block, block after block."""
        made, fit = self._candidates(self.block_owner, self.block, fresh, likeness)
        self._add_prior(made, np.full(self.shape[0], self.common_share), fit)
        rest = self.series.log_curve + self.above()[self.blocks]
        self._add_evidence(made.log_curve, self.blocks, rest, fit)
        chosen = np.zeros(self.shape[0], dtype=np.int64)
        choose_blocks(
            now.inverse, now.projected, now.shrunk, now.inner_blocks, now.residual, now.score, self.expand,
            made.log_curve, self.block.log_curve, self.at_vintages, fit,
            self.rng.uniform(size=chosen.size), chosen,
        )  # fmt: skip
        self.block = made.choose(chosen)

    def _draw_series(self, now: _Gauss, fresh: bool, likeness: float) -> None:
        """Draw the curve of every series, with the course of its gaps where that is open."""
        made, fit = self._candidates(self.series_owner, self.series, fresh, likeness)
        self._add_prior(made, self.share_of_block[self.blocks], fit)
        rest = (self.block.log_curve + self.above())[self.blocks]
        self._add_evidence(made.log_curve, self.series_owner, rest, fit)
        chosen = np.zeros(self.series_owner.size, dtype=np.int64)
        closed = self.series_owner if self.gaps is None else np.delete(self.series_owner, self.gaps.rows)
        self._choose_closed(now, made, fit, closed, chosen)
        if self.gaps is not None:
            for start in range(0, self.gaps.rows.size, OPEN_TOGETHER):
                self._choose_open(now, self.gaps, slice(start, start + OPEN_TOGETHER), made, fit, chosen)
        self.series = made.choose(chosen)

    def _choose_closed(
        self, now: _Gauss, made: Curves, fit: FloatArray, rows: IntArray, chosen: IntArray
    ) -> None:
        """Choose the curves of series whose gaps are known."""
        some = slice(None) if rows.size == self.series_owner.size else rows  # no copy where all are
        found = np.zeros(rows.size, dtype=np.int64)
        choose_series(
            now.inverse, now.projected, now.shrunk, now.inner_series[some], now.residual, now.score,
            self.blocks[some], self.starts[some], made.log_curve[some], self.series.log_curve[some],
            self.at_vintages, self.own_first[some], self.own_anchor[some], self.own_seen[some], fit[some],
            self.rng.uniform(size=rows.size), found,
        )  # fmt: skip
        chosen[rows] = found

    def _choose_open(
        self, now: _Gauss, gaps: GapState, part: slice, made: Curves, fit: FloatArray, chosen: IntArray
    ) -> None:
        """Choose curve and course of the gaps together: a late fall may be either; neither moves alone."""
        rows, tried = gaps.rows[part], gaps.propose(part)
        n, own = rows.size, np.arange(rows.size)
        acting = (
            self._effective(made.log_curve[rows], rows)[:, :, None]
            + gaps.log_stand[part][own[:, None], tried][:, None]
        )
        present = self._effective(self.series.log_curve[rows][:, None], rows)[:, 0] + gaps.present()[part]
        weight = fit[rows][:, :, None] + LOG_PRIOR[tried][:, None]
        found = np.zeros(n, dtype=np.int64)
        choose_series(
            now.inverse, now.projected, now.shrunk, now.inner_series[rows], now.residual, now.score,
            self.blocks[rows], self.starts[rows], acting.reshape(n, -1, self.shape[2]), present,
            np.arange(self.shape[2]), self.own_first[rows], np.zeros(n, dtype=bool), self.own_seen[rows],
            weight.reshape(n, -1), self.rng.uniform(size=n), found,
        )  # fmt: skip
        chosen[rows], place = np.divmod(found, TRIED)
        gaps.course[part] = tried[own, place]

    def _add_evidence(
        self, candidates: FloatArray, owner: IntArray, rest: FloatArray, fit: FloatArray
    ) -> None:
        """Add to `fit` (n, J) what is seen beside the yields; see `Evidence.weigh`."""
        for one in self.evidence:
            one.weigh(candidates, owner, rest, fit)

    def draw_signs(self) -> None:
        """Draw how signs follow the loss, given all curves."""
        self.signs.draw(self.series.log_curve + (self.block.log_curve + self.above())[self.blocks])

    def _add_prior(self, curves: Curves, share: FloatArray, fit: FloatArray) -> None:
        """Add the log prior: share that declines, kind, and rate class over its own prior mass."""
        mix = np.log(self.family_share)[:, None] + np.log(self.rate_share) - np.log(self.pools.base)
        mix[RECOVERING] = 0.0
        add_prior(curves.family, curves.rate, mix, np.log(share), np.log1p(-share), fit)

    def draw_shares(self) -> None:
        """Draw the declining share of estate and blocks, and the estate's own mix of kinds and rates."""
        counts = ~self.restarts
        declining = counts & (self.series.family != HELD)
        fell = np.bincount(self.blocks, weights=declining, minlength=self.shape[0])
        total = np.bincount(self.blocks, weights=counts, minlength=self.shape[0])
        drawn = self.rng.beta(
            self.likeness * self.share + fell, self.likeness * (1 - self.share) + total - fell
        )
        self.share_of_block = np.clip(drawn, 1e-12, 1 - 1e-12)
        self.share = self._draw_estate_share()
        together = self.block.family != HELD
        a, b = self.prior_common
        self.common_share = float(
            np.clip(self.rng.beta(a + together.sum(), b + (~together).sum()), 1e-4, 1 - 1e-4)
        )
        if not self.families:
            return
        kind = np.concatenate([self.series.family[declining], self.block.family[together]])
        rate = np.concatenate([self.series.rate[declining], self.block.rate[together]])
        offered = np.isin(np.arange(len(FAMILIES)), self.families)
        kinds = np.where(offered, np.bincount(kind, minlength=len(FAMILIES)) + KIND_PRIOR, 1e-6)
        self.family_share = np.maximum(self.rng.dirichlet(kinds), LEAST)
        rates = np.bincount(rate, minlength=self.rate_share.size) + KIND_PRIOR
        self.rate_share = np.maximum(self.rng.dirichlet(rates), LEAST)

    def _draw_estate_share(self) -> float:
        """Draw the share of the estate's zones that decline, on a grid, given the shares of the blocks."""
        grid, like, (a, b) = SHARE_GRID, self.likeness, self.prior_declining
        log_share, log_rest = np.log(self.share_of_block), np.log1p(-self.share_of_block)
        fit = (a - 1) * np.log(grid) + (b - 1) * np.log1p(-grid)
        fit -= self.share_of_block.size * special.betaln(like * grid, like * (1 - grid))
        fit += (like * grid - 1) * log_share.sum() + (like * (1 - grid) - 1) * log_rest.sum()
        return float(grid[np.argmax(fit + self.rng.gumbel(size=grid.size))])


class _Gauss:
    """The Gaussian part of one sweep: residuals, and how curves pull on them."""

    def __init__(
        self,
        inverse: FloatArray,
        projected: FloatArray,
        covariance: FloatArray,
        expand: FloatArray,
        residual: FloatArray,
        score: FloatArray,
        blocks: IntArray,
        spans: IntArray,
    ) -> None:
        self.inverse, self.projected, self.covariance = inverse, projected, covariance
        self.shrunk = projected @ covariance
        self.expand, self.turned = expand, np.swapaxes(expand, 1, 2)
        self.residual, self.score = residual, score
        weighted, seen = self.turned @ (inverse @ expand), self.turned @ projected  # (B, V, V), (B, V, q)
        self.inner_blocks = weighted - (seen @ covariance) @ np.swapaxes(seen, 1, 2)
        self.weighted, self.seen = weighted, seen
        own = blocks[:, None]
        self.inner_series = inverse[own[..., None], spans[:, :, None], spans[:, None, :]] - (
            self.shrunk[own, spans] @ np.swapaxes(projected[own, spans], 1, 2)
        )

    def inner_shared(self, among: slice | BoolArray) -> FloatArray:
        """Precision (V, V) of a curve that some blocks share."""
        crossed = self.seen[among].sum(axis=0)
        return np.asarray(self.weighted[among].sum(axis=0) - crossed @ self.covariance @ crossed.T)

    def pull(self, among: slice | BoolArray) -> FloatArray:
        """How the residuals of some blocks pull on a curve (V,) that they share."""
        own = self.turned[among] @ (self.inverse[among] @ self.residual[among][..., None])
        crossed = self.seen[among].sum(axis=0)
        return np.asarray(own.sum(axis=0)[:, 0] - crossed @ (self.covariance @ self.score))

    def change(self, among: slice | BoolArray, change: FloatArray) -> None:
        """Add what a changed curve (V,) frees in the residuals of some blocks."""
        if change.any():
            moved = self.expand[among] @ change
            self.residual[among] += moved
            self.score += (moved[:, None, :] @ self.projected[among]).sum(axis=0)[0]
