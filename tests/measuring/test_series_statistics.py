"""Statistics of a series: what falls with the number of shots and what does not."""

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from trial_kit import trials

from chrono.measuring.error_budget import Contribution, rectangular
from chrono.measuring.series_statistics import (
    Sample,
    mean_and_s,
    mean_interval,
    s_interval,
    series_of,
    series_statistics,
)
from chrono.measuring.setup_comparison import compare_series

SPEEDS = np.array([44.8, 45.1, 45.3, 44.9, 45.4])


def same(n: int, value: float) -> np.ndarray:
    return np.full(n, value)


def test_a_series_has_the_usual_statistics() -> None:
    series = series_statistics(SPEEDS, same(5, 0.01), same(5, 0.05))
    assert series is not None
    assert series.n == 5
    assert series.mean_mps == pytest.approx(45.1)
    assert series.median_mps == 45.1
    assert (series.min_mps, series.max_mps) == (44.8, 45.4)
    assert series.range_mps == pytest.approx(0.6)
    assert series.s_mps == pytest.approx(np.std(SPEEDS, ddof=1))


def test_the_random_part_falls_with_the_number_and_the_shared_part_does_not() -> None:
    few, many = (
        series_statistics(np.tile(SPEEDS, n), same(5 * n, 0.01), same(5 * n, 0.05))
        for n in (1, 100)
    )
    assert few is not None
    assert many is not None
    assert few.u_random_mean_mps / many.u_random_mean_mps == pytest.approx(10, rel=0.12)
    assert few.u_shared_mean_mps == many.u_shared_mean_mps == pytest.approx(0.05)
    assert many.u_mean_mps == pytest.approx(0.05, rel=0.05)
    assert few.ci_high_mps - few.mean_mps == pytest.approx(
        2.776445 * few.s_mps / math.sqrt(5), rel=1e-6
    )


def test_one_shot_has_its_own_uncertainty_and_no_scatter() -> None:
    series = series_statistics(SPEEDS[:1], same(1, 0.03), same(1, 0.04))
    assert series is not None
    assert series.u_mean_mps == pytest.approx(0.05)
    assert series.U95_mean_mps == pytest.approx(0.05 * 1.959964, rel=1e-4)
    assert math.isnan(series.s_mps)
    assert math.isnan(series.ci_low_mps)
    assert math.isnan(series.range_mps)
    assert series.random_dof == math.inf


def test_a_series_of_one_shot_keeps_the_uncertainty_that_the_shot_has() -> None:
    one = Sample(np.array([4]), SPEEDS[:1], same(1, 0.03), same(1, 0.04), same(1, 0.09))
    series = series_of(one)
    assert series is not None
    assert series.U95_mean_mps == 0.09
    assert series.k == pytest.approx(0.09 / 0.05)


def test_equal_readings_of_a_coarse_counter_are_no_better_known_for_it() -> None:
    series = series_statistics(same(4, 45.0), same(4, 0.2), same(4, 0.0))
    assert series is not None
    assert series.s_mps == 0
    assert series.u_mean_mps == pytest.approx(0.1)
    assert series.dof == math.inf


def test_shots_without_a_speed_are_left_out_and_none_give_none() -> None:
    speeds = np.array([np.nan, 45.0, np.inf])
    series = series_statistics(speeds, same(3, 0.1), same(3, 0.1))
    assert series is not None
    assert series.n == 1
    assert series_statistics(speeds[:1], same(1, 0.1), same(1, 0.1)) is None
    assert series_statistics(np.zeros(0), np.zeros(0), np.zeros(0)) is None


@given(st.lists(st.floats(1, 300), min_size=2, max_size=40), st.floats(0, 1), st.floats(0, 1))
@example([1.0, 1.0], 0.0, 2.2e-309)
@example([1.0, 1.0], 1e-300, 0.0)
@example([1.0, 1.0], 1e-289, 3e-289)
def test_the_order_of_shots_does_not_matter(
    speeds: list[float], random: float, shared: float
) -> None:
    n = len(speeds)
    one, other = (
        series_statistics(np.array(order), same(n, random), same(n, shared))
        for order in (speeds, sorted(speeds))
    )
    assert one is not None
    assert other is not None
    for name, value in vars(one).items():
        assert getattr(other, name) == pytest.approx(value, rel=1e-6, abs=1e-9), name


@trials(1000, 3000)
def test_the_mean_s_interval_holds_the_true_mean(count: int) -> None:
    rng = np.random.default_rng(21)
    held = 0
    for _ in range(count):
        shift = rng.normal(0, 0.05)
        speeds = rng.normal(45, 0.1, 6) + shift
        series = series_statistics(speeds, same(6, 0.01), same(6, 0.05))
        assert series is not None
        held += abs(series.mean_mps - 45) <= series.U95_mean_mps
    assert 0.94 <= held / count <= 0.97


# What all shots share is drawn uniform, as a spacing within its tolerance is, or normal.
SHARED = {
    "rectangular": lambda rng, u: rng.uniform(-1, 1) * u * math.sqrt(3),
    "normal": lambda rng, u: rng.normal(0, u),
}


@pytest.mark.parametrize("shape", SHARED)
@pytest.mark.parametrize("n", [2, 5])
def test_the_mean_of_few_shots_holds_the_true_mean(n: int, shape: str) -> None:
    the_mean_holds(n, shape, trials=400 if n == 2 else 200, least=0.92)


@pytest.mark.long
@pytest.mark.parametrize("shape", SHARED)
@pytest.mark.parametrize("n", [2, 3, 5, 10])
def test_the_mean_of_few_shots_holds_the_true_mean_in_many_trials(n: int, shape: str) -> None:
    the_mean_holds(n, shape, trials=4000, least=0.945)


def the_mean_holds(n: int, shape: str, trials: int, least: float) -> None:
    """Check how often U95 holds the mean; `least` allows for the scatter of so many trials."""
    rng = np.random.default_rng(n)
    for shared in (0.03, 0.1, 0.3, 1.0):
        parts = [Contribution(rectangular("", shared * math.sqrt(3)), 1.0)]
        held = 0
        for _ in range(trials):
            own = float(rng.choice([0.0, 0.1, 0.3]))
            speeds = rng.normal(45, math.hypot(0.3, own), n) + SHARED[shape](rng, shared)
            series = series_statistics(
                speeds, same(n, own), same(n, shared), parts if shape == "rectangular" else ()
            )
            held += abs(series.mean_mps - 45) <= series.U95_mean_mps
        assert least <= held / trials <= 0.995, (shared, held / trials)


def test_many_shots_leave_the_shared_part_with_the_interval_of_its_own_shape() -> None:
    half = 0.3
    parts = [Contribution(rectangular("", half), 2.0)]
    speeds = np.tile(SPEEDS, 2000)
    series = series_statistics(
        speeds, same(10_000, 0.0), same(10_000, half / math.sqrt(3)), parts
    )
    assert series.U95_shared_mean_mps == pytest.approx(0.95 * half, rel=1e-3)
    assert series.U95_mean_mps == pytest.approx(0.95 * half, rel=5e-3)


def test_both_parts_combine_in_quadrature_where_the_shared_one_is_normal() -> None:
    series = series_statistics(SPEEDS, same(5, 0.0), same(5, 0.2))
    random = 2.776445 * np.std(SPEEDS, ddof=1) / math.sqrt(5)
    assert series.U95_random_mean_mps == pytest.approx(random, rel=1e-6)
    assert series.U95_shared_mean_mps == pytest.approx(1.959964 * 0.2, rel=1e-4)
    assert series.U95_mean_mps == pytest.approx(math.hypot(random, 1.959964 * 0.2), rel=1e-4)
    assert series.k == pytest.approx(series.U95_mean_mps / series.u_mean_mps)


def test_a_far_offset_costs_no_digits() -> None:
    values = np.array([1.0, 2.0, 4.0]) + 2.0**40
    assert mean_and_s(values)[1] == pytest.approx(math.sqrt(7 / 3), rel=1e-12)
    assert all(math.isnan(x) for x in (*mean_and_s(np.zeros(0)), mean_and_s(values[:1])[1]))


def test_intervals_need_two_values() -> None:
    assert all(math.isnan(x) for x in (*mean_interval(1, 1, 1), *s_interval(1, 1)))


def test_the_shared_part_is_only_a_scale_on_a_difference() -> None:
    shared = 0.45  # 1 % of 45 m/s: as large as the difference below
    first = series_statistics(SPEEDS, same(5, 0.01), same(5, shared))
    second = series_statistics(SPEEDS + 0.5, same(5, 0.01), same(5, shared * 45.6 / 45.1))
    assert first is not None
    assert second is not None
    result = compare_series(first, second)
    assert result is not None
    assert result.difference_mps == pytest.approx(0.5)
    assert result.u_shared_mps == pytest.approx(0.005, rel=0.01)
    assert result.U95_mps < 0.5
    assert result.p_value < 0.05
    back = compare_series(second, first)
    assert back is not None
    assert back.difference_mps == pytest.approx(-0.5)
    assert back.p_value == pytest.approx(result.p_value)


def test_a_single_shot_cannot_be_compared() -> None:
    one = series_statistics(SPEEDS[:1], same(1, 0.01), same(1, 0.05))
    many = series_statistics(SPEEDS, same(5, 0.01), same(5, 0.05))
    assert one is not None
    assert many is not None
    assert compare_series(one, many) is None
