"""Flags of shots: for each a clear case and a near miss, and what a launch is."""

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
    events,
    feed,
    joined,
    part,
    shots_of,
)

from chrono.arrays.events import LEVEL_UNKNOWN, EventKind, Events, Record
from chrono.processor.passage_pairing import AGREEMENT, LENGTH_TOLERANCE
from chrono.processor.pipeline import Processor
from chrono.processor.shot_records import ABSENT, EdgesUsed, Flag, Shots, flag_words
from chrono.processor.shots import CROWD
from chrono.rigs.line_kinds import INTERVAL, PLAIN

MS = 1e-3


def with_beats(lines: Sequence[Line]) -> Events:
    return events([*beats(5), *lines])


def words(shots: Shots) -> list[tuple[str, ...]]:
    return [flag_words(int(flags)) for flags in shots["flags"]]


def used(shots: Shots) -> list[EdgesUsed]:
    return [EdgesUsed(code) for code in shots["used"]]


BALL = body(2.3, 20.0)
A1, A0, B1, B0 = BALL

CASES: dict[str, tuple[list[Line], list[tuple[str, ...]]]] = {
    "a clean shot": (BALL, [()]),
    "only gate A": ([A1, A0], [("lone-a",)]),
    "only gate B": ([B1, B0], [("lone-b",)]),
    "the other way": (body(2.5, -20.0), [("reversed",)]),
    "just fast enough": (body(2.3, 199.0), [()]),
    "too fast": (body(2.3, 201.0), [("too-fast",)]),
    "just slow enough": (body(2.3, 2.01), [()]),
    "too slow": (body(2.3, 1.99), [("too-slow",)]),
    "as slow as is still paired": (body(2.3, 0.51), [("too-slow",)]),
    "slower than any pair": (body(2.3, 0.49), [("lone-a",), ("lone-b",)]),
    "a little short": (body(2.3, 20.0, 0.76 * LENGTH_M), [()]),
    "short": (body(2.3, 20.0, 0.74 * LENGTH_M), [("short",)]),
    "a little long": (body(2.3, 20.0, 1.24 * LENGTH_M), [()]),
    "long": (body(2.3, 20.0, 1.26 * LENGTH_M), [("long",)]),
    "a carrier behind": ([*BALL, *body(2.32, 15.0, 0.015)], [("companion",)]),
    "a carrier far behind": ([*BALL, *body(2.549, 15.0, 0.015)], [("companion",)]),
    "another shot": ([*BALL, *body(2.551, 15.0)], [(), ()]),
    "a flash": ([*block(A, 2.3, 1e-3), *block(B, 2.30005, 1e-3)], [("flash",)]),
    "a flash before a body": (
        [*block(A, 2.25, 1e-3), *block(B, 2.25005, 1e-3), *BALL],
        [("flash",), ()],
    ),
    "no leading edge at A": ([A0, B1, B0], [("trail-only",)]),
    "no trailing edge at A": ([A1, B1, B0], [("lead-only",)]),
    "no leading edge at B": ([A1, A0, B0], [("trail-only",)]),
    "no trailing edge at B": ([A1, A0, B1], [("lead-only",)]),
    "leading edges alone": ([A1, B1], [("lead-only",)]),
    "trailing edges alone": ([A0, B0], [("trail-only",)]),
    "no pair of edges": ([A1, B0], [("lone-a", "lone-b")]),
    "an insect at B, no partner of it": (
        [A1, A0, *block(B, 2.32, 20e-6)],
        [("lone-a", "lone-b")],
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_flags_say_what_happened(case: str) -> None:
    lines, expected = CASES[case]
    assert words(shots_of(with_beats(lines))) == expected


@pytest.mark.parametrize(("part_of_length", "is_broken"), [(0.45, True), (0.55, False)])
def test_lone_passages_of_less_than_half_the_length_are_fragments_too(
    part_of_length: float, is_broken: bool
) -> None:
    """A short body and two passages at gate A after it: three pieces, or two more bodies."""
    blocked_s = part_of_length * LENGTH_M / 20.0
    more = [*block(A, 2.33, blocked_s), *block(A, 2.36, blocked_s)]
    (found,) = words(shots_of(with_beats([*body(2.3, 20.0, 0.4 * LENGTH_M), *more])))
    assert ("fragments" in found) == is_broken
    assert {"short", "companion"} <= set(found)


@pytest.mark.parametrize(
    ("lost", "which"),
    [
        ((), EdgesUsed.BOTH),
        ((0,), EdgesUsed.TRAIL),
        ((1,), EdgesUsed.LEAD),
        ((2,), EdgesUsed.TRAIL),
        ((3,), EdgesUsed.LEAD),
        ((0, 2), EdgesUsed.TRAIL),
        ((1, 3), EdgesUsed.LEAD),
    ],
)
def test_the_pair_that_is_left_gives_the_transit(
    lost: tuple[int, ...], which: EdgesUsed
) -> None:
    kept = [line for i, line in enumerate(BALL) if i not in lost]
    (shot,) = shots_of(with_beats(kept))
    assert shot["used"] == which
    assert (shot["lead"] == ABSENT) == bool({0, 2} & set(lost))
    assert (shot["trail"] == ABSENT) == bool({1, 3} & set(lost))


@pytest.mark.parametrize(
    ("late", "which"),
    [((0,), EdgesUsed.TRAIL), ((3,), EdgesUsed.LEAD), ((0, 3), EdgesUsed.NONE)],
)
def test_late_edges_pair_but_give_no_time_where_another_pair_is_sound(
    late: tuple[int, ...], which: EdgesUsed
) -> None:
    lines = [replace(x, kind=EventKind.LATE) if i in late else x for i, x in enumerate(BALL)]
    (shot,) = shots_of(with_beats(lines))
    assert shot["used"] == which
    assert shot["lead"] == 240_000


@pytest.mark.parametrize(("longer_us", "which"), [(10, EdgesUsed.BOTH), (30, EdgesUsed.LEAD)])
def test_gate_b_hides_a_body_if_it_is_blocked_a_thousandth_of_the_transit_longer(
    longer_us: int, which: EdgesUsed
) -> None:
    """The transit takes 15 ms; gate A saw a second body 30 ms later, gate B did not."""
    second = block(A, 2.33, 1e-3)
    lines = [*block(A, 2.3, 2e-3), *block(B, 2.315, 2e-3 + longer_us * 1e-6), *second]
    (shot,) = shots_of(with_beats(lines))
    assert shot["used"] == which
    assert shot["flags"] & int(Flag.COMPANION)


def test_two_steps_of_a_coarse_counter_hide_no_body() -> None:
    rules = replace(RULES, step_s=40e-6)
    lines = [*block(A, 2.3, 2e-3), *block(B, 2.315, 2.08e-3), *block(A, 2.33, 1e-3)]
    (shot,) = shots_of(with_beats(lines), rules=rules)
    assert shot["used"] == EdgesUsed.BOTH


def test_ticks_are_exact_without_noise() -> None:
    rng = np.random.default_rng(5)
    at = np.cumsum(rng.uniform(0.3, 1.0, 300))
    speed = np.exp(rng.uniform(np.log(2.1), np.log(190), 300))
    bodies = [body(t, v) for t, v in zip(at, speed, strict=True)]
    these = events(
        [*beats(int(at[-1]) + 2), *(line for b in bodies for line in b)], start=12345
    )
    true = np.floor(np.array([[line.at_s for line in b] for b in bodies]) / UNIT_S).astype(int)
    shots = shots_of(these)
    assert shots["key"].tolist() == (true[:, 0] + 12345).tolist()
    assert shots["lead"].tolist() == (true[:, 2] - true[:, 0]).tolist()
    assert shots["trail"].tolist() == (true[:, 3] - true[:, 1]).tolist()
    assert shots["block_a"].tolist() == (true[:, 1] - true[:, 0]).tolist()
    assert shots["block_b"].tolist() == (true[:, 3] - true[:, 2]).tolist()
    assert not shots["flags"].any()


# -- bodies of one launch ---------------------------------------------------------------


def test_the_main_body_is_the_one_of_the_declared_length() -> None:
    wad, ball = body(2.3, 22.0, 0.015), body(2.306, 20.0)
    (shot,) = shots_of(with_beats([*wad, *ball]))
    assert flag_words(int(shot["flags"])) == ("companion",)
    assert shot["lead"] == pytest.approx(0.3 / 20 / UNIT_S, abs=1)
    assert shot["companion"] == pytest.approx(0.3 / 22 / UNIT_S, abs=1)
    assert shot["companions"] == 1
    assert shot["key"] == int(2.3 / UNIT_S)


def test_without_a_declared_length_the_first_body_is_the_main_one() -> None:
    wad, ball = body(2.3, 22.0, 0.015), body(2.306, 20.0)
    rules = replace(RULES, body_length_m=None)
    (shot,) = shots_of(with_beats([*wad, *ball]), rules=rules)
    assert shot["lead"] == pytest.approx(0.3 / 22 / UNIT_S, abs=1)
    assert flag_words(int(shot["flags"])) == ("companion",)


def test_bodies_in_flight_together_keep_their_order() -> None:
    lines = [line for i in range(3) for line in body(2.3 + 4 * MS * i, 20.0 - i)]
    (shot,) = shots_of(with_beats(lines))
    assert shot["companions"] == 2
    assert shot["lead"] == pytest.approx(0.3 / 20 / UNIT_S, abs=1)
    assert shot["companion"] == pytest.approx(0.3 / 19 / UNIT_S, abs=1)


def test_a_body_that_overtakes_another_is_known_by_its_length() -> None:
    wad, ball = body(2.3, 14.0, 0.012), body(2.3025, 22.0)
    (shot,) = shots_of(with_beats([*wad, *ball]))
    assert shot["lead"] == pytest.approx(0.3 / 22 / UNIT_S, abs=1)
    assert shot["companion"] == pytest.approx(0.3 / 14 / UNIT_S, abs=1)


def test_a_carrier_that_missed_gate_b_is_no_partner() -> None:
    wad = body(2.305, 15.0, 0.015)[:2]
    (shot,) = shots_of(with_beats([*BALL, *wad]))
    assert flag_words(int(shot["flags"])) == ("companion",)
    assert shot["lead"] == 240_000
    assert np.isnan(shot["companion"])


WHOLE = 1.0
"""Of the declared length."""


@pytest.mark.parametrize(
    ("later_s", "speed", "length", "shots"),
    [
        (0.030, 20.0, WHOLE, 2),
        (0.020, 20.0, WHOLE, 1),
        (0.030, 20.0, 0.7, 1),
        (0.030, 20.0, 1.3, 1),
        (0.060, 8.0, WHOLE, 2),
    ],
    ids=["whole", "too soon", "short", "long", "slower"],
)
def test_a_whole_body_of_the_declared_length_is_a_shot_of_its_own(
    later_s: float, speed: float, length: float, shots: int
) -> None:
    later = body(A1.at_s + later_s, speed, length * LENGTH_M)
    found = shots_of(with_beats([A1, A0, B1, B0, *later]))
    assert len(found) == shots
    assert [flag_words(int(flags)) for flags in found["flags"]] == (
        [(), ()] if shots == 2 else [("companion",)]
    )


def test_a_body_that_enters_before_the_one_ahead_has_left_is_its_companion() -> None:
    ahead = body(2.0, 3.0)
    assert len(shots_of(with_beats([*ahead, *body(2.100, 10.0)]))) == 1
    assert len(shots_of(with_beats([*ahead, *body(ahead[3].at_s + 1e-3, 10.0)]))) == 2


def test_a_carrier_ahead_leaves_the_body_behind_it_the_main_one() -> None:
    carrier = body(A1.at_s - 0.06, 20.0, 0.5 * LENGTH_M)
    (shot,) = shots_of(with_beats([*carrier, A1, A0, B1, B0]))
    assert flag_words(int(shot["flags"])) == ("companion",)


def test_the_rig_says_what_belongs_to_one_launch() -> None:
    wad = body(A1.at_s + 0.1, 10.0, 0.5 * LENGTH_M)
    for launch_s, count in ((0.25, 1), (0.05, 2)):
        rules = replace(RULES, launch_s=launch_s)
        assert len(shots_of(with_beats([A1, A0, B1, B0, *wad]), rules=rules)) == count


def test_a_body_that_only_one_gate_saw_is_no_companion_in_a_fast_series() -> None:
    second, third = body(A1.at_s + 0.05, 20.0), body(A1.at_s + 0.1, 20.0)
    found = shots_of(with_beats([A1, A0, B1, B0, *second[2:], *third]))
    assert [flag_words(int(flags)) for flags in found["flags"]] == [(), ("lone-b",), ()]


def test_two_bodies_merged_at_gate_a_are_measured_by_the_leading_edges() -> None:
    wad = body(2.301, 12.0, 0.02)
    (shot,) = shots_of(with_beats([A1, wad[1], B1, B0, *wad[2:]]))
    assert shot["used"] == EdgesUsed.LEAD
    assert shot["lead"] == 240_000
    assert shot["block_a"] == ABSENT
    assert "companion" in flag_words(int(shot["flags"]))


def test_a_carrier_caught_up_at_gate_b_leaves_the_trailing_edges_sound() -> None:
    wad = body(2.292, 13.5, 0.015)
    assert wad[2].at_s < B1.at_s < wad[3].at_s
    (shot,) = shots_of(with_beats([A1, A0, wad[0], wad[1], wad[2], B0]))
    assert shot["used"] == EdgesUsed.TRAIL
    assert shot["trail"] == pytest.approx(240_000, abs=1)


def test_a_body_off_the_middle_of_one_beam_is_measured_by_both_pairs() -> None:
    chord = 0.87
    blocked = 2 * MS * chord
    off = [A1, A0, *block(B, B1.at_s + (2 * MS - blocked) / 2, blocked)]
    (shot,) = shots_of(with_beats(off))
    assert shot["used"] == EdgesUsed.BOTH
    assert shot["lead"] + shot["trail"] == pytest.approx(480_000, abs=2)


@pytest.mark.parametrize(("more", "pair"), [(0.8 * AGREEMENT, True), (1.5, False)])
def test_passages_of_unlike_length_are_no_body(more: float, pair: bool) -> None:
    rules = replace(RULES, body_length_m=None)
    unlike = [A1, A0, *block(B, B1.at_s, 2 * MS * (1 + more))]
    shots = shots_of(with_beats(unlike), rules=rules)
    assert bool(shots["used"].any()) is pair


def test_many_short_pieces_are_fragments_and_give_no_speed() -> None:
    pieces = [line for i in range(5) for line in body(2.3 + 3 * MS * i, 20.0 - i, 0.008)]
    (shot,) = shots_of(with_beats(pieces))
    assert {"fragments", "companion", "short"} == set(flag_words(int(shot["flags"])))
    assert shot["used"] == EdgesUsed.NONE


def test_a_whole_body_with_some_debris_keeps_its_speed() -> None:
    debris = [line for i in range(3) for line in body(2.31 + 3 * MS * i, 16.0 - i, 0.008)]
    (shot,) = shots_of(with_beats([*BALL, *debris]))
    assert {"fragments", "companion"} == set(flag_words(int(shot["flags"])))
    assert shot["used"] == EdgesUsed.BOTH


def test_two_short_pieces_are_no_fragments() -> None:
    pieces = [line for i in range(2) for line in body(2.3 + 3 * MS * i, 20.0 - i, 0.008)]
    assert "fragments" not in words(shots_of(with_beats(pieces)))[0]


def test_a_crowd_of_any_length_is_fragments() -> None:
    crowd = [line for i in range(CROWD) for line in body(2.3 + 4 * MS * i, 20.0 - i)]
    assert "fragments" in words(shots_of(with_beats(crowd)))[0]
    assert "fragments" not in words(shots_of(with_beats(crowd[:-4])))[0]


EDGES_MS = {
    "pieces seen as one at A, the partners of some gone": (
        [0.0, 0.413, 1.061, 1.392, 2.851, 3.289, 3.457, 3.798, 11.370, 11.917],
        [10.572, 11.054, 12.008, 12.339, 14.431, 14.868, 15.250, 15.591],
    ),
    "four at each gate, but not the same four": (
        [0.0, 0.475, 16.417, 16.931, 18.829, 19.252, 28.647, 29.716],
        [19.289, 19.764, 22.995, 23.407, 41.506, 42.021, 58.058, 59.194],
    ),
}
"""Of a body broken in pieces of 10 to 28 m/s, some of them missed at one gate."""


@pytest.mark.parametrize("case", EDGES_MS)
def test_pieces_paired_with_each_other_never_give_a_speed(case: str) -> None:
    lines = [
        Line(2.3 + at * MS, gate=gate, level=1 - n % 2)
        for gate, edges in zip((A, B), EDGES_MS[case], strict=True)
        for n, at in enumerate(edges)
    ]
    (shot,) = shots_of(with_beats(lines))
    assert {"fragments", "companion"} == set(flag_words(int(shot["flags"])))
    assert shot["used"] == EdgesUsed.NONE


@pytest.mark.parametrize(("slowest_mps", "counts"), [(7.0, True), (6.0, False)])
def test_four_bodies_count_only_if_none_lags_far_behind(
    slowest_mps: float, counts: bool
) -> None:
    behind = [(2.32, slowest_mps), (2.34, 5.0), (2.36, 4.5)]
    lines = [*BALL, *(line for at_s, mps in behind for line in body(at_s, mps))]
    (shot,) = shots_of(with_beats(lines))
    assert bool(shot["used"]) is counts
    assert ("fragments" in flag_words(int(shot["flags"]))) is not counts


def test_a_passage_left_over_takes_none_of_the_next_launch() -> None:
    """A carrier merged with the ball at A only; the next ball is missed at B."""
    ball = [*block(A, 2.3, 4.62 * MS), *block(B, 2.309187, 1.232 * MS)]
    carrier = block(B, 2.314443, 3.97 * MS)
    lines = [*ball, *carrier, *block(A, 2.840543, 5.468 * MS)]
    assert words(shots_of(with_beats(lines))) == [("companion", "lead-only"), ("lone-a",)]


@pytest.mark.parametrize(("length_m", "known"), [(0.36, True), (0.30, False)])
def test_what_is_slow_and_far_shorter_than_declared_is_no_body(
    length_m: float, known: bool
) -> None:
    """Of either direction."""
    for speed_mps, word in ((0.6, "too-slow"), (-0.6, "reversed")):
        flags = words(shots_of(with_beats(body(3.0, speed_mps, length_m * LENGTH_M))))
        assert ((word,) in [tuple(w for w in f if w != "short") for f in flags]) is known


# -- lost lines -------------------------------------------------------------------------


def places_of(lines: Sequence[Line], chosen: Sequence[Line]) -> list[int]:
    order = sorted(lines, key=lambda line: line.at_s)
    return [order.index(line) for line in chosen]


def sent(lost: Sequence[Line], more: Sequence[Line] = ()) -> Events:
    lines = [*beats(5), *BALL, *more]
    return events(lines, missing=places_of(lines, lost))


@pytest.mark.parametrize(
    ("lost", "expected"),
    [
        ([A0], ("lead-only", "gap")),
        ([B1], ("trail-only", "gap")),
        ([A0, B0], ("lead-only", "gap")),
        ([A1], ("trail-only", "gap")),
        ([beats(5)[2]], ()),
        ([A0, B1], ("lone-a", "lone-b", "gap")),
        ([B1, B0], ("lone-a", "gap")),
        ([A1, A0], ("lone-b", "gap")),
    ],
)
def test_a_gap_in_the_lines_is_told(lost: list[Line], expected: tuple[str, ...]) -> None:
    shots = shots_of(sent(lost))
    assert words(shots) == [expected]
    assert bool(shots["used"][0]) == (not any("lone" in word for word in expected))


def test_a_lost_line_that_no_missing_edge_explains_costs_the_transit() -> None:
    other = Line(B1.at_s - 2 * MS, gate=B, level=1)
    shots = shots_of(sent([A0, other], [other]))
    assert words(shots) == [("lead-only", "gap")]
    assert not shots["used"].any()


def test_a_whole_body_keeps_its_transit_whatever_was_lost_in_between() -> None:
    fly = [line for i in range(5) for line in block(B, 2.305 + 1 * MS * i, 50e-6)]
    shots = shots_of(sent(fly, fly))
    assert words(shots) == [("gap",)]
    assert used(shots) == [EdgesUsed.BOTH]


def test_a_restart_within_a_shot_leaves_a_lone_passage() -> None:
    before, after = events([*beats(2), A1, A0]), events([*block(B, 0.3, 2 * MS), *beats(3)[1:]])
    after = replace(after, host_us=after.host_us + 2_000_000)
    hello = {"frequency_hz": 16_000_000, "counter_bits": 32}
    shots = shots_of(joined(before, after), [Record(5, 2_310_000, "hello", hello)])
    assert [set(w) for w in words(shots)] == [{"lone-a", "gap"}, {"lone-b", "gap"}]


def test_a_lost_link_within_a_shot_is_a_gap() -> None:
    lines = [*beats(5), A1, A0]
    these = events(lines)
    lost = Record(5, 2_308_000, "link", {"event": "lost"})
    assert words(shots_of(these, [lost])) == [("lone-a", "gap")]


@pytest.mark.parametrize(("counts", "told"), [([0, 0, 0, 1], True), ([0, 0, 1, 1], False)])
def test_edges_the_board_lost_around_a_shot_are_told(counts: list[int], told: bool) -> None:
    shots = shots_of(events([*beats(5, lost=counts), *BALL]))
    assert words(shots) == [("board-lost",) if told else ()]


# -- other lines ------------------------------------------------------------------------

PLAIN_RULES = replace(RULES, lines=PLAIN)


def bare(*at_ms: tuple[float, int]) -> Events:
    lines = [Line(2.0 + MS * ms, gate=gate, level=LEVEL_UNKNOWN) for ms, gate in at_ms]
    return events(lines, plain=True)


def test_lines_without_levels_give_the_leading_transit() -> None:
    (shot,) = shots_of(bare((0, A), (0.1, A), (15, B)), rules=PLAIN_RULES)
    assert shot["lead"] == 240_000
    assert shot["block_a"] == shot["block_b"] == shot["trail"] == ABSENT
    assert flag_words(int(shot["flags"])) == ("lead-only",)


def test_a_damaged_line_beside_lines_without_levels_costs_the_transit() -> None:
    these = bare((0, A), (7, A), (15, B))
    kind = np.array([EventKind.EDGE, EventKind.DAMAGED, EventKind.EDGE], np.uint8)
    (shot,) = shots_of(replace(these, kind=kind), rules=PLAIN_RULES)
    assert shot["used"] == EdgesUsed.NONE
    assert "gap" in flag_words(int(shot["flags"]))


def test_plain_lines_with_levels_are_measured_like_framed_ones() -> None:
    plain, framed = (
        shots_of(events(BALL, plain=True), rules=PLAIN_RULES),
        shots_of(events(BALL)),
    )
    assert plain.tobytes() == framed.tobytes()


def test_each_interval_line_is_a_shot() -> None:
    transit = [15_000, 1_499, 150_001, 0]
    these = bare(*((100.0 * i, A) for i in range(4)))
    these = replace(
        these,
        kind=np.full(4, EventKind.INTERVAL, np.uint8),
        counter=np.array(transit, np.int64),
    )
    rules = replace(RULES, lines=INTERVAL, unit_s=1e-6)
    shots = shots_of(these, rules=rules)
    assert shots["lead"].tolist() == transit
    assert shots["key"].tolist() == these.host_us.tolist()
    assert words(shots) == [
        ("lead-only",),
        ("too-fast", "lead-only"),
        ("too-slow", "lead-only"),
        ("too-fast", "lead-only"),
    ]
    assert used(shots)[-1] == EdgesUsed.NONE


# -- records between the lines ----------------------------------------------------------


def test_a_setups_body_length_holds_from_its_place_on() -> None:
    these = with_beats([*BALL, *body(3.3, 20.0)])
    setup = Record(8, 3_100_000, "setup", {"body_length_m": 2 * LENGTH_M})
    assert words(shots_of(these, [setup])) == [(), ("short",)]
    none = replace(setup, data={"body_length_m": None})
    assert words(shots_of(with_beats(body(3.3, 20.0, 0.1)), [replace(none, position=4)])) == [
        ()
    ]


def test_a_hello_with_another_frequency_changes_the_windows_from_there_on() -> None:
    slow_clock = {"frequency_hz": 8_000_000, "counter_bits": 32}
    first, second = with_beats(BALL), events([*beats(3), *body(1.3, 101.0)])
    second = replace(second, host_us=second.host_us + 6_000_000, counter=second.counter // 2)
    processor = Processor(RULES)
    shots = [
        processor.feed(first),
        feed(processor, second, [Record(0, 6_000_000, "hello", slow_clock)]),
        processor.finish(),
    ]
    assert processor.rules.unit_s == 1 / 8e6
    assert words(np.concatenate(shots)) == [(), ()]


def test_a_shot_that_another_counter_cuts_off_says_that_lines_may_be_missing() -> None:
    slow_clock = {"frequency_hz": 8_000_000, "counter_bits": 32}
    first, second = part(with_beats([A1, A0]), 0, 5), events(beats(3))
    second = replace(second, host_us=second.host_us + 6_000_000, counter=second.counter // 2)
    processor = Processor(RULES)
    shots = [
        processor.feed(first),
        feed(processor, second, [Record(0, 2_310_000, "hello", slow_clock)]),
        processor.finish(),
    ]
    assert words(np.concatenate(shots)) == [("lone-a", "gap")]


def test_nothing_is_missing_of_a_shot_long_before_another_counter() -> None:
    slow_clock = {"frequency_hz": 8_000_000, "counter_bits": 32}
    second = events(beats(3))
    second = replace(second, host_us=second.host_us + 9_000_000, counter=second.counter // 2)
    processor = Processor(RULES)
    shots = [
        processor.feed(with_beats(BALL)),
        feed(processor, second, [Record(0, 8_900_000, "hello", slow_clock)]),
        processor.finish(),
    ]
    assert words(np.concatenate(shots)) == [()]


def test_keys_grow_strictly_even_if_two_shots_begin_together() -> None:
    both = [*block(A, 2.3, 1e-6), *block(B, 2.3, 3 * MS)]
    shots = shots_of(with_beats([*both, *body(3.3, 20.0)]))
    assert (np.diff(shots["key"]) > 0).all()


# -- when a shot is final ---------------------------------------------------------------


def test_a_shot_is_shown_at_its_last_edge_and_final_after_the_next_beat() -> None:
    these = with_beats(BALL)
    processor = Processor(RULES)
    assert not len(processor.feed(part(these, 0, 7)))
    seen = processor.peek()
    assert len(seen) == 1
    assert seen.tobytes() == processor.peek().tobytes()
    assert processor.feed(part(these, 7, 8)).tobytes() == seen.tobytes()
    assert not len(processor.peek())


def test_silence_by_the_hosts_clock_makes_a_shot_final() -> None:
    these = part(with_beats(BALL), 0, 7)
    processor = Processor(RULES)
    processor.feed(these)
    last = int(these.host_us[-1])
    assert not len(processor.pass_time(last + 31_400_000))
    assert len(processor.pass_time(last + 32_000_000)) == 1


@pytest.mark.parametrize("place", [1, 2, 3])
def test_a_host_that_stalls_in_a_shot_loses_nothing_of_it(place: int) -> None:
    these = with_beats(BALL)
    begin = int(np.flatnonzero(these.kind == EventKind.EDGE)[0])
    host_us = these.host_us.copy()
    host_us[begin + place :] = np.maximum(
        host_us[begin + place :], host_us[begin + place] + 9_000_000
    )
    (shot,) = shots_of(replace(these, host_us=host_us))
    (true,) = shots_of(these)
    timed = [name for name in shot.dtype.names if name != "host_us"]
    assert repr(shot[timed].tolist()) == repr(true[timed].tolist())


def test_levels_and_tally_tell_of_the_gates() -> None:
    processor = Processor(RULES)
    assert processor.levels == (None, None)
    assert processor.anchor() == -1
    processor.feed(events([*beats(2), Line(2.5, gate=B)]))
    assert processor.levels == (0, 1)
    assert processor.anchor() == 40_000_000
    assert (processor.tally.edges, processor.tally.beats) == (1, 3)


def test_what_comes_later_has_a_greater_key_than_the_anchor() -> None:
    """Of lines that each tell a transit, the key is the host's time; two may come at once."""
    processor = Processor(replace(RULES, lines=INTERVAL))
    lines = events([Line(1.0, EventKind.INTERVAL), Line(1.0, EventKind.INTERVAL)])
    first = processor.feed(replace(lines, counter=np.array([240_000, 240_000])))
    assert processor.anchor() == first["key"][-1] == first["key"][0] + 1
    later = processor.feed(replace(lines, counter=np.array([240_000, 240_000])))
    assert (later["key"] > first["key"][-1]).all()


@pytest.mark.parametrize(
    ("gate", "ahead", "shots"), [(B, 0.9, 1), (B, 1.1, 2), (A, 0.9, 1), (A, 1.1, 2)]
)
def test_a_lone_passage_ahead_by_less_than_the_transit_is_a_companion(
    gate: int, ahead: float, shots: int
) -> None:
    lone = block(gate, BALL[0].at_s - ahead * 15e-3, 0.5e-3)
    found = shots_of(with_beats([*lone, *BALL]))
    assert len(found) == shots
    assert found["companions"].tolist() == ([1] if shots == 1 else [0, 0])


def test_the_length_tolerance_is_what_the_table_above_takes_it_for() -> None:
    assert LENGTH_TOLERANCE == 0.25
