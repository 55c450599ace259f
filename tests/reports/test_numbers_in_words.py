"""Numbers keep the digits that were promised, zeros at their end too."""

import numpy as np
import pytest

from chrono.measuring.series_statistics import series_statistics
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
