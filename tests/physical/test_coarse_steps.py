"""What a counter with steps of 100 us can tell, from balls, beams and a clock alone.

Its steps fall anywhere against the edges. Where speeds vary by some steps, the ± holds 95 %
of them. Where they are all the same, a transit is one whole number of steps or the next, and
what share the ± holds hangs on the speed: only one step either way is certain of each shot.
"""

from dataclasses import replace

import numpy as np
import pytest
from gate_board import Board, ticks_of
from gate_physics import SQUASH, draw_rigs, fly
from line_kit import RULES, UNIT_S, body, events, shots_of
from speed_rigs import exact_gates, make_shots
from trial_kit import trials

from chrono.measuring.speed import SpeedModel, measure, shot_budget
from chrono.processor.shot_records import EdgesUsed

STEP_S, UNITS = 100e-6, 100
COARSE = Board(frequency_hz=1e6, step=UNITS, jitter_s=0.0)
EXACT = dict.fromkeys(
    (
        "spacing_tolerance_m",
        "trip_tolerance_m",
        "tilt_limit_rad",
        "latency_mismatch_s",
        "rate_tolerance",
        "off_centre_m",
    ),
    0.0,
)
MODEL = SpeedModel.from_rig(exact_gates(lines="plain", clock__step_s=STEP_S))
PAIRS = [EdgesUsed.BOTH, EdgesUsed.LEAD]


def share_held(
    speed_mps: float, spread: float, used: EdgesUsed, count: int
) -> tuple[float, float]:
    """Return the share of shots that the ± holds, and that of the limits of one step."""
    rng = np.random.default_rng(round(1e3 * speed_mps) + int(used))
    speeds = speed_mps * (1 + spread * rng.uniform(-1, 1, count))
    flight = fly(draw_rigs(rng, count, **EXACT), SQUASH, speeds)
    ticks = ticks_of(rng, flight, COARSE)
    lead, trail = (ticks[:, 1, edge] - ticks[:, 0, edge] for edge in (0, 1))
    found = measure(make_shots(lead.astype(int), trail.astype(int), used), MODEL)
    held = np.abs(found.speed_mps - speeds) <= found.U95_mps
    within = [
        budget.lowest_mps <= speed <= budget.highest_mps
        for speed, transit_s in zip(
            speeds[: min(200, count // 5)], found.transit_s, strict=False
        )
        for budget in [shot_budget(MODEL, float(transit_s), used)]
    ]
    return float(held.mean()), float(np.mean(within))


@pytest.mark.parametrize("used", PAIRS)
@pytest.mark.parametrize("speed_mps", [25.0, 60.0, 80.0])
def test_speeds_that_vary_by_some_steps_are_held(speed_mps: float, used: EdgesUsed) -> None:
    """120, 50 and 37 steps, a tenth more or less."""
    held, within = share_held(speed_mps, 0.1, used, 20_000)
    assert 0.94 <= held <= 0.97
    assert within == 1.0


@trials(200, 1000)
@pytest.mark.parametrize("used", PAIRS)
def test_equal_speeds_are_held_over_all_of_them_but_not_each_of_them(
    used: EdgesUsed, count: int
) -> None:
    """100 steps and some: 60 speeds, each told many times at other phases of the counter."""
    found = [share_held(v, 0.0, used, count) for v in np.linspace(24.0, 36.0, 60)]
    held, within = np.array(found).T
    assert 0.94 <= held.mean() <= 0.97
    assert 0.55 <= held.min() < 0.85
    assert held.max() == 1.0
    assert within.min() == 1.0


@pytest.mark.parametrize("step_s", [1e-3, 1e-4])
@trials(60, 500)
def test_both_pairs_of_edges_count_though_blocking_times_differ_by_steps(
    step_s: float, count: int
) -> None:
    """From edges to speeds: a pair that was dropped for a step would be the slower one."""
    rng = np.random.default_rng(4)
    middle = np.array([5.0, 9.1, 15.0, 21.0, 23.0, 25.0, 27.0, 29.0])
    speeds = np.repeat(middle, count) * (1 + 0.15 * rng.uniform(-1, 1, count * len(middle)))
    starts = 1.0 + np.arange(len(speeds)) + rng.random(len(speeds)) * 0.1
    lines = [
        replace(line, at_s=np.floor(line.at_s / step_s) * step_s + UNIT_S / 2)
        for start_s, speed in zip(starts, speeds, strict=True)
        for line in body(start_s, speed)
    ]
    shots = shots_of(events(lines, plain=True), rules=replace(RULES, step_s=step_s))
    model = SpeedModel.from_rig(exact_gates(lines="plain", clock__step_s=step_s))
    found = measure(shots, replace(model, unit_s=UNIT_S))
    assert set(shots["used"]) == {EdgesUsed.BOTH}
    assert not shots["flags"].any()
    off = (found.speed_mps - speeds) / found.U95_mps
    assert 0.93 <= (np.abs(off) <= 1).mean() <= 0.975
    assert abs(off.mean()) < 0.1
