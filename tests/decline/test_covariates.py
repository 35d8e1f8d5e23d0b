"""Signs of the loss beside the yield, things a yield is adjusted for, and outside series of the seasons."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

YEARS = np.arange(2019, 2027)
ELASTICITY = 0.6  # log sign a log kept in the invented signs


def fall(zone: int = 0, lost: tuple[float, ...] = (0.05, 0.12, 0.20)) -> np.ndarray:
    """Loss (zone, vintage) of twelve zones, one of which falls in the last vintages."""
    loss = np.zeros((12, YEARS.size))
    loss[zone, -len(lost) :] = lost
    return loss


def sign_of(zones: pd.DataFrame, loss: np.ndarray, *, sign: str, noise: float, seed: int) -> pd.DataFrame:
    """Invented sign with level and season of its own that follows the loss with `ELASTICITY`."""
    rng = np.random.default_rng(seed)
    way = {"vigour": 1.0, "mog": -1.0}[sign]
    log = way * ELASTICITY * np.log(1 - loss) + rng.normal(0, 0.2, (12, 1)) + rng.normal(0, 0.1, YEARS.size)
    value = 0.6 * np.exp(log + rng.normal(0, noise, loss.shape))
    return pd.DataFrame({
        "zone_id": np.repeat(zones["zone_id"].to_numpy(), YEARS.size), "vintage": np.tile(YEARS, 12),
        "sign": sign, "value": value.ravel(),
    })  # fmt: skip


@pytest.mark.parametrize("sign", ["vigour", "mog"])
def test_sign_that_follows_the_loss_sharpens_it(make_estate, fit, sign):
    loss = fall(lost=(0.03, 0.07, 0.12))
    loss[3] = 0.07 * np.maximum(np.arange(8) - 2, 0)  # a plain fall, from which the slope is learnt
    table, zones = make_estate(loss=loss, noise=0.06)
    signs = sign_of(zones, loss, sign=sign, noise=0.02, seed=5)
    alone, helped = fit(table, zones).zones, fit(table, zones, signs=signs)
    assert helped.slopes["name"].tolist() == [sign]
    assert helped.slopes["median"].iloc[0] == pytest.approx(ELASTICITY, abs=0.3)
    apart = [
        one["chance_declining"][0] - one["chance_declining"].drop([0, 3]).mean()
        for one in (alone, helped.zones)
    ]
    assert apart[1] > apart[0] + 0.05


def test_sign_of_nothing_does_no_harm(make_estate, fit):
    table, zones = make_estate(loss=fall(lost=(0.1, 0.2, 0.3)))
    signs = sign_of(zones, np.zeros((12, 8)), sign="vigour", noise=0.1, seed=6)
    alone, other = fit(table, zones).zones, fit(table, zones, signs=signs)
    assert other.slopes["low"].iloc[0] < 0.15
    np.testing.assert_allclose(other.zones["loss_pct"], alone["loss_pct"], atol=6)
    assert (other.zones["chance_declining"][1:] < 0.8).all()
    assert other.zones["chance_declining"][0] > 0.8


def test_canopy_in_the_image_takes_part_in_the_health_score(make_estate, fit):
    """The first zone has a third of the canopy of the others in the last image; MOG is no canopy."""
    table, zones = make_estate()
    images = pd.DataFrame({"zone_id": zones["zone_id"], "vintage": YEARS[-1], "sign": "vigour", "value": 0.6})
    images.loc[0, "value"] = 0.2
    mog = images.assign(sign="mog")
    seen, unseen = (fit(table, zones, signs=one).zones.iloc[:2] for one in (images, mog))
    assert seen["score_vigour"].tolist() == pytest.approx([100 / 3, 100.0])
    assert (seen["health_score"] - unseen["health_score"])[0] < -5
    assert not seen["score_lacks"].str.contains("image").any()
    assert unseen["score_lacks"].str.contains("image of the canopy").all()


def narrow(zones: pd.DataFrame, width: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame({
        "zone_id": np.repeat(zones["zone_id"].to_numpy(), YEARS.size), "vintage": np.tile(YEARS, 12),
        "box_width": width.ravel(),
    })  # fmt: skip


def test_crop_of_vines_pruned_narrower_is_no_decline(make_estate, fit):
    """Width goes up and down in all zones with elasticity 1, and stays 30 % down in one."""
    rng = np.random.default_rng(7)
    width = np.exp(rng.normal(0, 0.12, (12, 8)))
    width[0, -3:] *= 0.7
    table, zones = make_estate(noise=0.03)
    table["yield_t_ha"] *= width.ravel()
    alone, told = fit(table, zones), fit(table, zones, adjustments=narrow(zones, 60 * width))
    assert told.slopes.loc[0, ["low", "high"]].between(0.7, 1.3).all()
    assert told.zones["chance_declining"][0] < 0.5
    assert told.zones["chance_declining"][0] < alone.zones["chance_declining"][0] - 0.2


def test_adjusting_for_nothing_does_no_harm(make_estate, fit):
    table, zones = make_estate(loss=fall(lost=(0.1, 0.2, 0.3)))
    width = np.exp(np.random.default_rng(8).normal(0, 0.1, (12, 8)))
    alone, other = fit(table, zones).zones, fit(table, zones, adjustments=narrow(zones, 60 * width))
    assert abs(other.slopes["median"].iloc[0]) < 0.15
    np.testing.assert_allclose(other.zones["loss_pct"], alone["loss_pct"], atol=6)


def test_district_series_of_the_variety_counts_and_of_another_is_left_out(make_estate, fit):
    """One block falls by 6 % a year; the district's Shiraz held, its Chardonnay (not grown here) fell."""
    table, zones = make_estate(blocks=1, loss=np.tile(0.06 * np.arange(8), (3, 1)), seed=3)
    season = np.random.default_rng(3).normal(0, 0.15, 8)  # the seasons make_estate drew
    held = pd.DataFrame({"vintage": YEARS, "variety": "Shiraz", "index": 100 * np.exp(season)})
    other = held.assign(variety="Chardonnay", index=held["index"] * (1 - 0.06 * np.arange(8)))
    alone, both = fit(table, zones), fit(table, zones, reference=pd.concat([held, other]))
    foreign = fit(table, zones, reference=other)
    assert both.zones["chance_declining"].mean() > alone.zones["chance_declining"].mean() + 0.1
    pd.testing.assert_frame_equal(foreign.zones, alone.zones)
