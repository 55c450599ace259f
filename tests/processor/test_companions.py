"""Lines lost about a launch of several bodies: no transit is made of two bodies' edges."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import chain, combinations

import numpy as np
import pytest
from line_kit import (
    LENGTH_M,
    RULES,
    SPACING_M,
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
from trial_kit import trials

from chrono.arrays.events import EventKind, Events
from chrono.processor.pipeline import Processor, Rules
from chrono.processor.shot_records import NEVER_COUNTED, EdgesUsed, Flag

BALL = body(2.3, 20.0)
CUP = body(2.312, 16.0, 0.020)
GAP = int(Flag.GAP)

LAUNCHES: dict[str, tuple[list[Line], tuple[float, ...]]] = {
    "a cup behind": ([*BALL, *CUP], (20.0,)),
    "a wad ahead": ([*BALL, *body(2.2975, 24.0, 0.012)], (20.0,)),
    "a long cup close behind": ([*BALL, *body(2.306, 16.0, 0.070)], (20.0,)),
    "a slow ball and its slower cup": ([*body(2.3, 3.0), *body(2.34, 2.3, 0.030)], (3.0,)),
    "two balls": ([*BALL, *body(2.3045, 19.0)], (20.0, 19.0)),
    "two balls far apart": ([*BALL, *body(2.312, 19.5)], (20.0, 19.5)),
    # One shadow at gate A, two at gate B; and the other way about.
    "a cup that touches at A": (
        [*block(A, 2.3, 3.3e-3), *block(B, 2.315, 2.0e-3), *block(B, 2.3188, 1.3e-3)],
        (20.0,),
    ),
    "a cup caught at B": (
        [*block(A, 2.3, 1.0e-3), *block(A, 2.302, 2.0e-3), *block(B, 2.3155, 3.5e-3)],
        (20.0,),
    ),
}
"""The lines of launches, and the speeds of the bodies that have the declared length."""


def subsets(lines: Sequence[Line], most: int = 99) -> Iterable[tuple[Line, ...]]:
    """Return all choices of lines, of so many at most."""
    sizes = range(min(len(lines), most) + 1)
    return chain.from_iterable(combinations(lines, n) for n in sizes)


def sent(
    lines: Sequence[Line], lost: Iterable[Line] = (), damaged: Iterable[Line] = ()
) -> Events:
    """Return the events of lines and beats, some of the lines lost, some damaged."""
    whole = sorted([*beats(6), *lines], key=lambda line: line.at_s)
    these = events(whole)
    kind = these.kind.copy()
    kind[[whole.index(line) for line in damaged]] = EventKind.DAMAGED
    gone = {whole.index(line) for line in lost}
    kept = [place for place in range(len(whole)) if place not in gone]
    these = replace(these, kind=kind)
    return Events(*(getattr(these, name)[kept] for name in Events.__dataclass_fields__))


def counted_mps(these: Events, rules: Rules = RULES) -> list[float]:
    """Return the speeds of the shots that count, from their edges alone."""
    speeds = []
    for shot in shots_of(these, rules=rules):
        transits = {
            EdgesUsed.BOTH: (int(shot["lead"]) + int(shot["trail"])) / 2,
            EdgesUsed.LEAD: int(shot["lead"]),
            EdgesUsed.TRAIL: int(shot["trail"]),
        }
        if shot["used"] and not shot["flags"] & int(NEVER_COUNTED):
            speeds.append(SPACING_M / (transits[EdgesUsed(shot["used"])] * UNIT_S))
    return speeds


@trials(3, 8, "most_gone")
@pytest.mark.parametrize("how", ["lost", "damaged"])
@pytest.mark.parametrize("launch", LAUNCHES)
def test_whichever_lines_of_a_launch_are_lost_no_wrong_speed_counts(
    launch: str, how: str, most_gone: int
) -> None:
    lines, true_mps = LAUNCHES[launch]
    counted = 0
    for gone in subsets(lines, most_gone):
        for speed in counted_mps(sent(lines, **{how: gone})):
            assert np.min(np.abs(speed / np.array(true_mps) - 1)) < 1e-3, (gone, speed)
            counted += 1
    assert counted


FOLLOWERS_MPS = {
    "a cup behind": 16.0,
    "a wad ahead": 24.0,
    "a long cup close behind": 16.0,
    "a slow ball and its slower cup": 2.3,
}


@trials(3, 8, "most_gone")
@pytest.mark.parametrize("how", ["lost", "damaged"])
@pytest.mark.parametrize("launch", FOLLOWERS_MPS)
def test_neither_is_a_companions_speed_made_of_two_bodies_edges(
    launch: str, how: str, most_gone: int
) -> None:
    lines, _ = LAUNCHES[launch]
    told = 0
    for gone in subsets(lines, most_gone):
        for shot in shots_of(sent(lines, **{how: gone})):
            if shot["used"] and np.isfinite(shot["companion"]):
                speed = SPACING_M / (shot["companion"] * UNIT_S)
                assert speed == pytest.approx(FOLLOWERS_MPS[launch], rel=1e-3), gone
                told += 1
    assert told


def test_a_companion_keeps_its_speed_where_a_line_of_no_body_was_lost() -> None:
    lost = Line(2.2, gate=B)
    (shot,) = shots_of(sent([*BALL, *CUP, lost], [lost]))
    assert SPACING_M / (shot["companion"] * UNIT_S) == pytest.approx(16.0, rel=1e-3)
    unlike = [*block(A, 2.312, 1.25e-3), *block(B, 2.33075, 1.4e-3)]
    (shot,) = shots_of(sent([*BALL, *unlike, lost], [lost]))
    assert np.isnan(shot["companion"])
    assert shot["companions"] == 1
    (shot,) = shots_of(sent([*BALL, *unlike]))
    assert np.isfinite(shot["companion"])


def test_a_whole_ball_counts_whatever_of_its_cup_is_lost() -> None:
    for gone in subsets(CUP):
        assert counted_mps(sent([*BALL, *CUP], gone)) == pytest.approx([20.0], rel=1e-4)


def test_a_pair_too_short_to_meet_the_lost_lines_is_told_by_those_further_away() -> None:
    """The ball's lines at A are lost; its cup's there and the ball's at B seem one body."""
    cup = body(2.3115, 16.0, 0.020)
    (shot,) = shots_of(sent([*BALL, *cup], BALL[:2]))
    lost_s, transit_s = cup[0].at_s - BALL[1].at_s, BALL[2].at_s - cup[0].at_s
    assert lost_s > 2 * transit_s
    assert shot["used"] == EdgesUsed.NONE
    assert shot["flags"] & GAP


def test_a_line_lost_further_away_than_the_slowest_transit_is_no_bodys_of_this_launch() -> None:
    slowest_s = SPACING_M / RULES.slowest_mps
    merged, _ = LAUNCHES["a cup that touches at A"]
    first, last = merged[0].at_s, merged[3].at_s
    for at_s, is_near in (
        (first - slowest_s + 0.01, True),
        (first - slowest_s - 0.01, False),
        (last + slowest_s - 0.01, True),
        (last + slowest_s + 0.01, False),
    ):
        # Sound lines to both sides say exactly where the lost one was.
        beside = [Line(at_s + by_s, EventKind.BEAT, level=0) for by_s in (-1e-3, 1e-3)]
        lost = Line(at_s, gate=B)
        found = counted_mps(sent([*merged, *beside, lost], [lost]))
        assert found == ([] if is_near else pytest.approx([20.0], rel=1e-4))


def test_one_lost_line_is_borne_by_a_body_of_the_declared_length_alone() -> None:
    """Within 25 %, where more would need 6.7 %: half of 40 mm in 300 mm."""
    lost = Line(2.2, gate=B), Line(2.202, gate=B, level=0)
    for length_m, one, two in (
        (LENGTH_M, True, True),
        (1.05 * LENGTH_M, True, True),
        (1.09 * LENGTH_M, True, False),
        (1.20 * LENGTH_M, True, False),
        (1.30 * LENGTH_M, False, False),
        (0.95 * LENGTH_M, True, True),
        (0.91 * LENGTH_M, True, False),
        (0.70 * LENGTH_M, False, False),
    ):
        lines = [*body(2.3, 20.0, length_m), *CUP]
        assert bool(counted_mps(sent([*lines, lost[0]], lost[:1]))) == one
        assert bool(counted_mps(sent([*lines, *lost], lost))) == two


def test_alone_a_long_body_must_be_nearer_its_declared_length_the_more_is_lost() -> None:
    """Up to 10 % of it, whatever its ratio to the spacing: 100 mm in 300 mm."""
    rules = replace(RULES, body_length_m=0.1)
    lost = [Line(2.2 + n * 1e-3, gate=B, level=n % 2) for n in range(4)]
    for length_m, many in ((0.108, True), (0.112, False)):
        lines = body(2.3, 20.0, length_m)
        assert bool(counted_mps(sent([*lines, *lost], lost), rules)) == many
        assert counted_mps(sent([*lines, *lost[:3]], lost[:3]), rules)


def test_of_bodies_short_against_the_spacing_a_length_does_not_tell() -> None:
    """8 mm in 300 mm: two of them may follow each other so closely that it fits."""
    rules = replace(RULES, body_length_m=0.008)
    first, second = body(2.3, 20.0, 0.008), body(2.3008, 20.0, 0.008)
    lost = [*first[2:], *second[:2]]
    (speed,) = counted_mps(sent([*first, *second]), rules)
    assert speed == pytest.approx(20.0, rel=1e-4)
    assert not counted_mps(sent([*first, *second], lost), rules)
    assert counted_mps(sent([*BALL, *lost], lost))  # the same about a ball of 40 mm


def test_a_gate_that_stood_blocked_until_the_launch_is_company() -> None:
    """Its clear seems the end of that; it was the second ball's first passage, lost so far."""
    first, second = body(2.3, 10.3), body(2.3046, 9.8)
    stuck = Line(1.75, gate=B)
    lines = [*first, *second, stuck]
    lost = [*second[:2], first[2]]
    shots = shots_of(sent(lines, lost))
    assert not counted_mps(sent(lines, lost))
    assert any(shot["flags"] & GAP and shot["lead"] > 0 for shot in shots)


# -- lines lost at the edges of what is known ----------------------------------------------


MERGED = LAUNCHES["a cup that touches at A"][0]
"""Without its leading line at A, the trailing ones seem those of one body of fitting length."""


def test_lines_damaged_before_the_first_sound_one_count_as_lost() -> None:
    these = events(sorted(MERGED, key=lambda line: line.at_s))
    assert len(counted_mps(these)) == 1
    kind = these.kind.copy()
    kind[0] = EventKind.DAMAGED
    damaged = replace(these, kind=kind)
    assert not counted_mps(damaged)
    for places in ([1], [1, 2], range(1, len(these))):
        processor = Processor(RULES)
        pieces = [feed(processor, piece) for piece, _ in cut(damaged, [], places)]
        found = np.concatenate([*pieces, processor.finish()])
        assert found.tobytes() == shots_of(damaged).tobytes()


def test_beats_that_must_be_among_the_lost_lines_are_no_edges() -> None:
    """No beat for two seconds behind it: of three lines lost there, one was another's."""
    after = [Line(5.0, EventKind.BEAT, level=0)]
    told = [Line(float(s), EventKind.BEAT, level=0) for s in (0, 1, 2)]
    missing = [Line(float(s), EventKind.BEAT, level=0) for s in (3, 4)]
    more = Line(2.325, gate=B)
    for others, is_sure in (([], True), ([more], False)):
        lines = sorted([*told, *MERGED, *missing, *others, *after], key=lambda x: x.at_s)
        these = events(lines, missing=[lines.index(x) for x in (*missing, *others)])
        assert bool(counted_mps(these)) == is_sure


def test_a_body_that_seems_alone_may_have_lost_its_company_in_a_long_gap() -> None:
    """The cup's lines at B and two beats: its shadow is in that of the ball at A."""
    told = [Line(float(s), EventKind.BEAT, level=0) for s in (0, 1, 2, 5)]
    missing = [Line(float(s), EventKind.BEAT, level=0) for s in (3, 4)]
    for gone, is_sure in ((MERGED[4:], False), ((), True)):
        body_lines = MERGED if gone else MERGED[:4]
        lines = sorted([*told, *body_lines, *missing], key=lambda x: x.at_s)
        these = events(lines, missing=[lines.index(x) for x in (*missing, *gone)])
        assert bool(counted_mps(these)) == is_sure


@pytest.mark.parametrize("late_s", [0.0, 0.1, 5.0])
def test_a_damaged_line_lies_before_the_next_one_however_late_it_was_read(
    late_s: float,
) -> None:
    """The computer was busy: it read all lines of the launch at once, late."""
    quiet = [Line(2.0, EventKind.BEAT, level=0), *MERGED, Line(3.0, EventKind.BEAT, level=0)]
    these = events(sorted(quiet, key=lambda x: x.at_s))
    kind, host_us = these.kind.copy(), these.host_us.copy()
    kind[1] = EventKind.DAMAGED
    read_us = int(host_us[len(MERGED)] + late_s * 1e6)
    host_us[1 : len(MERGED) + 1] = np.maximum(host_us[1 : len(MERGED) + 1], read_us)
    host_us = np.maximum.accumulate(host_us)
    these = replace(these, kind=kind, host_us=host_us)
    assert not counted_mps(these)
    for place in range(1, len(these)):
        processor = Processor(RULES)
        pieces = [feed(processor, piece) for piece, _ in cut(these, [], [place])]
        found = np.concatenate([*pieces, processor.finish()])
        assert found.tobytes() == shots_of(these).tobytes()


def test_a_line_damaged_long_before_a_launch_may_have_been_read_early() -> None:
    """The line before was read 80 ms late, so by the host's clock this one was 80 ms early."""
    lines = [Line(2.0, EventKind.BEAT, level=0), *MERGED, Line(3.0, EventKind.BEAT, level=0)]
    these = events(sorted(lines, key=lambda x: x.at_s))
    kind, host_us = these.kind.copy(), these.host_us.copy()
    kind[1] = EventKind.DAMAGED
    host_us[0] += 80_000
    assert not counted_mps(replace(these, kind=kind, host_us=host_us))


def test_what_stands_in_a_gate_behind_a_shot_is_company_before_it_has_left() -> None:
    """At 0.6 m/s, where 0.5 are the slowest: the shot waits for its end at any cut."""
    rules = replace(RULES, slowest_mps=0.5)
    lost, wad = Line(2.25, gate=B), body(2.3, 0.6, 0.010)
    stands = block(B, 3.2, 1.0)
    beside = [Line(2.25 + by_s, EventKind.BEAT, level=0) for by_s in (-1e-3, 1e-3)]
    lines = [*wad, *stands, *beside, lost, Line(3.5, EventKind.BEAT, level=0)]
    these = sent(lines, [lost])
    assert not counted_mps(these, rules)
    assert counted_mps(sent([x for x in lines if x not in stands], [lost]), rules)
    for place in range(1, len(these)):
        processor = Processor(rules)
        pieces = [feed(processor, piece) for piece, _ in cut(these, [], [place])]
        found = np.concatenate([*pieces, processor.finish()])
        assert found.tobytes() == shots_of(these, rules=rules).tobytes()


def test_breaks_stay_in_order_where_a_line_read_late_is_bounded_by_the_next() -> None:
    """The second damaged line was read late, so it may lie before the first one's place."""
    lines = [
        Line(2.0, EventKind.BEAT, level=0),
        Line(2.5),
        Line(2.6),
        Line(2.9, EventKind.BEAT, level=0),
    ]
    these = events(lines)
    kind, host_us = these.kind.copy(), these.host_us.copy()
    kind[1:3] = EventKind.DAMAGED
    host_us[2:] = 4_000_000
    processor = Processor(RULES)
    processor.feed(replace(these, kind=kind, host_us=host_us))
    before = processor._notes.before
    assert len(before) == 2
    assert (np.diff(before) >= 0).all()
