"""Time the programme under limits against the number of zones, beside HiGHS on the whole problem.

    python scripts/bench_programme.py [--zones 500 2000 10000] [--years 10] [--draws 40] [--json FILE]

Zones in every state of decline, five to a block, all methods; limits grow with the zones. Both may take a
minute and stop within a thousandth of the bound. Without shadow costs, which solve again.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from vinemap.renewal import Valuation, default_methods, plan_programme, solving, value_options
from vinemap.renewal.example import example_zones, mixed_draws
from vinemap.renewal.methods import Money

ZONES, YEARS, DRAWS, SEED = (500, 2_000, 10_000), 10, 40, 3
A_BLOCK = 5  # zones in it
# By zone and winter: a budget and a crew that do a good tenth of all; vines; hectares out of crop.
TWO = {"budget": 4_000.0, "crew_days": 3.0}
FOUR = TWO | {"most_orders": 200.0, "most_ha_out": 0.12}


def make_zones(count: int, *, draws: int) -> Valuation:
    """Value zones that lost up to a half and lose up to 4 % a year."""
    rng = np.random.default_rng(SEED)
    made = mixed_draws(count, rng=rng, draw_count=draws, span=25)
    blocks = [f"B{number // A_BLOCK}" for number in range(count)]
    names = [f"{block}-Z{number}" for number, block in enumerate(blocks)]
    zones = example_zones(count).assign(zone_id=names, block_id=blocks)
    return value_options(
        replace(made, zone_ids=names), zones, methods=default_methods(), money=Money(), rng=rng
    )


def plan(valuation: Valuation, *, years: int, whole: bool, limits: dict[str, float]) -> dict[str, Any]:
    """Plan once; `whole` hands HiGHS the problem as it is, however large."""
    count = len(valuation.standing.zone_ids)
    many = len(valuation.methods) * count * years if whole else solving.MANY_CHOICES
    with mock.patch.object(solving, "MANY_CHOICES", many):
        began = time.perf_counter()
        given = {name: most * count for name, most in limits.items()}
        made = plan_programme(valuation, years=years, shadow=False, **given)
    seconds = time.perf_counter() - began
    return {"seconds": seconds, "gap": made.gap, "npv": made.npv, "renewed": len(made.table)}


def main() -> int:
    """Print a table of times, gaps and zones renewed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--zones", type=int, nargs="+", default=ZONES)
    parser.add_argument("--years", type=int, default=YEARS)
    parser.add_argument("--draws", type=int, default=DRAWS)
    parser.add_argument("--json", type=Path, dest="file")
    asked = parser.parse_args()
    print(f"| zones, {asked.years} winters | limits | by core | renewed | HiGHS, whole | renewed |")
    print("| ---: | ---: | ---: | ---: | ---: | ---: |")
    found = []
    for count in asked.zones:
        valuation = make_zones(count, draws=asked.draws)
        for limits in (TWO, FOUR):
            core, whole = (
                plan(valuation, years=asked.years, whole=one, limits=limits) for one in (False, True)
            )
            cells = [f"{one['seconds']:.1f} s, gap {100 * one['gap']:.2f} %" for one in (core, whole)]
            print(
                f"| {count:,} | {len(limits)} | {cells[0]} | {core['renewed']:,} | {cells[1]} | "
                f"{whole['renewed']:,} |",
                flush=True,
            )
            found.append({"zones": count, "limits": len(limits), "core": core, "whole": whole})
    if asked.file:
        asked.file.write_text(json.dumps(found, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
