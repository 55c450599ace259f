"""Quantities with units at the edges, and how many digits a speed is shown with."""

import contextlib
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chrono.errors import UnitError
from chrono.units import (
    EVERYDAY_UNITS,
    KINDS,
    SPEED_UNITS,
    convert,
    format_speed,
    format_value,
    four_digits,
    parse_acceleration,
    parse_measured,
    parse_quantity,
    quote,
    significant_decimals,
    speed_in,
)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("300 mm", "m", 0.3),
        (" 300.0mm ", "m", 0.3),
        ("+3e2 mm", "m", 0.3),
        ("-0.5 us", "s", -0.5e-6),
        ("4 µs", "s", 4e-6),
        ("16 MHz", "Hz", 16e6),
        ("18 degC", "K", 291.15),
        ("18 °C", "K", 291.15),
        ("60 %", "", 0.6),
        ("0.6", "", 0.6),
        ("50 ppm", "", 50e-6),
        ("1005 hPa", "Pa", 100500.0),
        ("90 km/h", "m/s", 25.0),
        ("180 deg", "rad", 3.141592653589793),
        ("24 g", "kg", 0.024),
    ],
)
def test_a_number_with_its_unit_is_read_in_si(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-14)


@pytest.mark.parametrize("text", ["20 ± 1 m/s", "2e1 ± 1 m/s", "+20. +- 1 m/s", ".2e2±1e0m/s"])
def test_the_first_number_of_a_measured_value_may_leave_its_unit_to_the_second(text) -> None:
    assert parse_measured(text, "m/s") == (20.0, 1.0)


def test_an_uncertainty_may_be_nothing_and_may_not_be_negative() -> None:
    assert parse_measured("20 ± 0 m/s", "m/s") == (20.0, 0.0)
    assert parse_measured("20 m/s", "m/s") == (20.0, None)
    for text in ("20 ± -1 m/s", "20 ± m/s", "± 1 m/s", "20 ± 1 ± 2 m/s"):
        with pytest.raises(UnitError):
            parse_measured(text, "m/s")


def test_g_is_standard_gravity_in_an_acceleration_and_a_gram_in_a_mass() -> None:
    assert parse_acceleration("2 g") == 19.6133
    assert parse_acceleration("2 m/s^2") == 2.0
    assert parse_quantity("2 g", "kg") == 0.002
    with pytest.raises(UnitError):
        parse_acceleration("2 kg")


NUMBERS = st.floats(-1e6, 1e6) | st.decimals(-1000, 1000, places=3).map(float)


@given(number=NUMBERS, name=st.sampled_from([*EVERYDAY_UNITS, "degC"]))
def test_everyday_units_give_to_the_last_bit_what_pint_gives(number: float, name: str) -> None:
    unit, _ = EVERYDAY_UNITS.get(name, ("K", 1.0))
    assert parse_quantity(f"{number:.17f} {name}", unit) == convert(
        float(f"{number:.17f}"), name, unit
    )
    for other in KINDS:
        refused = convert(number, name, other) is None
        assert refused == (other != unit), "pint takes it for another kind"


def test_an_ordinary_rig_is_read_without_the_library_of_units() -> None:
    program = (
        "import sys, chrono.virtual.scenarios as v, chrono.rigs.rig_file as f\n"
        "from chrono.rigs.starter_rig import starter_text\n"
        "f.parse_rig(v.rig_text(v.SCENARIOS['two-bands']))\n"
        "f.parse_rig(starter_text(board='uno'))\n"
        "assert 'pint' not in sys.modules\n"
        "import chrono.units\n"
        "assert chrono.units.parse_quantity('1 in', 'm') == 0.0254\n"
        "assert 'pint' in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("300 kg", "m"),
        ("300", "m"),
        ("mm", "m"),
        ("", "m"),
        ("nan m", "m"),
        ("inf m", "m"),
        ("1e308 km", "m"),
        ("3,5 mm", "m"),
        ("300 mm 3", "m"),
        ("9**9**9 m", "m"),
        ("3 m*9**9**9", "m"),
        ("3 m^99999", "m"),
        ("3 furlongz", "m"),
        ("3 m/", "m"),
        ("3 __import__('os')", "m"),
        ("٣ mm", "m"),
        ("5 deg", ""),
        ("5 %", "rad"),
        ("600 rpm", "Hz"),
        ("3 " + "m" * 1000, "m"),
    ],
)
def test_what_is_no_quantity_of_the_wanted_kind_is_refused(text: str, unit: str) -> None:
    with pytest.raises(UnitError) as error:
        parse_quantity(text, unit, where="--speed")
    assert error.value.where == "--speed"
    assert error.value.hint.startswith("write a")
    assert len(error.value.message) < 150


def test_a_refusal_names_the_text_the_kind_and_an_example() -> None:
    with pytest.raises(UnitError) as error:
        parse_quantity("300 kg", "m")
    assert str(error.value) == (
        '"300 kg" was given, but a length is needed\n'
        '  do: write a length with its unit, such as "300 mm"'
    )


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused_and_never_fails_otherwise(text: str) -> None:
    with contextlib.suppress(UnitError):
        assert isinstance(parse_quantity(text, "m"), float)


@given(st.floats(1e-3, 1e4), st.sampled_from(sorted(SPEED_UNITS)))
def test_a_speed_shown_in_any_unit_is_the_same_speed(speed_mps: float, unit: str) -> None:
    text = f"{speed_in(unit, speed_mps)!r} {unit}"
    assert parse_quantity(text, "m/s") == pytest.approx(speed_mps, rel=1e-14)


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "text"),
    [
        (45.1234, 0.1299, "m/s", "45.12 ± 0.13 m/s"),
        (45.1234, 0.0355, "m/s", "45.12 ± 0.04 m/s"),
        (45.1234, 0.0354, "m/s", "45.123 ± 0.035 m/s"),
        (45.1, 0.0097, "m/s", "45.100 ± 0.010 m/s"),
        (45.1, 12.3, "m/s", "45 ± 12 m/s"),
        (452.3, 96.0, "m/s", "450 ± 100 m/s"),
        (25.0, 0.1, "km/h", "90.0 ± 0.4 km/h"),
        (45.1234, 0.0, "m/s", "45.12 m/s"),
        (45.1234, float("nan"), "m/s", "45.12 m/s"),
        (float("nan"), 0.1, "m/s", "—"),
    ],
)
def test_a_speed_is_shown_to_the_digits_its_uncertainty_leaves(
    value: float, uncertainty: float, unit: str, text: str
) -> None:
    assert format_speed(value, uncertainty, unit) == text


@given(st.floats(1e-9, 1e9))
def test_the_shown_uncertainty_is_within_a_seventh_of_the_true_one(uncertainty: float) -> None:
    decimals = significant_decimals(uncertainty)
    assert round(uncertainty, decimals) == pytest.approx(uncertainty, rel=1 / 7)


def test_a_quoted_text_cannot_steer_a_terminal_and_stays_short() -> None:
    assert quote("a\x1b[31m\n") == '"a\\x1b[31m\\x0a"'
    assert len(quote("x" * 1000)) == 60
    assert quote("x" * 60) == f'"{"x" * 60}"'
    assert quote("x" * 61) == f'"{"x" * 57}…"'


@pytest.mark.parametrize("value", [-0.0, -0.00001, 0.00001])
def test_a_value_that_rounds_to_nothing_bears_no_minus(value: float) -> None:
    assert format_value(value, 0.0014) == "0.0000"
    assert format_value(-0.0014, 0.0014) == "-0.0014"


@pytest.mark.parametrize(
    ("value", "text"),
    [(1234.5, "1234"), (123456.0, "123500"), (1.5e-7, "0.00000015"), (0.1 + 0.2, "0.3")],
)
def test_four_digits_never_need_a_power_of_ten(value: float, text: str) -> None:
    assert four_digits(value) == text


@pytest.mark.parametrize("uncertainty", [0.0, -1.0, float("nan"), float("inf")])
def test_without_an_uncertainty_a_value_has_three_decimals(uncertainty: float) -> None:
    assert format_value(45.12345, uncertainty) == "45.123"
