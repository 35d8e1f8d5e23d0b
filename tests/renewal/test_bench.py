"""The decision bench itself: truth judges truth best, and doing nothing loses all of the gain."""

import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / "scripts" / "bench_decision.py"


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("bench_decision", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_decision"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def outcome(bench):
    return bench.run_estate("missing_only", 0, vintages=8, winters=1, draws=100)


def test_nobody_does_better_than_perfect_knowledge(outcome):
    best = outcome.values["perfect knowledge"]
    assert best > 0
    assert all(value <= best * (1 + 2e-3) for value in outcome.values.values())


def test_never_renewing_loses_the_whole_gain(bench, outcome):
    lost = bench.lost_table([outcome])
    assert lost.loc["never renew"].tolist() == [100.0]
    assert (lost.loc[f"{bench.EXPECTED}, decided once"] < 60).all()
