"""A shot without a speed says why: where no pair of edges can be trusted it is `unsound`."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_kit import RULES, A, B, Line, beats, block, body, events, shots_of
from speed_rigs import make_rig
from test_cut import Stream, run, streams

from chrono.arrays.events import EventKind
from chrono.measuring.speed import SpeedModel, measure
from chrono.processor.shot_records import Flag, Shots, flag_words
from chrono.rigs.line_kinds import INTERVAL, PLAIN, LineKind

US = 1e-6
TOO_LONG_S = 38 * US
"""Two of these steps at both gates give the 3 ms of 100 m/s a standard uncertainty above a
hundredth: √2 · 76 us/√12 is 31 us."""
BEARABLE_S = 36 * US


def chattering(lines: Sequence[Line], places: Sequence[int], step_s: float) -> list[Line]:
    """Return a body's edges, some of them made three, `step_s` apart."""
    sent = list(lines)
    for place in places:
        edge = lines[place]
        sent.append(replace(edge, at_s=edge.at_s + step_s, level=1 - edge.level))
        sent.append(replace(edge, at_s=edge.at_s + 2 * step_s))
    return sent


def late(lines: Sequence[Line], places: Sequence[int]) -> list[Line]:
    return [replace(x, kind=EventKind.LATE) if i in places else x for i, x in enumerate(lines)]


BALL = body(2.3, 20.0)
QUICK = body(2.3, 100.0)
SLOW, FAST, BACK = body(2.3, 1.5), body(2.3, 230.0), body(2.5, -20.0)
FLASH = [*block(A, 2.3, 1e-3), *block(B, 2.30005, 1e-3)]
ALL = range(4)
CASES: dict[str, tuple[list[Line], tuple[str, ...]]] = {
    "chatter on all edges": (chattering(QUICK, ALL, TOO_LONG_S), ("unsound",)),
    "little chatter on all edges": (chattering(QUICK, ALL, BEARABLE_S), ()),
    "chatter on one pair": (chattering(QUICK, (0, 2), TOO_LONG_S), ("trail-only",)),
    "all edges late": (late(BALL, ALL), ("unsound",)),
    "one edge of each pair late": (late(BALL, (0, 3)), ("unsound",)),
    "one edge late": (late(BALL, (1,)), ("lead-only",)),
    "late and chattering": (late(chattering(QUICK, (1, 3), TOO_LONG_S), (0,)), ("unsound",)),
    "the only pair late": (late([BALL[0], BALL[2]], (1,)), ("unsound",)),
    "a carrier follows": (
        [*late(BALL, ALL), *body(2.32, 15.0, 0.015)],
        ("companion", "unsound"),
    ),
    "late and too slow": (late(SLOW, ALL), ("too-slow", "unsound")),
    "late and too fast": (late(FAST, ALL), ("too-fast", "unsound")),
    "late and reversed": (late(BACK, ALL), ("reversed",)),
    "a late flash": (late(FLASH, ALL), ("flash",)),
    "late at one gate alone": (late(BALL[:2], (0, 1)), ("lone-a",)),
}


@pytest.mark.parametrize("case", CASES)
def test_a_pair_that_cannot_be_timed_says_so(case: str) -> None:
    lines, expected = CASES[case]
    (shot,) = shots_of(events([*beats(5), *lines]))
    assert flag_words(int(shot["flags"])) == expected


MODEL = SpeedModel.from_rig(make_rig())


def is_silent(shots: Shots) -> npt.NDArray[np.bool_]:
    """Tell which shots have no speed."""
    return np.isnan(measure(shots, MODEL).speed_mps)


@settings(max_examples=150, deadline=None)
@given(streams(), st.sampled_from([None, 0.04]))
def test_every_shot_without_a_speed_carries_a_flag(
    stream: Stream, length_m: float | None
) -> None:
    shots = run(stream, [], replace(RULES, body_length_m=length_m))[0]
    assert (shots["flags"][is_silent(shots)] > 0).all()
    assert is_silent(shots)[shots["flags"] & int(Flag.UNSOUND) > 0].all()


@settings(max_examples=50, deadline=None)
@given(streams(lines="bare"), st.sampled_from([PLAIN, INTERVAL]))
def test_so_does_every_such_shot_of_a_simple_sketch(stream: Stream, lines: LineKind) -> None:
    these, controls = stream
    if lines.is_interval and len(these):
        kind = np.full_like(these.kind, EventKind.INTERVAL)
        these = replace(these, kind=kind, counter=these.counter - these.counter.min())
    shots = run((these, controls), [], replace(RULES, lines=lines))[0]
    assert (shots["flags"][is_silent(shots)] > 0).all()
