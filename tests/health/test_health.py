"""The verdict on the gates, the link and the clock, case by case."""

from dataclasses import replace
from math import inf

import pytest

from chrono.arrays.events import RestartCause
from chrono.clock.clock_rate import ClockEstimate
from chrono.health.readiness import GateObservation, Observation, Readiness, judge_readiness
from chrono.measuring.calibration_uncertainty import CombinedUncertainty
from chrono.reports.readiness_text import health_text, health_words

CLEAR = GateObservation(blocked=False)
GOOD = Observation(span_s=20.0, gates=(CLEAR, CLEAR), lines=400, has_beats=True, silence_s=1.0)


def _clock(rate_error: float, u: float) -> ClockEstimate:
    return ClockEstimate(rate_error, CombinedUncertainty((), u, inf, 1.96 * u), 300, 1, 300.0)


def _gate_b(**changes: object) -> Observation:
    return replace(GOOD, gates=(CLEAR, replace(CLEAR, **changes)))


TROUBLES = {
    "nothing came": (Observation(span_s=5.0), "no line has come from the board"),
    "blocked": (_gate_b(blocked=True, blocked_for_s=12.3), "gate B is blocked"),
    "flicker": (
        _gate_b(flicker_hz=100.2, flicker_duty=0.3),
        "a lamp makes gate B flicker at 100 Hz",
    ),
    "noise": (_gate_b(noise=5), "gate B trips without a body (15 times a minute)"),
    "two spikes in ten seconds": (
        replace(_gate_b(noise=2), span_s=10.0),
        "gate B trips without a body (12 times a minute)",
    ),
    "chatter": (_gate_b(chatter=40), "gate B chatters at its threshold (120 times a minute)"),
    "damaged": (replace(GOOD, damaged=4), "1.0 % of the lines are damaged or lost"),
    "lost": (replace(GOOD, lost_lines=100), "25.0 % of the lines are damaged or lost"),
    "all damaged": (
        replace(GOOD, lines=30, damaged=30),
        "100.0 % of the lines are damaged or lost",
    ),
    "board lost": (replace(GOOD, board_lost=7), "the board dropped 7 edges"),
    "one restart": (replace(GOOD, restarts=1), "the board restarted once"),
    "restarts": (replace(GOOD, restarts=3), "the board restarted 3 times"),
    "restart by": (
        replace(GOOD, restarts=2, causes={RestartCause.WATCHDOG: 2}),
        "the board restarted 2 times (2 by its watchdog)",
    ),
    "silence": (replace(GOOD, silence_s=4.0), "the board was silent for 4.0 s"),
    "bounce": (
        replace(GOOD, timed=40, bounced=12, bounce_s=0.413e-6, jitter_s=0.4e-6),
        "in 28 shots, no edge bounced, but noise may shift the edges by more than the jitter "
        "in the rig",
    ),
    "three bounces are enough": (
        replace(GOOD, timed=6, bounced=3, bounce_s=0.5e-6, jitter_s=0.4e-6),
        "in 3 shots, no edge bounced, but noise may shift the edges by more than the jitter "
        "in the rig",
    ),
    "clock": (
        replace(GOOD, clock=_clock(3e-3, 5e-6)),
        "the counter's rate is wrong by +3000 ppm, but the rig states only ± 50 ppm",
    ),
}

FINE = {
    "all well": GOOD,
    "a body just now in the gate": _gate_b(blocked=True, blocked_for_s=0.4),
    "levels not known": replace(GOOD, gates=(GateObservation(), GateObservation())),
    "one spike": _gate_b(noise=1),
    "spikes seldom": replace(_gate_b(noise=5), span_s=60.0),
    "a line cut at the start": replace(GOOD, damaged=1),
    "one line in a thousand lost": replace(GOOD, lines=5000, lost_lines=5),
    "one late beat": replace(GOOD, silence_s=2.1),
    "clock within the rig's tolerance": replace(GOOD, clock=_clock(45e-6, 10e-6)),
    "clock as it was calibrated": replace(GOOD, rate_error=3e-3, clock=_clock(3.02e-3, 5e-6)),
    "clock off by no more than is known": replace(GOOD, clock=_clock(60e-6, 10e-6)),
    "bounces within the jitter": replace(
        GOOD, timed=40, bounced=12, bounce_s=0.4e-6, jitter_s=0.4e-6
    ),
    "nearly all shots bounced": replace(
        GOOD, timed=40, bounced=38, bounce_s=1e-6, jitter_s=1e-7
    ),
    "two shots bounced": replace(GOOD, timed=40, bounced=2, bounce_s=1e-6, jitter_s=1e-7),
    "lines without beats": replace(GOOD, has_beats=False, silence_s=20.0),
}


@pytest.mark.parametrize("case", TROUBLES)
def test_one_trouble_is_the_one_reason_and_has_advice(case: str) -> None:
    observed, reason = TROUBLES[case]
    health = judge_readiness(observed)
    told = health_words(health)
    assert not health.ready
    assert not told.ready
    assert told.verdict == f"not ready because {reason}"
    assert all(item.advice for item in told.troubles)


@pytest.mark.parametrize("case", FINE)
def test_what_is_no_trouble_leaves_the_gates_ready(case: str) -> None:
    health = judge_readiness(FINE[case])
    assert health.ready
    assert health_words(health).verdict == "ready"


def test_every_reason_is_given_at_once() -> None:
    bad = GateObservation(True, 30.0, 120.0, 0.4, 50, 50)
    seen = Observation(20.0, (bad, bad), 100, 20, 20, 5, 2, True, 9.0, _clock(1e-2, 1e-6))
    health = judge_readiness(replace(seen, timed=9, bounced=4, bounce_s=1e-6, jitter_s=1e-7))
    assert len(health.troubles) == len(health.items) == 13
    assert health_words(health).verdict.count(";") == 12


def _text(health: Readiness) -> str:
    return health_text(health)


def test_the_text_has_a_line_per_item_the_verdict_and_what_to_do() -> None:
    lines = health_text(judge_readiness(_gate_b(blocked=True, blocked_for_s=12.3))).splitlines()
    assert "! beam B     blocked for 12.3 s" in lines
    assert "  beam A     clear" in lines
    assert lines[-2] == "not ready because gate B is blocked"
    assert lines[-1].startswith("  do: align the lamp and the sensor of gate B")


def test_the_text_of_good_gates_ends_with_ready() -> None:
    assert _text(judge_readiness(GOOD)).endswith("\nready")
    assert "rate not known" in _text(judge_readiness(GOOD))
    assert "+45 ± 20 ppm" in _text(judge_readiness(FINE["clock within the rig's tolerance"]))


@pytest.mark.parametrize(
    ("bounce_s", "stated"),
    [(0.413e-6, "0.42 us"), (0.42e-6, "0.42 us"), (12.01e-6, "13 us"), (0.0996e-6, "0.1 us")],
)
def test_the_jitter_to_state_covers_the_bounces_seen(bounce_s: float, stated: str) -> None:
    health = judge_readiness(replace(GOOD, timed=9, bounced=4, bounce_s=bounce_s, jitter_s=0.0))
    (item,) = health_words(health).troubles
    assert item.reading == "in 4 of 9 shots"
    assert f'set jitter = "{stated}" under [clock]' in item.advice


def test_bounces_are_told_in_shots_and_not_where_lines_cannot_tell_them() -> None:
    readings = {
        "no shots": GOOD,
        "none in 1 shot": replace(GOOD, timed=1),
        "not known: no line says whether a gate is dark": replace(
            GOOD, gates=(GateObservation(),) * 2, timed=4
        ),
    }
    for reading, seen in readings.items():
        (item,) = (i for i in health_words(judge_readiness(seen)).items if i.name == "bounce")
        assert item.reading == reading
