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
from gate_sessions import thrown_session
from line_kit import RULES, UNIT_S, body, events, shots_of
from speed_rigs import exact_gates, make_shots
from trial_kit import trials

from chrono.measuring.speed import SpeedModel, measure, shot_budget
from chrono.processor.shot_records import EdgesUsed
from chrono.session.recording_loader import read_recording
from chrono.session.speed_models import Assumptions
from chrono.teaching.error_lab import look
from chrono.teaching.lab_bench import bench_of_rig
from chrono.teaching.what_if import what_if

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


SOME_SPEEDS, MORE_SPEEDS = [21.0, 25.0, 29.0], [9.1, 21.0, 23.0, 25.0, 27.0, 29.0]


@pytest.mark.parametrize("edges", [EdgesUsed.BOTH, EdgesUsed.LEAD])
@trials((80, SOME_SPEEDS), (400, MORE_SPEEDS), "count_and_speeds")
def test_lab_what_if_and_a_board_with_steps_of_1_ms_agree(
    tmp_path, edges, count_and_speeds
) -> None:
    """One launcher without scatter: its shots on a coarse board, on a fine one as if it had
    been coarse, and on the bench of the lab."""
    count, speeds = count_and_speeds
    one_pair = Assumptions(edges=edges)
    for speed in speeds:
        rng = np.random.default_rng(round(10 * speed))
        fine = thrown_lines(tmp_path, rng, speed, count, 62.5e-9)
        supposed = what_if(fine, Assumptions(tick_s=1e-3, edges=edges))
        coarse = thrown_lines(tmp_path, rng, speed, count, 1e-3).session
        board = measure(one_pair.shots(coarse.log.shots), coarse.model)
        bench = bench_of_rig(fine.session.rig, speed, edges).with_values(tick_s=1e-3)
        lab = look(bench).repeated.measured

        assert supposed.compared.all()
        told = [each.speed_mps for each in (supposed.supposed, board, lab)]
        spreads = [float(np.std(each, ddof=1)) for each in told]
        # the gates of each are their own: a fiftieth of a step, where few steps are counted
        steps_mps = speed * 1e-3 / (0.3 / speed)
        assert np.ptp(spreads) <= 0.12 * steps_mps, (speed, spreads)
        assert np.ptp([each.mean() for each in told]) <= 0.12 * steps_mps, speed
        stated = [float(each.u_random_mps.mean()) for each in (supposed.supposed, board, lab)]
        assert np.ptp(stated) <= 0.05 * stated[0]


def thrown_lines(folder, rng, speed_mps, count, tick_s):
    """Read the lines of one rig that is as it is stated."""
    thrown_session(folder, rng, SQUASH, np.full(count, speed_mps), tick_s=tick_s, is_exact=True)
    return read_recording(folder / "lines.tsv")
