"""Settings of an estate: estate.toml as typed, bounded, described values.

Every field has a default, a unit, bounds and a description; the commented default file is written from
them (`default_settings_text`), so that text and code cannot drift apart.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError, field_validator

from vinemap.errors import SettingsError
from vinemap.estate.layout import SETTINGS_FILE
from vinemap.estate.methods import Methods
from vinemap.estate.sections import Section, section, setting, subsection, write_toml

HEADER = """\
# Settings of this estate. A line that begins with # is a comment; a setting that is commented out is not set.
# MONEY, COSTS AND TAKES ARE EXAMPLES ONLY and not advice: put in your own, and ask your accountant and a
# licensed adviser before you spend. Marks: [S] published source, [P] common practice, no source.
# Savings and losses are compared in real terms (without inflation).

"""


class Estate(Section):
    """The estate itself."""

    name: str = setting("My estate", "", "Name shown on maps and lists.", min_length=1, max_length=120)
    currency: str = setting("AUD", "", "Currency of all amounts, ISO 4217 code.", pattern=r"^[A-Z]{3}$")
    display_units: Literal["metric", "us"] = setting(
        "metric", "", "Units on maps and lists: metric, or us (short tons, acres, feet)."
    )
    language: Literal["en", "es"] = setting(
        "en", "", "Language of map, sheets and lists: en (English) or es (Spanish)."
    )
    timezone: str = setting(
        "",
        "",
        "Time zone of clocks in logs without one, e.g. Australia/Adelaide; empty: taken as UTC.",
        max_length=64,
    )
    crs: str = setting(
        "",
        "",
        "Coordinate system for areas, e.g. EPSG:9473 (equal-area, metres); empty: chosen by place.",
        max_length=64,
    )

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

        if value:
            try:
                ZoneInfo(value)
            except (ZoneInfoNotFoundError, ValueError, OSError) as error:
                raise ValueError(
                    f"time zone {value!r} is not known; write it like Australia/Adelaide"
                ) from error
        return value


class Harvest(Section):
    """Cleaning of harvester readings and settling them to weighed loads."""

    flow_delay_s: float = setting(
        12.0, "s", "From vine to sensor, used where it cannot be found from the readings [P].", ge=0, le=120
    )
    position_tolerance_m: float = setting(
        25.0,
        "m",
        "Readings this far outside an outline still belong to its block: grapes of the row end reach the "
        "sensor while the machine turns in the headland [P].",
        ge=0,
        le=200,
    )
    cleaning_capacity_t_ha: float = setting(
        13.5,
        "t/ha",
        "Crop up to which the harvester cleans well: 5-7 short tons/acre [P], the middle in t/ha.",
        gt=0,
        le=200,
    )


class Surface(Section):
    """Yield surfaces by local block kriging (protocol of Bramley & Williams 2001, from memory)."""

    cell_m: float = setting(2.0, "m", "Cell of the maps.", ge=0.5, le=50)
    block_m: float = setting(10.0, "m", "Side of the square that one estimate averages.", gt=0, le=100)
    neighbours: int = setting(64, "readings", "Nearest readings used for one estimate.", ge=8, le=500)


class Zones(Section):
    """Zones: contiguous and large enough to be worked on their own."""

    min_area_ha: float = setting(0.2, "ha", "Smallest zone.", gt=0, le=50)
    min_segment_m: float = setting(40.0, "m", "Shortest piece of a row in a zone.", ge=0, le=1000)
    max_zones: int = setting(6, "zones", "Most zones in a block.", ge=1, le=50)


class Decline(Section):
    """Decline apart from vintage effects; forecasts."""

    draws: int = setting(400, "draws", "Futures drawn per zone.", ge=50, le=20_000)
    seed: int = setting(20_260, "", "Seed of the random numbers: same seed, same answer.", ge=0, le=2**32 - 1)
    horizon_years: int = setting(20, "years", "Vintages forecast after the last one.", ge=1, le=60)
    reference_file: str = setting(
        "",
        "",
        "Outside series of district yields (columns vintage, yield_t_ha or index, perhaps variety), a file "
        "named from this folder; empty: reference.csv here, if it is there.",
        max_length=400,
    )


class Money(Section):
    """Money: EXAMPLES ONLY, not advice. Put in your own figures and ask your accountant."""

    price_per_tonne: float = setting(650.0, "currency/t", "Price of grapes, example [P].", gt=0, le=1_000_000)
    price_sd_pct: float = setting(
        15.0, "%", "Uncertainty of the long-run price, one standard deviation [P].", ge=0, le=100
    )
    discount_rate_pct: float = setting(
        6.0, "%/year", "Real discount rate (without inflation), example [P].", ge=0, le=50
    )
    harvest_cost_per_t: float = setting(
        74.0,
        "currency/t",
        "Machine harvest: middle of 40-50 USD/short ton [S 2012] at 1.5 AUD/USD.",
        ge=0,
        le=10_000,
    )
    growing_cost_per_ha: float = setting(
        7_400.0,
        "currency/ha/year",
        "Growing a hectare in crop for a year, harvest not in it: 2,500 USD/acre with mechanical pruning "
        "(San Joaquin Valley South 2019) [S] less harvest, 45 USD/short ton [S 2012] of 11 short tons/acre "
        "[P], at 1.5 AUD/USD.",
        ge=0,
        le=1_000_000,
    )
    growing_cost_out_of_crop_per_ha: float = setting(
        4_500.0,
        "currency/ha/year",
        "The same while vines bear nothing yet after the work; in between in proportion [P].",
        ge=0,
        le=1_000_000,
    )
    idle_cost_per_ha: float = setting(
        3_400.0,
        "currency/ha/year",
        "What a zone left idle, not harvested, still costs: weeds, pests, a little water (about 1,500) and "
        "the overheads within growing_cost_per_ha that go on regardless (about a quarter). The least that "
        "keeping can come to, since nobody need go on growing a crop that does not pay [P].",
        ge=0,
        le=1_000_000,
    )
    cost_sd_pct: float = setting(
        15.0, "%", "Uncertainty of the cost of work, one standard deviation [P].", ge=0, le=100
    )
    mog_pct: float = setting(1.0, "%", "MOG by weight of a sound zone: about 1 % [S].", ge=0, le=100)
    mog_old_wood_pct: float = setting(
        1.0,
        "%",
        "Further MOG of a zone that has lost everything, in proportion to its loss: dead wood [P].",
        ge=0,
        le=100,
    )
    mog_threshold_pct: float = setting(
        1.0, "%", "MOG above which the winery deducts; about 1 % is a low level [S].", ge=0, le=100
    )
    mog_deduction_pct_per_pct: float = setting(
        1.0, "% of price per % MOG", "Deduction for each % of MOG over the threshold [P].", ge=0, le=100
    )
    trellis_life_years: int = setting(35, "years", "Life of a trellis [P].", ge=1, le=200)
    removal_cost_per_ha: float = setting(
        4_000.0, "currency/ha", "Taking vines and trellis out at the end [P].", ge=0, le=1_000_000
    )


class Price(Section):
    """Price of one variety."""

    per_tonne: float = setting(..., "currency/t", "Price of grapes of this variety.", gt=0, le=1_000_000)


class Decision(Section):
    """When to say renew, watch or scout."""

    chance_threshold: float = setting(
        0.6,
        "0-1",
        "Renewing is advised from this chance that it pays. Higher is more careful and gives more away: on "
        "invented estates, deciding anew every winter, 0.6 lost 9 % of what perfect knowledge would gain and "
        "0.8 lost 17 %, while 3 of 162 and 1 of 130 zones advised to renew would have lost by it.",
        ge=0.5,
        lt=1,
    )
    min_gain_per_ha: float = setting(
        0.0, "currency/ha", "And above this expected gain over keeping.", ge=0, le=1_000_000
    )
    scouting_cost_per_zone: float = setting(
        150.0, "currency/zone", "Walking a zone and counting vines, about two hours [P].", ge=0, le=100_000
    )
    scouting_vines: int = setting(60, "vines", "Vines that a scout looks at in a zone [P].", ge=5, le=100_000)
    min_visit_ha: float = setting(
        0.0, "ha", "Least area of work in a block that is worth coming for.", ge=0, le=1000
    )


class Programme(Section):
    """Limits of the programme over years; all optional but the years."""

    years: int = setting(5, "years", "Years planned ahead.", ge=1, le=30)
    budget_per_year: float | None = setting(None, "currency/year", "Most money a year.", gt=0)
    crew_days_per_year: float | None = setting(None, "crew-days/year", "Most crew-days a year.", gt=0)
    vines_per_year: float | None = setting(
        None, "vines/year", "Most vines and buds that the nursery can deliver a year.", gt=0
    )
    max_out_of_crop_ha: float | None = setting(None, "ha", "Most hectares without crop at once.", gt=0)
    min_tonnes: dict[str, float] = setting(
        {}, "t/year", "Least tonnes a year by variety (delivery contracts)."
    )
    not_before: dict[str, int] = setting(
        {}, "year", "Earliest winter of work by block or zone, e.g. { B03 = 2028 }."
    )
    not_after: dict[str, int] = setting({}, "year", "Latest winter of work by block or zone.")
    together: list[list[str]] = setting(
        [], "", 'Blocks or zones to be done in the same winter or not at all, e.g. [["B01", "B02"]].'
    )
    exclude: list[str] = setting([], "", "Zones left out of the programme.")
    risk_quantile: float | None = setting(
        None,
        "0-1",
        "Plan by this quantile of every gain, e.g. 0.2 to be cautious; not set: by the mean.",
        gt=0,
        lt=1,
    )

    @field_validator("min_tonnes")
    @classmethod
    def _positive(cls, value: dict[str, float]) -> dict[str, float]:
        for variety, tonnes in value.items():
            if not 0 <= tonnes <= 1e7:
                raise ValueError(f"tonnes of {variety} must be 0 to 10,000,000, not {tonnes}")
        return value

    @field_validator("not_before", "not_after")
    @classmethod
    def _years(cls, value: dict[str, int]) -> dict[str, int]:
        for name, year in value.items():
            if not 1900 <= year <= 2200:
                raise ValueError(f"year of {name} must be 1900 to 2200, not {year}")
        return value


class Outputs(Section):
    """What is written beyond the usual."""

    coverages: bool = setting(
        False,
        "",
        "Put yield and loss surfaces into vinemap.gpkg too, as tiled gridded coverages; the GeoTIFFs in "
        "surfaces/ are written either way.",
    )
    map_surface_blocks: int = setting(
        300,
        "blocks",
        "Largest estate whose yield and loss surfaces are drawn into map.html; the map of a larger one shows "
        "zones only, so that a browser can hold it. The GeoTIFFs in surfaces/ are written either way.",
        ge=0,
    )


class Settings(Section):
    """All settings of an estate.

    Examples
    --------
    >>> settings = Settings()
    >>> settings.surface.cell_m, settings.price_of("Shiraz")
    (2.0, 650.0)
    """

    estate: Estate = section(Estate)
    harvest: Harvest = section(Harvest)
    surface: Surface = section(Surface)
    zones: Zones = section(Zones)
    decline: Decline = section(Decline)
    money: Money = section(Money)
    prices: dict[str, Price] = setting(
        {},
        "",
        'Prices by variety, where they differ, as [prices."Cabernet Sauvignon"] with per_tonne = 750.0',
    )
    decision: Decision = section(Decision)
    methods: Methods = section(Methods)
    programme: Programme = section(Programme)
    outputs: Outputs = section(Outputs)

    def price_of(self, variety: str) -> float:
        """Price [currency/t] of a variety, letter case aside; the estate's default where it has none."""
        by_name = {name.casefold(): price.per_tonne for name, price in self.prices.items()}
        return by_name.get(variety.strip().casefold(), self.money.price_per_tonne)


def default_settings_text(*, name: str = "My estate") -> str:
    """Write estate.toml with every setting at its default, explained.

    Parameters
    ----------
    name : str
        Name of the estate.

    Returns
    -------
    str

    Examples
    --------
    >>> "cell_m = 2.0" in default_settings_text()
    True
    """
    values = Settings(estate=Estate(name=name))
    return HEADER + write_toml(Settings, values)


def load_settings(path: Path | str) -> Settings:
    """Read and check estate.toml.

    Parameters
    ----------
    path : pathlib.Path or str
        The file, or the estate folder that holds it.

    Returns
    -------
    Settings

    Raises
    ------
    SettingsError
        If the file is missing, is not TOML, or holds an unknown key or a value out of bounds.
    """
    file = Path(path)
    file = file / SETTINGS_FILE if file.is_dir() else file
    try:
        text = file.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(
            "There is no such file.", where=str(file), remedy="Make one with vinemap new."
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"It cannot be read: {error}.", where=str(file), remedy="Save it as UTF-8 text."
        ) from error
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"It is not valid TOML: {error}.",
            where=file.name,
            remedy='Text needs quotes: name = "My estate".',
        ) from error
    return parse_settings(values, where=file.name)


def parse_settings(values: Mapping[str, Any], *, where: str = "settings") -> Settings:
    """Check settings given as a nested mapping; SettingsError names file and key."""
    try:
        return Settings.model_validate(dict(values))
    except ValidationError as error:
        problems = error.errors()
        more = f" ({len(problems) - 1} more of the kind.)" if len(problems) > 1 else ""
        what, key, remedy = _explain(problems[0])
        raise SettingsError(f"{what}{more}", where=f"{where}, {key}", remedy=remedy) from None


def _explain(problem: Any) -> tuple[str, str, str]:
    """Turn one pydantic problem into what, key and remedy."""
    path = [str(part) for part in problem["loc"]]
    key = ".".join(path)
    if problem["type"] == "extra_forbidden":
        known = _keys_beside(path)
        near = difflib.get_close_matches(path[-1], known, n=1, cutoff=0.5)
        hint = f"Did you mean {near[0]}?" if near else f"Known are: {', '.join(known)}."
        return f"There is no setting {path[-1]!r} here.", key, hint
    if problem["type"] == "missing":
        return f"{path[-1]} is missing.", key, "Add it."
    message = str(problem["msg"]).removeprefix("Value error, ")
    seen = problem["input"]
    value = f" (it is {seen!r})" if not isinstance(seen, (dict, Section)) else ""
    return f"{message}{value}.", key, "Mend the value in estate.toml."


def _keys_beside(path: list[str]) -> list[str]:
    model: type[Section] = Settings
    for part in path[:-1]:
        info = model.model_fields.get(part)
        if info is None:
            return list(Price.model_fields)
        model = subsection(info) or Price
    return list(model.model_fields)
