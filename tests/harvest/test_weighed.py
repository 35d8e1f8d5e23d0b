"""Blocks weighed without readings: tonnes over hectares, shared loads with their uncertainty."""

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError
from vinemap.harvest import block_yields_from_loads

BLOCKS = pd.DataFrame({"block_id": ["A", "B", "C"], "area_ha": [4.0, 2.0, 1.0]})


def loads_of(lines, *, mog_pct=2.0, vintage=2026):
    return pd.DataFrame({
        "load_id": [f"T{place}" for place in range(len(lines))], "vintage": vintage,
        "block_id": [name for name, _ in lines], "net_kg": [1000.0 * tonnes for _, tonnes in lines],
        "mog_pct": mog_pct, "import_id": 1,
    })  # fmt: skip


def test_own_loads_over_area_with_mog_off():
    found = block_yields_from_loads(loads_of([("A", 10.0)] * 5 + [("C", 9.0)]), BLOCKS)
    assert list(found.columns) == ["block_id", "vintage", "yield_t_ha", "yield_se_t_ha", "loads"]
    assert found["block_id"].tolist() == ["A", "C"]
    assert found["yield_t_ha"].tolist() == pytest.approx([50 * 0.98 / 4, 9 * 0.98])
    assert found["loads"].tolist() == [5, 1]
    assert (found["yield_se_t_ha"] / found["yield_t_ha"]).max() < 0.025


def test_each_vintage_apart_and_unknown_blocks_passed_over():
    both = [loads_of([("A", 40.0), ("Nowhere", 9.0)]), loads_of([("A", 20.0)], vintage=2025)]
    found = block_yields_from_loads(pd.concat(both), BLOCKS)
    assert found["vintage"].tolist() == [2025, 2026]
    assert found["yield_t_ha"].tolist() == pytest.approx([4.9, 9.8])


def test_shared_loads_cover_the_truth():
    rng = np.random.default_rng(4)
    score, sums = [], []
    for _ in range(200):
        true = 12.0 * BLOCKS["area_ha"] * np.exp(rng.normal(0, 0.3, 3))
        share = rng.uniform()
        mixed = min(10.0, true[0], true[1])
        lines = [("A", true[0] - share * mixed), ("B", true[1] - (1 - share) * mixed), ("C", true[2])]
        found = block_yields_from_loads(loads_of([*lines, ("A;B", mixed)], mog_pct=0.0), BLOCKS)
        tonnes = found["yield_t_ha"] * BLOCKS["area_ha"]
        sums.append(tonnes.sum() - true.sum())
        score.append((found["yield_t_ha"] - true / BLOCKS["area_ha"]) / found["yield_se_t_ha"])
    assert np.abs(sums).max() < 1e-9
    assert 0.6 < np.sqrt(np.mean(np.square(score), axis=0))[:2].mean() < 1.3


def test_a_load_without_weight_widens():
    plain = block_yields_from_loads(loads_of([("A", 20.0)] * 2), BLOCKS).iloc[0]
    vague = block_yields_from_loads(loads_of([("A", 20.0)] * 2 + [("A", 0.0)]), BLOCKS).iloc[0]
    assert plain["yield_t_ha"] < vague["yield_t_ha"] < 1.5 * plain["yield_t_ha"]
    assert vague["yield_se_t_ha"] > 3 * plain["yield_se_t_ha"]


def test_no_loads_and_no_area():
    empty = block_yields_from_loads(pd.DataFrame(), BLOCKS)
    assert empty.empty
    assert empty["vintage"].dtype == np.int64
    with pytest.raises(DataError, match=r"Block B has an area of 0.0 ha"):
        block_yields_from_loads(loads_of([("A", 1.0)]), BLOCKS.assign(area_ha=[1.0, 0.0, 1.0]))
