"""The board's lines with a counter, each seen from the one before it.

A line equal to the one before it, sequence number included, came twice: the second is dropped.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bytes, Ints, Places
from chrono.arrays.batch import NO_SEQUENCE, Events, Kind
from chrono.arrays.compiled import loop
from chrono.processor.rules import Rules
from chrono.processor.timeline import LATE, Timebase

BEAT_WHAT = 2 * LATE
"""Bit of what a line is: a beat and no edge; the others are those of `Edges.what`."""

SEQUENCES = 1 << 16
LONGEST_HOST_STEP_US = 10**12

_BEAT = int(Kind.BEAT)


class Lines(NamedTuple):
    """
    Lines with a counter, shape (N,): their places among the events, host times, `what` as in
    `Edges`, of beats too. Seen from the line before each: the counter's step, the host's step
    [us], the missing lines.
    """

    used: Places
    host_us: Ints
    what: Bytes
    steps: Ints
    host_steps_us: Ints
    missing: Ints


def used_lines(events: Events, state: Timebase, rules: Rules) -> tuple[Lines, int]:
    """Return the lines with a counter, and how many more came twice."""
    room = np.empty((5, len(events)), np.int64)
    lines = Lines(room[0], room[1], np.empty(len(events), np.uint8), *room[2:])
    found, duplicates = _follow(
        events.kind,
        events.gate,
        events.level,
        events.host_us,
        events.counter,
        events.sequence,
        (1 << rules.counter_bits) - 1,
        state.started,
        state.host_us,
        state.counter,
        state.sequence,
        state.line,
        lines,
    )
    return Lines._make(column[:found] for column in lines), duplicates


@loop
def _follow(
    kind: Bytes,
    gate: Bytes,
    level: Bytes,
    host_us: Ints,
    counter: Ints,
    sequence: npt.NDArray[np.int32],
    mask: int,
    started: bool,
    last_host_us: int,
    last_counter: int,
    last_number: int,
    last_what: int,
    lines: Lines,
) -> tuple[int, int]:
    """Fill the lines in; return their number and that of those that came twice."""
    count = duplicates = 0
    for place in range(len(kind)):
        if kind[place] > _BEAT:
            continue
        number, what = int(sequence[place]), gate[place] | level[place] << 1 | kind[place] << 3
        if not started:
            started, last_host_us, last_counter = True, host_us[place], counter[place]
        is_numbered = number != NO_SEQUENCE and last_number != NO_SEQUENCE
        step = counter[place] - last_counter
        if is_numbered and number == last_number and step == 0 and what == last_what:
            duplicates += 1
            continue
        host_step_us = min(max(host_us[place] - last_host_us, 0), LONGEST_HOST_STEP_US)
        lines.used[count], lines.host_us[count], lines.what[count] = place, host_us[place], what
        lines.steps[count], lines.host_steps_us[count] = step & mask, host_step_us
        missing = (number - last_number - 1) & (SEQUENCES - 1)
        lines.missing[count] = missing if is_numbered else 0
        last_host_us, last_counter = host_us[place], counter[place]
        last_number, last_what = number, what
        count += 1
    return count, duplicates
