"""The sensors' levels, asked for while beams are aligned, and edges that must not notice it."""

from collections.abc import Iterable
from pathlib import Path
from random import Random
from time import sleep

import numpy as np
import pytest

from chrono.rigs.rig_file import parse_rig
from chrono.session.live_run import live_run
from chrono.session.readiness_check import AlignmentView

from .boards import ICP, ICP_FAST, INT, INT_FAST, PICO, QUESTION, Kind, on, train
from .conftest import MakeBoard, Run
from .kit import (
    Board,
    Edge,
    Line,
    beats_of,
    difference,
    edges_of,
    errors_of_exact_lines,
    go,
    is_unbroken,
    lone,
    read_lines,
    toggled,
    write_script,
)

REQUEST, SELF_TEST = b"=\n".hex(), b"!\n".hex()


def asked_at(cycles: Iterable[int]) -> list[str]:
    return [f"{cycle} send {REQUEST}" for cycle in cycles]


def asked_until(board: Board, until: int, every_s: float = 0.5) -> list[str]:
    return asked_at(range(board.start, until, round(every_s * board.second)))


def levels_of(lines: Iterable[Line]) -> list[tuple[int, ...]]:
    return [line.millivolts for line in lines if line.kind == "V"]


# ---- when ----


@on(INT, ICP, PICO)
def test_levels_come_ten_times_a_second_for_two_seconds_after_a_request(
    board: Board, run: Run
) -> None:
    lines = run(asked_at([board.start]), 4 * board.second)

    assert 20 <= len(levels_of(lines)) <= 21
    gaps = [0]
    for line in lines:
        if line.kind == "V":
            gaps[-1] += 1
        elif line.kind == "T":
            gaps.append(0)
    assert gaps[1:4] == pytest.approx([10, 10, 0], abs=1), "between beats"


@on(INT, long=(PICO,))
def test_a_request_that_is_renewed_keeps_them_coming(board: Board, run: Run) -> None:
    until = 5 * board.second
    lines = run(asked_until(board, 4 * board.second), until)

    assert len(levels_of(lines)) == pytest.approx(
        10 * (until - board.start) / board.second, abs=1
    )


@on(INT, long=(PICO,))
@pytest.mark.parametrize("noise", [b"=", b"=x\n", b"V\n", b"?=\r"])
def test_nobody_who_has_not_asked_gets_levels(board: Board, run: Run, noise: bytes) -> None:
    lines = run([f"{board.start} send {noise.hex()}"], board.second // 2)

    assert [line.kind for line in lines] == ["H", "T"]


@on(INT, long=(PICO,))
def test_other_lines_are_as_without_them(board: Board, run: Run) -> None:
    """Sequence numbers, levels and order; a beat may come a little later."""
    edges = train(board, 300, 3000, "ABBA")
    until = edges[-1].cycle + board.second
    quiet = run(edges, until)
    asked = run([*edges, *asked_until(board, until)], until)

    def known(lines: list[Line]) -> list[tuple[object, ...]]:
        return [(x.kind, x.sequence, x.gate, x.level, x.levels, x.lost) for x in lines]

    assert known([line for line in asked if line.kind != "V"]) == known(quiet)
    assert len(levels_of(asked)) > 10


@on(INT, ICP, PICO)
def test_levels_wait_until_all_edges_are_told(board: Board, kind: Kind, run: Run) -> None:
    """A ring that is emptied too slowly would tell an edge in the wrong half turn."""
    edges = train(board, 250, kind.apart_us, "AB", board.second // 4)
    lines = run([*edges, *asked_until(board, board.second)], board.second)
    kinds = "".join(line.kind for line in lines)

    assert len(edges_of(lines)) == len(edges)
    assert "V" not in kinds[kinds.index("E") : kinds.rindex("E")]
    assert "V" in kinds[: kinds.index("E")]
    assert "V" in kinds[kinds.rindex("E") :]


@on(INT, long=(PICO,))
def test_a_flood_of_requests_loses_no_edge(board: Board, run: Run) -> None:
    edges = train(board, 400, 1250, "A")
    flood = asked_at(range(board.start, board.second // 2, board.second // 500))
    hellos = [f"{board.start + n * board.second // 8} send {QUESTION}" for n in range(1, 4)]
    lines = run([*edges, *flood, *hellos], board.second)

    assert is_unbroken(lines)
    assert [line.level for line in edges_of(lines)] == [edge.level for edge in edges]
    assert beats_of(lines)[-1].lost == 0
    assert [line.kind for line in lines].count("H") == 4
    assert 5 <= len(levels_of(lines)) <= 10


@on(INT, long=(ICP, PICO))
def test_the_self_test_runs_undisturbed(board: Board, run: Run) -> None:
    test = f"{board.start + 1000} send {SELF_TEST}"
    lines = run([*asked_until(board, board.second), test], board.second)
    hello = [line.kind for line in lines].index("H", 1)
    playing = lines[hello:]

    assert len(beats_of(playing)) > 128
    assert "V" not in [line.kind for line in playing[: playing.index(beats_of(playing)[128])]]


@on(PICO)
def test_a_closed_port_ends_them(board: Board, run: Run) -> None:
    closed, opened = board.second // 2, 6 * board.second // 10
    lines = run(
        [*asked_at([board.start]), f"{closed} close", f"{opened} open"], 2 * board.second
    )
    again = [line.kind for line in lines].index("H", 1)

    assert levels_of(lines[:again])
    assert not levels_of(lines[again:])


# ---- what ----


def thresholds_mv(wiper_mv: float, high_mv: float) -> list[float]:
    """The comparator's input P while OUT is low and high, by the currents at both nodes."""
    trimmer, r3, rv1, r4, r5, low_mv, supply_mv = 1, 10e3, 10e3, 10e3, 470e3, 300, 5000
    lower = wiper_mv / supply_mv * (r3 + rv1)
    found = []
    for out_mv in (low_mv, high_mv):
        conductances = [
            [1 / lower + 1 / (r3 + rv1 - lower) + 1 / r4, -1 / r4],
            [-1 / r4, 1 / r4 + 1 / r5],
        ]
        currents = [supply_mv / (r3 + rv1 - lower), out_mv / r5]
        found.append(float(np.linalg.solve(conductances, currents)[trimmer]))
    return found


@on(INT, PICO)
def test_levels_are_those_at_the_pins_and_thresholds_those_of_the_circuit(
    board: Board, kind: Kind, run: Run
) -> None:
    """
    A step of the ATmega328P's converter is 5 mV. The RP2040 loads the trimmer with 300 kohm
    while it looks, which takes 1.2 % off the higher one.
    """
    light, trim = (1700, 640), (470, 1150)
    pins = [f"0 light {g} {mv}" for g, mv in zip("AB", light, strict=True)]
    pins += [f"0 trim {g} {mv}" for g, mv in zip("AB", trim, strict=True)]
    lines = run([*pins, *asked_at([board.start])], board.second)
    high_mv, within_mv = (3290, 15) if kind is PICO else (4990, 5)

    assert levels_of(lines)
    for levels in levels_of(lines):
        for n in range(2):
            told, lower, upper = levels[3 * n : 3 * n + 3]
            assert told == pytest.approx(light[n], abs=4)
            assert [lower, upper] == pytest.approx(
                thresholds_mv(trim[n], high_mv), abs=within_mv
            )


@pytest.mark.long
@on(INT, ICP, PICO)
@pytest.mark.parametrize("gate", ["A", "B"])
def test_they_follow_a_misaligned_beam_within_a_fifth_of_a_second(
    board: Board, run: Run, gate: str
) -> None:
    """The beam wanders away in steps; each line shows what the sensor had at most 0.2 s ago."""
    step = board.second // 5
    steps = [(board.start + n * step, 1500 - 100 * n) for n in range(1, 10)]
    moves = [f"{cycle} light {gate} {mv}" for cycle, mv in steps]
    until = steps[-1][0] + step
    lines = run([*moves, *asked_until(board, until)], until)
    at = 0 if gate == "A" else 3
    shown = [levels[at] for levels in levels_of(lines)]

    assert len({round(mv / 100) for mv in shown} & {mv // 100 for _, mv in steps}) == len(steps)
    for mv in (mv for _, mv in steps):
        assert sum(abs(each - mv) <= 5 for each in shown) in (1, 2, 3)


RIG = """
name = "emulated gates"
[gates]
spacing = "300 mm"
"""


@on(long=(INT, PICO))
def test_who_looks_at_a_run_sees_a_misaligned_beam_within_0_3_s_and_the_recording_has_no_levels(
    board: Board, script: Path, tmp_path: Path
) -> None:
    """
    Board, terminal, reader and run in real time, looked at as often as Beams does.

    An edge at the moment of each step shows when the emulator, which may be late, was there.
    """
    begin, apart = 2 * board.second, board.second // 50
    edges = train(board, 200, 20_000, "ABBA", begin)
    steps_mv = {25 * n: 1400 - 150 * n for n in range(6)}
    moves = [f"{begin + at * apart} light B {mv}" for at, mv in steps_mv.items()]
    write_script([*edges, *moves], script)
    recording, shown = tmp_path / "session.tsv", []
    with board.behind_terminal(script, "--pace", "1") as (port, emulator):
        run = live_run(port, parse_rig(RIG, "test"), recording)
        run.start()
        view = AlignmentView()
        go(emulator)
        while run.now_us() < 7_000_000:
            run.step()
            if beams := view.look_at(run):
                shown.append((run.now_us(), beams[1].levels.light_v))
            sleep(0.1)
        run.close()

    recorded = recording.read_bytes()
    assert b"\tV " not in recorded
    rows = [row.split(b"\t") for row in recorded.splitlines() if b"\tboard\t" in row]
    told = read_lines(b"\n".join([*(text for _, _, text in rows), b""]))
    assert is_unbroken([line for line in told if line.kind != "H"])
    assert len(edges_of(told)) == len(edges)
    edges_us = [int(us) for us, _, text in rows if text[:1] in (b"E", b"L")]
    lags_s = [
        1e-6 * (next(us for us, v in shown if abs(1000 * v - mv) <= 5) - edges_us[at])
        for at, mv in steps_mv.items()
    ]
    assert max(lags_s) < 0.3, lags_s


# ---- and edges ----

LONG = [
    pytest.param(kind, id=name, marks=pytest.mark.long)
    for name, kind in {
        "int": INT_FAST,
        "icp": ICP_FAST,
        "int on the core": Kind("sketch_int", "", 1_000_000),
        "icp on the core": Kind("sketch_icp", "", 1_000_000),
        "int by the editor": Kind("editor_int", "", 1_000_000),
        "icp by the editor": Kind("editor_icp", "", 1_000_000),
        "rp2040": PICO,
    }.items()
]


def wrong_and_late(
    board: Board, script: Path, exact: int, handling: int, asked: bool, count: int
) -> int:
    """How many random edges are late; none may be wrong, none that is alone may be late."""
    draw, us = Random(28), board.microsecond
    ranges = ((0, 5 * us), (1, 20 * us), (10 * us, 400 * us), (400 * us, 4000 * us))
    cycles, at = [], 2 * board.start
    for _ in range(count):
        at += draw.randint(*draw.choice(ranges))
        cycles.append(at)
    alone = [Edge(board.start, "A", 1), Edge(board.start + 1000 * us, "A", 0)]
    edges = alone + toggled(cycles, draw.choices("AB", k=count))
    until = at + board.start
    lines = board.lines([*edges, *(asked_until(board, until) if asked else [])], until, script)

    seconds = (until - board.start) / board.second
    assert len(levels_of(lines)) >= (7 * seconds if asked else 0)
    assert asked or not levels_of(lines)
    assert is_unbroken(lines)
    constant = difference(edges_of(lines)[0].counter, edges[0].cycle)
    found = errors_of_exact_lines(edges, edges_of(lines), constant, 30 * us)
    assert max(map(abs, found.values())) <= exact
    assert found.keys() >= set(lone(edges, 10 * us, handling))
    told = len(edges_of(lines)) + beats_of(lines)[-1].lost
    assert 0.96 * len(edges) <= told <= len(edges)
    return sum(line.kind == "L" for line in edges_of(lines))


@pytest.mark.parametrize("asked", [False, True], ids=["unasked", "asked"])
@pytest.mark.parametrize("kind", LONG)
def test_of_5000_random_edges_none_is_wrong(
    make_board: MakeBoard, script: Path, kind: Kind, asked: bool
) -> None:
    board = make_board(kind.target, kind.baud, kind.options)
    wrong_and_late(board, script, kind.exact, kind.handling, asked, 5000)


@on(INT_FAST, ICP_FAST)
def test_levels_make_no_edge_wrong_and_hardly_more_of_them_late(
    board: Board, kind: Kind, script: Path
) -> None:
    unasked, asked = (
        wrong_and_late(board, script, kind.exact, kind.handling, how, 1500)
        for how in (False, True)
    )
    assert abs(asked - unasked) <= 15
