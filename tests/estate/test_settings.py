"""Settings: the written file and the fields cannot drift apart; every mistake is told with file and key."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from vinemap.errors import SettingsError
from vinemap.estate import Settings, default_settings_text, load_settings, parse_settings
from vinemap.estate.sections import bounds_of, toml_value, unit_of, walk_settings

ACRE_HA = 0.40468564224  # NIST Handbook 44, appendix C
SHORT_TON_T = 0.90718474


def test_default_file_is_the_defaults():
    assert parse_settings(tomllib.loads(default_settings_text())) == Settings()


def test_default_file_holds_every_field_with_description_unit_and_bounds():
    """Drift: a field added, renamed or described anew must show in the file."""
    text = default_settings_text()
    words = " ".join(re.sub(r"(?m)^# ?", "", text).split())
    fields = dict(walk_settings(Settings))
    assert len(fields) > 80
    for name, info in fields.items():
        assert info.description, name
        assert " ".join(info.description.split()) in words, name
        assert (unit_of(info) or "") in words, name
        assert bounds_of(info) in words, name
        key = name.rsplit(".", 1)[-1]
        if key != "prices":
            assert re.search(rf"(?m)^(# )?{key} =", text), name


def test_every_number_has_unit_and_bounds():
    free = {"decline.seed"}
    for name, info in walk_settings(Settings):
        number = info.annotation in (int, float, int | None, float | None)
        if number and name not in free:
            assert unit_of(info), name
            assert bounds_of(info), name


def test_commented_optional_settings_can_be_switched_on():
    text = default_settings_text().replace("# budget_per_year =", "budget_per_year = 50000.0")
    text = text.replace("# min_tonnes", "min_tonnes").replace(
        "min_tonnes = {}", "min_tonnes = { Shiraz = 500.0 }"
    )
    settings = parse_settings(tomllib.loads(text))
    assert settings.programme.budget_per_year == 50_000.0
    assert settings.programme.min_tonnes == {"Shiraz": 500.0}


def test_name_of_the_estate_is_written_safely():
    name = 'Hill "side" \\ é\u2028'
    assert parse_settings(tomllib.loads(default_settings_text(name=name))).estate.name == name


def test_prices_by_variety_letter_case_aside():
    settings = parse_settings(
        {"prices": {"Cabernet Sauvignon": {"per_tonne": 750.0}, "Merlot": {"per_tonne": 500}}}
    )
    assert settings.price_of("cabernet sauvignon ") == 750.0
    assert settings.price_of("Shiraz") == settings.money.price_per_tonne
    assert settings.price_of("MERLOT") == 500.0


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "[surface]\ncel_m = 2",
            r"estate.toml, surface.cel_m: There is no setting 'cel_m' here. Did you mean cell_m\?",
        ),
        ("[surfaces]\ncell_m = 2", r"surfaces: There is no setting 'surfaces' here. Did you mean surface\?"),
        ("[methods.trunk_renewl]", r"methods.trunk_renewl: .* Did you mean trunk_renewal\?"),
        (
            "[surface]\ncell_m = 0.1",
            r"surface.cell_m: Input should be greater than or equal to 0.5 \(it is 0.1\)",
        ),
        ("[surface]\ncell_m = 'two'", r"surface.cell_m: Input should be a valid number.*it is 'two'"),
        ("[money]\nprice_per_tonne = inf", r"money.price_per_tonne: Input should be a finite number"),
        (
            "[money]\nprice_per_tonne = -5",
            r"money.price_per_tonne: Input should be greater than 0 \(it is -5\)",
        ),
        ("[estate]\ncurrency = 'dollars'", r"estate.currency: .*it is 'dollars'"),
        (
            "[estate]\ntimezone = 'Mars/Base'",
            r"time zone 'Mars/Base' is not known; write it like Australia/Adelaide",
        ),
        ("[programme]\nnot_before = { B01 = 30 }", r"year of B01 must be 1900 to 2200, not 30"),
        ("[methods.infill]\ncrop_share_by_year_after = [1.5]", r"must hold values from 0 to 1, not \[1.5\]"),
        ("[methods.keep_protected]\nefficacy_mode = 0.9", r"efficacy_mode must lie between"),
        ("[prices.Merlot]\nprice = 3", r"prices.Merlot.per_tonne: per_tonne is missing.*1 more"),
        ("[surface\ncell_m = 2", r"estate.toml: It is not valid TOML"),
    ],
)
def test_mistakes_are_told_with_file_and_key(tmp_path, text, sentence):
    (tmp_path / "estate.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=sentence):
        load_settings(tmp_path)


def test_missing_and_undecodable_file(tmp_path):
    with pytest.raises(SettingsError, match=r"There is no such file. Make one with vinemap new"):
        load_settings(tmp_path / "estate.toml")
    (tmp_path / "estate.toml").write_bytes(b'name = "\xff\xfe"')
    with pytest.raises(SettingsError, match=r"cannot be read.*Save it as UTF-8"):
        load_settings(tmp_path)


def test_settings_cannot_be_altered():
    with pytest.raises(ValueError, match=r"frozen"):
        Settings().surface.cell_m = 5.0


def test_defaults_carry_over_their_sources():
    """Handbook section 4 [S], at the round example rate of 1.5 AUD per USD [P]."""
    settings = Settings()
    rate = 1.5
    planting = settings.methods.replant.cost_per_ha + 1587 * settings.methods.replant.cost_per_vine
    assert planting == pytest.approx(15_000 / ACRE_HA * rate, rel=0.01)
    growing = 2_500 - 45 * 11  # the published total holds the harvest of about 11 short tons an acre [P]
    assert settings.money.growing_cost_per_ha == pytest.approx(growing / ACRE_HA * rate, rel=0.01)
    assert settings.money.harvest_cost_per_t == pytest.approx(45 / SHORT_TON_T * rate, rel=0.01)
    assert settings.methods.keep_protected.yearly_cost_per_ha == pytest.approx(100 / ACRE_HA * rate, rel=0.01)
    assert settings.methods.graft_over.cost_per_vine == 3 * rate
    assert settings.methods.trunk_renewal.cost_per_vine == 4.5 * rate  # [P]
    # Section 1 [S]: watershoots on 42-100 % of vines; wound protection 25, 50, 75 %; grafts take 90-98 %.
    methods = settings.methods
    trunk, graft, kept = methods.trunk_renewal, methods.graft_over, methods.keep_protected
    assert trunk.take_share - trunk.take_drop_symptomatic == pytest.approx((0.42 + 1.0) / 2, abs=0.005)
    assert graft.take_share == pytest.approx((0.90 + 0.98) / 2)
    assert (kept.efficacy_low, kept.efficacy_mode, kept.efficacy_high) == (0.25, 0.50, 0.75)
    # Section 8 [P]: cleaning systems are good for about 5-7 short tons per acre.
    assert settings.harvest.cleaning_capacity_t_ha == pytest.approx(6 * SHORT_TON_T / ACRE_HA, rel=0.01)


def test_money_says_that_it_is_an_example():
    text = default_settings_text()
    assert "EXAMPLES ONLY and not advice" in " ".join(text.split())
    assert "accountant" in text
    for method in ("trunk_renewal", "graft_over", "replant", "keep_protected"):
        before = text[: text.index(f"[methods.{method}]")].rsplit("\n\n", 1)[-1]
        assert "label" in before or "codes" in before, f"{method} lacks its caution"


@pytest.mark.parametrize(
    ("value", "written"), [({}, "{}"), ({"a b": 1.5}, '{ "a b" = 1.5 }'), (["x"], '["x"]'), (3, "3")]
)
def test_toml_values(value, written):
    assert toml_value(value) == written
    assert tomllib.loads(f"v = {written}")["v"] == value


def test_estate_toml_with_byte_order_mark(tmp_path):
    Path(tmp_path / "estate.toml").write_bytes(b"\xef\xbb\xbf[zones]\nmax_zones = 3\n")
    assert load_settings(tmp_path).zones.max_zones == 3
