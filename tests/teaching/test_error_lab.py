"""What a bench shows, against the budget and against plain arithmetic."""

import math

import numpy as np
import pytest

from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed
from chrono.teaching.error_lab import STEP_TRANSITS, look
from chrono.teaching.lab_bench import PRESETS, USUAL

COARSE = PRESETS[1].bench()


@pytest.fixture(scope="module", name="coarse")
def _coarse():
    return look(COARSE, 3)


def test_the_budget_is_that_of_the_measuring_code(coarse) -> None:
    model = SpeedModel.from_rig(COARSE.rig)
    transit_s = model.board_transit(45.0, EdgesUsed.LEAD)
    assert coarse.budget == shot_budget(model, transit_s, EdgesUsed.LEAD)
    assert coarse.transit_s == transit_s == pytest.approx(0.05 / 45, rel=2e-3)
    assert coarse.rules == ("tick", pytest.approx(0.948, abs=0.002))
    assert sum(coarse.shares.values()) == pytest.approx(1)


def test_readings_are_one_tick_apart_and_half_a_tick_for_two_pairs(coarse) -> None:
    assert coarse.rung_s == 100e-6
    two = look(COARSE.with_values(edges=EdgesUsed.BOTH))
    assert two.rung_s == 50e-6
    for seen in (coarse, two):
        rungs = seen.repeated.transit_ticks * seen.bench.tick_s / seen.rung_s
        assert rungs == pytest.approx(np.rint(rungs))


def test_each_line_of_the_error_is_that_of_the_budget_at_that_speed(coarse) -> None:
    curves = coarse.curves
    for i in (0, 40, 119):
        v = float(curves.speed_mps[i])
        transit_s = coarse.model.board_transit(v, EdgesUsed.LEAD)
        budget = shot_budget(coarse.model, transit_s, EdgesUsed.LEAD)
        assert curves.whole[i] == pytest.approx(budget.u_mps / v)
        tick = next(c for c in budget.contributions if c.name == "tick")
        assert curves.parts["tick"][i] == pytest.approx(tick.u_out / v)
        trips = [c.u_out for c in budget.contributions if c.name.startswith("trip")]
        assert curves.parts["trip position"][i] == pytest.approx(math.hypot(*trips) / v)


def test_timing_grows_with_the_speed_and_lengths_do_not(coarse) -> None:
    # u(Δ)/Δ = (tick/√6)·v/d, by hand; a length's part is u/d at any speed
    parts, speeds = coarse.curves.parts, coarse.curves.speed_mps
    assert parts["tick"] == pytest.approx(1e-4 / math.sqrt(6) * speeds / 0.05, rel=2e-3)
    assert parts["gate spacing"] == pytest.approx(0.5e-3 / math.sqrt(3) / 0.05, rel=1e-3)
    assert "clock rate" in parts


def test_what_does_not_contribute_has_no_line() -> None:
    seen = look(USUAL.with_values(jitter_s=0.0, trip_m=0.0))
    assert "jitter" not in seen.curves.parts
    assert "trip position" not in seen.curves.parts
    assert "chords" not in seen.curves.parts, "two pairs are free of them"


def test_it_is_told_from_which_speed_on_the_tick_rules(coarse) -> None:
    # half of the variance: (tick/√6)·v/d equals the root of all other parts squared
    others = [v for name, v in coarse.curves.parts.items() if name != "tick"]
    at = coarse.tick_rules_from_mps
    rest = math.hypot(*(np.interp(at, coarse.curves.speed_mps, v) for v in others))
    assert 1e-4 / math.sqrt(6) * at / 0.05 == pytest.approx(rest, rel=0.01)
    assert 5 < at < 20
    assert math.isnan(look(USUAL).tick_rules_from_mps)
    coarser = look(COARSE.with_values(tick_s=1e-3))
    # a tenth, but for the slope: it counts for more where a body is slow
    assert coarser.tick_rules_from_mps == pytest.approx(at / 10, rel=0.08)


def test_the_steps_are_counted_and_expected_alike(coarse) -> None:
    steps = coarse.steps
    assert steps.counted.sum() == STEP_TRANSITS
    assert steps.expected.sum() == pytest.approx(STEP_TRANSITS)
    # chi-square of 40 intervals; 77.5 is its 99.95 % point for 39 degrees of freedom
    assert ((steps.counted - steps.expected) ** 2 / steps.expected).sum() < 77.5
    assert steps.sd == pytest.approx(steps.sd_expected, rel=0.02)
    assert steps.sd_expected == pytest.approx(1 / math.sqrt(6))
    assert look(COARSE.with_values(edges=EdgesUsed.BOTH)).steps.sd_expected == pytest.approx(
        1 / math.sqrt(12)
    )


def test_how_many_repeats_hold_the_truth_is_counted(coarse) -> None:
    measured, true = coarse.repeated.measured, coarse.repeated.true_mps
    by_hand = sum(
        abs(v - t) <= u
        for v, t, u in zip(measured.speed_mps, true, measured.U95_mps, strict=True)
    )
    assert coarse.held == by_hand
    assert 0 < coarse.held < 1000


def test_a_bench_whose_transit_is_shorter_than_a_tick_is_shown_as_well() -> None:
    seen = look(COARSE.with_values(tick_s=1e-3, spacing_m=0.02, speed_mps=300.0))
    assert seen.transit_s < seen.bench.tick_s
    assert not np.isfinite(seen.repeated.measured.speed_mps).all()
    assert seen.budget.highest_mps == math.inf
    assert seen.held < 1000
