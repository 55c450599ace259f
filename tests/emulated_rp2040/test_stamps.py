"""The RP2040's counter of every line against the cycle at which its edge was injected.

A cycle takes 8 ns, the counter counts every second one. The task asks for two cycles about one
constant.
"""

from collections import Counter
from itertools import cycle as endless
from itertools import islice, pairwise
from pathlib import Path
from random import Random

import pytest
from emulated_board.conftest import MakeBoard
from emulated_board.kit import (
    Board,
    Edge,
    Line,
    beats_of,
    difference,
    edges_of,
    errors_of_exact_lines,
    is_unbroken,
    offsets,
    toggled,
)

TURN_CYCLES = 1 << 32
"""2^31 counts of two cycles: 34.36 s."""
DEAD_CYCLES = 8
"""From a change to the next look at the same pin."""
EXACT_CYCLES = 2


def near_wrap(seconds: float) -> str:
    """A counter that wraps so long after the board's start."""
    return f"-DGATES_COUNTER_START={(1 << 31) - round(seconds * 62.5e6)}u"


def random_edges(count: int, seed: int, first: int, board: Board) -> list[Edge]:
    """Edges of both gates, 1 µs to 0.1 ms apart, some at the moment of the one before."""
    draw, at, cycles, gates, together = Random(seed), first, [], [], True
    for _ in range(count):
        together = not together and draw.random() < 1 / 8
        at += 0 if together else round(board.microsecond * 10 ** draw.uniform(0, 2))
        cycles.append(at)
        gates.append("AB"[gates[-1] == "A"] if together else draw.choice("AB"))
    return toggled(cycles, gates)


def assert_exact(edges: list[Edge], lines: list[Line]) -> None:
    """Each edge has its line, within two cycles of one constant or marked late."""
    assert is_unbroken(lines)
    assert beats_of(lines)[-1].lost == 0
    told = edges_of(lines)
    paired = _in_order(edges, told)
    shown = [difference(x.counter, e.cycle) for e, x in paired if x.kind == "E"]
    assert len(shown) > 0.99 * len(edges)
    assert max(shown) - min(shown) <= EXACT_CYCLES


def _in_order(edges: list[Edge], told: list[Line]) -> list[tuple[Edge, Line]]:
    """Pair each gate's edges with its lines; of a moment's two edges any may come first."""
    pairs = []
    for gate in "AB":
        own = [e for e in edges if e.gate == gate]
        lines = [x for x in told if x.gate == gate]
        assert [e.level for e in own] == [x.level for x in lines]
        pairs += zip(own, lines, strict=True)
    return pairs


def test_edges_about_a_wrap_are_exact_or_late(make_pico: MakeBoard, script: Path) -> None:
    board = make_pico(near_wrap(0.11))
    edges = random_edges(1000, 1, board.start, board)
    lines = board.lines(edges, edges[-1].cycle + board.second // 5, script)

    assert_exact(edges, lines)
    assert any(a.counter > b.counter for a, b in pairwise(edges_of(lines)))


@pytest.mark.long
def test_two_thousand_edges_across_five_wraps_are_exact_or_late(
    make_pico: MakeBoard, script: Path
) -> None:
    board = make_pico(near_wrap(0.105))
    groups = [
        random_edges(400, seed, board.start + seed * TURN_CYCLES, board) for seed in range(5)
    ]
    edges = toggled([e.cycle for g in groups for e in g], [e.gate for g in groups for e in g])
    lines = board.lines(edges, edges[-1].cycle + board.second, script)

    assert_exact(edges, lines)
    wraps = sum(a.counter > b.counter for a, b in pairwise(edges_of(lines)))
    assert wraps >= 5
    assert len(beats_of(lines)) > 4 * 34 / 1.07


@pytest.mark.parametrize("order", ["AB", "BA"])
def test_two_gates_are_told_apart_down_to_a_step(
    make_pico: MakeBoard, script: Path, order: str
) -> None:
    board = make_pico()
    edges = []
    for gap in range(40):
        at = board.start + gap * 50_001
        edges += [(at, order[0]), (at + gap, order[1])]
    truth = toggled(*zip(*edges, strict=True))
    lines = board.lines(truth, truth[-1].cycle + board.second // 5, script)

    assert_exact(truth, lines)
    counters = [line.counter for line in lines if line.counter is not None]
    assert counters == sorted(counters)


def test_a_sweep_of_gaps_at_one_gate_never_gives_a_wrong_exact_line(
    make_pico: MakeBoard, script: Path
) -> None:
    """Pulses of 1 to 60 cycles: told, or short enough to stay unseen, and then both edges."""
    board = make_pico()
    far, pulses, long = [], [], set()
    for n in range(61):
        start = board.start + n * 40_003
        far += [Edge(start, "A", 1), Edge(start + 10_000, "A", 0)]
        pulse = [Edge(start + 20_000, "A", 1), Edge(start + 20_000 + n, "A", 0)]
        pulses += pulse if n else []
        long |= set(pulse) if n > DEAD_CYCLES + 2 else set()
    truth = sorted(far + pulses)
    lines = board.lines(truth, truth[-1].cycle + board.second // 5, script)

    told = edges_of(lines)
    constant = difference(told[0].counter, truth[0].cycle)
    found = errors_of_exact_lines(truth, told, constant, reach=100)
    errors = list(found.values())
    assert max(errors) - min(errors) <= EXACT_CYCLES
    assert found.keys() >= set(far) | long
    assert any(line.kind == "L" for line in told)
    assert [line.level for line in told] == list(islice(endless((1, 0)), len(told)))


def test_words_that_find_no_way_out_are_counted_and_spoil_no_time(
    make_pico: MakeBoard, script: Path
) -> None:
    """The DMA is kept from the bus while more edges come than the state machine holds."""
    board = make_pico()
    us = board.microsecond
    before = [Edge(board.start + n * 1000 * us, "A", (n + 1) % 2) for n in range(4)]
    held = board.start + 10_000 * us
    during = [Edge(held + (1 + n) * us, "A", (n + 1) % 2) for n in range(21)]
    after = [Edge(held + (1000 + n * 1000) * us, "A", n % 2) for n in range(5)]
    events = [*before, f"{held} hold", *during, f"{held + 100 * us} release", *after]
    lines = board.lines(events, held + board.second, script)

    told = edges_of(lines)
    constant = difference(told[0].counter, before[0].cycle)
    found = errors_of_exact_lines(before + during + after, told, constant, reach=us // 2)
    assert max(map(abs, found.values())) <= EXACT_CYCLES
    assert beats_of(lines)[-1].lost >= 1
    assert len(told) < len(before + during + after)
    assert any(line.kind == "L" for line in told)
    assert found.keys() >= set(after[1:])
    assert beats_of(lines)[-1].levels == f"{after[-1].level}0"


@pytest.mark.long
def test_two_dma_channels_follow_each_other_without_a_gap(
    make_pico: MakeBoard, script: Path
) -> None:
    """Each carries 2^31 edges before the other one follows; here 512."""
    board = make_pico("-DGATES_RING_BITS=8 -DGATES_ROUND_BITS=9")
    cycles = [board.start + n * 40 * board.microsecond for n in range(2600)]
    edges = toggled(cycles, "A" * 1300 + "AB" * 650)
    lines = board.lines(edges, cycles[-1] + board.second // 5, script)

    assert_exact(edges, lines)


@pytest.mark.long
def test_edges_that_wait_for_a_deaf_host_are_lost_after_eight_seconds_and_counted(
    make_pico: MakeBoard, script: Path
) -> None:
    board = make_pico("-DGATES_RING_BITS=8")
    second, us = board.second, board.microsecond
    first = [Edge(board.start + n * 1000 * us, "A", (n + 1) % 2) for n in range(300)]
    last = [Edge(board.start + 20 * second + n * 1000 * us, "A", (n + 1) % 2) for n in range(4)]
    events = [*first, f"{board.start} deaf", f"{board.start + 40 * second} hear", *last]
    events.sort(key=lambda e: int(e.split()[0]) if isinstance(e, str) else e.cycle)
    lines = board.lines(events, board.start + 42 * second, script)

    told = edges_of(lines)
    constant = difference(told[0].counter, first[0].cycle)
    found = errors_of_exact_lines(first + last, told, constant, reach=us)
    assert max(map(abs, found.values())) <= EXACT_CYCLES
    assert len(told) + beats_of(lines)[-1].lost == len(first + last)
    assert 100 < len(told) < 250


def test_a_port_that_is_opened_again_gets_a_hello_and_no_old_lines(
    make_pico: MakeBoard, script: Path
) -> None:
    board = make_pico()
    us = board.microsecond
    edges = [Edge(board.start + n * 5000 * us, "B", (n + 1) % 2) for n in range(101)]
    closed, again = edges[20].cycle + 2500 * us, edges[80].cycle + 2500 * us
    events = [*edges, f"{closed} close", f"{again} open"]
    lines = board.lines(events, edges[-1].cycle + board.second // 5, script)

    kinds = "".join(line.kind for line in lines)
    assert kinds == "HT" + 21 * "E" + "HT" + 20 * "E"
    assert lines[24].levels == "01"
    assert lines[24].sequence == 1 + 21 + 60, "what went nowhere leaves its gap"
    told = [edges[n] for n in (*range(21), *range(81, 101))]
    assert max(offsets(told, edges_of(lines))) - min(offsets(told, edges_of(lines))) <= 2


@pytest.mark.long
def test_lines_that_wait_when_the_port_is_closed_are_forgotten_but_for_one_packet(
    make_pico: MakeBoard, script: Path
) -> None:
    """The packet that was given to USB already cannot be taken back; it holds whole lines."""
    board = make_pico()
    ms = 1000 * board.microsecond
    edges = [Edge(board.start + n * 5 * ms, "B", (n + 1) % 2) for n in range(30)]
    deaf, closed = edges[9].cycle + 2 * ms, edges[19].cycle + 2 * ms
    events = [
        *edges,
        f"{deaf} deaf",
        f"{closed} close",
        f"{closed + ms} hear",
        f"{closed + 2 * ms} open",
    ]
    lines = board.lines(events, edges[-1].cycle + board.second // 5, script)

    kinds = "".join(line.kind for line in lines)
    old, new = kinds.removeprefix("HT" + 10 * "E").split("HT")
    assert old in ("", "E", "EE")
    assert new == 10 * "E"


@pytest.mark.long
def test_beats_follow_the_counter_across_its_wrap(make_pico: MakeBoard, script: Path) -> None:
    board = make_pico(near_wrap(2.5))
    beats = beats_of(board.lines([], 4 * board.second, script))

    steps = Counter(
        round(difference(b.counter, a.counter) / board.second, 1) for a, b in pairwise(beats)
    )
    assert set(steps) <= {1.0, 1.1}
    assert any(a.counter > b.counter for a, b in pairwise(beats))
