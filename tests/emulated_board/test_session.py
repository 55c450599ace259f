"""Start, reset and watchdog where an ATmega328P differs from other boards."""

from pathlib import Path

import pytest

from .conftest import MakeBoard
from .kit import (
    SECOND,
    START,
    Edge,
    beats_of,
    edges_of,
    read_line,
    read_lines,
)

HELLO = {
    "gates_int": "1 16000000 32 gates-328p-int 1.4+analog+power",
    "sketch_int": "1 16000000 32 gates-328p-int 1.4+analog+power",
    "gates_icp": "1 16000000 32 gates-328p-icp 1.4+analog+power",
    "sketch_icp": "1 16000000 32 gates-328p-icp 1.4+analog+power",
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
    life, first = 150_000, 6960
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


def test_what_happened_outside_comes_before_a_bootloaders_own_restart(
    make_board: MakeBoard, script: Path
) -> None:
    """A bootloader may restart the chip too: then several flags are set (08: watchdog)."""
    flags = {"0A": "reset-pin", "0C": "brown-out", "0F": "power", "06": "brown-out"}
    resets = [f"{n * START} reset {each}" for n, each in enumerate(flags, 1)]
    lines = read_lines(make_board("gates_int").run(resets, (len(flags) + 1) * START, script))

    causes = [line.text.rpartition("+")[2] for line in lines if line.kind == "H"]
    assert causes == ["power", *flags.values()]


def test_the_watchdog_restarts_a_stuck_sketch(make_board: MakeBoard, script: Path) -> None:
    hang = 2 * START
    events = [f"{hang} hang", Edge(hang + SECOND // 2, "A", 1)]
    lines = read_lines(make_board("sketch_int").run(events, hang + SECOND, script))

    assert "".join(line.kind for line in lines) == "HTHTE"
    assert lines[2].text.endswith("+watchdog")
    restart = hang + SECOND // 2 - lines[-1].counter
    assert 0.2 * SECOND < restart - hang < 0.3 * SECOND
