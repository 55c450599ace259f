"""A baseball thrown straight up: schoolphysics.co.uk (a problem after Serway).

Terminal speed 42.5 m/s, thrown at 36 m/s, 0.142 kg, g = 9.81 m/s². Inputs and the drag
of about 1 N at 36 m/s as printed; the rest computed from the published closed forms.
"""

import math

import numpy as np
import pytest

from chrono.physics.free_fall import fall_speed, fall_time, terminal_speed_of
from chrono.physics.trajectory import fly

G, THROWN, TERMINAL, MASS = 9.81, 36.0, 42.5, 0.142
KAPPA = G / TERMINAL**2


def test_terminal_speed_is_the_printed_one_for_the_printed_drag():
    """Drag of 0.00077 kg/m, which is 1 N at 36 m/s, and 0.142 kg: 42.5 m/s."""
    for drag_kg_per_m in (0.00077, 1.0 / THROWN**2):
        found = terminal_speed_of(lambda v, k=drag_kg_per_m / MASS: k * v**2, G)
        assert found == pytest.approx(TERMINAL, rel=2e-3)


def test_height_times_and_speed_of_return_are_those_computed():
    path = fly(THROWN, math.pi / 2, lambda v: KAPPA * v**2, G, points=4001)

    assert path.apex_m == pytest.approx(49.7938, abs=1e-4)
    assert path.speed_mps[-1] == pytest.approx(27.4696, abs=1e-4)
    assert path.time_s[-1] == pytest.approx(3.04468 + 3.33153, abs=2e-5)
    assert path.time_s[np.argmax(path.height_m)] == pytest.approx(3.04468, abs=2e-3)


def test_the_way_down_is_a_fall_from_rest():
    assert fall_speed(49.7938, KAPPA, G) == pytest.approx(27.4696, abs=1e-4)
    assert fall_time(49.7938, KAPPA, G) == pytest.approx(3.33153, abs=2e-5)
