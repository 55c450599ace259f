"""Turn the board's counter, which wraps and restarts, into one continuous time.

The counter has a limited number of bits: after its largest value, it wraps to 0. A step is the
time between a line and the next line. The counter shows each step exactly, but not the number
of wraps. The computer's clock shows the number of wraps. For example, the counter wraps every
268 s and shows a step of 1 s, but the computer's clock shows 269 s: there was one wrap.

- The step is a jump if the counter and the computer's clock disagree by more than 2 s, or if
  the time goes back by more than 1 ms. At a jump, the computer's clock gives the step. No shot
  combines edges before and after a jump.
- The computer may read a line late. If no line is missing, this is not a jump.
- A board sends a hello line when it starts, and when the program requests this line. If the
  line numbers or the counter do not continue, the board has restarted.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bytes, Floats, Ints, Places
from chrono.arrays.events import Events, Record, RestartCause
from chrono.arrays.machine_code import loop
from chrono.processor.line_continuity import (
    BEAT_WHAT,
    SEQUENCES,
    Lines,
    LinkNotes,
    count_damaged,
    damaged_before,
    early_break,
    find_gaps,
    find_notes,
    host_units,
    lost_lines,
    note_breaks,
    used_lines,
)
from chrono.processor.rig_rules import BACK_STEP_S, HOST_TOLERANCE_S, IN_A_ROW_S, STALL_S, Rules
from chrono.processor.timeline import (
    FOREVER,
    LATE,
    LONGEST_WIDTH,
    NO_BEATS,
    NOWHERE,
    WIDTH_SHIFT,
    Beats,
    Breaks,
    Edges,
    Tally,
    Timebase,
)

_SHORT_WRAP_HOST_S = 0.1


def unwrap_steps(
    steps: Ints, host_steps_us: Ints, missing: Ints, rules: Rules
) -> tuple[Ints, Places]:
    """
    Correct the times between lines (the steps) for wraps of the counter.

    Parameters
    ----------
    steps : ndarray of int64, shape (N,)
        Steps as the counter shows them, without wraps [counter units].
    host_steps_us : ndarray of int64, shape (N,)
        Steps of the computer's clock [us].
    missing : ndarray of int64, shape (N,)
        Number of missing lines before each line; also 0 if lines have no numbers.

    Returns
    -------
    steps : ndarray of int64, shape (N,)
    jumps : ndarray of intp
        Indices of the steps that do not agree with the computer's clock.
    """
    turn = 1 << rules.counter_bits
    turn_s = turn * rules.unit_s
    if turn_s < 2 * HOST_TOLERANCE_S:
        ahead_s = _ahead_s(steps, host_steps_us, rules)
        return _fewest_turns(steps, ahead_s, turn, rules), NOWHERE
    longest_s = max(host_steps_us.max(initial=0) * 1e-6, steps.max(initial=0) * rules.unit_s)
    if longest_s <= HOST_TOLERANCE_S:
        return steps, NOWHERE
    ahead_s = _ahead_s(steps, host_steps_us, rules)
    far = (np.abs(ahead_s) > HOST_TOLERANCE_S).nonzero()[0]
    if rules.lines.is_numbered:
        far = _without_stalls(steps, ahead_s, far[missing[far] == 0], far, rules)
    if not len(far):
        return steps, far
    turns = np.rint(ahead_s[far] / turn_s)
    steps[far] += turns.astype(np.int64) * turn
    wrong = np.abs(ahead_s[far] - turns * turn_s) > HOST_TOLERANCE_S
    return steps, far[wrong | (steps[far] < -rules.units(BACK_STEP_S))]


def _without_stalls(
    steps: Ints, ahead_s: Floats, in_a_row: Places, far: Places, rules: Rules
) -> Places:
    """Correct the steps of lines that were read late; return the remaining indices."""
    turn, back = 1 << rules.counter_bits, rules.units(BACK_STEP_S)
    own = (steps[in_a_row] + back) % turn - back
    late_s = ahead_s[in_a_row] + (steps[in_a_row] - own) * rules.unit_s
    stalled = (own <= rules.units(IN_A_ROW_S)) & (late_s <= STALL_S)
    steps[in_a_row[stalled]] = own[stalled]
    return np.setdiff1d(far, in_a_row[stalled], assume_unique=True)


def _ahead_s(steps: Ints, host_steps_us: Ints, rules: Rules) -> Floats:
    """For each step, return the computer's time minus the counter's time [s]."""
    return np.asarray(host_steps_us * 1e-6 - steps * rules.unit_s)


def _fewest_turns(steps: Ints, ahead_s: Floats, turn: int, rules: Rules) -> Ints:
    """Add the fewest wraps that agree with the computer's clock to each step."""
    turns = np.ceil((ahead_s - _SHORT_WRAP_HOST_S) / (turn * rules.unit_s))
    back = steps > turn - min(rules.units(BACK_STEP_S), turn // 64)
    return steps + (np.maximum(turns, 0).astype(np.int64) - (back & (turns <= 0))) * turn


_YOUNG_S, _YOUNG_LINES = 5.0, 1000


class TimedStretch(NamedTuple):
    """
    The edges and beats of some lines, with times that never wrap, and where lines are missing.

    `first` is the time of the first line (`FOREVER` without a line). For each record, `anchors`
    contains the latest time before it (-1 without a line).
    """

    edges: Edges
    beats: Beats
    gaps: Breaks
    notes: Breaks
    first: int
    anchors: Ints
    after: Timebase


def known_time(state: Timebase, rules: Rules, host_us: int | None = None) -> int:
    """
    Return the time up to which all edges are known.

    With `host_us`, the program assumes that no line comes until this host time [us].
    """
    by_lines = state.top - rules.units(BACK_STEP_S)
    if host_us is None or not state.started:
        return by_lines
    silent_s = (host_us - state.host_us) * 1e-6 - rules.stall_s
    return max(by_lines, state.t + int(min(max(silent_s, -1e6), 1e6) / rules.unit_s))


def put_on_timebase(
    events: Events, records: Sequence[Record], state: Timebase, rules: Rules
) -> TimedStretch:
    """Compute the time of each event; these times never wrap."""
    lines, duplicates = used_lines(events, state, rules)
    start = _origin(events, lines, state, rules)
    steps, leaps = unwrap_steps(lines.steps, lines.host_steps_us, lines.missing, rules)
    holes = (lines.missing != 0).nonzero()[0]
    greetings = [c for c in records if c.origin == "hello"]
    hellos = [int(lines.used.searchsorted(c.position)) for c in greetings]
    restarts = _restarts(events, lines, leaps + 1, hellos, state, rules)
    causes = [state.cause, *(RestartCause(c.data.get("restart", "")) for c in greetings)]
    jumps = np.union1d(leaps + 1, restarts)
    raw = _times(lines, steps, jumps, start, rules)
    t, top = _bounded_back(raw, start, rules)
    notes = find_notes(events, lines.used, records, state)
    gaps = find_gaps(lines, holes, top, jumps, restarts, notes, state, rules)
    placed, mark = note_breaks(notes, lines, top, start, rules)
    placed = early_break(events, lines, top, start, rules).followed_by(placed)
    edges, places, late = _edges(lines, t[1:], start.edge)
    told = events.lost[lines.used[places]]
    beats, board_lost = _beats(told, top[1:], places, restarts, state)
    count = len(lines.what)
    after = replace(
        _after(events, lines, raw, top, start) if count else start,
        edge=int(edges.t[-1]) if len(edges.t) else start.edge,
        mark=mark,
        damaged=_damaged_after(events, notes, count, state),
        cause=causes[-1],
        anew=any(place >= count for place in hellos) or (state.anew and not count),
        other_counter=state.other_counter and not count,
        board_lost=board_lost,
        tally=_added(
            _with_causes(state.tally, restarts, hellos, causes),
            edges,
            beats,
            late=late,
            duplicates=duplicates,
            lost_lines=lost_lines(lines, holes, jumps, notes, rules),
            restarts=len(restarts),
            breaks=len(gaps.mark) - len(jumps) + len(placed.mark),
        ),
    )
    first = int(top[1]) if count else FOREVER
    return TimedStretch(
        edges, beats, gaps, placed, first, _anchors(records, lines, top, state), after
    )


def _anchors(records: Sequence[Record], lines: Lines, top: Ints, state: Timebase) -> Ints:
    """Return the latest time before each record, or -1 before the first line."""
    places = lines.used.searchsorted([record.position for record in records])
    return np.where((places > 0) | state.started, top[places], -1)


def _added(tally: Tally, edges: Edges, beats: Beats, **more: int) -> Tally:
    """Return the counts in `tally` plus the new counts."""
    more |= {"edges": len(edges.t), "beats": len(beats.t)}
    if len(beats.lost):
        more["board_lost"] = int(beats.lost[-1]) - tally.board_lost
    return replace(
        tally, **{name: getattr(tally, name) + count for name, count in more.items()}
    )


def _with_causes(
    tally: Tally, restarts: Places, hellos: Sequence[int], causes: Sequence[RestartCause]
) -> Tally:
    """Add the causes of new restarts to the counts in `tally`."""
    if not len(restarts):
        return tally
    latest = np.searchsorted(hellos, restarts - 1, side="right")
    added = Counter(tally.causes) + Counter(causes[place] for place in latest.tolist())
    return replace(tally, causes=dict(added))


def _damaged_after(events: Events, notes: LinkNotes | None, count: int, state: Timebase) -> int:
    """Return the number of damaged lines after the first `count` lines."""
    if not state.started and not count:
        return state.damaged + count_damaged(events, len(events))
    return int(damaged_before(notes, np.array([count]), state)[0])


def _origin(events: Events, lines: Lines, state: Timebase, rules: Rules) -> Timebase:
    """Return `state`, or the state at the first line if no line came before."""
    if state.started or not len(lines.used):
        return state
    host_us, counter = int(lines.host_us[0]), int(events.counter[lines.used[0]])
    t = counter & ((1 << rules.counter_bits) - 1)
    return replace(state, host_us=host_us, counter=counter, t=t, top=t, mark=t)


def _restarts(
    events: Events,
    lines: Lines,
    jumps: Places,
    hellos: Sequence[int],
    state: Timebase,
    rules: Rules,
) -> Places:
    """Return the number (from 1) of each line that is the first after a restart."""
    anew = state.anew or state.other_counter
    if not hellos and not anew:
        return NOWHERE
    asked = np.unique([*hellos, *([0] if anew else [])]).astype(np.intp) + 1
    asked = asked[(asked <= len(lines.steps)) & ((asked > 1) | state.started)]
    missing, places = lines.missing[asked - 1], lines.used[asked - 1]
    young = (events.counter[places] < rules.units(_YOUNG_S)) & (
        events.sequence[places] < _YOUNG_LINES
    )
    goes_on = (missing == 0) | ((missing < SEQUENCES // 2) & ~young)
    goes_on &= ~np.isin(asked, jumps)
    goes_on[asked == 1] &= not state.other_counter
    return asked[~goes_on]


def _times(lines: Lines, steps: Ints, jumps: Places, start: Timebase, rules: Rules) -> Ints:
    """Return the start time and then the time of each line, without wraps."""
    t = np.concatenate(([start.t], steps))
    if len(jumps):
        t[jumps] = np.maximum(host_units(lines, jumps, rules), rules.windows.dead)
    if start.t + int(t[1:].max(initial=0)) * len(steps) > FOREVER:
        t[1:][np.cumsum(t, dtype=np.float64)[1:] > FOREVER] = 0
    return np.cumsum(t)


def _bounded_back(raw: Ints, start: Timebase, rules: Rules) -> tuple[Ints, Ints]:
    """Limit steps back in time; return all times, and the latest time up to each line."""
    if start.t == start.top and (raw[1:] >= raw[:-1]).all():
        return raw, raw
    top = np.maximum(np.maximum.accumulate(raw), start.top)
    return np.maximum(raw, top - rules.units(BACK_STEP_S)), top


def _edges(lines: Lines, t: Ints, before: int) -> tuple[Edges, Places, int]:
    """Return the edges, the indices of the beats, and the number of late edges."""
    count = len(t)
    times, beats = np.empty((2, count), np.int64), np.empty(count, np.intp)
    edges = Edges(times[0], times[1], np.empty(count, np.uint32))
    found, late = _sort_out(lines.what, t, lines.host_us, before, edges, beats)
    edges = Edges(edges.t[:found], edges.host_us[:found], edges.what[:found])
    return edges, beats[: count - found], int(late)


@loop
def _sort_out(
    what: Bytes, t: Ints, host_us: Ints, before: int, edges: Edges, beats: Places
) -> tuple[int, int]:
    """Fill the arrays in `edges` and `beats`; return the numbers of edges and late edges."""
    count = late = 0
    for place in range(len(what)):
        if what[place] >= BEAT_WHAT:
            beats[place - count] = place
            continue
        edges.t[count], edges.host_us[count] = t[place], host_us[place]
        edges.what[count] = what[place]
        if what[place] >= LATE:
            width = min(max(t[place] - before, 0), LONGEST_WIDTH)
            edges.what[count] += width << WIDTH_SHIFT
            late += 1
        before = t[place]
        count += 1
    return count, late


def _beats(
    told: npt.NDArray[np.int32], t: Ints, places: Places, restarts: Places, state: Timebase
) -> tuple[Beats, int]:
    """Return the beats, and the last number of lost edges that the board reported."""
    if not len(places) and not len(restarts):
        return NO_BEATS, state.board_lost
    before = np.concatenate(([state.board_lost], told), dtype=np.int64)
    if len(restarts):
        lives = np.searchsorted(restarts, np.append(places + 1, len(t) + 1), side="right")
        before[np.diff(lives, prepend=0) > 0] = 0
    if not len(places):
        return NO_BEATS, int(before[0])
    growth = np.maximum(told - before[:-1], 0)
    growth[before[:-1] < 0] = 0
    return Beats(t[places], state.tally.board_lost + np.cumsum(growth)), int(before[-1])


def _after(events: Events, lines: Lines, raw: Ints, top: Ints, start: Timebase) -> Timebase:
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


def _levels(lines: Lines, start: Timebase) -> tuple[int, int]:
    """Return the last known level of each gate."""
    found: dict[int, int] = {}
    for place in range(len(lines.what) - 1, -1, -1):
        what = int(lines.what[place])
        level = what >> 1 & 3
        if what >= BEAT_WHAT:
            found = {0: level & 1, 1: level >> 1} | found
        else:
            found.setdefault(what & 1, level)
        if len(found) == 2:
            break
    return found.get(0, start.levels[0]), found.get(1, start.levels[1])
