"""Edges of one gate made into passages."""

from dataclasses import replace

import numpy as np
import pytest
from line_kit import RULES, Line, block, events

from chrono.arrays.events import LEVEL_UNKNOWN, EventKind
from chrono.processor.passages import (
    CORE,
    LATE_TRAIL,
    LEAD,
    MAX_EDGES,
    NO_GROUPS,
    TRAIL,
    OpenGroups,
    Passages,
    group_passages,
)
from chrono.processor.timebase import put_on_timebase
from chrono.processor.timeline import Edges, Timebase
from chrono.rigs.line_kinds import PLAIN

WINDOWS = RULES.windows
US = 16
NEVER = 1 << 62


def edges(lines: list[Line]) -> Edges:
    plain = replace(RULES, lines=PLAIN)
    return put_on_timebase(events(lines, plain=True), (), Timebase(), plain).edges


def passages(lines: list[Line], known: int = NEVER) -> Passages:
    return group_passages(edges(lines), NO_GROUPS, known, WINDOWS)[0]


def at(*levels: tuple[float, int]) -> list[Line]:
    """Return edges of gate A at these milliseconds after one second."""
    return [Line(1.0 + 1e-3 * ms, level=level) for ms, level in levels]


def shape(found: Passages) -> list[tuple[float, float, int]]:
    """Return first and last edge in milliseconds after one second, and which there are."""
    ms = [np.round(found[name] / 16e3 - 1e3, 3).tolist() for name in ("first", "last")]
    return list(zip(*ms, (found["marks"] & 3).tolist(), strict=True))


def test_two_edges_are_one_passage() -> None:
    assert shape(passages(at((0, 1), (2, 0)))) == [(0, 2, LEAD | TRAIL)]


def test_a_gate_that_trips_again_within_the_quiet_time_is_in_the_same_passage() -> None:
    short = passages(at((0, 1), (1, 0), (1.125, 1), (2, 0)))
    assert shape(short) == [(0, 2, LEAD | TRAIL)]
    assert short["marks"][0] & CORE
    assert len(passages(at((0, 1), (1, 0), (1.25, 1), (2, 0)))) == 2


def test_the_core_is_the_longest_unbroken_blocking() -> None:
    found = passages(at((0, 1), (0.0625, 0), (0.125, 1), (2, 0), (2.125, 1), (2.5, 0)))
    assert (
        (found["core_first"], found["core_last"]) == np.array([[16002000], [16032000]])
    ).all()


def test_an_edge_lost_within_the_quiet_time_parts_nothing() -> None:
    assert shape(passages(at((0, 1), (0.125, 1), (2, 0)))) == [(0, 2, LEAD | TRAIL)]


def test_a_lost_trailing_edge_leaves_a_passage_with_a_leading_one() -> None:
    assert shape(passages(at((0, 1), (300, 1), (302, 0)))) == [
        (0, 0, LEAD),
        (300, 302, LEAD | TRAIL),
    ]


def test_a_lost_leading_edge_leaves_a_passage_with_a_trailing_one() -> None:
    assert shape(passages(at((0, 1), (2, 0), (302, 0)))) == [
        (0, 2, LEAD | TRAIL),
        (302, 302, TRAIL),
    ]


def test_a_gate_blocked_too_long_keeps_its_leading_edge_only() -> None:
    limit = WINDOWS.block_limit / 16e3
    assert shape(passages(at((0, 1), (limit - 1, 0)))) == [(0, limit - 1, LEAD | TRAIL)]
    assert shape(passages(at((0, 1), (limit, 0)))) == [(0, 0, LEAD), (limit, limit, TRAIL)]


def test_noise_without_an_end_is_one_stuck_passage() -> None:
    noise = [Line(1.0 + 1e-4 * i, level=1 - i % 2) for i in range(3 * MAX_EDGES)]
    assert shape(passages(noise)) == [(0, 0, LEAD)]


def test_lines_without_a_level_are_leading_edges() -> None:
    lines = [Line(1.0 + 1e-3 * ms, level=LEVEL_UNKNOWN) for ms in (0, 0.125, 5)]
    assert shape(passages(lines)) == [(0, 0, LEAD), (5, 5, LEAD)]


def test_a_late_line_marks_its_edge() -> None:
    lines = at((0, 1), (2, 0))
    found = passages([lines[0], replace(lines[1], kind=EventKind.LATE)])
    assert found["marks"][0] == LEAD | TRAIL | LATE_TRAIL


def test_gates_do_not_mix() -> None:
    found = passages([*block(0, 1.0, 0.002), *block(1, 1.001, 0.002)])
    assert found["gate"].tolist() == [0, 1]
    assert (found["last"] - found["first"]).tolist() == [32000, 32000]


@pytest.mark.parametrize(("known_ms", "final"), [(2.1, 0), (2.2, 1)])
def test_a_passage_is_final_when_the_quiet_time_has_passed(known_ms: float, final: int) -> None:
    known = round((1000 + known_ms) * 16e3)
    found, groups, until = group_passages(edges(at((0, 1), (2, 0))), NO_GROUPS, known, WINDOWS)
    assert len(found) == final
    assert until == (known if final else 16_000_000)
    assert len(groups.edges.t) == 2 - 2 * final


def test_a_blocked_gate_is_given_out_once_and_the_rest_passed_over() -> None:
    groups, seen = OpenGroups(edges([]), frozenset()), []
    lines = at((0, 1), (1500, 0), (1600, 1), (1602, 0))
    for line, known_ms in zip(lines, (1200, 1550, 1601, 5000), strict=True):
        known = round((1000 + known_ms) * 16e3)
        found, groups, _ = group_passages(edges([line]), groups, known, WINDOWS)
        seen += shape(found)
    assert seen == [(0, 0, LEAD), (1500, 1500, TRAIL), (1600, 1602, LEAD | TRAIL)]
