"""The Gaussian special case against statsmodels on a case both can fit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from vinemap.decline import Priors


@pytest.fixture(scope="module")
def data():
    rng = np.random.default_rng(8)
    blocks, zones, vintages = 6, 4, 9
    block = np.repeat(np.arange(blocks), zones)
    log = 3.0 + rng.normal(0, 0.25, blocks)[block][:, None] + rng.normal(0, 0.15, block.size)[:, None]
    log = log + rng.normal(0, 0.2, vintages) + rng.normal(0, 0.08, (blocks, vintages))[block]
    log = log + rng.normal(0, 0.06, log.shape)
    names = [f"B{b}-Z{n}" for n, b in enumerate(block)]
    amount = np.exp(log).ravel()
    table = pd.DataFrame({
        "zone_id": np.repeat(names, vintages), "vintage": np.tile(np.arange(2018, 2027), block.size),
        "yield_t_ha": amount, "yield_se_t_ha": 0.01 * amount, "readings": 1,
    })  # fmt: skip
    zone = pd.DataFrame({
        "zone_id": names, "block_id": [f"B{b}" for b in block], "variety": "", "year_planted": 2005,
        "area_ha": 1.0,
    })  # fmt: skip
    return table, zone


@pytest.mark.filterwarnings("ignore:The MLE may be on the boundary")  # small variances, well inside
def test_same_seasons_and_scales_as_statsmodels(data, fit):
    """No decline curves, Gaussian errors: crossed random effects of season, block, zone and block-season."""
    table, zones = data
    priors = Priors(
        families=(),
        degrees=np.inf,
        season_degrees=np.inf,
        sd_vintage=1.0,
        sd_block_vintage=1.0,
        sd_block=1.0,
        sd_zone=1.0,
        sd_error=1.0,
    )
    found = fit(table, zones, priors=priors, draws=800)
    frame = table.merge(zones, on="zone_id").assign(log=np.log(table["yield_t_ha"]), one=1)
    frame["pair"] = frame["block_id"] + "-" + frame["vintage"].astype(str)
    columns = {"block": "block_id", "block_vintage": "pair", "vintage": "vintage", "zone": "zone_id"}
    parts = {name: f"0 + C({column})" for name, column in columns.items()}
    model = sm.MixedLM.from_formula("log ~ 1", groups="one", vc_formula=parts, data=frame)
    other = model.fit(reml=True)
    effects = other.random_effects[1]
    theirs = np.array([value for name, value in effects.items() if name.startswith("vintage")])
    ours = np.log1p(found.vintage_effects["effect_pct"].to_numpy() / 100)
    np.testing.assert_allclose(ours - ours.mean(), theirs - theirs.mean(), atol=0.02)
    scales = found.scales.set_index("name")
    for name, variance in zip(sorted(parts), other.vcomp, strict=True):
        low, high = scales.loc[name, ["low", "high"]]
        assert 0.9 * low < np.sqrt(variance) < 1.1 * high
    total = np.hypot(scales.loc["error", "median"], 0.01)  # ours leaves the sampling error out
    assert total == pytest.approx(np.sqrt(other.scale), rel=0.1)
