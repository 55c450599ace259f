"""From the board's counter, which wraps and restarts, to one time that only grows.

Rules, each seen from one line to the next, so that the cut of the stream plays no part:

- The counter's step is known modulo its width; the host's clock gives the number of wraps.
  A counter shorter than twice the host's tolerance takes the fewest wraps that agree with
  the host to 0.1 s: steps within a shot stay exact.
- A step that differs from the host's by more than 2 s, or goes back by more than 1 ms, is a
  jump; so is the first line after a restart. Time then goes on from the line before by the
  host's step, at least by the rules' `dead` time, so nothing pairs across a jump.
- A restart is a hello after which sequence or counter does not go on as before; after lost
  lines, one after which both are near zero. A hello asked for with `?` restarts nothing.
- A line equal to the one before it, sequence number included, came twice: the second is
  dropped. Missing sequence numbers are lost lines; 32768 and more are one break of unknown
  size. A damaged line is one lost line, where numbers are missing one of those.
- A break lies between two times. A gap lies between its neighbour lines. A damaged line, a
  link lost or reopened is placed by the host's clock, up to 0.2 s before its stamp. A jump
  is a break where the host's clock has its line, and again at the line itself.

Times are int64 counter units. Knows nothing of passages and shots.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.batch import LEVEL_UNKNOWN, NO_SEQUENCE, Control, Events, Kind
from chrono.arrays.compiled import loop
from chrono.processor.rules import BACK_STEP_S, HOST_TOLERANCE_S, Rules

Ints = npt.NDArray[np.int64]
Places = npt.NDArray[np.intp]
Bytes = npt.NDArray[np.uint8]

UNKNOWN_LOSS = 1 << 16
"""Stands for the number of lost lines where it cannot be known."""

LATE = 8
"""Bit of `Edges.what`; bit 0 is the gate, bits 1 and 2 the level as in `Events`."""

_BEAT_WHAT = 16
"""The next bit: a line that is a beat and no edge."""

NOTE_SLACK_S = 0.2
"""A line may have been sent this long before the host has read it."""

_BEAT = int(Kind.BEAT)
_NOWHERE = np.zeros(0, np.intp)
_LONGEST_HOST_STEP_US = 10**12
_YOUNG_S, _YOUNG_LINES = 5.0, 1000
_SHORT_WRAP_HOST_S = 0.1
_END_OF_TIME = 1 << 62
_SEQUENCES = 1 << 16


class Edges(NamedTuple):
    """Edges of both gates in the order of their lines; arrays of shape (N,)."""

    t: Ints
    host_us: Ints
    what: Bytes

    def take(self, places: Places) -> "Edges":
        """Return the edges at `places`."""
        return Edges(self.t.take(places), self.host_us.take(places), self.what.take(places))

    def followed_by(self, more: "Edges") -> "Edges":
        """Return these edges and then `more`."""
        return Edges(
            np.concatenate((self.t, more.t)),
            np.concatenate((self.host_us, more.host_us)),
            np.concatenate((self.what, more.what)),
        )


class Beats(NamedTuple):
    """Times of the beats, and the edges lost on the board up to each since the start."""

    t: Ints
    lost: Ints

    def followed_by(self, more: "Beats") -> "Beats":
        """Return these beats and then `more`."""
        if not len(more.t):
            return self
        return Beats(np.concatenate((self.t, more.t)), np.concatenate((self.lost, more.lost)))

    def since(self, place: int) -> "Beats":
        """Return the beats from `place` on."""
        if place <= 0:
            return self
        return Beats(self.t[place:], self.lost[place:])


class Breaks(NamedTuple):
    """Breaks: time of the last line before, mark, lost lines; the times never fall."""

    before: Ints
    mark: Ints
    lost: Ints

    def followed_by(self, more: "Breaks") -> "Breaks":
        """Return these breaks and then `more`."""
        if not len(more.mark):
            return self
        return Breaks(
            np.concatenate((self.before, more.before)),
            np.concatenate((self.mark, more.mark)),
            np.concatenate((self.lost, more.lost)),
        )

    def since(self, place: int) -> "Breaks":
        """Return the breaks from `place` on."""
        if place <= 0:
            return self
        return Breaks(self.before[place:], self.mark[place:], self.lost[place:])


NO_EDGES = Edges(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.uint8))
NO_BEATS = Beats(np.zeros(0, np.int64), np.zeros(0, np.int64))
NO_BREAKS = Breaks(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.int64))


@dataclass(frozen=True)
class Tally:
    """
    What was met since the start.

    Attributes
    ----------
    edges, late, beats : int
        Lines used, by kind; `edges` counts the late ones too.
    duplicates : int
        Lines that came twice.
    lost_lines : int
        Numbers missing in the sequence; without sequence numbers, damaged lines.
    board_lost : int
        Edges the board says it lost, since its first beat.
    restarts : int
        Restarts of the board.
    breaks : int
        Breaks of any kind.
    """

    edges: int = 0
    late: int = 0
    beats: int = 0
    duplicates: int = 0
    lost_lines: int = 0
    board_lost: int = 0
    restarts: int = 0
    breaks: int = 0


@dataclass(frozen=True)
class Timebase:
    """
    The time that only grows, as it stands after a line.

    Attributes
    ----------
    started : bool
        Whether there was a line with a counter.
    host_us, counter, sequence, line : int
        Its host time, counter, sequence number, and what it was, as in `Edges`.
    t, top : int
        Its time, and the latest time so far.
    mark : int
        The latest mark of a note.
    damaged : int
        Damaged lines since.
    anew, other_counter : bool
        A hello came since; it told of another counter.
    levels : tuple of two int
        Last known level of each gate, `LEVEL_UNKNOWN` before.
    board_lost : int
        Last count of lost edges a beat told, -1 before the first.
    tally : Tally
        What was met so far.
    """

    started: bool = False
    host_us: int = 0
    counter: int = 0
    sequence: int = NO_SEQUENCE
    line: int = -1
    t: int = 0
    top: int = 0
    mark: int = 0
    damaged: int = 0
    anew: bool = False
    other_counter: bool = False
    levels: tuple[int, int] = (LEVEL_UNKNOWN, LEVEL_UNKNOWN)
    board_lost: int = -1
    tally: Tally = Tally()


class Ticked(NamedTuple):
    """
    One stretch on the time that only grows: edges, beats, the gaps between lines, the notes
    of damaged lines and lost links, and the state after it.
    """

    edges: Edges
    beats: Beats
    gaps: Breaks
    notes: Breaks
    after: Timebase


def known_time(state: Timebase, rules: Rules, host_us: int | None = None) -> int:
    """
    Return the time before which every edge is known.

    With `host_us`, silence up to then is used as well: a later line is at least the host's
    step less its tolerance away, or a jump.
    """
    by_lines = state.top - rules.units(BACK_STEP_S)
    if host_us is None or not state.started:
        return by_lines
    silent_s = (host_us - state.host_us) * 1e-6 - HOST_TOLERANCE_S
    return max(by_lines, state.t + int(min(max(silent_s, -1e6), 1e6) / rules.unit_s))


def put_on_timebase(
    events: Events, records: Sequence[Control], state: Timebase, rules: Rules
) -> Ticked:
    """
    Put the events of one stretch, all of one counter, on the time that only grows.

    `records` holds the `hello` and `link` records between them.
    """
    lines, duplicates = _used_lines(events, state, rules)
    start = _origin(events, lines, state, rules)
    steps, leaps = unwrap_steps(lines.steps, lines.host_steps_us, rules)
    holes = (lines.missing != 0).nonzero()[0]
    hellos = [int(lines.used.searchsorted(c.position)) for c in records if c.origin == "hello"]
    restarts = _restarts(events, lines, leaps + 1, hellos, state, rules)
    jumps = np.union1d(leaps + 1, restarts) if len(restarts) else leaps + 1
    raw = _times(lines, steps, jumps, start, rules)
    t, top = _bounded_back(raw, start, rules)
    notes = _notes(events, lines.used, records, state)
    gaps = _gaps(lines, holes, top, jumps, notes, state, rules)
    placed = _note_breaks(notes, lines, top, start, rules)
    edges, places, late = _edges(lines, t[1:])
    told = events.lost[lines.used[places]].astype(np.int64)
    beats, board_lost = _beats(told, top[1:], places, restarts, state)
    count = len(lines.what)
    after = replace(
        _after(events, lines, raw, top, start) if count else start,
        mark=int(placed.mark[-1]) if len(placed.mark) else start.mark,
        damaged=int(_damaged_before(notes, np.array([count]), state)[0]),
        anew=any(place >= count for place in hellos) or (state.anew and not count),
        other_counter=state.other_counter and not count,
        board_lost=board_lost,
        tally=Tally(
            edges=state.tally.edges + len(edges.t),
            late=state.tally.late + late,
            beats=state.tally.beats + len(beats.t),
            duplicates=state.tally.duplicates + duplicates,
            lost_lines=state.tally.lost_lines + _lost_lines(lines, holes, jumps, notes, rules),
            board_lost=int(beats.lost[-1]) if len(beats.lost) else state.tally.board_lost,
            restarts=state.tally.restarts + len(restarts),
            breaks=state.tally.breaks + int(np.count_nonzero(gaps.lost)) + len(placed.mark),
        ),
    )
    return Ticked(edges, beats, gaps, placed, after)


class _Lines(NamedTuple):
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


def _used_lines(events: Events, state: Timebase, rules: Rules) -> tuple[_Lines, int]:
    """Return the lines with a counter, and how many more came twice."""
    room = np.empty((5, len(events)), np.int64)
    lines = _Lines(room[0], room[1], np.empty(len(events), np.uint8), *room[2:])
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
    return _Lines._make(column[:found] for column in lines), duplicates


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
    lines: _Lines,
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
        host_step_us = min(max(host_us[place] - last_host_us, 0), _LONGEST_HOST_STEP_US)
        lines.used[count], lines.host_us[count], lines.what[count] = place, host_us[place], what
        lines.steps[count], lines.host_steps_us[count] = step & mask, host_step_us
        missing = (number - last_number - 1) & (_SEQUENCES - 1)
        lines.missing[count] = missing if is_numbered else 0
        last_host_us, last_counter = host_us[place], counter[place]
        last_number, last_what = number, what
        count += 1
    return count, duplicates


def _origin(events: Events, lines: _Lines, state: Timebase, rules: Rules) -> Timebase:
    """Return the state, or one that stands at the first line there ever was."""
    if state.started or not len(lines.used):
        return state
    host_us, counter = int(lines.host_us[0]), int(events.counter[lines.used[0]])
    t = counter & ((1 << rules.counter_bits) - 1)
    return replace(state, host_us=host_us, counter=counter, t=t, top=t, mark=t)


def unwrap_steps(steps: Ints, host_steps_us: Ints, rules: Rules) -> tuple[Ints, Places]:
    """
    Add whole turns of the counter to its steps.

    Parameters
    ----------
    steps : ndarray of int64, shape (N,)
        Steps modulo the counter's width [counter units].
    host_steps_us : ndarray of int64, shape (N,)
        Steps of the host's clock [us].

    Returns
    -------
    steps : ndarray of int64, shape (N,)
    jumps : ndarray of intp
        Places of the steps that agree with the host's clock under no number of turns.
    """
    turn = 1 << rules.counter_bits
    turn_s = turn * rules.unit_s
    if turn_s < 2 * HOST_TOLERANCE_S:
        ahead_s = _ahead_s(steps, host_steps_us, rules)
        return _fewest_turns(steps, ahead_s, turn, rules), _NOWHERE
    longest_s = max(host_steps_us.max(initial=0) * 1e-6, steps.max(initial=0) * rules.unit_s)
    if longest_s <= HOST_TOLERANCE_S:
        return steps, _NOWHERE
    ahead_s = _ahead_s(steps, host_steps_us, rules)
    far = (np.abs(ahead_s) > HOST_TOLERANCE_S).nonzero()[0]
    if not len(far):
        return steps, far
    turns = np.rint(ahead_s[far] / turn_s)
    steps[far] += turns.astype(np.int64) * turn
    wrong = np.abs(ahead_s[far] - turns * turn_s) > HOST_TOLERANCE_S
    return steps, far[wrong | (steps[far] < -rules.units(BACK_STEP_S))]


def _ahead_s(steps: Ints, host_steps_us: Ints, rules: Rules) -> npt.NDArray[np.float64]:
    """Return by how much the host's clock went further than the counter [s]."""
    return np.asarray(host_steps_us * 1e-6 - steps * rules.unit_s)


def _fewest_turns(
    steps: Ints, ahead_s: npt.NDArray[np.float64], turn: int, rules: Rules
) -> Ints:
    """Return the steps with as few turns as the host allows, tiny steps back as such."""
    turns = np.ceil((ahead_s - _SHORT_WRAP_HOST_S) / (turn * rules.unit_s))
    back = steps > turn - min(rules.units(BACK_STEP_S), turn // 64)
    return steps + (np.maximum(turns, 0).astype(np.int64) - (back & (turns <= 0))) * turn


def _restarts(
    events: Events,
    lines: _Lines,
    jumps: Places,
    hellos: Sequence[int],
    state: Timebase,
    rules: Rules,
) -> Places:
    """Return the lines (from 1) after a hello that do not go on as before."""
    anew = state.anew or state.other_counter
    if not hellos and not anew:
        return _NOWHERE
    asked = np.unique([*hellos, *([0] if anew else [])]).astype(np.intp) + 1
    asked = asked[(asked <= len(lines.steps)) & ((asked > 1) | state.started)]
    missing, places = lines.missing[asked - 1], lines.used[asked - 1]
    young = (events.counter[places] < rules.units(_YOUNG_S)) & (
        events.sequence[places] < _YOUNG_LINES
    )
    goes_on = (missing == 0) | ((missing < _SEQUENCES // 2) & ~young)
    goes_on &= ~np.isin(asked, jumps)
    goes_on[asked == 1] &= not state.other_counter
    return asked[~goes_on]


def _times(lines: _Lines, steps: Ints, jumps: Places, start: Timebase, rules: Rules) -> Ints:
    """Return the lines' times with that of the line before in front."""
    t = np.concatenate(([start.t], steps))
    if len(jumps):
        t[jumps] = np.maximum(_host_units(lines, jumps, rules), rules.windows.dead)
    if start.t + int(t[1:].max(initial=0)) * len(steps) > _END_OF_TIME:
        t[1:][np.cumsum(t, dtype=np.float64)[1:] > _END_OF_TIME] = 0
    return np.cumsum(t)


def _host_units(lines: _Lines, places: Places, rules: Rules) -> Ints:
    return (lines.host_steps_us[places - 1] * (1e-6 / rules.unit_s)).astype(np.int64)


def _bounded_back(raw: Ints, start: Timebase, rules: Rules) -> tuple[Ints, Ints]:
    """
    Return times of which none lies further back than the rules allow, however many steps
    led there, and the latest time up to each.
    """
    if start.t == start.top and (raw[1:] >= raw[:-1]).all():
        return raw, raw
    top = np.maximum(np.maximum.accumulate(raw), start.top)
    return np.maximum(raw, top - rules.units(BACK_STEP_S)), top


def _gaps(
    lines: _Lines,
    holes: Places,
    top: Ints,
    jumps: Places,
    notes: "_Notes | None",
    state: Timebase,
    rules: Rules,
) -> Breaks:
    """
    Return the breaks between lines with a counter; a jump stands before and behind itself.

    Lost lines that came damaged are told by notes.
    """
    missing = lines.missing[holes]
    gaps = holes[missing > _damaged_before(notes, holes, state)] + 1
    if not len(gaps) and not len(jumps):
        return NO_BREAKS
    ends = np.union1d(gaps, jumps)
    is_jump = np.isin(ends, jumps)
    lost = lines.missing[ends - 1] - _damaged_before(notes, ends - 1, state)
    lost[is_jump | (lines.missing[ends - 1] >= _SEQUENCES // 2)] = UNKNOWN_LOSS
    before, mark = top[ends - 1], top[ends]
    mark[is_jump] = before[is_jump] + np.maximum(_host_units(lines, jumps, rules), 1)
    landed = top[jumps]
    order = np.argsort(np.concatenate((2 * ends, 2 * jumps + 1)))
    return Breaks(
        np.concatenate((before, landed - 1))[order],
        np.concatenate((mark, landed))[order],
        np.concatenate((lost, np.zeros(len(jumps), np.int64)))[order],
    )


class _Notes(NamedTuple):
    """Damaged lines and the link's ups and downs: number of lines before, host time, loss."""

    place: Places
    host_us: Ints
    lost: Ints


def _notes(
    events: Events, used: Places, records: Sequence[Control], state: Timebase
) -> _Notes | None:
    """Return the notes, but for those before the first line of all."""
    links = [c for c in records if c.origin == "link"]
    damaged = (
        (events.kind == Kind.DAMAGED).nonzero()[0] if len(used) < len(events) else _NOWHERE
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
    return _Notes(place, host_us[order], lost[order])


def _note_breaks(
    notes: _Notes | None, lines: _Lines, top: Ints, start: Timebase, rules: Rules
) -> Breaks:
    """Place notes by the host's state."""
    if notes is None:
        return NO_BREAKS
    before_us = np.full(len(notes.place), start.host_us)
    later = notes.place > 0
    before_us[later] = lines.host_us[notes.place[later] - 1]
    after_us = np.minimum(np.maximum(notes.host_us - before_us, 0), _LONGEST_HOST_STEP_US)
    seen = top[notes.place]
    mark = seen + (after_us * (1e-6 / rules.unit_s)).astype(np.int64)
    mark = np.maximum(np.maximum.accumulate(mark), start.mark)
    return Breaks(np.maximum(seen, mark - rules.units(NOTE_SLACK_S)), mark, notes.lost)


def _damaged_before(notes: _Notes | None, places: Places, state: Timebase) -> Ints:
    """Return how many damaged lines came right before the lines at `places`."""
    damaged = np.where(places == 0, state.damaged, 0)
    if notes is not None:
        came = notes.place[notes.lost == 1]
        damaged += came.searchsorted(places, side="right") - came.searchsorted(places)
    return damaged


def _edges(lines: _Lines, t: Ints) -> tuple[Edges, Places, int]:
    """Return the edges, which lines are beats, and how many edges came late."""
    count = len(t)
    times, beats = np.empty((2, count), np.int64), np.empty(count, np.intp)
    edges = Edges(times[0], times[1], np.empty(count, np.uint8))
    found, late = _sort_out(lines.what, t, lines.host_us, edges, beats)
    edges = Edges(edges.t[:found], edges.host_us[:found], edges.what[:found])
    return edges, beats[: count - found], int(late)


@loop
def _sort_out(
    what: Bytes, t: Ints, host_us: Ints, edges: Edges, beats: Places
) -> tuple[int, int]:
    """Fill in the edges and the places of beats; return the number of edges and late ones."""
    count = late = 0
    for place in range(len(what)):
        if what[place] >= _BEAT_WHAT:
            beats[place - count] = place
            continue
        edges.t[count], edges.host_us[count] = t[place], host_us[place]
        edges.what[count] = what[place]
        late += what[place] >= LATE
        count += 1
    return count, late


def _lost_lines(
    lines: _Lines, holes: Places, jumps: Places, notes: _Notes | None, rules: Rules
) -> int:
    """Return the number of lost lines as far as it is known."""
    if rules.lines != "framed":
        return 0 if notes is None else int(np.count_nonzero(notes.lost == 1))
    missing = lines.missing[holes]
    known = missing[missing < _SEQUENCES // 2].sum()
    return int(known - sum(m for m in lines.missing[jumps - 1].tolist() if m < _SEQUENCES // 2))


def _beats(
    told: Ints, t: Ints, places: Places, restarts: Places, state: Timebase
) -> tuple[Beats, int]:
    """Return the beats with their loss so far, and the board's own count after the last."""
    if not len(places) and not len(restarts):
        return NO_BEATS, state.board_lost
    before = np.concatenate(([state.board_lost], told))
    if len(restarts):
        lives = np.searchsorted(restarts, np.append(places + 1, len(t) + 1), side="right")
        before[np.diff(lives, prepend=0) > 0] = 0
    if not len(places):
        return NO_BEATS, int(before[0])
    growth = np.maximum(told - before[:-1], 0)
    growth[before[:-1] < 0] = 0
    return Beats(t[places], state.tally.board_lost + np.cumsum(growth)), int(before[-1])


def _after(events: Events, lines: _Lines, raw: Ints, top: Ints, start: Timebase) -> Timebase:
    """Return the state after the last line."""
    last = lines.used[-1]
    return replace(
        start,
        started=True,
        host_us=int(lines.host_us[-1]),
        counter=int(events.counter[last]),
        sequence=int(events.sequence[last]),
        line=int(lines.what[-1]),
        t=int(raw[-1]),
        top=int(top[-1]),
        levels=_levels(lines, start),
    )


def _levels(lines: _Lines, start: Timebase) -> tuple[int, int]:
    """Return the last known levels of both gates."""
    found: dict[int, int] = {}
    for place in range(len(lines.what) - 1, -1, -1):
        what = int(lines.what[place])
        level = what >> 1 & 3
        if what >= _BEAT_WHAT:
            found = {0: level & 1, 1: level >> 1} | found
        else:
            found.setdefault(what & 1, level)
        if len(found) == 2:
            break
    return found.get(0, start.levels[0]), found.get(1, start.levels[1])
