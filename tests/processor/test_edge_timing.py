"""Edges that bounced or came late are timed at the middle of where they can have been."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from line_kit import (
    LENGTH_M,
    RULES,
    UNIT_S,
    A,
    B,
    Line,
    beats,
    block,
    body,
    cut,
    events,
    feed,
    shots_of,
)

from chrono.arrays.events import EventKind
from chrono.processor.pipeline import Processor
from chrono.processor.shot_records import ABSENT, EdgesUsed, Shots, flag_words

US = 1e-6
TICKS = 16
"""In a microsecond."""
START_S = 2.3 + UNIT_S / 2
"""In the middle of a tick, so that no rounding matters."""
BALL = body(START_S, 100.0)
TRANSIT, BLOCK = 48_000, 6_400
A1, A0, B1, B0 = range(4)


def bounced(edge: Line, *steps_us: float) -> list[Line]:
    """Return an edge, and the trips after it, each that much later than the edge."""
    return [
        replace(edge, at_s=edge.at_s + us * US, level=edge.level ^ i & 1)
        for i, us in enumerate((0.0, *steps_us))
    ]


def with_bounces(places: dict[int, Sequence[float]]) -> Shots:
    """Return the one shot of a ball whose edges bounce."""
    lines = [x for i, edge in enumerate(BALL) for x in bounced(edge, *places.get(i, ()))]
    (shot,) = shots_of(events([*beats(5), *lines]))
    return shot


def u_of(*spans_us: float) -> float:
    """Return the u of a transit between two edges, rectangular over spans [ticks]."""
    return TICKS * math.sqrt(sum(span**2 for span in spans_us) / 12)


def mean_of(u_lead: float, u_trail: float) -> float:
    return math.hypot(u_lead, u_trail) / 2


def test_clean_edges_have_no_uncertainty_from_bounce() -> None:
    shot = with_bounces({})
    assert (shot["lead"], shot["trail"], shot["block_a"]) == (TRANSIT, TRANSIT, BLOCK)
    assert shot["bounce"] == 0.0


def test_a_bounced_edge_lies_midway_between_its_first_trip_and_its_last() -> None:
    shot = with_bounces({A1: (3, 8)})
    assert shot["lead"] == TRANSIT - 4 * TICKS
    assert shot["trail"] == TRANSIT
    assert (shot["block_a"], shot["block_b"]) == (BLOCK - 4 * TICKS, BLOCK)
    shot = with_bounces({B0: (1, 2, 5, 6)})
    assert (shot["lead"], shot["trail"]) == (TRANSIT, TRANSIT + 3 * TICKS)
    assert (shot["block_a"], shot["block_b"]) == (BLOCK, BLOCK + 3 * TICKS)


def test_bounces_alike_at_both_gates_leave_the_transit_as_it_is() -> None:
    shot = with_bounces(dict.fromkeys(range(4), (3, 8)))
    assert (shot["lead"], shot["trail"]) == (TRANSIT, TRANSIT)
    assert (shot["block_a"], shot["used"], shot["flags"]) == (BLOCK, EdgesUsed.BOTH, 0)
    assert shot["bounce"] == pytest.approx(mean_of(u_of(8, 8), u_of(8, 8)))


@pytest.mark.parametrize(
    ("places", "spans_us"),
    [
        ({A1: (3, 8), B0: (1, 2)}, (8, 8, 8, 8)),
        ({A1: (1, 2), B1: (1, 4), A0: (3, 6)}, (6, 6, 6, 6)),
        ({B1: (3, 8)}, (8 * math.sqrt(2),) * 4),
        ({A0: (1, 2, 6, 8)}, (8 * math.sqrt(2),) * 4),
    ],
)
def test_no_edge_counts_with_less_than_the_longest_bounce_of_its_shot(
    places: dict[int, Sequence[float]], spans_us: Sequence[float]
) -> None:
    a1, a0, b1, b0 = spans_us
    shot = with_bounces(places)
    assert shot["bounce"] == pytest.approx(mean_of(u_of(a1, b1), u_of(a0, b0)))


@pytest.mark.parametrize(("place", "used"), [(A1, "trail-only"), (A0, "lead-only")])
@pytest.mark.parametrize(("span_us", "is_sound"), [(102, True), (103, False)])
def test_a_pair_with_more_than_a_hundredth_leaves_the_timing_to_the_other(
    place: int, used: str, span_us: float, is_sound: bool
) -> None:
    """The middle takes half the span from 3 ms: a hundredth of that, times √12, is 102.1 us."""
    shot = with_bounces({place: (span_us / 2, span_us)})
    assert flag_words(int(shot["flags"])) == (() if is_sound else (used,))
    if not is_sound:
        assert shot["bounce"] == 0.0
        assert shot["lead" if place == A0 else "trail"] == TRANSIT


def test_the_pair_that_is_left_counts_with_its_own_bounces_alone() -> None:
    shot = with_bounces({A1: (60, 120), B0: (3, 8), A0: (2, 4)})
    assert shot["used"] == EdgesUsed.TRAIL
    assert shot["trail"] == TRANSIT + 2 * TICKS
    assert shot["bounce"] == pytest.approx(u_of(8, 8))


def test_bounces_that_reach_the_core_tell_no_edge() -> None:
    """Of a rod of 2 mm, 20 us, at 100 m/s: 6 us of it unbroken, or 12."""
    for last_us, is_sound in ((8.5, True), (14.0, False)):
        rod = [*block(A, START_S, 20 * US), *block(B, START_S + 3e-3, 20 * US)]
        lines = [*bounced(rod[0], 2, last_us), rod[1], *bounced(rod[2], 2, last_us), rod[3]]
        rules = replace(RULES, body_length_m=2e-3)
        (shot,) = shots_of(events([*beats(5), *lines]), rules=rules)
        assert shot["used"] == (EdgesUsed.BOTH if is_sound else EdgesUsed.TRAIL)


# -- late lines -------------------------------------------------------------------------


def told(*edges: tuple[int, float, int, bool]) -> Shots:
    """Return the one shot of edges: gate, time [us], level, whether it is late."""
    lines = [
        Line(START_S + us * US, EventKind.LATE if late else EventKind.EDGE, gate, level)
        for gate, us, level, late in edges
    ]
    (shot,) = shots_of(events([*beats(5), *lines]))
    return shot


def test_the_first_edge_of_a_passage_may_be_the_late_one() -> None:
    """Something trips gate A 6 us before B's leading edge, which is stamped when A is done."""
    shot = told(
        (A, 0, 1, False),
        (A, 2994, 0, False),
        (B, 3000, 1, True),
        (B, 5994, 0, False),
    )
    assert shot["lead"] == TRANSIT - 3 * TICKS
    assert shot["trail"] == TRANSIT
    assert shot["bounce"] == pytest.approx(mean_of(u_of(6), u_of(0)))


@pytest.mark.parametrize("is_late", [False, True])
def test_a_late_last_trip_may_have_been_sooner_but_not_before_the_trip_before_it(
    is_late: bool,
) -> None:
    shot = told(
        (A, 0, 1, False),
        (A, 400, 0, False),
        (A, 402, 1, False),
        (A, 408, 0, is_late),
        (B, 3000, 1, False),
        (B, 3400, 0, False),
    )
    assert shot["trail"] == TRANSIT - 4 * TICKS
    least = 8 if is_late else 8 * math.sqrt(2)
    at_b = 0 if is_late else least
    expected = mean_of(u_of(least, at_b), u_of(least, at_b))
    assert shot["bounce"] == pytest.approx(expected)


def test_where_the_core_ends_late_its_edge_may_have_been_before_that() -> None:
    """The gate's first fall is told late, 6 us after a rise of the other gate's."""
    shot = told(
        (A, 0, 1, False),
        (A, 3000, 0, False),
        (B, 3006, 1, True),
        (B, 3009, 0, True),
        (B, 3012, 1, True),
        (B, 6000, 0, False),
    )
    assert shot["lead"] == TRANSIT + 6 * TICKS, "between 3000 and 3012 us"
    assert shot["bounce"] == pytest.approx(mean_of(u_of(0, 12), u_of(0, 6)))


def test_so_may_the_fall_of_a_core_that_chatter_follows() -> None:
    """A rod leaves gate A 6 us after it has reached gate B, and the gate bounces."""
    shot = told(
        (A, 0, 1, False),
        (B, 2994, 1, False),
        (A, 3000, 0, True),
        (A, 3002, 1, False),
        (A, 3004, 0, False),
        (B, 6000, 0, False),
    )
    assert shot["lead"] == 2994 * TICKS
    assert shot["trail"] == (6000 - 2999) * TICKS, "gate A was left between 2994 and 3004 us"
    assert shot["bounce"] == pytest.approx(mean_of(u_of(4, 0), u_of(10, 0)))


def test_lines_between_two_pieces_bound_late_edges_alike() -> None:
    lines = events(
        [
            *beats(5),
            *BALL[:3],
            replace(BALL[2], at_s=BALL[2].at_s + 4 * US, level=0, kind=EventKind.LATE),
            replace(BALL[2], at_s=BALL[2].at_s + 9 * US, kind=EventKind.LATE),
            BALL[3],
        ]
    )
    whole = shots_of(lines)
    assert whole["bounce"][0] > 0
    for place in range(len(lines.kind)):
        processor = Processor(RULES)
        pieces = [feed(processor, piece) for piece, _ in cut(lines, [], [place])]
        assert np.concatenate([*pieces, processor.finish()]).tobytes() == whole.tobytes()


def test_a_leading_edge_alone_is_timed_by_its_bounces_as_well() -> None:
    lines = [*bounced(BALL[A1], 3, 8), *bounced(BALL[B1], 1, 2)]
    (shot,) = shots_of(events([*beats(5), *lines]))
    assert (shot["lead"], shot["trail"]) == (TRANSIT - 3 * TICKS, ABSENT)
    assert shot["bounce"] == pytest.approx(u_of(8, 8))


def test_a_trailing_edge_alone_too() -> None:
    lines = [*bounced(BALL[A0], 3, 8), *bounced(BALL[B0], 1, 2)]
    (shot,) = shots_of(events([*beats(5), *lines]))
    assert (shot["lead"], shot["trail"]) == (ABSENT, TRANSIT - 3 * TICKS)
    assert shot["bounce"] == pytest.approx(u_of(8, 8))


def test_two_bodies_that_one_gate_merged_are_no_bounce() -> None:
    """The second comes 0.1 ms behind the first: the core is the longer of the two."""
    small = [*block(A, START_S - 0.3e-3, 0.2e-3), *block(B, START_S + 2.7e-3, 0.2e-3)]
    (shot,) = shots_of(events([*beats(5), *small, *BALL]))
    assert shot["used"] == EdgesUsed.TRAIL
    assert shot["trail"] == TRANSIT
    length_m = shot["block_a"] * UNIT_S * 100.0
    assert length_m == pytest.approx(LENGTH_M, rel=0.01)
