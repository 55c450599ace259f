"""Flight with quadratic drag: J. R. Taylor, Classical Mechanics, example 2.6.

A baseball thrown at 30 m/s under 50°, terminal speed 35 m/s, g = 9.8 m/s². The book says
about 59 m against 90 m in a vacuum (from memory); the digits were computed by DOP853 with
a tolerance of 1e-12 from the published equation of motion.
"""

import math

import pytest

from chrono.physics.trajectory import fly


def test_range_apex_and_time_are_those_of_the_example():
    kappa = 9.8 / 35**2
    path = fly(30.0, math.radians(50), lambda v: kappa * v**2, 9.8)

    assert path.range_m == pytest.approx(59, abs=1)
    assert path.range_m == pytest.approx(58.5157, abs=1e-4)
    assert path.time_s[-1] == pytest.approx(4.11477, abs=1e-5)
    assert path.apex_m == pytest.approx(20.8325, abs=1e-4)


def test_range_in_a_vacuum_is_that_of_the_example():
    path = fly(30.0, math.radians(50), lambda _: 0.0, 9.8)

    assert path.range_m == pytest.approx(90.4415, abs=1e-4)
