"""Shared by all tests: a small invented estate, made once, and the command line as a user meets it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from vinemap import cli, simulate
from vinemap.job import Estate, list_demo_files, new_estate

SMALL_VINTAGES = tuple(range(2019, 2027))


def small_plans() -> list[simulate.BlockPlan]:
    """Three blocks of about 1.4 ha: sound, in decline as a whole, and with a patch that was always weak."""
    common = {"variety": "Shiraz", "year_planted": 2006, "trellis_year": 2006, "bearing_deg": 10.0}

    def square(west: float) -> tuple[tuple[float, float], ...]:
        return ((west, 0.0), (west + 96.0, 0.0), (west + 96.0, 150.0), (west, 150.0))

    decline = simulate.Trouble("whole_block", start_year=2022.0, rate_per_year=0.8, pace_years=2.0)
    weak = simulate.Trouble("weak_soil", reach_m=45.0, share=0.4)
    return [
        simulate.BlockPlan("S1", "Sound", outline_m=square(0.0), level_t_ha=20.0, machine="Wren", **common),
        simulate.BlockPlan(
            "D1", "Falling", outline_m=square(130.0), level_t_ha=21.0, machine="Teal",
            troubles=(decline,), **common,
        ),
        simulate.BlockPlan(
            "W1", "Weak patch", outline_m=square(260.0), level_t_ha=19.0, machine="Wren",
            machine_in={2025: "Teal", 2026: "Teal"}, troubles=(weak,), **common,
        ),
    ]  # fmt: skip


def small_estate(*, vintages=SMALL_VINTAGES, weighed_vintages=()) -> simulate.SimulatedEstate:
    """Simulate the small estate; one machine reads 10 % low, the other 5 % high."""
    return simulate.simulate_estate(
        rng=np.random.default_rng(7),
        blocks=small_plans(),
        vintages=vintages,
        machines=[
            simulate.MachinePlan("Wren", bias=-0.10, delay_s=9),
            simulate.MachinePlan("Teal", bias=0.05, delay_s=7, style="semicolon"),
        ],
        count_vintages=vintages if weighed_vintages else (vintages[-1],),
        weighed_vintages=weighed_vintages,
        interval_s=4,
        name="Invented small estate",
    )


@dataclass(frozen=True)
class Assessed:
    """A small estate in its folder, assessed once."""

    estate: Estate
    simulated: simulate.SimulatedEstate
    result: object


@pytest.fixture(scope="session")
def make_small_estate():
    """Give `small_estate` to tests, which cannot import this file."""
    return small_estate


@pytest.fixture(scope="session")
def small_files(tmp_path_factory) -> tuple[simulate.SimulatedEstate, Path]:
    """Files of the small estate, as a grower would have them."""
    simulated = small_estate()
    folder = tmp_path_factory.mktemp("files")
    simulate.write_estate_files(simulated, folder)
    return simulated, folder


@pytest.fixture(scope="session")
def assessed(small_files, tmp_path_factory) -> Assessed:
    """The small estate loaded and assessed in this process."""
    simulated, files = small_files
    estate = new_estate(tmp_path_factory.mktemp("estates") / "small", name="Invented small estate")
    for kind, file, vintage in list_demo_files(files):
        estate.add(kind, file, vintage=vintage)
    return Assessed(estate, simulated, estate.assess(workers=1))


@pytest.fixture
def run(capsys):
    """Run the command line; gives (exit status, standard output, standard error)."""

    def call(*words: object) -> tuple[int, str, str]:
        capsys.readouterr()
        status = 0
        try:
            cli.main([str(one) for one in words])
        except SystemExit as stop:
            status = int(stop.code or 0)
        seen = capsys.readouterr()
        return status, seen.out, seen.err

    return call


@pytest.fixture
def run_json(run):
    """Run a reporting command with --json and parse what it prints."""

    def call(*words: object) -> tuple[int, dict]:
        status, out, _ = run(*words, "--json")
        return status, json.loads(out)

    return call
