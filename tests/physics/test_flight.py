"""Falls, flights and the speed at the mouth: closed forms against numerical integration."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from quadratic_drag import fall_distance, fall_speed_at, speed_upstream, transit_time

from chrono.physics.free_fall import fall_speed, fall_time
from chrono.physics.trajectory import fly

G = 9.81
DRAG_PER_M = st.one_of(st.just(0.0), st.floats(1e-6, 10.0))


@given(kappa=DRAG_PER_M, time_s=st.floats(1e-3, 1e3))
def test_time_height_and_speed_of_a_fall_belong_together(kappa, time_s):
    height = fall_distance(time_s, kappa, G)

    assert fall_time(height, kappa, G) == pytest.approx(time_s, rel=1e-9)
    assert fall_speed(height, kappa, G) == pytest.approx(
        fall_speed_at(time_s, kappa, G), rel=1e-9
    )


@given(height_m=st.floats(1e-3, 100.0))
def test_a_fall_without_drag_is_free_fall_and_little_drag_changes_little(height_m):
    assert fall_speed(height_m, 0.0, G) == pytest.approx(math.sqrt(2 * G * height_m))
    assert fall_time(height_m, 0.0, G) == pytest.approx(math.sqrt(2 * height_m / G))
    assert fall_time(height_m, 1e-12, G) == pytest.approx(fall_time(height_m, 0, G), rel=1e-9)


def test_a_long_fall_ends_at_the_terminal_speed():
    limit = math.sqrt(G / 10.0)

    assert fall_speed(1e6, 10.0, G) == pytest.approx(limit)
    assert fall_time(1e6, 10.0, G) == pytest.approx(1e6 / limit, rel=1e-6)


def test_a_fall_integrated_step_by_step_agrees_with_the_closed_form():
    path = fly(0.0, 0.0, lambda v: 0.02 * v**2, G, height_m=30.0)

    assert path.time_s[-1] == pytest.approx(fall_time(30.0, 0.02, G), rel=1e-9)
    assert path.speed_mps[-1] == pytest.approx(fall_speed(30.0, 0.02, G), rel=1e-9)
    assert path.apex_m == 30.0


def test_a_throw_without_drag_flies_a_parabola():
    path = fly(20.0, math.radians(30), lambda _: 0.0, G)

    assert path.range_m == pytest.approx(20**2 * math.sin(math.radians(60)) / G)
    assert path.apex_m == pytest.approx((20 * 0.5) ** 2 / (2 * G))
    assert path.speed_mps[-1] == pytest.approx(20.0)


@pytest.mark.parametrize("elevation_deg", [-90, 90])
def test_speed_at_the_mouth_of_a_vertical_launcher_is_that_of_the_integrated_flight(
    elevation_deg,
):
    kappa, elevation = 0.02, math.radians(elevation_deg)
    start_m = 2.0 if elevation_deg < 0 else 0.0
    path = fly(45.0, elevation, lambda v: kappa * v**2, G, height_m=start_m, points=20001)
    up = path.height_m[: int(np.argmax(path.height_m)) + 1]
    if elevation_deg < 0:
        at_gates = float(path.speed_mps[-1])
    else:
        at_gates = float(np.interp(2.0, up, path.speed_mps[: len(up)]))

    found = speed_upstream(at_gates, 2.0, kappa, G * math.sin(elevation))
    assert found == pytest.approx(45.0, rel=1e-5)


def test_transit_is_that_of_the_integrated_flight():
    path = fly(45.0, 0.0, lambda v: 0.05 * v**2, 1e-9, height_m=1e-6, points=200001)

    expected = np.interp(0.3, path.distance_m, path.time_s)
    assert transit_time(45.0, 0.3, 0.05) == pytest.approx(expected, rel=1e-3)
