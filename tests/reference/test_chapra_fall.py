"""Fall with quadratic drag: S. Chapra, Applied Numerical Methods, example 1.1.

A jumper of 68.1 kg with a drag of 0.25 kg/m, g = 9.81 m/s². Speeds as in the book's table,
read in the test suite of Cody problem 1846; heights computed from the published formula.
"""

import pytest

from chrono.physics.free_fall import fall_speed, fall_to, terminal_speed_of

KAPPA, G = 0.25 / 68.1, 9.81


def drag(v):
    return KAPPA * v**2


@pytest.mark.parametrize(
    ("time_s", "speed_mps"),
    [
        (2, 18.7292),
        (4, 33.1118),
        (6, 42.0762),
        (8, 46.9575),
        (10, 49.4214),
        (12, 50.6175),
        (30, 51.6926),
    ],
)
def test_speed_after_a_time_is_that_of_the_table(time_s, speed_mps):
    assert fall_to("time", time_s, drag, G).speed_mps[-1] == pytest.approx(speed_mps, abs=1e-4)


@pytest.mark.parametrize(
    ("time_s", "height_m", "speed_mps"),
    [
        (2, 19.1663, 18.7292),
        (4, 71.9304, 33.1118),
        (6, 147.9462, 42.0762),
        (8, 237.5104, 46.9575),
        (10, 334.1782, 49.4214),
        (12, 434.3623, 50.6175),
    ],
)
def test_height_fallen_belongs_to_the_speed(time_s, height_m, speed_mps):
    """Heights computed from h = v_t²/g·ln cosh(g·t/v_t)."""
    assert fall_to("time", time_s, drag, G).height_m[-1] == pytest.approx(height_m, abs=1e-4)
    assert fall_speed(height_m, KAPPA, G) == pytest.approx(speed_mps, abs=1e-4)


def test_terminal_speed_is_that_of_the_table():
    assert terminal_speed_of(drag, G) == pytest.approx(51.6938, abs=1e-4)
