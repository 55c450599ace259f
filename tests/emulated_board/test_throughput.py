"""An edge that waited for one that found no room."""

from itertools import cycle, islice
from pathlib import Path

import pytest

from .conftest import MakeBoard
from .kit import (
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


def train(count: int, gap: int, start: int = START, pattern: str = "AB") -> list[Edge]:
    """Edges at one distance, the gates in turn."""
    return toggled([start + n * gap for n in range(count)], islice(cycle(pattern), count))


def last_beat(lines: list[Line]) -> Line:
    return beats_of(lines)[-1]


@pytest.mark.parametrize("target", WIRINGS)
def test_an_edge_that_waited_for_a_dropped_one_is_not_told_as_exact(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    """40,000 pairs 20 cycles apart; room is made in the ring at every moment of a pair."""
    lonely = [Edge(START, "A", 1), Edge(START + 20_000, "A", 0)]
    starts = range(2 * START, 2 * START + 40_000 * 701, 701)
    pairs = toggled([s + at for s in starts for at in (0, 20)], islice(cycle("AB"), 80_000))
    edges = lonely + pairs
    lines = edges_of(
        read_lines(make_board(target, 1_000_000).run(edges, pairs[-1].cycle + START, script))
    )

    assert len(lines) < 20_000
    constant = difference(lines[0].counter, lonely[0].cycle)
    found = errors_of_exact_lines(edges, lines, constant)
    assert max(map(abs, found.values())) <= 6
