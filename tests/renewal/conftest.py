"""Small cases shared by the tests of the renewal package."""

import numpy as np
import pandas as pd
import pytest

from vinemap.renewal.example import ExampleDraws, example_decline, example_valuation, example_zones
from vinemap.renewal.methods import Money


@pytest.fixture(scope="session")
def valuation():
    return example_valuation()


@pytest.fixture(scope="session")
def zones():
    return example_zones()


@pytest.fixture(scope="session")
def decline(valuation):
    return example_decline(valuation)


@pytest.fixture
def plain_money():
    """Money without uncertainty, MOG or harvest cost: values that can be worked out by hand."""
    return Money(
        currency="AUD", price_per_t=500.0, price_sd_share=0.0, cost_sd_share=0.0, discount_rate=0.05,
        harvest_cost_per_t=0.0, growing_cost_per_ha=0.0, growing_cost_out_of_crop_per_ha=0.0,
        idle_cost_per_ha=0.0, mog_share=0.0, mog_share_old_wood=0.0, removal_per_ha=0.0,
    )  # fmt: skip


@pytest.fixture
def make_draws():
    """Draws of one zone that bears `keep` [t/ha] if kept and `healthy` if healthy; every draw the same."""

    def make(keep, *, healthy=20.0, now=None, missing=0.0, symptomatic=0.0, draw_count=8, first=2027):
        keep = np.asarray(keep, dtype=float)
        shape = (draw_count, 1)
        return ExampleDraws(
            zone_ids=["A-Z1"],
            years=np.arange(first, first + keep.size),
            keep_t_ha=np.tile(keep, (draw_count, 1, 1)),
            healthy_t_ha=np.full(shape, healthy),
            now_t_ha=np.full(shape, keep[0] if now is None else now),
            missing_share=np.full(shape, missing),
            symptomatic_share=np.full(shape, symptomatic),
        )

    return make


@pytest.fixture
def one_zone():
    """One zone of 1 ha with 1,000 vines and 3,000 m of row."""
    return pd.DataFrame(
        {
            "zone_id": ["A-Z1"], "block_id": ["A"], "area_ha": [1.0], "vines": [1000], "variety": ["Shiraz"],
            "year_planted": [2010], "trellis_year": [2010], "row_spacing_m": [10_000 / 3000],
        }
    )  # fmt: skip
