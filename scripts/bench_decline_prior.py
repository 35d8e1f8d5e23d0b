"""Check the sampler of the decline model by itself: estates drawn from the model's own prior, then fitted.

Run: python scripts/bench_decline_prior.py [--estates 100] [--seed 77] [--blocks 4] [--varieties 1]

If the sampler is right, the place of the truth among the posterior draws is uniform (simulation-based
calibration; Talts et al. 2018, arXiv:1804.06788; Cook, Gelman and Rubin 2006, J. Comput. Graph. Stat.
15:675-692; both from memory), whatever the model is worth in a vineyard. A truth that ties with draws (no
loss at all) gets a random place among them. Zones of one estate are not independent: errors are by estate.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd

from vinemap.decline import Decline, Priors, fit_decline
from vinemap.decline.choices import KIND_PRIOR
from vinemap.decline.curves import (
    FLOOR,
    RATE_EDGES_PCT,
    SCORES,
    CurveSpace,
    classify_rate,
    make_space,
    trace_curves,
)
from vinemap.decline.layout import MANY_BLOCKS
from vinemap.decline.sampler import weight_grid

LAST, PLANTED, LEVEL = 2026, 2003, 3.0
NOISE = 0.025  # sampling error of the log yield
POOL = 4000


@dataclass(frozen=True, slots=True)
class PriorEstate:
    """Tables of one estate drawn from the prior, with its truth (zones): loss [%] and yearly decline [%]."""

    zone_vintage: pd.DataFrame
    zones: pd.DataFrame
    stand: pd.DataFrame
    loss_pct: np.ndarray
    decline_pct: np.ndarray


class _CurveSource:
    """Curves from the prior, the estate's own mix of kinds and rate classes drawn once."""

    def __init__(self, space: CurveSpace, priors: Priors, rng: np.random.Generator) -> None:
        self.space, self.rng, self.families = space, rng, np.array(priors.families)
        self.kinds = rng.dirichlet(np.full(self.families.size, KIND_PRIOR))
        self.rates = rng.dirichlet(np.full(len(RATE_EDGES_PCT) + 1, KIND_PRIOR))

    def draw(self, count: int, chance: np.ndarray) -> np.ndarray:
        """Log kept (count, T); held unless a draw falls below `chance`."""
        out = np.zeros((count, self.space.years.size))
        for one in np.flatnonzero(self.rng.uniform(size=count) < chance):
            kind = np.full(POOL, self.rng.choice(self.families, p=self.kinds))
            scores = self.rng.standard_normal((POOL, SCORES))
            fits = np.flatnonzero(
                classify_rate(kind, scores) == self.rng.choice(self.rates.size, p=self.rates)
            )
            which = self.rng.choice(fits)[None]
            out[one] = trace_curves(self.space, np.zeros(1, dtype=int), kind[which], scores[which])[0][0]
        return out


def draw_estate(
    priors: Priors, *, blocks: int, zones: int, vintages: int, varieties: int = 1, rng: np.random.Generator
) -> PriorEstate:
    """Draw an estate from the prior of the model: scales, shares, curves, seasons, levels, errors."""
    seen = np.arange(LAST - vintages + 1, LAST + 1)
    years = np.arange(min(seen[0], LAST - 3), LAST + 5)
    space = make_space(years, last_vintage=LAST, planted=np.array([float(PLANTED)]))
    block = np.repeat(np.arange(blocks), zones)
    variety = np.arange(blocks) % varieties
    kept = _log_kept(priors, space, block, variety, rng)
    at = seen - years[0]
    log = LEVEL + _effects(priors, block, variety, vintages, rng) + kept[:, at] - kept[:, at[:1]]
    amount = np.exp(log + NOISE * rng.standard_normal(log.shape))
    names = [f"B{b}-Z{place}" for place, b in enumerate(block)]
    table = pd.DataFrame({
        "zone_id": np.repeat(names, vintages), "vintage": np.tile(seen, block.size),
        "yield_t_ha": amount.ravel(), "yield_se_t_ha": NOISE * amount.ravel(), "readings": 500,
    })  # fmt: skip
    zone = pd.DataFrame({"zone_id": names, "block_id": [f"B{b}" for b in block],
                         "variety": [f"variety {one}" for one in variety[block]],
                         "year_planted": PLANTED, "area_ha": 1.0})  # fmt: skip
    full = pd.DataFrame({"zone_id": names, "vintage": LAST, "missing_pct": 0.0, "symptomatic_pct": np.nan,
                         "vines": 10_000_000})  # fmt: skip
    share, now = np.exp(kept), int(LAST - years[0])
    return PriorEstate(
        table, zone, full, 100 * (1 - share[:, now]), 100 * (share[:, now - 3] - share[:, now]) / 3
    )


def _log_kept(
    priors: Priors, space: CurveSpace, block: np.ndarray, variety: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    source, blocks = _CurveSource(space, priors, rng), int(block[-1]) + 1
    share, like = rng.beta(*priors.declining), priors.likeness
    of_block = rng.beta(like * share, like * (1 - share), blocks)
    estate = source.draw(1, np.array([priors.estate]))
    common = source.draw(blocks, np.full(blocks, rng.beta(*priors.common)))
    own = source.draw(block.size, of_block[block])
    above = common + estate
    count = np.bincount(variety)
    if count.size > 1:
        many = np.where(count >= MANY_BLOCKS, priors.variety, 0.0)
        above = above + source.draw(count.size, many)[variety]
    return np.maximum(own + above[block], np.log(FLOOR / 2))


def _effects(
    priors: Priors, block: np.ndarray, variety: np.ndarray, vintages: int, rng: np.random.Generator
) -> np.ndarray:
    def spread(name: str) -> float:
        return float(abs(rng.normal(0, getattr(priors, f"sd_{name}"))))

    def tailed(shape: tuple[int, ...], name: str, degrees: float) -> np.ndarray:
        return spread(name) * rng.standard_normal(shape) / np.sqrt(rng.choice(weight_grid(degrees), shape))

    blocks = int(block[-1]) + 1
    level = (spread("block") * rng.standard_normal(blocks))[block]
    level = level + spread("zone") * rng.standard_normal(block.size)
    season = tailed((vintages,), "vintage", priors.season_degrees)
    if variety.max() > 0:
        of_variety = tailed((int(variety.max()) + 1, vintages), "variety", priors.season_degrees)
        season = season + of_variety[variety[block]]
    of_block = tailed((blocks, vintages), "block_vintage", priors.season_degrees)
    return level[:, None] + season + of_block[block] + tailed((block.size, vintages), "error", priors.degrees)


def place_truth(draws: np.ndarray, truth: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Place of the truth (zones) among draws (draw, zones), 0 to 1, random among ties."""
    below, ties = (draws < truth - 1e-6).sum(axis=0), (abs(draws - truth) <= 1e-6).sum(axis=0)
    return (below + rng.uniform(size=truth.size) * (ties + 1)) / (draws.shape[0] + 1)


def _fit(made: PriorEstate, priors: Priors, rng: np.random.Generator) -> Decline:
    return fit_decline(
        made.zone_vintage, made.zones, stand=made.stand, horizon_year=LAST + 4, rng=rng, priors=priors
    )


def run_bench(
    *, estates: int, seed: int, vintages: int, blocks: int, zones: int = 3, varieties: int = 1
) -> dict[str, float]:
    """Give the place of the true loss: share within the middle 90 % and 50 %, mean, with standard errors."""
    priors, places, truths, claims = Priors(), [], [], []
    for number in range(estates):
        rng = np.random.default_rng([seed, number])
        made = draw_estate(
            priors, blocks=blocks, zones=zones, vintages=vintages, varieties=varieties, rng=rng
        )
        found = _fit(made, priors, rng)
        loss = 100 * (1 - found.draws.now_t_ha / found.draws.healthy_t_ha)
        stand = 100 * found.draws.missing_share
        places.append(place_truth(np.where(loss < stand + 1e-9, 0.0, loss), made.loss_pct, rng))
        truths.append((made.decline_pct > 0.5).mean())
        claims.append(found.zones["chance_declining"].mean())
    place = np.array(places)
    middle = ((place > 0.05) & (place < 0.95)).mean(axis=1)
    return {
        "within 90 %": 100 * middle.mean(), "standard error": 100 * middle.std() / np.sqrt(estates),
        "within 50 %": 100 * ((place > 0.25) & (place < 0.75)).mean(),
        "below 5 %": 100 * (place < 0.05).mean(), "above 95 %": 100 * (place > 0.95).mean(),
        "mean place": place.mean(), "its standard error": place.mean(axis=1).std() / np.sqrt(estates),
        "declining, truth %": 100 * float(np.mean(truths)),
        "declining, model %": 100 * float(np.mean(claims)),
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--estates", type=int, default=100)
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--vintages", type=int, default=8)
    parser.add_argument("--blocks", type=int, default=4)
    parser.add_argument("--varieties", type=int, default=1, help="of equal numbers of blocks")
    found = run_bench(**vars(parser.parse_args()))
    for name, value in found.items():
        print(f"{name:22s} {value:8.2f}")


if __name__ == "__main__":
    main()
