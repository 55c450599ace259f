"""Find repeated, missing and damaged lines in the data from the board.

A break is a range of time in which lines may be missing. For example, if line 7 follows line 4,
then lines 5 and 6 are lost, and the break extends from line 4 to line 7.

- The program ignores a line that equals the line before it, including the sequence number.
- In a long break, beats must be missing too; these beats do not count as lost lines. If 32768
  or more sequence numbers are missing, the number of lost lines is unknown.
- A damaged line counts as one lost line, and only once if its sequence number is missing too.
- A damaged line, and a link that was lost or opened again, have only a time by the computer's
  clock. The break extends from 0.2 s before to 0.2 s after, because a line may be read late.
- A jump of the counter makes two breaks: one at the time by the computer's clock, and one at
  the line after the jump. Damaged lines before the first valid line make one break of 0.2 s.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bytes, Ints, Places
from chrono.arrays.events import NO_SEQUENCE, EventKind, Events, Record
from chrono.arrays.machine_code import loop
from chrono.processor.rig_rules import Rules
from chrono.processor.timeline import FOREVER, LATE, NO_BREAKS, NOWHERE, Breaks, Timebase

BEAT_WHAT = 2 * LATE
"""This bit marks a line that is a beat. The other bits are the same as in `Edges.what`."""

SEQUENCES = 1 << 16
LONGEST_HOST_STEP_US = 10**12

_BEAT = int(EventKind.BEAT)


class Lines(NamedTuple):
    """
    All lines of the board that contain a counter value, in arrays of shape (N,).

    - `used`, `host_us`: index of the line among the events, and host time of the line.
    - `what`: the same bits as `Edges.what`, also for lines of beats.
    - `steps`, `host_steps_us`: time since the previous line, by the counter and by the computer
      [us].
    - `missing`: number of lines that are missing before this line.
    """

    used: Places
    host_us: Ints
    what: Bytes
    steps: Ints
    host_steps_us: Ints
    missing: Ints


def used_lines(events: Events, state: Timebase, rules: Rules) -> tuple[Lines, int]:
    """Return the lines that contain a counter value, and the number of repeated lines."""
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
    """Fill the arrays in `lines`; return the number of used lines and of repeated lines."""
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


UNKNOWN_LOSS = 1 << 16
"""This value is used if the number of lost lines is unknown."""

BEAT_S = 1.1
"""Longest time between two beats of a board [s]."""

NOTE_SLACK_S = 0.2
"""The board may have sent a line this long before the computer read it [s]."""


class LinkNotes(NamedTuple):
    """
    Notes: damaged lines, and records that the link was lost or opened again.

    For each note, `place` is the number of lines before it, `host_us` is its host time, and
    `lost` is its number of lost lines.
    """

    place: Places
    host_us: Ints
    lost: Ints


def find_gaps(
    lines: Lines,
    holes: Places,
    top: Ints,
    jumps: Places,
    restarts: Places,
    notes: LinkNotes | None,
    state: Timebase,
    rules: Rules,
) -> Breaks:
    """
    Return the breaks at missing lines and at jumps of the counter.

    Each index in the array `restarts` must also be in the array `jumps`.
    """
    gaps = holes[lines.missing[holes] > damaged_before(notes, holes, state)] + 1
    if not len(gaps) and not len(jumps):
        return NO_BREAKS
    ends = np.union1d(gaps, jumps)
    is_jump = np.isin(ends, jumps)
    before, mark = top[ends - 1], top[ends]
    damaged = damaged_before(notes, ends - 1, state)
    beats = (mark - before) // rules.units(BEAT_S)
    lost = np.maximum(lines.missing[ends - 1] - np.maximum(damaged, beats), 0)
    lost[is_jump | (lines.missing[ends - 1] >= SEQUENCES // 2)] = UNKNOWN_LOSS
    mark[is_jump] = before[is_jump] + np.maximum(host_units(lines, jumps, rules), 1)
    landed = top[jumps]
    behind = np.where(np.isin(jumps, restarts), damaged[is_jump], lines.missing[jumps - 1])
    behind[behind >= SEQUENCES // 2] = UNKNOWN_LOSS
    order = np.argsort(np.concatenate((2 * ends, 2 * jumps + 1)))
    mark = np.concatenate((mark, landed))[order]
    return Breaks(
        np.concatenate((before, landed - 1))[order],
        mark,
        mark,
        np.concatenate((lost, behind))[order],
    )


def find_notes(
    events: Events, used: Places, records: Sequence[Record], state: Timebase
) -> LinkNotes | None:
    """Return the damaged lines and the link's records that come after the first valid line."""
    links = [c for c in records if c.origin == "link"]
    damaged = (
        (events.kind == EventKind.DAMAGED).nonzero()[0] if len(used) < len(events) else NOWHERE
    )
    if not links and not len(damaged):
        return None
    position = np.append(np.array([c.position for c in links], np.intp), damaged)
    host_us = np.append(np.array([c.host_us for c in links], np.int64), events.host_us[damaged])
    lost = np.repeat([UNKNOWN_LOSS, 1], [len(links), len(damaged)])
    order = np.argsort(position, kind="stable")
    place = np.searchsorted(used, position[order])
    if not state.started:
        order, place = order[place > 0], place[place > 0]
    return LinkNotes(place, host_us[order], lost[order])


def note_breaks(
    notes: LinkNotes | None, lines: Lines, top: Ints, start: Timebase, rules: Rules
) -> tuple[Breaks, int]:
    """Return the breaks at all notes, and the time of the last note."""
    if notes is None or not len(notes.place):
        return NO_BREAKS, start.mark
    before_us = np.full(len(notes.place), start.host_us)
    later = notes.place > 0
    before_us[later] = lines.host_us[notes.place[later] - 1]
    after_us = np.minimum(np.maximum(notes.host_us - before_us, 0), LONGEST_HOST_STEP_US)
    seen = top[notes.place]
    mark = seen + (after_us * (1e-6 / rules.unit_s)).astype(np.int64)
    mark = np.maximum(np.maximum.accumulate(mark), start.mark)
    slack = rules.units(NOTE_SLACK_S)
    breaks = Breaks(np.maximum(seen, mark - slack), mark, mark + slack, notes.lost)
    is_last = notes.place == len(top) - 1
    then = np.where(is_last, FOREVER, top[notes.place + ~is_last])
    return breaks.between(seen, then), int(mark[-1])


def early_break(
    events: Events, lines: Lines, top: Ints, start: Timebase, rules: Rules
) -> Breaks:
    """Return one break for all damaged lines before the first valid line."""
    if start.started or not len(lines.used):
        return NO_BREAKS
    damaged = start.damaged + count_damaged(events, int(lines.used[0]))
    if not damaged:
        return NO_BREAKS
    first = int(top[1])
    before = first - rules.units(NOTE_SLACK_S)
    return Breaks(*(np.array([value], np.int64) for value in (before, before, first, damaged)))


def count_damaged(events: Events, stop: int) -> int:
    """Return the number of damaged lines among the events before `stop`."""
    return int(np.count_nonzero(events.kind[:stop] == EventKind.DAMAGED))


def damaged_before(notes: LinkNotes | None, places: Places, state: Timebase) -> Ints:
    """Return the number of damaged lines directly before each line at `places`."""
    damaged = np.where(places == 0, state.damaged, 0)
    if notes is not None:
        came = notes.place[notes.lost == 1]
        damaged += came.searchsorted(places, side="right") - came.searchsorted(places)
    return damaged


def lost_lines(
    lines: Lines, holes: Places, jumps: Places, notes: LinkNotes | None, rules: Rules
) -> int:
    """Return the number of lost lines; breaks with an unknown number do not count."""
    if not rules.lines.is_numbered:
        return 0 if notes is None else int(np.count_nonzero(notes.lost == 1))
    missing = lines.missing[holes]
    known = missing[missing < SEQUENCES // 2].sum()
    return int(known - sum(m for m in lines.missing[jumps - 1].tolist() if m < SEQUENCES // 2))


def host_units(lines: Lines, places: Places, rules: Rules) -> Ints:
    return (lines.host_steps_us[places - 1] * (1e-6 / rules.unit_s)).astype(np.int64)
