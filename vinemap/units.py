"""Unit conversion at the edges. Everything inside is metric: m, s, kg, t/ha, degrees only at rest.

Factors are exact by definition unless a comment says otherwise: international foot 0.3048 m,
avoirdupois pound 0.45359237 kg (NIST Handbook 44, appendix C; NIST SP 811, appendix B).
"""

from __future__ import annotations

import re

from vinemap.errors import SettingsError

FOOT_M = 0.3048
INCH_M = FOOT_M / 12
MILE_M = 5280 * FOOT_M
POUND_KG = 0.45359237
SHORT_TON_KG = 2000 * POUND_KG
LONG_TON_KG = 2240 * POUND_KG
ACRE_M2 = 43_560 * FOOT_M**2  # 4046.8564224 m2
HECTARE_M2 = 10_000.0
TONNE_KG = 1000.0
ACRE_HA = ACRE_M2 / HECTARE_M2
SHORT_TON_PER_ACRE_T_HA = (SHORT_TON_KG / TONNE_KG) / ACRE_HA  # 2.2417023 t/ha

_MASS_KG = {
    "kg": 1.0, "g": 1e-3, "mg": 1e-6, "t": TONNE_KG, "tonne": TONNE_KG, "lb": POUND_KG,
    "short_ton": SHORT_TON_KG, "long_ton": LONG_TON_KG, "q": 100.0,
}  # fmt: skip
_LENGTH_M = {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "km": 1000.0, "ft": FOOT_M, "in": INCH_M, "mi": MILE_M}
_TIME_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "ms": 1e-3}
_AREA_M2 = {"m2": 1.0, "ha": HECTARE_M2, "acre": ACRE_M2}


def _speeds() -> dict[str, float]:
    table = {f"{a}/{b}": _LENGTH_M[a] / _TIME_S[b] for a in _LENGTH_M for b in _TIME_S}
    return table | {"mph": MILE_M / 3600.0, "kn": 1852.0 / 3600.0}


def _flows() -> dict[str, float]:
    return {f"{a}/{b}": _MASS_KG[a] / _TIME_S[b] for a in _MASS_KG for b in _TIME_S}


def _area_yields() -> dict[str, float]:
    per_t_ha = TONNE_KG / HECTARE_M2
    return {f"{a}/{b}": _MASS_KG[a] / _AREA_M2[b] / per_t_ha for a in _MASS_KG for b in _AREA_M2}


FACTORS: dict[str, dict[str, float]] = {
    "kg": _MASS_KG,
    "m": _LENGTH_M,
    "s": _TIME_S,
    "m2": _AREA_M2,
    "m/s": _speeds(),
    "kg/s": _flows(),
    "t/ha": _area_yields(),
    "%": {"%": 1.0, "fraction": 100.0, "ppm": 1e-4},
}
_ALIASES = {
    "kph": "km/h", "kmh": "km/h", "kmph": "km/h", "mps": "m/s", "tonnes": "t", "tonne": "t",
    "ton": "short_ton", "tons": "short_ton", "lbs": "lb", "feet": "ft", "foot": "ft", "meters": "m",
    "metres": "m", "acres": "acre", "ac": "acre", "hr": "h", "hour": "h", "sec": "s", "second": "s",
    "hectare": "ha", "knots": "kn", "pct": "%", "percent": "%", "inch": "in", "inches": "in",
    "miles": "mi", "pounds": "lb", "kilograms": "kg",
}  # fmt: skip


def normalise_unit(unit: str) -> str:
    """Bring a unit as people write it to the spelling used in `FACTORS`.

    Parameters
    ----------
    unit : str
        For example ``"km/hr"``, ``"Tons/Acre"``, ``"kg s-1"``.

    Returns
    -------
    str

    Examples
    --------
    >>> normalise_unit("Tons/Acre"), normalise_unit("kg s-1"), normalise_unit("t/hr")
    ('short_ton/acre', 'kg/s', 't/h')
    """
    text = unit.strip().lower().replace("²", "2").replace("^", "")
    text = re.sub(r"[\s·.*]+([a-z]+)-1$", r"/\1", text).replace(" per ", "/").replace(" ", "")
    return "/".join(_ALIASES.get(part, part) for part in text.split("/"))


def factor(unit: str, to: str) -> float:
    """Give the number by which a value in `unit` is multiplied to have it in `to`.

    Parameters
    ----------
    unit : str
        Unit of the value seen, in any common spelling.
    to : str
        Inside unit: one of the keys of `FACTORS` ("kg", "m", "s", "m2", "m/s", "kg/s", "t/ha", "%").

    Returns
    -------
    float

    Raises
    ------
    SettingsError
        If the unit is not known or is of another dimension.

    References
    ----------
    NIST Handbook 44, appendix C.

    Examples
    --------
    >>> round(factor("short_ton/acre", "t/ha"), 7), round(factor("km/h", "m/s") * 3.6, 12)
    (2.2417023, 1.0)
    """
    table = FACTORS[to]
    name = normalise_unit(unit)
    if name not in table:
        known = ", ".join(sorted(table))
        raise SettingsError(f"Unit {unit!r} cannot be turned into {to}.", remedy=f"Use one of: {known}.")
    return table[name]


def vines_per_hectare(row_spacing_m: float, vine_spacing_m: float) -> float:
    """Planting density [vines/ha] from row and vine spacing [m].

    Raises
    ------
    SettingsError
        If a spacing is not positive.

    References
    ----------
    43,560 square feet per acre over row x vine spacing in feet; handbook table: 11 x 5 ft gives 792
    vines/acre.

    Examples
    --------
    >>> round(vines_per_hectare(10 * FOOT_M, 7 * FOOT_M) * ACRE_HA, 1)
    622.3
    """
    if not (row_spacing_m > 0 and vine_spacing_m > 0):
        raise SettingsError(
            f"Spacing must be positive, not {row_spacing_m} m x {vine_spacing_m} m.",
            remedy="Give row and vine spacing in metres.",
        )
    return HECTARE_M2 / (row_spacing_m * vine_spacing_m)
