"""The ATmega328P at its rim: a ring that never empties, edges inside a handler, choices."""

from pathlib import Path

import pytest

from .conftest import NOTES, MakeBoard, call
from .kit import (
    MICROSECOND,
    SECOND,
    START,
    Edge,
    beats_of,
    difference,
    edges_of,
    errors_of_exact_lines,
    read_lines,
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


@pytest.mark.parametrize("target", WIRINGS)
def test_three_edges_inside_the_other_gates_handler_leave_one_late_line_and_two_untold(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    """What timing.md admits: one flag holds one edge, and 0-1-0-1 looks like 0-1."""
    edges, rounds = [], 40
    for n in range(rounds):
        begin = START + n * 10 * MILLISECOND
        edges += [Edge(begin, "B", (n + 1) % 2)]
        edges += [Edge(begin + 60 + 4 * k, "A", (n + k + 1) % 2) for k in range(3)]
    lines = read_lines(make_board(target).run(edges, START + SECOND, script))
    of_a = [line for line in edges_of(lines) if line.gate == "A"]

    assert [line.level for line in of_a] == [(n + 1) % 2 for n in range(rounds)]
    late = [line for line in of_a if line.kind == "L"]
    assert len(late) == rounds if target == "gates_int" else late
    first = edges_of(lines)[0]
    errors = errors_of_exact_lines(edges, lines, difference(first.counter, edges[0].cycle))
    assert max(map(abs, errors.values())) <= 4, "an exact line carries the time of its edge"
    assert beats_of(lines)[-1].lost == 0


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
