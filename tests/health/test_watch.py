"""What a watch sees of the gates while lines come in, whole or in pieces."""

import math

import numpy as np
import pytest

from chrono.arrays.events import Batch, EventKind, Events, RestartCause, cut_batch
from chrono.health.gate_monitor import FlickerReading, GateMonitor, flicker_now, second_places
from chrono.health.readiness import Observation
from chrono.processor.flicker import FlickerSpan
from chrono.processor.rig_rules import Rules
from chrono.processor.shot_records import ABSENT, SHOT_DTYPE, EdgesUsed, Flag
from chrono.processor.timeline import Tally
from chrono.reports.readiness_text import judged_words
from chrono.rigs.line_kinds import FRAMED, PLAIN

RULES = Rules(1e-6, 32, 0.3, 2.0, 200.0, 200e-6, 0.04, FRAMED)
TURN = 1 << 32
Row = tuple[float, EventKind, int, int]


def _events(rows: list[Row], counter0: int = 0) -> Events:
    """Make events of (time [s], kind, gate, level); host and counter both run in us."""
    us = np.array([round(row[0] * 1e6) for row in rows], np.int64)
    kind, gate, level = (np.array([row[i] for row in rows], np.uint8) for i in (1, 2, 3))
    zeros = np.zeros(len(rows), np.int32)
    return Events(us, kind, gate, level, (us + counter0) % TURN, zeros - 1, zeros)


def _beats(count: int, levels: int = 0) -> list[Row]:
    return [(float(i), EventKind.BEAT, 0, levels) for i in range(count)]


def _seen(rows: list[Row], until_s: float, pieces: int = 1, counter0: int = 0) -> Observation:
    watch = GateMonitor(RULES, Tally())
    rows = sorted(rows)
    for part in np.array_split(np.arange(len(rows)), pieces):
        batch = Batch(_events([rows[i] for i in part], counter0))
        for piece in cut_batch(batch, second_places(batch)):
            watch.feed(piece.events, Tally())
    return watch.observed(round(until_s * 1e6))


def test_a_gate_nobody_spoke_of_is_not_known() -> None:
    gates = GateMonitor(RULES, Tally()).observed(5_000_000).gates
    assert [gate.blocked for gate in gates] == [None, None]


def test_beats_alone_tell_the_levels_and_since_when() -> None:
    seen = _seen(_beats(11, levels=2), until_s=10.5)
    assert (seen.gates[0].blocked, seen.gates[1].blocked) == (False, True)
    assert seen.gates[1].blocked_for_s == pytest.approx(10.5)
    assert judged_words(seen).verdict == "not ready because gate B is blocked"


def test_an_edge_after_the_last_beat_has_the_last_word() -> None:
    seen = _seen([*_beats(3), (2.5, EventKind.EDGE, 0, 1)], until_s=3.0)
    assert seen.gates[0].blocked
    assert seen.gates[0].blocked_for_s == pytest.approx(0.5)
    cleared = _seen(
        [*_beats(3), (2.5, EventKind.EDGE, 0, 1), (2.6, EventKind.EDGE, 0, 0)], until_s=3.0
    )
    assert cleared.gates[0].blocked is False


@pytest.mark.parametrize("pieces", [1, 2, 3, 7])
@pytest.mark.parametrize("counter0", [0, TURN - 2_000_200])
def test_chatter_is_counted_whatever_the_cut_and_across_a_wrap(
    pieces: int, counter0: int
) -> None:
    bounces = [
        (2.0 + i * 100e-6, EventKind.LATE if i == 3 else EventKind.EDGE, 1, 1 - i % 2)
        for i in range(7)
    ]
    seen = _seen([*_beats(4), *bounces, (3.5, EventKind.EDGE, 1, 0)], 4.0, pieces, counter0)
    assert [gate.chatter for gate in seen.gates] == [0, 3]


def test_a_quiet_gate_does_not_chatter() -> None:
    slow = [(1.0 + i * 300e-6, EventKind.EDGE, 0, 1 - i % 2) for i in range(8)]
    assert _seen(slow, until_s=4.0).gates[0].chatter == 0


def test_damaged_lines_are_counted_with_the_others() -> None:
    seen = _seen([*_beats(5), (2.5, EventKind.DAMAGED, 0, 0)], until_s=5.0)
    assert (seen.lines, seen.damaged) == (6, 1)


def test_the_longest_silence_runs_to_this_moment() -> None:
    assert _seen(_beats(5), until_s=4.5).silence_s == pytest.approx(1.0)
    assert _seen(_beats(5), until_s=9.0).silence_s == pytest.approx(5.0)


def test_what_is_older_than_a_minute_is_forgotten() -> None:
    watch = GateMonitor(RULES, Tally())
    bounces = [(0.1 + i * 100e-6, EventKind.EDGE, 0, 1 - i % 2) for i in range(8)]
    watch.feed(_events(bounces), Tally(board_lost=3))
    early = watch.observed(2_000_000)
    assert (early.gates[0].chatter, early.board_lost) == (3, 3)
    for second in range(2, 90):
        watch.feed(_events([(float(second), EventKind.BEAT, 0, 0)]), Tally(board_lost=3))
    late = watch.observed(90_000_000)
    assert (late.gates[0].chatter, late.board_lost) == (0, 0)
    assert late.lines == 60
    assert 58 <= late.span_s <= 61
    assert len(watch._seconds) <= 61  # memory stays bounded


def test_a_long_stretch_fed_at_once_is_no_silence() -> None:
    bounces = [(100.0 + i * 100e-6, EventKind.EDGE, 0, 1 - i % 2) for i in range(8)]
    seen = _seen([*_beats(150), *bounces], until_s=149.5)
    assert (seen.lines, seen.gates[0].chatter) == (61 + 8, 3)
    assert seen.silence_s == pytest.approx(1.0)
    assert _seen([*_beats(150), *bounces], until_s=170.0).gates[0].chatter == 0


def test_a_silence_counts_as_far_as_it_lies_within_the_minute() -> None:
    beats = [row for row in _beats(182) if not 80 < row[0] < 120]
    assert _seen(beats[:-31], until_s=150.0).silence_s == pytest.approx(30.0)
    assert _seen(beats, until_s=181.0).silence_s == pytest.approx(1.0)


def test_a_silence_that_lasts_longer_than_the_minute_leaves_no_lines() -> None:
    seen = _seen(_beats(5), until_s=100.0)
    assert (seen.lines, seen.silence_s) == (0, pytest.approx(60.0))
    assert "no line has come" in judged_words(seen).verdict


def test_a_host_clock_that_goes_back_counts_on() -> None:
    watch = GateMonitor(RULES, Tally())
    for at in (50.0, 3.0, 51.0):
        watch.feed(_events([(at, EventKind.BEAT, 0, 0)]), Tally())
    assert watch.observed(51_000_000).lines == 3


def _lone(flag: Flag, block_us: int) -> np.ndarray:
    shot = np.zeros(1, SHOT_DTYPE)
    shot["flags"], shot["block_a"], shot["block_b"] = flag, ABSENT, ABSENT
    shot["block_b" if flag == Flag.LONE_B else "block_a"] = block_us
    return shot


def test_lone_passages_no_body_could_make_are_noise() -> None:
    watch = GateMonitor(RULES, Tally())
    watch.feed(_events(_beats(1)), Tally())
    for shot in (_lone(Flag.LONE_A, 20), _lone(Flag.LONE_B, 40), _lone(Flag.LONE_B, 8000)):
        watch.add_shots(shot)
    assert [g.noise for g in watch.observed(10_000_000).gates] == [1, 1]


def test_a_lone_passage_of_no_length_is_noise() -> None:
    watch = GateMonitor(RULES, Tally())
    watch.feed(_events(_beats(1)), Tally())
    watch.add_shots(_lone(Flag.LONE_A, 0))
    assert watch.observed(10_000_000).gates[0].noise == 1


def _timed(bounces: list[float], used: EdgesUsed = EdgesUsed.BOTH) -> np.ndarray:
    shots = np.zeros(len(bounces), SHOT_DTYPE)
    shots["used"], shots["bounce"], shots["host_us"] = used, bounces, 2_000_000
    return shots


def test_bounces_are_told_by_the_time_of_one_edge() -> None:
    watch = GateMonitor(RULES, Tally())
    watch.feed(_events(_beats(1)), Tally())
    watch.add_shots(_timed([0.0, 2.0, 6.0]))
    watch.add_shots(_timed([4.0 * math.sqrt(2)], EdgesUsed.TRAIL))
    watch.add_shots(_timed([9.0], EdgesUsed.NONE))
    seen = watch.observed(10_000_000)
    assert (seen.timed, seen.bounced) == (4, 3)
    assert seen.bounce_s == pytest.approx(4.0 * RULES.unit_s)


def test_shots_from_before_the_watch_began_tell_nothing() -> None:
    watch = GateMonitor(RULES, Tally())
    watch.feed(_events([(3.0, EventKind.BEAT, 0, 0)]), Tally())
    watch.add_shots(_timed([2.0, 6.0]))  # at 2 s
    assert watch.observed(10_000_000).timed == 0


def test_only_the_last_shots_tell_of_bounces() -> None:
    watch = GateMonitor(RULES, Tally())
    watch.feed(_events(_beats(1)), Tally())
    watch.add_shots(_timed([5.0] * 300))
    watch.add_shots(_timed([0.0] * 150))
    seen = watch.observed(10_000_000)
    assert (seen.timed, seen.bounced) == (200, 50)


def test_flicker_and_the_tally_are_passed_on() -> None:
    watch = GateMonitor(RULES, Tally())
    causes = {RestartCause.WATCHDOG: 1}
    watch.feed(_events(_beats(1)), Tally(lost_lines=2, board_lost=1, restarts=1, causes=causes))
    seen = watch.observed(
        4_500_000,
        flicker=(FlickerReading(), FlickerReading(100.0, 0.25)),
    )
    assert (seen.lost_lines, seen.board_lost, seen.restarts) == (2, 1, 1)
    assert seen.causes == causes
    later = watch.observed(90_000_000)
    assert (later.restarts, later.causes) == (0, {}), "a minute later it is forgotten"
    assert (seen.gates[1].flicker_hz, seen.gates[1].flicker_duty) == (100.0, 0.25)


def _span(gate: int, last_s: float, steps: int = 99) -> FlickerSpan:
    """A span of 100 Hz, blocked for a quarter of the time, at one unit a microsecond."""
    return FlickerSpan(gate, 0, round(last_s * 1e6), 100, steps, steps * 10_000, 250_000, 1e-6)


def test_only_the_flicker_of_the_last_seconds_counts() -> None:
    spans = [_span(0, 30.0), _span(1, 55.0)]
    a, b = flicker_now(spans, 60_000_000, RULES)
    assert a == FlickerReading()
    assert flicker_now(spans, 60_000_000, RULES, 60)[0].frequency_hz == pytest.approx(100.0)
    assert b == (pytest.approx(100.0), pytest.approx(0.25))
    assert flicker_now([_span(0, 59.0, steps=0)], 60_000_000, RULES) == (
        FlickerReading(),
        FlickerReading(),
    )


def test_watching_plain_lines_expects_no_beats() -> None:
    watch = GateMonitor(Rules(1e-6, 32, 0.3, 2.0, 200.0, 200e-6, 0.04, PLAIN), Tally())
    watch.feed(_events([(1.0, EventKind.EDGE, 0, 2)]), Tally())
    seen = watch.observed(60_000_000)
    assert not seen.has_beats
    assert judged_words(seen).ready
