"""Turn a stream of events into final shots.

An event is one line of the board. A passage is one body at one gate. A launch is all bodies
that belong together, such as a ball and its wad. A shot is the result for one launch. The data
go through these steps: counter to time, passages, flicker, pairs of passages, launches, shots.

A final result cannot change any more. Each step returns its final results, and a time. Before
this time, no result is missing. For example, a shot is final when the time for its companions
is over. The rows may come one by one or in large blocks: the shots are the same.
"""

import copy
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from chrono.arrays import machine_code
from chrono.arrays.events import NO_EVENTS, EventKind, Events, Record
from chrono.arrays.structured_arrays import join
from chrono.processor.ambiguity import flag_ambiguous
from chrono.processor.body_matching import PassageQueue, match_passages
from chrono.processor.flicker import FlickerSpan, PendingPassages, Spans, judge_flicker, sum_up
from chrono.processor.lost_lines import finish_launches
from chrono.processor.passages import NO_GROUPS, Passages, group_passages, passage_times
from chrono.processor.rig_rules import Lengths, Rules
from chrono.processor.shot_records import Shots, make_unique, sort_shots
from chrono.processor.shots import (
    NO_LAUNCHES,
    NO_SHOTS,
    PendingBodies,
    gather_launches,
    interval_shots,
)
from chrono.processor.timebase import known_time, put_on_timebase
from chrono.processor.timeline import (
    FOREVER,
    NO_BEATS,
    NO_BREAKS,
    NO_EDGES,
    NO_TIMES,
    Edges,
    Tally,
    Timebase,
)

__all__ = ["Processor", "Rules", "Tally"]

MANY_EDGES = 4000
"""With fewer new edges than this, the program does not use the fast path."""

MANY_OTHERS = 5_000
"""After the fast path, the remaining edges wait until there are this many, to save time."""

_BEFORE_ALL = -FOREVER


class Processor:
    """Turn events into shots with the rules for a rig."""

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self.counters = 1
        """Number of counters so far; a hello line can begin a new counter."""
        self._timebase = Timebase()
        self._groups = NO_GROUPS
        self._watched = (PendingPassages(), PendingPassages())
        self._spans: tuple[Spans, Spans] = ((), ())
        self._queue = PassageQueue()
        self._crew = PendingBodies()
        self._waiting = NO_LAUNCHES
        self._gaps, self._notes, self._beats = NO_BREAKS, NO_BREAKS, NO_BEATS
        self._passed = NO_TIMES
        self._lengths = Lengths(
            np.array([_BEFORE_ALL]), np.array([rules.body_length_m or np.nan])
        )
        self._told_lengths: list[tuple[int, float]] = []
        self._solitary: tuple[Shots, ...] = ()
        self._others = NO_EDGES
        self._placed = NO_EDGES
        self._intervals = NO_SHOTS
        self._last_key = _BEFORE_ALL

    # -- input ------------------------------------------------------------------------

    def feed(self, events: Events, records: Sequence[Record] = ()) -> Shots:
        """
        Process events and records, and return the new final shots, sorted by key.

        The declared body length must be the same for all events of one call.
        """
        self.place(events, records)
        return self.form()

    def place(self, events: Events, records: Sequence[Record] = ()) -> list[int]:
        """
        Compute the time of each event; then call `form` to make shots from these events.

        The records must be all records of the same batch. For each record, the result contains
        the latest time before this record, like the result of `anchor`.
        """
        if self._is_interval:
            return self._place_intervals(events, records)
        ticked = put_on_timebase(events, records, self._timebase, self.rules)
        bounded = self._notes.between(self._timebase.top, ticked.first)
        self._notes = bounded.followed_by(ticked.notes).in_order()
        self._timebase = ticked.after
        self._gaps = self._gaps.followed_by(ticked.gaps)
        self._beats = self._beats.followed_by(ticked.beats)
        self._placed = ticked.edges
        return [max(anchor, self._last_key) for anchor in ticked.anchors.tolist()]

    def form(self) -> Shots:
        """Return the final shots from the events that `place` received, sorted by key."""
        if self._is_interval:
            shots, self._intervals = self._intervals, NO_SHOTS
            return shots
        edges, self._placed = self._placed, NO_EDGES
        return self._advance(edges, known_time(self._timebase, self.rules))

    def is_new_counter(self, frequency_hz: float, counter_bits: int) -> bool:
        """Return whether a counter with these values differs from the present counter."""
        return self.rules.lines.says_hello and self.rules != self._with_counter(
            frequency_hz, counter_bits
        )

    def change_counter(self, frequency_hz: float, counter_bits: int, host_us: int) -> Shots:
        """
        Change the counter's frequency [Hz] and number of bits; return all remaining shots.

        `host_us` is the host time of the hello line that states this counter [us]. No shot
        combines edges before and after the change.
        """
        shots = self.break_off(host_us)
        self.rules = self._with_counter(frequency_hz, counter_bits)
        self.counters += 1
        return shots

    def break_off(self, host_us: int) -> Shots:
        """Return all remaining shots; no shot has edges before and after `host_us` [us]."""
        if not self._timebase.started:
            return NO_SHOTS
        broken = Record(0, host_us, "link", {})
        shots = join(self.feed(NO_EVENTS, [broken]), self.finish())
        self._timebase = replace(self._timebase, other_counter=True)
        return shots

    def change_body(self, length_m: float | None, anchor: int) -> None:
        """Use this declared body length [m] after the time `anchor`; None means any length."""
        self._told_lengths.append((anchor, np.nan if length_m is None else length_m))

    def pass_time(self, host_us: int) -> Shots:
        """Return the shots that are final if no line comes before this host time [us]."""
        return self._advance(NO_EDGES, known_time(self._timebase, self.rules, host_us))

    def finish(self) -> Shots:
        """Return all remaining shots, because no more data will come."""
        return self._advance(NO_EDGES, FOREVER)

    def peek(self) -> Shots:
        """Return the same shots as `finish`, but do not change the processor."""
        return copy.copy(self).finish()

    # -- results so far ---------------------------------------------------------------

    @property
    def tally(self) -> Tally:
        """Counts of the data that the processor has received so far."""
        return self._timebase.tally

    @property
    def levels(self) -> tuple[int | None, int | None]:
        """Last known levels of gates A and B: 1 blocked, 0 clear, None unknown."""
        a, b = (level if level < 2 else None for level in self._timebase.levels)
        return a, b

    @property
    def flicker(self) -> tuple[FlickerSpan, ...]:
        """All spans of flicker so far, in order of time; the last span may not be over yet."""
        return tuple(
            sorted((*self._spans[0], *self._spans[1]), key=lambda s: (s.first, s.gate))
        )

    def anchor(self) -> int:
        """Return the latest time so far, -1 without a line; later shots have larger keys."""
        known = self._timebase.top if self._timebase.started else -1
        return max(known, self._last_key)

    # -- inside ------------------------------------------------------------------------

    @property
    def _is_interval(self) -> bool:
        return self.rules.lines.is_interval

    def _advance(self, edges: Edges, known: int) -> Shots:
        if self._told_lengths:
            self._lengths = self._lengths.followed_by(self._told_lengths)
            self._told_lengths = []
        solitary, edges = self._take_solitary(edges, known)
        self._solitary = (*self._solitary, solitary)
        self._others = self._others.followed_by(edges)
        if len(solitary) and len(self._others.t) < MANY_OTHERS:
            return NO_SHOTS
        formed, known = self._form_shots(self._others, known)
        shots = sort_shots(join(*self._solitary, formed))
        self._solitary, self._others = (), NO_EDGES
        if len(shots):
            shots = make_unique(shots, self._last_key)
            self._last_key = int(shots["key"][-1])
        self._forget(known)
        return shots

    def _take_solitary(self, edges: Edges, known: int) -> tuple[Shots, Edges]:
        """Return the shots of launches far from other launches, and the remaining edges."""
        if len(edges.t) < MANY_EDGES or not machine_code.numba_is_loaded():
            return NO_SHOTS, edges
        from chrono.processor.fast_path import take_isolated

        breaks = self._gaps, self._notes
        return take_isolated(edges, breaks, self._beats, known, self._lengths, self.rules)

    def _form_shots(self, edges: Edges, known: int) -> tuple[Shots, int]:
        """Return shots, and the time before which no shot is missing."""
        rules, lengths = self.rules, self._lengths
        passages, self._groups, known = group_passages(
            edges, self._groups, known, rules.windows
        )
        passages, known = self._without_flicker(passages, known)
        self._passed = self._passed.followed_by(*passage_times(passages))
        bodies, self._queue, known = match_passages(
            passages, self._queue, known, lengths, rules
        )
        launches, self._crew, known = gather_launches(bodies, self._crew, known, lengths, rules)
        flag_ambiguous(launches, self._passed, lengths.at(launches["shot"]["key"]), rules)
        shots, self._waiting, (self._gaps, self._notes) = finish_launches(
            join(self._waiting, launches),
            (self._gaps, self._notes),
            self._beats,
            self._passed,
            known,
            rules,
        )
        return shots, known

    def _without_flicker(self, passages: Passages, known: int) -> tuple[Passages, int]:
        """Return the passages of both gates that are not flicker."""
        split = int(np.searchsorted(passages["gate"], 1))
        parts = passages[:split], passages[split:]
        (a, watched_a, known_a), (b, watched_b, known_b) = (
            judge_flicker(part, watched, known, self.rules)
            for part, watched in zip(parts, self._watched, strict=True)
        )
        self._watched = watched_a, watched_b
        self._spans = (
            sum_up(self._spans[0], a, self.rules),
            sum_up(self._spans[1], b, self.rules),
        )
        return join(a.others, b.others), min(known_a, known_b)

    def _forget(self, known: int) -> None:
        """Delete old data that no later shot needs."""
        oldest = min([known, *self._waiting["start"].tolist()]) - 2 * self.rules.windows.slow
        self._gaps = self._gaps.since(int(self._gaps.latest.searchsorted(oldest)))
        self._notes = self._notes.since(int(self._notes.latest.searchsorted(oldest)))
        self._beats = self._beats.since(int(self._beats.t.searchsorted(oldest)) - 1)
        self._passed = self._passed.since(oldest)
        old = int(np.searchsorted(self._lengths.since, oldest)) - 1
        if old > 0:
            self._lengths = Lengths(self._lengths.since[old:], self._lengths.values[old:])

    def _with_counter(self, frequency_hz: float, counter_bits: int) -> Rules:
        return replace(self.rules, unit_s=1.0 / frequency_hz, counter_bits=counter_bits)

    def _place_intervals(self, events: Events, records: Sequence[Record]) -> list[int]:
        """Make a shot from each transit that the board itself measured."""
        chosen = np.flatnonzero(events.kind == EventKind.INTERVAL)
        shots = interval_shots(events.counter[chosen], events.host_us[chosen], self.rules)
        self._intervals = make_unique(shots, self._last_key)
        keys = np.append(self.anchor(), self._intervals["key"])
        if len(shots):
            self._last_key = int(keys[-1])
            tally = self._timebase.tally
            tally = replace(tally, edges=tally.edges + len(shots))
            self._timebase = replace(self._timebase, tally=tally)
        places = chosen.searchsorted([record.position for record in records])
        anchors: list[int] = keys[places].tolist()
        return anchors
