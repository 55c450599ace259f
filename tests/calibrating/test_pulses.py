"""The self-test's arithmetic on lines made here: known delays, wraps, bounce, late edges."""

from dataclasses import replace
from random import Random

import numpy as np
import pytest

from chrono.calibrating.calibration import rig_changes
from chrono.calibrating.pulses import (
    BEATS,
    BURST_CHANGES,
    CHANGES,
    PulseTest,
    delay_of,
    pulse_test,
)
from chrono.errors import CalibrationError
from chrono.reader.line_grammar import Event, Hello, encode_beat, encode_edge, parse_framed
from chrono.reports.self_test_text import pulse_data, pulse_doubt, pulse_evidence, pulse_report

HZ, BITS = 62_500_000, 31
US = 62.5
BOARD = Hello(1, HZ, BITS, "gates-rp2040", "1.0")


class Lines:
    """Lines of a board, numbered, with the host's time of each."""

    def __init__(self, start: int, rate_error: float = 0.0) -> None:
        self.events: list[tuple[int, Event]] = []
        self.start, self.host_hz = start, HZ * (1 + rate_error)

    def add(self, at: int, line: bytes) -> None:
        parsed = parse_framed(line)
        assert isinstance(parsed, Event)
        self.events.append((round(1e6 * (at - self.start) / self.host_hz), parsed))

    def beat(self, at: int, lost: int = 0) -> None:
        self.add(at, encode_beat(len(self.events), at % (1 << BITS), 0, 0, lost))

    def edge(self, at: int, gate: int, level: int, late: bool = False) -> None:
        line = encode_edge(len(self.events), gate, level, at % (1 << BITS), late=late)
        self.add(at, line)


def played(
    rises_us: tuple[float, float],
    falls_us: tuple[float, float],
    *,
    inverted: bool = False,
    late_b: bool = False,
    bounce: bool = False,
    lost_before: int = 0,
    lost: int = 0,
    after_s: int = 0,
    rate_error: float = 0.0,
    start: int = (1 << BITS) - 10_000_000,
) -> PulseTest:
    draw, lines, at = Random(3), Lines(start, rate_error), start
    lines.beat(at, lost_before)
    for n in range(CHANGES):
        at += 160_000 + draw.randint(0, 60_000)
        lines.beat(at, lost_before)
        delays = falls_us if n % 2 else rises_us
        level = (n % 2) ^ (not inverted)
        edges = sorted((at + round(delays[gate] * US), gate) for gate in (0, 1))
        for moment, gate in edges:
            lines.edge(moment, gate, level, late_b and gate == 1)
            if bounce and gate == 0:
                lines.edge(moment + 500, 0, 1 - level)
                lines.edge(moment + 900, 0, level)
    at += 200_000
    lines.beat(at, lost_before)
    for n in range(BURST_CHANGES):
        for gate in (0, 1):
            lines.edge(at + 3125 * (n + 1) + gate, gate, (n % 2) ^ (not inverted))
    at += 400_000
    lines.beat(at, lost_before + lost)
    for _ in range(after_s):
        at += HZ
        lines.beat(at, lost_before + lost)
    return pulse_test(BOARD, lines.events)


def test_known_delays_come_out_across_a_wrap_of_the_counter() -> None:
    test = played((1.0, 3.0), (2.0, 2.0))

    means = [np.mean(d) * 1e6 for g in test.gates for d in (g.rises_s, g.falls_s)]
    assert means == pytest.approx([1.0, 2.0, 3.0, 2.0], abs=0.01)
    assert test.rise is not None
    assert test.fall is not None
    assert test.rise.value_s == pytest.approx(2e-6, abs=0.02e-6)
    assert test.fall.value_s == pytest.approx(0.0, abs=0.02e-6)
    assert [g.burst for g in test.gates] == [BURST_CHANGES] * 2
    assert pulse_doubt(test, light=False) == ""


def test_counting_in_steps_is_not_averaged_away() -> None:
    """All pulses alike: s = 0, and still the difference is known to a step only."""
    test = played((1.0, 1.0), (1.0, 1.0))

    assert test.rise is not None
    step_s = 1 / HZ
    assert test.rise.uncertainty.u == pytest.approx(step_s / np.sqrt(6), rel=1e-6)


def test_a_rig_gets_the_mean_of_light_on_and_off_and_what_one_pair_may_be_off() -> None:
    """Difference 2 us on, 1 us off: the mean 1.5 us, half-width 0.5 us rectangular."""
    test = played((1.0, 3.0), (2.0, 3.0), inverted=True)
    difference = delay_of(test)

    assert difference.value_s == pytest.approx(1.5e-6, abs=0.02e-6)
    assert difference.uncertainty.u == pytest.approx(0.5e-6 / np.sqrt(3), rel=0.02)
    changes = rig_changes(delay_of(test), pulse_evidence(test), "2025-01-31")
    value_us = float(str(changes["calibration.latency.value"]).removesuffix(" us"))
    assert value_us == pytest.approx(1.5, abs=0.02)
    assert "light on: gate B reacts" in str(changes["calibration.latency.evidence"])


def test_what_speaks_against_a_test_is_told() -> None:
    assert "connect the test pin to only one input" in pulse_doubt(
        played((1, 1), (1, 1), late_b=True), light=False
    )
    assert "when the test pin goes high, the inputs go high" in pulse_doubt(
        played((1, 1), (1, 1)), light=True
    )
    late = "\n".join(pulse_report(played((1, 1), (1, 1), late_b=True), light=False))
    assert f"{CHANGES} edges have no exact time and are not used" in late
    upside_down = played((1, 1), (1, 1), inverted=True)
    assert "add the option --light" in pulse_doubt(upside_down, light=False)
    assert "lost 3 edges" in pulse_doubt(played((1, 1), (1, 1), lost=3), light=False)
    bouncing = played((1, 1), (1, 1), bounce=True)
    assert f"bounce caused {2 * CHANGES} extra edges" in "\n".join(
        pulse_report(bouncing, light=False)
    )


def test_a_single_edge_has_a_delay_but_no_scatter() -> None:
    test = played((1.0, 3.0), (2.0, 2.0))
    one, two = test.gates[0].rises_s[:1], test.gates[1].rises_s[:2]
    gates = replace(test.gates[0], rises_s=one), replace(test.gates[1], rises_s=two)
    lines = pulse_report(replace(test, gates=gates), light=False)

    assert f"input A, pin up: delay {one[0] * 1e6:.3f} us (1 edge)" in lines
    apart_us = abs(two[1] - two[0]) * 1e6 / np.sqrt(2)  # s of two values
    assert f"delay {two.mean() * 1e6:.3f} us, scatter {apart_us:.3f} us (2 edges)" in lines[3]


def test_the_rate_is_that_of_the_beats_against_the_computer_or_not_known() -> None:
    """120 ppm fast planted: 62 507 500 counts a second by the computer's clock."""
    short = played((1, 1), (1, 1))
    long = played((1, 1), (1, 1), after_s=120, rate_error=120e-6)

    assert "at least 60 s" in pulse_data(short, "")["rate"]
    rate = pulse_data(long, "")["rate"]
    assert rate.startswith("120 ±")
    assert rate.endswith("fast")
    report = "\n".join(pulse_report(long, light=False))
    assert f"with this computer's clock, show: {rate}" in report


def test_a_test_without_an_end_or_with_a_gap_is_refused() -> None:
    lines = Lines(0)
    for n in range(BEATS - 1):
        lines.beat(1000 * n)
    with pytest.raises(CalibrationError, match="129 of 130 beats"):
        pulse_test(BOARD, lines.events)
    with pytest.raises(CalibrationError, match="only 0 of 130 beats"):
        pulse_test(BOARD, [])
    with pytest.raises(CalibrationError, match="lost or damaged"):
        pulse_test(BOARD, lines.events[:5] + lines.events[6:])


def test_the_data_are_those_of_the_report_in_si() -> None:
    data = pulse_data(played((1.0, 3.0), (2.0, 2.0)), "")

    assert data["gates"]["B"]["rise_s"]["mean"] == pytest.approx(3e-6, abs=0.01e-6)
    assert data["rise_difference_s"]["value"] == pytest.approx(2e-6, abs=0.02e-6)
    assert data["gates"]["A"]["burst"] == BURST_CHANGES


def test_edges_that_the_board_lost_before_the_test_do_not_count() -> None:
    assert played((1, 1), (1, 1), lost_before=5).lost == 0
    assert played((1, 1), (1, 1), lost_before=5, lost=3).lost == 3
