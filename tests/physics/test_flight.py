"""Falls, flights and the speed at the mouth: closed forms against numerical integration."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from chrono.physics.free_fall import (
    fall_distance,
    fall_speed,
    fall_speed_at,
    fall_time,
    mid_gate_difference,
    speed_upstream,
    terminal_speed,
    transit_time,
)
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
    limit = terminal_speed(10.0, G)

    assert fall_speed(1e6, 10.0, G) == pytest.approx(limit)
    assert fall_time(1e6, 10.0, G) == pytest.approx(1e6 / limit, rel=1e-6)
    assert fall_distance(1e6, 10.0, G) == pytest.approx(1e6 * limit, rel=1e-6)
    assert terminal_speed(0.0, G) == math.inf


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


@given(
    speed=st.floats(5.0, 300.0),
    kappa=DRAG_PER_M.filter(lambda k: k < 0.5),
    distance=st.floats(0.0, 5.0),
    along=st.floats(-G, G),
)
def test_going_upstream_and_down_again_returns_to_the_speed(speed, kappa, distance, along):
    at_mouth = speed_upstream(speed, distance, kappa, along)
    if math.isnan(at_mouth):
        assert along < 0
        return

    assert speed_upstream(at_mouth, -distance, kappa, along) == pytest.approx(speed, rel=1e-6)


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


def test_a_body_that_could_not_have_come_this_far_has_no_speed_there():
    assert math.isnan(speed_upstream(1.0, 10.0, 0.0, -G))


@pytest.mark.parametrize("kappa", [0.0, 0.01, 0.1, 1.0])
def test_mean_speed_between_the_gates_differs_from_the_mid_speed_by_less_than_the_bound(kappa):
    spacing, at_a = 0.3, 45.0
    mean = spacing / transit_time(at_a, spacing, kappa)
    middle = speed_upstream(at_a, -spacing / 2, kappa)
    bound = (kappa * spacing) ** 2 / 24

    assert 0 <= 1 - mean / middle <= bound + 1e-15
    assert mid_gate_difference(spacing, kappa) == pytest.approx(1 - mean / middle, abs=1e-12)
    assert mid_gate_difference(spacing, kappa) >= 0.99 * bound


def test_transit_is_that_of_the_integrated_flight():
    path = fly(45.0, 0.0, lambda v: 0.05 * v**2, 1e-9, height_m=1e-6, points=200001)

    expected = np.interp(0.3, path.distance_m, path.time_s)
    assert transit_time(45.0, 0.3, 0.05) == pytest.approx(expected, rel=1e-3)
