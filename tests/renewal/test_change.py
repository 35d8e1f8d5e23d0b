"""What would change an advice: the sentence says the figure at which the valuation itself turns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vinemap.renewal.change import CHANGES, NO_TURN, Turn, change_codes, say_change
from vinemap.renewal.decide import decide_zones
from vinemap.renewal.example import (
    example_decline,
    example_draws,
    example_facts,
    example_valuation,
    example_zones,
)
from vinemap.renewal.methods import Money, default_methods
from vinemap.renewal.value import value_options

FACTS = example_facts()
EVEN = Turn(650.0, 402.0, 18.0)


@pytest.fixture(scope="module")
def advice():
    value = example_valuation()
    return decide_zones(value, example_zones(), example_decline(value), turning_points=True).set_index(
        "zone_id"
    )


@pytest.mark.parametrize(
    ("changed", "given", "turn", "codes"),
    [
        ({}, "renew", EVEN, ["loss_below", "price_below"]),
        ({}, "renew", Turn(650.0, 120.0, -3.0), ["nothing"]),
        ({}, "renew", Turn(650.0, 420.0, 2.0), ["price_below"]),
        ({"gain": -500.0}, "keep", Turn(650.0, 900.0, 52.0), ["loss_above", "price_above"]),
        ({"gain": -500.0}, "watch", NO_TURN, ["nothing"]),
        ({"chance": 0.5}, "watch", EVEN, ["surer"]),
        ({"year": 2031}, "watch", EVEN, ["sooner"]),
        ({"protect_gain": 12_000.0}, "watch", EVEN, ["protection"]),
        ({"min_gain": 10_000.0}, "watch", EVEN, ["more_gain"]),
        ({}, "scout", EVEN, ["count"]),
        ({"too_short": True}, "scout", EVEN, ["record"]),
        ({"renewed": 2023}, "keep", EVEN, ["recovering"]),
        ({"method": ""}, "keep", NO_TURN, ["trellis"]),
    ],
)
def test_codes(changed, given, turn, codes):
    assert change_codes(replace(FACTS, **changed), given, turn) == codes


@pytest.mark.parametrize("code", CHANGES)
def test_every_code_is_a_plain_sentence(code):
    said = say_change([code], FACTS, EVEN)
    assert said[0].isupper()
    assert said.endswith(".")
    assert "{" not in said
    assert "nan" not in say_change([code], FACTS, NO_TURN)


def test_every_zone_says_what_would_change_it(advice):
    assert advice["would_change"].str.endswith(".").all()
    assert set(" ".join(advice["change_code"]).split()) <= set(CHANGES)
    assert advice.loc["A-Z1", "change_code"] == "price_below"  # its decline alone pays at any loss


def test_the_price_named_is_where_the_advice_turns(advice):
    """At the price named in the sentence the first zone's gain, valued anew, is 0 within sampling."""
    price = float(advice.loc["A-Z1", "break_even_price_per_t"])
    assert f"below about {round(price, -1):.0f} AUD/t" in advice.loc["A-Z1", "would_change"]

    def gain(at: float) -> float:
        rng = np.random.default_rng(11)
        value = value_options(
            example_draws(rng=rng), example_zones(), methods=default_methods(),
            money=Money(price_per_t=at, price_by_variety={}), rng=rng,
        )  # fmt: skip
        table = decide_zones(value, example_zones(), example_decline(value)).set_index("zone_id")
        return float(table.loc["A-Z1", "gain_per_ha"])

    assert gain(1.2 * price) > 0 > gain(0.8 * price)
