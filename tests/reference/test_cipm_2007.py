"""Density of moist air against worked examples of other texts.

Sources, all read as the test values of the CRAN package masscor (tests of R/airDensity.R):
Gupta, Mass Metrology, p. 205; NISTIR 6969, SOP 2, appendix B (Jones' formula); the
approximation of OIML R 111. A millimetre of mercury is 133.322 Pa.
"""

import math

import pytest

from chrono.physics.air_and_gravity import moist_air_density, vapour_fraction

MMHG_PA = 133.322


@pytest.mark.parametrize(
    ("celsius", "pressure_mmhg", "humidity", "expected", "relative"),
    [
        (10.0, 730.0, 0.40, 1.19569, 1e-5),  # Gupta p. 205
        (40.0, 760.0, 0.40, 1.11497, 1e-4),  # Gupta p. 205, with the argon of CIPM-81/91
        (22.3, 748.1, 0.37, 1.17194, 1e-4),  # NISTIR 6969 SOP 2, Jones' formula
        (23.4, 612.3, 0.23, 0.95632, 1e-4),  # NISTIR 6969 SOP 2, Jones' formula
        (25.0, 760.0, 0.40, 1.1787, 4e-5),  # OIML R 111 approximation
    ],
)
def test_density_is_that_of_the_worked_example(
    celsius, pressure_mmhg, humidity, expected, relative
):
    found = moist_air_density(celsius + 273.15, pressure_mmhg * MMHG_PA, humidity)

    assert found == pytest.approx(expected, rel=relative)


@pytest.mark.parametrize(
    ("celsius", "pressure_pa", "humidity", "expected"),
    [
        (20.0, 101325.0, 0.5, 1.1993139),
        (20.0, 101325.0, 0.0, 1.2045573),
        (15.0, 101325.0, 0.0, 1.2255213),
        (23.0, 101325.0, 0.5, 1.1860841),
        (20.0, 100000.0, 0.5, 1.1835566),
    ],
)
def test_density_is_that_of_the_published_formula(celsius, pressure_pa, humidity, expected):
    """Computed from the published formula, Picard et al., Metrologia 45 (2008) 149."""
    found = moist_air_density(celsius + 273.15, pressure_pa, humidity)

    assert found == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize("celsius", [5.0, 15.0, 20.0, 27.0])
@pytest.mark.parametrize(("vapour", "growth"), [(0.009, 0.061), (0.009024, 0.0612)])
def test_density_agrees_with_the_approximation_of_the_weighing_rooms(celsius, vapour, growth):
    """
    (0.34848·p − a·h·exp(b·t))/(273.15 + t), p in hPa, h in %, t in °C.

    a = 0.009, b = 0.061: OIML R 111-1:2004, E.3 (from memory, as is its uncertainty, 2e-4);
    a = 0.009024, b = 0.0612: as the R package masscor has it.
    """
    for humidity in (0.2, 0.5, 0.8):
        moist = vapour * 100 * humidity * math.exp(growth * celsius)
        expected = (0.34848 * 1013.25 - moist) / (273.15 + celsius)

        found = moist_air_density(celsius + 273.15, 101325.0, humidity)
        assert found == pytest.approx(expected, rel=5e-4)


def test_saturated_vapour_at_20_degrees_has_2339_pa():
    """Handbook value of the saturation pressure over water (from memory)."""
    assert vapour_fraction(293.15, 101325.0, 1.0) * 101325.0 == pytest.approx(2339.0, rel=5e-3)
