"""Falling spheres with the full drag correlation: examples of the fluids manual (1.3.1)."""

import math

import pytest
from scipy.optimize import brentq

from chrono.physics.sphere_drag import reynolds_number, sphere_drag_coefficient
from chrono.physics.trajectory import fly


def deceleration(diameter_m, solid, density, viscosity):
    """Deceleration of a sphere of a density [kg/m³] by the drag of the correlation."""

    def by_drag(speed):
        reynolds = reynolds_number(max(speed, 1e-9), diameter_m, density, viscosity)
        coefficient = float(sphere_drag_coefficient(reynolds))
        return 3 * coefficient * density * speed**2 / (4 * diameter_m * solid)

    return by_drag


def test_a_grain_thrown_down_slows_as_in_the_manual():
    """integrate_drag_sphere: 1 mm, 2200 kg/m³, air 1.2 kg/m³, 1.78e-5 Pa s, thrown at
    30 m/s: after 0.5 s 9.68646 m/s and 7.82945 m. The correlations differ by some per cent."""
    gravity = 9.80665 * (1 - 1.2 / 2200)
    drag = deceleration(0.001, 2200.0, 1.2, 1.78e-5)
    path = fly(30.0, -math.pi / 2, drag, gravity, height_m=7.82945)

    assert path.time_s[-1] == pytest.approx(0.5, rel=0.03)
    assert path.speed_mps[-1] == pytest.approx(9.68646, rel=0.03)


def test_terminal_speed_is_that_of_the_handbook_example():
    """v_terminal: GPSA Engineering Data Book, 13th edition, example 7-1: 150 um, 31.2 and
    2.07 lb/ft³, 0.012 cP; 0.46 ft/s in the book, 0.449199 ft/s by fluids."""
    pound_per_cubic_foot, foot = 0.45359237 / 0.3048**3, 0.3048
    solid, density = 31.2 * pound_per_cubic_foot, 2.07 * pound_per_cubic_foot
    drag = deceleration(150e-6, solid, density, 1.2e-5)
    weight = 9.80665 * (1 - density / solid)

    speed = brentq(lambda v: drag(v) - weight, 1e-3, 10.0)
    assert speed / foot == pytest.approx(0.449199, rel=0.03)
    assert speed / foot == pytest.approx(0.46, rel=0.05)
