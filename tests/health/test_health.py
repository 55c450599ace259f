"""The verdict on the gates, the link and the clock, case by case."""

from dataclasses import replace
from math import inf

import pytest

from chrono.clock.rate import ClockEstimate
from chrono.health.verdict import GateSeen, Health, Observed, judge
from chrono.measuring.combined import Combined
from chrono.reports.health import health_text

CLEAR = GateSeen(blocked=False)
GOOD = Observed(span_s=20.0, gates=(CLEAR, CLEAR), lines=400, has_beats=True, silence_s=1.0)


def _clock(rate_error: float, u: float) -> ClockEstimate:
    return ClockEstimate(rate_error, Combined((), u, inf, 1.96 * u), 300, 1, 300.0, ())


def _gate_b(**changes: object) -> Observed:
    return replace(GOOD, gates=(CLEAR, replace(CLEAR, **changes)))


TROUBLES = {
    "nothing came": (Observed(span_s=5.0), "no line has come from the board"),
    "blocked": (_gate_b(blocked=True, blocked_for_s=12.3), "gate B is blocked"),
    "flicker": (
        _gate_b(flicker_hz=100.2, flicker_duty=0.3),
        "a lamp makes gate B flicker at 100 Hz",
    ),
    "noise": (_gate_b(noise=5), "gate B trips on its own (15 a minute)"),
    "chatter": (_gate_b(chatter=40), "gate B chatters at its threshold (120 a minute)"),
    "damaged": (replace(GOOD, damaged=4), "1.0 % of the lines are damaged or lost"),
    "lost": (replace(GOOD, lost_lines=100), "25.0 % of the lines are damaged or lost"),
    "all damaged": (
        replace(GOOD, lines=30, damaged=30),
        "100.0 % of the lines are damaged or lost",
    ),
    "board lost": (replace(GOOD, board_lost=7), "the board dropped 7 edges"),
    "one restart": (replace(GOOD, restarts=1), "the board restarted once"),
    "restarts": (replace(GOOD, restarts=3), "the board restarted 3 times"),
    "silence": (replace(GOOD, silence_s=4.0), "the board was silent for 4.0 s"),
    "clock": (
        replace(GOOD, clock=_clock(3e-3, 5e-6)),
        "the counter's rate is off by +3000 ppm, the rig allows ± 50 ppm",
    ),
}

FINE = {
    "all well": GOOD,
    "a body just now in the gate": _gate_b(blocked=True, blocked_for_s=0.4),
    "levels not known": replace(GOOD, gates=(GateSeen(), GateSeen())),
    "one spike": _gate_b(noise=1),
    "spikes seldom": replace(_gate_b(noise=5), span_s=60.0),
    "a line cut at the start": replace(GOOD, damaged=1),
    "one line in a thousand lost": replace(GOOD, lines=5000, lost_lines=5),
    "one late beat": replace(GOOD, silence_s=2.1),
    "clock within the rig's tolerance": replace(GOOD, clock=_clock(45e-6, 10e-6)),
    "clock off by no more than is known": replace(GOOD, clock=_clock(60e-6, 10e-6)),
    "lines without beats": replace(GOOD, has_beats=False, silence_s=20.0),
}


@pytest.mark.parametrize("case", TROUBLES)
def test_one_trouble_is_the_one_reason_and_has_advice(case: str) -> None:
    observed, reason = TROUBLES[case]
    health = judge(observed)
    assert not health.ready
    assert health.verdict == f"not ready because {reason}"
    assert all(item.advice for item in health.troubles)


@pytest.mark.parametrize("case", FINE)
def test_what_is_no_trouble_leaves_the_gates_ready(case: str) -> None:
    health = judge(FINE[case])
    assert health.verdict == "ready"
    assert health.ready


def test_every_reason_is_given_at_once() -> None:
    bad = GateSeen(True, 30.0, 120.0, 0.4, 50, 50)
    health = judge(Observed(20.0, (bad, bad), 100, 20, 20, 5, 2, True, 9.0, _clock(1e-2, 1e-6)))
    assert len(health.troubles) == len(health.items) == 12
    assert health.verdict.count(";") == 11


def _text(health: Health) -> str:
    return health_text(health)


def test_the_text_has_a_line_per_item_the_verdict_and_what_to_do() -> None:
    lines = health_text(judge(_gate_b(blocked=True, blocked_for_s=12.3))).splitlines()
    assert "! beam B     blocked for 12.3 s" in lines
    assert "  beam A     clear" in lines
    assert lines[-2] == "not ready because gate B is blocked"
    assert lines[-1].startswith("  do: align the lamp and the sensor of gate B")


def test_the_text_of_good_gates_ends_with_ready() -> None:
    assert _text(judge(GOOD)).endswith("\nready")
    assert "rate not known" in _text(judge(GOOD))
    assert "+45 ± 20 ppm" in _text(judge(FINE["clock within the rig's tolerance"]))
