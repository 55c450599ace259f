"""One verdict for one evidence: what lost lines cost does not hang on where a beat comes."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_kit import RULES, A, B, Line, beats, block, body, cut, events, feed, shots_of

from chrono.processor.pipeline import Processor
from chrono.processor.shot_records import EdgesUsed, Flag

ONE, TWO = body(2.3, 20.0), body(2.9, 30.0)
UNLIKE = [*block(A, 2.3, 2.0e-3), *block(B, 2.315, 2.05e-3)]
"""A ball off its middle: whole, but 50 us is more than what whole bodies differ by."""
UNLIKE_TWO = [*block(A, 2.9, 2.0e-3), *block(B, 2.915, 2.05e-3)]
LEADING, TRAILING = (0, 2), (1, 3)
LEAD, TRAIL, BOTH = EdgesUsed.LEAD, EdgesUsed.TRAIL, EdgesUsed.BOTH
PHASES = np.arange(0.025, 1.0, 0.05)
"""No beat comes within a shot of these."""

Lost = Sequence[tuple[list[Line], Sequence[int]]]


def sent(bodies: Sequence[list[Line]], lost: Lost, phase_s: float, more: Sequence[Line] = ()):
    """Return the events of bodies, some of their lines lost, and of `more`, all of it lost."""
    told = [replace(beat, at_s=beat.at_s + phase_s) for beat in beats(6)]
    lines = sorted([*told, *(x for b in bodies for x in b), *more], key=lambda x: x.at_s)
    gone = [*more, *(body[place] for body, places in lost for place in places)]
    return events(lines, missing=[lines.index(line) for line in gone])


CASES = {
    "trailing lines of the first": ([ONE, TWO], [(ONE, TRAILING)], [LEAD, BOTH]),
    "trailing lines of the second": ([ONE, TWO], [(TWO, TRAILING)], [BOTH, LEAD]),
    "trailing lines of both": ([ONE, TWO], [(ONE, TRAILING), (TWO, TRAILING)], [LEAD, LEAD]),
    "leading lines of the second": ([ONE, TWO], [(TWO, LEADING)], [BOTH, TRAIL]),
    "leading lines of both": ([ONE, TWO], [(ONE, LEADING), (TWO, LEADING)], [TRAIL, TRAIL]),
    "leading, then trailing": ([ONE, TWO], [(ONE, LEADING), (TWO, TRAILING)], [TRAIL, LEAD]),
    "trailing, then leading, like one long body": (
        [ONE, TWO],
        [(ONE, TRAILING), (TWO, LEADING)],
        [EdgesUsed.NONE],
    ),
    "before a ball off its middle": (
        [ONE, UNLIKE_TWO],
        [(ONE, TRAILING)],
        [LEAD, BOTH],
    ),
    "behind a ball off its middle": ([UNLIKE, TWO], [(TWO, LEADING)], [BOTH, TRAIL]),
    "a lone shot's trailing lines": ([ONE], [(ONE, TRAILING)], [LEAD]),
}


@pytest.mark.parametrize("phase_s", PHASES)
@pytest.mark.parametrize("case", CASES)
def test_a_shot_is_timed_by_what_is_left_wherever_a_beat_comes(
    case: str, phase_s: float
) -> None:
    bodies, lost, used = CASES[case]
    shots = shots_of(sent(bodies, lost, phase_s))
    assert shots["used"].tolist() == used
    is_gap = (shots["flags"] & int(Flag.GAP) > 0).tolist()
    assert is_gap == [edges != BOTH for edges in used]


FLY = Line(2.8995, gate=A, level=0)
"""Half a millisecond before the second body, with no beat between."""


@pytest.mark.parametrize("second", [TWO, UNLIKE_TWO])
def test_a_line_more_than_missing_edges_explain_is_another_bodys(second: list[Line]) -> None:
    lost = [(ONE, TRAILING), *([(TWO, TRAILING)] if second is TWO else [])]
    shots = shots_of(sent([ONE, second], lost, 0.025, [FLY]))
    assert shots["used"].tolist()[1] == EdgesUsed.NONE
    assert shots["flags"][1] & int(Flag.GAP)


@pytest.mark.parametrize(
    ("longer", "used"), [(0.0, BOTH), (0.06, BOTH), (0.08, EdgesUsed.NONE)]
)
def test_many_lost_lines_leave_the_transit_of_a_body_of_the_declared_length(
    longer: float, used: int
) -> None:
    """A body of 40 mm and gates 300 mm apart: half of 40/300 is 7 %, so 8 % are too much."""
    whole = body(2.9, 30.0, 0.04 * (1 + longer))
    lost = [Line(2.8990 + 1e-4 * n, gate=A, level=n % 2) for n in range(6)]
    shots = shots_of(sent([whole], [], 0.025, lost))
    assert shots["used"].tolist() == [used]


def test_so_it_is_behind_a_body_whose_follower_explains_but_one() -> None:
    near = Line(UNLIKE[3].at_s + 1e-3, gate=B, level=1)
    shots = shots_of(sent([UNLIKE, TWO], [(TWO, LEADING)], 0.025, [near]))
    assert shots["used"].tolist() == [EdgesUsed.NONE, EdgesUsed.NONE]


def test_a_whole_body_explains_nothing() -> None:
    near = Line(UNLIKE_TWO[0].at_s - 1e-3, gate=B, level=1)
    shots = shots_of(sent([ONE, UNLIKE_TWO], [], 0.025, [near]))
    assert shots["used"].tolist() == [BOTH, EdgesUsed.NONE]


def test_a_lone_passage_explains_nothing() -> None:
    shots = shots_of(sent([block(A, 2.3, 2e-3), UNLIKE_TWO], [], 0.025))
    assert shots["used"].tolist() == [EdgesUsed.NONE, BOTH]
    lone = block(A, 2.3, 2e-3)
    shots = shots_of(sent([lone, UNLIKE_TWO], [(lone, (1,))], 0.025))
    assert shots["used"].tolist() == [EdgesUsed.NONE, EdgesUsed.NONE]


def test_a_body_with_company_explains_nothing() -> None:
    carrier = body(2.36, 15.0, 0.015)
    shots = shots_of(sent([ONE, carrier, UNLIKE_TWO], [(carrier, (3,))], 0.025))
    assert shots["used"].tolist()[1] == EdgesUsed.NONE


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(sorted(CASES)),
    st.sampled_from(PHASES.tolist()),
    st.sets(st.integers(0, 14), max_size=8),
    st.booleans(),
)
def test_so_it_is_however_the_stream_is_cut(
    case: str, phase_s: float, places: set[int], has_more: bool
) -> None:
    bodies, lost, _ = CASES[case]
    these = sent(bodies, lost, phase_s, [FLY] if has_more else [])
    processor = Processor(RULES)
    pieces = [feed(processor, piece) for piece, _ in cut(these, [], places)]
    found = np.concatenate([*pieces, processor.finish()])
    assert found.tobytes() == shots_of(these).tobytes()


@pytest.mark.parametrize("has_more", [False, True])
def test_what_a_shot_explains_stays_explained_for_those_that_wait_longer(
    has_more: bool,
) -> None:
    """
    Between two beats, each shot's trailing lines lost: one is final before the next is.

    One more line behind the second is a body's that both the second and the third may meet.
    """
    bodies = [body(at_s, 20.0) for at_s in (2.75, 3.1, 3.6)]
    more = [Line(bodies[1][3].at_s + 1e-3, gate=B, level=1)] if has_more else []
    these = sent(bodies, [(each, TRAILING) for each in bodies], 0.7, more)
    whole = shots_of(these)
    nothing = EdgesUsed.NONE
    assert whole["used"].tolist() == ([LEAD, nothing, nothing] if has_more else [LEAD] * 3)
    for place in range(len(these.kind)):
        processor = Processor(RULES)
        pieces = [feed(processor, piece) for piece, _ in cut(these, [], [place])]
        found = np.concatenate([*pieces, processor.finish()])
        assert found.tobytes() == whole.tobytes()


@pytest.mark.parametrize("case", CASES)
def test_a_shot_waits_for_all_that_may_explain_a_break_near_it(case: str) -> None:
    """A beat comes 0.1 s behind the second body, before that is known to be one."""
    bodies, lost, _ = CASES[case]
    these = sent(bodies, lost, 0.025)
    whole = shots_of(these)
    for place in range(len(these.kind)):
        processor = Processor(RULES)
        pieces = [feed(processor, piece) for piece, _ in cut(these, [], [place])]
        found = np.concatenate([*pieces, processor.finish()])
        assert found.tobytes() == whole.tobytes()
