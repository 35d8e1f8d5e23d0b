"""Zones told some at a time: whole blocks, every zone once, in the order of the zone table."""

import numpy as np
import pandas as pd
import pytest

from vinemap.decline import fit_decline, telling


@pytest.mark.parametrize("most", [1, 3, 7, 100])
def test_parts_are_whole_blocks_and_hold_every_zone_once(most):
    block = np.random.default_rng(4).integers(0, 9, 40)
    parts = list(telling._whole_blocks(block, most))
    assert sorted(np.concatenate(parts).tolist()) == list(range(40))
    owners = [set(block[one].tolist()) for one in parts]
    assert sum(map(len, owners)) == len(set(block.tolist()))
    assert all(len(one) <= most or len(own) == 1 for one, own in zip(parts, owners, strict=True))


def _estate(blocks):
    rng = np.random.default_rng(8)
    ids = [f"B{n}-Z{zone}" for zone in (1, 2) for n in range(blocks)]  # zones of a block lie apart
    zones = pd.DataFrame({
        "zone_id": ids, "block_id": [one.split("-")[0] for one in ids], "variety": "Shiraz",
        "year_planted": 2000, "area_ha": 1.0,
    })  # fmt: skip
    level = 10.0 + np.arange(len(ids))
    lines = [
        (zone, year, level[n] * np.exp(0.05 * rng.standard_normal()), 0.3, 400)
        for n, zone in enumerate(ids)
        for year in range(2020, 2026)
    ]
    names = ["zone_id", "vintage", "yield_t_ha", "yield_se_t_ha", "readings"]
    return pd.DataFrame(lines, columns=names), zones


def test_zones_told_in_parts_keep_their_places(monkeypatch):
    table, zones = _estate(4)
    whole = fit_decline(table, zones, horizon_year=2034, draws=40, rng=np.random.default_rng(2))
    monkeypatch.setattr(telling, "ZONES_AT_A_TIME", 3)
    parts = fit_decline(table, zones, horizon_year=2034, draws=40, rng=np.random.default_rng(2))
    assert parts.draws.zone_ids == whole.draws.zone_ids == zones["zone_id"].tolist()
    assert parts.zones["zone_id"].tolist() == zones["zone_id"].tolist()
    # The chains are the same, so what is seen differs only by the guesses that are drawn part by part.
    assert np.allclose(whole.zones["yield_now_t_ha"], parts.zones["yield_now_t_ha"], rtol=0.05)
    expected = parts.zone_vintage.set_index("zone_id")["expected_t_ha"].groupby("zone_id").mean()
    assert expected.reindex(zones["zone_id"]).is_monotonic_increasing
    own = parts.forecast[parts.forecast["zone_id"] == "B2-Z2"]["keep_t_ha"].to_numpy()
    assert np.array_equal(own, np.median(parts.draws.keep_t_ha[:, 6], axis=0))
