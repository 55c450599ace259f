"""The ATmega328P at its rim: a ring that never empties, edges inside a handler, choices."""

from collections.abc import Iterable, Iterator
from itertools import accumulate
from pathlib import Path
from random import Random

import pytest

from .conftest import NOTES, MakeBoard, call
from .kit import (
    MICROSECOND,
    SECOND,
    START,
    Edge,
    Line,
    beats_of,
    difference,
    edges_of,
    errors_of_exact_lines,
    read_lines,
    toggled,
)

WIRINGS = ["gates_int", "gates_icp"]
QUESTION = b"?\n".hex()
MILLISECOND = SECOND // 1000


def burst(count: int, start: int = START, gap: int = 10 * MICROSECOND) -> list[Edge]:
    """Edges of gate A, `gap` apart."""
    return [Edge(start + n * gap, "A", (n + 1) % 2) for n in range(count)]


def test_a_board_whose_ring_never_empties_still_answers_within_a_second(
    make_board: MakeBoard, script: Path
) -> None:
    """2000 edges a second are more than 250 kbaud carries."""
    edges = burst(6000, gap=500 * MICROSECOND)
    asked = START + SECOND
    events = [*edges, f"{asked} send {QUESTION}"]
    lines = read_lines(make_board("gates_int").run(events, START + 3 * SECOND, script))

    hello = [n for n, line in enumerate(lines) if line.kind == "H"]
    assert len(hello) == 2
    last_edge = next(line for line in reversed(lines[: hello[1]]) if line.kind in "EL")
    # what was told last before it waited in the ring for up to 0.3 s
    assert last_edge.counter < asked + SECOND
    assert beats_of(lines)[-1].lost > 1000


def triples(gap: int, offsets: Iterable[int]) -> tuple[list[Edge | str], list[int]]:
    """
    Three edges of A, `gap` apart, that begin so many cycles after one of B; then both rest.

    A question ends each round. Also when each round begins.
    """
    events: list[Edge | str] = []
    begins = []
    for n, offset in enumerate(offsets):
        begin = START + n * 3 * MILLISECOND
        begins.append(begin)
        events += [Edge(begin, "B", 1), Edge(begin + MILLISECOND, "B", 0)]
        events += [Edge(begin + offset + k * gap, "A", (k + 1) % 2) for k in range(3)]
        events += [Edge(begin + MILLISECOND + 1600, "A", 0)]
        events += [f"{begin + 2 * MILLISECOND} send {QUESTION}"]
    return events, begins


def rounds_of(lines: list[Line]) -> Iterator[tuple[list[Line], int]]:
    """The edges of each round, and how many the board counted as lost in it."""
    edges: list[Line] = []
    before = 0
    for line in lines[2:]:
        if line.kind in "EL":
            edges.append(line)
        elif line.kind == "T":
            yield edges, line.lost - before
            edges, before = [], line.lost


@pytest.mark.parametrize("target", WIRINGS)
@pytest.mark.parametrize("gap", [4, 16, 24])
def test_three_edges_inside_the_other_gates_handler_are_told_or_the_line_is_late(
    make_board: MakeBoard, script: Path, target: str, gap: int
) -> None:
    """
    What timing.md says of them: one flag holds one edge, and 0-1-0-1 looks like 0-1.

    With a line `L` nothing is promised. With `E` in the XOR wiring the two edges before it are
    counted, but for those that fall where nothing of the chip holds them.
    """
    offsets = range(140)
    events, _ = triples(gap, offsets)
    board = make_board(target, 1_000_000)
    lines = read_lines(board.run(events, START + 142 * 3 * MILLISECOND, script))
    edges = sorted(event for event in events if isinstance(event, Edge))
    constant = difference(edges_of(lines)[-1].counter, edges[-1].cycle)
    errors = errors_of_exact_lines(edges, edges_of(lines), constant)
    assert max(map(abs, errors.values())) <= 4, "an exact line carries the time of its edge"

    untold = []
    for offset, (told, lost) in zip(offsets, rounds_of(lines), strict=False):
        of_a = [line for line in told if line.gate == "A"][:-1]
        assert len(of_a) + lost <= 3, "more is counted than there was"
        assert of_a[-1].level == 1
        if all(line.kind == "E" for line in of_a) and len(of_a) + lost < 3:
            untold.append(offset)
    if target == "gates_int":
        assert len(untold) <= 1
    else:
        assert len(untold) <= {4: 70, 16: 24, 24: 8}[gap]


@pytest.mark.parametrize("target", WIRINGS)
def test_never_are_more_edges_told_and_counted_than_there_were(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    """300 knots of one to seven edges of both gates, from a cycle to 25 us apart."""
    draw = Random(8)
    knots: list[list[int]] = []
    for n in range(300):
        at, gap = START + n * 3 * MILLISECOND, draw.choice((8, 20, 60, 150, 400))
        steps = accumulate(draw.randint(1, gap) for _ in range(draw.randint(0, 6)))
        knots.append([at, *(at + step for step in steps)])
    edges = toggled(
        (cycle for knot in knots for cycle in knot),
        draw.choices("AB", k=sum(map(len, knots))),
    )
    asked = [f"{knot[0] + 2 * MILLISECOND} send {QUESTION}" for knot in knots]
    until = knots[-1][0] + 4 * MILLISECOND
    lines = read_lines(make_board(target, 1_000_000).run([*edges, *asked], until, script))

    rounds = list(rounds_of(lines))
    assert len(rounds) == 300
    missing = [len(k) - len(told) - lost for k, (told, lost) in zip(knots, rounds, strict=True)]
    assert min(missing) == 0
    assert sum(missing) < 0.2 * len(edges)


def test_a_build_with_another_baud_is_not_taken_for_the_old_one(
    workshop: Path, tmp_path: Path
) -> None:
    source, elf = NOTES / "gates_328p", tmp_path / "gates_int.elf"

    def built(*choices: str) -> bytes:
        call("make", f"BUILD={tmp_path}", *choices, str(elf), folder=source)
        return elf.read_bytes()

    usual = built()
    again, quick, other = built(), built("BAUD=1000000UL"), built("OPTIONS=-DGATES_WATCHDOG=0")

    assert again == usual
    assert len({usual, quick, other}) == 3
    assert built() == usual
