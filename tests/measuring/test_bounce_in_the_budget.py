"""What bounce and late lines add to the error budget of a shot."""

import math

import numpy as np
import pytest
from speed_rigs import exact_gates, make_rig, make_shots, random_models

from chrono.measuring.coverage_interval import coverage_half_width, with_normal
from chrono.measuring.error_budget import combined_uncertainty
from chrono.measuring.speed import STEEP, SpeedModel, measure, shot_budget
from chrono.processor.shot_records import EdgesUsed

NORMAL = 1.95996398
"""t for 95 % and infinitely many degrees of freedom (GUM, table G.2: 1.960)."""
USED = [EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL]


def test_bounce_alone_gives_the_speed_its_relative_uncertainty() -> None:
    rig = exact_gates(clock__frequency_hz=1e9)
    shots = make_shots([3_000_000])
    shots["bounce"] = 3_000
    found = measure(shots, SpeedModel.from_rig(rig))
    assert found.bounce_s[0] == pytest.approx(3e-6)
    assert found.u_random_mps[0] / found.speed_mps[0] == pytest.approx(1e-3, rel=1e-6)
    assert found.u_shared_mps[0] < 1e-15
    assert found.U95_mps[0] / found.u_mps[0] == pytest.approx(NORMAL, rel=1e-6)


def test_shots_without_bounce_are_as_they_were() -> None:
    model = SpeedModel.from_rig(make_rig())
    shots = make_shots([48_000, 100_000, 48_000])
    alone = measure(shots[:2], model)
    shots["bounce"][2] = 20
    found = measure(shots, model)
    assert found.U95_mps[:2].tobytes() == alone.U95_mps.tobytes()
    assert found.U95_mps[2] > found.U95_mps[0]
    assert found.speed_mps[2] == found.speed_mps[0]


def test_the_columns_agree_with_the_budget_of_each_shot() -> None:
    rng = np.random.default_rng(31)
    for model in random_models(10, seed=32):
        shots = make_shots(rng.integers(1000, 10_000_000, 9), used=USED * 3)
        shots["bounce"] = shots["lead"] * 10.0 ** rng.uniform(-6, -2, 9)
        found = measure(shots, model)
        for i, used in enumerate(shots["used"]):
            if not np.isfinite(found.speed_mps[i]):
                continue
            transit_s, bounce_s = float(found.transit_s[i]), float(found.bounce_s[i])
            budget = shot_budget(model, transit_s, int(used), bounce_s)
            assert budget.contributions[-1].name == "bounce"
            for name in ("speed_mps", "u_mps", "u_random_mps", "u_shared_mps", "U95_mps"):
                column = getattr(found, name)[i]
                assert column == pytest.approx(getattr(budget, name), rel=1e-12)


@pytest.mark.parametrize("used", USED[:2])
def test_the_interval_with_bounce_is_that_of_the_combined_distribution(
    used: EdgesUsed,
) -> None:
    compared = 0
    for model in random_models(12, seed=33):
        for speed_mps in np.geomspace(0.1, 1e3, 5):
            transit_s = model.board_transit(float(speed_mps), used)
            if math.hypot(model.u_timing_s[used], model.latency.u) > STEEP * transit_s / 2:
                continue
            others = model.contributions(transit_s, used)
            u = combined_uncertainty(others)
            for part in (0.2, 0.5, 1.0, 3.0):
                bounce_s = part * u / speed_mps * transit_s
                all_of_it = model.contributions(transit_s, used, bounce_s)
                combined = combined_uncertainty(all_of_it)
                exact = coverage_half_width(all_of_it) / combined
                share = np.array([all_of_it[-1].u_out / combined])
                factor = with_normal(np.array([coverage_half_width(others) / u]), share)
                assert 0.99 <= float(factor[0]) / exact <= 1.04
                compared += 1
    assert compared > 100


def test_all_or_nothing_of_a_normal_part_is_exact() -> None:
    factors = np.array([1.65, 1.96, 2.5])
    assert with_normal(factors, np.zeros(3)) == pytest.approx(factors)
    assert with_normal(factors, np.ones(3)) == pytest.approx(NORMAL)
