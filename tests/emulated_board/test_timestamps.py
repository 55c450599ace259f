"""The counter of every line against the cycle at which its edge was injected."""

import random
from collections import Counter
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import pytest

from .conftest import MakeBoard
from .kit import (
    MICROSECOND,
    SECOND,
    START,
    Board,
    Edge,
    beats_of,
    edges_of,
    errors_of_exact_lines,
    is_unbroken,
    lone,
    offsets,
    read_lines,
    toggled,
)

FAST = 1_000_000
EDITOR_INT, EDITOR_ICP = (
    pytest.param(target, marks=pytest.mark.long) for target in ("editor_int", "editor_icp")
)
COUNTER_WRAPS = "-DGATES_COUNTER_START=0xFE000000UL"


def accumulate(gaps: Iterable[int], start: int = START) -> list[int]:
    cycles, cycle = [], start
    for gap in gaps:
        cycle += gap
        cycles.append(cycle)
    return cycles


def random_edges(count: int, seed: int, gaps: tuple[tuple[int, int], ...]) -> list[Edge]:
    """Edges of both gates in random order; each gap drawn from one of the ranges."""
    draw = random.Random(seed)
    cycles = accumulate([draw.randint(*draw.choice(gaps)) for _ in range(count)])
    return toggled(cycles, draw.choices("AB", k=count))


def constant_of(board: Board, script: Path) -> int:
    """The board's counter minus the cycle since power-up, as lone edges show it."""
    edges = random_edges(60, 7, ((15_000, 17_000),))
    lines = edges_of(read_lines(board.run(edges, edges[-1].cycle + START, script)))
    assert {line.kind for line in lines} == {"E"}
    shown = offsets(edges, lines)
    return (min(shown) + max(shown)) // 2


@pytest.mark.parametrize(
    "target", ["gates_int", pytest.param("sketch_int", marks=pytest.mark.long), EDITOR_INT]
)
def test_on_int_stamps_stay_within_four_cycles_for_edges_ten_microseconds_apart(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    board = make_board(target, FAST)
    constant = constant_of(board, script)
    edges = random_edges(6000, 1, ((160, 400), (400, 4000), (6000, 26_000)))
    lines = read_lines(board.run(edges, edges[-1].cycle + START, script))

    assert is_unbroken(lines)
    assert {line.kind for line in edges_of(lines)} == {"E"}
    shown = offsets(edges, edges_of(lines))
    assert max(abs(offset - constant) for offset in shown) <= 4
    assert beats_of(lines)[-1].lost == 0


@pytest.mark.parametrize(
    "target", ["gates_int", pytest.param("sketch_int", marks=pytest.mark.long), EDITOR_INT]
)
def test_on_int_nearer_edges_are_exact_or_late_never_wrong(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    board = make_board(target, FAST)
    constant = constant_of(board, script)
    edges = random_edges(6000, 2, ((1, 160), (1, 300), (160, 6000), (6000, 34_000)))
    lines = edges_of(read_lines(board.run(edges, edges[-1].cycle + START, script)))

    found = errors_of_exact_lines(edges, lines, constant)
    assert max(map(abs, found.values())) <= 4
    alone = lone(edges, 10 * MICROSECOND)
    assert len(alone) > 2000
    assert found.keys() >= set(alone)
    assert sum(line.kind == "L" for line in lines) > 1000


@pytest.mark.parametrize("target", ["gates_icp", EDITOR_ICP])
def test_on_icp_stamps_are_the_truth_plus_one_constant(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    """Pairs as near as 5 us, the pairs themselves 12 us apart or more."""
    draw = random.Random(3)
    near = [draw.randint(80, 160) for _ in range(3000)]
    far = [draw.randint(192, draw.choice((300, 3000, 70_000))) for _ in range(3000)]
    gaps = [gap for pair in zip(far, near, strict=True) for gap in pair]
    edges = toggled(accumulate(gaps), draw.choices("AB", k=6000))
    board = make_board(target, FAST)
    lines = read_lines(board.run(edges, edges[-1].cycle + START, script))

    assert is_unbroken(lines)
    assert Counter(line.kind for line in edges_of(lines)) == {"E": 6000}
    assert len(set(offsets(edges, edges_of(lines)))) == 1


@pytest.mark.parametrize("target", ["gates_icp", "sketch_icp", EDITOR_ICP])
def test_on_icp_nearer_edges_are_exact_or_late_never_wrong(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    board = make_board(target, FAST)
    constant = constant_of(board, script)
    edges = random_edges(6000, 4, ((0, 80), (1, 300), (160, 6000), (6000, 34_000)))
    lines = edges_of(read_lines(board.run(edges, edges[-1].cycle + START, script)))

    found = errors_of_exact_lines(edges, lines, constant)
    assert set(found.values()) == {0}
    alone = lone(edges, 10 * MICROSECOND)
    assert len(alone) > 2000
    assert found.keys() >= set(alone)


@pytest.mark.parametrize("order", ["AB", "BA", "AA", "BB"])
def test_on_icp_a_sweep_of_gaps_never_gives_a_wrong_exact_line(
    make_board: MakeBoard, script: Path, order: str
) -> None:
    board = make_board("gates_icp", FAST)
    constant = constant_of(board, script)
    first, second = order
    edges, cycle = [], START
    for gap in range(first == second, 301):
        edges += [(cycle, first), (cycle + gap, second)]
        edges += [(cycle + 10_000, first), (cycle + 20_000, second)]
        cycle += 30_000
    truth = toggled(*zip(*edges, strict=True))
    lines = edges_of(read_lines(board.run(truth, cycle + START, script)))

    found = errors_of_exact_lines(truth, lines, constant)
    assert set(found.values()) == {0}
    assert found.keys() >= set(lone(truth, 5 * MICROSECOND))
    if first != second:
        assert len(lines) == len(truth)


@pytest.mark.parametrize("target", ["gates_int", "gates_icp"])
@pytest.mark.parametrize("gate", ["A", "B"])
def test_an_edge_that_came_and_went_unseen_is_counted_and_its_neighbour_late(
    make_board: MakeBoard, script: Path, target: str, gate: str
) -> None:
    """Pulses of 1 to 100 cycles; those of 1 or 2 cycles leave a single interrupt at times."""
    widths = [*range(1, 101), *[1, 2] * 100]
    starts = accumulate([9973] * len(widths))
    edges = toggled(
        [start + at for start, width in zip(starts, widths, strict=True) for at in (0, width)],
        gate * (2 * len(widths)),
    )
    asking = f"{starts[-1] + START} send 3F0A"
    lines = read_lines(
        make_board(target, FAST).run([*edges, asking], starts[-1] + SECOND, script)
    )
    told = edges_of(lines)

    assert beats_of(lines)[-1].lost == len(edges) - len(told) > 5
    levels = [0, *(line.level for line in told)]
    repeated = [n for n, (a, b) in enumerate(pairwise(levels)) if a == b]
    assert len(repeated) == len(edges) - len(told)
    assert {told[n].kind for n in repeated} == {"L"}


@pytest.mark.parametrize("target", ["gates_int", "gates_icp"])
def test_no_edge_near_an_overflow_is_wrong_by_65536(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    """Two edges around every turn of Timer1's upper bit, across the wrap of 32 bits too."""
    board = make_board(target, FAST, COUNTER_WRAPS)
    constant = constant_of(board, script)
    draw = random.Random(5)
    turn = 0x8000
    first = (START + constant) // turn + 2
    cycles = []
    for n in range(first, first + 1100):
        around = n * turn - constant
        split = draw.randint(0, 200)
        cycles += [around - split, around - split + draw.randint(160, 400)]
    edges = toggled(cycles, draw.choices("AB", k=len(cycles)))
    lines = edges_of(read_lines(board.run(edges, edges[-1].cycle + START, script)))

    assert {line.kind for line in lines} == {"E"}
    shown = offsets(edges, lines)
    assert max(abs(offset - constant) for offset in shown) <= (4 if "int" in target else 0)
    assert any(a.counter > b.counter for a, b in pairwise(lines))
