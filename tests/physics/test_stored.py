"""Stored energies: limits, integration, and launches that can never carry more."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from chrono.physics.stored_energy import (
    elastic_work,
    gas_work,
    kinetic_energy,
    tube_limit,
    tube_speed,
    tube_work,
)

ATM = 101325.0
VOLUMES = st.floats(1e-5, 1e-2)
GAUGES = st.floats(1e2, 2e6)
SWEPT = st.floats(1e-6, 0.1)


@settings(max_examples=50)
@given(volume=VOLUMES, gauge=GAUGES, swept=SWEPT)
@pytest.mark.parametrize(("limit", "exponent"), [("isothermal_j", 1.0), ("adiabatic_j", 1.4)])
def test_gas_works_as_the_integral_of_its_pressure(limit, exponent, volume, gauge, swept):
    pressure = ATM + gauge
    end = min(volume + swept, volume * (pressure / ATM) ** (1 / exponent))
    expected, _ = quad(lambda v: pressure * (volume / v) ** exponent - ATM, volume, end)

    found = getattr(gas_work(volume, gauge, ATM, swept), limit)
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-9)


@given(volume=VOLUMES, gauge=GAUGES, swept=SWEPT)
def test_no_heat_gives_less_than_all_the_heat_and_a_long_way_more_than_a_short(
    volume, gauge, swept
):
    part, whole = gas_work(volume, gauge, ATM, swept), gas_work(volume, gauge, ATM)

    assert 0 < part.adiabatic_j <= part.isothermal_j * (1 + 1e-9)
    assert part.isothermal_j <= whole.isothermal_j * (1 + 1e-9)
    assert part.adiabatic_j <= whole.adiabatic_j * (1 + 1e-9)
    assert part.isothermal_j <= gauge * swept


@given(volume=VOLUMES, swept=SWEPT)
def test_a_little_pressure_or_a_short_way_is_pressure_times_swept_volume(volume, swept):
    short = gas_work(volume, 5e5, ATM, 1e-7 * volume)

    assert short.isothermal_j == pytest.approx(5e5 * 1e-7 * volume, rel=1e-5)
    assert short.adiabatic_j == pytest.approx(5e5 * 1e-7 * volume, rel=1e-5)


@settings(max_examples=100, deadline=None)
@given(
    volume=st.floats(1e-4, 2e-3),
    gauge=st.floats(5e4, 8e5),
    mass=st.floats(2e-3, 0.2),
    bore=st.floats(0.02, 0.06),
    length=st.floats(0.2, 2.0),
    exponent=st.sampled_from([1.0, 1.2, 1.4]),
    leak=st.floats(0.0, 0.5),
    friction=st.floats(0.0, 20.0),
)
def test_no_launch_by_gas_carries_more_than_the_bounds(
    volume, gauge, mass, bore, length, exponent, leak, friction
):
    """Pushed by polytropic gas, part of it lost by a valve, with friction, in a barrel."""
    area = math.pi * bore**2 / 4

    def push(_, state):
        x, v = state
        pressure = (ATM + gauge) * (volume / (volume + area * x)) ** exponent
        force = (pressure - ATM) * (1 - leak) * area
        if v <= 0 and force <= friction:  # friction holds a body, it never pulls one back
            return [0.0, 0.0]
        return [v, (force - friction) / mass]

    def out(_, state):
        return state[0] - length

    def stops(_, state):
        return state[1] + 1e-9

    out.terminal = stops.terminal = True
    path = solve_ivp(push, (0, 2.0), [0.0, 0.0], events=(out, stops), rtol=1e-8)
    carried = kinetic_energy(mass, float(path.y[1].max()))

    bound = gas_work(volume, gauge, ATM, area * length)
    assert carried <= bound.isothermal_j * (1 + 1e-6)
    if exponent == 1.4:
        assert carried <= bound.adiabatic_j * (1 + 1e-6)


@settings(max_examples=50)
@given(
    mass=st.floats(1e-3, 0.5),
    bore=st.floats(5e-3, 0.1),
    length=st.floats(0.01, 20.0),
    residual=st.floats(0.0, 9e4),
)
def test_no_evacuated_tube_gives_more_than_its_bounds(mass, bore, length, residual):
    speed = tube_speed(mass, bore, length, ATM, 1.2, residual)

    assert speed < tube_limit(ATM, 1.2, residual)
    assert kinetic_energy(mass, speed) < tube_work(bore, length, ATM, residual)


def test_a_tube_leads_from_constant_force_to_its_limiting_speed():
    short = tube_speed(0.024, 0.041, 0.01, ATM, 1.2)
    work = tube_work(0.041, 0.01, ATM)

    assert kinetic_energy(0.024, short) == pytest.approx(work, rel=2e-3)
    assert tube_speed(0.024, 0.041, 1e5, ATM, 1.2) == pytest.approx(tube_limit(ATM, 1.2))


def test_the_highest_speed_of_a_tube_is_that_of_the_pressure_difference():
    """By hand: √(80 000 Pa / 1.25 kg/m³) = √64 000 m/s."""
    limit = tube_limit(100e3, 1.25, 20e3)

    assert limit == pytest.approx(252.98, abs=0.01)
    assert tube_speed(0.024, 0.041, 1e5, 100e3, 1.25, 20e3) == pytest.approx(limit)


def test_the_tube_follows_the_momentum_of_body_and_air():
    """d((m + ρAx)·v)/dt = p·A integrated step by step."""
    mass, bore, length, density = 0.0027, 0.04, 2.0, 1.2
    area = math.pi * bore**2 / 4

    def push(_, state):
        x, momentum = state
        return [momentum / (mass + density * area * x), ATM * area]

    def out(_, state):
        return state[0] - length

    out.terminal = True
    path = solve_ivp(push, (0, 1.0), [0.0, 0.0], events=out, rtol=1e-11, atol=1e-14)
    end = path.y[1, -1] / (mass + density * area * length)

    assert tube_speed(mass, bore, length, ATM, density) == pytest.approx(end, rel=1e-8)


def test_an_elastic_holds_the_area_under_its_curve():
    draw = np.linspace(0, 0.5, 11)
    straight, between = elastic_work(draw, 80.0 * draw)
    bent, told = elastic_work(draw, 80.0 * draw**2)

    assert straight == pytest.approx(80 * 0.5**2 / 2)
    assert between == pytest.approx(0.0, abs=1e-12)
    assert abs(bent - 80 * 0.5**3 / 3) < 1.5 * told


@settings(max_examples=30, deadline=None)
@given(
    stiffness=st.floats(20.0, 2000.0),
    draw=st.floats(0.05, 0.8),
    mass=st.floats(2e-3, 0.2),
    carried=st.floats(0.0, 0.1),
    kept=st.floats(0.5, 1.0),
)
def test_no_launch_by_an_elastic_carries_more_than_was_drawn(
    stiffness, draw, mass, carried, kept
):
    """A band that gives back less than it took, and moves itself (`carried`) as well."""
    table = np.linspace(0, draw, 9)
    stored, _ = elastic_work(table, stiffness * table)
    path = solve_ivp(
        lambda _, s: [s[1], kept * stiffness * (draw - s[0]) / (mass + carried)],
        (0, math.pi / 2 * math.sqrt((mass + carried) / (kept * stiffness))),
        [0.0, 0.0],
        rtol=1e-9,
    )

    assert kinetic_energy(mass, float(path.y[1, -1])) <= stored * (1 + 1e-6)
