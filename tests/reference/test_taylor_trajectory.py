"""Flight with quadratic drag: J. R. Taylor, Classical Mechanics, example 2.6.

A baseball thrown at 30 m/s under 50°, terminal speed 35 m/s, g = 9.8 m/s². The book says
about 59 m against 90 m in a vacuum (from memory); the digits are those of a Runge–Kutta
method written out in the tests' own kit.
"""

import math

import pytest
from thrown import throw

from chrono.physics.trajectory import fly


def test_range_apex_and_time_are_those_of_the_example():
    kappa = 9.8 / 35**2
    path = fly(30.0, math.radians(50), lambda v: kappa * v**2, 9.8)

    assert path.range_m == pytest.approx(59, abs=1)
    range_m, time_s, apex_m = throw(30.0, 50.0, kappa, 9.8)
    assert path.range_m == pytest.approx(range_m, abs=1e-4)
    assert path.time_s[-1] == pytest.approx(time_s, abs=1e-5)
    assert path.apex_m == pytest.approx(apex_m, abs=1e-4)


def test_range_in_a_vacuum_is_that_of_the_example():
    path = fly(30.0, math.radians(50), lambda _: 0.0, 9.8)

    assert path.range_m == pytest.approx(90, abs=1)
    assert path.range_m == pytest.approx(30**2 * math.sin(math.radians(100)) / 9.8, abs=1e-4)
