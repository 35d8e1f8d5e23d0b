"""How well could anyone do without counts? Readers who know how the estates were invented, on yields alone.

Run: python scripts/bench_decline_oracle.py [--estates 4] [--seed 9101] [--vintages 5 8] [--courses 3000]

All readers know every scale of the noise, the size of every settlement error and how courses of disease are
invented, which no one knows in a vineyard. Courses of a block are drawn as the scenario makes them and
weighed by the exact likelihood, levels, seasons and errors integrated out. What else they know differs:

* others: the truth of all other blocks, the scenario, and the share of blocks that are hit;
* scenario: that share and the scenario; courses of all blocks are drawn in turn given one another (Gibbs);
* noise: neither; blocks may be hit in any pattern, early or late, one of them likelier to rule the estate;
  that mix and the share of blocks hit are learnt from the estate.

A method that has to learn all of this from the yields can hardly rank zones better than the last; what
separates the readers is what that knowledge is worth.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from bench_decline import area_under_curve, plain_block_loss

from vinemap.simulate.scenarios import SCENARIOS, choose_troubles
from vinemap.simulate.series import Noise, ZoneSeries, simulate_zone_series, true_state

SPREADING = ("focal", "row_wise", "whole_block", "late_onset")
READERS = ("others", "scenario", "noise")
HIT_SHARE = 0.45  # of the blocks, as the scenarios have it
LEVEL, BLOCK_SD, SOIL_SD = np.log(21.0), 0.15, 0.12  # of log yield, as the scenarios lay zones out
BEFORE = 3  # years before the first vintage that the truth holds
AT_ONCE = 400  # blocks invented in one go
BURN, SWEEPS = 60, 300
MIX_PRIOR = 0.5  # Dirichlet weight of each scenario: below 1, as one is likelier to rule an estate


@dataclass(frozen=True, slots=True)
class _Known:
    """Log yields with the precision they were invented with, and the truth; a zone's values together."""

    residual: np.ndarray  # (Z V,), log yield less its level before any loss
    log_kept: np.ndarray  # (Z V,), the truth
    precision: np.ndarray  # (Z V, Z V)
    block: np.ndarray  # (Z,), code
    years: np.ndarray


@dataclass(frozen=True, slots=True)
class _Courses:
    """Courses that a block of a given number of zones may take, those of a sound block last."""

    log_kept: np.ndarray  # (n, zones, V)
    declining: np.ndarray  # (n, zones)
    kind: np.ndarray  # (n,), place of the scenario that made it, -1 for sound

    def weigh(self, share: float, mix: np.ndarray) -> np.ndarray:
        """Log prior weight of every course (n,) for a share of blocks hit and a mix of scenarios."""
        chance = np.append(share * mix, 1 - share) / np.bincount(self.kind % (mix.size + 1))
        return np.asarray(np.log(chance)[self.kind])


def read_known(made: ZoneSeries) -> _Known:
    """Arrange the yields of an estate and the precision they were invented with."""
    zones, noise = made.zones, Noise()
    years = np.sort(made.zone_vintage["vintage"].unique())
    log = np.log(made.zone_vintage["yield_t_ha"].to_numpy())
    share = (made.zone_vintage["yield_se_t_ha"] / made.zone_vintage["yield_t_ha"]).to_numpy()
    block, names = pd.factorize(zones["block_id"])
    factor = made.settlement.pivot(index="block_id", columns="vintage", values="factor_se").loc[names]
    zone, vintage = np.divmod(np.arange(log.size), years.size)
    same = {
        name: codes[:, None] == codes
        for name, codes in {
            "zone": zone, "vintage": vintage, "block": block[zone],
            "variety": pd.factorize(zones["variety"])[0][zone],
        }.items()
    }  # fmt: skip
    season = noise.vintage**2 + noise.variety**2 * same["variety"]
    known = factor.to_numpy()[block[zone], vintage][:, None] ** 2
    season = season + (noise.block**2 + known) * same["block"]
    covariance = season * same["vintage"] + BLOCK_SD**2 * same["block"] + SOIL_SD**2 * same["zone"]
    covariance[np.diag_indices(log.size)] += noise.zone**2 + share**2
    kept = np.log1p(-np.minimum(made.truth_vintage["loss_pct"].to_numpy(), 99.9) / 100)
    return _Known(log - LEVEL, kept, np.linalg.inv(covariance), block, years)


class CourseBook:
    """Courses as the scenarios make them, drawn once for each number of zones.

    Parameters
    ----------
    scenarios : sequence of str
        Alike in chance for a block that is hit.
    years : int array (V,)
    count : int
        Courses of blocks that are hit.
    rng : numpy.random.Generator
    """

    def __init__(
        self, scenarios: Sequence[str], years: np.ndarray, *, count: int, rng: np.random.Generator
    ) -> None:
        self.scenarios, self.years, self.count, self.rng = scenarios, years, count, rng
        self._drawn: dict[int, _Courses] = {}

    def open(self, zones: int) -> _Courses:
        """Give the courses of a block of so many zones."""
        if zones not in self._drawn:
            each = self.count // len(self.scenarios)
            parts = [self._draw(zones, name, each, sick=True) for name in self.scenarios]
            parts.append(self._draw(zones, self.scenarios[0], self.count // 2, sick=False))
            kept, declining = (np.concatenate(one) for one in zip(*parts, strict=True))
            kinds = np.append(np.arange(len(self.scenarios)), -1)
            self._drawn[zones] = _Courses(kept, declining, np.repeat(kinds, [len(one) for one, _ in parts]))
        return self._drawn[zones]

    def _draw(self, zones: int, scenario: str, count: int, *, sick: bool) -> tuple[np.ndarray, np.ndarray]:
        plan = SCENARIOS[scenario] if sick else replace(SCENARIOS[scenario], disease="")
        blocks = pd.DataFrame({"block_id": np.repeat(np.arange(AT_ONCE).astype(str), zones)})
        now, kept, declining = BEFORE + self.years.size - 1, [], []
        while sum(map(len, kept)) < count:
            trouble = choose_troubles(plan, blocks, years=self.years, rng=self.rng)
            state = true_state(blocks, trouble, self.years, 1)
            hit = (trouble["trouble"] != "").to_numpy().reshape(AT_ONCE, zones).any(axis=1) | (not sick)
            falls = (state.disease[:, now] >= 0.10) & (state.disease[:, now] > state.disease[:, now - 3])
            log = np.log(np.maximum(state.keep[:, BEFORE : now + 1], 1e-3))
            kept.append(log.reshape(AT_ONCE, zones, -1)[hit])
            declining.append(falls.reshape(AT_ONCE, zones)[hit])
        return np.concatenate(kept)[:count], np.concatenate(declining)[:count]


class Reader:
    """Chance of declining and loss of every zone of an estate, given the yields and a book of courses.

    Parameters
    ----------
    known : _Known
    book : CourseBook
    rng : numpy.random.Generator
    """

    def __init__(self, known: _Known, book: CourseBook, rng: np.random.Generator) -> None:
        self.known, self.rng = known, rng
        self.zones = [np.flatnonzero(known.block == code) for code in range(known.block.max() + 1)]
        self.courses = [book.open(own.size) for own in self.zones]
        self.kinds = len(book.scenarios)
        step = np.arange(known.years.size)
        self.places = [(own[:, None] * step.size + step).ravel() for own in self.zones]
        self.effects = [one.log_kept.reshape(one.kind.size, -1) for one in self.courses]
        self.squares = [
            ((effect @ known.precision[np.ix_(place, place)]) * effect).sum(axis=1)
            for effect, place in zip(self.effects, self.places, strict=True)
        ]

    def knowing_others(self, share: float) -> tuple[np.ndarray, np.ndarray]:
        """Chance of declining and median loss [%] (zones), the truth of the other blocks known."""
        left = self.known.residual - self.known.log_kept
        chance, loss = np.empty(self.known.block.size), np.empty(self.known.block.size)
        for block, own in enumerate(self.zones):
            weight = self._weigh(block, left, share, np.full(self.kinds, 1 / self.kinds))
            chance[own] = weight @ self.courses[block].declining
            loss[own] = _median(100 * (1 - np.exp(self.courses[block].log_kept[..., -1])), weight)
        return chance, loss

    def knowing_none(self, share: float | None) -> tuple[np.ndarray, np.ndarray]:
        """Chance of declining and median loss [%] (zones), all blocks open; share and mix too if None."""
        chances, losses = [], []
        for chance, loss in self._sweep(share):
            chances.append(chance)
            losses.append(loss)
        return np.mean(chances[BURN:], axis=0), np.median(losses[BURN:], axis=0)

    def _sweep(self, share: float | None) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Draw all blocks in turn: chance of each zone given the other blocks, and the loss drawn."""
        left, now = self.known.residual.copy(), HIT_SHARE if share is None else share
        mix = np.full(self.kinds, 1 / self.kinds)
        for block, one in enumerate(self.courses):
            left[self.places[block]] -= self.effects[block][self.rng.integers(one.kind.size)]
        for _ in range(BURN + SWEEPS):
            chance, loss, hit = np.empty(self.known.block.size), np.empty(self.known.block.size), []
            for block, one in enumerate(self.courses):
                weight = self._weigh(block, left, now, mix)
                which = int(self.rng.choice(weight.size, p=weight))
                place, own = self.places[block], self.zones[block]
                left[place] = self.known.residual[place] - self.effects[block][which]
                chance[own] = weight @ one.declining
                loss[own] = 100 * (1 - np.exp(one.log_kept[which, :, -1]))
                hit.append(one.kind[which])
            if share is None:
                now, mix = self._draw_shares(np.array(hit))
            yield chance, loss

    def _draw_shares(self, kind: np.ndarray) -> tuple[float, np.ndarray]:
        """Draw the share of blocks hit and the mix of scenarios, given those of the blocks (-1 sound)."""
        sick = kind[kind >= 0]
        share = self.rng.beta(1 + sick.size, 1 + kind.size - sick.size)
        mix = self.rng.dirichlet(MIX_PRIOR + np.bincount(sick, minlength=self.kinds))
        mix = np.maximum(mix, 0.001)
        return float(np.clip(share, 0.001, 0.999)), mix / mix.sum()

    def _weigh(self, block: int, left: np.ndarray, share: float, mix: np.ndarray) -> np.ndarray:
        """Posterior weight (n) of the courses of a block, the courses of the others taken off `left`."""
        place = self.places[block]
        rest = left.copy()
        rest[place] = self.known.residual[place]
        fit = self.effects[block] @ (self.known.precision[place] @ rest) - 0.5 * self.squares[block]
        fit += self.courses[block].weigh(share, mix)
        weight = np.exp(fit - fit.max())
        return np.asarray(weight / weight.sum())


def _median(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    order = np.argsort(values, axis=0)
    summed = np.cumsum(weight[order], axis=0)
    pick = (summed < 0.5).sum(axis=0)
    return np.take_along_axis(values, order, axis=0)[pick, np.arange(values.shape[1])]


def read_estate(
    made: ZoneSeries, books: dict[str, CourseBook], *, rng: np.random.Generator
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Chance and loss of the zones of one estate by every reader; `books` hold own and all scenarios."""
    known = read_known(made)
    own, mixed = (Reader(known, books[name], rng) for name in (made.scenario, "all"))
    return {
        "others": own.knowing_others(HIT_SHARE),
        "scenario": own.knowing_none(HIT_SHARE),
        "noise": mixed.knowing_none(None),
    }


def measure(*, vintages: int, estates: int, courses: int, seed: int) -> pd.DataFrame:
    """Let every reader judge some estates of each scenario; one row a zone and reader."""
    tables, rng = [], np.random.default_rng([seed, vintages])
    years = np.arange(2026 - vintages + 1, 2027)
    books = {name: CourseBook([name], years, count=courses, rng=rng) for name in SPREADING}
    books["all"] = CourseBook(SPREADING, years, count=courses, rng=rng)
    for scenario in SPREADING:
        for estate in range(estates):
            own = np.random.default_rng([seed, list(SCENARIOS).index(scenario), estate, vintages])
            made = simulate_zone_series(scenario, rng=own, vintages=vintages, counted=False)
            truth = made.truth.assign(
                scenario=scenario,
                plain=made.truth["block_id"].map(plain_block_loss(made)),
            )
            for reader, (chance, loss) in read_estate(made, books, rng=own).items():
                tables.append(truth.assign(reader=reader, chance=chance, loss=loss))
    return pd.concat(tables, ignore_index=True)


def summarise(table: pd.DataFrame) -> dict[str, float]:
    """Figures of one reader: area under the curve, error of the loss and that of plain practice [points]."""
    ranked = table[~table["borderline"]]
    error, plain = ((table[one] - table["loss_pct"]).abs().mean() for one in ("loss", "plain"))
    return {
        "zones": len(table), "auc": area_under_curve(ranked["chance"], ranked["declining"]),
        "error": float(error), "plain": float(plain),
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--estates", type=int, default=4)
    parser.add_argument("--seed", type=int, default=9101)
    parser.add_argument("--vintages", type=int, nargs="+", default=[5, 8])
    parser.add_argument("--courses", type=int, default=3000)
    given = parser.parse_args()
    print("| vintages | reader | scenario | zones | AUC | error of loss, points | plain practice's |")
    print("| --- " * 7 + "|")
    for vintages in given.vintages:
        table = measure(vintages=vintages, estates=given.estates, courses=given.courses, seed=given.seed)
        for reader in READERS:
            read = table[table["reader"] == reader]
            for name, own in (*read.groupby("scenario", sort=False), ("ALL", read)):
                found = summarise(own)
                print(
                    f"| {vintages} | {reader} | {name} | {found['zones']} | {found['auc']:.2f} | "
                    f"{found['error']:.1f} | {found['plain']:.1f} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
