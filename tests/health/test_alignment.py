"""Light against thresholds: verdicts, margin, what is remembered, and when the bell rings."""

import pytest

from chrono.health.alignment import (
    BEST_WITHIN_S,
    DISAGREES_AFTER,
    AlignmentMonitor,
    AlignmentVerdict,
    GateAlignment,
    Tone,
    judge_alignment,
    tone_period_s,
)
from chrono.reader.line_grammar import GateLevels

GOOD = GateLevels(1.03, 0.463, 0.577)
"""The gate of firmware_notes/gate.md, by its circuit simulation."""


def with_light(light_v: float) -> GateLevels:
    return GOOD._replace(light_v=light_v)


def gate_of(levels: GateLevels) -> GateAlignment:
    return AlignmentMonitor().follow((levels, GOOD), (None, None), 0)[0]


@pytest.mark.parametrize(
    ("levels", "verdict"),
    [
        (GOOD, AlignmentVerdict.GOOD),
        (GateLevels(1.03, 0.41, 0.52), AlignmentVerdict.TRIPS_LATE),
        (GateLevels(1.03, 0.42, 0.53), AlignmentVerdict.GOOD),
        (GateLevels(1.03, 0.51, 0.62), AlignmentVerdict.GOOD),
        (GateLevels(1.03, 0.52, 0.63), AlignmentVerdict.TRIPS_EARLY),
        (with_light(0.79), AlignmentVerdict.DIM),
        (GateLevels(0.81, 0.37, 0.48), AlignmentVerdict.GOOD),
        (GateLevels(2.49, 1.12, 1.22), AlignmentVerdict.GOOD),
        (GateLevels(2.51, 1.13, 1.23), AlignmentVerdict.BRIGHT),
        (with_light(0.58), AlignmentVerdict.DIM),
        (with_light(0.57), AlignmentVerdict.UNCLEAR),
        (with_light(0.47), AlignmentVerdict.UNCLEAR),
        (with_light(0.45), AlignmentVerdict.STRAY),
        (with_light(0.11), AlignmentVerdict.STRAY),
        (with_light(0.10), AlignmentVerdict.BLOCKED),
        (with_light(0.0), AlignmentVerdict.BLOCKED),
        (GateLevels(1.03, 0.04, 0.15), AlignmentVerdict.NO_TRIMMER),
        (GateLevels(5.0, 4.9, 5.0), AlignmentVerdict.NO_TRIMMER),
    ],
)
def test_a_beam_is_judged_by_the_limits_of_the_notes(
    levels: GateLevels, verdict: AlignmentVerdict
) -> None:
    assert judge_alignment(levels) is verdict


def test_the_margin_is_the_share_of_light_that_may_go() -> None:
    gate = gate_of(GateLevels(1.0, 0.45, 0.55))
    assert (gate.margin, gate.trip_share) == pytest.approx((0.55, 0.45))
    assert gate_of(with_light(0.2)).margin == 0.0
    assert gate_of(with_light(0.0)).margin == 0.0


def test_the_most_light_is_remembered_for_a_while() -> None:
    monitor, after_us = AlignmentMonitor(), int(BEST_WITHIN_S * 1e6)
    best = [
        monitor.follow((with_light(light_v), GOOD), (None, None), us)[0].best_v
        for us, light_v in ((0, 0.9), (1, 1.2), (2, 1.0), (after_us, 0.8), (after_us + 2, 0.7))
    ]
    assert best == [0.9, 1.2, 1.2, 1.2, 1.0]


@pytest.mark.parametrize(
    ("light_v", "blocked", "says"),
    [(1.03, True, True), (0.2, False, True), (1.03, False, False), (0.2, True, False),
     (0.5, True, False), (0.5, False, False), (1.03, None, False)],
)  # fmt: skip
def test_light_and_gate_must_agree_but_not_at_every_moment(
    light_v: float, blocked: bool | None, says: bool
) -> None:
    monitor = AlignmentMonitor()
    verdicts = []
    for us in range(DISAGREES_AFTER):
        levels = (GOOD, with_light(light_v))
        for _ in range(5):  # looked at more often than they come
            verdicts.append(monitor.follow(levels, (False, blocked), us)[1].verdict)
    before = verdicts[:-5]
    assert AlignmentVerdict.CONTRADICTION not in before
    assert (verdicts[-1] is AlignmentVerdict.CONTRADICTION) is says


@pytest.mark.parametrize("gate", [0, 1])
def test_a_gate_has_to_disagree_three_times_in_a_row_from_the_start_and_again(gate) -> None:
    monitor, told = AlignmentMonitor(), []
    for us, blocked in enumerate([True, True, True, False, True, True, True]):
        levels = (with_light(1.03), with_light(1.03))
        verdict = monitor.follow(levels, (blocked, blocked), us)[gate].verdict
        told.append(verdict is AlignmentVerdict.CONTRADICTION)
    assert told == [False, False, True, False, False, False, True]


def test_a_contradiction_is_over_when_light_and_gate_agree() -> None:
    monitor = AlignmentMonitor()
    for us in range(5):
        monitor.follow((with_light(1.03), GOOD), (True, False), us)
    assert monitor.follow((with_light(1.02), GOOD), (False, False), 9)[0].verdict is (
        AlignmentVerdict.GOOD
    )


def test_the_bell_is_the_faster_the_more_margin_and_silent_for_a_blocked_gate() -> None:
    periods = [tone_period_s(gate_of(with_light(v))) for v in (0.5, 0.58, 0.7, 0.9, 1.03, 2.0)]
    assert periods[0] is None
    assert periods[1:] == sorted(periods[1:], reverse=True)
    assert periods[1] > 0.6
    assert periods[-1] == pytest.approx(0.15)


def test_the_bell_rings_for_one_gate_and_is_off_at_first() -> None:
    monitor, tone = AlignmentMonitor(), Tone()
    beams = monitor.follow((GOOD, with_light(0.2)), (None, None), 0)
    assert not tone.is_due(beams, 0.0)
    tone.turn_on()
    assert tone.gate == "A"
    assert [tone.is_due(beams, s) for s in (0.0, 0.1, 0.2, 0.3)] == [True, False, True, False]
    assert not tone.is_due((), 9.0)
    tone.turn_on()
    assert (tone.gate, tone.is_due(beams, 9.0)) == ("B", False)
    tone.turn_on()
    assert (tone.gate, tone.is_due(beams, 19.0)) == ("", False)
