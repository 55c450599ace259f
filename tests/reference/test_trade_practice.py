"""Plausibility of falls and launches that people of the trade report.

Common practice, no source: none of these numbers is a measurement, the bounds are wide.
"""

import math

import pytest
from scipy.optimize import brentq, minimize_scalar

from chrono.physics.free_fall import fall_speed, fall_time, fall_to
from chrono.physics.trajectory import fly

MPH, FOOT, G = 0.44704, 0.3048, 9.80665


def drag_of_terminal_speed(terminal_mph):
    return G / (terminal_mph * MPH) ** 2


def distance_ft(speed_mph, elevation_rad, kappa):
    return fly(speed_mph * MPH, elevation_rad, lambda v: kappa * v**2, G).range_m / FOOT


def fitted_terminal_mph(speed_mph, range_ft):
    return brentq(
        lambda terminal: (
            distance_ft(speed_mph, math.radians(45), drag_of_terminal_speed(terminal))
            - range_ft
        ),
        40.0,
        400.0,
    )


def test_a_light_body_reaches_its_terminal_speed_in_800_ft_and_10_s():
    """A light body whose terminal speed is about 70 mph."""
    kappa = drag_of_terminal_speed(70.0)

    assert fall_time(800 * FOOT, kappa, G) == pytest.approx(10.0, rel=0.02)
    assert fall_speed(800 * FOOT, kappa, G) / MPH == pytest.approx(70.0, rel=0.02)


def test_a_fall_of_1_1_s_ends_near_22_mph():
    kappa = drag_of_terminal_speed(70.0)
    found = fall_to("time", 1.1, lambda v: kappa * v**2, G).speed_mps[-1] / MPH

    assert found == pytest.approx(22.0, rel=0.08)


@pytest.mark.parametrize(("speed_mph", "range_ft"), [(160, 650), (160, 675), (284, 900)])
def test_two_reported_distances_give_one_terminal_speed(speed_mph, range_ft):
    """Launched at 45°: 650 … 700 ft at about 160 mph, near 900 ft at about 284 mph.

    The far end of the first, 700 ft, would ask for 107 mph.
    """
    assert 90 <= fitted_terminal_mph(speed_mph, range_ft) <= 105


@pytest.mark.parametrize("speed_mph", [160, 284])
def test_the_best_angle_lies_below_45_degrees(speed_mph):
    kappa = drag_of_terminal_speed(97.0)
    best = minimize_scalar(
        lambda angle: -distance_ft(speed_mph, angle, kappa),
        bounds=(math.radians(20), math.radians(60)),
        method="bounded",
    ).x

    assert math.radians(30) < best < math.radians(44)
