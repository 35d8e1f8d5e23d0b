"""Units against printed values: NIST Handbook 44 appendix C, EPSG-free arithmetic of the trade's tables."""

from __future__ import annotations

import pytest

from vinemap import units
from vinemap.errors import SettingsError


@pytest.mark.parametrize(
    ("row_ft", "vine_ft", "printed"),
    # Handbook of the trade, vines per acre: 11 x 5 ft printed as 792 [R]; the others [C], 10 x 7 also [P].
    [(11, 5, 792.0), (10, 7, 622.3), (8, 5, 1089.0), (10, 6, 726.0), (12, 8, 453.75)],
)
def test_vines_per_acre(row_ft, vine_ft, printed):
    per_ha = units.vines_per_hectare(row_ft * units.FOOT_M, vine_ft * units.FOOT_M)
    assert per_ha * units.ACRE_HA == pytest.approx(printed, abs=0.05)


@pytest.mark.parametrize(
    ("unit", "to", "factor"),
    [
        ("short_ton/acre", "t/ha", 2.2417023),  # 2,000 lb on 43,560 sq ft; NIST SP 811 factors [R]
        ("lb/acre", "t/ha", 1.1208511e-3),
        ("mg/m2", "t/ha", 1e-5),  # 1 t/ha = 100,000 mg/m2 [C], ISO 11783-11 DDI 84 is in mg/m2 [S]
        ("mph", "m/s", 0.44704),  # exact, NIST Handbook 44
        ("km/h", "m/s", 1 / 3.6),
        ("lb/s", "kg/s", 0.45359237),
        ("t/h", "kg/s", 1000 / 3600),
        ("mg/s", "kg/s", 1e-6),  # ISO 11783-11 DDI 87 [S]
        ("acre", "m2", 4046.8564224),  # international acre [C]
        ("ft", "m", 0.3048),
        ("fraction", "%", 100.0),
    ],
)
def test_factors(unit, to, factor):
    assert units.factor(unit, to) == pytest.approx(factor, rel=1e-7)


@pytest.mark.parametrize("written", ["Tons/Acre", "tons per acre", "short_ton/ac", "TON/ACRE"])
def test_spellings_of_one_unit(written):
    assert units.normalise_unit(written) == "short_ton/acre"


def test_unknown_unit_is_refused_with_the_known_ones():
    with pytest.raises(SettingsError, match=r"Unit 'furlong/h' cannot be turned into m/s.*km/h"):
        units.factor("furlong/h", "m/s")


def test_spacing_must_be_positive():
    with pytest.raises(SettingsError, match="Spacing must be positive"):
        units.vines_per_hectare(0.0, 2.0)
