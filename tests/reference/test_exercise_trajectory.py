"""Flight with quadratic drag: an exercise text (wizedu), inputs read there.

35 m/s under 42°, drag 0.002 per metre, g = 9.8 m/s²; results computed from the
published equation of motion by a Runge–Kutta method written out in the tests' own kit.
"""

import math

import pytest
from thrown import throw

from chrono.physics.trajectory import fly


def test_range_apex_and_time_are_those_computed():
    path = fly(35.0, math.radians(42), lambda v: 0.002 * v**2, 9.8)

    range_m, time_s, apex_m = throw(35.0, 42.0, 0.002, 9.8)
    assert path.range_m == pytest.approx(range_m, abs=1e-4)
    assert path.time_s[-1] == pytest.approx(time_s, abs=1e-5)
    assert path.apex_m == pytest.approx(apex_m, abs=1e-4)


def test_range_in_a_vacuum_is_that_of_the_parabola():
    """v²·sin 2α/g."""
    path = fly(35.0, math.radians(42), lambda _: 0.0, 9.8)

    assert path.range_m == pytest.approx(35**2 * math.sin(math.radians(84)) / 9.8, abs=1e-4)
