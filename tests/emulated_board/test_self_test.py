"""The self-test on each emulated board: pulses that the board plays, through wires with delays.

Planted delays are the difference of two wires; each wire has a delay of its own besides, at
random to a fraction of a cycle, and the edges wander by a tenth of a microsecond.
"""

import math
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest

from chrono.arrays.events import EventKind
from chrono.calibrating.calibration import rig_changes
from chrono.calibrating.pulses import BURST_CHANGES, CHANGES, PulseTest, delay_of, pulse_test
from chrono.errors import CalibrationError
from chrono.reader.line_grammar import Event, Hello, parse_framed
from chrono.reports.self_test_text import pulse_doubt, pulse_evidence, pulse_report
from chrono.rigs.rig_file import load_rig, write_rig
from chrono.rigs.starter_rig import starter_text

from .conftest import MakeBoard
from .kit import Board, go, write_script

REQUEST = b"!\n".hex()
BOARDS = [
    pytest.param("gates_int"),
    pytest.param("gates_rp2040", marks=pytest.mark.long),
]
TEST_S = 0.75
"""Within this time after the question every board has played all of it."""


def wire(board: Board, gate: str, rise_us: float, fall_us: float, **how: float) -> str:
    """The script's words for a wire from the pulse pin to a gate, delays from 0 on."""
    us = board.frequency_hz / 1e6
    jitter = how.get("jitter_us", 0.0) * us
    words = (rise_us * us, fall_us * us, jitter, int(how.get("inverted", 0)))
    return f"{board.start} wire {gate} " + " ".join(map(str, words))


def played(
    board: Board, wires: list[list[str]], script: Path, seed: int = 0
) -> list[PulseTest]:
    """One test after another on one board, each with its own wires."""
    events, step = [], round(TEST_S * board.second)
    for n, own in enumerate(wires):
        at = board.start + n * step
        events += [f"{at} {' '.join(w.split()[1:])}" for w in own]
        events += [f"{at + board.second // 100} send {REQUEST}"]
    until = board.start + len(wires) * step
    sent = board.run(events, until, script, "--seed", str(seed))
    return [outcome(part) for part in answers(sent)]


def answers(sent: bytes) -> list[tuple[Hello, list[tuple[int, Event]]]]:
    """The lines behind each hello that a test begins with."""
    found: list[tuple[Hello, list[tuple[int, Event]]]] = []
    for line in sent.split(b"\n"):
        parsed = parse_framed(line)
        if isinstance(parsed, Hello):
            found.append((parsed, []))
        elif isinstance(parsed, Event):
            found[-1][1].append((0, parsed))
    return found[1:]


def outcome(answer: tuple[Hello, list[tuple[int, Event]]]) -> PulseTest:
    return pulse_test(*answer)


@pytest.mark.parametrize("target", BOARDS)
def test_wires_show_the_difference_of_the_inputs_and_a_burst_loses_nothing(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    board = make_board(target)
    wires = [wire(board, "A", 1.0, 1.0), wire(board, "B", 1.3, 3.0)]
    (test,) = played(board, [wires], script)

    assert test.rise is not None
    assert test.fall is not None
    assert abs(test.rise.value_s - 0.3e-6) <= test.rise.uncertainty.U95
    assert abs(test.fall.value_s - 2.0e-6) <= test.fall.uncertainty.U95
    assert test.rise.uncertainty.U95 < 0.1e-6
    assert [gate.burst for gate in test.gates] == [BURST_CHANGES, BURST_CHANGES]
    assert (test.lost, [gate.extra for gate in test.gates]) == (0, [0, 0])
    assert not pulse_doubt(test, light=False)
    report = "\n".join(pulse_report(test, light=False))
    assert "the same clock makes and measures" in report
    assert "hysteresis" not in report


def test_a_board_that_times_one_input_after_the_other_listens_to_one_at_each_pulse(
    make_board: MakeBoard, script: Path
) -> None:
    """Only in the burst may the inputs hold each other up."""
    board = make_board("gates_int")
    wires = [wire(board, "A", 1.0, 1.0), wire(board, "B", 1.3, 1.3)]
    events = [*wires, f"{board.start + board.second // 100} send {REQUEST}"]
    ((_, lines),) = answers(board.run(events, 2 * board.second, script))

    late = [event for _, event in lines if event.kind == EventKind.LATE]
    edges = [event for _, event in lines if event.kind in (EventKind.EDGE, EventKind.LATE)]
    assert len(late) <= 2 * BURST_CHANGES
    assert len(edges) == CHANGES + 2 * BURST_CHANGES


@pytest.mark.parametrize("target", BOARDS)
def test_the_xor_wiring_and_a_loose_wire_are_told_not_measured(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    board = make_board("gates_icp" if target == "gates_int" else target)
    (test,) = played(board, [[wire(board, "A", 1.0, 1.0)]], script)

    assert len(test.gates[0].rises_s) >= 32
    assert test.rise is None
    assert pulse_doubt(test, light=False) == "no pulse came at input B"


@pytest.mark.parametrize("target", BOARDS)
def test_sensors_stand_upside_down_and_their_difference_is_the_rigs(
    make_board: MakeBoard, script: Path, target: str, tmp_path: Path
) -> None:
    """Light on clears a beam. Sensor A answers after 3 and 8 µs, sensor B after 4 and 7 µs."""
    board = make_board(target)
    wires = [wire(board, "A", 3.0, 8.0, inverted=1), wire(board, "B", 4.0, 7.0, inverted=1)]
    (test,) = played(board, [wires], script)

    assert pulse_doubt(test, light=False).startswith(
        "when the test pin goes high, the inputs go low"
    )
    assert not pulse_doubt(test, light=True)
    difference = delay_of(test)
    assert abs(difference.value_s) <= difference.uncertainty.U95
    assert difference.uncertainty.u > 0.9 * 1e-6 / math.sqrt(3), "one pair alone is off by 1 us"
    changes = rig_changes(delay_of(test), pulse_evidence(test), "2025-01-31")
    assert "hysteresis" in str(changes["calibration.latency.evidence"])
    assert "hysteresis" in "\n".join(pulse_report(test, light=True))


@pytest.mark.parametrize("target", ["gates_int", "gates_rp2040"])
@pytest.mark.long
def test_planted_delays_lie_within_u95_in_93_percent_of_200_runs(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    board, draw = make_board(target), Random(5)
    planted, wires = [], []
    for n in range(200):
        difference_us = (0.2, 1.0, 5.0)[n % 3]
        own = [2.0 + draw.random() for _ in range(4)]
        planted.append((difference_us + own[2] - own[0], difference_us + own[3] - own[1]))
        jitter = {"jitter_us": 0.1}
        wires.append(
            [
                wire(board, "A", own[0], own[1], **jitter),
                wire(board, "B", own[2] + difference_us, own[3] + difference_us, **jitter),
            ]
        )
    tests = [
        test
        for n in range(0, 200, 20)
        for test in played(board, wires[n : n + 20], script, seed=n)
    ]

    assert len(tests) == 200
    for name, truths in zip(("rise", "fall"), zip(*planted, strict=True), strict=True):
        found = [getattr(test, name) for test in tests]
        within = [
            abs(each.value_s - truth * 1e-6) <= each.uncertainty.U95
            for each, truth in zip(found, truths, strict=True)
        ]
        assert sum(within) >= 0.93 * 200, sum(within)
        assert max(each.uncertainty.U95 for each in found) < 0.15e-6


def test_lines_that_are_missing_or_a_pin_that_is_held_are_told(
    make_board: MakeBoard, script: Path
) -> None:
    board = make_board("gates_int")
    write_script([], script)
    events = [wire(board, "A", 1, 1), f"{board.start} send {REQUEST}"]
    ((hello, lines),) = answers(board.run(events, board.start + board.second, script))

    with pytest.raises(CalibrationError, match="lost or damaged"):
        pulse_test(hello, lines[:50] + lines[51:])
    with pytest.raises(CalibrationError, match="of 130 beats"):
        pulse_test(hello, lines[:50])


@pytest.mark.long
@pytest.mark.parametrize("target", ["gates_int", "gates_rp2040"])
def test_check_runs_the_self_test_through_a_terminal_and_writes_the_rig(
    make_board: MakeBoard, script: Path, target: str, tmp_path: Path
) -> None:
    board, rig = make_board(target), tmp_path / "rig.toml"
    write_rig(rig, starter_text())
    write_script(
        [wire(board, "A", 3, 3, inverted=1), wire(board, "B", 4, 4, inverted=1)], script
    )
    with board.behind_terminal(script, "--pace", "1") as (port, emulator):
        go(emulator)
        words = ("check", port, "--self-test", "--light", "--rig", str(rig), "--seconds", "3")
        done = subprocess.run(
            [sys.executable, "-m", "chrono", *words],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    assert done.returncode == 0, (done.stdout, done.stderr)
    assert "light on: gate B reacts" in done.stdout
    latency = load_rig(rig).calibration.latency
    assert latency is not None
    assert latency.difference_s == pytest.approx(1e-6, abs=0.1e-6)
