"""Brolga Reach, the invented estate of the demo: 130 ha of twelve blocks, vintages 2017 to 2026."""

from __future__ import annotations

import numpy as np

from vinemap.simulate.estate import SimulatedEstate, simulate_estate
from vinemap.simulate.plan import BlockPlan, MachinePlan, Trouble

DEMO_SEED = 20_260_214
DEMO_VINTAGES = tuple(range(2017, 2027))
DEMO_COUNTS = (2020, 2023, 2026)
TURNED_DEG = 7.0  # the whole plan is turned clockwise by this, so that nothing runs exactly north
SCALE = 1.024  # of the plan drawn below, which brings the twelve blocks to 130 ha
# shared seasons, natural log; 2020 is the season in which everybody was 30 % down
DEMO_SEASONS = {
    2017: 0.04, 2018: 0.09, 2019: -0.05, 2020: -0.357, 2021: 0.06,
    2022: 0.00, 2023: -0.08, 2024: 0.05, 2025: -0.02, 2026: 0.03,
}  # fmt: skip
HERON, IBIS = "Heron", "Ibis"
DEMO_MACHINES = (
    # Heron reads 8 % low and drifts by a further 6 % through 2021
    MachinePlan(HERON, -0.08, drift_in={2021: -0.06}, delay_s=11, smear_s=2.0, speed_m_s=1.65),
    # Ibis reads 4 % high until 2024 and 18 % low in 2025 and 2026
    MachinePlan(
        IBIS, 0.04, bias_in={2025: -0.18, 2026: -0.18}, delay_s=8, smear_s=2.0, speed_m_s=1.55,
        style="semicolon",
    ),
)  # fmt: skip
# the river side of River Bend: a curve
_CURVE = tuple((x, 978.0 + 34.0 * float(np.sin(np.pi * x / 340.0))) for x in np.linspace(340.0, 0.0, 14))


def _turned(*corners: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Corners of the plan, scaled and turned as a whole [m]."""
    angle = np.radians(TURNED_DEG)
    x, y = SCALE * (np.array(corners, dtype=float) - (740.0, 500.0)).T
    east, north = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    return tuple((float(a), float(b)) for a, b in zip(east, north, strict=True))


DEMO_BLOCKS = (
    BlockPlan(
        "B01", "River Bend", "Chardonnay", _turned((0, 660), (340, 660), *_CURVE), 2004, 2006,
        TURNED_DEG, 21.5, machine=HERON,
        troubles=(Trouble("focal", 2017.0, foci=((0.24, 0.62), (0.42, 0.30)), reach_m=84.0,
                          growth_m_per_year=17.0, share=0.82),),
    ),
    BlockPlan(
        "B02", "Windmill", "Shiraz", _turned((0, 320), (300, 320), (340, 370), (340, 640), (0, 640)),
        1998, 2010, TURNED_DEG + 90, 20.0, machine=HERON, row_offset_m=0.5,
        troubles=(Trouble("whole_block", 2022.4, rate_per_year=0.6, pace_years=3.6, share=0.92),),
    ),
    BlockPlan(
        "B03", "Pump Shed", "Cabernet Sauvignon", _turned((378, 320), (700, 320), (700, 640), (360, 640)),
        2005, 2005, TURNED_DEG, 19.0, machine=IBIS,
        troubles=(Trouble("row_wise", 2017.0, foci=((0.0, 0.35),), reach_m=135.0, growth_m_per_year=20.0,
                          share=0.80),),
    ),
    BlockPlan(
        "B04", "Long Paddock", "Cabernet Sauvignon",
        _turned((720, 660), (1190, 660), (1190, 965), (720, 1010)), 2001, 2001,
        TURNED_DEG + 90, 20.5, machine=IBIS, shared_in=(2018, 2021, 2023, 2025, 2026),
    ),
    BlockPlan(
        "B05", "Sandhill", "Shiraz", _turned((720, 320), (1080, 330), (1080, 640), (720, 640)), 2006, 2006,
        TURNED_DEG, 18.5, row_spacing_m=3.05, machine=IBIS, shared_in=(2019, 2025, 2026),
        troubles=(Trouble("weak_soil", foci=((0.70, 0.45), (0.60, 0.65)), reach_m=62.0, share=0.40),),
    ),
    BlockPlan(
        "B06", "Saltbush", "Merlot", _turned((0, 0), (330, 0), (340, 300), (0, 300)), 1996, 2012,
        TURNED_DEG + 90, 17.5, machine=HERON, renewed=2021,
        troubles=(Trouble("whole_block", 2018.5, rate_per_year=0.5, pace_years=4.5, share=0.8),),
    ),
    BlockPlan(
        "B07", "Red Gum", "Shiraz", _turned((360, 660), (700, 660), (700, 1008), (520, 1040), (360, 1000)),
        2003, 2003, TURNED_DEG, 20.0, machine=HERON, machine_in={2025: IBIS, 2026: IBIS},
    ),
    BlockPlan(
        "B08", "Lignum", "Colombard", _turned((360, 0), (640, 10), (700, 150), (700, 300), (360, 300)),
        2002, 2002, TURNED_DEG, 25.0, row_offset_m=-0.4, vine_spacing_m=2.13, machine=HERON,
        troubles=(Trouble("missing", foci=((0.30, 0.50), (0.45, 0.70)), reach_m=80.0, share=0.26),),
    ),
    BlockPlan(
        "B09", "Kite Corner", "Cabernet Sauvignon", _turned((720, 20), (958, 60), (1078, 310), (720, 300)),
        1996, 1996, TURNED_DEG + 90, 18.0, machine=IBIS,
        troubles=(Trouble("whole_block", 2022.8, rate_per_year=0.5, pace_years=4.0, share=0.85),),
    ),
    BlockPlan(
        "B10", "Dry Creek", "Chardonnay", _turned((985, 55), (1330, 45), (1450, 315), (1110, 312)), 2007,
        2007, TURNED_DEG + 25.6, 22.0, machine=HERON, unlogged={2019: 1.0, 2022: 1.0, 2024: 0.33},
    ),
    BlockPlan(
        "B11", "Ferry Flat", "Colombard",
        _turned((1210, 660), (1480, 660), (1440, 800), (1350, 940), (1210, 960)),
        2014, 2014, TURNED_DEG, 26.0, vine_spacing_m=2.0, machine=IBIS,
    ),
    BlockPlan(
        "B12", "Homestead", "Merlot", _turned(
            (1100, 332), (1300, 338), (1300, 420), (1420, 424), (1480, 640), (1100, 640)),
        2000, 2008, TURNED_DEG + 90, 18.0, machine=IBIS,
        troubles=(Trouble("focal", 2020.0, foci=((0.55, 0.30), (0.25, 0.72)), reach_m=75.0,
                          growth_m_per_year=16.0, share=0.42),),
    ),
)  # fmt: skip


def demo_estate(*, rng: np.random.Generator | None = None, interval_s: int = 5) -> SimulatedEstate:
    """Simulate Brolga Reach.

    Parameters
    ----------
    rng : numpy.random.Generator, optional
        The demo's own seed where not given.
    interval_s : int, optional
        Logging interval [s].

    Returns
    -------
    SimulatedEstate
    """
    return simulate_estate(
        rng=rng or np.random.default_rng(DEMO_SEED),
        blocks=DEMO_BLOCKS,
        vintages=DEMO_VINTAGES,
        machines=DEMO_MACHINES,
        season_effects=DEMO_SEASONS,
        count_vintages=DEMO_COUNTS,
        interval_s=interval_s,
        name="Brolga Reach",
    )
