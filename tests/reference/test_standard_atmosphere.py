"""Standard atmosphere, ISO 2533 and U.S. Standard Atmosphere 1976.

Values read from the packages ambiance 1.3.1 (ISO 2533) and fluids 1.3.1 (US 1976), which
are asked again here, and from the standards' sea level constants.
"""

import ambiance
import pytest
from fluids.atmosphere import ATMOSPHERE_1976

from chrono.physics.air_and_gravity import (
    dynamic_viscosity,
    moist_air_density,
    normal_gravity,
    speed_of_sound,
    standard_pressure,
)


def test_sea_level_has_the_standards_constants():
    assert standard_pressure(0.0) == 101325.0
    assert dynamic_viscosity(288.15) == pytest.approx(1.7894e-5, abs=5e-10)


def test_5000_m_has_the_tabulated_pressure_and_viscosity():
    assert standard_pressure(5000.0) == pytest.approx(54048.3, abs=0.1)
    assert dynamic_viscosity(255.6755) == pytest.approx(1.62825e-5, abs=1e-10)


@pytest.mark.parametrize("altitude_m", [0.0, 5000.0, 8848.0])
def test_sound_has_the_speed_of_the_standard(altitude_m):
    """340.294 m/s at sea level, 320.545 m/s at 5000 m (ISO 2533 by ambiance)."""
    iso = ambiance.Atmosphere(altitude_m)

    assert speed_of_sound(float(iso.pressure[0]), float(iso.density[0])) == pytest.approx(
        float(iso.speed_of_sound[0]), rel=1e-5
    )


@pytest.mark.parametrize("altitude_m", [-1000.0, 0.0, 100.0, 1500.0, 3000.0, 8848.0])
def test_pressure_and_viscosity_agree_with_two_packages(altitude_m):
    iso, us = ambiance.Atmosphere(altitude_m), ATMOSPHERE_1976(altitude_m)

    assert standard_pressure(altitude_m) == pytest.approx(float(iso.pressure[0]), rel=1e-6)
    assert standard_pressure(altitude_m) == pytest.approx(us.P, rel=1e-5)
    assert dynamic_viscosity(us.T) == pytest.approx(us.mu, rel=1e-5)


@pytest.mark.parametrize("altitude_m", [0.0, 1500.0, 3000.0])
def test_dry_air_of_the_standard_atmosphere_has_its_density(altitude_m):
    """CIPM-2007 has carbon dioxide and argon of today: 0.05 % more."""
    iso = ambiance.Atmosphere(altitude_m)
    found = moist_air_density(float(iso.temperature[0]), float(iso.pressure[0]), 0.0)

    assert found == pytest.approx(float(iso.density[0]), rel=1e-3)


def test_gravity_at_45_degrees_falls_with_height_as_in_the_standard():
    """ISO 2533 at 5000 m has 9.79124 m/s² for a sea level value of 9.80665 m/s²."""
    ratio = normal_gravity(0.7853981633974483, 5000.0) / normal_gravity(0.7853981633974483)

    assert ratio == pytest.approx(9.79124 / 9.80665, rel=1e-5)
