"""The bench of zones on a few blocks: known zones come back, and the figures asked for are held."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

PATH = Path(__file__).parents[2] / "scripts" / "bench_zones.py"


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("bench_zones", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_zones"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def test_a_case_is_scored(bench):
    case = bench.Case("both", 5)
    figures = bench.summarise(case, bench.measure_case(case, blocks=2, seed=77))
    assert figures["told apart %"] == 100
    assert figures["ari median"] >= 0.7
    assert "| both | 5 |" in bench.as_markdown(bench.pd.DataFrame([figures]))


@pytest.mark.slow
def test_zones_are_recovered_and_told_apart(bench):
    """Issue 4 of the plan: adjusted Rand index 0.7, told apart in 90 %; few blocks divided without cause."""
    table = bench.run_bench(blocks=6, estates=0, seed=78)["zones"]
    known = table[(table["pattern"] != "none") & ~table["pattern"].str.endswith("*")]
    assert (known["ari median"] >= 0.7).all()
    assert (known["told apart %"].dropna() >= 90).all()
    assert table.loc[table["pattern"] == "none", "divided falsely %"].mean() <= 10
