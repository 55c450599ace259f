"""How many edges the board carries, and that it counts those it cannot."""

from itertools import cycle, islice
from pathlib import Path

import pytest

from .conftest import MakeBoard
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
    toggled,
)

WIRINGS = ["gates_int", "gates_icp"]


def train(count: int, gap: int, start: int = START, pattern: str = "AB") -> list[Edge]:
    """Edges at one distance, the gates in turn."""
    return toggled([start + n * gap for n in range(count)], islice(cycle(pattern), count))


def last_beat(lines: list[Line]) -> Line:
    return beats_of(lines)[-1]


@pytest.mark.parametrize("target", WIRINGS)
@pytest.mark.parametrize(("baud", "per_second"), [(1_000_000, 3000), (250_000, 900)])
def test_a_sustained_stream_of_edges_loses_nothing(
    make_board: MakeBoard, script: Path, target: str, baud: int, per_second: int
) -> None:
    """And keeps up: 5 ms after the last edge all of them have been told."""
    edges = train(4 * per_second, SECOND // per_second)
    prompt = edges[-1].cycle + SECOND // 200
    lines = read_lines(make_board(target, baud).run(edges, prompt, script))

    assert is_unbroken(lines)
    shown = offsets(edges, edges_of(lines))
    assert max(shown) - min(shown) <= 8
    assert last_beat(lines).lost == 0


@pytest.mark.parametrize("target", WIRINGS)
@pytest.mark.parametrize(
    ("baud", "pattern"),
    [
        (250_000, "AB"),
        (250_000, "A"),
        (250_000, "AABB"),
        (1_000_000, "AB"),
        pytest.param(1_000_000, "A", marks=pytest.mark.long),
        pytest.param(1_000_000, "AABB", marks=pytest.mark.long),
    ],
)
def test_bursts_of_60_edges_10_us_apart_lose_nothing(
    make_board: MakeBoard, script: Path, target: str, baud: int, pattern: str
) -> None:
    cycles = [
        START + n * SECOND // 8 + k * 10 * MICROSECOND for n in range(8) for k in range(60)
    ]
    edges = toggled(cycles, islice(cycle(pattern), len(cycles)))
    lines = read_lines(make_board(target, baud).run(edges, START + 2 * SECOND, script))

    assert is_unbroken(lines)
    assert {line.kind for line in edges_of(lines)} == {"E"}
    shown = offsets(edges, edges_of(lines))
    assert max(shown) - min(shown) <= 8
    assert last_beat(lines).lost == 0


@pytest.mark.parametrize("target", WIRINGS)
@pytest.mark.parametrize(
    ("pattern", "count"),
    [
        ("AB", 300),
        ("AB", 8000),
        ("A", 2001),
        ("AAB", 2001),
        *(
            pytest.param(pattern, count, marks=pytest.mark.long)
            for pattern in ("AB", "A", "AAB")
            for count in (300, 2001, 8000)
        ),
    ],
)
def test_what_does_not_fit_is_counted_to_the_edge(
    make_board: MakeBoard, script: Path, target: str, pattern: str, count: int
) -> None:
    edges = train(count, 10 * MICROSECOND, pattern=pattern)
    lines = read_lines(make_board(target, 250_000).run(edges, START + 2 * SECOND, script))

    assert is_unbroken(lines)
    assert last_beat(lines).lost > 0
    assert len(edges_of(lines)) + last_beat(lines).lost == count
    final = {edge.gate: edge.level for edge in edges}
    assert last_beat(lines).levels == f"{final['A']}{final.get('B', 0)}"


@pytest.mark.parametrize("target", WIRINGS)
def test_lines_sent_while_edges_are_lost_tell_the_right_time_and_level(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    """2 s at 6000 edges/s: half of them fit."""
    gap = SECOND // 6000
    edges = train(12_000, gap, pattern="AABAB")
    lines = read_lines(make_board(target, 1_000_000).run(edges, START + 3 * SECOND, script))

    told = edges_of(lines)
    assert last_beat(lines).lost == len(edges) - len(told) > 4000
    constant = difference(told[0].counter, edges[0].cycle)
    for line in told:
        edge = edges[round((difference(line.counter, START) - constant) / gap)]
        assert (line.gate, line.level) == (edge.gate, edge.level)
        assert abs(difference(line.counter, edge.cycle) - constant) <= 8


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


@pytest.mark.parametrize("target", WIRINGS)
def test_the_count_of_lost_edges_stops_at_its_top(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    edges = train(70_000, 10 * MICROSECOND)
    lines = read_lines(make_board(target, 250_000).run(edges, START + 2 * SECOND, script))

    assert last_beat(lines).lost == 0xFFFF


@pytest.mark.parametrize("target", WIRINGS)
def test_beats_come_in_the_order_of_time_even_when_edges_wait(
    make_board: MakeBoard, script: Path, target: str
) -> None:
    edges = train(24_000, SECOND // 6000)
    lines = read_lines(make_board(target, 1_000_000).run(edges, START + 5 * SECOND, script))

    assert len(beats_of(lines)) >= 4
    counters = [line.counter for line in lines if line.counter is not None]
    assert counters == sorted(counters)
