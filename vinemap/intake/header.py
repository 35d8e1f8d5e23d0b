"""Header words and units as people write them."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

from vinemap.units import FACTORS, normalise_unit

_BRACKETS = re.compile(r"[(\[{<]\s*([^)\]}>]*)\s*[)\]}>]")
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z][a-z])")
# Units as they stand at the end of a header once everything but letters and digits is a blank, and units
# that vinemap.units does not spell; common practice, no source.
_SPELLINGS = {
    "kg s": "kg/s", "kgs": "kg/s", "kg sec": "kg/s", "kg h": "kg/h", "t h": "t/h", "t hr": "t/h",
    "th": "t/h", "tonnes h": "t/h", "lb s": "lb/s", "lbs s": "lb/s", "lb sec": "lb/s", "lbs sec": "lb/s",
    "m s": "m/s", "m sec": "m/s", "mps": "m/s", "km h": "km/h", "kmh": "km/h", "km hr": "km/h",
    "kph": "km/h", "mph": "mph", "mi h": "mph", "t ha": "t/ha", "tha": "t/ha", "tonnes ha": "t/ha",
    "ton ha": "t/ha", "tons ha": "t/ha", "kg ha": "kg/ha", "q ha": "q/ha", "qx ha": "q/ha",
    "t ac": "short_ton/acre", "ton ac": "short_ton/acre", "tons ac": "short_ton/acre",
    "ton acre": "short_ton/acre", "tons acre": "short_ton/acre", "short tons acre": "short_ton/acre",
    "short ton acre": "short_ton/acre", "shorttons acre": "short_ton/acre", "us ton ac": "short_ton/acre",
    "us tons acre": "short_ton/acre", "lb ac": "lb/acre", "lbs ac": "lb/acre", "lb acre": "lb/acre",
    "lbs acre": "lb/acre", "kg m2": "kg/m2", "kg": "kg", "kilo": "kg", "kilos": "kg", "kilogramm": "kg",
    "tonnes": "t", "tonne": "t", "tonnen": "t", "toneladas": "t", "tonelada": "t", "tonnellate": "t",
    "to": "t", "t": "t", "lb": "lb", "lbs": "lb", "pounds": "lb", "tons": "short_ton",
    "short tons": "short_ton", "short ton": "short_ton", "us tons": "short_ton", "q": "q", "quintaux": "q",
    "quintali": "q", "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "metros": "m",
    "metri": "m", "mm": "mm", "cm": "cm", "ft": "ft", "feet": "ft", "foot": "ft", "in": "in", "inch": "in",
    "inches": "in", "pct": "%", "percent": "%", "prozent": "%", "pour cent": "%", "percentage": "%",
    "fraction": "fraction", "deg": "deg", "degree": "deg", "degrees": "deg", "grad": "deg", "dd": "deg",
    "grados": "deg", "degres": "deg", "gradi": "deg", "brix": "Brix", "bx": "Brix", "utc": "UTC",
    "gmt": "UTC", "s": "s", "sec": "s", "seconds": "s", "ms": "ms", "milliseconds": "ms", "ha": "ha",
    "acre": "acre", "acres": "acre", "ac": "acre", "sec since 1970": "s",
}  # fmt: skip
NOT_DIMENSIONS = ("deg", "Brix", "UTC")


@lru_cache(maxsize=4096)
def plain_words(text: str) -> str:
    """Lower case, no accents, words parted by one blank.

    Examples
    --------
    >>> plain_words("Débit_massique"), plain_words("massFlow"), plain_words("LÄNGE")
    ('debit massique', 'mass flow', 'lange')
    """
    text = (
        _CAMEL.sub(" ", text).replace("ß", "ss").replace("%", " pct ").replace("°", " deg ").replace("²", "2")
    )
    bare = "".join(one for one in unicodedata.normalize("NFKD", text) if not unicodedata.combining(one))
    return " ".join(re.findall(r"[a-z0-9]+", bare.lower()))


@lru_cache(maxsize=4096)
def known_unit(text: str) -> str:
    """Bring a unit to the spelling of `vinemap.units`, "" if it is none.

    Examples
    --------
    >>> known_unit("km/h"), known_unit("short tons/acre"), known_unit("°"), known_unit("block")
    ('km/h', 'short_ton/acre', 'deg', '')
    """
    words = plain_words(text)
    if not words or len(words) > 40:
        return ""
    if words in _SPELLINGS:
        return _SPELLINGS[words]
    name = normalise_unit(text)
    return name if any(name in table for table in FACTORS.values()) else ""


@lru_cache(maxsize=4096)
def split_header(header: str) -> tuple[str, str]:
    """Part a header into its words and its unit.

    Parameters
    ----------
    header : str

    Returns
    -------
    words : str
        As `plain_words` gives them, without the unit.
    unit : str
        "" if none is named.

    Examples
    --------
    >>> split_header("Velocidad (km/h)"), split_header("mass_flow_kg_s"), split_header("Net")
    (('velocidad', 'km/h'), ('mass flow', 'kg/s'), ('net', ''))
    """
    unit = ""
    for inside in _BRACKETS.findall(header):
        unit = known_unit(inside) or unit
    rest = _BRACKETS.sub(" ", header)
    tokens = plain_words(rest).split()
    for length in (3, 2, 1):
        tail = " ".join(tokens[-length:])
        if not unit and len(tokens) > length and tail in _SPELLINGS:
            # "Grau Brix" is the name of the thing, not a thing and its unit.
            words = tokens if _SPELLINGS[tail] == "Brix" else tokens[:-length]
            return " ".join(words), _SPELLINGS[tail]
    if not unit and " ".join(tokens) in ("tonnes", "tons", "tonnage", "kg", "lb", "lbs"):
        unit = _SPELLINGS.get(" ".join(tokens), "t")
    return " ".join(tokens), unit
