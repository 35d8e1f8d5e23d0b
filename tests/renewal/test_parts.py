"""Zones worked out some at a time give what all at once give."""

import numpy as np
import pytest

from vinemap.renewal import standing
from vinemap.renewal.decide import decide_zones
from vinemap.renewal.example import example_decline, example_valuation, example_zones
from vinemap.renewal.programme import plan_programme
from vinemap.renewal.value import cut_zones

LIMITS = {"years": 4, "budget": 60_000.0, "min_tonnes": {"Shiraz": 20.0}}


@pytest.mark.parametrize("most", [1, 2])
def test_values_advice_and_programme_do_not_depend_on_the_parts(monkeypatch, most):
    def work_out():
        value = example_valuation()
        return (
            value,
            decide_zones(value, example_zones(), example_decline(value)),
            plan_programme(value, **LIMITS),
        )

    whole, advice, programme = work_out()
    monkeypatch.setattr(standing, "ZONES_AT_A_TIME", most)
    assert len(list(standing.zone_parts(3))) == -(-3 // most)
    parts, advice_of_parts, programme_of_parts = work_out()
    np.testing.assert_allclose(parts.gain, whole.gain, rtol=1e-12)
    assert advice_of_parts.drop(columns="reason").round(6).equals(advice.drop(columns="reason").round(6))
    assert programme_of_parts.table.round(6).equals(programme.table.round(6))
    assert len(programme.table)


def test_a_cut_valuation_holds_the_zones_asked_for():
    value = example_valuation()
    cut = cut_zones(value, slice(1, 3))
    assert cut.standing.zone_ids == value.standing.zone_ids[1:]
    assert np.array_equal(cut.standing.keep, value.standing.keep[:, 1:])
    assert np.array_equal(cut.samples.look, value.samples.look[:, 1:])
    assert np.array_equal(cut.gain, value.gain[:, 1:], equal_nan=True)
