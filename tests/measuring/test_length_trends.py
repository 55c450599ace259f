"""Lines through lengths: against scipy's least squares, and what a sound rig may do."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from chrono.measuring.length_trends import (
    LEAST_DOF,
    SeenLengths,
    Trend,
    drift_in_time,
    growth_with_speed,
    told_trends,
)

ONE = np.zeros(30, int)


def lengths(
    rng=None,
    *,
    slope_s=0.0,
    noise_m=1e-4,
    count=30,
    reach_m=0.0,
    allowed=(),
    u=1e-5,
    drift_m=0.0,
):
    rng = rng or np.random.default_rng(1)
    speed = rng.uniform(10, 40, count)
    length = 0.04 + slope_s * speed + noise_m * rng.standard_normal(count)
    return SeenLengths(
        "A", length, speed, np.full(count, u), np.full(count, 1e-3), allowed, reach_m, drift_m
    )


def test_the_line_is_that_of_scipy() -> None:
    seen = lengths(slope_s=2e-5)
    found, line = growth_with_speed(seen, ONE), stats.linregress(seen.speed_mps, seen.length_m)
    t = stats.t.isf(0.01 / 4 / 2, 28)
    assert found.slope == pytest.approx(line.slope, rel=1e-9)
    assert found.U_slope == pytest.approx(t * line.stderr, rel=2e-3), "and a blur of the speeds"
    assert found.U_slope > t * line.stderr
    assert found.trend is Trend.SPEED
    assert found.change_m == pytest.approx(line.slope * np.ptp(seen.speed_mps))


def test_lengths_that_are_known_better_weigh_more() -> None:
    """That of numpy's fit with weights, which are one over the standard deviation."""
    seen = lengths(slope_s=2e-5)
    u = 1e-5 * np.linspace(1, 10, 30)
    weighed = replace(seen, u_timing_m=u)
    slope, _ = np.polyfit(seen.speed_mps, seen.length_m, 1, w=1 / u)
    assert growth_with_speed(weighed, ONE).slope == pytest.approx(slope, rel=1e-9)


def test_bodies_have_lengths_of_their_own() -> None:
    """Two rods, the longer one faster: that is no growth."""
    seen = lengths(noise_m=1e-5)
    is_long = seen.speed_mps > 25
    seen.length_m[is_long] += 0.02
    assert growth_with_speed(seen, ONE).seen
    assert not growth_with_speed(seen, is_long.astype(int)).seen


def test_setups_aim_otherwise_and_do_not_drift() -> None:
    seen = lengths(noise_m=1e-5)
    seen.length_m[15:] -= 1e-3
    assert drift_in_time(seen, ONE).seen
    assert not drift_in_time(seen, (np.arange(30) >= 15).astype(int)).seen


def test_a_drift_within_the_trip_tolerance_is_not_said() -> None:
    """A counter that is fine enough shows a thousandth of a millimetre."""
    seen = lengths(noise_m=1e-6)
    seen.length_m[:] += 5e-6 * np.arange(30)
    assert drift_in_time(seen, ONE).seen
    # from the first to the last of 30 shots the length grows by 29 · 5 um = 0.145 mm
    assert drift_in_time(seen, ONE).change_m == pytest.approx(0.145e-3, rel=0.01)
    assert drift_in_time(replace(seen, drift_m=0.142e-3), ONE).seen
    assert not drift_in_time(replace(seen, drift_m=0.148e-3), ONE).seen


def test_of_two_gates_that_grow_the_one_that_grows_more_is_told_and_every_drift() -> None:
    grows, drifts = growth_with_speed(lengths(slope_s=2e-4), ONE), drift_in_time(lengths(), ONE)
    a, b, c = (replace(grows, slope=slope) for slope in (2e-4, -3e-4, 1e-9))
    drift_a, drift_b = (replace(drifts, slope=slope) for slope in (0.1, -0.2))

    assert told_trends((a, b, c, drift_a, drift_b)) == (b, drift_a, drift_b)
    assert told_trends((c,)) == ()


def test_what_the_rig_allows_is_not_said() -> None:
    speed = lengths().speed_mps
    assert growth_with_speed(lengths(slope_s=8e-5), ONE).seen
    assert not growth_with_speed(lengths(slope_s=8e-5, allowed=(1e-4 * speed,)), ONE).seen
    assert not growth_with_speed(lengths(slope_s=8e-5, reach_m=3e-3), ONE).seen
    assert growth_with_speed(lengths(slope_s=8e-5, reach_m=1e-4), ONE).seen


def test_equal_lengths_are_not_taken_for_certain() -> None:
    """Thirty bodies within one step of a coarse counter show no scatter at all."""
    coarse = lengths(noise_m=0.0, slope_s=5e-6, u=1e-3)
    found = growth_with_speed(coarse, ONE)
    assert found.U_slope > 3 * 1e-3 / 9 / np.sqrt(30)
    assert not found.seen
    assert growth_with_speed(lengths(noise_m=0.0, slope_s=5e-6, u=1e-6), ONE).seen


def test_speeds_that_differ_by_their_errors_alone_tell_no_growth() -> None:
    seen = lengths()
    blurred = SeenLengths(
        "A", seen.length_m, seen.speed_mps, seen.u_timing_m, np.full(30, 5.0), (), 0.0, 0.0
    )
    assert growth_with_speed(blurred, ONE) is None
    assert drift_in_time(blurred, ONE) is not None


def test_few_shots_and_equal_speeds_tell_nothing() -> None:
    few = LEAST_DOF + 1
    assert growth_with_speed(lengths(count=few), np.zeros(few, int)) is None
    assert growth_with_speed(lengths(count=few + 1), np.zeros(few + 1, int)) is not None
    seen = lengths()
    seen.speed_mps[:] = 20.0
    assert growth_with_speed(seen, ONE) is None


@pytest.mark.parametrize("count", [6, 10, 30])
def test_chance_alone_is_named_as_seldom_as_is_stated(count) -> None:
    rng, tries = np.random.default_rng(7), 4000
    group = np.zeros(count, int)
    named = 0
    for _ in range(tries):
        seen = lengths(rng, count=count)
        looks = growth_with_speed(seen, group), drift_in_time(seen, group)
        named += sum(look.seen for look in looks)
    assert named / tries == pytest.approx(0.005, abs=0.004)
