"""Beats from batches: the same rate however they come, breaks where the counter may have."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chrono.clock.clock_rate import BeatClock
from chrono.errors import CalibrationError
from chrono.processor.rig_rules import Rules
from chrono.reader.line_grammar import encode_beat, encode_hello
from chrono.reader.recording_rows import board_row, json_row
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import default_rig

HZ = 16_000_000
RULES = Rules.from_rig(default_rig())


def rows_of(seed: int, beats: int = 400, ppm: float = 40.0) -> list[bytes]:
    """Beats with late readings, silences and lost links, the counter wrapping on the way."""
    rng = np.random.default_rng(seed)
    rows, at_s = [], 0.0
    for n in range(beats):
        at_s += 1.0
        if rng.random() < 0.01:
            at_s += rng.uniform(5, 400)
        if rng.random() < 0.005:
            rows.append(json_row(round(at_s * 1e6), "link", {"event": "reopened"}))
        counter = (2**32 - 5 * HZ + round(at_s * HZ * (1 + ppm * 1e-6))) % 2**32
        host_us = round((at_s + rng.exponential(2e-3)) * 1e6)
        rows.append(board_row(host_us, encode_beat(n % 65536, counter, 0, 0, 0)))
    return rows


def fed(pieces: list[bytes]) -> BeatClock:
    clock = BeatClock(RULES)
    for piece in pieces:
        clock.feed(decode_rows(piece, FRAMED))
    return clock


def told(clock: BeatClock) -> object:
    try:
        return clock.estimate(), list(clock.recent)
    except CalibrationError as error:
        return str(error), list(clock.recent)


@pytest.mark.long
@settings(max_examples=15, deadline=None)
@given(data=st.data(), seed=st.integers(0, 20))
def test_the_rate_does_not_depend_on_where_the_rows_are_cut(data, seed) -> None:
    rows = rows_of(seed)
    cuts = sorted(data.draw(st.sets(st.integers(0, len(rows)), max_size=20)) | {0, len(rows)})
    pieces = [b"".join(rows[a:b]) for a, b in itertools.pairwise(cuts)]

    assert told(fed(pieces)) == told(fed([b"".join(rows)])) == told(fed(rows))


@pytest.mark.parametrize("seed", range(5))
def test_silences_and_lost_links_leave_the_rate_right(seed) -> None:
    estimate = fed([b"".join(rows_of(seed))]).estimate()

    assert estimate.segments > 1
    assert abs(estimate.rate_error - 40e-6) < 2 * estimate.U95


def test_after_a_silence_the_recent_beats_begin_anew() -> None:
    rows, after = (
        [board_row(s * 1_000_000, encode_beat(s, s * HZ % 2**32, 0, 0, 0)) for s in seconds]
        for seconds in (range(20), range(60, 63))
    )

    for pieces in ([b"".join(rows), b"".join(after)], [b"".join(rows + after)]):
        assert [host_s for _, host_s in fed(pieces).recent] == [60.0, 61.0, 62.0]


def test_beats_of_a_counter_that_cannot_be_used_are_left_out_until_another_hello() -> None:
    clock = BeatClock(RULES, lambda hz, bits: bits > 16)
    beats = [
        board_row(s * 1_000_000, encode_beat(s, s * HZ % 2**32, 0, 0, 0)) for s in range(9)
    ]
    narrow, wide = (board_row(0, encode_hello(HZ, bits, "b", "1")) for bits in (16, 32))
    clock.feed(decode_rows(b"".join([wide, *beats[:3]]), FRAMED))
    assert len(clock.recent) == 3
    clock.feed(decode_rows(b"".join([narrow, *beats[3:6]]), FRAMED))
    assert len(clock.recent) == 0
    clock.feed(decode_rows(b"".join([wide, *beats[6:]]), FRAMED))
    assert len(clock.recent) == 3
