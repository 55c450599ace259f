"""Flight with quadratic drag: an exercise text (wizedu), inputs read there.

35 m/s under 42°, drag 0.002 per metre, g = 9.8 m/s²; results computed by DOP853 with a
tolerance of 1e-12 from the published equation of motion.
"""

import math

import pytest

from chrono.physics.trajectory import fly


def test_range_apex_and_time_are_those_computed():
    path = fly(35.0, math.radians(42), lambda v: 0.002 * v**2, 9.8)

    assert path.range_m == pytest.approx(105.0920, abs=1e-4)
    assert path.time_s[-1] == pytest.approx(4.56145, abs=1e-5)
    assert path.apex_m == pytest.approx(25.5150, abs=1e-4)


def test_range_in_a_vacuum_is_that_computed():
    path = fly(35.0, math.radians(42), lambda _: 0.0, 9.8)

    assert path.range_m == pytest.approx(124.3152, abs=1e-4)
