"""Candidate curves for the sampler: fresh ones from the prior, and near ones around the present curves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vinemap.decline.curves import (
    HELD,
    RATE_EDGES_PCT,
    RECOVERING,
    SCORES,
    CurveSpace,
    FloatArray,
    IntArray,
    classify_rate,
    trace_curves,
)

POOL_SIZE = 1000  # curves a kind drawn once, from which every sweep takes a random part
LEAST = 1e-12


@dataclass(slots=True)
class Curves:
    """Curves of n owners, or (n, J) candidates of them.

    Attributes
    ----------
    family : int array (...)
    scores : float array (..., 3)
    rate : int array (...)
        Class of steepest loss.
    log_curve : float array (..., W)
        At the working columns.
    """

    family: IntArray
    scores: FloatArray
    rate: IntArray
    log_curve: FloatArray

    def choose(self, which: IntArray, row: IntArray | None = None) -> Curves:
        """Take one of the candidates of each owner.

        Parameters
        ----------
        which : int array (m,)
            Number of the candidate.
        row : int array (m,), optional
            Whose candidates; each owner's own where not given (then m is n).

        Returns
        -------
        Curves
            Of m owners.
        """
        row = np.arange(which.size) if row is None else row
        return Curves(
            self.family[row, which],
            self.scores[row, which],
            self.rate[row, which],
            self.log_curve[row, which],
        )


class Pools:
    """Source of candidates.

    Parameters
    ----------
    space : CurveSpace
        Owners are the series.
    columns : int array (W,)
        Working columns of the yearly axis.
    families : tuple of int
        Kinds of decline offered.
    per_family : int
        Candidates of each kind a sweep.
    rng : numpy.random.Generator

    Notes
    -----
    Both ways leave the posterior unchanged. Fresh candidates come from the prior; the present curve takes the
    place of one of its own kind, and one of all is chosen by prior share of its kind times likelihood
    (Andrieu, Doucet and Holenstein 2010, J. R. Stat. Soc. B 72:269-342, iterated sampling by importance).
    Near candidates are drawn by an autoregression in the normal scores about a hidden point that is itself
    drawn so about the present curve; as the autoregression keeps the prior, the likelihood alone chooses
    (Tjelmeland 2004, Using all Metropolis-Hastings proposals; from memory).
    """

    def __init__(
        self,
        space: CurveSpace,
        columns: IntArray,
        *,
        families: tuple[int, ...],
        per_family: int,
        rng: np.random.Generator,
    ) -> None:
        self.space, self.columns, self.families, self.rng = space, columns, families, rng
        self.per_family = per_family if families else 1
        self.kinds = families or (HELD,)
        self.restarts = np.isfinite(space.work_year)
        age = np.where(self.restarts, -space.work_year, space.planted)
        _, self.members, self.group = np.unique(age, return_index=True, return_inverse=True)
        self._fill()

    def _fill(self) -> None:
        """Draw the pool of curves by age of the vines, and the prior mass of rate classes within kinds."""
        kinds = np.repeat(np.array(self.kinds, dtype=np.int64), POOL_SIZE)
        family = np.where(self.restarts[self.members][:, None], RECOVERING, kinds[None, :])
        scores = self.rng.standard_normal((*family.shape, SCORES))
        curve, _ = trace_curves(self.space, self.members[:, None], family, scores, self.columns)
        self.pool = Curves(family, scores, classify_rate(family, scores), curve)
        groups = self.members.size
        self.held = (
            np.full((groups, 1), HELD), np.zeros((groups, 1), dtype=np.int64),
            np.zeros((groups, 1, SCORES)), np.zeros((groups, 1, self.columns.size)),
        )  # fmt: skip
        classes = len(RATE_EDGES_PCT) + 1
        self.base = np.ones((RECOVERING + 1, classes))  # prior mass of rate classes within kinds
        for kind in self.families:
            trial = np.full(20_000, kind)
            rate = classify_rate(trial, self.rng.standard_normal((trial.size, SCORES)))
            self.base[kind] = (np.bincount(rate, minlength=classes) + 1.0) / (trial.size + classes)

    def start(self, owner: IntArray, declining: npt.NDArray[np.bool_]) -> Curves:
        """Draw curves to begin with: held, or where told any curve; renewed parts recover.

        Parameters
        ----------
        owner : int array (n,)
        declining : bool array (n,)

        Returns
        -------
        Curves
            Of n owners.
        """
        which = self.rng.integers(0, self.pool.family.shape[1], owner.size)
        drawn = self.pool.choose(which, self.group[owner])
        keep = declining | self.restarts[owner]
        return Curves(
            np.where(keep, drawn.family, HELD), drawn.scores, np.where(keep, drawn.rate, 0),
            np.where(keep[:, None], drawn.log_curve, 0.0),
        )  # fmt: skip

    def fresh(self, owner: IntArray, present: Curves) -> tuple[Curves, FloatArray]:
        """Draw candidates from the prior, the first held, the present curve among them.

        Parameters
        ----------
        owner : int array (n,)
        present : Curves
            Of the n owners.

        Returns
        -------
        candidates : Curves
            (n, 1 + F K): F kinds offered, K of each.
        log_weight : float array (n, 1 + F K)
            For being many of a kind.
        """
        kinds, each = len(self.kinds), self.per_family
        which = self.rng.integers(0, POOL_SIZE, (kinds, each)) + POOL_SIZE * np.arange(kinds)[:, None]
        n, pool, which = owner.size, self.pool, which.ravel()
        row = np.zeros(n, dtype=np.int64) if self.members.size == 1 else self.group[owner]
        family, rate, scores, curve = (
            np.take(np.concatenate([held, np.take(one, which, axis=1)], axis=1), row, axis=0)
            for held, one in zip(
                self.held, (pool.family, pool.rate, pool.scores, pool.log_curve), strict=True
            )
        )
        width = family.shape[1]
        slot = np.zeros(n, dtype=np.int64)
        for place, kind in enumerate(self.kinds):
            slot[present.family == kind] = 1 + place * each
        slot[self.restarts[owner]] = 1
        slot[present.family == HELD] = 0
        at = np.arange(n)
        family[at, slot], rate[at, slot] = present.family, present.rate
        scores[at, slot], curve[at, slot] = present.scores, present.log_curve
        many = np.full((n, width), -np.log(each))
        many[:, 0] = np.where(self.restarts[owner], -np.inf, 0.0)
        if not self.families:
            many[~self.restarts[owner], 1:] = -np.inf
        return Curves(family, scores, rate, curve), many

    def near(
        self, owner: IntArray, present: Curves, *, count: int, likeness: float, mixed: bool = False
    ) -> Curves:
        """Draw candidates around the present curves.

        Parameters
        ----------
        owner : int array (n,)
        present : Curves
            Of the n owners.
        count : int
        likeness : float
            Correlation of the normal scores with a hidden point, and of that with the present ones.
        mixed : bool, optional
            Whether a candidate may be of any kind but held; else of the present kind.

        Returns
        -------
        Curves
            (n, count), the first the present curve.
        """
        n, away = owner.size, np.sqrt(1 - likeness**2)
        hidden = likeness * present.scores + away * self.rng.standard_normal((n, SCORES))
        scores = likeness * hidden[:, None, :] + away * self.rng.standard_normal((n, count, SCORES))
        scores[:, 0] = present.scores
        family = np.repeat(present.family[:, None], count, axis=1)
        if mixed:  # a kind keeps the scores of another: the pace of a steady fall may go to one that set in
            any_kind = np.array(self.kinds)[self.rng.integers(0, len(self.kinds), (n, count - 1))]
            declines = (present.family != HELD) & (present.family != RECOVERING)
            family[:, 1:] = np.where(declines[:, None], any_kind, family[:, 1:])
        curve, _ = trace_curves(self.space, owner[:, None], family, scores, self.columns)
        return Curves(family, scores, classify_rate(family, scores), curve)
