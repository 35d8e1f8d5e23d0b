"""A variety that takes trunk disease badly: all its blocks fall, and that does not pass for its seasons."""

import numpy as np
import pandas as pd
import pytest

from vinemap.decline import fit_decline
from vinemap.decline.layout import MANY_BLOCKS, build_layout, list_series

YEARS = np.arange(2019, 2027)
VARIETIES = ("Chardonnay", "Merlot", "Shiraz")


def invented(blocks: int, *, falling: tuple[str, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One zone a block; those of `falling` varieties lose about 7 % a year from about 2020 on."""
    rng = np.random.default_rng(blocks)
    season = rng.normal(0, 0.15, YEARS.size)
    yields, zones = [], []
    for variety in VARIETIES:
        own = season + rng.normal(0, 0.05, YEARS.size)
        for number in range(blocks):
            pace, onset = 0.07 * np.exp(rng.normal(0, 0.25)), 2020 + rng.normal()
            kept = np.maximum(1 - pace * np.maximum(YEARS - onset, 0), 0.1)
            kept = kept if variety in falling else np.ones(YEARS.size)
            noise = rng.normal(0, 0.15) + rng.normal(0, 0.07, YEARS.size)
            amount = 18 * kept * np.exp(own + noise)
            block = f"{variety[0]}{number}"
            yields.append(
                pd.DataFrame(
                    {
                        "zone_id": f"{block}-Z1", "vintage": YEARS, "yield_t_ha": amount,
                        "yield_se_t_ha": 0.03 * amount, "readings": 300,
                    }
                )
            )  # fmt: skip
            zones.append((f"{block}-Z1", block, variety, 2005, 1.5, 100 * (1 - kept[-1])))
    names = ["zone_id", "block_id", "variety", "year_planted", "area_ha", "lost_pct"]
    return pd.concat(yields, ignore_index=True), pd.DataFrame(zones, columns=names)


def mean_loss(blocks: int, *, falling: tuple[str, ...]) -> pd.DataFrame:
    table, zones = invented(blocks, falling=falling)
    found = fit_decline(table, zones, horizon_year=2040, draws=120, rng=np.random.default_rng(1))
    told = found.zones.merge(zones[["zone_id", "lost_pct"]], on="zone_id")
    columns = ["loss_pct", "loss_pct_low", "loss_pct_high", "lost_pct", "chance_declining"]
    return told.merge(zones[["zone_id", "variety"]], on="zone_id").groupby("variety")[columns].mean()


def test_fall_of_a_whole_variety_is_a_loss_however_many_blocks_it_has():
    """Without a curve of the variety 20 blocks were said to have lost half of what they had."""
    seen = mean_loss(20, falling=("Chardonnay",))
    one = seen.loc["Chardonnay"]
    assert one["lost_pct"] > 35
    assert 0.8 * one["lost_pct"] < one["loss_pct"] < 1.35 * one["lost_pct"]  # the season's part is shared
    assert one["chance_declining"] > 0.95
    assert (seen.loc[["Merlot", "Shiraz"], "loss_pct"] < 0.4 * one["loss_pct"]).all()


def test_no_variety_falls_where_none_does():
    seen = mean_loss(12, falling=())
    assert (seen["loss_pct"] < 15).all()
    assert (seen["loss_pct_low"] < 2).all()


@pytest.mark.parametrize(
    ("counts", "wanted"),
    [
        ((MANY_BLOCKS, MANY_BLOCKS - 1), [0, -1]),
        ((MANY_BLOCKS, MANY_BLOCKS + 1), [0, 1]),
        ((MANY_BLOCKS - 1, MANY_BLOCKS), [-1, 0]),
        ((MANY_BLOCKS + 2, 0), [-1]),  # one variety: what all share is the estate's
    ],
)
def test_only_varieties_of_many_blocks_beside_others_have_a_curve(counts, wanted):
    table, zones = invented(1, falling=())
    parts = [
        zones.iloc[[0] * count].assign(
            variety=name, block_id=[f"{name}{one}" for one in range(count)],
            zone_id=[f"{name}{one}-Z1" for one in range(count)],
        )
        for name, count in zip(("A", "B"), counts, strict=True)
    ]  # fmt: skip
    zones = pd.concat(parts, ignore_index=True)
    first = table[table["zone_id"] == table["zone_id"].iloc[0]]
    table = pd.concat([first.assign(zone_id=one) for one in zones["zone_id"]], ignore_index=True)
    layout = build_layout(
        table, zones, list_series(zones, None), log_stand=np.zeros((len(zones), YEARS.size)),
        stand_variance=np.zeros((len(zones), YEARS.size)), vintages=YEARS, settlement=None, adjustments=None,
    )  # fmt: skip
    assert layout.variety_group.tolist() == np.repeat(wanted, [one for one in counts if one]).tolist()
