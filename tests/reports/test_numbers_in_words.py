"""Numbers keep the digits that were promised, zeros at their end too."""

import math

import numpy as np
import pytest

from chrono.measuring.series_statistics import series_statistics
from chrono.reports.number_format import NumberFormat, number_format_of
from chrono.reports.setup_words import (
    mean_text,
    motion_text,
    spread_texts,
    three_digits,
    two_digits,
)


@pytest.mark.parametrize(
    ("value", "two", "three"),
    [
        (0.4, "0.40", "0.400"),
        (1.0, "1.0", "1.00"),
        (0.00016, "0.00016", "0.000160"),
        (5.999, "6.0", "6.00"),
        (9.96, "10", "9.96"),
        (12.0, "12", "12.0"),
        (99.6, "100", "99.6"),
        (99.96, "100", "100"),
        (150.4, "150", "150"),
        (-0.5, "-0.50", "-0.500"),
        (float("inf"), "inf", "inf"),
    ],
)
def test_values_have_two_or_three_digits(value: float, two: str, three: str) -> None:
    assert two_digits(value) == two
    assert three_digits(value) == three


def test_energy_and_momentum_of_a_ball_have_three_digits() -> None:
    # ½·0.024·22.361² = 6.000 J and 0.024·22.361 = 0.5367 N·s, by hand
    assert motion_text(22.361, 0.024) == "6.00 J · 0.537 N·s"


def test_one_shot_has_a_speed_and_two_have_a_mean_and_a_spread() -> None:
    # the standard deviation of 21 and 23 is √2, by hand
    def series(*speeds_mps: float):
        u_mps = np.full(len(speeds_mps), 0.01)
        return series_statistics(np.array(speeds_mps), u_mps, u_mps, [])

    name, speed = mean_text(series(22.0), "m/s")
    assert name == "speed"
    assert speed.startswith("22.0")
    assert spread_texts(series(22.0), "m/s") == []
    name, _ = mean_text(series(21.0, 23.0), "m/s")
    assert name == "mean"
    spread = {what: float(text) for what, text in spread_texts(series(21.0, 23.0), "m/s")}
    assert spread == {"s": 1.41, "median": 22, "min": 21, "max": 23, "range": 2}


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.0, 3, "0.00"),
        (0.05, 3, "0.0500"),
        (1.0, 3, "1.00"),
        (22.361, 4, "22.36"),
        (-9.5, 2, "-9.5"),
        (123456.0, 3, "123456"),
        (math.inf, 3, "∞"),
    ],
)
def test_a_number_of_a_class_has_the_digits_asked_for(value, digits, text) -> None:
    assert NumberFormat().number(value, digits) == text
    assert NumberFormat(decimal_comma=True).number(value, digits) == text.replace(".", ",")


@pytest.mark.parametrize(
    ("time_s", "text"),
    [
        (1.0, "1000 ms"),
        (1e-3, "1 ms"),
        (0.999e-3, "0.999 ms"),
        (0.998e-3, "998 µs"),
        (62.5e-9, "62.5 ns"),
        (0.0, "0 ns"),
    ],
)
def test_a_short_time_has_a_suitable_unit(time_s: float, text: str) -> None:
    assert NumberFormat().stated_time(time_s) == text


def test_a_class_reads_values_in_its_units() -> None:
    """36 km/h are 10 m/s; an inch has 25.4 mm."""
    units = number_format_of("km/h, in, us", "m/s", decimal_comma=True)
    assert units.in_speed(10.0) == pytest.approx(36.0)
    assert units.stated_length(0.0381) == "1,5 in"
    assert units.in_time(25e-6) == pytest.approx(25.0)
    assert units.time_unit == "µs"
    assert units.to_uncertainty(22.3614, 0.05) == "22,36"
    assert number_format_of("", "ft/s", decimal_comma=False) == NumberFormat(speed="ft/s")
