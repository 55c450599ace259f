"""Shots repeated on a bench: counting as theory says, and the truth held as the ± says."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from chrono.measuring.speed import SpeedModel
from chrono.processor.shot_records import ABSENT, EdgesUsed
from chrono.teaching.lab_bench import PRESETS, USUAL
from chrono.teaching.repeated_shots import count_shots, repeat_shots, step_errors

COUNT = 20_000
ONE_PAIR = [EdgesUsed.LEAD, EdgesUsed.TRAIL]


def errors(edges: EdgesUsed, seed: int = 1, **values) -> np.ndarray:
    bench = USUAL.with_values(edges=edges, **values)
    return step_errors(bench, SpeedModel.from_rig(bench.rig), seed, COUNT)


@pytest.mark.parametrize("edges", ONE_PAIR)
@pytest.mark.parametrize("values", [{}, {"tick_s": 1e-4, "speed_mps": 60.0, "spacing_m": 0.02}])
def test_the_steps_of_one_pair_err_as_a_triangle(edges, values) -> None:
    # JCGM 101:2008, 6.4.5: the difference of two rectangular errors of half a tick each;
    # sd a/√6 for the half-width a of one tick (GUM 4.3.9)
    found = errors(edges, **values)
    triangle = stats.triang(0.5, loc=-1, scale=2)
    assert stats.kstest(found, triangle.cdf).pvalue > 0.001
    assert found.std() == pytest.approx(1 / math.sqrt(6), rel=4 / math.sqrt(2 * COUNT))
    assert abs(found.mean()) < 4 / math.sqrt(6 * COUNT)


def test_the_steps_of_two_pairs_err_by_half_of_that_variance() -> None:
    found = errors(EdgesUsed.BOTH)
    assert found.std() == pytest.approx(1 / math.sqrt(12), rel=4 / math.sqrt(2 * COUNT))
    assert np.abs(found).max() < 1


def test_one_speed_has_two_readings_and_their_own_scatter() -> None:
    # a transit of n + F ticks is counted n or n + 1 times, n + 1 with the chance F: its
    # standard deviation is √(F(1 − F)) (binomial), whatever the triangle says of many speeds
    bench = PRESETS[1].bench().with_values(jitter_s=0.0)
    transit_s = np.full(COUNT, 11.3 * bench.tick_s)
    rng = np.random.default_rng(5)
    shots = count_shots(bench, transit_s, transit_s, transit_s, rng)
    values, counts = np.unique(shots["lead"], return_counts=True)
    assert values.tolist() == [11, 12]
    assert counts[1] / COUNT == pytest.approx(0.3, abs=4 * math.sqrt(0.21 / COUNT))
    assert shots["lead"].std() == pytest.approx(math.sqrt(0.21), rel=0.03)


def test_jitter_comes_in_at_both_ends_of_a_transit() -> None:
    bench = USUAL.with_values(jitter_s=20e-6)
    same = np.full(COUNT, 0.01)
    shots = count_shots(bench, same, same, same, np.random.default_rng(2))
    expected = 20e-6 * math.sqrt(2) / bench.tick_s
    assert shots["lead"].std() == pytest.approx(expected, rel=0.03)
    mean = (shots["lead"] + shots["trail"]) / 2
    assert mean.std() == pytest.approx(expected / math.sqrt(2), rel=0.03)


def test_gates_are_blocked_for_the_bodys_length() -> None:
    bench = USUAL.with_values(tick_s=1e-6)
    model = SpeedModel.from_rig(bench.rig)
    found = repeat_shots(bench, model, 1)
    # chords up to 5 mm off the middle of a ball differ by up to 2·0.64 mm, half of it in the
    # mean of both gates; spacing and trips are 0.3 % off at most, and a tick is 22 um
    limit_m = 0.64e-3 + 0.003 * 0.04 + 2 * 22e-6
    assert found.measured.body_length_m == pytest.approx(0.04, abs=limit_m)
    assert found.measured.body_length_m.mean() == pytest.approx(0.04, rel=0.005)


@pytest.mark.parametrize("edges", ONE_PAIR)
def test_what_one_pair_leaves_unused_is_absent(edges) -> None:
    bench = USUAL.with_values(edges=edges)
    same = np.full(5, 0.01)
    shots = count_shots(bench, same, same, same, np.random.default_rng(2))
    unused = "trail" if edges == EdgesUsed.LEAD else "lead"
    assert (shots[unused] == ABSENT).all()
    assert (shots["used"] == edges).all()


@pytest.mark.parametrize("edges", [*ONE_PAIR, EdgesUsed.BOTH])
def test_a_late_sensor_delays_the_front_and_the_back_alike(edges) -> None:
    gates = USUAL.base.gates.model_copy(update={"latency_mismatch_s": 1e-3})
    late = replace(USUAL, base=USUAL.base.model_copy(update={"gates": gates}), edges=edges)
    model = SpeedModel.from_rig(late.rig)
    transits_s = [
        repeat_shots(late, model, seed, count=2).measured.transit_s.mean()
        for seed in range(400)
    ]
    # a rectangle of half-width 1 ms (GUM 4.3.7); everything else is below 0.1 ms
    assert np.std(transits_s) == pytest.approx(1e-3 / math.sqrt(3), rel=0.1)


def test_the_same_seed_repeats_everything_and_another_draws_other_gates() -> None:
    model = SpeedModel.from_rig(USUAL.rig)
    first, again, other = (repeat_shots(USUAL, model, seed) for seed in (3, 3, 4))
    assert (first.measured.speed_mps == again.measured.speed_mps).all()
    apart = abs(first.measured.speed_mps.mean() - other.measured.speed_mps.mean())
    assert apart > 5 * first.measured.speed_mps.std()


def test_shots_spread_as_they_are_told_to() -> None:
    bench = USUAL.with_values(spread=0.02)
    found = repeat_shots(bench, SpeedModel.from_rig(bench.rig), 1)
    assert found.true_mps.std() == pytest.approx(0.02 * 22, rel=0.1)
    assert len(found.true_mps) == 1000
    still = repeat_shots(USUAL, SpeedModel.from_rig(USUAL.rig), 1)
    assert (still.true_mps == 22).all()


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_many_gates_of_one_description_hold_the_truth_as_their_uncertainty_says(preset) -> None:
    bench = preset.bench().with_values(spread=0.05)
    model = SpeedModel.from_rig(bench.rig)
    held = []
    for seed in range(600):
        found = repeat_shots(bench, model, seed, count=3)
        off = np.abs(found.measured.speed_mps - found.true_mps)
        held.append((off <= found.measured.U95_mps).mean())
    assert 0.93 <= np.mean(held) <= 0.975


def test_the_mean_of_many_gates_errs_by_no_more_than_their_shared_part() -> None:
    model = SpeedModel.from_rig(USUAL.rig)
    means = [repeat_shots(USUAL, model, s, 4).measured.speed_mps.mean() for s in range(400)]
    shared = repeat_shots(USUAL, model, 0, 4).measured.u_shared_mps[0]
    assert np.std(means) == pytest.approx(shared, rel=0.12)
    assert np.mean(means) == pytest.approx(22.0, abs=4 * shared / 20)


@pytest.mark.parametrize("edges", ONE_PAIR)
def test_one_pair_gives_the_speed_of_the_middle_of_a_ball_that_drag_slows(edges) -> None:
    # drag makes front and back pass faster and slower than the middle: by 1.5e-4 each at
    # κ = 0.0148/m and a ball of 40 mm, which its correction takes out again
    values = {"edges": edges, "trip_m": 0.0, "clock_tolerance": 0.0, "spacing_m": 1.0}
    bench = USUAL.with_values(**values)
    model = SpeedModel.from_rig(bench.rig)
    means = [repeat_shots(bench, model, s, 40).measured.speed_mps.mean() for s in range(300)]
    spread = np.std(means) / math.sqrt(len(means))
    assert np.mean(means) == pytest.approx(22.0, abs=4 * spread)
    assert 4 * spread < 1e-4 * 22
