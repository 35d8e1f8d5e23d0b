"""Which candidate curves estate, blocks and zones follow: the discrete part of the sampler.

The loss of a zone is that of the whole estate, of its block and its own together (shares kept multiply).
Against the data a curve is set to zero in the first vintage of its zone, so that the level the sampler works
with is that of the first vintage: a zone lower than the rest of its block has weaker soil, not a loss that
nobody saw. What was lost before the first vintage is added back afterwards from the curve drawn. Renewed
zones are not anchored, as the crop after the work shows their healthy level.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from vinemap.decline.curves import FAMILIES, HELD, RATE_EDGES_PCT, RECOVERING, CurveBank, FloatArray, IntArray
from vinemap.decline.layout import BoolArray, Layout
from vinemap.decline.symptoms import SymptomTable

SHARE_GRID = (np.arange(60) + 0.5) / 60
LEAST = 1e-12
KIND_PRIOR = 2.0  # Dirichlet prior of the mix of kinds and of rate classes, cases each


def anchored_slots(layout: Layout) -> BoolArray:
    """Tell which series start from the level of their first vintage (B, S): all but renewed zones."""
    renewed = {one.zone for one in layout.series if np.isfinite(one.first_vintage)}
    plain = np.array([one.zone not in renewed for one in layout.series] + [False])  # the last is for padding
    return np.asarray(plain[layout.slot])


class CurveChoice:
    """Curves of blocks (shared by all their zones) and of series (on top), with the shares that govern them.

    Parameters
    ----------
    layout : Layout
    banks : list of CurveBank
        One a series, K curves each; a block uses the bank of its first series.
    symptoms : SymptomTable
    families : tuple of int
        Kinds of decline offered; empty for none.
    declining, common : tuple of float
        Beta parameters of the share of zones that decline and of blocks that decline as a whole.
    estate_share : float
        Chance that all zones of the estate decline together, before any data.
    likeness : float
        How alike zones of one block are in declining, in prior zones' worth.
    rng : numpy.random.Generator
    """

    def __init__(
        self,
        layout: Layout,
        banks: list[CurveBank],
        *,
        symptoms: SymptomTable,
        families: tuple[int, ...],
        declining: tuple[float, float],
        common: tuple[float, float],
        estate_share: float,
        likeness: float,
        rng: np.random.Generator,
    ) -> None:
        self.rng, self.symptoms, self.families = rng, symptoms, families
        self.estate_share = estate_share
        self.prior_declining, self.prior_common, self.likeness = declining, common, likeness
        self.blocks, self.slots = layout.place
        self.shape = layout.log_yield.shape
        self.spans = [slice(slot * self.shape[2], (slot + 1) * self.shape[2]) for slot in self.slots]
        columns = layout.vintages - banks[0].years[0]
        seen = layout.seen[self.blocks, self.slots]
        self.curves = np.stack([bank.log_curve[:, columns] for bank in banks]) * seen[:, None, :]
        self.family = np.stack([bank.family for bank in banks])
        self.rate = np.stack([bank.rate_class for bank in banks])
        self.weight = np.stack([bank.log_weight for bank in banks])
        self.restarts = self.family[:, 0] == RECOVERING
        self.first = layout.slot[:, 0]  # zones come before restarted parts, so slot 0 is a zone
        self.block_curves = np.stack([banks[one].log_curve[:, columns] for one in self.first])
        self.shared = layout.seen.copy()  # where a block's curve acts
        self.shared[self.blocks[self.restarts], self.slots[self.restarts]] = False
        self._prepare_common(layout, banks)
        self._start()

    def _prepare_common(self, layout: Layout, banks: list[CurveBank]) -> None:
        """Map shared curves (V) to the log yields of a block (SV), anchored in each zone's first vintage."""
        blocks, series, vintages = self.shape
        self.estate_curves = banks[0].log_curve[:, layout.vintages - banks[0].years[0]]
        first = np.argmax(layout.seen, axis=2)
        anchor = np.eye(vintages)[first][:, :, None, :] * anchored_slots(layout)[:, :, None, None]
        expand = self.shared[..., None] * (np.eye(vintages) - anchor)
        self.expand = expand.reshape(blocks, series * vintages, vintages)
        own = anchored_slots(layout)[self.blocks, self.slots]
        start = np.take_along_axis(self.curves, first[self.blocks, self.slots][:, None, None], axis=2)
        seen = layout.seen[self.blocks, self.slots][:, None, :]
        self.curves = (self.curves - start * own[:, None, None]) * seen

    def _start(self) -> None:
        """Start the chain over-dispersed: held, or any curve, block and zone alike."""
        count, size = self.family.shape
        pick = self.rng.integers(0, size, count)
        self.curve: IntArray = np.where((self.rng.uniform(size=count) < 0.6) & ~self.restarts, 0, pick)
        blocks = self.shape[0]
        own = self.rng.integers(0, size, blocks)
        alone = (self.rng.uniform(size=blocks) < 0.7) | (not self.families)
        self.block_curve: IntArray = np.where(alone, 0, own)
        self.estate_curve = (
            int(self.rng.integers(0, size)) if self.families and self.rng.uniform() < 0.25 else 0
        )
        self.share, self.common_share = 0.3, 0.2
        self.share_of_block = np.full(blocks, 0.3)
        kinds = np.isin(np.arange(len(FAMILIES)), self.families)
        self.family_share = np.maximum(kinds / max(kinds.sum(), 1), LEAST)
        self.rate_share = np.full(len(RATE_EDGES_PCT) + 1, 1 / (len(RATE_EDGES_PCT) + 1))

    def fitted(self) -> FloatArray:
        """Log of what is kept under the present curves (B, S, V)."""
        fitted = np.zeros(self.shape)
        fitted[self.blocks, self.slots] = self.curves[np.arange(self.curve.size), self.curve]
        common = self.block_curves[np.arange(self.shape[0]), self.block_curve]
        common = common + self.estate_curves[self.estate_curve]
        return np.asarray(fitted + np.einsum("bmv,bv->bm", self.expand, common).reshape(self.shape))

    def draw(
        self,
        inverse: FloatArray,
        projected: FloatArray,
        covariance: FloatArray,
        target: FloatArray,
        extra_score: FloatArray,
    ) -> None:
        """Draw all curves once, the Gaussian part of the model integrated out.

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
        With Q the inverse covariance of all log yields, effects integrated out, the log likelihood of a curve
        g of one series is g'Q(y - rest) - g'Qg / 2, and Q of one block is `inverse` less a low-rank part.
        """
        residual = (target - self.fitted()).reshape(self.shape[0], -1)
        score = np.einsum("bmq,bm->q", projected, residual) + extra_score
        shrunk = projected @ covariance
        if self.families:
            self._draw_estate(inverse, projected, covariance, residual, score)
            self._draw_blocks(inverse, projected, shrunk, residual, score)
        self._draw_zones(inverse, projected, shrunk, residual, score)

    def _draw_estate(
        self,
        inverse: FloatArray,
        projected: FloatArray,
        covariance: FloatArray,
        residual: FloatArray,
        score: FloatArray,
    ) -> None:
        turned = np.swapaxes(self.expand, 1, 2)
        crossed = (turned @ projected).sum(axis=0)
        inner = (turned @ (inverse @ self.expand)).sum(axis=0) - crossed @ covariance @ crossed.T
        old = self.estate_curves[self.estate_curve]
        pull = np.einsum("bvm,bmn,bn->v", turned, inverse, residual, optimize=True) - crossed @ (
            covariance @ score
        )
        fit = self._estate_prior() + self.estate_curves @ (pull + inner @ old)
        fit -= 0.5 * ((self.estate_curves @ inner) * self.estate_curves).sum(axis=1)
        fit += self.symptoms.weigh_estate(self.curve, self.block_curve)
        self.estate_curve = int(np.argmax(fit + self.rng.gumbel(size=fit.size)))
        change = np.einsum("bmv,v->bm", self.expand, old - self.estate_curves[self.estate_curve])
        residual += change
        score += np.einsum("bmq,bm->q", projected, change)

    def _draw_blocks(
        self,
        inverse: FloatArray,
        projected: FloatArray,
        shrunk: FloatArray,
        residual: FloatArray,
        score: FloatArray,
    ) -> None:
        blocks = self.shape[0]
        expand = self.expand
        turned = np.swapaxes(expand, 1, 2)
        inner = turned @ (inverse @ expand) - (turned @ shrunk) @ np.swapaxes(turned @ projected, 1, 2)
        log_prior = self._block_prior() + self.symptoms.weigh_blocks(self.curve, self.estate_curve)
        log_prior += self.rng.gumbel(size=log_prior.shape)
        log_prior -= 0.5 * ((self.block_curves @ inner) * self.block_curves).sum(axis=2)
        for block in range(blocks):
            curves = self.block_curves[block]
            old = curves[self.block_curve[block]]
            pull = inverse[block] @ residual[block] - shrunk[block] @ score
            chosen = int(np.argmax(log_prior[block] + curves @ (turned[block] @ pull + inner[block] @ old)))
            if chosen != self.block_curve[block]:
                change = expand[block] @ (old - curves[chosen])
                residual[block] += change
                score += change @ projected[block]
                self.block_curve[block] = chosen

    def _draw_zones(
        self,
        inverse: FloatArray,
        projected: FloatArray,
        shrunk: FloatArray,
        residual: FloatArray,
        score: FloatArray,
    ) -> None:
        log_prior = self._zone_prior() + self.symptoms.weigh_zones(
            self.block_curve[self.blocks], self.estate_curve
        )
        log_prior += self.rng.gumbel(size=log_prior.shape)
        inner = np.stack([inverse[b, s, s] - shrunk[b, s] @ projected[b, s].T
                          for b, s in zip(self.blocks, self.spans, strict=True)])  # fmt: skip
        log_prior -= 0.5 * ((self.curves @ inner) * self.curves).sum(axis=2)
        for zone, (block, span) in enumerate(zip(self.blocks, self.spans, strict=True)):
            curves = self.curves[zone]
            old = curves[self.curve[zone]]
            linear = inverse[block, span] @ residual[block] - shrunk[block, span] @ score + inner[zone] @ old
            chosen = int(np.argmax(log_prior[zone] + curves @ linear))
            if chosen != self.curve[zone]:
                change = old - curves[chosen]
                residual[block, span] += change
                score += change @ projected[block, span]
                self.curve[zone] = chosen

    def _mix(self) -> FloatArray:
        """Log prior of kind and rate class of every curve (Z, K)."""
        return np.asarray(np.log(self.family_share)[self.family] + np.log(self.rate_share)[self.rate])

    def _zone_prior(self) -> FloatArray:
        share = self.share_of_block[self.blocks][:, None]
        prior = np.where(self.family == HELD, np.log1p(-share), np.log(share) + self._mix())
        return np.where(self.family == RECOVERING, 0.0, prior) + self.weight

    def _estate_prior(self) -> FloatArray:
        family, share = self.family[0], self.estate_share
        prior = np.where(family == HELD, np.log1p(-share), np.log(share) + self._mix()[0])
        return np.asarray(prior + self.weight[0])

    def _block_prior(self) -> FloatArray:
        family, share = self.family[self.first], self.common_share
        prior = np.where(family == HELD, np.log1p(-share), np.log(share) + self._mix()[self.first])
        return np.asarray(prior + self.weight[self.first])

    def draw_shares(self) -> None:
        """Draw the declining share of estate and blocks, and the estate's own mix of kinds and rates."""
        zones = np.arange(self.curve.size), self.curve
        common = self.first, self.block_curve
        counts = ~self.restarts
        declining = counts & (self.family[zones] != HELD)
        fell = np.bincount(self.blocks, weights=declining, minlength=self.shape[0])
        total = np.bincount(self.blocks, weights=counts, minlength=self.shape[0])
        drawn = self.rng.beta(
            self.likeness * self.share + fell, self.likeness * (1 - self.share) + total - fell
        )
        self.share_of_block = np.clip(drawn, 1e-12, 1 - 1e-12)
        self.share = self._draw_estate_share()
        together = self.family[common] != HELD
        a, b = self.prior_common
        self.common_share = float(
            np.clip(self.rng.beta(a + together.sum(), b + (~together).sum()), 1e-4, 1 - 1e-4)
        )
        if not self.families:
            return
        kind = np.concatenate([self.family[zones][declining], self.family[common][together]])
        rate = np.concatenate([self.rate[zones][declining], self.rate[common][together]])
        offered = np.isin(np.arange(len(FAMILIES)), self.families)
        kinds = np.where(offered, np.bincount(kind, minlength=len(FAMILIES)) + KIND_PRIOR, 1e-6)
        self.family_share = np.maximum(self.rng.dirichlet(kinds), LEAST)
        rates = np.bincount(rate, minlength=self.rate_share.size) + KIND_PRIOR
        self.rate_share = np.maximum(self.rng.dirichlet(rates), LEAST)

    def _draw_estate_share(self) -> float:
        grid, like, (a, b) = SHARE_GRID, self.likeness, self.prior_declining
        log_share, log_rest = np.log(self.share_of_block), np.log1p(-self.share_of_block)
        fit = (a - 1) * np.log(grid) + (b - 1) * np.log1p(-grid)
        fit -= self.share_of_block.size * special.betaln(like * grid, like * (1 - grid))
        fit += (like * grid - 1) * log_share.sum() + (like * (1 - grid) - 1) * log_rest.sum()
        return float(grid[np.argmax(fit + self.rng.gumbel(size=grid.size))])
