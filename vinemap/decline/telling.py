"""From the posterior to draws and figures of every zone, some blocks at a time.

Courses to the horizon on every draw are by far the largest thing that a fit makes. They are traced for some
hundred zones at a time, and only what later stages need of them is kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from vinemap.decline.curves import CurveSpace, FloatArray, IntArray
from vinemap.decline.forecast import DeclineDraws, Posterior, lost_by, make_draws, share_held, trace_paths
from vinemap.decline.gaps import Gaps
from vinemap.decline.layout import Layout
from vinemap.decline.results import expected_yields, forecast_table, quantiles, zone_figures
from vinemap.decline.stand import Stand

ZONES_AT_A_TIME = 200  # some 100 MB at 400 draws
DRAWN = ("keep_t_ha", "healthy_t_ha", "now_t_ha", "missing_share", "symptomatic_share")


@dataclass(frozen=True, slots=True)
class Told:
    """What is told of the zones (Z), in their order.

    Attributes
    ----------
    draws : DeclineDraws
    figures : pandas.DataFrame
        As `zone_figures` gives them.
    forecast : pandas.DataFrame
        `tables.ZONE_FORECAST`.
    expected_t_ha : float array (Z, V)
        Yield of the zones if healthy and full in each vintage [t/ha].
    loss_pct : float array (draw, Z)
        Loss in the last vintage [% of healthy yield].
    """

    draws: DeclineDraws
    figures: pd.DataFrame
    forecast: pd.DataFrame
    expected_t_ha: FloatArray
    loss_pct: FloatArray


def tell_zones(
    posterior: Posterior,
    space: CurveSpace,
    layout: Layout,
    standing: Stand,
    gaps: Gaps,
    zone_ids: list[str],
    *,
    horizon_year: int,
    rng: np.random.Generator,
) -> Told:
    """Trace every zone to the horizon and sum it up.

    Parameters
    ----------
    posterior : Posterior
    space : CurveSpace
        Owners are the series.
    layout : Layout
    standing : Stand
    gaps : Gaps
    zone_ids : list of str
        Zones, in order (Z).
    horizon_year : int
    rng : numpy.random.Generator

    Returns
    -------
    Told
    """
    last, count = int(layout.vintages[-1]), len(zone_ids)
    held = share_held(posterior, space, layout)
    block = layout.place[0][:count]
    restart = {one.zone: one.first_vintage for one in layout.series[count:]}
    out = _Parts(count)
    for zones in _whole_blocks(block, ZONES_AT_A_TIME):
        here = standing.of(zones)
        paths = trace_paths(
            posterior, space, layout, here, zones=zones, held=held, last_vintage=last, rng=rng,
            gaps=gaps.of(zones),
        )  # fmt: skip
        draws = make_draws(
            paths, here, [zone_ids[one] for one in zones],
            last_vintage=last, horizon_year=horizon_year, rng=rng,
        )  # fmt: skip
        own = {at: restart[zone] for at, zone in enumerate(zones.tolist()) if zone in restart}
        figures = zone_figures(paths, here, draws, own, layout.vintages)
        expected = expected_yields(posterior, layout, paths.healthy, block[zones])
        out.add(zones, draws, figures, expected, lost_by(paths, last))
    return out.join()


def _whole_blocks(block: IntArray, most: int) -> Iterator[IntArray]:
    """Rows of the zones of some blocks at a time: at most `most`, or those of a single block.

    Examples
    --------
    >>> [one.tolist() for one in _whole_blocks(np.array([0, 0, 1, 2, 2]), 3)]
    [[0, 1, 2], [3, 4]]
    """
    order = np.argsort(block, kind="stable")
    ends = np.cumsum(np.bincount(block))
    start = 0
    while start < order.size:
        fitting = ends[(ends > start) & (ends <= start + most)]
        end = int(fitting[-1]) if fitting.size else int(ends[ends > start][0])
        yield np.sort(order[start:end])
        start = end


class _Parts:
    """Gathers what was told of some zones at a time; arrays (draw, Z, ...) are filled place by place."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.rows: list[IntArray] = []
        self.figures: list[pd.DataFrame] = []
        self.arrays: dict[str, FloatArray] = {}
        self.zone_ids = [""] * count
        self.years = np.zeros(0, dtype=np.int64)

    def add(
        self,
        zones: IntArray,
        draws: DeclineDraws,
        figures: pd.DataFrame,
        expected: FloatArray,
        loss: FloatArray,
    ) -> None:
        self.rows.append(zones)
        self.figures.append(figures)
        self.years = draws.years
        for zone, name in zip(zones, draws.zone_ids, strict=True):
            self.zone_ids[zone] = name
        arrays = {name: getattr(draws, name) for name in DRAWN}
        arrays |= {"loss": loss, "expected": expected[None], "forecast": np.stack(quantiles(draws.keep_t_ha))}
        for name, values in arrays.items():
            if name not in self.arrays:
                self.arrays[name] = np.empty((len(values), self.count, *values.shape[2:]))
            self.arrays[name][:, zones] = values

    def join(self) -> Told:
        order = np.argsort(np.concatenate(self.rows))
        figures = pd.concat(self.figures, ignore_index=True).iloc[order].reset_index(drop=True)
        draws = DeclineDraws(self.zone_ids, self.years, **{name: self.arrays[name] for name in DRAWN})
        forecast = forecast_table(self.zone_ids, self.years, self.arrays["forecast"])
        return Told(draws, figures, forecast, self.arrays["expected"][0], self.arrays["loss"])
