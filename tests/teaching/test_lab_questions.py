"""Answers are computed from the bench; what is plain physics is checked by hand."""

import math

import pytest

from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed
from chrono.reports.lab_text import answer_lines
from chrono.teaching.lab_bench import PRESETS, USUAL
from chrono.teaching.lab_questions import QUESTIONS, side_of

COARSE = PRESETS[1].bench()
SPACING, TICK, SPEED, CLOCK, JITTER, PAIRS, MEAN = QUESTIONS


def ratio(question, bench) -> float:
    answer = question.answer(bench)
    return answer.after.relative / answer.before.relative


def test_twice_the_spacing_halves_the_error_where_lengths_or_ticks_rule() -> None:
    assert ratio(SPACING, USUAL) == pytest.approx(0.5, abs=0.01)
    assert ratio(SPACING, COARSE) == pytest.approx(0.5, abs=0.02)
    # a clock's error is a part of the time, whatever the way
    ceramic = PRESETS[3].bench()
    assert ratio(SPACING, ceramic) == pytest.approx(1, abs=0.02)


def test_half_the_tick_matters_only_where_the_tick_rules() -> None:
    assert ratio(TICK, USUAL) == pytest.approx(1, abs=1e-3)
    assert ratio(TICK, COARSE) == pytest.approx(0.5, abs=0.05)


def test_twice_the_speed_doubles_what_timing_does() -> None:
    assert ratio(SPEED, COARSE) == pytest.approx(2, abs=0.1)
    assert ratio(SPEED, USUAL) == pytest.approx(1, abs=0.02)
    after = SPEED.answer(COARSE).after
    assert after.speed_mps == pytest.approx(90)


def test_a_better_clock_helps_a_bad_one() -> None:
    assert ratio(CLOCK, PRESETS[3].bench()) < 0.25
    assert CLOCK.answer(PRESETS[3].bench()).after.rules == "gate spacing"


def test_more_jitter_rules_in_the_end() -> None:
    answer = JITTER.answer(PRESETS[2].bench())
    assert answer.after.rules == "jitter"
    assert answer.after.relative == pytest.approx(10 * answer.before.relative, rel=0.05)


def test_pairs_are_exchanged_either_way() -> None:
    assert PAIRS.change(USUAL).edges == EdgesUsed.LEAD
    assert PAIRS.change(COARSE).edges == EdgesUsed.BOTH
    assert PAIRS.change(USUAL.with_values(edges=EdgesUsed.TRAIL)).edges == EdgesUsed.BOTH
    assert ratio(PAIRS, USUAL) > 1.2
    assert ratio(PAIRS, COARSE) == pytest.approx(1 / math.sqrt(2), abs=0.05)


def test_a_mean_of_a_hundred_loses_what_is_random_and_keeps_what_is_shared() -> None:
    shared = MEAN.answer(USUAL)
    assert shared.after.relative == pytest.approx(shared.before.relative, rel=0.01)
    assert shared.after.rules == "shared errors"
    trembling = MEAN.answer(PRESETS[2].bench())
    assert trembling.after.relative < 0.25 * trembling.before.relative


def test_the_share_of_a_mean_is_one_of_variances() -> None:
    bench = PRESETS[2].bench()
    model = SpeedModel.from_rig(bench.rig)
    one = shot_budget(model, model.board_transit(45.0), EdgesUsed.BOTH)
    after = MEAN.answer(bench).after
    expected = one.u_shared_mps**2 / (one.u_shared_mps**2 + one.u_random_mps**2 / 100)
    assert after.rules == "shared errors"
    assert after.share == pytest.approx(expected, abs=0.07)


def test_a_change_that_changes_nothing_says_so() -> None:
    assert CLOCK.answer(USUAL.with_values(clock_tolerance=0.0)).after is None
    assert JITTER.answer(USUAL.with_values(jitter_s=0.0)).after is None


def test_a_mean_without_a_reading_is_none() -> None:
    bench = COARSE.with_values(tick_s=1e-3, spacing_m=0.02, speed_mps=300.0)
    fast = bench.with_values(speed_mps=1e5, jitter_s=0.0)
    answer = MEAN.answer(fast)
    assert answer.after is None
    assert answer_lines(answer, "m/s") == [
        "No simulated shot has a speed, so there is no mean."
    ]


def test_before_is_the_bench_itself() -> None:
    for question in QUESTIONS:
        assert question.answer(USUAL).before == side_of(USUAL)
