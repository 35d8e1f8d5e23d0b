"""What would change an advice, by code: translations keep the keys and blanks of the renewal stage."""

from __future__ import annotations

import string

import pytest

from vinemap.publish.changes import CHANGES as SHOWN_CHANGES
from vinemap.publish.changes import write_change
from vinemap.publish.display import Display
from vinemap.renewal.change import CHANGES

ZONE = {
    "would_change": "A loss that is truly below about 18 % (now 40 %).",
    "change_code": "loss_below price_below", "loss_pct": 40.0, "break_even_loss_pct": 18.3,
    "price_per_t": 650.0, "break_even_price_per_t": 402.0, "best_year": 2026,
}  # fmt: skip


def blanks(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


@pytest.mark.parametrize("language", SHOWN_CHANGES)
def test_changes_have_the_keys_and_blanks_of_the_stage(language):
    words = {key: text for key, text in SHOWN_CHANGES[language].items() if key != "or"}
    assert {key: blanks(text) for key, text in words.items()} == {
        key: blanks(text) for key, text in CHANGES.items()
    }
    if language == "en":
        assert words == CHANGES


def test_english_metric_is_the_assessments_own():
    assert write_change(ZONE, Display()) == ZONE["would_change"]


def test_change_in_us_units():
    """402 a tonne is 364.7 a short ton of 907.18474 kg (exact by definition)."""
    said = write_change(ZONE, Display(system="us", currency="USD")).replace("\xa0", " ")
    assert said == (
        "A loss that is truly below about 18 % (now 40 %), or a price that stays below about "
        "USD 360/short ton (USD 590/short ton set)."
    )


@pytest.mark.parametrize("code", CHANGES)
@pytest.mark.parametrize("display", [Display("es", currency="AUD"), Display(system="us", currency="USD")])
def test_every_change_is_a_sentence(code, display):
    said = write_change(ZONE | {"change_code": code}, display)
    assert said[0].isupper()
    assert said.endswith(".")


def test_a_zone_without_codes_keeps_its_words():
    assert write_change({"would_change": None}, Display("es")) == ""
