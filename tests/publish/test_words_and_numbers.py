from __future__ import annotations

import re
import string

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap import tables
from vinemap.decline import hints
from vinemap.errors import SettingsError
from vinemap.publish.dictionary import write_dictionary
from vinemap.publish.display import FACTORS, Display, Interval, format_number, round_significant, unit_labels
from vinemap.publish.headline import write_headline
from vinemap.publish.hint_texts import HINTS
from vinemap.publish.map_data import safe_json
from vinemap.publish.page import SCRIPTS
from vinemap.publish.policy import template_text
from vinemap.publish.ramps import ADVICE_MARKS, BUPU, CIVIDIS, RAMPS, YLGNBU, contrast
from vinemap.publish.sentences import write_cause
from vinemap.publish.texts import CATALOGUE, STANDING_CAUTIONS, texts_in


def blanks(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def test_every_language_has_the_same_keys_and_blanks():
    english = CATALOGUE["en"]
    for language, words in CATALOGUE.items():
        assert set(words) == set(english), language
        for key, text in words.items():
            assert blanks(text) == blanks(english[key]), (language, key)


def test_spanish_is_not_english_left_standing():
    same = {key for key, text in CATALOGUE["en"].items() if text == CATALOGUE["es"][key] and len(text) > 3}
    assert not same


def test_hints_of_cause_have_the_codes_and_blanks_of_the_decline_stage():
    for language, words in HINTS.items():
        assert {key: blanks(text) for key, text in words.items()} == {
            key: blanks(text) for key, text in hints.HINTS.items()
        }, language


@pytest.mark.parametrize("code", hints.HINTS)
def test_every_hint_is_said_in_spanish_as_the_decline_stage_says_it_in_english(code):
    row = {"renewed_year": 2021, "recovery_pct": 61.4, "symptomatic_pct": 14.2, "cause_code": code}
    row |= {"machine_change_vintage": 2025, "machine_change_to": ""}
    said, spoken = write_cause(row | {"cause_hint": "English."}, "es")
    assert spoken == "es"
    assert said == hints.word_cause(code, row, HINTS["es"]).rstrip(" .")


def test_every_advice_and_method_has_its_words():
    for words in CATALOGUE.values():
        assert all(f"advice_{one}" in words and f"letter_{one}" in words for one in tables.ADVICE)
        assert all(f"method_{one}" in words for one in tables.METHODS + tables.KEEP_METHODS)
        assert len({words[f"letter_{one}"] for one in tables.ADVICE}) == len(tables.ADVICE)
        assert all(key in words for key in STANDING_CAUTIONS)


def test_every_word_the_page_asks_for_exists():
    asked: set[str] = set()
    for name in SCRIPTS:
        script = template_text(name)
        asked |= set(re.findall(r"\bwords?\.([a-z_]+)\b", script)) | set(
            re.findall(r'\bword\("([a-z_]+)"', script)
        )
    for name in ("page.html", "sheet.html"):
        asked |= set(re.findall(r"\bt\.([a-z_]+)", template_text(name)))
    stems = ("advice_", "letter_", "legend_", "method_", "mode_", "what_if_")
    missing = {key for key in asked if key not in CATALOGUE["en"] and key not in stems}
    assert not missing


def test_unknown_language_is_refused():
    with pytest.raises(SettingsError, match=r"'fr'.*en, es"):
        texts_in("fr")


def test_us_units_agree_with_the_handbook():
    # NIST Handbook 44, appendix C: acre 4046.8564224 m2; 1 short ton/acre = 2.2417023 t/ha [C]
    us = FACTORS["us"]
    assert us["yield"] * 2.2417023 == pytest.approx(1, rel=1e-7)
    assert us["area"] == pytest.approx(2.4710538, rel=1e-7)
    assert us["per_area"] == pytest.approx(0.40468564224)
    assert us["length"] == pytest.approx(3.2808399, rel=1e-7)
    assert Display(system="us", currency="USD").per_area_unit() == "USD/acre"


def test_unknown_units_are_refused():
    with pytest.raises(SettingsError, match="'imperial' are not known"):
        unit_labels("en", "imperial")


@given(st.floats(-1e9, 1e9, allow_nan=False), st.integers(0, 3))
def test_numbers_written_can_be_read_back_in_either_language(value, digits):
    english = format_number(value, digits, "en").replace(",", "").replace("−", "-")
    spanish = format_number(value, digits, "es").replace(".", "").replace(",", ".").replace("−", "-")
    assert float(english) == float(spanish) == pytest.approx(value, abs=0.5 * 10**-digits + 1e-6)


@given(st.floats(1e-6, 1e12))
def test_rounding_to_two_digits_is_within_half_a_unit_of_the_second(value):
    assert round_significant(value) == pytest.approx(value, rel=0.0501)


def zones(*advice: str) -> pd.DataFrame:
    return pd.DataFrame({"advice": advice, "area_ha": 2.0, "wait_cost_per_ha": 1_000.0})


@pytest.mark.parametrize(
    ("advice", "said"),
    [
        (("keep", "watch"), "None of 2 zones repays renewal now; 1 is to be watched."),
        (("keep", "watch", "watch"), "None of 3 zones repays renewal now; 2 are to be watched."),
        (("scout", "keep"), "None of 2 zones repays renewal now; 1 should be scouted first."),
        (("renew", "scout", "scout"), "1 of 3 zones repays renewal now (2.0 ha); waiting a year costs "
         "about AUD 2,000; 2 should be scouted first."),
        (("renew", "renew"), "2 of 2 zones repay renewal now (4.0 ha); waiting a year costs "
         "about AUD 4,000."),
    ],
)  # fmt: skip
def test_headline_counts_what_the_table_says(advice, said):
    assert write_headline(zones(*advice), display=Display(currency="AUD")).replace("\u00a0", " ") == said


def test_headline_with_interval_in_spanish_and_acres():
    said = write_headline(
        zones("renew", "scout"), display=Display("es", "us", "ARS"), waiting=Interval(41_234, 21_900, 63_100)
    ).replace("\u00a0", " ")
    assert said == (
        "1 de 2 zonas amortiza ahora la renovación (4,9 acres); esperar un año cuesta unos ARS 41.000 "
        "(90 %: de 22.000 a 63.000); 1 debe inspeccionarse antes."
    )


def test_ramps_are_the_published_ones():
    colormaps = pytest.importorskip("matplotlib", reason="matplotlib holds the published tables").colormaps
    hexes = pytest.importorskip("matplotlib.colors").to_hex
    assert [hexes(colormaps["cividis"](15 * at)) for at in range(18)] == list(CIVIDIS)
    brewer = pytest.importorskip("matplotlib._cm")
    assert [hexes(one) for one in brewer._BuPu_data] == list(BUPU)
    assert [hexes(one) for one in brewer._YlGnBu_data] == list(YLGNBU)


@pytest.mark.parametrize("name", RAMPS)
def test_lightness_runs_one_way_along_a_ramp(name):
    against_white = [contrast(one, "#ffffff") for one in RAMPS[name]]
    assert against_white in (sorted(against_white), sorted(against_white, reverse=True))


def test_letters_and_marks_are_legible():
    # WCAG 2.2: 1.4.3 wants 4.5:1 for text, 1.4.11 wants 3:1 between parts of graphics that carry meaning
    for mark in ADVICE_MARKS.values():
        assert contrast(mark.ink, mark.fill) >= 4.5
    assert contrast(ADVICE_MARKS["renew"].fill, ADVICE_MARKS["keep"].fill) >= 3
    for text in ("#25211c", "#5b544a", "#3f6175", "#8a5800", "#74224f"):
        assert contrast(text, "#fbf9f4") >= 4.5


@given(st.text())
def test_no_text_can_end_a_script_element(text):
    out = safe_json({"name": text})
    assert not set(out) & set("<>&\u2028\u2029")


def test_dictionary_names_every_column(tmp_path):
    text = write_dictionary(tmp_path / "dictionary.md").read_text(encoding="utf-8")
    for table in tables.OUTPUTS + tables.INPUTS:
        section = text.split(f"### `{table.name}`")[1].split("###")[0]
        assert all(f"| `{one.name}` |" in section and one.meaning in section for one in table.columns)
