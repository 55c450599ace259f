"""Coarser stamps are those that a coarser board sends."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_kit import A, B, Line, beats, block, body, events, joined, part

from chrono.arrays.events import Batch, EventKind, Record
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import default_rig, parse_rig, rig_from_record
from chrono.session.speed_models import Assumptions
from chrono.teaching.what_if import CoarseCounter
from chrono.virtual.scenarios import SCENARIOS, Play, rig_text
from chrono.virtual.virtual_board import simulate_recording

TICK_S = 1 / 16e6


class Kept:
    """Keeps what it is fed."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []

    def feed(self, batch: Batch) -> None:
        self.batches.append(batch)

    @property
    def counter(self) -> list[int]:
        return joined(*(b.events for b in self.batches)).counter.tolist()


def coarser(batches, as_if, rig=None) -> list[int]:
    kept = Kept()
    coarsened = CoarseCounter(kept, rig or default_rig(), as_if)
    for batch in batches:
        coarsened.feed(batch)
    return kept.counter


def simulated(scenario, seed: int, shots: int) -> Batch:
    rig = parse_rig(rig_text(replace(scenario, board=replace(scenario.board, step=1))))
    play = Play(scenario, seed=seed, shots=shots)
    rows = simulate_recording(play, rig={"name": rig.name}, file={}).split(b"\n", 1)[1]
    return decode_rows(rows, FRAMED)


@pytest.mark.parametrize("name", ["two-bands", "noisy-hall"])
@pytest.mark.parametrize("ticks", [2, 59, 64, 16000])
def test_they_are_the_very_stamps_of_a_board_with_such_steps(name: str, ticks: int) -> None:
    fine = replace(SCENARIOS[name], board=replace(SCENARIOS[name].board, separation_s=0.0))
    coarse = replace(fine, board=replace(fine.board, step=ticks))
    sent = simulated(coarse, 3, 12).events.counter.tolist()
    assert coarser([simulated(fine, 3, 12)], Assumptions(tick_s=ticks * TICK_S)) == sent
    assert len(sent) > 60


@given(
    ticks=st.integers(1, 100_000),
    phase=st.floats(0, 1, exclude_max=True),
    start=st.integers(0, 2**32 - 1),
    cuts=st.sets(st.integers(1, 11), max_size=4),
)
@settings(max_examples=60)
def test_they_follow_from_the_time_passed_however_the_stream_is_cut_and_the_counter_wraps(
    ticks: int, phase: float, start: int, cuts: set[int]
) -> None:
    lines = [*body(0.01, 30.0), *body(130.0, 12.0), *body(260.0, 25.0)]
    these = events(lines, start=start)
    at = sorted(line.at_s for line in lines)
    passed = np.floor(np.array(at) / TICK_S).astype(np.int64)
    true = start + passed
    offset = round(phase * ticks) % ticks
    # what lies before the first line is not known: no wrap is counted there
    wrapped = (start + passed[0]) // 2**32 * 2**32
    expected = ((true - wrapped + offset) // ticks * ticks - offset) % 2**32
    begins = [0, *sorted(cuts), len(these)]
    batches = [Batch(part(these, a, b)) for a, b in pairwise(begins)]
    found = coarser(batches, Assumptions(tick_s=ticks * TICK_S, phase=phase))
    assert found == expected.tolist()


def test_a_later_edge_never_gets_an_earlier_stamp_and_none_moves_by_a_step() -> None:
    lines = [*beats(3)[1:], *body(0.5, 20.0), *block(A, 1.2, 0.1), *block(B, 2.2, 0.001)]
    these = events(lines)
    found = np.array(coarser([Batch(these)], Assumptions(tick_s=1e-3, phase=0.4)))
    moved = these.counter - found
    assert (np.diff(found) >= 0).all()
    assert moved.min() >= 0
    assert moved.max() < 16000
    assert moved.max() > 1000


def test_what_is_no_stamp_stays_as_it_is() -> None:
    these = events(
        [Line(0.1), Line(0.2, kind=EventKind.INTERVAL), Line(0.3, kind=EventKind.DAMAGED)]
    )
    found = coarser([Batch(these)], Assumptions(tick_s=1e-3))
    assert found[1:] == these.counter[1:].tolist()
    assert found[0] == these.counter[0] // 16000 * 16000


def test_without_a_step_nothing_is_changed() -> None:
    these = events(body(0.1, 20.0))
    assert coarser([Batch(these)], Assumptions()) == these.counter.tolist()


def test_a_hello_line_tells_the_recorded_step_from_there_on() -> None:
    first = events([Line(0.0001), Line(0.0002, level=0)])
    hello = Record(2, 0, "hello", {"frequency_hz": 2e6, "counter_bits": 32})
    second = replace(first, counter=np.array([1007, 1013]))
    batch = Batch(joined(first, second), (hello,))
    found = coarser([batch], Assumptions(tick_s=4e-6))
    assert found == [1600 // 64 * 64, 3200 // 64 * 64, 1000, 1008]


def test_a_hello_line_tells_the_width_of_the_counter_from_there_on() -> None:
    # 16 bits of 4 us: the second line comes 8 units after the first, over the wrap
    first = events([Line(0.0001), Line(0.0002, level=0)])
    hello = Record(0, 0, "hello", {"frequency_hz": 250e3, "counter_bits": 16})
    batch = Batch(replace(first, counter=np.array([65531, 3])), (hello,))
    assert coarser([batch], Assumptions(tick_s=12e-6)) == [65529, 2]


def test_plain_lines_keep_their_unit_of_a_microsecond() -> None:
    rig = rig_from_record(
        {"gates": {"spacing_m": 0.1}, "lines": "plain", "clock": {"step_s": 4e-6}}
    )
    these = replace(events(body(0.1, 20.0)), counter=np.array([100, 112, 116, 124]))
    assert coarser([Batch(these)], Assumptions(tick_s=12e-6), rig) == [96, 108, 108, 120]
    # a phase of a third is one recorded step of three
    found = coarser([Batch(these)], Assumptions(tick_s=12e-6, phase=1 / 3), rig)
    assert found == [92, 104, 116, 116]


@pytest.mark.parametrize(
    ("wanted_s", "ticks"), [(4e-6, 64), (62.5e-9, 1), (80e-9, 1), (3.3e-6, 53), (1e-3, 16000)]
)
def test_a_step_is_a_whole_number_of_recorded_ones(wanted_s: float, ticks: int) -> None:
    assert Assumptions(tick_s=wanted_s).ticks(TICK_S) == ticks


def test_no_step_is_the_recorded_one() -> None:
    assert Assumptions().ticks(TICK_S) == 1
