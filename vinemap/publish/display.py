"""How a number is shown to a person: metric or US units, digits, decimal sign, currency."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from typing import Literal

from vinemap import units
from vinemap.errors import SettingsError
from vinemap.publish.texts import NBSP, texts_in

UnitSystem = Literal["metric", "us"]
DASH = "–"
# What a value inside (t/ha, ha, currency/ha, m) is multiplied by before it is shown.
FACTORS: dict[str, dict[str, float]] = {
    "metric": {"yield": 1.0, "area": 1.0, "per_area": 1.0, "length": 1.0},
    "us": {
        "yield": 1.0 / units.SHORT_TON_PER_ACRE_T_HA,
        "area": 1.0 / units.ACRE_HA,
        "per_area": units.ACRE_HA,
        "length": 1.0 / units.FOOT_M,
    },
}
_LABELS = {
    ("en", "metric"): {"yield": "t/ha", "area": "ha", "per_area": "/ha", "length": "m", "per_tonne": "/t"},
    ("en", "us"): {
        "yield": "short tons/acre",
        "area": "acres",
        "per_area": "/acre",
        "length": "ft",
        "per_tonne": "/short ton",
    },
    ("es", "metric"): {"yield": "t/ha", "area": "ha", "per_area": "/ha", "length": "m", "per_tonne": "/t"},
    ("es", "us"): {
        "yield": "t cortas/acre",
        "area": "acres",
        "per_area": "/acre",
        "length": "ft",
        "per_tonne": "/t corta",
    },
}


@dataclass(frozen=True, slots=True)
class EstateLabel:
    """What the published files need to know of the estate: its name, currency and display units."""

    name: str
    currency: str = ""
    units: UnitSystem = "metric"


@dataclass(frozen=True, slots=True)
class Interval:
    """A mean with its 90 % interval."""

    mean: float
    low: float
    high: float


def unit_labels(language: str, system: str) -> dict[str, str]:
    """Give the unit words of a language and unit system, by kind of quantity.

    Raises
    ------
    SettingsError
        If the unit system is neither metric nor us.
    """
    if system not in FACTORS:
        raise SettingsError(f"Display units {system!r} are not known.", remedy="Use metric or us.")
    return _LABELS[(texts_in(language)["language_code"], system)]


def format_number(value: float | None, digits: int = 0, language: str = "en") -> str:
    """Write a number with the decimal sign and grouping of a language; a dash where there is none.

    Spanish groups only from five digits on (RAE, Ortografía 2010; CLDR agrees).

    Examples
    --------
    >>> format_number(41234.5, 1), format_number(41234.5, 1, "es"), format_number(1234, 0, "es")
    ('41,234.5', '41.234,5', '1234')
    """
    if value is None or not math.isfinite(value):
        return DASH
    plain = f"{value:,.{digits}f}"
    if float(plain.replace(",", "")) == 0:
        plain = plain.removeprefix("-")
    if texts_in(language)["language_code"] != "es":
        return plain.replace("-", "−")
    if abs(value) < 9_999.5:
        plain = plain.replace(",", "")
    return plain.replace(",", "\0").replace(".", ",").replace("\0", ".").replace("-", "−")


def format_date(date: datetime.date, language: str = "en") -> str:
    """Write a date in words, so that no reader takes the day for the month.

    Examples
    --------
    >>> format_date(datetime.date(2026, 6, 1)), format_date(datetime.date(2026, 6, 1), "es")
    ('1 June 2026', '1 de junio de 2026')
    """
    words = texts_in(language)
    month = words["months"].split()[date.month - 1]
    return words["date_form"].format(day=date.day, month=month, year=date.year)


def round_significant(value: float, digits: int = 2) -> float:
    """Round to significant digits.

    Examples
    --------
    >>> round_significant(41234.0), round_significant(-0.01267, 3), round_significant(0.0)
    (41000.0, -0.0127, 0.0)
    """
    if value == 0 or not math.isfinite(value):
        return value
    return round(value, digits - 1 - math.floor(math.log10(abs(value))))


@dataclass(frozen=True, slots=True)
class Display:
    """Writes quantities for one language, unit system and currency."""

    language: str = "en"
    system: UnitSystem = "metric"
    currency: str = ""

    def _with_unit(self, value: float | None, kind: str, digits: int) -> str:
        shown = None if value is None else value * FACTORS[self.system][kind]
        unit = unit_labels(self.language, self.system)[kind]
        return f"{format_number(shown, digits, self.language)}{NBSP}{unit}"

    def area(self, hectares: float | None) -> str:
        r"""Area with unit.

        Examples
        --------
        >>> Display(system="us").area(5.2)
        '12.8\xa0acres'
        """
        small = hectares is not None and hectares * FACTORS[self.system]["area"] < 1
        return self._with_unit(hectares, "area", 2 if small else 1)

    def crop(self, t_ha: float | None) -> str:
        r"""Yield with unit.

        Examples
        --------
        >>> Display(system="us").crop(2.2417023)
        '1.0\xa0short tons/acre'
        """
        return self._with_unit(t_ha, "yield", 1)

    def money(self, amount: float | None) -> str:
        r"""Money, rounded to two significant digits.

        Examples
        --------
        >>> Display(currency="AUD").money(41234.0)
        'AUD\xa041,000'
        """
        shown = None if amount is None else round_significant(amount)
        return f"{self.currency}{NBSP}{format_number(shown, 0, self.language)}".strip(NBSP)

    def percent(self, value: float | None, digits: int = 0) -> str:
        """Percent, without decimals unless asked for."""
        return f"{format_number(value, digits, self.language)}{NBSP}%"

    def per_area(self, per_hectare: float | None) -> str:
        r"""Money per area with unit, two significant digits.

        Examples
        --------
        >>> Display(system="us", currency="USD").per_area(10_000.0)
        'USD\xa04,000/acre'
        """
        if per_hectare is None:
            return DASH
        unit = unit_labels(self.language, self.system)["per_area"]
        return f"{self.money(per_hectare * FACTORS[self.system]['per_area'])}{unit}"

    def per_area_unit(self) -> str:
        """Give the unit of money per area, for example AUD/ha."""
        return f"{self.currency}{unit_labels(self.language, self.system)['per_area']}"

    def per_area_number(self, per_hectare: float | None, digits: int = 3) -> str:
        """Money per area, rounded to some significant digits, unit left to what stands before it.

        Examples
        --------
        >>> Display(system="us").per_area_number(10_000.0)
        '4,050'
        """
        if per_hectare is None:
            return DASH
        return format_number(
            round_significant(per_hectare * FACTORS[self.system]["per_area"], digits), 0, self.language
        )
