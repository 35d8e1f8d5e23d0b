"""One small invented estate for the tests of this folder."""

import numpy as np
import pytest

from vinemap.simulate import BlockPlan, MachinePlan, Trouble, simulate_estate

BLOCKS = (
    BlockPlan("K1", "North", "Shiraz", ((0, 0), (200, 0), (200, 160), (0, 160)), 2005, 2005, 0.0, 20.0,
              machine="Plover", shared_in=(2024,)),
    BlockPlan("K2", "South", "Shiraz", ((0, -180), (220, -180), (200, -10), (0, -10)), 2005, 2005, 0.0, 20.0,
              machine="Plover", machine_in={2025: "Teal"}, unlogged={2026: 0.4},
              troubles=(Trouble("focal", 2018.0, foci=((0.4, 0.5),), reach_m=50.0, growth_m_per_year=12.0),)),
    BlockPlan("K3", "East", "Merlot", ((240, 0), (420, 0), (420, 160), (240, 160)), 2005, 2005, 90.0, 18.0,
              machine="Teal", renewed=2024,
              troubles=(Trouble("whole_block", 2022.0, rate_per_year=0.6),)),
)  # fmt: skip
MACHINES = (
    MachinePlan("Plover", -0.08, delay_s=11, smear_s=2.0, drift_in={2026: 0.1}),
    MachinePlan("Teal", 0.04, bias_in={2026: -0.2}, delay_s=8, smear_s=2.0, style="semicolon"),
)


@pytest.fixture(scope="session")
def small():
    return simulate_estate(
        rng=np.random.default_rng(11), blocks=BLOCKS, vintages=(2023, 2024, 2025, 2026), machines=MACHINES,
        count_vintages=(2024, 2026), weighed_vintages=(2026,), name="Small",
    )  # fmt: skip
