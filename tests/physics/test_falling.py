"""Falls integrated step by step, against the closed forms of quadratic drag."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from quadratic_drag import fall_distance, fall_speed_at

from chrono.errors import OptionError
from chrono.physics.free_fall import fall_speed, fall_time, fall_to, terminal_speed_of

G = 9.81
DRAGS = st.floats(1e-4, 1.0)


def quadratic(kappa):
    return lambda v: kappa * v**2


@settings(max_examples=60)
@given(kappa=DRAGS, height=st.floats(0.01, 500.0))
def test_a_fall_through_a_height_is_the_closed_form_to_a_millionth(kappa, height):
    fall = fall_to("height", height, quadratic(kappa), G)

    assert fall.height_m[-1] == pytest.approx(height, rel=1e-9)
    assert fall.time_s[-1] == pytest.approx(fall_time(height, kappa, G), rel=1e-6)
    assert fall.speed_mps[-1] == pytest.approx(fall_speed(height, kappa, G), rel=1e-6)


@settings(max_examples=60)
@given(kappa=DRAGS, time=st.floats(0.01, 60.0))
def test_a_fall_for_a_time_is_the_closed_form_to_a_millionth(kappa, time):
    fall = fall_to("time", time, quadratic(kappa), G)

    assert fall.height_m[-1] == pytest.approx(fall_distance(time, kappa, G), rel=1e-6)
    assert fall.speed_mps[-1] == pytest.approx(fall_speed_at(time, kappa, G), rel=1e-6)


@settings(max_examples=60)
@given(kappa=DRAGS, part=st.floats(0.01, 0.999))
def test_the_drop_that_gives_a_speed_gives_it(kappa, part):
    speed = part * math.sqrt(G / kappa)
    fall = fall_to("speed", speed, quadratic(kappa), G)

    assert fall.speed_mps[-1] == pytest.approx(speed, rel=1e-9)
    assert fall_speed(float(fall.height_m[-1]), kappa, G) == pytest.approx(speed, rel=1e-6)
    back = fall_to("height", float(fall.height_m[-1]), quadratic(kappa), G)
    assert back.speed_mps[-1] == pytest.approx(speed, rel=1e-6)


@given(kappa=DRAGS)
def test_the_terminal_speed_balances_gravity(kappa):
    assert terminal_speed_of(quadratic(kappa), G) == pytest.approx(math.sqrt(G / kappa))


def test_the_first_balance_counts_where_drag_falls_again():
    """A coefficient that drops to a fifth at 30 m/s, as that of a ball does."""

    def drag(v):
        return (0.02 if v < 30 else 0.004) * v**2

    assert terminal_speed_of(drag, G) == pytest.approx(math.sqrt(G / 0.02))


def test_without_drag_there_is_no_terminal_speed():
    assert terminal_speed_of(lambda _: 0.0, G) == math.inf
    assert fall_to("speed", 20.0, lambda _: 0.0, G).height_m[-1] == pytest.approx(400 / 2 / G)


@pytest.mark.parametrize("speed", [22.15, 30.0, 1e4])
def test_a_speed_beyond_the_terminal_one_is_refused(speed):
    assert math.sqrt(G / 0.02) == pytest.approx(22.147, abs=1e-3)

    with pytest.raises(OptionError, match=r"its terminal speed is only 22\.15 m/s"):
        fall_to("speed", speed, quadratic(0.02), G)


def test_the_path_of_a_fall_begins_at_rest():
    fall = fall_to("height", 20.0, quadratic(0.01), G, points=3)

    assert (fall.time_s[0], fall.height_m[0], fall.speed_mps[0]) == pytest.approx((0, 0, 0))


def test_a_speck_has_a_terminal_speed_below_a_metre_a_second():
    assert terminal_speed_of(quadratic(G / 0.01**2), G) == pytest.approx(0.01)
