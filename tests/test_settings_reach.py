"""Every setting of estate.toml reaches something: an unused one fails here."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from vinemap import renewal
from vinemap.estate import Settings, parse_settings
from vinemap.estate.sections import walk_settings
from vinemap.pipeline.money import list_methods, set_decision, set_money, set_programme

PACKAGE = Path(__file__).resolve().parent.parent / "vinemap"
MONEY = "pipeline/money.py"
JOB = "job"  # one of the modules that string the job together

# Setting -> module that reads it. Settings of the methods are mapped as a whole, see below.
CONSUMERS = {
    "estate.name": JOB,
    "estate.currency": MONEY,
    "estate.display_units": JOB,
    "estate.language": JOB,
    "estate.timezone": JOB,
    "estate.crs": "estate/shelf.py",
    "harvest.flow_delay_s": JOB,
    "harvest.position_tolerance_m": "estate/changes.py",
    "harvest.cleaning_capacity_t_ha": JOB,
    "surface.cell_m": JOB,
    "surface.block_m": JOB,
    "surface.neighbours": JOB,
    "zones.min_area_ha": JOB,
    "zones.min_segment_m": JOB,
    "zones.max_zones": JOB,
    "outputs.coverages": JOB,
    "outputs.map_surface_blocks": JOB,
    "decline.draws": JOB,
    "decline.seed": JOB,
    "decline.horizon_years": JOB,
    "decline.reference_file": "estate/shelf.py",
    "money.price_per_tonne": MONEY,
    "money.price_sd_pct": MONEY,
    "money.discount_rate_pct": MONEY,
    "money.harvest_cost_per_t": MONEY,
    "money.growing_cost_per_ha": MONEY,
    "money.growing_cost_out_of_crop_per_ha": MONEY,
    "money.idle_cost_per_ha": MONEY,
    "money.cost_sd_pct": MONEY,
    "money.mog_pct": MONEY,
    "money.mog_old_wood_pct": MONEY,
    "money.mog_threshold_pct": MONEY,
    "money.mog_deduction_pct_per_pct": MONEY,
    "money.trellis_life_years": JOB,
    "money.removal_cost_per_ha": MONEY,
    "prices": "estate/settings.py",
    "decision.chance_threshold": MONEY,
    "decision.min_gain_per_ha": MONEY,
    "decision.scouting_cost_per_zone": MONEY,
    "decision.scouting_vines": MONEY,
    "decision.min_visit_ha": MONEY,
    "programme.years": MONEY,
    "programme.budget_per_year": MONEY,
    "programme.crew_days_per_year": MONEY,
    "programme.vines_per_year": MONEY,
    "programme.max_out_of_crop_ha": MONEY,
    "programme.min_tonnes": MONEY,
    "programme.not_before": MONEY,
    "programme.not_after": MONEY,
    "programme.together": MONEY,
    "programme.exclude": MONEY,
    "programme.risk_quantile": MONEY,
}
METHOD_FIELDS = [name for name, _ in walk_settings(Settings) if name.startswith("methods.")]
MONEY_FIELDS = [name for name, where in CONSUMERS.items() if where == MONEY]
BLOCKS = pd.DataFrame({"variety": ["Shiraz"]})


def names_in(module: str) -> set[str]:
    """Attributes and names that a module reads; for the job, all of its modules but the mapping of money."""
    files = [PACKAGE / module]
    if module == JOB:
        files = [PACKAGE / "assess.py", PACKAGE / "job.py", *(PACKAGE / "pipeline").glob("*.py")]
        files.remove(PACKAGE / MONEY)
    read: set[str] = set()
    for file in files:
        tree = ast.parse(file.read_text(encoding="utf-8"))
        read |= {one.attr for one in ast.walk(tree) if isinstance(one, ast.Attribute)}
        read |= {one.id for one in ast.walk(tree) if isinstance(one, ast.Name)}
    return read


def changed(name: str) -> Settings:
    """Settings with one field moved away from its default, within its bounds."""
    section, *rest = name.split(".")
    value: Any = Settings()
    for part in name.split("."):
        value = getattr(value, part)
    moved = {rest[-1]: other_value(rest[-1], value)}
    for part in reversed([section, *rest[:-1]]):
        moved = {part: moved}
    return parse_settings(moved)


def other_value(field: str, value: Any) -> Any:
    special = {
        "currency": "USD", "risk_quantile": 0.3, "not_before": {"B01": 2030}, "not_after": {"B01": 2030},
        "min_tonnes": {"Shiraz": 10.0}, "together": [["B01", "B02"]], "exclude": ["B01-Z1"],
        "efficacy_low": 0.3, "efficacy_mode": 0.6, "efficacy_high": 0.9, "new_variety": "Fiano",
    }  # fmt: skip
    if field in special:
        return special[field]
    if isinstance(value, bool):
        return not value
    if isinstance(value, list):
        return [*(0.5 * one for one in value), 0.5]
    if value is None or value == 0:
        return 1
    return value + 1 if isinstance(value, int) else 0.9 * value


def received(settings: Settings) -> tuple[Any, ...]:
    """Everything that the renewal stage receives of the settings."""
    money = set_money(settings, BLOCKS)
    return (list_methods(settings), money, set_decision(settings), set_programme(settings))


def test_every_setting_has_a_consumer_and_every_consumer_a_setting():
    fields = {name for name, _ in walk_settings(Settings)}
    assert fields - set(METHOD_FIELDS) == set(CONSUMERS)
    assert len(METHOD_FIELDS) > 60


@pytest.mark.parametrize("name", CONSUMERS)
def test_the_consumer_reads_it(name):
    assert name.rsplit(".", 1)[-1] in names_in(CONSUMERS[name])


@pytest.mark.parametrize("name", [*METHOD_FIELDS, *MONEY_FIELDS])
def test_changing_it_changes_what_the_renewal_stage_receives(name):
    assert received(changed(name)) != received(Settings())


def test_price_of_a_variety_is_received():
    settings = parse_settings({"prices": {"shiraz": {"per_tonne": 900.0}}})
    assert set_money(settings, BLOCKS).price_of("Shiraz") == 900.0


def test_there_is_one_truth_for_the_defaults():
    assert list_methods(Settings()) == list(renewal.default_methods())
    assert set_money(Settings(), BLOCKS.iloc[:0]) == renewal.Money()


def test_method_that_is_switched_off_is_not_weighed():
    off = parse_settings({"methods": {"replant": {"enabled": False}}})
    assert "replant" not in [one.name for one in list_methods(off)]


def test_measured_mog_takes_the_place_of_the_setting():
    assert set_money(Settings(), BLOCKS, {"B01": 2.0, "B02": 4.0}).mog_share == pytest.approx(0.03)


def test_assess_takes_all_that_money_gives():
    called = names_in(JOB)
    assert {"list_methods", "set_money", "set_decision", "set_programme"} <= called
