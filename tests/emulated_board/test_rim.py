"""The board at its rim: questions amid a full ring, long sequences, many edges lost."""

from pathlib import Path

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
    is_unbroken,
    offsets,
    read_lines,
)

WIRINGS = ["gates_int", "gates_icp"]
QUESTION = b"?\n".hex()
MILLISECOND = SECOND // 1000


def burst(count: int, start: int = START, gap: int = 10 * MICROSECOND) -> list[Edge]:
    """Edges of gate A, `gap` apart."""
    return [Edge(start + n * gap, "A", (n + 1) % 2) for n in range(count)]


@pytest.mark.parametrize("target", WIRINGS)
@pytest.mark.parametrize("every_ms", [1, 3, 10])
def test_questions_while_a_full_ring_waits_spoil_no_time(
    make_board: MakeBoard, script: Path, target: str, every_ms: int
) -> None:
    """A record's epoch holds for 524 ms, so that hellos must not delay the ring for long."""
    edges = burst(255)
    questions = [
        f"{START + n * every_ms * MILLISECOND} send {QUESTION}"
        for n in range(1, 600 // every_ms)
    ]
    lines = read_lines(make_board(target).run([*edges, *questions], SECOND, script))

    shown = offsets(edges, edges_of(lines))
    assert max(shown) - min(shown) <= 100
    assert is_unbroken(lines)
    assert beats_of(lines)[-1].lost == 0
    assert any(line.kind == "H" for line in lines[-20:]), "a question is never forgotten"


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
def test_a_beat_tells_the_levels_that_the_lines_before_it_led_to(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    """Beats fall due while up to 255 edges wait; the pins may be elsewhere by then."""
    edges: list[Edge] = []
    for n in range(40):
        edges += burst(201, START + n * SECOND // 8)
        edges += [Edge(START + n * SECOND // 8 + SECOND // 16, "B", (n + 1) % 2)]
        edges += [Edge(START + n * SECOND // 8 + SECOND // 16 + MILLISECOND, "A", 0)]
    edges = sorted(edges)
    lines = read_lines(make_board(target).run(edges, START + 5 * SECOND, script))

    levels, amid = {"A": 0, "B": 0}, 0
    for place, line in enumerate(lines):
        if line.kind in "EL":
            levels[str(line.gate)] = int(line.level or 0)
        if line.kind == "T":
            assert line.levels == f"{levels['A']}{levels['B']}"
            amid += _is_followed_by_an_earlier_happening(lines, place)
    assert amid >= 1, "no beat fell due while edges waited: the test tests nothing"
    assert is_unbroken(lines)


def _is_followed_by_an_earlier_happening(lines: list[Line], place: int) -> bool:
    """Whether the edge after a beat happened within 1 ms of it: it waited in the ring."""
    after = next((line for line in lines[place:] if line.kind in "EL"), None)
    beat = lines[place].counter
    return after is not None and after.counter - beat < MILLISECOND


@pytest.mark.parametrize("target", WIRINGS)
def test_the_lost_count_ends_at_ffff(make_board: MakeBoard, script: Path, target: str) -> None:
    """75000 edges 20 µs apart, of which some 1500 find room."""
    edges = burst(75_000, gap=20 * MICROSECOND)
    lines = read_lines(make_board(target).run(edges, START + 4 * SECOND, script))
    lost = [beat.lost for beat in beats_of(lines)]

    assert lost == sorted(lost)
    assert 0 < lost[1] < 0xFFFF
    assert lost[-2:] == [0xFFFF, 0xFFFF]


@pytest.mark.parametrize(
    "target", ["gates_int", pytest.param("gates_icp", marks=pytest.mark.long)]
)
def test_the_sequence_goes_on_past_7fff_and_from_ffff_to_0000(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    edges = burst(67_000, gap=SECOND // 3000)
    until = edges[-1].cycle + SECOND // 100
    lines = read_lines(make_board(target, 1_000_000).run(edges, until, script))

    assert is_unbroken(lines)
    assert len(edges_of(lines)) == len(edges)
    assert beats_of(lines)[-1].lost == 0


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
