"""The chains of the decline model: each with its own generator, wherever and in whatever order they run."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pandas as pd

from vinemap.decline import fit_decline


def small_estate() -> tuple[pd.DataFrame, pd.DataFrame]:
    names = [f"A-Z{number}" for number in range(1, 7)]
    years = np.arange(2019, 2027)
    rng = np.random.default_rng(5)
    falls = np.array([0.0, 0.0, 0.0, 0.03, 0.08, 0.0])
    kept = 1 - falls[:, None] * np.maximum(years - 2021, 0)
    amount = 18 * kept * np.exp(rng.normal(0, 0.1, years.size) + rng.normal(0, 0.03, kept.shape))
    table = pd.DataFrame(
        {
            "zone_id": np.repeat(names, years.size),
            "vintage": np.tile(years, len(names)),
            "yield_t_ha": amount.ravel(),
            "yield_se_t_ha": 0.4,
            "readings": 300,
        }
    )
    zones = pd.DataFrame(
        {
            "zone_id": names,
            "block_id": np.repeat(["A", "B"], 3),
            "variety": np.repeat(["Shiraz", "Merlot"], 3),
            "year_planted": 2004,
            "area_ha": 1.5,
        }
    )
    return table, zones


def fit(**options):
    table, zones = small_estate()
    return fit_decline(table, zones, horizon_year=2034, draws=40, rng=np.random.default_rng(3), **options)


def backwards(function, tasks):
    return [*reversed([function(one) for one in reversed(list(tasks))])]


def test_order_of_the_chains_does_not_matter():
    plain, turned = fit(), fit(run_tasks=backwards)
    np.testing.assert_array_equal(plain.draws.keep_t_ha, turned.draws.keep_t_ha)
    pd.testing.assert_frame_equal(plain.zones, turned.zones)
    pd.testing.assert_frame_equal(plain.forecast, turned.forecast)


def test_chains_in_other_processes_give_the_same_to_the_bit():
    plain = fit()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        spread = fit(run_tasks=pool.map)
    np.testing.assert_array_equal(plain.draws.keep_t_ha, spread.draws.keep_t_ha)
    pd.testing.assert_frame_equal(plain.zones, spread.zones)
    pd.testing.assert_frame_equal(plain.vintage_effects, spread.vintage_effects)


def test_chains_differ_from_one_another():
    seen = []

    def watched(function, tasks):
        seen.extend(function(one) for one in tasks)
        return seen

    fit(run_tasks=watched)
    assert len(seen) == 4
    starts = {np.array(one.sd).tobytes() for one in seen}
    assert len(starts) == 4
