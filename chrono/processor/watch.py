"""Watching the gates while lines come in: what `health.judge` needs, over the last minute.

`Watch` takes decoded events and finished shots, and carries a few numbers per gate. It
judges nothing and knows nothing of ports and screens.
"""

from collections import deque
from collections.abc import Sequence
from math import isfinite
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.processor.flicker import FlickerSpan
from chrono.processor.health import GateSeen, Observed
from chrono.processor.rules import Rules
from chrono.processor.table import Flag, Shots
from chrono.processor.timebase import Tally
from chrono.reader.batch import LEVEL_UNKNOWN, Events, Kind

WINDOW_S = 60.0
SNAPSHOT_S = 1.0
RECENT_S = 10.0
"""A lamp switched off this long ago is no trouble now."""

Counts = npt.NDArray[np.int64]
_LINES, _DAMAGED, _NOISE, _CHATTER = 0, 1, 2, 4
_LOST_LINES, _BOARD_LOST, _RESTARTS, _SIZE = 6, 7, 8, 9


class Flicker(NamedTuple):
    """Periodic tripping of one gate now: frequency [Hz] (0 without) and blocked part."""

    frequency_hz: float = 0.0
    duty: float = 0.0


def flicker_now(
    spans: Sequence[FlickerSpan], now: int, rules: Rules
) -> tuple[Flicker, Flicker]:
    """
    Return each gate's flicker of the last seconds.

    Parameters
    ----------
    spans : sequence of FlickerSpan
        All that were met.
    now : int
        The processor's latest time [counter units].
    rules : Rules
    """
    since = now - rules.units(RECENT_S)
    found = [Flicker(), Flicker()]
    for span in spans:
        if span.last >= since and isfinite(span.frequency_hz):
            found[span.gate] = Flicker(span.frequency_hz, span.duty)
    return found[0], found[1]


class Watch:
    """
    Carries what was seen of the gates over the last minute.

    Parameters
    ----------
    rules : Rules
        The rig's numbers.
    """

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self._counts = np.zeros(_SIZE, np.int64)
        self._snapshots: deque[tuple[int, Counts]] = deque()
        self._last_edges: list[tuple[int, int] | None] = [None, None]
        self._levels: list[int] = [LEVEL_UNKNOWN, LEVEL_UNKNOWN]
        self._since_us = [0, 0]
        self._beats_us: deque[int] = deque()
        self._start_us: int | None = None

    def feed(self, events: Events) -> None:
        """Take the events of one batch."""
        if not len(events):
            return
        first = int(events.host_us[0])
        if self._start_us is None:
            self._start_us = first
            self._snapshots.append((first, self._counts.copy()))
        self._counts[_LINES] += len(events)
        self._counts[_DAMAGED] += int(np.count_nonzero(events.kind == Kind.DAMAGED))
        for gate in (0, 1):
            self._take_chatter(events, gate)
            self._take_levels(events, gate)
        self._beats_us.extend(events.host_us[events.kind == Kind.BEAT].tolist())
        self._snapshot(int(events.host_us[-1]))

    def add_shots(self, shots: Shots) -> None:
        """Take finished shots: the lone ones that no body could have made are noise."""
        rules = self._rules
        shortest_m = rules.body_length_m or 0.0
        spike = max(rules.units(shortest_m / rules.fastest_mps), rules.windows.quiet // 4)
        for gate, flag in enumerate((Flag.LONE_A, Flag.LONE_B)):
            block = shots["block_b" if gate else "block_a"]
            lone = (shots["flags"] & int(flag) > 0) & (block >= 0) & (block < spike)
            self._counts[_NOISE + gate] += int(np.count_nonzero(lone))

    def observed(
        self,
        host_us: int,
        tally: Tally,
        *,
        flicker: tuple[Flicker, Flicker] = (Flicker(), Flicker()),
    ) -> Observed:
        """
        Return what was seen up to `host_us`, over the last minute or since the start.

        Parameters
        ----------
        host_us : int
            Host's clock now [us].
        tally : Tally
            The processor's own.
        flicker : tuple of two Flicker
            For gates A and B.
        """
        self._counts[_LOST_LINES:] = tally.lost_lines, tally.board_lost, tally.restarts
        self._snapshot(host_us)
        began, before = self._snapshots[0] if self._snapshots else (host_us, self._counts)
        seen = (self._counts - before).tolist()
        gates = [self._gate(gate, host_us, seen, flicker[gate]) for gate in (0, 1)]
        return Observed(
            span_s=(host_us - began) * 1e-6,
            gates=(gates[0], gates[1]),
            lines=seen[_LINES],
            damaged=seen[_DAMAGED],
            lost_lines=seen[_LOST_LINES],
            board_lost=seen[_BOARD_LOST],
            restarts=seen[_RESTARTS],
            has_beats=self._rules.lines == "framed",
            silence_s=self._silence_s(host_us),
        )

    def _gate(self, gate: int, host_us: int, seen: list[int], flicker: Flicker) -> GateSeen:
        level = self._levels[gate]
        blocked = None if level == LEVEL_UNKNOWN else level == 1
        return GateSeen(
            blocked=blocked,
            blocked_for_s=(host_us - self._since_us[gate]) * 1e-6 if blocked else 0.0,
            flicker_hz=flicker.frequency_hz,
            flicker_duty=flicker.duty,
            noise=seen[_NOISE + gate],
            chatter=seen[_CHATTER + gate],
        )

    def _take_chatter(self, events: Events, gate: int) -> None:
        chosen = (events.kind <= Kind.LATE) & (events.gate == gate)
        chosen &= events.level != LEVEL_UNKNOWN
        places = np.flatnonzero(chosen)
        if not len(places):
            return
        level, counter = events.level[places], events.counter[places]
        last = self._last_edges[gate]
        if last is not None:
            counter = np.concatenate(([last[0]], counter))
            level = np.concatenate(([np.uint8(last[1])], level))
        width = (1 << self._rules.counter_bits) - 1
        again = (level[1:] == 1) & (level[:-1] == 0)
        again &= np.diff(counter) & width < self._rules.windows.quiet
        self._counts[_CHATTER + gate] += int(np.count_nonzero(again))
        self._last_edges[gate] = (int(counter[-1]), int(level[-1]))

    def _take_levels(self, events: Events, gate: int) -> None:
        """Follow one gate's level through its edges and the beats."""
        is_beat = events.kind == Kind.BEAT
        is_edge = (events.kind <= Kind.LATE) & (events.gate == gate)
        places = np.flatnonzero(is_beat | (is_edge & (events.level != LEVEL_UNKNOWN)))
        level = np.where(is_beat, events.level >> gate & 1, events.level)[places]
        changed = np.diff(level, prepend=np.uint8(self._levels[gate])) != 0
        if changed.any():
            last = places[np.flatnonzero(changed)[-1]]
            self._levels[gate] = int(level[-1])
            self._since_us[gate] = int(events.host_us[last])

    def _snapshot(self, host_us: int) -> None:
        """Keep the counts about once a second, and forget what is older than the window."""
        snapshots = self._snapshots
        if not snapshots or host_us - snapshots[-1][0] >= SNAPSHOT_S * 1e6:
            snapshots.append((host_us, self._counts.copy()))
        while len(snapshots) > 1 and host_us - snapshots[0][0] > WINDOW_S * 1e6:
            snapshots.popleft()
        while self._beats_us and host_us - self._beats_us[0] > WINDOW_S * 1e6:
            self._beats_us.popleft()

    def _silence_s(self, host_us: int) -> float:
        if self._start_us is None:
            return 0.0
        began = max(self._start_us, int(host_us - WINDOW_S * 1e6))
        times = np.array([began, *self._beats_us, host_us])
        return float(np.diff(times).max()) * 1e-6
