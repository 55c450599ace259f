"""A recording's stamps as a coarser counter would have taken them.

A counter whose step is a whole number n of recorded ticks reads ⌊(t + p)/n⌋ of its own, and
⌊⌊t⌋/n⌋ = ⌊t/n⌋: its reading follows from the recorded one exactly. It is written in the
units of the recorded counter, so that everything behind goes on as before. What it read
before a wrap or a restart has nothing to do with what it reads after it, but for the steps
between the edges of one shot, which are kept across a wrap.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from chrono.arrays.array_types import Bools, Ints
from chrono.arrays.batch import Batch, Control, Events, Kind
from chrono.rigs.model import Clock, Rig
from chrono.session.as_if import AsIf
from chrono.session.recorded import Taker


class Coarsened:
    """
    Takes batches and hands them on with coarser stamps.

    Parameters
    ----------
    taker : Taker
        Whoever is fed the coarser batches.
    rig : Rig
        Tells the recorded counter, until a hello line does.
    as_if : AsIf
        Its step and phase; without a step the stamps stay as they are.
    """

    def __init__(self, taker: Taker, rig: Rig, as_if: AsIf) -> None:
        self._taker = taker
        self._as_if = as_if
        self._says_hello = rig.lines.says_hello
        self._bits = rig.clock.counter_bits
        self._tick_s, self._units = recorded_tick(rig.clock)
        self._last: tuple[int, int] | None = None

    def feed(self, batch: Batch) -> None:
        """Take a batch."""
        events = batch.events
        if self._as_if.tick_s is not None:
            counter = self._coarser(events, batch.controls)
            events = replace(events, counter=counter)
        self._taker.feed(replace(batch, events=events))

    def _coarser(self, events: Events, records: Sequence[Control]) -> Ints:
        counter = events.counter.copy()
        timed = events.kind <= Kind.BEAT
        done = 0
        for hello in (r for r in records if r.origin == "hello" and self._says_hello):
            self._stretch(counter[done : hello.position], timed[done : hello.position])
            done = hello.position
            self._tick_s = 1 / hello.data["frequency_hz"]
            self._bits = hello.data["counter_bits"]
        self._stretch(counter[done:], timed[done:])
        return counter

    def _stretch(self, counter: Ints, timed: Bools) -> None:
        """Coarsen the stamps of one counter, in place."""
        raw = counter[timed]
        if not len(raw):
            return
        half = 1 << (self._bits - 1)
        last, t = self._last or (int(raw[0]), int(raw[0]))
        steps = (np.diff(raw, prepend=last) + half) % (2 * half) - half
        times = t + np.cumsum(steps)
        self._last = int(raw[-1]), int(times[-1])
        ticks = self._as_if.ticks(self._tick_s)
        step = ticks * self._units
        phase = round(self._as_if.phase * ticks) % ticks * self._units
        counter[timed] = ((times + phase) // step * step - phase) % (2 * half)


def recorded_tick(clock: Clock) -> tuple[float, int]:
    """Return the step of a recording's stamps [s], and how many counter units it is."""
    return clock.tick_s, max(round(clock.tick_s / clock.unit_s), 1)
