"""Shots depend neither on how the stream was cut nor on what made time pass."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import strategies as st
from line_kit import RULES, A, B, Line, block, body, cut, events, feed, joined, without
from trial_kit import trials, try_examples

from chrono.arrays.events import LEVEL_UNKNOWN, NO_SEQUENCE, EventKind, Events, Record
from chrono.processor.pipeline import Processor, Rules
from chrono.processor.shot_records import Shots
from chrono.rigs.line_kinds import INTERVAL, PLAIN

Stream = tuple[Events, list[Record]]
Happening = Callable[[float], list[Line]]

GATES, LEVELS = st.integers(0, 1), st.integers(0, 1)
SPEEDS = st.sampled_from([-20.0, -0.8, 0.55, 1.2, 2.1, 3.0, 19.0, 20.0, 35.0, 150.0, 230.0])
LENGTHS = st.sampled_from([0.012, 0.04, 0.04, 0.041, 0.1])
GAPS = st.sampled_from([0.0, 1e-5, 3e-4, 1e-3, 4e-3, 0.02, 0.1, 0.14, 0.24, 0.26, 0.42, 0.7])


def chattered(lines: list[Line], place: int, step_s: float) -> list[Line]:
    edge = lines[place % len(lines)]
    back = replace(edge, at_s=edge.at_s + step_s, level=1 - edge.level)
    return [*lines, back, replace(edge, at_s=edge.at_s + 2 * step_s)]


def without_edge(lines: list[Line], place: int) -> list[Line]:
    return [line for i, line in enumerate(lines) if i != place % len(lines)]


def lamp(at_s: float, gate: int, period_s: float, trips: int) -> list[Line]:
    return [x for i in range(trips) for x in block(gate, at_s + i * period_s, 0.3 * period_s)]


HAPPENINGS: st.SearchStrategy[Happening] = st.one_of(
    st.builds(lambda v, x: lambda t: body(t, v, x), SPEEDS, LENGTHS),
    st.builds(
        lambda v, i, s: lambda t: chattered(body(t, v), i, s),
        SPEEDS,
        st.integers(0, 3),
        st.sampled_from([3e-6, 4e-5, 1.5e-4]),
    ),
    st.builds(lambda v, i: lambda t: without_edge(body(t, v), i), SPEEDS, st.integers(0, 3)),
    st.builds(
        lambda g, x: lambda t: block(g, t, x),
        GATES,
        st.sampled_from([3e-5, 2e-3, 0.3, 0.97, 1.2]),
    ),
    st.builds(
        lambda x: lambda t: [*block(A, t, x), *block(B, t + 5e-5, x)],
        st.sampled_from([1e-4, 2e-3]),
    ),
    st.builds(lambda g, x: lambda t: [Line(t, gate=g, level=x)], GATES, LEVELS),
    st.builds(
        lambda g, p, n: lambda t: lamp(t, g, p, n),
        GATES,
        st.sampled_from([2e-3, 1 / 120, 0.01]),
        st.integers(2, 24),
    ),
)


def told(draw: st.DrawFn, these: Events) -> list[Record]:
    """Draw records that stand between the lines."""
    places = draw(st.lists(st.integers(0, len(these)), max_size=3))
    controls = []
    for place in sorted(places):
        host_us = int(these.host_us[place - 1]) if place else 0
        origin, data = draw(
            st.sampled_from(
                [
                    ("link", {"event": "lost"}),
                    ("hello", {"frequency_hz": 16_000_000, "counter_bits": 32}),
                    ("hello", {"frequency_hz": 8_000_000, "counter_bits": 32}),
                    ("setup", {"body_length_m": 0.02}),
                    ("setup", {"body_length_m": None}),
                    ("mark", {}),
                ]
            )
        )
        controls.append(Record(place, host_us, origin, data))
    return controls


def harmed(draw: st.DrawFn, these: Events) -> Events:
    """Lose, damage and double some lines; let the counter jump once, and the host stall."""
    n = len(these)
    some = st.lists(st.integers(0, n - 1), max_size=3, unique=True)
    damaged, doubled, lost = draw(some), draw(some), draw(some)
    kind, sequence = these.kind.copy(), these.sequence.copy()
    kind[damaged], sequence[damaged] = EventKind.DAMAGED, NO_SEQUENCE
    kind[draw(some)] |= np.uint8(EventKind.LATE)
    counter = these.counter.copy()
    if draw(st.booleans()):
        counter[draw(st.integers(0, n - 1)) :] += draw(st.sampled_from([-40, 10**6, 3 * 10**8]))
    host_us, stall = these.host_us.copy(), draw(st.integers(0, n - 1))
    stalled_us = draw(st.sampled_from([0, 1_900_000, 2_500_000, 29_500_000, 31_000_000]))
    host_us[stall:] = np.maximum(host_us[stall:], host_us[stall] + stalled_us)
    kept = np.setdiff1d(np.arange(n), np.array(lost, np.intp))
    order = np.sort(np.concatenate((kept, np.array(doubled, np.intp))))
    changed = replace(
        these, host_us=host_us, kind=kind, sequence=sequence, counter=counter % (1 << 32)
    )
    return Events(*(getattr(changed, name)[order] for name in Events.__dataclass_fields__))


@st.composite
def streams(draw: st.DrawFn, lines: str = "framed") -> Stream:
    """Draw what happens at the gates, with beats that let time pass in small steps."""
    at_s, sent = 0.3, list[Line]()
    for happening, gap_s in draw(st.lists(st.tuples(HAPPENINGS, GAPS), min_size=1, max_size=9)):
        sent += happening(at_s)
        at_s += gap_s
    start = draw(st.sampled_from([0, 2**32 - 6_000_000, 2**32 - 20_000_000]))
    if lines == "bare":
        sent = [replace(x, level=LEVEL_UNKNOWN) for x in sent if x.level]
    every_s, shift_s = draw(st.sampled_from([0.04, 0.1, 0.3, 1.0])), draw(st.floats(0, 0.04))
    end_s = max([at_s, *(line.at_s for line in sent)])
    sent += [
        Line(shift_s + i * every_s, EventKind.BEAT, level=0)
        for i in range(int(end_s / every_s) + 2)
    ]
    these = events([x for x in sent if x.at_s > 0], start=start, plain=lines != "framed")
    if draw(st.booleans()):
        these = harmed(draw, these)
    return these, told(draw, these)


def run(
    stream: Stream,
    places: Iterable[int],
    rules: Rules = RULES,
    *,
    peek: bool = False,
    silence: bool = False,
) -> tuple[Shots, Processor]:
    """Process a stream cut at `places`, looking early, letting the host's clock pass time."""
    processor, found = Processor(rules), []
    pieces = cut(*stream, places)
    for i, (piece, controls) in enumerate(pieces):
        found.append(feed(processor, piece, controls))
        if peek:
            processor.peek()
        if silence and i + 1 < len(pieces):
            found.append(processor.pass_time(_until_next(pieces[i + 1])))
    return np.concatenate([*found, processor.finish()]), processor


def _until_next(piece: tuple[Events, Sequence[Record]]) -> int:
    these, controls = piece
    return int(min([*these.host_us[:1], *(c.host_us for c in controls[:1])], default=0))


def agree(stream: Stream, places: Sequence[int], rules: Rules) -> None:
    whole, once = run(stream, [], rules)
    for chosen, options in (
        (range(1, len(stream[0])), {}),
        (range(1, len(stream[0])), {"silence": True}),
        (range(7, len(stream[0]), 7), {"peek": True}),
        ([p for p in places if p <= len(stream[0])], {"peek": True, "silence": True}),
    ):
        pieces, processor = run(stream, chosen, rules, **options)
        assert pieces.tolist() == whole.tolist() or repr(pieces) == repr(whole)
        assert processor.tally == once.tally
        assert processor.flicker == once.flicker
        assert processor.levels == once.levels
        assert processor.anchor() == once.anchor()
    assert (np.diff(whole["key"]) > 0).all()


PLACES = st.lists(st.integers(0, 120), max_size=5)
LENGTHS_DECLARED = st.sampled_from([None, 0.04])


@trials(15, 50)
def test_framed_lines_give_the_same_shots_in_any_pieces(count: int) -> None:
    def check(stream: Stream, places: list[int], length_m: float | None) -> None:
        agree(stream, places, replace(RULES, body_length_m=length_m))

    try_examples(count, check, streams(), PLACES, LENGTHS_DECLARED)


@trials(10, 30)
def test_plain_lines_give_the_same_shots_in_any_pieces(count: int) -> None:
    def check(stream: Stream, places: list[int], length_m: float | None) -> None:
        agree(stream, places, replace(RULES, lines=PLAIN, body_length_m=length_m))

    try_examples(count, check, streams(lines="plain"), PLACES, LENGTHS_DECLARED)


@trials(10, 30)
def test_lines_without_levels_give_the_same_shots_in_any_pieces(count: int) -> None:
    def check(stream: Stream, places: list[int]) -> None:
        agree(stream, places, replace(RULES, lines=PLAIN))

    try_examples(count, check, streams(lines="bare"), PLACES)


@trials(10, 20)
def test_interval_lines_give_the_same_shots_in_any_pieces(count: int) -> None:
    def check(stream: Stream, places: list[int]) -> None:
        these, controls = stream
        kind = np.where(
            these.kind == EventKind.DAMAGED, EventKind.DAMAGED, EventKind.INTERVAL
        ).astype(np.uint8)
        rules = replace(RULES, lines=INTERVAL, unit_s=1e-6)
        agree((replace(these, kind=kind), controls), places, rules)

    try_examples(count, check, streams(lines="bare"), PLACES)


@trials(20, 60)
def test_what_an_early_look_shows_is_what_the_end_would_give(count: int) -> None:
    def check(stream: Stream) -> None:
        processor = Processor(RULES)
        feed(processor, *stream)
        seen, again = processor.peek(), processor.peek()
        assert repr(seen) == repr(again)
        assert repr(processor.finish()) == repr(seen)

    try_examples(count, check, streams())


US = 1e-6
QUIET_S = RULES.quiet_s


def ticking(step_s: float, until_s: float) -> list[Line]:
    return [Line(i * step_s, EventKind.BEAT, level=0) for i in range(round(until_s / step_s))]


HARD: dict[str, list[Line]] = {
    "two flashes, the second one in doubt": [
        *block(A, 1.0, 20 * US),
        *block(B, 1.0 + 80 * US, 20 * US),
        *block(A, 1.0 + 220 * US, 20 * US),
        *block(B, 1.0 + 300 * US, 20 * US),
        *ticking(1e-3, 2.0),
    ],
    "a loss told by a beat that comes late": [
        *body(1.3, 20.0),
        *body(1.75, 20.0),
        *body(2.3, 20.0),
        *[Line(float(i), EventKind.BEAT, level=0, lost=i // 3) for i in (0, 1, 3, 4)],
    ],
    "a gate blocked while the other is not": [
        *block(A, 1.0, 0.98),
        *[x for i in range(12) for x in block(B, 1.2 + 0.13 * i, 2e-3)],
        *ticking(0.1, 4.0),
    ],
    "a rival that comes just in time": [
        *block(A, 1.0, 2e-3),
        *block(B, 1.05, 2.15e-3),
        *block(B, 1.149, 2e-3),
        *ticking(0.01, 3.0),
    ],
}


@pytest.mark.parametrize("case", HARD)
def test_hard_places_give_the_same_shots_in_any_pieces(case: str) -> None:
    agree((events(HARD[case]), []), [], RULES)


def test_lines_lost_just_after_a_shot_count_in_any_pieces() -> None:
    three, after = body(1.98, 20.0)[:3], body(2.01, 20.0)
    these = events([*three, *after, *ticking(1.0, 4.0), *body(3.03, 20.0)])
    lost = [i for i in range(len(these)) if 2.005e6 < these.host_us[i] < 2.02e6]
    assert len(lost) == 2
    agree((without(these, lost), []), [], RULES)
    assert not run((without(these, lost), []), [])[0]["used"][0]


def test_lines_swapped_at_the_end_of_the_quiet_time_count_in_any_pieces() -> None:
    end_s = 1.002
    early = [*block(A, 1.0, 2e-3), Line(end_s + QUIET_S + 2 * US, gate=B)]
    late = block(A, end_s + QUIET_S - 2 * US, 2e-3)
    first, second = events(early, plain=True), events(late, plain=True)
    agree((joined(first, second), []), [], replace(RULES, lines=PLAIN))
