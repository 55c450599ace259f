"""The parts of a session: setups, marks and counters by keys, what could not be used."""

from dataclasses import replace

import numpy as np
import pytest
from line_kit import Line, beats, body, events, part
from speed_rigs import make_rig

from chrono.arrays.events import Batch, Events, LineSample, Record
from chrono.errors import RecordingError, RigError
from chrono.reports.trouble_text import trouble_line
from chrono.rigs.line_kinds import FRAMED, INTERVAL, PLAIN, LineKind
from chrono.rigs.rig_file import rig_record
from chrono.session import operator_records
from chrono.session.annotations import SETUP_LIMIT, MarkedShots, Marks, Setups, ShotMarks
from chrono.session.operator_records import Mark, Setup
from chrono.session.rejected_input import SAMPLE_LIMIT, TELLING_LINES, RejectedInput
from chrono.session.session import Session
from chrono.session.speed_models import BoardCounters
from chrono.session.troubles import BoardUnused

KEYS = np.array([-5, 10, 11, 20, 21, 30], np.int64)
SLOW = {"frequency_hz": 8_000_000, "counter_bits": 32}
FAST = {"frequency_hz": 16_000_000, "counter_bits": 32}


def stated(*at: tuple[str, int]) -> Setups:
    setups = Setups()
    for name, anchor in at:
        setups.state(Setup(name), anchor)
    return setups


def test_a_setup_holds_for_greater_keys_than_the_moment_it_was_stated_at() -> None:
    setups = stated(("two", 10), ("three", 20))
    assert setups.at(KEYS).tolist() == [0, 0, 1, 1, 2, 2]
    assert [setups.name(place) for place in (0, 1, 2)] == ["", "two", "three"]
    assert setups.after(99)[1].name == "three"


def test_a_setup_stated_in_the_same_moment_as_another_takes_its_place() -> None:
    setups = stated(("two", 10), ("three", 10), ("four", 5))
    assert setups.at(KEYS).tolist() == [0, 0, 3, 3, 3, 3]


def test_a_setup_never_holds_from_before_the_one_stated_earlier() -> None:
    setups = stated(("a", 20), ("b", 5), ("c", 6), ("d", 7))
    assert setups.at(KEYS).tolist() == [0, 0, 0, 0, 4, 4]


def test_names_come_once_in_order_and_the_last_words_count() -> None:
    setups = stated(("two", 1), ("three", 2))
    setups.state(Setup("two", {"mass_kg": 0.02}), 3)
    assert setups.names == ("", "two", "three")
    assert setups.last("two").body == {"mass_kg": 0.02}
    assert setups.last("nobody") == Setup()
    assert setups.named("two").tolist() == [False, True, False, True]
    assert setups.named(None).all()


def test_more_setups_than_any_session_has_are_refused() -> None:
    setups = stated(*(("x", n) for n in range(SETUP_LIMIT)))
    with pytest.raises(RecordingError, match="more than"):
        setups.state(Setup("y"), SETUP_LIMIT)


def test_a_counter_holds_from_the_hello_on_and_is_applied_to_its_shots() -> None:
    counters = BoardCounters()
    assert counters.now is None
    counters.confirm((16e6, 32))
    counters.change((8e6, 24), 10)
    assert counters.at(KEYS).tolist() == [0, 0, 1, 1, 1, 1]
    assert list(counters.stretches(KEYS, 100)) == [(slice(100, 102), 0), (slice(102, 106), 1)]
    assert (counters.is_last(0), counters.is_last(1)) == (False, True)
    rig = make_rig()
    first, last = (counters.applied(rig, place).clock for place in (0, -1))
    assert (first.frequency_hz, first.counter_bits) == (16e6, 32)
    assert (last.frequency_hz, last.counter_bits) == (8e6, 24)


def said(*at: tuple[Mark, int]) -> MarkedShots:
    kept = Marks()
    for mark, anchor in at:
        kept.take(mark, anchor)
    return kept.at(KEYS)


def test_hold_lies_between_its_two_moments() -> None:
    held = said(
        (Mark(operator_records.HOLD_ON), 10),
        (Mark(operator_records.HOLD_ON), 12),
        (Mark(operator_records.HOLD_OFF), 20),
    )
    assert held.held.tolist() == [False, False, True, True, False, False]
    assert held.words() == ["", "", "on hold", "on hold", "", ""]
    everything = np.ones(len(KEYS), np.bool_)
    assert held.are_counted(everything, everything).tolist() == (~held.held).tolist()


def test_marks_on_a_shot_go_by_its_key_and_the_last_one_counts() -> None:
    found = said(
        (Mark(operator_records.SET_ASIDE, 20, "hit the frame"), 0),
        (Mark(operator_records.NOTE, 20, "loud"), 0),
        (Mark(operator_records.SET_ASIDE, 30, "by mistake"), 0),
        (Mark(operator_records.COUNT_AGAIN, 30), 0),
        (Mark(operator_records.COUNT_AGAIN, 21), 0),
        (Mark(operator_records.SET_ASIDE, 77, "no shot of these"), 0),
    )
    assert found.marks[3] == ShotMarks(False, "hit the frame", "loud")
    assert found.marks[5] == ShotMarks(counted=True)
    assert found.words() == ["", "", "", "set aside: hit the frame; loud", "", ""]
    countable = np.array([True, False, True, True, False, True])
    measured = np.array([True, True, True, True, False, True])
    counted = found.are_counted(countable, measured)
    assert counted.tolist() == [True, False, True, False, False, True]


def test_what_could_not_be_used_is_counted_whole_and_shown_in_part() -> None:
    unusable = RejectedInput()
    samples = [LineSample(row, "x", "why") for row in range(15)]
    unusable.take_lines(15, samples, 0)
    unusable.take_lines(15, samples, 100)
    assert unusable.lines == 30
    shown = [line.row for line in unusable.line_samples]
    assert shown == [*range(1, 16), *range(101, 106)]
    assert len(shown) == SAMPLE_LIMIT
    unusable.take_record(Record(0, 1_500_000, "mark", {}), ValueError("no mark"))
    assert (unusable.records, unusable.record_reasons) == (
        1,
        ["mark at 1.500 s: no mark"],
    )


def test_of_very_many_invalid_records_and_boards_the_first_are_kept_in_short() -> None:
    unusable = RejectedInput()
    for number in range(SAMPLE_LIMIT + 5):
        record = Record(0, number * 1_000_000, "mark", {})
        unusable.take_record(record, ValueError(f"{number:3}" + 400 * "x"))
        unusable.take_board(record, RigError(f"board {number}"))
    assert unusable.records == SAMPLE_LIMIT + 5
    assert len(unusable.record_reasons) == len(unusable.boards) == SAMPLE_LIMIT == 20
    assert unusable.record_reasons[-1] == "mark at 19.000 s:  19" + 117 * "x"
    assert unusable.boards[-1] == BoardUnused(19.0, "board 19")
    again = RejectedInput(unusable)
    assert (again.records, again.record_reasons) == (25, unusable.record_reasons)
    again.take_record(record, ValueError("once more"))
    assert len(unusable.record_reasons) == SAMPLE_LIMIT


def test_five_damaged_lines_tell_that_the_board_sends_another_kind_of_lines() -> None:
    unusable = RejectedInput()
    for row in range(TELLING_LINES):
        assert unusable.other_kind(FRAMED) is None
        unusable.take_lines(1, [LineSample(row, "A 1 1234567", "not framed")], 0)
    assert TELLING_LINES == 5
    assert unusable.other_kind(FRAMED) == PLAIN
    assert unusable.other_kind(PLAIN) is None


def slowed(lines: list[Line], after_us: int) -> Events:
    """Return what a board that counts at 8 MHz says of the same, some time later."""
    sent = events(lines)
    return replace(sent, host_us=sent.host_us + after_us, counter=sent.counter // 2)


def speeds(session: Session) -> list[float]:
    return session.measured().speed_mps.tolist()


def test_shots_of_two_boards_are_measured_each_by_its_own_counter() -> None:
    session = Session(make_rig())
    session.feed(Batch(events([*beats(5), *body(1.3, 20.0)]), (Record(0, 0, "hello", FAST),)))
    second = slowed([*beats(5), *body(1.3, 30.0)], 8_000_000)
    session.feed(Batch(second, (Record(0, 8_000_000, "hello", SLOW),)))
    session.finish()
    assert speeds(session) == pytest.approx([20.0, 30.0], rel=1e-4)
    assert session.rig.clock.frequency_hz == 8e6
    assert session.processor.tally.restarts == 1


def test_a_counter_that_goes_on_by_chance_has_restarted_all_the_same() -> None:
    session = Session(make_rig())
    first, second = events(beats(2)), slowed(beats(5), 3_000_000)
    goes_on = replace(second, sequence=second.sequence + len(first), counter=second.counter)
    session.feed(Batch(first, (Record(0, 0, "hello", FAST),)))
    session.feed(Batch(goes_on, (Record(0, 3_000_000, "hello", SLOW),)))
    assert session.processor.tally.restarts == 1


def test_a_hello_before_the_rig_is_not_forgotten() -> None:
    rig = make_rig()
    records = (Record(0, 0, "hello", SLOW), Record(0, 1, "rig", rig_record(rig)))
    session = Session(rig)
    session.feed(Batch(slowed([*beats(5), *body(1.3, 20.0)], 0), records))
    session.finish()
    assert session.processor.rules.unit_s == 1 / 8e6
    assert speeds(session) == pytest.approx([20.0], rel=1e-4)


def test_a_hello_that_says_what_holds_divides_nothing() -> None:
    session = Session(make_rig())
    hellos = tuple(Record(n, 0, "hello", FAST) for n in range(5))
    session.feed(Batch(events([*beats(5), *body(1.3, 20.0)]), hellos))
    assert session.processor.counters == 1
    assert session.counters.now == (16_000_000, 32)
    assert session.heard


NARROW = {"frequency_hz": 16_000_000, "counter_bits": 16}
"""A counter that wraps every 4 ms: no shot could be timed."""


def three_boards(middle: dict[str, float]) -> Session:
    """Clock a ball, then one by another board, then one by the first again; 30 s each."""
    made = Session(make_rig())
    for at, said in enumerate((FAST, middle, FAST)):
        begin_us = 30_000_000 * at
        these = events([*beats(5), *body(1.3, 20.0 + at)])
        these = replace(these, host_us=these.host_us + begin_us)
        made.feed(Batch(these, (Record(0, begin_us, "hello", dict(said)),)))
    made.finish()
    return made


def test_a_board_whose_counter_cannot_be_used_is_not_heard_until_another_hello() -> None:
    session = three_boards(NARROW)
    assert speeds(session) == pytest.approx([20.0, 22.0], rel=1e-4)
    (told,) = session.unusable.boards
    words = trouble_line(told)
    assert words.startswith("from 30.000 s on, the program ignores all lines until")
    assert "16 bits cannot be used" in words


def test_what_such_a_board_says_does_not_depend_on_the_cut() -> None:
    whole, cut = three_boards(NARROW), Session(make_rig())
    for at, said in enumerate((FAST, NARROW, FAST)):
        these = events([*beats(5), *body(1.3, 20.0 + at)])
        these = replace(these, host_us=these.host_us + 30_000_000 * at)
        cut.feed(Batch(events([]), (Record(0, 30_000_000 * at, "hello", dict(said)),)))
        for place in range(len(these)):
            cut.feed(Batch(part(these, place, place + 1), ()))
    cut.finish()
    assert cut.log.shots.tobytes() == whole.log.shots.tobytes()


def test_nothing_pairs_across_a_board_that_was_not_heard() -> None:
    session, these = Session(make_rig()), events([*beats(5), *body(1.3, 20.0), *beats(9)[6:]])
    half = int(np.flatnonzero(these.kind == 0)[2])
    hellos = (
        Record(half, 1_300_000, "hello", NARROW),
        Record(half, 1_300_001, "hello", FAST),
    )
    first = events(body(0.3, 25.0))
    session.feed(Batch(first, (Record(0, 0, "hello", FAST),)))
    later = replace(
        these, host_us=these.host_us + 9_000_000, counter=these.counter + 144_000_000
    )
    session.feed(Batch(later, hellos))
    session.finish()
    assert speeds(session)[0] == pytest.approx(25.0, rel=1e-4)
    assert np.isnan(speeds(session)[1:]).all()
    assert len(speeds(session)) == 3


def test_a_board_that_cannot_be_used_from_the_first_shot_on_is_refused() -> None:
    session = Session(make_rig())
    session.feed(Batch(events(beats(3)), (Record(0, 0, "hello", FAST),)))
    with pytest.raises(RigError, match="16 bits cannot be used"):
        session.feed(Batch(events(beats(3)), (Record(0, 5_000_000, "hello", NARROW),)))


@pytest.mark.parametrize(
    ("lines", "kind"),
    [
        (["A 123456", "B,12", "A 1 5", "A 0 77", "B 99"], PLAIN),
        (["1234", "99", "12", "7777", "5"], INTERVAL),
        (["piece", "99", "12", "7777", "5"], INTERVAL),
        (["piece", "piece", "12", "7777", "5"], None),
        (["1234", "99", "12", "7777"], None),
        (["\\x", "H 1", "12", "A 1", "?"], None),
    ],
)
def test_five_lines_tell_the_kind_that_a_board_sends(
    lines: list[str], kind: LineKind | None
) -> None:
    unusable = RejectedInput()
    unusable.take_lines(len(lines), [LineSample(i, x, "no") for i, x in enumerate(lines)], 0)
    assert unusable.other_kind(FRAMED) == kind
    assert unusable.other_kind(kind or FRAMED) is None
