"""
Unit factors: exact by definition, as in NIST SP 811 appendix B.

Read in a secondary table of SP 811's factors and, where named, in scipy.constants.
"""

import math

import pytest
from scipy import constants

from chrono.units import SPEED_UNITS, parse_quantity

POUND_KG = 0.45359237
EXACT = [
    ("1 in", "m", 0.0254),
    ("1 ft", "m", 0.3048),
    ("1 yd", "m", 0.9144),
    ("1 mi", "m", 1609.344),
    ("1 mph", "m/s", 0.44704),
    ("1 km/h", "m/s", 1 / 3.6),
    ("1 ft/s", "m/s", 0.3048),
    ("1 fps", "m/s", 0.3048),
    ("1 kn", "m/s", 1852 / 3600),
    ("1 lb", "kg", POUND_KG),
    ("1 oz", "kg", 0.028349523125),
    ("1 grain", "kg", 64.79891e-6),
    ("1 psi", "Pa", 6894.757293168),
    ("1 bar", "Pa", 1e5),
    ("1 atm", "Pa", 101325.0),
    ("1 mmHg", "Pa", 133.322387415),
    ("0 degC", "K", 273.15),
    ("32 degF", "K", 273.15),
    ("212 degF", "K", 373.15),
    ("180 deg", "rad", math.pi),
]


@pytest.mark.parametrize(("text", "unit", "value"), EXACT, ids=[text for text, *_ in EXACT])
def test_a_unit_is_what_it_is_defined_as(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("unit", "value"),
    [("km/h", constants.kmh), ("mph", constants.mph), ("ft/s", constants.foot), ("m/s", 1.0)],
)
def test_speed_units_agree_with_scipy_s_constants(unit: str, value: float) -> None:
    assert SPEED_UNITS[unit] == pytest.approx(value, rel=1e-15)
