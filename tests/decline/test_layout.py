"""Tables to arrays: which yield belongs to which course, how well it is known, what it is adjusted for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vinemap.decline.choices import anchored_slots
from vinemap.decline.layout import build_layout, list_series, space_of_series

VINTAGES = np.arange(2019, 2025)
ZONES = pd.DataFrame({
    "zone_id": ["A-Z1", "B-Z1", "A-Z2", "B-Z2", "B-Z3"], "block_id": ["A", "B", "A", "B", "B"],
    "variety": ["Shiraz", "Merlot", "Shiraz", "Merlot", "Merlot"],
})  # fmt: skip
RENEWALS = pd.DataFrame({
    "zone_id": ["A-Z2", "A-Z2", "B-Z1", "B-Z2"], "year": [2018, 2020, 2021, 2022],
    "method": ["trunk_renewal", "trunk_renewal", "infill", "replant"],
})  # fmt: skip


def yields(**changes: float) -> pd.DataFrame:
    """10 t/ha and more zone by zone, standard error 0.5 t/ha."""
    table = pd.DataFrame({
        "zone_id": np.repeat(ZONES["zone_id"].to_numpy(), VINTAGES.size),
        "vintage": np.tile(VINTAGES, len(ZONES)),
        "yield_t_ha": np.repeat([10.0, 12.0, 14.0, 16.0, 18.0], VINTAGES.size), "yield_se_t_ha": 0.5,
    })  # fmt: skip
    for key, value in changes.items():
        zone, vintage, column = key.split("__")
        row = (table["zone_id"] == zone.replace("_", "-")) & (table["vintage"] == int(vintage))
        table.loc[row, column] = value
    return table


def arrange(table=None, *, series=None, log_stand=None, stand_variance=None, **more):
    zero = np.zeros((len(ZONES), VINTAGES.size))
    return build_layout(
        yields() if table is None else table, ZONES, series or list_series(ZONES, RENEWALS),
        log_stand=zero if log_stand is None else log_stand,
        stand_variance=zero if stand_variance is None else stand_variance, vintages=VINTAGES,
        settlement=more.pop("settlement", None), **more,
    )  # fmt: skip


def place(layout, zone: int, *, after: bool = False) -> tuple[int, int]:
    """Block and slot of a zone, or of the part after its renewal."""
    found = [position for position, one in enumerate(layout.series) if one.zone == zone]
    block, slot = np.argwhere(layout.slot == found[-1 if after else 0])[0]
    return int(block), int(slot)


def test_a_zone_restarts_in_the_vintage_after_its_latest_renewal():
    series = list_series(ZONES, RENEWALS)
    assert [one.zone for one in series] == [0, 1, 2, 3, 4, 2, 3]
    assert [one.first_vintage for one in series] == [-np.inf] * 5 + [2021, 2023]
    assert [one.last_vintage for one in series] == [np.inf, np.inf, 2020, 2022, np.inf, np.inf, np.inf]
    assert len(list_series(ZONES, None)) == len(list_series(ZONES, RENEWALS.iloc[:0])) == 5


def test_each_part_of_a_renewed_zone_sees_its_own_vintages():
    layout = arrange()
    assert layout.renewed == {2, 3}
    assert layout.seen[place(layout, 0)].all()
    assert layout.seen[place(layout, 2)].tolist() == [True, True, False, False, False, False]
    assert layout.seen[place(layout, 2, after=True)].tolist() == [False, False, True, True, True, True]
    assert layout.seen.sum() == len(yields())
    anchored = anchored_slots(layout)
    for zone in range(5):
        assert anchored[place(layout, zone)] == (zone not in (2, 3))


def test_first_two_crops_after_a_renewal_are_known_worse():
    """Noise of 20 % beside the sampling error in the first two vintages, and nowhere else."""
    layout = arrange()
    sampling = (0.5 / 14) ** 2
    after = layout.noise_variance[place(layout, 2, after=True)]
    np.testing.assert_allclose(after[2:], [sampling + 0.2**2] * 2 + [sampling] * 2)
    np.testing.assert_allclose(layout.noise_variance[place(layout, 0)], (0.5 / 10) ** 2)


def test_places_list_every_series_once_in_order():
    layout = arrange()
    blocks, slots = layout.place
    assert layout.slot[blocks, slots].tolist() == list(range(7))
    assert [layout.block_ids[one] for one in blocks] == ["A", "B", "A", "B", "B", "A", "B"]
    assert layout.slot.shape == (2, 4)
    assert (layout.slot == -1).sum() == 1  # three series in block A, four in B


def test_parts_of_one_zone_share_its_level_and_nothing_else_does():
    layout = arrange()
    for block in range(2):
        for one, other in np.ndindex(4, 4):
            rows = layout.slot[block, [one, other]]
            if (rows < 0).any():
                assert layout.same_zone[block, one, other] == (one == other)
                continue
            zones = [layout.series[row].zone for row in rows]
            assert layout.same_zone[block, one, other] == (zones[0] == zones[1])


def test_yields_are_logs_per_place_with_a_vine():
    """Half of the places empty: twice the yield per standing vine, and the doubt of the count on top."""
    log_stand = np.zeros((5, 6))
    log_stand[0] = np.log(0.5)
    variance = np.zeros((5, 6))
    variance[0] = 0.01
    layout = arrange(log_stand=log_stand, stand_variance=variance)
    np.testing.assert_allclose(layout.log_yield[place(layout, 0)], np.log(20.0))
    np.testing.assert_allclose(layout.noise_variance[place(layout, 0)], 0.05**2 + 0.01)
    np.testing.assert_allclose(layout.log_yield[place(layout, 1)], np.log(12.0))


def test_what_is_no_crop_is_not_seen():
    """Nothing picked, or below 2 % of the zone's median; gaps stay gaps; a small crop counts."""
    table = yields(A_Z1__2020__yield_t_ha=0.0, A_Z1__2021__yield_t_ha=0.19, A_Z1__2023__yield_t_ha=np.nan,
                   B_Z3__2021__yield_t_ha=0.37)  # fmt: skip
    layout = arrange(table)
    assert layout.seen[place(layout, 0)].tolist() == [True, False, False, True, False, True]
    assert layout.seen[place(layout, 4)].all()
    assert layout.log_yield[place(layout, 0)][1] == 0
    assert np.isfinite(layout.log_yield).all()
    assert (layout.noise_variance > 0).all()


def test_standard_error_is_within_reason():
    """Unknown: 5 % of the yield; never better than 1 %."""
    layout = arrange(
        yields(
            A_Z1__2020__yield_se_t_ha=np.nan, A_Z1__2021__yield_se_t_ha=0.001, A_Z1__2022__yield_se_t_ha=0.11
        )
    )
    sd = np.sqrt(layout.noise_variance[place(layout, 0)])
    np.testing.assert_allclose(sd[1:4], [0.05, 0.01, 0.011])


def test_several_values_of_a_vintage_are_averaged():
    table = pd.concat(
        [yields(), yields().query("zone_id == 'A-Z1'").assign(yield_t_ha=20.0, yield_se_t_ha=1.0)]
    )
    layout = arrange(table)
    np.testing.assert_allclose(layout.log_yield[place(layout, 0)], np.log(15.0))
    np.testing.assert_allclose(layout.noise_variance[place(layout, 0)], (0.75 / 15) ** 2)


def test_settlement_error_is_by_block_and_vintage():
    """Not settled: 15 %; not mentioned: none."""
    settlement = pd.DataFrame({
        "block_id": ["B", "B", "Z"], "vintage": [2020, 2021, 2020], "factor_se": [0.04, np.nan, 0.5]
    })  # fmt: skip
    expected = np.zeros((2, 6))
    expected[1, 1], expected[1, 2] = 0.04**2, 0.15**2
    np.testing.assert_allclose(arrange(settlement=settlement).factor_variance, expected)
    assert (arrange(settlement=settlement.iloc[:0]).factor_variance == 0).all()


def test_varieties_are_those_of_the_blocks():
    layout = arrange()
    assert layout.varieties == ["Merlot", "Shiraz"]
    assert layout.variety.tolist() == [1, 0]
    assert layout.block_ids == ["A", "B"]


def test_adjustments_are_logs_about_the_mean_of_the_zone():
    """Widths of 50 and 200 cm: half and twice their geometric mean; zero where unknown or impossible."""
    told = pd.DataFrame({
        "zone_id": ["A-Z1", "A-Z1", "A-Z1", "B-Z1"], "vintage": [2019, 2020, 2021, 2020],
        "width_cm": [50.0, 200.0, -1.0, 80.0], "other": [3.0, 3.0, 3.0, 3.0],
    })  # fmt: skip
    layout = arrange(adjustments=told)
    assert layout.adjusted_for == ["width_cm", "other"]
    found = layout.adjustment[place(layout, 0)]
    np.testing.assert_allclose(found[:, 0], [-np.log(2), np.log(2), 0, 0, 0, 0])
    assert (found[:, 1] == 0).all()
    assert (layout.adjustment[place(layout, 1)] == 0).all()
    assert arrange().adjustment.shape == (2, 4, 6, 0)
    assert arrange(adjustments=told.iloc[:0]).adjusted_for == []
    assert (layout.adjustment[layout.slot < 0] == 0).all()


@pytest.mark.parametrize("known", [True, False])
def test_curves_know_planting_and_the_year_of_the_work(known):
    series = list_series(ZONES, RENEWALS)
    planted = np.full(5, 2000.0 if known else np.nan)
    planted[3] = 2010.0
    space = space_of_series(series, planted, years=VINTAGES, last_vintage=2024)
    np.testing.assert_array_equal(space.work_year, [np.nan] * 5 + [2020, 2022])
    other = 2000.0 if known else 2019 - 15.0  # 15 years old at the first vintage where not told
    np.testing.assert_array_equal(space.planted, [other] * 3 + [2010.0, other, other, 2010.0])
    assert space.last_vintage == 2024
