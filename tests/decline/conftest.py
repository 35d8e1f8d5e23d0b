"""Small invented estates of zones, and a fit that is quick enough for many tests."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vinemap.decline import fit_decline


def make_estate(
    *, blocks: int = 4, zones: int = 3, vintages: int = 8, loss=None, seed: int = 1, noise: float = 0.04
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Zones of 20 t/ha with shared seasons (SD 15 %), errors (`noise`) and a given loss (zone, vintage)."""
    rng = np.random.default_rng(seed)
    size = blocks * zones
    block = np.repeat([f"B{one + 1}" for one in range(blocks)], zones)
    names = [f"{one}-Z{number + 1}" for one, number in zip(block, np.tile(range(zones), blocks), strict=True)]
    years = np.arange(2027 - vintages, 2027)
    kept = np.ones((size, vintages)) if loss is None else 1 - np.asarray(loss, dtype=float)
    log = np.log(20 * kept) + rng.normal(0, 0.15, vintages) + rng.normal(0, noise, kept.shape)
    log += rng.normal(0, 0.2, size)[:, None]
    amount = np.exp(log)
    table = pd.DataFrame({
        "zone_id": np.repeat(names, vintages), "vintage": np.tile(years, size), "yield_t_ha": amount.ravel(),
        "yield_se_t_ha": 0.02 * amount.ravel(), "readings": 800,
    })  # fmt: skip
    zone = pd.DataFrame({
        "zone_id": names, "block_id": block, "variety": "Shiraz", "year_planted": 2002, "area_ha": 2.0,
    })  # fmt: skip
    return table, zone


@pytest.fixture(scope="session", name="make_estate")
def estate_maker():
    return make_estate


@pytest.fixture(scope="session", name="fit")
def quick_fit():
    def run(table, zones, *, seed: int = 1, draws: int = 200, horizon_year: int = 2040, **more):
        return fit_decline(
            table, zones, horizon_year=horizon_year, draws=draws, rng=np.random.default_rng(seed), **more
        )

    return run


@pytest.fixture(scope="session")
def falling():
    """Twelve zones of four blocks; the first zone of the first two blocks lost up to 42 % over six years."""
    loss = np.zeros((12, 8))
    loss[[0, 3]] = 0.07 * np.maximum(np.arange(8) - 1, 0)
    return make_estate(loss=loss)


@pytest.fixture(scope="session")
def found(falling, fit):
    """The fit of `falling`, every vine place counted as standing, symptoms not looked for."""
    full = pd.DataFrame({
        "zone_id": falling[1]["zone_id"], "vintage": 2026, "missing_pct": 0.0, "symptomatic_pct": np.nan,
        "vines": 400,
    })  # fmt: skip
    return fit(*falling, stand=full)
