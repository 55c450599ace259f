"""Jitter from the shots: bodies fly by mechanics alone, and the truth is what was put in."""

import math
from dataclasses import replace

import numpy as np
import pytest
from gate_board import CAPTURE, SKETCH_1_US, SKETCH_4_US, Board, ticks_of
from gate_comparator import Band, noisy_transitions, trip_times
from gate_physics import SQUASH, Body, draw_rigs, fly, rod
from scipy import stats
from speed_rigs import make_shots

from chrono.measuring.timing_jitter import (
    LEAST_DOF,
    blocking_of,
    tells_timing,
    timing_scatter,
)

SESSIONS = 400
ROD = rod(0.040, 0.020)


def bulge_or_chord_m(body: Body, off_m: float) -> float:
    """Return the standard deviation of the difference of a body's two lengths, by drawing."""
    radius = body.diameter_m / 2
    y = np.random.default_rng(0).uniform(-off_m, off_m, (200_000, 2))
    lengths = 2 * np.sqrt(radius**2 - y**2)
    lean = 1.0 if body.shape == "round" else math.radians(1)
    return float(np.std(lengths[:, 1] - lengths[:, 0])) * lean


def sessions(rng, n, body, board, off_m, stated_off_m, speeds=(20.0, 22.0)):
    """Return what the shots of many rigs tell, each with its own delays and thresholds."""
    rigs = draw_rigs(rng, SESSIONS, off_centre_m=off_m).repeated(n)
    speed = rng.uniform(*speeds, len(rigs))
    flight = fly(rigs.with_paths(rng, off_centre_m=off_m), body, speed, drag_coefficient=0.47)
    ticks = ticks_of(rng, flight, board) / board.frequency_hz
    lead, trail = (ticks[:, 1, edge] - ticks[:, 0, edge] for edge in (0, 1))
    length_u_m = bulge_or_chord_m(body, stated_off_m) if stated_off_m else 0.0
    return [
        timing_scatter(
            trail[at] - lead[at],
            (trail[at] + lead[at]) / 2,
            np.zeros(n, np.intp),
            length_u_m / speed[at],
            tick_s=board.step / board.frequency_hz,
            stated_s=0.1e-6,
        )
        for at in (slice(i, i + n) for i in range(0, n * SESSIONS, n))
    ]


def boards(jitter_s: float) -> Board:
    return replace(CAPTURE, jitter_s=jitter_s)


@pytest.mark.parametrize("n", [10, pytest.param(20, marks=pytest.mark.long), 40])
@pytest.mark.parametrize(
    ("body", "off_m", "stated_off_m", "board"),
    [
        (ROD, 0.0, 0.0, boards(0.1e-6)),
        (ROD, 0.0, 0.0, boards(2e-6)),
        (ROD, 5e-3, 5e-3, boards(0.1e-6)),
        (ROD, 0.0, 0.0, SKETCH_1_US),
        (ROD, 0.0, 0.0, SKETCH_4_US),
        (SQUASH, 0.0, 5e-3, boards(0.1e-6)),
        (SQUASH, 1e-3, 1e-3, boards(2e-6)),
        (SQUASH, 5e-3, 5e-3, boards(2e-6)),
    ],
)
def test_the_interval_holds_the_jitter_that_was_put_in(n, body, off_m, stated_off_m, board):
    rng = np.random.default_rng(n)
    found = sessions(rng, n, body, board, off_m, stated_off_m)

    held = np.mean([each.low_s <= board.jitter_s <= each.high_s for each in found])
    too_much = np.mean([each.low_s > board.jitter_s for each in found])
    assert held >= 0.93, held
    assert too_much <= 0.045, too_much
    if off_m == 0 and stated_off_m == 0 and board.step == 1:
        told = np.sqrt(np.mean([each.jitter_s**2 for each in found]))
        assert told == pytest.approx(board.jitter_s, rel=0.07)


@pytest.mark.parametrize("n", [10, 20])
@pytest.mark.parametrize("speeds", [(20.0, 20.001), (15.0, 30.0)])
def test_it_holds_too_where_shots_are_equal_to_a_step_or_of_very_different_speeds(speeds, n):
    rng = np.random.default_rng(5)
    found = sessions(rng, n, ROD, SKETCH_4_US, 0.0, 0.0, speeds)

    held = np.mean([each.low_s <= SKETCH_4_US.jitter_s <= each.high_s for each in found])
    assert held >= 0.95, held


@pytest.mark.parametrize("tick_s", [0.0, 0.5e-6, 4e-6])
def test_jitter_and_its_interval_are_the_scatter_s_less_what_steps_and_chords_may_add(tick_s):
    """Of equal transits all scatter is about the mean: s and its χ² interval by scipy."""
    n, chord_s = 12, 0.4e-6
    difference_s = np.random.default_rng(7).normal(3e-6, 4e-6, n)
    found = timing_scatter(
        difference_s,
        np.full(n, 5e-3),
        np.zeros(n, np.intp),
        np.full(n, chord_s),
        tick_s=tick_s,
        stated_s=0.1e-6,
    )

    squares = (n - 1) * np.var(difference_s, ddof=1)
    low, high = (squares / stats.chi2.ppf(p, n - 1) for p in (0.975, 0.025))
    assert (found.shots, found.dof) == (n, n - 1)
    assert found.jitter_s == pytest.approx(np.sqrt((squares / (n - 1) - tick_s**2 / 3) / 4))
    assert found.low_s == pytest.approx(np.sqrt(max(low - tick_s**2 - chord_s**2, 0) / 4))
    assert found.high_s == pytest.approx(np.sqrt((high + tick_s**2 / 3) / 4))
    assert found.chords_s == pytest.approx(chord_s / 2)
    assert found.is_upper_limit == (tick_s > 1e-6), "steps of 4 us may be all of it"
    assert found.states_too_little == (tick_s < 1e-6), "a tenth of a microsecond was stated"


@pytest.mark.parametrize(("bodies", "dof"), [(1, 5), (2, 4)])
def test_fewer_than_five_degrees_of_freedom_tell_no_jitter(bodies, dof):
    """Seven shots: one number for all of them and one for the speed of each body."""
    rng = np.random.default_rng(8)
    found = timing_scatter(
        rng.normal(0, 1e-6, 7),
        rng.uniform(4e-3, 8e-3, 7),
        np.arange(7) % bodies,
        np.zeros(7),
        tick_s=0.0,
        stated_s=0.1e-6,
    )
    assert (found is not None) == (dof >= 5)
    assert found is None or found.dof == dof


def test_a_comparator_s_fast_noise_is_told_as_the_jitter_that_it_is():
    rng = np.random.default_rng(6)
    n, told, true = 40, [], []
    for _ in range(30):
        rig = draw_rigs(rng, 1, off_centre_m=0.0, hysteresis=0.06).repeated(n)
        flight = fly(rig, ROD, rng.uniform(20, 22, n), drag_coefficient=0.47)
        seen = noisy_transitions(rng, flight, [Band(0.01, 3e5)])
        clean = np.bincount(seen.shot, minlength=n) == 4
        times = np.full((n, 2, 2), np.nan)
        times[seen.shot, seen.gate, 1 - seen.level] = seen.time_s
        times = times[clean]
        true.append(np.var(times - trip_times(flight)[clean], axis=0, ddof=1).mean())
        lead, trail = (times[:, 1, edge] - times[:, 0, edge] for edge in (0, 1))
        found = timing_scatter(
            trail - lead,
            (trail + lead) / 2,
            np.zeros(len(times), np.intp),
            np.zeros(len(times)),
            tick_s=0.0,
            stated_s=0.1e-6,
        )
        told.append(found)
    sigma = math.sqrt(np.mean(true))
    assert sigma > 0.3e-6
    assert np.mean([each.low_s <= sigma <= each.high_s for each in told]) >= 0.85
    assert np.sqrt(np.mean([e.jitter_s**2 for e in told])) == pytest.approx(sigma, rel=0.1)
    assert np.mean([each.states_too_little for each in told]) == 1.0


def test_a_rig_that_states_its_jitter_is_hardly_ever_told_off_and_one_that_does_not_is():
    rng = np.random.default_rng(8)
    honest = sessions(rng, 20, ROD, boards(0.1e-6), 0.0, 0.0)
    wrong = sessions(rng, 20, ROD, boards(0.4e-6), 0.0, 0.0)

    assert np.mean([each.states_too_little for each in honest]) <= 0.04
    assert np.mean([each.states_too_little for each in wrong]) >= 0.98
    # what is advised is enough, but for the one in forty that an interval's end allows
    assert np.mean([each.high_s >= 0.4e-6 for each in wrong]) >= 0.95


def test_what_each_setup_s_bodies_have_in_proportion_to_the_transit_is_no_scatter():
    rng = np.random.default_rng(9)
    transit = np.concatenate([rng.uniform(10e-3, 11e-3, 15), rng.uniform(6e-3, 9e-3, 15)])
    body = np.repeat([0, 3], 15)
    difference = 1.5e-6 + np.where(body == 3, 4e-3, -1e-3) * transit
    noise = rng.normal(0, 2e-6, 30)

    found = timing_scatter(
        difference + noise, transit, body, np.zeros(30), tick_s=0.0, stated_s=1e-6
    )

    assert found.dof == 27
    columns = np.stack([np.ones(30), transit * (body == 0), transit * (body == 3)], 1)
    fitted = columns @ np.linalg.lstsq(columns, noise, rcond=None)[0]
    by_hand = math.sqrt(((noise - fitted) ** 2).sum() / 27 / 4)
    assert found.jitter_s == pytest.approx(by_hand, rel=1e-6)


def test_few_shots_tell_nothing():
    few = LEAST_DOF + 1
    transit = np.linspace(9e-3, 10e-3, few)
    rest = np.random.default_rng(1).normal(0, 1e-6, few)

    def tell(n):
        zeros = np.zeros(n, np.intp)
        return timing_scatter(rest[:n], transit[:n], zeros, zeros, tick_s=0.0, stated_s=1e-7)

    assert tell(few) is None
    assert tell(1) is None


def test_the_lengths_that_both_gates_see_are_medians_of_shots_that_have_both():
    at_a, at_b = np.array([0.036, 0.050, np.nan]), np.array([0.044, np.nan, 0.032])
    found = blocking_of(at_a, at_b, 0.040)
    assert (found.shots, found.at_a_m, found.at_b_m) == (1, 0.036, 0.044)
    assert found.is_off(0.05)
    assert not found.is_off(0.25)
    assert blocking_of(at_a[1:], at_b[1:], 0.040) is None


def test_shots_that_bounced_or_came_late_tell_nothing_of_the_jitter_stated() -> None:
    shots = make_shots([240_000] * 3)
    shots["bounce"][1] = 0.5
    assert tells_timing(shots).tolist() == [True, False, True]
