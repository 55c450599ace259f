"""Uncertainty carried through models, against formulas and simulation."""

import math

import numpy as np
import pytest

from chrono.errors import OptionError
from chrono.measuring.body_in_air import MASS
from chrono.measuring.error_budget import normal, rectangular
from chrono.measuring.launch import ENERGY, speed_value
from chrono.measuring.propagation import (
    SHOT_TO_SHOT,
    SPEED,
    Quantity,
    known,
    next_shot_speed,
    propagate,
)
from chrono.measuring.series_statistics import series_statistics


def test_a_product_has_the_relative_uncertainties_of_its_factors():
    inputs = [Quantity("a", 3.0, normal("a", 0.03)), Quantity("b", 5.0, normal("b", 0.1))]
    (found,) = propagate(lambda v: (v["a"] * v["b"],), inputs)

    assert found.value == 15.0
    assert found.uncertainty.u / 15 == pytest.approx(math.hypot(0.01, 0.02))


def test_the_second_order_keeps_what_the_first_would_lose():
    """x² about 0 with u = 0.1: u(x²) = √2·u² (JCGM 100, 5.1.2, note)."""
    (found,) = propagate(lambda v: (v["x"] ** 2,), [Quantity("x", 0.0, normal("x", 0.1))])
    simulated = (0.1 * np.random.default_rng(1).standard_normal(200_000)) ** 2

    assert found.uncertainty.u == pytest.approx(math.sqrt(2) * 0.01)
    assert found.uncertainty.u == pytest.approx(simulated.std(), rel=0.02)


def test_an_exact_quantity_costs_nothing_and_adds_nothing():
    calls = []

    def model(values):
        calls.append(values)
        return (values["a"] + values["b"],)

    (found,) = propagate(model, [known("a", 1.0), Quantity("b", 2.0, rectangular("b", 0.3))])

    assert len(calls) == 3
    assert [c.name for c in found.uncertainty.contributions] == ["b"]
    assert pytest.approx(0.95 * 0.3, rel=1e-3) == found.U95


def test_where_the_model_ends_beside_the_value_the_uncertainty_is_not_known():
    def model(values):
        if values["x"] > 1:
            raise OptionError("beyond the end")
        return (values["x"],)

    (found,) = propagate(model, [known("x", 1.0, 0.1)])

    assert found.value == 1.0
    assert math.isinf(found.U95)
    with pytest.raises(OptionError, match="beyond the end"):
        propagate(model, [known("x", 2.0)])


def test_the_arithmetic_of_a_model_is_no_uncertainty():
    (found,) = propagate(lambda v: ((v["x"] * 3 / 3) / v["x"],), [known("x", 0.7, 0.1)])

    assert found.uncertainty.u == 0.0


def test_one_more_shot_scatters_with_s_and_the_mean_of_the_shots_less():
    speeds = np.random.default_rng(3).normal(22.0, 0.5, 12)
    series = series_statistics(speeds, np.full(12, 1e-3), np.full(12, 0.03))
    first, second = next_shot_speed(series)
    (found,) = propagate(lambda v: (v[SPEED] + v[SHOT_TO_SHOT],), (first, second))

    s = speeds.std(ddof=1)
    assert found.value == pytest.approx(speeds.mean())
    assert found.u_random == pytest.approx(s * math.sqrt(1 + 1 / 12))
    assert found.u_shared == pytest.approx(0.03)
    mean = found.of_mean(12)
    assert mean.u_random == pytest.approx(s / math.sqrt(12))
    assert mean.uncertainty.u == pytest.approx(series.u_mean_mps)
    # the same rule; a series keeps the distributions of its shared errors
    assert pytest.approx(series.U95_mean_mps, rel=0.01) == mean.U95


def test_95_of_100_further_shots_lie_within_the_stated_interval():
    """Prediction of one more from ten, repeated; the shared error is new in each session."""
    rng, inside = np.random.default_rng(5), 0
    for _ in range(2000):
        shared = rng.normal(0, 0.2)
        speeds = 22.0 + shared + rng.normal(0, 0.4, 10)
        series = series_statistics(speeds, np.full(10, 1e-4), np.full(10, 0.2))
        quantities = next_shot_speed(series)
        (found,) = propagate(lambda v: (v[SPEED] + v[SHOT_TO_SHOT],), quantities)
        true_next = 22.0 + rng.normal(0, 0.4)
        inside += abs(true_next - found.value) <= found.U95

    assert inside / 2000 == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize("n", [2, 3])
@pytest.mark.parametrize(
    "shared",
    [
        0.0,
        pytest.param(0.2, marks=pytest.mark.long),
        0.6,
        pytest.param(1.0, marks=pytest.mark.long),
    ],
)
def test_the_interval_of_a_mean_of_few_shots_holds_beside_a_shared_error(n, shared):
    rng, sessions = np.random.default_rng(n), 3000
    speeds = 20 + rng.standard_normal((sessions, n))
    speeds += shared * rng.standard_normal((sessions, 1))
    within = 0
    for shots in speeds:
        series = series_statistics(shots, np.zeros(n), np.full(n, shared))
        (found,) = propagate(lambda v: (2 * speed_value(v),), next_shot_speed(series))
        mean = found.of_mean(n)
        within += abs(mean.value - 40) <= mean.U95

    assert within >= 0.94 * sessions, within


def test_the_speed_of_a_shot_is_mean_and_deviation_or_that_of_its_energy() -> None:
    assert speed_value({SPEED: 20.0}) == 20.0
    assert speed_value({SPEED: 20.0, SHOT_TO_SHOT: 0.5}) == 20.5
    assert speed_value({ENERGY: 1.0, MASS: 0.02}) == pytest.approx(10.0)
