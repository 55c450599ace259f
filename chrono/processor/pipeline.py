"""The processor: events in pieces of any size in, final shots out.

It only carries state between the stages: timebase → passages → flicker → matching → launches
→ shots. Each stage gives out what is final and the time before which it gave out everything;
the next one goes no further than that. So the shots depend neither on the cut of the stream
nor on what made time pass: a line, a beat or the host's clock.
"""

import copy
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from chrono.arrays import compiled
from chrono.arrays.batch import NO_EVENTS, Control, Events, Kind
from chrono.arrays.records import join
from chrono.processor.flicker import FlickerSpan, Spans, Watched, judge_flicker, sum_up
from chrono.processor.matching import Lengths, Row, match_passages
from chrono.processor.passages import NO_GROUPS, Passages, group_passages
from chrono.processor.rules import Rules
from chrono.processor.shots import (
    NO_LAUNCHES,
    NO_SHOTS,
    Crew,
    finish_launches,
    gather_launches,
    in_order,
    interval_shots,
    make_unique,
)
from chrono.processor.table import Shots
from chrono.processor.timebase import (
    NO_BEATS,
    NO_BREAKS,
    NO_EDGES,
    Clock,
    Edges,
    Tally,
    known_time,
    run_clock,
)

__all__ = ["Processor", "Rules", "Tally"]

FOREVER = 1 << 62
"""A time after everything."""

MANY_EDGES = 4000
"""Fewer new edges go the whole way at once, and all do without machine code."""

MANY_OTHERS = 5_000
"""While solitary launches come in bulk, the other edges wait until they are so many: the whole
way costs as much for a few as for some thousands."""

_BEFORE_ALL = -(1 << 62)
_FREQUENCIES_HZ = (1e3, 1e10)
_BITS = (8, 62)


class Processor:
    """
    Turns events into shots.

    Parameters
    ----------
    rules : Rules
        What is known of the rig. A hello line's frequency and width replace those of framed
        lines from there on.
    """

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self.counters = 1
        """How many counters there were, one after another, as hello lines told."""
        self._clock = Clock()
        self._groups = NO_GROUPS
        self._watched = (Watched(), Watched())
        self._spans: tuple[Spans, Spans] = ((), ())
        self._row = Row()
        self._crew = Crew()
        self._waiting = NO_LAUNCHES
        self._gaps, self._notes, self._beats = NO_BREAKS, NO_BREAKS, NO_BEATS
        self._lengths = Lengths(
            np.array([_BEFORE_ALL]), np.array([_metres(rules.body_length_m)])
        )
        self._solitary: tuple[Shots, ...] = ()
        self._others = NO_EDGES
        self._last_key = _BEFORE_ALL

    # -- what comes in -----------------------------------------------------------------

    def feed(self, events: Events, controls: Sequence[Control] = ()) -> Shots:
        """
        Take the events of a batch and the records between them.

        Acts on `hello` (frequency, width, restart), `link` (a break) and `setup`
        (`body_length_m`, metres or None, from here on).

        Returns
        -------
        structured array of SHOT_DTYPE
            The shots that became final, in order of key.
        """
        found = [
            self._feed_part(part, notes, last)
            for part, notes, last in self._parts(events, controls)
        ]
        return join(*found)

    def pass_time(self, host_us: int) -> Shots:
        """Return the shots that silence up to this time on the host's clock made final."""
        return self._advance(NO_EDGES, known_time(self._clock, self.rules, host_us))

    def finish(self) -> Shots:
        """Return all shots that are left: no more data will come."""
        return self._advance(NO_EDGES, FOREVER)

    def peek(self) -> Shots:
        """Return the shots that would be final if nothing more came; changes nothing."""
        return copy.copy(self).finish()

    # -- what is known -----------------------------------------------------------------

    @property
    def tally(self) -> Tally:
        """What was met so far."""
        return self._clock.tally

    @property
    def levels(self) -> tuple[int | None, int | None]:
        """Last known levels of gates A and B, 1 blocked, 0 clear, None unknown."""
        a, b = (level if level < 2 else None for level in self._clock.levels)
        return a, b

    @property
    def flicker(self) -> tuple[FlickerSpan, ...]:
        """Spans of flicker met so far in order of time; the last ones still grow."""
        return tuple(
            sorted((*self._spans[0], *self._spans[1]), key=lambda s: (s.first, s.gate))
        )

    def anchor(self) -> int:
        """Return the latest time so far, -1 before all: what comes later has a greater key."""
        if self._is_interval:
            return max(self._last_key, -1)
        return self._clock.top if self._clock.started else -1

    # -- inside ------------------------------------------------------------------------

    @property
    def _is_interval(self) -> bool:
        return self.rules.lines == "interval"

    def _feed_part(
        self, events: Events, notes: Sequence[Control], last: Control | None
    ) -> Shots:
        shots = NO_SHOTS
        if self._is_interval:
            shots = self._take_intervals(events)
        elif len(events) or notes:
            shots = self._take_lines(events, notes)
        if last is None:
            return shots
        if last.origin == "setup":
            self._take_setup(last)
            return shots
        more = self._take_new_counter(last)
        return join(shots, more)

    def _take_lines(self, events: Events, notes: Sequence[Control]) -> Shots:
        ticked = run_clock(events, notes, self._clock, self.rules)
        self._clock = ticked.clock
        self._gaps = self._gaps.followed_by(ticked.gaps)
        self._notes = self._notes.followed_by(ticked.notes)
        self._beats = self._beats.followed_by(ticked.beats)
        return self._advance(ticked.edges, known_time(self._clock, self.rules))

    def _advance(self, edges: Edges, known: int) -> Shots:
        solitary, edges = self._take_solitary(edges, known)
        self._solitary = (*self._solitary, solitary)
        self._others = self._others.followed_by(edges)
        if len(solitary) and len(self._others.t) < MANY_OTHERS:
            return NO_SHOTS
        formed, known = self._form_shots(self._others, known)
        shots = in_order(join(*self._solitary, formed))
        self._solitary, self._others = (), NO_EDGES
        if len(shots):
            shots = make_unique(shots, self._last_key)
            self._last_key = int(shots["key"][-1])
        self._forget(known)
        return shots

    def _take_solitary(self, edges: Edges, known: int) -> tuple[Shots, Edges]:
        """Return the shots of launches with nothing near them, and the edges of all others."""
        if len(edges.t) < MANY_EDGES or not compiled.is_loaded():
            return NO_SHOTS, edges
        from chrono.processor.solitary import take_solitary

        breaks = self._gaps, self._notes
        return take_solitary(edges, breaks, self._beats, known, self._lengths, self.rules)

    def _form_shots(self, edges: Edges, known: int) -> tuple[Shots, int]:
        """Take edges the whole way; return the time too before which all shots are out."""
        rules, lengths = self.rules, self._lengths
        passages, self._groups, known = group_passages(
            edges, self._groups, known, rules.windows
        )
        passages, known = self._without_flicker(passages, known)
        bodies, self._row, known = match_passages(passages, self._row, known, lengths, rules)
        launches, self._crew, known = gather_launches(bodies, self._crew, known, lengths, rules)
        shots, self._waiting = finish_launches(
            join(self._waiting, launches), self._gaps, self._notes, self._beats, known, rules
        )
        return shots, known

    def _without_flicker(self, passages: Passages, known: int) -> tuple[Passages, int]:
        """Return the passages that are no flicker, of both gates."""
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
        """Drop breaks, beats and lengths that no later shot can ask for."""
        oldest = min([known, *self._waiting["start"].tolist()]) - 2 * self.rules.windows.slow
        self._gaps = self._gaps.since(int(self._gaps.mark.searchsorted(oldest)))
        self._notes = self._notes.since(int(self._notes.mark.searchsorted(oldest)))
        self._beats = self._beats.since(int(self._beats.t.searchsorted(oldest)) - 1)
        old = int(np.searchsorted(self._lengths.since, oldest)) - 1
        if old > 0:
            self._lengths = Lengths(self._lengths.since[old:], self._lengths.values[old:])

    def _parts(
        self, events: Events, controls: Sequence[Control]
    ) -> Iterator[tuple[Events, list[Control], Control | None]]:
        """Yield stretches that end with a record to act on, and the notes within them."""
        begin = 0
        notes: list[Control] = []
        for control in controls:
            placed = replace(control, position=control.position - begin)
            if control.origin == "setup" or self._counter_of(control) is not None:
                yield events.part(begin, control.position), notes, placed
                begin, notes = control.position, []
            elif control.origin in ("hello", "link"):
                notes.append(placed)
        yield events.part(begin, len(events)), notes, None

    def _counter_of(self, control: Control) -> Rules | None:
        """Return the rules for the counter that a hello tells of, None if it is as before."""
        if control.origin != "hello" or self.rules.lines != "framed":
            return None
        hertz = _number(control.data.get("frequency_hz"), *_FREQUENCIES_HZ)
        bits = _number(control.data.get("counter_bits"), *_BITS)
        if hertz is None or bits is None:
            return None
        rules = replace(self.rules, unit_s=1.0 / hertz, counter_bits=int(bits))
        return rules if rules != self.rules else None

    def _take_new_counter(self, hello: Control) -> Shots:
        """Close everything under the old counter: nothing pairs across a change."""
        rules = self._counter_of(hello)
        assert rules is not None
        shots = NO_SHOTS
        if self._clock.started:
            link = replace(hello, origin="link", position=0)
            shots = join(self._take_lines(NO_EVENTS, [link]), self.finish())
            self._clock = replace(self._clock, other_counter=True)
        self.rules = rules
        self.counters += 1
        return shots

    def _take_setup(self, setup: Control) -> None:
        metres = _metres(setup.data.get("body_length_m"))
        self._lengths = Lengths(
            np.append(self._lengths.since, self.anchor()),
            np.append(self._lengths.values, metres),
        )

    def _take_intervals(self, events: Events) -> Shots:
        chosen = np.flatnonzero(events.kind == Kind.INTERVAL)
        shots = interval_shots(events.counter[chosen], events.host_us[chosen], self.rules)
        shots = make_unique(shots, self._last_key)
        if len(shots):
            self._last_key = int(shots["key"][-1])
            tally = self._clock.tally
            tally = replace(tally, edges=tally.edges + len(shots))
            self._clock = replace(self._clock, tally=tally)
        return shots


def _metres(length: object) -> float:
    metres = _number(length, 1e-9, 1e9)
    return float("nan") if metres is None else metres


def _number(value: object, least: float, most: float) -> float | None:
    """Return a value if it is a number within these limits."""
    if isinstance(value, int | float) and least <= value <= most:
        return float(value)
    return None
