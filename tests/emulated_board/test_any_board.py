"""What every board has to do, whatever it is made of: its lines, losses, restarts and floods.

Each test runs on each emulated board. What differs from board to board (how near two edges may
come, how many edges a second it carries) stands in one table.
"""

from itertools import cycle, islice, pairwise
from pathlib import Path
from random import Random

import pytest

from .boards import (
    ICP,
    ICP_FAST,
    INT,
    INT_FAST,
    PICO,
    QUESTION,
    SMALL_PICO,
    Kind,
    on,
    train,
)
from .conftest import MakeBoard, Run
from .kit import (
    Board,
    Edge,
    Line,
    beats_of,
    difference,
    edges_of,
    errors_of_exact_lines,
    is_unbroken,
    lone,
    offsets,
    toggled,
)


def spread(values: list[int]) -> int:
    return max(values) - min(values)


# ---- lines ----


@on(INT, ICP, PICO)
def test_a_start_is_a_hello_and_a_beat_with_the_levels(
    board: Board, kind: Kind, run: Run
) -> None:
    hello, beat, *more = run([Edge(0, "B", 1)], board.start)

    assert (hello.kind, hello.text) == ("H", f"{kind.hello}+power")
    assert (beat.kind, beat.levels, beat.lost) == ("T", "01", 0)
    assert not more


@on(INT, ICP, long=(PICO,))
def test_beats_come_once_a_second_at_uneven_moments_with_levels_and_sequence(
    board: Board, run: Run
) -> None:
    edges = [
        Edge(board.start, "A", 1),
        Edge(board.start + board.second, "B", 1),
        Edge(board.start + 2 * board.second, "A", 0),
    ]
    lines = run(edges, board.start + 4 * board.second + board.second // 4)
    beats = beats_of(lines)

    assert is_unbroken(lines)
    assert [beat.levels for beat in beats] == ["00", "10", "11", "01", "01"]
    steps = [difference(b.counter, a.counter) for a, b in pairwise(beats)]
    assert all(0.999 * board.second < step < 1.067 * board.second for step in steps)
    assert min(abs(a - b) for a, b in pairwise(steps)) > 0.01 * board.second


@on(INT, long=(PICO,))
@pytest.mark.parametrize("question", [b"?\n", b"?\r\n", b"xx?\n", b"\n?\n"])
def test_the_host_may_ask_for_a_hello_which_restarts_nothing(
    board: Board, run: Run, question: bytes
) -> None:
    lines = run([f"{2 * board.start} send {question.hex()}"], 4 * board.start)

    assert [line.kind for line in lines] == ["H", "T", "H", "T"]
    assert lines[2] == lines[0]
    assert is_unbroken(lines)


@on(INT, long=(PICO,))
@pytest.mark.parametrize("noise", [b"?", b"?x\n", b"hello\n", b"\n"])
def test_other_bytes_from_the_host_are_no_question(
    board: Board, run: Run, noise: bytes
) -> None:
    lines = run([f"{2 * board.start} send {noise.hex()}"], 4 * board.start)

    assert [line.kind for line in lines] == ["H", "T"]


@on(INT, long=(PICO,))
def test_a_question_amid_edges_loses_none_of_them(board: Board, run: Run) -> None:
    edges = train(board, 400, 1250, "A")
    step = board.second // 32
    questions = [f"{board.start + n * step} send {QUESTION}" for n in range(1, 15)]
    lines = run([*edges, *questions], board.second)

    assert [line.kind for line in lines].count("H") == 15
    assert is_unbroken(lines)
    assert [line.level for line in edges_of(lines)] == [edge.level for edge in edges]
    assert beats_of(lines)[-1].lost == 0


@on(INT, long=(PICO,))
def test_sensors_that_give_0_when_blocked_can_be_built_for(
    make_board: MakeBoard, script: Path, kind: Kind
) -> None:
    board = make_board(kind.target, kind.baud, "-DGATES_BLOCKED_LEVEL=0")
    events = [Edge(0, "B", 1), Edge(board.start, "B", 0)]
    lines = board.lines(events, 2 * board.start, script)

    assert [line.levels for line in beats_of(lines)] == ["10"]
    assert [(line.gate, line.level) for line in edges_of(lines)] == [("B", 1)]


@pytest.mark.long
@on(long=(INT_FAST, ICP_FAST, PICO))
def test_the_sequence_goes_on_past_7fff_and_from_ffff_to_0000(
    board: Board, kind: Kind, run: Run
) -> None:
    edges = train(board, 67_000, 1e6 / min(kind.a_second, 3000), "A")
    lines = run(edges, edges[-1].cycle + board.second // 100)

    assert is_unbroken(lines)
    assert len(edges_of(lines)) == len(edges)
    assert beats_of(lines)[-1].lost == 0


# ---- restarts ----


@on(INT, ICP, long=(PICO,))
def test_a_reset_in_mid_session_starts_counter_and_sequence_anew(
    board: Board, run: Run
) -> None:
    reset = board.second // 2
    before = [Edge(board.start, "A", 1), Edge(board.start + 50_000, "B", 1)]
    after = [Edge(reset + e.cycle, e.gate, 0) for e in before]
    lines = run([*before, *after, f"{reset} reset"], board.second)
    kinds = "".join(line.kind for line in lines)

    assert kinds == "HTEEHTEE"
    assert lines[5].levels == "11"
    assert is_unbroken(lines[4:])
    first, second = edges_of(lines)[:2], edges_of(lines)[2:]
    for line, again in zip(first, second, strict=True):
        assert abs(line.counter - again.counter) <= 8


@on(INT, ICP, long=(PICO,))
def test_the_watchdog_restarts_a_stuck_board(board: Board, kind: Kind, run: Run) -> None:
    hang = 2 * board.start
    edge = Edge(hang + board.second // 2, "A", 1)
    lines = run([f"{hang} hang", edge], hang + board.second)

    assert "".join(line.kind for line in lines) == "HTHTE"
    assert lines[2].text == f"{kind.hello}+watchdog"
    restart_s = (edge.cycle - lines[-1].counter - hang) / board.second
    assert kind.restart[0] < restart_s < kind.restart[1]


@on(INT, long=(PICO,))
def test_without_the_watchdog_a_stuck_board_stays_stuck(
    make_board: MakeBoard, script: Path, kind: Kind
) -> None:
    board = make_board(kind.target, kind.baud, "-DGATES_WATCHDOG=0")
    lines = board.lines([f"{2 * board.start} hang"], 3 * board.second // 2, script)

    assert [line.kind for line in lines] == ["H", "T"]


@on(INT, ICP, long=(PICO,))
def test_the_hello_names_what_restarted_the_board(board: Board, kind: Kind, run: Run) -> None:
    step = board.second // 4
    resets = [f"{n * step} reset {flags}" for n, flags in enumerate(kind.resets, 1)]
    asked = f"{(len(resets) + 1) * step} send {QUESTION}"
    lines = run([*resets, asked], (len(resets) + 2) * step)

    causes = [line.text.removeprefix(f"{kind.hello}+") for line in lines if line.kind == "H"]
    assert causes == ["power", *kind.resets.values(), list(kind.resets.values())[-1]]


@on(INT, ICP, long=(PICO,))
@pytest.mark.parametrize("level", [1, 0])
@pytest.mark.parametrize("gate", ["A", "B"])
def test_a_gate_whose_cable_is_pulled_out_reads_as_blocked(
    make_board: MakeBoard, script: Path, kind: Kind, level: int, gate: str
) -> None:
    """Whatever its sensor gives when blocked."""
    board = make_board(kind.target, kind.baud, f"-DGATES_BLOCKED_LEVEL={level}")
    clear = [Edge(0, each, 1 - level) for each in "AB"]
    lines = board.lines([*clear, f"{2 * board.start} unplug {gate}"], 4 * board.start, script)

    assert beats_of(lines)[0].levels == "00"
    assert [(line.gate, line.level) for line in edges_of(lines)] == [(gate, 1)]


# ---- times ----


@on(INT_FAST, ICP_FAST, PICO)
def test_near_edges_are_exact_or_late_never_wrong(board: Board, kind: Kind, run: Run) -> None:
    """Of both gates in random order, from the same moment to 6 ms apart."""
    draw, us = Random(4), board.microsecond
    ranges = ((0, 5 * us), (1, 20 * us), (10 * us, 400 * us), (400 * us, 6000 * us))
    cycles, at = [], 2 * board.start
    for _ in range(1500):
        at += draw.randint(*draw.choice(ranges))
        cycles.append(at)
    alone = [Edge(board.start, "A", 1), Edge(board.start + 1000 * us, "A", 0)]
    near = toggled(cycles, draw.choices("AB", k=len(cycles)))
    edges = alone + near
    lines = run(edges, at + board.start)

    constant = difference(edges_of(lines)[0].counter, edges[0].cycle)
    found = errors_of_exact_lines(edges, edges_of(lines), constant, 30 * us)
    assert max(map(abs, found.values())) <= kind.exact
    assert found.keys() >= set(lone(edges, 10 * us, kind.handling))
    assert len(found) > 500
    told = len(edges_of(lines)) + beats_of(lines)[-1].lost
    assert told <= len(edges)
    assert told >= 0.96 * len(edges)


@on(INT_FAST, ICP_FAST, long=(PICO,))
def test_a_storm_of_edges_leaves_the_clock_right(board: Board, kind: Kind, run: Run) -> None:
    """Both gates chatter every 4 us for 60 ms, then come to rest."""
    us = board.microsecond
    storm = [board.start + 4 * us * n for n in range(1, 15_001)]
    calm = [storm[-1] + board.second // 4 + 1250 * us * n for n in range(1, 401)]
    first = [board.start // 2, board.start // 2 + 1000 * us]
    edges = toggled([*first, *storm, *calm], "AA" + "AB" * 7500 + "AB" * 200)
    lines = run(edges, calm[-1] + board.start)

    assert sum(line.kind == "H" for line in lines) == 1
    last = edges_of(lines)[-400:]
    assert {line.kind for line in last[1:]} == {"E"}
    constant = difference(edges_of(lines)[0].counter, edges[0].cycle)
    shown = offsets(edges[-400:], last)
    assert max(abs(offset - constant) for offset in shown) <= max(4, kind.exact)


# ---- how many edges ----


@on(INT, ICP_FAST, long=(INT_FAST, ICP, PICO))
def test_a_sustained_stream_of_edges_loses_nothing(board: Board, kind: Kind, run: Run) -> None:
    """And keeps up: 5 ms after the last edge all of them have been told."""
    edges = train(board, 4 * kind.a_second, 1e6 / kind.a_second)
    lines = run(edges, edges[-1].cycle + board.second // 200)

    assert is_unbroken(lines)
    assert spread(offsets(edges, edges_of(lines))) <= kind.exact
    assert len(beats_of(lines)) >= 4
    assert beats_of(lines)[-1].lost == 0


@on(INT, ICP_FAST, long=(INT_FAST, ICP, SMALL_PICO, PICO))
@pytest.mark.parametrize("pattern", ["AB", "A", "AABB"])
def test_bursts_lose_nothing(board: Board, kind: Kind, run: Run, pattern: str) -> None:
    gap = round(kind.apart_us * board.microsecond)
    cycles = [
        board.start + n * board.second // 8 + k * gap
        for n in range(8)
        for k in range(kind.burst)
    ]
    edges = toggled(cycles, islice(cycle(pattern), len(cycles)))
    lines = run(edges, board.start + 2 * board.second)

    assert is_unbroken(lines)
    assert {line.kind for line in edges_of(lines)} == {"E"}
    assert spread(offsets(edges, edges_of(lines))) <= kind.exact
    assert beats_of(lines)[-1].lost == 0


@on(INT, ICP, long=(SMALL_PICO, PICO))
@pytest.mark.parametrize(
    ("pattern", "size"),
    [
        pytest.param(pattern, size, marks=[] if size == quick else pytest.mark.long)
        for quick, pattern in enumerate(("AB", "A", "AAB"))
        for size in range(3)
    ],
)
def test_what_does_not_fit_is_counted_to_the_edge(
    board: Board, kind: Kind, run: Run, pattern: str, size: int
) -> None:
    count = kind.floods[size]
    edges = train(board, count, kind.apart_us, pattern)
    lines = run(edges, board.start + 2 * board.second)

    assert is_unbroken(lines)
    lost = beats_of(lines)[-1].lost
    assert lost > 0
    assert len(edges_of(lines)) + lost == count
    late = any(line.kind == "L" for line in edges_of(lines))
    assert late or size == 0, "what follows a loss is late; the least flood may end with one"
    final = {edge.gate: edge.level for edge in edges}
    assert beats_of(lines)[-1].levels == f"{final['A']}{final.get('B', 0)}"


@on(INT_FAST, ICP_FAST, long=(SMALL_PICO,))
def test_lines_sent_while_edges_are_lost_tell_the_right_time_and_level(
    board: Board, kind: Kind, run: Run
) -> None:
    """Twice as many edges as it carries, or more."""
    gap_us = min(1e6 / 6000, 100 * kind.apart_us / 60)
    count = 12_000 if gap_us > 10 else 3 * kind.floods[1]
    alone = train(board, 2, 1000, "A")
    start = board.start + board.second // 10
    flood = train(board, count, gap_us, "AABAB", start)
    lines = run([*alone, *flood], flood[-1].cycle + board.second)

    told = edges_of(lines)
    assert beats_of(lines)[-1].lost == count + 2 - len(told) > count // 3
    constant = difference(told[0].counter, alone[0].cycle)
    gap = flood[1].cycle - flood[0].cycle
    for line in told[2:]:
        edge = flood[round((difference(line.counter, start) - constant) / gap)]
        assert (line.gate, line.level) == (edge.gate, edge.level)
        assert abs(difference(line.counter, edge.cycle) - constant) <= kind.exact


@on(INT, ICP, long=(SMALL_PICO,))
def test_the_lost_count_ends_at_ffff(board: Board, kind: Kind, run: Run) -> None:
    """75,000 edges, of which it tells a part."""
    edges = train(board, 75_000, 2 * kind.apart_us, "A")
    asked = edges[10_000].cycle
    lines = run([*edges, f"{asked} send {QUESTION}"], board.start + 4 * board.second)
    lost = [beat.lost for beat in beats_of(lines)]

    assert lost == sorted(lost)
    assert any(0 < count < 0xFFFF for count in lost)
    assert lost[-2:] == [0xFFFF, 0xFFFF]


@on(INT_FAST, ICP_FAST, long=(SMALL_PICO,))
def test_lines_come_in_the_order_of_time_even_when_edges_wait(
    board: Board, kind: Kind, run: Run
) -> None:
    edges = train(board, 24_000, 5e5 / kind.a_second)
    lines = run(edges, edges[-1].cycle + board.second)

    assert len(beats_of(lines)) > (edges[-1].cycle - board.start) / board.second
    assert beats_of(lines)[-1].lost > 0
    counters = [line.counter for line in lines if line.counter is not None]
    assert counters == sorted(counters)


# ---- questions and beats while edges wait ----


@on(INT, ICP, long=(SMALL_PICO,))
@pytest.mark.parametrize("every_ms", [1, 3, 10])
def test_questions_while_a_full_ring_waits_spoil_no_time(
    board: Board, kind: Kind, run: Run, every_ms: int
) -> None:
    edges = train(board, 255 if kind.burst == 60 else kind.burst, kind.apart_us, "A")
    millisecond = board.second // 1000
    questions = [
        f"{board.start + n * every_ms * millisecond} send {QUESTION}"
        for n in range(1, 600 // every_ms)
    ]
    lines = run([*edges, *questions], board.second)

    assert spread(offsets(edges, edges_of(lines))) <= 100
    assert is_unbroken(lines)
    assert beats_of(lines)[-1].lost == 0
    assert any(line.kind == "H" for line in lines[-20:]), "a question is never forgotten"


@on(INT, ICP, long=(SMALL_PICO,))
def test_a_beat_tells_the_levels_that_the_lines_before_it_led_to(
    board: Board, kind: Kind, run: Run
) -> None:
    """Beats fall due while edges wait; the pins may be elsewhere by then."""
    edges: list[Edge] = []
    millisecond = board.second // 1000
    count = 201 if kind.burst == 60 else kind.burst - 1
    for n in range(40):
        start = board.start + n * board.second // 8
        edges += train(board, count, kind.apart_us, "A", start)
        edges += [Edge(start + board.second // 16, "B", (n + 1) % 2)]
        edges += [Edge(start + board.second // 16 + millisecond, "A", 0)]
    questions = [  # an answer ends with a beat
        f"{board.start + n * board.second // 8 + k * millisecond // 2} send {QUESTION}"
        for n in range(40)
        for k in range(1, 8)
    ]
    lines = run([*sorted(edges), *questions], board.start + 5 * board.second)

    levels, amid = {"A": 0, "B": 0}, 0
    for place, line in enumerate(lines):
        if line.kind in "EL":
            levels[str(line.gate)] = int(line.level or 0)
        if line.kind == "T":
            assert line.levels == f"{levels['A']}{levels['B']}"
            amid += _is_followed_by_an_earlier_happening(lines, place, millisecond)
    assert amid >= 1, "no beat fell due while edges waited: the test tests nothing"
    assert is_unbroken(lines)


def _is_followed_by_an_earlier_happening(lines: list[Line], place: int, within: int) -> bool:
    """Whether the edge after a beat happened soon after it: it waited in the ring."""
    after = next((line for line in lines[place:] if line.kind in "EL"), None)
    beat = lines[place].counter
    return after is not None and after.counter - beat < within
