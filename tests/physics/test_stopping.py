"""Stops: closed forms against step-by-step integration, and one law against the others."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from chrono.physics.stopping import (
    EXPONENTS,
    distance_for_mean,
    distance_for_peak,
    distance_for_time,
    stop_within,
    time_factor,
)

LAWS = sorted(EXPONENTS)
SPEEDS = st.floats(0.1, 300.0)
WAYS = st.floats(1e-3, 10.0)


def integrated(speed, distance, exponent):
    """x'' = −c·xⁿ from x = 0 until it rests; c from the energy."""
    c = (exponent + 1) * speed**2 / 2 / distance ** (exponent + 1)

    def rest(_, state):
        return state[1]

    rest.terminal, rest.direction = True, -1.0
    return solve_ivp(
        lambda _, s: [s[1], -c * max(s[0], 0.0) ** exponent],
        (0, 100 * distance / speed),
        [0.0, speed],
        events=rest,
        method="DOP853",
        rtol=1e-11,
        atol=1e-13,
    )


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(("speed", "distance"), [(45.0, 0.8), (3.0, 0.02), (200.0, 5.0)])
def test_a_stop_is_the_one_that_integration_gives(law, speed, distance):
    path = integrated(speed, distance, EXPONENTS[law])
    stop = stop_within(speed, distance, law)

    assert path.y[0, -1] == pytest.approx(distance, rel=1e-6)
    assert path.t[-1] == pytest.approx(stop.time_s, rel=1e-6)
    assert stop.mean_mps2 == pytest.approx(speed**2 / 2 / distance)


@pytest.mark.parametrize(
    ("law", "peak_over_mean", "time"),
    [("constant", 1.0, 2.0), ("spring", 2.0, math.pi / 2), ("sheet", 4.0, 1.3110287771461)],
)
def test_peak_and_time_by_law(law, peak_over_mean, time):
    """The time of the sheet is half the lemniscate constant 2.62205755 (DLMF 19.20.2)."""
    stop = stop_within(10.0, 0.5, law)

    assert stop.peak_mps2 / stop.mean_mps2 == pytest.approx(peak_over_mean)
    assert time_factor(law) == pytest.approx(time, rel=1e-10)
    assert stop.time_s == pytest.approx(time * 0.5 / 10.0)


@given(law=st.sampled_from(LAWS), speed=SPEEDS, distance=WAYS)
def test_the_distance_for_a_peak_a_mean_and_a_time_is_the_one_that_made_them(
    law, speed, distance
):
    stop = stop_within(speed, distance, law)

    assert distance_for_peak(speed, stop.peak_mps2, law) == pytest.approx(distance)
    assert distance_for_mean(speed, stop.mean_mps2) == pytest.approx(distance)
    assert distance_for_time(speed, stop.time_s, law) == pytest.approx(distance)


def test_a_slack_cord_pushes_back_with_the_third_power():
    """A cord of half-length L, stiffness EA, pushed x aside: 2·EA·(√(1+(x/L)²) − 1)·sin."""
    length, stiffness = 2.0, 500.0

    def force(x):
        stretched = math.hypot(length, x)
        return 2 * stiffness * (stretched / length - 1) * x / stretched

    assert force(0.02) == pytest.approx(stiffness * (0.02 / length) ** 3, rel=1e-3)
    assert force(0.04) / force(0.02) == pytest.approx(2 ** EXPONENTS["sheet"], rel=1e-3)
