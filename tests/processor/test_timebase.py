"""One time that only grows, from a counter that wraps, jumps and starts anew."""

from dataclasses import replace

import numpy as np
import pytest
from line_kit import (
    RULES,
    UNIT_S,
    Line,
    beats,
    block,
    body,
    events,
    joined,
    part,
    shots_of,
    without,
)
from test_cut_dense import dense, harmed, records

from chrono.arrays import machine_code
from chrono.arrays.events import EventKind, Events, Record
from chrono.processor.line_continuity import UNKNOWN_LOSS
from chrono.processor.shot_records import Flag
from chrono.processor.timebase import TimedStretch, known_time, put_on_timebase, unwrap_steps
from chrono.processor.timeline import LATE, Timebase
from chrono.rigs.line_kinds import PLAIN

WRAP = 1 << 32
WRAP_S = WRAP * UNIT_S


def tick(
    these: Events, controls: tuple[Record, ...] = (), before: Timebase | None = None
) -> TimedStretch:
    return put_on_timebase(these, controls, before or Timebase(), RULES)


@pytest.mark.parametrize("seed", range(12))
def test_loops_give_the_same_as_they_stand_and_as_machine_code(seed, monkeypatch) -> None:
    rng = np.random.default_rng(seed)
    these = harmed(rng, dense(rng))
    controls = tuple(records(rng, these))
    machine_code.load_numba()
    monkeypatch.setattr(machine_code, "LONG", 0)
    machine = tick(these, controls)
    monkeypatch.setattr(machine_code, "LONG", len(these) + 1)
    standing = tick(these, controls)
    assert machine.first == standing.first
    for one, other in zip(machine[:4], standing[:4], strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))
        assert [a.dtype for a in one] == [b.dtype for b in other]
    assert machine.after == standing.after
    assert len(machine.edges.t) > 20


def hello(position: int, host_us: int = 0, restart: str = "") -> Record:
    data = {"frequency_hz": 16_000_000, "counter_bits": 32, "restart": restart}
    return Record(position, host_us, "hello", data)


def test_time_begins_at_the_counter_of_the_first_line() -> None:
    ticked = tick(events(body(1.0, 20.0), start=1000))
    assert ticked.edges.t[0] == 16_000_000 + 1000


@pytest.mark.parametrize("place", range(5))
def test_a_wrap_anywhere_in_a_shot_leaves_its_steps_exact(place: int) -> None:
    lines = body(1.0, 20.0)
    true = np.floor(np.array([line.at_s for line in lines]) / UNIT_S)
    start = WRAP - int(([0.5] + [line.at_s for line in lines])[place] / UNIT_S) - 10
    ticked = tick(events(lines, start=start))
    assert np.diff(ticked.edges.t).tolist() == np.diff(true).tolist()
    assert not ticked.gaps.mark.size


@pytest.mark.parametrize("turns", [1, 2, 7])
def test_whole_turns_in_a_long_silence_are_counted_by_the_hosts_clock(turns: int) -> None:
    """The host reads the second line 0.7 s late, so its clock gives the turns, not the step."""
    these = events([Line(1.0), Line(1.5 + turns * WRAP_S)])
    ticked = tick(replace(these, host_us=these.host_us + np.array([0, 700_000])))
    assert int(np.diff(ticked.edges.t)[0]) == turns * WRAP + 8_000_000
    assert not ticked.gaps.mark.size


def test_a_host_that_reads_late_by_less_than_two_seconds_changes_no_time() -> None:
    these = events([Line(1.0), Line(1.001), Line(2.0)])
    late = replace(these, host_us=np.array([1_000_000, 2_900_000, 2_900_000]))
    assert np.array_equal(tick(late).edges.t, tick(these).edges.t)


def test_after_lost_lines_a_counter_two_seconds_off_the_host_is_a_jump() -> None:
    these = without(events([Line(1.0), Line(1.05), Line(1.1)]), [1])
    near = replace(these, host_us=these.host_us + np.array([0, 1_990_000]))
    far = replace(these, host_us=these.host_us + np.array([0, 2_010_000]))
    assert np.diff(tick(near).edges.t).tolist() == [1_600_000]
    ticked = tick(far)
    assert ticked.gaps.lost.tolist() == [UNKNOWN_LOSS, 1]
    assert np.diff(ticked.edges.t)[0] >= RULES.windows.dead


@pytest.mark.parametrize(("late_s", "kept"), [(2.1, True), (29.9, True), (30.1, False)])
def test_lines_in_a_row_keep_their_step_however_late_the_host_read_the_second(
    late_s: float, kept: bool
) -> None:
    these = events([Line(3.0), Line(3.1)])
    late = replace(these, host_us=these.host_us + np.array([0, round(late_s * 1e6)]))
    ticked = tick(late)
    assert (np.diff(ticked.edges.t).tolist() == [1_600_000]) == kept
    assert (ticked.after.tally.breaks == 0) == kept


def test_lines_in_a_row_in_the_wrong_order_keep_their_times_when_read_late() -> None:
    these = events([Line(1.0), Line(1.000003)])
    swapped = joined(part(these, 1, 2), part(these, 0, 1))
    late = replace(
        swapped,
        sequence=np.array([0, 1], np.int32),
        host_us=these.host_us + np.array([0, 5_000_000]),
    )
    ticked = tick(late)
    assert np.diff(ticked.edges.t).tolist() == [-48]
    assert not ticked.gaps.mark.size


def test_a_step_longer_than_from_beat_to_beat_is_no_late_reading() -> None:
    these = events([Line(1.0), Line(3.1)])
    late = replace(these, host_us=these.host_us + np.array([0, 5_000_000]))
    assert tick(late).after.tally.breaks == 1


def test_without_numbers_a_late_reading_is_a_jump() -> None:
    these = events([Line(1.0), Line(1.1)], plain=True)
    late = replace(these, host_us=these.host_us + np.array([0, 2_100_000]))
    rules = replace(RULES, lines=PLAIN)
    assert put_on_timebase(late, (), Timebase(), rules).after.tally.breaks == 1


def test_lines_in_the_wrong_order_by_microseconds_keep_their_times() -> None:
    these = events([Line(1.0), Line(1.000003)])
    swapped = joined(part(these, 1, 2), part(these, 0, 1))
    swapped = replace(swapped, sequence=np.array([0, 1], np.int32))
    ticked = tick(swapped)
    assert np.diff(ticked.edges.t).tolist() == [-48]
    assert not ticked.gaps.mark.size


def test_a_counter_that_goes_back_by_more_than_a_millisecond_is_a_jump() -> None:
    these = events([Line(1.0), Line(1.002)])
    swapped = replace(these, counter=these.counter[::-1].copy())
    assert tick(swapped).after.tally.breaks == 1


def test_many_tiny_steps_back_never_lead_further_than_the_rules_allow() -> None:
    count = 2000
    counter = 1_000_000 - 100 * np.arange(count)
    these = events([Line(1.0 + 1e-6 * i) for i in range(count)])
    t = tick(replace(these, counter=counter)).edges.t
    assert t[0] - t.min() == RULES.units(1e-3)


def test_a_line_that_came_twice_is_used_once() -> None:
    these = events(body(1.0, 20.0))
    doubled = joined(part(these, 0, 2), part(these, 1, 4))
    ticked = tick(doubled)
    assert np.array_equal(ticked.edges.t, tick(these).edges.t)
    assert ticked.after.tally.duplicates == 1
    assert ticked.after.tally.lost_lines == ticked.after.tally.breaks == 0


def test_a_line_doubled_across_the_cut_is_used_once() -> None:
    these = events(body(1.0, 20.0))
    first = tick(part(these, 0, 2))
    again = tick(part(these, 1, 4), before=first.after)
    assert len(again.edges.t) == 2
    assert again.after.tally.duplicates == 1


@pytest.mark.parametrize("change", [{"gate": 1}, {"level": 0}, {"kind": EventKind.LATE}])
def test_the_same_number_at_the_same_time_of_another_edge_is_no_double(
    change: dict[str, int],
) -> None:
    """Both gates may trip in one tick; a board that began anew may repeat the number too."""
    twice = [Line(1.0, gate=0), Line(1.0, **{"gate": 0, **change})]
    these = replace(events(twice), sequence=np.array([5, 5], np.int32))
    ticked = tick(these)
    assert len(ticked.edges.t) == 2
    assert ticked.after.tally.duplicates == 0


def test_the_same_number_with_another_content_is_no_double() -> None:
    these = events(body(1.0, 20.0))
    ticked = tick(replace(these, sequence=np.array([0, 1, 1, 2], np.int32)))
    assert len(ticked.edges.t) == 4
    assert ticked.gaps.lost.tolist() == [UNKNOWN_LOSS]


@pytest.mark.parametrize("lost", [1, 2, 300])
def test_missing_numbers_are_lost_lines(lost: int) -> None:
    these = events([Line(1.0 + 1e-3 * i) for i in range(400)])
    ticked = tick(without(these, range(5, 5 + lost)))
    assert ticked.after.tally.lost_lines == lost
    assert ticked.gaps.lost.tolist() == [lost]
    assert ticked.gaps.before.tolist() == [ticked.edges.t[4]]
    assert ticked.gaps.mark.tolist() == [ticked.edges.t[5]]


def test_numbers_wrap_without_a_gap() -> None:
    ticked = tick(events([Line(1.0 + 1e-3 * i) for i in range(10)], sequence=65530))
    assert ticked.after.tally.lost_lines == ticked.after.tally.breaks == 0


@pytest.mark.parametrize(("gap", "known"), [(32767, True), (32768, False), (65000, False)])
def test_half_a_turn_of_numbers_and_more_is_one_break_of_unknown_size(
    gap: int, known: bool
) -> None:
    these = events([Line(1.0), Line(1.1)])
    ticked = tick(replace(these, sequence=np.array([7, (8 + gap) % 65536], np.int32)))
    assert ticked.after.tally.lost_lines == (gap if known else 0)
    assert ticked.gaps.lost.tolist() == [gap if known else UNKNOWN_LOSS]


def test_a_hello_after_which_all_starts_anew_is_a_restart() -> None:
    before, after = events(beats(3)), events([Line(0.2), Line(0.3)])
    after = replace(after, host_us=after.host_us + 4_000_000)
    ticked = tick(joined(before, after), (hello(4, 4_100_000),))
    assert ticked.after.tally.restarts == 1
    assert ticked.edges.t[0] > ticked.beats.t[-1]
    assert np.diff(ticked.edges.t).tolist() == [1_600_000]


def test_an_edge_before_a_restart_and_one_right_after_it_are_never_one_body() -> None:
    """By the computer's clock they are 15 ms apart, as those of a ball with 20 m/s."""
    before = events([*beats(2), *block(0, 2.3, 2e-3)])
    after = events([*block(1, 0.1, 2e-3), *beats(3)[1:]])
    after = replace(after, host_us=after.host_us + 2_215_000)
    found = shots_of(joined(before, after), [hello(len(before), 2_310_000)])
    assert [flags & int(Flag.LONE_A | Flag.LONE_B) for flags in found["flags"]] == [1, 2]


def test_a_hello_asked_for_in_mid_session_restarts_nothing() -> None:
    these = events(beats(4))
    ticked = tick(these, (hello(2, 2_000_000),))
    assert ticked.after.tally.restarts == ticked.after.tally.breaks == 0


def test_a_hello_asked_for_after_lost_lines_restarts_nothing() -> None:
    these = without(events(beats(20), sequence=500), [10])
    ticked = tick(these, (hello(10, 10_500_000),))
    assert ticked.after.tally.restarts == 0
    assert ticked.after.tally.lost_lines == 1


def test_a_first_hello_restarts_nothing() -> None:
    assert tick(events(beats(2)), (hello(0),)).after.tally.restarts == 0


def test_a_hello_at_the_end_of_a_piece_holds_for_the_next() -> None:
    first = tick(events(beats(3)), (hello(4, 3_500_000),))
    after = events([Line(0.2)])
    second = tick(replace(after, host_us=after.host_us + 4_000_000), before=first.after)
    assert second.after.tally.restarts == 1


def lives(count: int) -> list[Events]:
    """Return what a board sends that restarts every 4 s: a beat in each second."""
    return [
        replace(life, host_us=life.host_us + 4_000_000 * n)
        for n, life in enumerate([events(beats(3))] * count)
    ]


def test_each_restart_counts_with_the_cause_of_the_hello_before_it() -> None:
    causes = ("power", "watchdog", "", "watchdog")
    said = lives(4)
    places = np.cumsum([0, *map(len, said)]).tolist()
    hellos = tuple(hello(at, 0, cause) for at, cause in zip(places, causes, strict=False))
    whole = joined(*said)

    assert tick(whole, hellos).after.tally.causes == {"watchdog": 2, "": 1}
    after = None
    for place, event in enumerate(range(len(whole))):  # an event at a time, hellos at the ends
        piece = without(whole, [n for n in range(len(whole)) if n != event])
        told = tuple(replace(h, position=0) for h in hellos if h.position == place)
        after = tick(piece, told, after).after
    assert after is not None
    assert after.tally.causes == {"watchdog": 2, "": 1}


def test_a_hello_asked_for_says_no_new_restart() -> None:
    asked = (hello(0, 0, "watchdog"), hello(2, 2_000_000, "watchdog"))
    assert tick(events(beats(4)), asked).after.tally.causes == {}


def test_a_lost_link_is_a_break_at_its_place_by_the_hosts_clock() -> None:
    these = events(beats(3))
    ticked = tick(these, (Record(2, 1_503_000, "link", {"event": "lost"}),))
    assert ticked.notes.before.tolist() == [24_000_000 - 3_200_000]
    assert ticked.notes.mark.tolist() == [24_000_000]
    assert ticked.notes.latest.tolist() == [24_000_000 + 3_200_000]


def test_what_the_line_after_it_tells_bounds_a_note() -> None:
    """By the host's clock it was 0.3 s behind the line before it; the next was 0.1 s behind."""
    these = events([Line(1.0), Line(1.05, EventKind.DAMAGED), Line(1.1)])
    host_us = these.host_us + np.array([0, 250_000, 250_000])
    ticked = tick(replace(these, host_us=host_us))
    assert ticked.notes.before.tolist() == [16_000_000 + 1_600_000]
    assert ticked.notes.mark.tolist() == ticked.notes.latest.tolist() == [17_600_000]
    for late_us, before in ((249_000, 17_584_000), (251_000, 16_000_000)):
        host_us = these.host_us + np.array([0, late_us + 1_000, late_us + 1_000])
        ticked = tick(replace(these, host_us=host_us))
        assert ticked.notes.before.tolist() == [before + 16_000 * (late_us < 250_000)]


def test_in_a_gap_of_seconds_beats_are_among_the_lost_lines() -> None:
    lines = [*beats(1), Line(1.5), *(Line(s, EventKind.BEAT, level=0) for s in (2.0, 3.0, 4.0))]
    these = events(lines, missing=[2, 3, 4])
    ticked = tick(these)
    assert ticked.gaps.lost.tolist() == [3 - 2]
    assert ticked.after.tally.lost_lines == 3
    assert ticked.after.tally.breaks == 1
    only_beats = tick(events([*beats(5)], missing=[2, 3]))
    assert only_beats.gaps.lost.tolist() == [0]
    assert only_beats.after.tally.breaks == 1


def test_the_damaged_line_of_a_gap_may_be_its_beat() -> None:
    """An edge and a beat are missing, one line came damaged: the other may be the edge."""
    told = [
        *beats(1),
        Line(1.5),
        Line(2.0, EventKind.DAMAGED, level=0),
        Line(3.0, EventKind.BEAT, level=0),
    ]
    ticked = tick(events(told, missing=[2]))
    assert ticked.gaps.lost.tolist() == [1]
    assert ticked.notes.lost.tolist() == [1]


def test_lines_damaged_before_the_first_are_a_break_before_it() -> None:
    these = events([Line(0.9, EventKind.DAMAGED), Line(0.95, EventKind.DAMAGED), *beats(3)[1:]])
    whole = tick(these)
    assert whole.notes.before.tolist() == whole.notes.mark.tolist() == [12_800_000]
    assert whole.notes.latest.tolist() == [16_000_000]
    assert whole.notes.lost.tolist() == [2]
    first = tick(part(these, 0, 1))
    assert not len(first.notes.mark)
    second = tick(part(these, 1, len(these)), before=first.after)
    assert second.notes.lost.tolist() == [2]
    assert not len(tick(events(beats(3))).notes.mark)


def test_damaged_lines_without_numbers_are_lost_lines() -> None:
    these = events([Line(1.0), Line(1.1, EventKind.DAMAGED), Line(1.2)], plain=True)
    ticked = put_on_timebase(these, (), Timebase(), replace(RULES, lines=PLAIN))
    assert ticked.after.tally.lost_lines == 1
    assert len(ticked.edges.t) == 2


def test_edges_lost_on_the_board_are_counted_from_the_first_beat_on() -> None:
    ticked = tick(events(beats(4, lost=[5, 5, 7, 7, 8])))
    assert ticked.beats.lost.tolist() == [0, 0, 2, 2, 3]
    assert ticked.after.tally.board_lost == 3


def test_after_a_restart_the_board_counts_its_losses_from_zero() -> None:
    before, after = events(beats(3, lost=[4])), events(beats(1, lost=[1, 2]))
    after = replace(after, host_us=after.host_us + 4_000_000)
    ticked = tick(joined(before, after), (hello(4, 4_000_000),))
    assert ticked.after.tally.board_lost == 2


def test_levels_come_from_edges_and_beats_whichever_was_last() -> None:
    lines = [Line(1.0, gate=1, level=1), Line(2.0, EventKind.BEAT, level=3), Line(3.0, level=0)]
    assert tick(events(lines[:1])).after.levels == (2, 1)
    assert tick(events(lines[:2])).after.levels == (1, 1)
    assert tick(events(lines)).after.levels == (0, 1)


def test_late_edges_are_marked() -> None:
    ticked = tick(events([Line(1.0), Line(1.1, EventKind.LATE, gate=1)]))
    assert (ticked.edges.what & LATE > 0).tolist() == [False, True]
    assert ticked.after.tally.late == 1
    assert ticked.after.tally.edges == 2


def test_silence_is_known_to_be_silent_but_for_the_hosts_tolerance() -> None:
    first = tick(events([Line(1.0)])).after
    assert known_time(first, RULES) == 16_000_000 - 16_000
    assert known_time(first, RULES, 1_003_000 + 5_000_000) == 16_000_000 - 16_000
    assert known_time(first, RULES, 1_003_000 + 33_000_000) == 16_000_000 + 48_000_000
    assert known_time(first, RULES, 0) == 16_000_000 - 16_000
    plain = replace(RULES, lines=PLAIN)
    assert known_time(first, plain, 1_003_000 + 5_000_000) == 16_000_000 + 48_000_000


@pytest.mark.parametrize("bits", [8, 16])
def test_a_short_counter_takes_the_fewest_turns_that_agree_with_the_host(bits: int) -> None:
    rules = replace(RULES, counter_bits=bits)
    turn_s = (1 << bits) * UNIT_S
    steps = np.array([100, 100], np.int64)
    host_us = np.array([50_000, round(0.1e6 + (100 * UNIT_S + 3 * turn_s) * 1e6)])
    unwrapped, jumps = unwrap_steps(steps, host_us, np.zeros(2, np.int64), rules)
    assert unwrapped.tolist() == [100, 100 + 3 * (1 << bits)]
    assert not jumps.size


@pytest.mark.parametrize("seed", range(20))
def test_no_bits_whatever_raise_or_let_time_fall(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 300
    # A row's time has at most 18 digits.
    host = rng.integers(1 - 10**18, 10**18, n) if seed % 2 else rng.integers(0, 10**13, n)
    these = Events(
        host,
        rng.integers(0, 5, n).astype(np.uint8),
        rng.integers(0, 2, n).astype(np.uint8),
        rng.integers(0, 3, n).astype(np.uint8),
        rng.integers(0, 2**62, n),
        rng.integers(-1, 65536, n).astype(np.int32),
        rng.integers(0, 65536, n).astype(np.int32),
    )
    t = tick(these).edges.t
    assert (t >= 0).all()
    assert (np.diff(t) >= -RULES.units(1e-3)).all()


def test_time_stands_still_where_it_would_be_more_than_a_counter_can_ever_tell() -> None:
    """Each line comes 10^6 s after the one before by the host; of ns that is too much once."""
    fast = replace(RULES, unit_s=1e-9)
    these = events([Line(0.01 * i) for i in range(12_000)], missing=range(1, 12_000, 2))
    far = replace(these, host_us=np.arange(len(these)) * 10**12)
    t = put_on_timebase(far, (), Timebase(), fast).edges.t
    assert len(t) == len(these)
    assert np.diff(t)[:4000] == pytest.approx(1e15, rel=1e-3)
    assert (np.diff(t) >= 0).all()
    assert 2**62 - 2 * 10**15 < t.max() <= 2**62
