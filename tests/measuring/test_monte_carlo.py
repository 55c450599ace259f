"""Monte Carlo beside first order: stopping, bounds, repeatability, verdicts."""

import math

import numpy as np
import pytest
from speed_rigs import exact_gates, make_rig

from chrono.measuring.error_budget import combined_uncertainty, normal, rectangular
from chrono.measuring.monte_carlo import (
    monte_carlo,
    numerical_tolerance,
    simulate_shot,
    simulated_speed,
    validate,
)
from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed


def test_the_same_seed_gives_the_same_numbers_and_another_does_not() -> None:
    inputs = [normal("a", 1.0)]
    runs = [monte_carlo(lambda x: x[0], inputs, seed=seed) for seed in (1, 1, 2)]
    assert runs[0] == runs[1] != runs[2]


def test_the_trials_stop_when_the_wanted_digits_have_settled() -> None:
    coarse = monte_carlo(lambda x: x[0], [normal("a", 0.95)], digits=1, seed=3)
    fine = monte_carlo(lambda x: x[0], [normal("a", 0.95)], digits=2, seed=3)
    assert coarse.settled
    assert fine.settled
    assert coarse.trials < fine.trials
    for end in (-fine.low, fine.high, fine.half_width):
        assert end == pytest.approx(1.96 * 0.95, abs=0.01)  # twice δ


def test_the_trials_are_bounded_and_say_when_they_did_not_settle() -> None:
    run = monte_carlo(lambda x: x[0], [normal("a", 1.0)], digits=4, max_trials=30_000)
    assert run.trials == 30_000
    assert not run.settled


def test_a_result_without_uncertainty_settles_at_once() -> None:
    run = monte_carlo(lambda x: x[0] + 7, [rectangular("a", 0.0)])
    assert run.settled
    assert (run.mean, run.u, run.low, run.high) == (7, 0, 7, 7)


@pytest.mark.parametrize("used", [EdgesUsed.BOTH, EdgesUsed.LEAD])
def test_the_simulated_formula_gives_the_estimate_and_the_sensitivities(
    used: EdgesUsed,
) -> None:
    rig = make_rig(
        calibration__clock={"rate_error": 3e-3, "rate_error_u": 1e-4, "dof": 9.0},
        calibration__latency={"difference_s": 4e-6, "difference_u_s": 1e-7, "dof": 5.0},
    )
    model = SpeedModel.from_rig(rig)
    transit_s = model.board_transit(45.0, used)
    contributions = model.contributions(transit_s, used)
    small = np.diag([1e-4 * c.input.u for c in contributions])

    upper = simulated_speed(model, transit_s, small, used)
    lower = simulated_speed(model, transit_s, -small, used)

    still = simulated_speed(model, transit_s, 0 * small, used)[0]
    assert still == pytest.approx(45.0, rel=1e-9)
    slopes = (upper - lower) / (2 * np.diag(small))
    expected = np.array([c.sensitivity for c in contributions])
    if used == EdgesUsed.BOTH:  # the slope acts by its square alone there, see below
        at = [c.name for c in contributions].index("slope")
        slopes[at] = expected[at]
    assert slopes[:-2] == pytest.approx(expected[:-2], rel=1e-5)
    assert slopes[-2:] == pytest.approx(expected[-2:], rel=1e-4)


def test_u95_is_confirmed_where_first_order_alone_is_too_wide() -> None:
    model = SpeedModel.from_rig(exact_gates(gates__spacing_tolerance_m=0.5e-3))
    transit_s = model.board_transit(45.0)
    budget = shot_budget(model, transit_s, EdgesUsed.BOTH)
    trials = simulate_shot(model, transit_s, EdgesUsed.BOTH, digits=2)
    assert validate(45.0, budget.U95_mps, trials, 2).agrees
    assert not validate(45.0, budget.U95_first_order_mps, trials, 2).agrees


def test_numerical_tolerance_is_half_a_unit_of_the_last_digit() -> None:
    # JCGM 101:2008 7.9.2 examples (from memory): u = 0.00035 g with two digits gives
    # δ = 0.5e-5 g; with one digit 0.0004, δ = 0.5e-4 g; u = 2 K with one digit δ = 0.5 K
    assert numerical_tolerance(0.00035, 2) == pytest.approx(0.5e-5)
    assert numerical_tolerance(0.00035, 1) == pytest.approx(0.5e-4)
    assert numerical_tolerance(2.0, 1) == pytest.approx(0.5)
    assert numerical_tolerance(0.0997, 2) == pytest.approx(0.5e-2)


@pytest.mark.parametrize("used", [EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL])
@pytest.mark.parametrize("slope_deg", [0.0, 30.0, 90.0])
def test_the_u_of_slow_bodies_is_that_of_the_trials(slope_deg: float, used: EdgesUsed) -> None:
    rig = make_rig(gates__slope_rad=math.radians(slope_deg), body__mass_kg=0.003)
    model = SpeedModel.from_rig(rig)
    transit_s = model.board_transit(2.6, used)
    contributions = model.contributions(transit_s, used)
    trials = simulate_shot(model, transit_s, used, max_trials=200_000)
    assert trials.u == pytest.approx(combined_uncertainty(contributions), rel=0.03)
    assert abs(trials.mean - 2.6) < 0.1 * trials.half_width


@pytest.mark.parametrize("used", [EdgesUsed.BOTH, EdgesUsed.LEAD])
def test_the_speed_of_a_slow_body_is_the_mean_over_the_slopes(used: EdgesUsed) -> None:
    model = SpeedModel.from_rig(make_rig())
    trials = simulate_shot(model, model.board_transit(0.8, used), used, max_trials=200_000)
    assert trials.mean == pytest.approx(0.8, abs=0.05 * trials.half_width)
