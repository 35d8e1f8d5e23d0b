"""Invented estates with known truth, for the demo, the tests and the benchmarks."""

from vinemap.simulate.curves import dead_share, incidence, relative_yield, spread_loss
from vinemap.simulate.scenarios import SCENARIOS, Scenario
from vinemap.simulate.series import Noise, ZoneSeries, simulate_zone_series

__all__ = [
    "SCENARIOS",
    "Noise",
    "Scenario",
    "ZoneSeries",
    "dead_share",
    "incidence",
    "relative_yield",
    "simulate_zone_series",
    "spread_loss",
]
