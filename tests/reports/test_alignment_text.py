"""Bars and words for who aligns a beam: readable without colours and at 60 columns."""

import pytest

from chrono.health.alignment import AlignmentMonitor, AlignmentVerdict, GateAlignment
from chrono.reader.line_grammar import GateLevels
from chrono.reports.readiness_text import (
    BAR_CELLS,
    BAR_V,
    alignment_lines,
    bar_text,
    verdict_words,
)

GOOD = GateLevels(1.03, 0.463, 0.577)


def beams(a: GateLevels, b: GateLevels = GOOD) -> tuple[GateAlignment, GateAlignment]:
    return AlignmentMonitor().follow((a, b), (None, None), 0)


def test_two_lines_for_each_gate() -> None:
    assert alignment_lines(beams(GOOD, GateLevels(0.02, 0.463, 0.577))) == [
        "  A ███||███▎··········· 1.03 V, max. 1.03, margin 55 %",
        "    good: the gate trips at 45 % of full light",
        "  B ▏··||··············· 0.02 V, max. 0.02, margin 0 %",
        "!   the gate is blocked: turn D1, or take the card away",
    ]
    assert alignment_lines(()) == []


@pytest.mark.parametrize("light_v", [0.0, 0.3, 0.5, 1.0, 2.5, 3.0, 4.99])
def test_the_bar_is_as_long_as_the_light_and_shows_both_thresholds(light_v: float) -> None:
    gate = beams(GateLevels(light_v, 1.25, 1.50))[0]
    bar = bar_text(gate)
    assert len(bar) == BAR_CELLS
    assert [n for n, cell in enumerate(bar) if cell == "|"] == [10, 12]
    free = [n for n in range(BAR_CELLS) if n not in (10, 12)]
    full = sum(bar[n] == "█" for n in free)
    assert full == sum((n + 1) * BAR_V / BAR_CELLS <= light_v + 1e-9 for n in free)


@pytest.mark.parametrize("verdict", AlignmentVerdict)
@pytest.mark.parametrize("levels", [GOOD, GateLevels(4.99, 0.001, 4.9), GateLevels(0, 0, 0)])
def test_every_verdict_fits_the_narrowest_screen(
    verdict: AlignmentVerdict, levels: GateLevels
) -> None:
    """56 columns are left within a frame on a terminal of 60."""
    gate = GateAlignment("A", levels, levels.light_v, verdict)
    assert max(map(len, alignment_lines([gate]))) <= 56
    assert verdict_words(gate)


def test_verdicts_differ_in_words_and_the_good_one_alone_has_no_sign() -> None:
    gates = [GateAlignment("A", GOOD, 1.03, verdict) for verdict in AlignmentVerdict]
    words = {gate.verdict: alignment_lines([gate])[1] for gate in gates}
    assert len(set(words.values())) >= len(words) - 1  # too high and too low is one advice
    assert [v for v, line in words.items() if not line.startswith("!")] == [
        AlignmentVerdict.GOOD
    ]
