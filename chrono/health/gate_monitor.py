"""Count what happens at the gates, and keep the counts of the last minute.

`GateMonitor` takes decoded events and finished shots. The function `judge_readiness` decides
from the counts whether the gates are ready. This module does not use ports or screens.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import NamedTuple

import numpy as np

from chrono.arrays.array_types import Ints
from chrono.arrays.events import LEVEL_UNKNOWN, Batch, EventKind, Events, RestartCause
from chrono.health.readiness import GateObservation, Observation
from chrono.processor.flicker import FlickerSpan
from chrono.processor.rig_rules import Rules
from chrono.processor.shot_records import EdgesUsed, Flag, Shots
from chrono.processor.timeline import Tally

WINDOW_S = 60
SECOND_US = 1_000_000
RECENT_S = 10.0
"""If flicker ended longer ago than this, it is no longer a problem [s]."""
RECENT_SHOTS = 200
"""Number of recent shots that are used to judge how often the gates bounce."""

_LINES, _DAMAGED, _NOISE, _CHATTER = 0, 1, 2, 4
_LOST_LINES, _BOARD_LOST, _RESTARTS, _CAUSES = 6, 7, 8, 9
_SIZE = _CAUSES + len(RestartCause)
_TALLIED = _LOST_LINES


class FlickerReading(NamedTuple):
    """
    The present flicker of one gate.

    `frequency_hz` is the frequency of the flicker [Hz]. `duty` is the part of each flicker
    period in which the gate is blocked. The frequency is 0 if the gate does not flicker.
    """

    frequency_hz: float = 0.0
    duty: float = 0.0


def flicker_now(
    spans: Sequence[FlickerSpan], now: int, rules: Rules, within_s: float = RECENT_S
) -> tuple[FlickerReading, FlickerReading]:
    """
    Return the flicker of gate A and of gate B in the last seconds.

    Parameters
    ----------
    spans : sequence of FlickerSpan
        All time spans with flicker so far.
    now : int
        The latest time that the processor knows [counter units].
    rules : Rules
    within_s : float
        Only flicker within this time before `now` counts [s].
    """
    since = now - rules.units(within_s)
    found = [FlickerReading(), FlickerReading()]
    for span in spans:
        if span.last >= since and isfinite(span.frequency_hz):
            found[span.gate] = FlickerReading(span.frequency_hz, span.duty)
    return found[0], found[1]


@dataclass
class _Second:
    """The numbers of events in one second of the computer's clock, and times of beats [us]."""

    counts: Ints = field(default_factory=lambda: np.zeros(_SIZE, np.int64))
    first_beat_us: int | None = None
    last_beat_us: int = 0
    longest_us: int = 0


class GateMonitor:
    """
    Stores what the program observed at the gates during the last minute.

    Parameters
    ----------
    rules : Rules
        The values of the rig that define a passage and a shot.
    tally : Tally
        The numbers that the processor has counted so far.
    """

    def __init__(self, rules: Rules, tally: Tally) -> None:
        self._rules = rules
        self._tally = tally
        self._seconds: dict[int, _Second] = {}
        self._last_edges: list[tuple[int, int] | None] = [None, None]
        self._levels: list[int] = [LEVEL_UNKNOWN, LEVEL_UNKNOWN]
        self._since_us = [0, 0]
        self._start_us: int | None = None
        self._bounces_s: deque[float] = deque(maxlen=RECENT_SHOTS)

    def feed(self, events: Events, tally: Tally) -> None:
        """
        Count the events of one second.

        Parameters
        ----------
        events : Events
            Events of one second of the computer's clock, see `second_places`.
        tally : Tally
            The numbers that the processor has counted up to the last of these events.
        """
        if not len(events):
            return
        if self._start_us is None:
            self._start_us = int(events.host_us[0])
        second = self._second_of(int(events.host_us[-1]))
        second.counts[_LINES] += len(events)
        second.counts[_DAMAGED] += int(np.count_nonzero(events.kind == EventKind.DAMAGED))
        second.counts[_TALLIED:] += _tallied(tally) - _tallied(self._tally)
        self._tally = tally
        for gate in (0, 1):
            second.counts[_CHATTER + gate] += self._chatter(events, gate)
            self._take_levels(events, gate)
        _take_beats(second, events.host_us[events.kind == EventKind.BEAT])

    def add_shots(self, shots: Shots) -> None:
        """
        Add finished shots to the observations.

        A trip of only one gate counts as noise if the trip is too short for any body.
        """
        rules = self._rules
        shortest_m = rules.body_length_m or 0.0
        spike = max(rules.units(shortest_m / rules.fastest_mps), rules.windows.quiet // 4)
        recent = shots["host_us"] >= (0 if self._start_us is None else self._start_us)
        in_window = shots[
            recent & (shots["host_us"] >= min(self._seconds, default=0) * SECOND_US)
        ]
        for gate, flag in enumerate((Flag.LONE_A, Flag.LONE_B)):
            block = in_window["block_b" if gate else "block_a"]
            lone = (in_window["flags"] & int(flag) > 0) & (block >= 0) & (block < spike)
            for host_us in in_window["host_us"][lone].tolist():
                if second := self._seconds.get(host_us // SECOND_US):
                    second.counts[_NOISE + gate] += 1
        timed = shots[recent & (shots["used"] != EdgesUsed.NONE)][-RECENT_SHOTS:]
        stamps = np.where(timed["used"] == EdgesUsed.BOTH, 1.0, np.sqrt(2.0))
        self._bounces_s.extend((timed["bounce"] / stamps * rules.unit_s).tolist())

    def observed(
        self,
        host_us: int,
        *,
        flicker: tuple[FlickerReading, FlickerReading] = (FlickerReading(), FlickerReading()),
    ) -> Observation:
        """
        Return what the monitor observed in the last minute before `host_us`.

        If the monitor has run for less than a minute, the observations begin at the start of
        the monitor.

        Parameters
        ----------
        host_us : int
            Present time on the computer's clock [us].
        flicker : tuple of two FlickerReading
            Present flicker of gate A and of gate B.
        """
        since = host_us // SECOND_US - WINDOW_S
        start_us = host_us if self._start_us is None else self._start_us
        began_us = max(start_us, since * SECOND_US)
        seconds = [second for at, second in self._seconds.items() if at >= since]
        seen = sum((s.counts for s in seconds), np.zeros(_SIZE, np.int64)).tolist()
        gates = [self._gate(gate, host_us, seen, flicker[gate]) for gate in (0, 1)]
        bounces_s = [bounce_s for bounce_s in self._bounces_s if bounce_s > 0]
        return Observation(
            span_s=(host_us - began_us) * 1e-6,
            gates=(gates[0], gates[1]),
            lines=seen[_LINES],
            damaged=seen[_DAMAGED],
            lost_lines=seen[_LOST_LINES],
            board_lost=seen[_BOARD_LOST],
            restarts=seen[_RESTARTS],
            causes={c: n for c, n in zip(RestartCause, seen[_CAUSES:], strict=True) if n},
            has_beats=self._rules.lines.has_beats,
            silence_s=_longest_silence_us(seconds, began_us, host_us) * 1e-6,
            timed=len(self._bounces_s),
            bounced=len(bounces_s),
            bounce_s=float(np.median(bounces_s)) if bounces_s else 0.0,
        )

    def _gate(
        self, gate: int, host_us: int, seen: list[int], flicker: FlickerReading
    ) -> GateObservation:
        level = self._levels[gate]
        blocked = None if level == LEVEL_UNKNOWN else level == 1
        return GateObservation(
            blocked=blocked,
            blocked_for_s=(host_us - self._since_us[gate]) * 1e-6 if blocked else 0.0,
            flicker_hz=flicker.frequency_hz,
            flicker_duty=flicker.duty,
            noise=seen[_NOISE + gate],
            chatter=seen[_CHATTER + gate],
        )

    def _second_of(self, host_us: int) -> _Second:
        """Return the numbers for the second of the time `host_us` [us]; delete old numbers."""
        at = max(host_us // SECOND_US, *self._seconds, 0)
        if at not in self._seconds:
            self._seconds[at] = _Second()
            for old in [s for s in self._seconds if s < at - WINDOW_S]:
                del self._seconds[old]
        return self._seconds[at]

    def _chatter(self, events: Events, gate: int) -> int:
        """Count how often a gate tripped again within the rig's quiet time after a passage."""
        chosen = (events.kind <= EventKind.LATE) & (events.gate == gate)
        chosen &= events.level != LEVEL_UNKNOWN
        places = np.flatnonzero(chosen)
        if not len(places):
            return 0
        level, counter = events.level[places], events.counter[places]
        last = self._last_edges[gate]
        if last is not None:
            counter = np.concatenate(([last[0]], counter))
            level = np.concatenate(([np.uint8(last[1])], level))
        width = (1 << self._rules.counter_bits) - 1
        again = (level[1:] == 1) & (level[:-1] == 0)
        again &= np.diff(counter) & width < self._rules.windows.quiet
        self._last_edges[gate] = (int(counter[-1]), int(level[-1]))
        return int(np.count_nonzero(again))

    def _take_levels(self, events: Events, gate: int) -> None:
        """Update the state of one gate (blocked or clear) from its edges and from the beats."""
        is_beat = events.kind == EventKind.BEAT
        is_edge = (events.kind <= EventKind.LATE) & (events.gate == gate)
        places = np.flatnonzero(is_beat | (is_edge & (events.level != LEVEL_UNKNOWN)))
        level = np.where(is_beat, events.level >> gate & 1, events.level)[places]
        changed = np.diff(level, prepend=np.uint8(self._levels[gate])) != 0
        if changed.any():
            last = places[np.flatnonzero(changed)[-1]]
            self._levels[gate] = int(level[-1])
            self._since_us[gate] = int(events.host_us[last])


def second_places(batch: Batch, until_us: int = 0) -> list[int]:
    """
    Find where to cut a batch, so that the counts do not depend on the size of the batches.

    Each part contains the events of one second of the computer's clock. Events that are more
    than one minute older than the last event (or than `until_us`, if later) stay together. Each
    hello line begins a new part, because the board may then use another counter. Records after
    the last event also begin a new part.
    """
    n, host_us = len(batch.events), batch.events.host_us
    second = np.maximum.accumulate(host_us) // SECOND_US
    begins = np.flatnonzero(second[1:] != second[:-1]) + 1
    oldest = np.maximum(second[-1:], until_us // SECOND_US) - WINDOW_S
    places = set(begins[second[begins] >= oldest].tolist())
    places.update(c.position for c in batch.controls if c.origin == "hello" or c.position == n)
    return sorted(places - {0})


def _tallied(tally: Tally) -> Ints:
    causes = (tally.causes.get(cause, 0) for cause in RestartCause)
    return np.array((tally.lost_lines, tally.board_lost, tally.restarts, *causes), np.int64)


def _take_beats(second: _Second, host_us: Ints) -> None:
    if not len(host_us):
        return
    if second.first_beat_us is None:
        second.first_beat_us = second.last_beat_us = int(host_us[0])
    steps = np.diff(host_us, prepend=second.last_beat_us)
    second.longest_us = max(second.longest_us, int(steps.max()))
    second.last_beat_us = int(host_us[-1])


def _longest_silence_us(seconds: list[_Second], began_us: int, now_us: int) -> int:
    """Return the longest time since `began_us` in which the board sent no beat [us]."""
    last_us, longest_us = began_us, 0
    for second in seconds:
        if second.first_beat_us is not None:
            longest_us = max(longest_us, second.first_beat_us - last_us, second.longest_us)
            last_us = second.last_beat_us
    return max(longest_us, now_us - last_us)
