"""Normal gravity of WGS 84: NIMA TR8350.2 constants, the package boule, a manual's example."""

import math

import boule
import pytest

from chrono.physics.air_and_gravity import normal_gravity

MGAL = 1e-5


@pytest.mark.parametrize(
    ("latitude_deg", "expected"),
    [(0, 9.7803253359), (45, 9.8061977694), (90, 9.8321849379), (-90, 9.8321849379)],
)
def test_gravity_on_the_ellipsoid_is_the_published_one(latitude_deg, expected):
    """Equator and pole: NIMA TR8350.2, read in the constants of the crate sidereon-core;
    45°: boule 0.6.0."""
    assert normal_gravity(math.radians(latitude_deg)) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("latitude_deg", [0, 15, 30, 50, 60, 75, 90])
@pytest.mark.parametrize("height_m", [0.0, 100.0, 1000.0, 5000.0])
def test_gravity_agrees_with_boule(latitude_deg, height_m):
    """boule has the closed form for any height; the series is within 5e-7 m/s² at 5 km."""
    expected = boule.WGS84.normal_gravity((0.0, float(latitude_deg), height_m)) * MGAL

    found = normal_gravity(math.radians(latitude_deg), height_m)
    assert found == pytest.approx(float(expected), abs=5e-7)


def test_gravity_with_height_is_that_of_a_manual():
    """55°, 5000 m: 9.7997 m/s² by the Taylor series; MathWorks, manual of gravitywgs84."""
    assert normal_gravity(math.radians(55), 5000.0) == pytest.approx(9.7997, abs=5e-5)


def test_conventional_standard_gravity_lies_near_45_degrees():
    """g_n = 9.80665 m/s² exactly, 3rd CGPM (1901)."""
    assert normal_gravity(math.radians(45.5)) == pytest.approx(9.80665, abs=1e-4)
