"""Flights integrated step by step, against closed forms, symmetries and their own inverses."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chrono.errors import OptionError
from chrono.physics.free_fall import fall_speed, fall_time
from chrono.physics.trajectory import (
    best_elevation,
    fitted_drag,
    fly,
    speed_along,
    vacuum_range,
)

G = 9.81
SPEEDS = st.floats(2.0, 150.0)
ANGLES = st.floats(math.radians(5), math.radians(85))
HEIGHTS = st.floats(0.0, 20.0)
DRAGS = st.floats(1e-4, 0.3)


def no_drag(_):
    return 0.0


def quadratic(kappa):
    return lambda v: kappa * v**2


@settings(max_examples=60)
@given(speed=SPEEDS, angle=ANGLES, height=HEIGHTS)
def test_without_air_it_flies_the_parabola(speed, angle, height):
    path = fly(speed, angle, no_drag, G, height_m=height)
    up = speed * math.sin(angle)

    assert path.range_m == pytest.approx(vacuum_range(speed, angle, G, height), rel=1e-6)
    assert path.apex_m == pytest.approx(height + up**2 / (2 * G), rel=1e-6)
    assert path.time_s[-1] == pytest.approx((up + math.sqrt(up**2 + 2 * G * height)) / G)
    assert path.speed_mps[-1] == pytest.approx(math.sqrt(speed**2 + 2 * G * height), rel=1e-6)


@settings(max_examples=60)
@given(height=st.floats(0.1, 300.0), kappa=DRAGS)
def test_a_drop_is_the_closed_form_to_a_millionth(height, kappa):
    path = fly(0.0, 0.0, quadratic(kappa), G, height_m=height)

    assert path.time_s[-1] == pytest.approx(fall_time(height, kappa, G), rel=1e-6)
    assert path.speed_mps[-1] == pytest.approx(fall_speed(height, kappa, G), rel=1e-6)
    assert path.impact_angle_rad == pytest.approx(math.pi / 2)


@settings(max_examples=60)
@given(speed=SPEEDS, kappa=DRAGS)
def test_a_throw_straight_up_is_the_closed_form_to_a_millionth(speed, kappa):
    """h = ln(1 + κ·v²/g)/(2κ), back at v/√(1 + κ·v²/g) (elementary integration)."""
    path = fly(speed, math.pi / 2, quadratic(kappa), G)
    ratio = kappa * speed**2 / G

    assert path.apex_m == pytest.approx(math.log1p(ratio) / (2 * kappa), rel=1e-6)
    assert path.speed_mps[-1] == pytest.approx(speed / math.sqrt(1 + ratio), rel=1e-6)


@settings(max_examples=40)
@given(speed=SPEEDS, angle=ANGLES, kappa=DRAGS, wind=st.floats(-15.0, 15.0))
def test_in_a_wind_it_flies_as_in_still_air_that_is_carried_along(speed, angle, kappa, wind):
    across, up = speed * math.cos(angle) - wind, speed * math.sin(angle)
    windy = fly(speed, angle, quadratic(kappa), G, wind_mps=wind)
    still = fly(math.hypot(across, up), math.atan2(up, across), quadratic(kappa), G)

    assert windy.time_s[-1] == pytest.approx(still.time_s[-1], rel=1e-6)
    assert windy.range_m == pytest.approx(
        still.range_m + wind * still.time_s[-1], rel=1e-6, abs=1e-6
    )


@pytest.mark.long
@settings(max_examples=15)
@given(
    speed=st.floats(5.0, 100.0),
    angle=st.floats(math.radians(10), math.radians(70)),
    kappa=DRAGS,
    height=HEIGHTS,
    wind=st.floats(-5.0, 0.0),
)
def test_the_drag_fitted_to_a_range_is_the_one_that_made_it(speed, angle, kappa, height, wind):
    path = fly(speed, angle, quadratic(kappa), G, height_m=height, wind_mps=wind)
    if path.range_m < 0.5:  # blown back: more than one drag may end there
        return

    found = fitted_drag(path.range_m, speed, angle, G, height_m=height, wind_mps=wind)
    again = fly(speed, angle, quadratic(found), G, height_m=height, wind_mps=wind)

    # Wind may blow the body back over tens of metres; then small errors of a long path count.
    assert again.range_m == pytest.approx(path.range_m, rel=1e-9, abs=1e-8)
    assert found == pytest.approx(kappa, rel=1e-6)


@pytest.mark.parametrize("range_m", [40.9, 60.0, 1e4])
def test_a_range_beyond_that_in_a_vacuum_fits_no_drag(range_m):
    assert vacuum_range(20.0, math.pi / 4, G) == pytest.approx(40.77, abs=0.01)

    with pytest.raises(OptionError, match=r"without air, the range would be 40\.77 m"):
        fitted_drag(range_m, 20.0, math.pi / 4, G)


def test_without_air_the_best_angle_is_that_of_the_parabola():
    """45° on level ground; from a height h, tan²θ = v²/(v² + 2gh) (elementary)."""
    assert best_elevation(30.0, no_drag, G) == pytest.approx(math.pi / 4, abs=1e-4)
    higher = best_elevation(15.0, no_drag, G, height_m=10.0)
    assert math.tan(higher) == pytest.approx(15 / math.sqrt(15**2 + 2 * G * 10), abs=1e-4)


@settings(max_examples=15)
@given(speed=st.floats(5.0, 90.0), kappa=DRAGS)
def test_at_the_best_angle_it_flies_farther_than_beside_it(speed, kappa):
    best = best_elevation(speed, quadratic(kappa), G)
    farthest = fly(speed, best, quadratic(kappa), G).range_m

    assert best < math.pi / 4
    for beside in (-0.05, 0.05):
        assert fly(speed, best + beside, quadratic(kappa), G).range_m < farthest


def test_a_landing_above_the_launch_is_met_on_the_way_down_or_never():
    path = fly(20.0, math.radians(60), no_drag, G, height_m=-10.0)

    assert path.range_m == pytest.approx(vacuum_range(20.0, math.radians(60), G, -10.0))
    with pytest.raises(OptionError, match="never rises"):
        fly(20.0, math.radians(60), no_drag, G, height_m=-15.5)
    assert math.isnan(vacuum_range(20.0, math.radians(60), G, -15.5))


@pytest.mark.parametrize("distance_m", [-10.0, 0.5, 10.0])
def test_quadratic_drag_takes_the_same_part_of_the_speed_on_each_metre(distance_m):
    """v = v₀·exp(−κ·x), at any speed."""
    found = speed_along(30.0, distance_m, quadratic(0.02))

    assert found == pytest.approx(30.0 * math.exp(-0.02 * distance_m), rel=1e-8)


def test_a_body_lands_at_the_angle_of_the_end_of_its_path():
    path = fly(40.0, math.radians(40), quadratic(0.02), G, points=5001)
    (dx,), (dy,) = (np.diff(way[-2:]) for way in (path.distance_m, path.height_m))

    assert path.impact_angle_rad == pytest.approx(math.atan2(-dy, dx), abs=1e-3)
    assert path.impact_angle_rad > math.radians(50), "steeper than it was launched"
