"""The conveyor's smear is told from row ends and undone where it is worth it."""

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from vinemap.harvest import clean_readings
from vinemap.harvest.clean import _flag_again
from vinemap.harvest.filters import IDLE_SPEED_M_S
from vinemap.harvest.outliers import HIGHEST_T_HA
from vinemap.harvest.smear import MOST_CARRY, WORTH_CARRY, _carry


def smear(readings, carry):
    """Mix each machine's flow as a vessel does."""
    out = readings.copy()
    for _, part in readings.groupby("machine"):
        flow = lfilter([1 - carry], [1.0, -carry], part["mass_flow_kg_s"].to_numpy())
        out.loc[part.index, "mass_flow_kg_s"] = flow
    return out


def clean(one, readings):
    return clean_readings(readings, one.rows, outline=one.outline, row_spacing_m=3.0)


@pytest.fixture(name="block", scope="module")
def block_fixture(make):
    return make(np.random.default_rng(8), rows=26, interval_s=1.0, faults=False, noise=0.05, delay_s=8.0)


@pytest.fixture(name="undone", scope="module")
def undone_fixture(block):
    return clean(block, smear(block.readings, 0.6))


def test_carry_is_told_from_the_tails(undone):
    one = undone.report.smears[0]
    assert one.carry == pytest.approx(0.6, abs=0.02)
    assert one.se < 0.02
    assert one.smear_s == pytest.approx(1.5, abs=0.1)
    assert one.undone
    assert "Grapes of H1 spread over about 1.5 s on the conveyor" in " ".join(undone.report.describe())


def test_yield_is_that_of_the_ground_again(block, undone):
    kept = undone.readings[undone.readings["flag"] == ""]
    row, metre = kept["row_no"].astype(int) - 1, kept["along_m"].clip(1, block.field.shape[1] - 2).astype(int)
    truth = (block.field[row, metre - 1] + block.field[row, metre] + block.field[row, metre + 1]) / 3
    # A smeared reading holds the grapes of some six metres: blurred, it cannot follow the field.
    smeared = lfilter([0.4], [1.0, -0.6], truth)
    off = np.log(kept["yield_t_ha"] / truth)
    assert abs(off.median()) < 0.02
    assert off.std() < 0.25
    spread = np.log(kept["yield_t_ha"]).std()
    assert spread > 1.02 * np.log(smeared[20:]).std()
    assert kept["yield_t_ha"].mean() == pytest.approx(truth.mean(), rel=0.01)


def test_no_smear_is_left_alone(block):
    result = clean(block, block.readings)
    assert [one.undone for one in result.report.smears] == [False]
    assert not result.report.smears[0].carry > WORTH_CARRY
    assert "conveyor" not in " ".join(result.report.describe()).replace("the conveyor was filling", "")


def test_slow_logs_and_endless_tails_are_left_alone(make):
    slow = make(np.random.default_rng(9), rows=20, interval_s=5.0, faults=False)
    assert [one.undone for one in clean(slow, smear(slow.readings, 0.1)).report.smears] == [False]
    quick = make(np.random.default_rng(9), rows=20, interval_s=1.0, faults=False)
    found = clean(quick, smear(quick.readings, 0.93)).report.smears[0]
    assert found.carry > MOST_CARRY
    assert not found.undone


def test_one_spoiled_tail_does_not_hide_the_smear():
    """With plain sums of squares this end in sixty gave 0.74, error 0.14, and nothing was undone."""
    rng = np.random.default_rng(4)
    before = rng.uniform(0.5, 3.0, 60)
    after = 0.6 * before * (1 + rng.normal(0, 0.05, 60))
    before[7], after[7] = 14.0, 13.0
    carry, error, ends = _carry(before, after, np.arange(60))
    assert carry == pytest.approx(0.6, abs=0.02)
    assert error < 0.02
    assert ends == 60


def test_faults_do_not_spoil_the_next_reading(make):
    one = make(np.random.default_rng(10), rows=20, interval_s=1.0, faults=True)
    result = clean(one, smear(one.readings, 0.5))
    assert result.report.smears[0].undone
    kept = result.readings[result.readings["flag"] == ""]
    truth = one.truth.loc[kept.index, "true_t_ha"]
    assert pd.Series(np.log(kept["yield_t_ha"].clip(lower=0.1) / truth)).abs().quantile(0.99) < 1.5


def test_a_spike_falls_faster_than_the_conveyor_empties(block):
    smeared = smear(block.readings, 0.6)
    inside = np.flatnonzero((block.truth["fault"] == "").to_numpy())
    hit = np.random.default_rng(3).choice(inside[50:-50], 40, replace=False)
    smeared.loc[smeared.index[hit], "mass_flow_kg_s"] *= 2.5
    flags = clean(block, smeared).readings["flag"].iloc[hit]
    assert (flags != "").mean() >= 0.95
    good = clean(block, smear(block.readings, 0.6)).readings["flag"].iloc[inside]
    assert good.isin(["local", "limits"]).mean() < 0.01


def test_no_reading_is_kept_where_the_machine_stood_once_the_smear_is_undone(make):
    """Undoing the smear moves readings a moment on: at a row start they may then lie at a standstill."""
    one = make(np.random.default_rng(11), rows=26, interval_s=2.0, faults=False, noise=0.05, delay_s=8.0)
    result = clean(one, smear(one.readings, 0.45))
    assert result.report.smears[0].undone
    kept = result.readings[result.readings["flag"] == ""]
    assert kept["speed_m_s"].min() >= IDLE_SPEED_M_S
    assert kept["yield_t_ha"].max() <= HIGHEST_T_HA
    moved = _flag_again(
        np.array([""] * 3, dtype=object), FakeTrack(), FakePicked(), np.array([12.0, 6_000.0, 150.0])
    )
    assert moved.tolist() == ["", "idle", "limits"]


class FakeTrack:
    pass_no = np.zeros(3, dtype=int)
    speed_m_s = np.full(3, 1.4)


class FakePicked:
    pass_no = np.zeros(3, dtype=int)
    speed_m_s = np.array([1.4, 0.001, 1.4])
