"""Invented estates with known truth, for the demo, the tests and the benchmarks."""

from vinemap.simulate.brolga import DEMO_BLOCKS, DEMO_MACHINES, DEMO_SEED, DEMO_VINTAGES, demo_estate
from vinemap.simulate.curves import dead_share, incidence, relative_yield, spread_loss
from vinemap.simulate.estate import SimulatedEstate, simulate_estate
from vinemap.simulate.files import file_contents, write_estate_files
from vinemap.simulate.plan import BlockPlan, FaultRates, MachinePlan, Spread, Trouble
from vinemap.simulate.scenarios import SCENARIOS, Scenario
from vinemap.simulate.series import Noise, ZoneSeries, simulate_zone_series
from vinemap.simulate.truth import Truth
from vinemap.simulate.vines import BlockVines

__all__ = [
    "DEMO_BLOCKS",
    "DEMO_MACHINES",
    "DEMO_SEED",
    "DEMO_VINTAGES",
    "SCENARIOS",
    "BlockPlan",
    "BlockVines",
    "FaultRates",
    "MachinePlan",
    "Noise",
    "Scenario",
    "SimulatedEstate",
    "Spread",
    "Trouble",
    "Truth",
    "ZoneSeries",
    "dead_share",
    "demo_estate",
    "file_contents",
    "incidence",
    "relative_yield",
    "simulate_estate",
    "simulate_zone_series",
    "spread_loss",
    "write_estate_files",
]
