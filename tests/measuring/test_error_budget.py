"""The small GUM engine: inputs, combination, degrees of freedom, expansion."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from speed_rigs import HEAVY_ROD, make_rig

from chrono.measuring.error_budget import (
    Contribution,
    arcsine,
    combined_uncertainty,
    coverage_factor,
    effective_dof,
    expanded_uncertainty,
    normal,
    rectangular,
    tilt,
    triangular,
)
from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed


def test_bounded_inputs_have_their_standard_uncertainties() -> None:
    assert rectangular("x", 3.0).u == pytest.approx(3 / math.sqrt(3))
    assert triangular("x", 3.0).u == pytest.approx(3 / math.sqrt(6))
    assert arcsine("x", 3.0).u == pytest.approx(3 / math.sqrt(2))
    assert tilt("x", 0.1).u == pytest.approx(0.01 / math.sqrt(45))


@given(st.floats(1e-6, 1e6), st.floats(1e-6, 1e6) | st.floats(-1e6, -1e-6), st.integers(1, 100))
def test_one_contribution_alone_keeps_its_degrees_of_freedom(
    u: float, sensitivity: float, dof: int
) -> None:
    part = Contribution(normal("x", u, dof=dof), sensitivity)
    assert combined_uncertainty([part]) == pytest.approx(abs(sensitivity) * u)
    assert effective_dof([part]) == pytest.approx(dof)
    assert expanded_uncertainty([part]) == pytest.approx(coverage_factor(dof) * part.u_out)


def test_nothing_uncertain_gives_no_uncertainty() -> None:
    assert combined_uncertainty([]) == 0
    assert effective_dof([]) == math.inf
    assert expanded_uncertainty([Contribution(normal("x", 0.0), 1.0)]) == 0


def test_the_shares_of_a_budget_sum_to_one_and_its_parts_to_the_whole() -> None:
    model = SpeedModel.from_rig(make_rig())
    budget = shot_budget(model, 6.6e-3, EdgesUsed.BOTH)
    assert sum(map(budget.share, budget.contributions)) == pytest.approx(1)
    assert math.hypot(budget.u_random_mps, budget.u_shared_mps) == pytest.approx(budget.u_mps)
    assert budget.k == pytest.approx(budget.U95_mps / budget.u_mps)


def test_hard_limits_are_one_tick_more_and_less() -> None:
    model = SpeedModel.from_rig(make_rig(**HEAVY_ROD, gates__tilt_limit_rad=0.0))
    budget = shot_budget(model, 100 * model.tick_s, EdgesUsed.LEAD)
    assert budget.lowest_mps == pytest.approx(0.3 / (101 * 62.5e-9))
    assert budget.highest_mps == pytest.approx(0.3 / (99 * 62.5e-9))
    assert shot_budget(model, model.tick_s, EdgesUsed.LEAD).highest_mps == math.inf


def test_calibrated_inputs_are_normal_with_their_degrees_of_freedom() -> None:
    rig = make_rig(
        calibration__clock={"rate_error": 1e-4, "rate_error_u": 1e-3, "dof": 4.0},
        calibration__spacing={"spacing_m": 0.301, "spacing_u_m": 1e-5, "covers_trip": True},
    )
    budget = shot_budget(SpeedModel.from_rig(rig), 6.6e-3, EdgesUsed.BOTH)
    inputs = {c.name: c.input for c in budget.contributions}
    assert inputs["clock rate"].distribution == inputs["gate spacing"].distribution == "normal"
    assert inputs["clock rate"].dof == 4
    assert not any(name.startswith("trip") for name in inputs)
    assert 4 < budget.dof < 4.1
    assert budget.U95_mps == pytest.approx(coverage_factor(4) * budget.u_mps, rel=0.01)


def test_no_transit_and_no_edges_are_refused() -> None:
    model = SpeedModel.from_rig(make_rig())
    for transit_s, used in (
        (0.0, EdgesUsed.BOTH),
        (-1.0, EdgesUsed.LEAD),
        (1.0, EdgesUsed.NONE),
    ):
        with pytest.raises(ValueError, match="transit must be above zero"):
            shot_budget(model, transit_s, used)


def test_an_input_equals_one_made_alike() -> None:
    # A NaN would differ from another NaN, and "nothing changed" would never be seen.
    assert normal("jitter", 1e-7, unit="s") == normal("jitter", 1e-7, unit="s")
    assert math.isinf(normal("jitter", 1e-7).half_width)


def test_degrees_of_freedom_add_up_for_equal_parts() -> None:
    # Welch-Satterthwaite (JCGM 100, G.2b) for two equal parts: (2u²)²/(2·u⁴/ν) = 2ν.
    part = Contribution(normal("x", 0.3, dof=9), 1.0)
    assert effective_dof([part, part]) == pytest.approx(18)
    # One of twice the uncertainty: (1 + 4)²/(1/9 + 16/9) = 225/17.
    assert effective_dof([part, Contribution(normal("y", 0.6, dof=9), 1.0)]) == pytest.approx(
        225 / 17
    )
