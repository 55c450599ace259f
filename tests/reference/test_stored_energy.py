"""Stored energy, against worked examples that others published; the source stands at each."""

import math

import numpy as np
import pytest

from chrono.physics.stored_energy import (
    elastic_work,
    gas_work,
    kinetic_energy,
    tube_limit,
    tube_work,
)

INCH, POUND_FORCE, ATM = 0.0254, 4.4482216152605, 101325.0
NEAR_NOTHING_PA = 1e-9


def test_isothermal_expansion_of_two_moles():
    """2 mol at 300 K from 2 L to 6 L: 5480 J (notetube.ai, "Worked numericals", no. 1)."""
    pressure = 2 * 8.314 * 300 / 2e-3
    found = gas_work(2e-3, pressure, NEAR_NOTHING_PA, 4e-3).isothermal_j

    assert found == pytest.approx(5480, abs=1)


def test_adiabatic_expansion_of_air_in_a_cylinder():
    """From 1.2 to 12 in³, first 600 lbf/in²: 1083.41 in·lbf (freemathhelp.com, 75474)."""
    found = gas_work(
        1.2 * INCH**3, 600 * POUND_FORCE / INCH**2, NEAR_NOTHING_PA, 10.8 * INCH**3
    ).adiabatic_j

    assert found / (INCH * POUND_FORCE) == pytest.approx(1083.41, abs=0.01)


def test_stored_energy_of_a_tank_that_empties_to_the_atmosphere():
    """100 L at 8 bar gauge, p_a = 1 bar: about 118 kJ isothermal, by E = V·(p·ln(p/p_a) − p +
    p_a) ("How to calculate energy stored in compressed air", calculator5.snowdaycalculatornow
    .com, post 9143)."""
    assert gas_work(0.1, 8e5, 1e5).isothermal_j == pytest.approx(117_750, rel=1e-3)


def test_adiabatic_stored_energy_is_that_of_the_pressure_test_rule():
    """E = 2.5·p·V·(1 − (p_a/p)^0.286), ASME PCC-2, 501-II, eq. II-2 (as piping-world.com quotes
    it): all the work of the gas, what it does on the atmosphere included."""
    volume, pressure, ambient = 0.5, 1.2e6, 101_000.0
    rule = 2.5 * pressure * volume * (1 - (ambient / pressure) ** 0.286)
    pushed = ambient * volume * ((pressure / ambient) ** (1 / 1.4) - 1)

    found = gas_work(volume, pressure - ambient, ambient).adiabatic_j
    assert found + pushed == pytest.approx(rule, rel=1e-3)  # 0.286 is 2/7 rounded


def test_a_curve_of_draw_and_force_whose_area_is_100_j():
    """F = 4·F₀·(x·x₀ − x²)/x₀², F₀ = 200 N, x₀ = 0.75 m: 2/3·F₀·x₀ = 100 J, and 89 m/s for
    25 g (worked solution of problem 6.84, Young & Freedman, as coursehero.com shows it)."""
    draw = np.linspace(0, 0.75, 31)
    work, between = elastic_work(draw, 4 * 200 / 0.75**2 * (0.75 * draw - draw**2))

    assert work == pytest.approx(100, abs=0.2)
    assert abs(work - 100) < 2 * between
    assert kinetic_energy(0.025, 89.0) == pytest.approx(100, abs=1.5)


def test_the_zeroth_estimate_of_a_ball_in_an_evacuated_tube():
    """r = 20 mm, 1e5 Pa, 3 m, 2.7 g: 125.6 N and 528 m/s at constant force (R. Allain, "Super
    fast ping-pong ball gun", 2012); far above what the air behind it allows."""
    work = tube_work(0.04, 3.0, 1e5)

    assert work / 3.0 == pytest.approx(125.6, abs=0.1)
    assert math.sqrt(2 * work / 0.0027) == pytest.approx(528, abs=1)


def test_the_limiting_speed_lies_well_below_that_of_sound():
    """√(p/ρ), "significantly lower than the speed of sound" (E. Ayars and L. Buchholtz, Am. J.
    Phys. 72 (2004) 961, abstract); speed of sound by ISO 2533 at 15 °C, 1.225 kg/m³."""
    assert tube_limit(ATM, 1.225) == pytest.approx(340.294 / math.sqrt(1.4), rel=1e-4)
