"""A small invented case for examples and tests: three zones, one of them in decline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from vinemap.renewal.finance import Floats
from vinemap.renewal.methods import Money, default_methods
from vinemap.renewal.standing import Ints
from vinemap.renewal.value import Valuation, value_options
from vinemap.renewal.wording import Facts


@dataclass(frozen=True, slots=True)
class ExampleDraws:
    """Forecast draws as plain arrays; see `vinemap.renewal.standing.ForecastDraws`."""

    zone_ids: list[str]
    years: Ints
    keep_t_ha: Floats
    healthy_t_ha: Floats
    now_t_ha: Floats
    missing_share: Floats
    symptomatic_share: Floats


def example_draws(
    *,
    rng: np.random.Generator,
    draw_count: int = 200,
    loss_now: tuple[float, ...] = (0.40, 0.05, 0.25),
    yearly_loss: tuple[float, ...] = (0.04, 0.0, 0.0),
    missing: tuple[float, ...] = (0.05, 0.01, 0.24),
    first_vintage: int = 2027,
    span: int = 20,
) -> ExampleDraws:
    """Make draws of zones that lost a share `loss_now` of 22 t/ha and lose `yearly_loss` of it every year.

    Examples
    --------
    >>> example_draws(rng=np.random.default_rng(1), draw_count=10).keep_t_ha.shape
    (10, 3, 20)
    """
    count = len(loss_now)
    healthy = 22.0 + rng.normal(0.0, 0.8, (draw_count, count))
    loss = np.asarray(loss_now) + rng.normal(0.0, 0.03, (draw_count, count)) * (np.asarray(loss_now) > 0)
    speed = np.asarray(yearly_loss) * np.exp(rng.normal(0.0, 0.2, (draw_count, count)))
    ahead = np.arange(1, span + 1)
    keep = healthy[:, :, None] * np.clip(1.0 - loss[:, :, None] - speed[:, :, None] * ahead, 0.0, None)
    return ExampleDraws(
        zone_ids=[f"{'AAB'[n % 3]}-Z{n + 1}" for n in range(count)],
        years=np.arange(first_vintage, first_vintage + span),
        keep_t_ha=keep,
        healthy_t_ha=healthy,
        now_t_ha=healthy * (1.0 - loss),
        missing_share=np.tile(np.asarray(missing, dtype=float), (draw_count, 1)),
        symptomatic_share=np.full((draw_count, count), np.nan),
    )


def mixed_draws(
    count: int,
    *,
    rng: np.random.Generator,
    draw_count: int = 200,
    span: int = 20,
    least_loss: float = 0.0,
    least_missing: float = 0.0,
) -> ExampleDraws:
    """Make draws of zones in every state: up to half lost, up to 4 % more a year, up to a fifth missing.

    Examples
    --------
    >>> mixed_draws(5, rng=np.random.default_rng(1), draw_count=10).keep_t_ha.shape
    (10, 5, 20)
    """
    return example_draws(
        rng=rng,
        draw_count=draw_count,
        loss_now=tuple(rng.uniform(least_loss, 0.5, count)),
        yearly_loss=tuple(rng.uniform(0.0, 0.04, count)),
        missing=tuple(rng.uniform(least_missing, 0.2, count)),
        span=span,
    )


def example_zones(count: int = 3) -> pd.DataFrame:
    """Make the zones that go with `example_draws`.

    Examples
    --------
    >>> example_zones()["zone_id"].tolist()
    ['A-Z1', 'A-Z2', 'B-Z3']
    """
    numbers = range(count)
    return pd.DataFrame(
        {
            "zone_id": [f"{'AAB'[n % 3]}-Z{n + 1}" for n in numbers],
            "block_id": ["AAB"[n % 3] for n in numbers],
            "area_ha": [3.0 + 0.5 * (n % 4) for n in numbers],
            "vines": [round(1587 * (3.0 + 0.5 * (n % 4))) for n in numbers],
            "variety": ["Shiraz" if n % 3 < 2 else "Chardonnay" for n in numbers],
            "year_planted": [2006] * count,
            "trellis_year": [2006] * count,
            "row_spacing_m": [3.0] * count,
        }
    )


def example_decline(valuation: Valuation) -> pd.DataFrame:
    """Make the decline columns of `tables.ZONE` that fit the draws of a valuation.

    Examples
    --------
    >>> int(example_decline(example_valuation()).iloc[0]["loss_pct"].round(-1))
    40
    """
    standing = valuation.standing
    loss = 100.0 * (1.0 - standing.now / standing.healthy)
    speed = 100.0 * standing.rate
    frame = pd.DataFrame({"zone_id": standing.zone_ids, "block_id": standing.block_ids, "vintages": 8})
    for name, values in (("loss_pct", loss), ("decline_pct_per_year", speed)):
        low, middle, high = np.quantile(values, [0.05, 0.5, 0.95], axis=0)
        frame[name], frame[f"{name}_low"], frame[f"{name}_high"] = middle, low, high
    frame["yield_healthy_t_ha"] = np.median(standing.healthy, axis=0)
    frame["yield_now_t_ha"] = np.median(standing.now, axis=0)
    frame["missing_pct"], frame["symptomatic_pct"] = 100.0 * standing.missing.mean(axis=0), np.nan
    return frame


def example_valuation(*, seed: int = 11, draw_count: int = 200) -> Valuation:
    """Value the example zones with the example methods and money.

    Examples
    --------
    >>> example_valuation().start_years[0].item()
    2026
    """
    rng = np.random.default_rng(seed)
    draws = example_draws(rng=rng, draw_count=draw_count)
    return value_options(draws, example_zones(), methods=default_methods(), money=Money(), rng=rng)


def example_facts() -> Facts:
    """Make what a sentence about the first example zone may speak of.

    Examples
    --------
    >>> example_facts().method
    'trunk_renewal'
    """
    return Facts(
        healthy_t_ha=22.0, loss_pct=40.0, loss_low=35.0, loss_high=45.0, decline_pct=4.0, vintages=8,
        method="trunk_renewal", year=2026, gain=9000.0, gain_low=1500.0, gain_high=18_000.0, wait_cost=800.0,
        chance=0.97, threshold=0.6, first_year=2026, horizon=2036, currency="AUD", scouting_value=10.0,
        scouting_cost=150.0, missing_pct=5.0, protect_gain=float("nan"), too_short=False,
    )  # fmt: skip
