"""Start, hello, beats, reset and watchdog."""

from itertools import pairwise
from pathlib import Path

import pytest

from .conftest import MakeBoard
from .kit import (
    FREQUENCY_HZ,
    SECOND,
    START,
    Edge,
    beats_of,
    difference,
    edges_of,
    is_unbroken,
    read_line,
    read_lines,
)

HELLO = {
    "gates_int": "1 16000000 32 gates-328p-int 1.1",
    "sketch_int": "1 16000000 32 gates-328p-int 1.1",
    "gates_icp": "1 16000000 32 gates-328p-icp 1.1",
    "sketch_icp": "1 16000000 32 gates-328p-icp 1.1",
}
WIRINGS = ["gates_int", "gates_icp"]
QUESTION = b"?\n".hex()


def test_the_parser_of_these_tests_refuses_a_wrong_crc() -> None:
    """Check value of CRC-16/CCITT-FALSE over `123456789`: 29B1 (Rocksoft model catalogue)."""
    good = b"T 00A2 00F42400 00 0000"
    with pytest.raises(AssertionError):
        read_line(good + b" 0000")
    with pytest.raises(ValueError, match="unpack"):
        read_line(b"123456789 29B1")


@pytest.mark.parametrize("target", list(HELLO))
def test_a_start_is_a_hello_and_a_beat_with_the_levels(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    sent = make_board(target).run([Edge(0, "B", 1)], START, script)
    hello, beat = read_lines(sent)

    assert sent.startswith(b"\nH ")
    assert (hello.kind, hello.text) == ("H", HELLO[target])
    assert (beat.kind, beat.sequence, beat.levels, beat.lost) == ("T", 0, "01", 0)


@pytest.mark.parametrize("target", WIRINGS)
def test_an_edge_amid_the_start_is_either_told_or_taken_for_granted(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    """400 starts, the edge at each of the 400 cycles in which the handlers come alive."""
    life, first = 150_000, 6500
    events: list[Edge | str] = []
    for n in range(400):
        begin = n * life
        events += [f"{begin} reset"] if n else []
        events += [Edge(begin + first + n, "A", (n + 1) % 2)]
        events += [f"{begin + life // 2} send {QUESTION}"]
    sent = make_board(target).run(events, 400 * life, script)

    lives = sent.split(b"\n\nH ")
    assert len(lives) == 400
    granted = 0
    for n, life_sent in enumerate(lives):
        lines = read_lines(b"H " + life_sent.removeprefix(b"\nH ") + b"\n")
        told = [(line.kind, line.gate, line.level) for line in edges_of(lines)]
        assert told in ([], [("E", "A", (n + 1) % 2)])
        assert beats_of(lines)[-1].levels == f"{(n + 1) % 2}0"
        assert beats_of(lines)[-1].lost == 0
        granted += not told
    assert 10 < granted < 390


@pytest.mark.parametrize("target", WIRINGS)
def test_beats_come_once_a_second_at_uneven_moments_with_levels_and_sequence(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    edges = [
        Edge(START, "A", 1),
        Edge(START + SECOND, "B", 1),
        Edge(START + 2 * SECOND, "A", 0),
    ]
    lines = read_lines(make_board(target).run(edges, START + 4 * SECOND + SECOND // 4, script))
    beats = beats_of(lines)

    assert is_unbroken(lines)
    assert [beat.levels for beat in beats] == ["00", "10", "11", "01", "01"]
    steps = [difference(b.counter, a.counter) for a, b in pairwise(beats)]
    assert all(FREQUENCY_HZ <= step < 1.067 * FREQUENCY_HZ for step in steps)
    assert min(abs(a - b) for a, b in pairwise(steps)) > 0.01 * FREQUENCY_HZ


@pytest.mark.parametrize("question", [b"?\n", b"?\r\n", b"xx?\n", b"\n?\n"])
def test_the_host_may_ask_for_a_hello_which_restarts_nothing(
    make_board: MakeBoard, script: Path, question: bytes
) -> None:
    board = make_board("gates_int")
    lines = read_lines(board.run([f"{2 * START} send {question.hex()}"], 4 * START, script))

    assert [line.kind for line in lines] == ["H", "T", "H", "T"]
    assert lines[2] == lines[0]
    assert is_unbroken(lines)


@pytest.mark.parametrize("noise", [b"?", b"?x\n", b"hello\n", b"\n"])
def test_other_bytes_from_the_host_are_no_question(
    make_board: MakeBoard, script: Path, noise: bytes
) -> None:
    board = make_board("gates_int")
    lines = read_lines(board.run([f"{2 * START} send {noise.hex()}"], 4 * START, script))

    assert [line.kind for line in lines] == ["H", "T"]


def test_a_question_amid_edges_loses_none_of_them(make_board: MakeBoard, script: Path) -> None:
    edges = [Edge(START + n * 20_000, "A", (n + 1) % 2) for n in range(400)]
    questions = [f"{START + n * 500_000} send {QUESTION}" for n in range(1, 15)]
    lines = read_lines(make_board("gates_int").run([*edges, *questions], SECOND, script))

    assert [line.kind for line in lines].count("H") == 15
    assert is_unbroken(lines)
    assert [line.level for line in edges_of(lines)] == [edge.level for edge in edges]
    assert beats_of(lines)[-1].lost == 0


@pytest.mark.parametrize("target", WIRINGS)
def test_a_reset_in_mid_session_starts_counter_and_sequence_anew(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    reset = SECOND // 2
    before = [Edge(START, "A", 1), Edge(START + 50_000, "B", 1)]
    after = [Edge(reset + START, "A", 0), Edge(reset + START + 50_000, "B", 0)]
    events = [*before, *after, f"{reset} reset"]
    lines = read_lines(make_board(target).run(events, SECOND, script))
    kinds = "".join(line.kind for line in lines)

    assert kinds == "HTEEHTEE"
    assert lines[5].levels == "11"
    assert is_unbroken(lines[4:])
    first, second = edges_of(lines)[:2], edges_of(lines)[2:]
    for line, again in zip(first, second, strict=True):
        assert abs(line.counter - again.counter) <= 8


def test_a_reset_amid_a_line_leaves_the_hello_readable(
    make_board: MakeBoard, script: Path
) -> None:
    """At 250 kbaud a line takes 19,000 cycles: 50 moments of the reset, 400 apart."""
    events: list[Edge | str] = []
    for n in range(50):
        events += [Edge(200_000 * n + 150_000, "A", (n + 1) % 2)]
        events += [f"{200_000 * n + 150_000 + 400 * n} reset"]
    sent = make_board("gates_int").run(events, 200_000 * 51, script)

    starts = sent.split(b"\nH ")[1:]
    assert len(starts) == 51
    for start in starts:
        hello, beat = start.split(b"\n")[:2]
        assert [read_line(b"H " + hello).kind, read_line(beat).kind] == ["H", "T"]
    cut = [start.split(b"\n")[2] for start in starts[:-1]]
    assert any(0 < len(line) < 24 for line in cut)


@pytest.mark.parametrize("target", ["gates_int", "gates_icp", "sketch_int"])
def test_the_watchdog_restarts_a_stuck_board(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    hang = 2 * START
    events = [f"{hang} hang", Edge(hang + SECOND // 2, "A", 1)]
    lines = read_lines(make_board(target).run(events, hang + SECOND, script))

    assert "".join(line.kind for line in lines) == "HTHTE"
    restart = hang + SECOND // 2 - lines[-1].counter
    assert 0.2 * SECOND < restart - hang < 0.3 * SECOND


def test_without_the_watchdog_a_stuck_board_stays_stuck(
    make_board: MakeBoard, script: Path
) -> None:
    board = make_board("gates_int", 250_000, "-DGATES_WATCHDOG=0")
    lines = read_lines(board.run([f"{2 * START} hang"], 3 * SECOND, script))

    assert [line.kind for line in lines] == ["H", "T"]


def test_sensors_that_give_0_when_blocked_can_be_built_for(
    make_board: MakeBoard, script: Path
) -> None:
    board = make_board("gates_int", 250_000, "-DGATES_BLOCKED_LEVEL=0")
    lines = read_lines(board.run([Edge(0, "B", 1), Edge(START, "B", 0)], 2 * START, script))

    assert [line.levels for line in beats_of(lines)] == ["10"]
    assert [(line.gate, line.level) for line in edges_of(lines)] == [("B", 1)]
