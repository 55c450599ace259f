"""Process a recording a second time with an assumption, and compare both results.

For example, assume a counter whose tick is n times as long. At the time t, in recorded ticks,
this counter shows (t + p)/n, rounded down; p is the phase. The phase may change between shots
if the counter wraps or restarts. New timestamps keep the units of the recorded counter.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from chrono.arrays.array_types import Bools, Floats, Ints, Places
from chrono.arrays.events import Batch, EventKind, Events, Record
from chrono.errors import OptionError, RigError
from chrono.measuring.coverage_interval import coverage_half_width
from chrono.measuring.error_budget import Contribution, triangular, two_pair
from chrono.measuring.series_statistics import Series
from chrono.measuring.speed import Measured
from chrono.processor.shot_records import ABSENT, EdgesUsed
from chrono.reader.recording_reader import RecordingReader
from chrono.rigs.rig_file import rig_from_record, rig_record
from chrono.rigs.rig_model import Clock, Rig
from chrono.session.recording_loader import (
    BYTES_PER_SHOT,
    BatchTaker,
    LoadedRecording,
    feed_blocks,
)
from chrono.session.session import Session
from chrono.session.speed_models import Assumptions


class CoarseCounter:
    """
    Receives batches of recorded lines, and passes them on with coarser timestamps.

    Parameters
    ----------
    taker : BatchTaker
        Receives the coarser batches.
    rig : Rig
        Describes the recorded counter until a hello line describes it.
    as_if : Assumptions
        The coarse step and phase; without a step the timestamps stay unchanged.
    """

    def __init__(self, taker: BatchTaker, rig: Rig, as_if: Assumptions) -> None:
        self._taker = taker
        self._as_if = as_if
        self._says_hello = rig.lines.says_hello
        self._bits = rig.clock.counter_bits
        self._tick_s, self._units = recorded_tick(rig.clock)
        self._last: tuple[int, int] | None = None

    def feed(self, batch: Batch) -> None:
        """Receive a batch of lines, and pass it on with coarser timestamps."""
        events = batch.events
        if self._as_if.tick_s is not None:
            counter = self._coarser(events, batch.controls)
            events = replace(events, counter=counter)
        self._taker.feed(replace(batch, events=events))

    def _coarser(self, events: Events, records: Sequence[Record]) -> Ints:
        counter = events.counter.copy()
        timed = events.kind <= EventKind.BEAT
        done = 0
        for hello in (r for r in records if r.origin == "hello" and self._says_hello):
            self._stretch(counter[done : hello.position], timed[done : hello.position])
            done = hello.position
            self._tick_s = 1 / hello.data["frequency_hz"]
            self._bits = hello.data["counter_bits"]
        self._stretch(counter[done:], timed[done:])
        return counter

    def _stretch(self, counter: Ints, timed: Bools) -> None:
        """Round timestamps of one counter down to coarser steps, and store them in place."""
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
    """Return the tick of the recorded counter, in seconds and in counter units."""
    return clock.tick_s, max(round(clock.tick_s / clock.unit_s), 1)


PAIRS = {"leading": EdgesUsed.LEAD, "trailing": EdgesUsed.TRAIL}

_SAME = 1e-6
"""Tolerance: a tick that was typed with fewer digits still counts as the recorded tick."""


@dataclass(frozen=True)
class SetupPair:
    """Statistics of one setup, as recorded and with the assumption; None without shots."""

    name: str
    recorded: Series | None
    supposed: Series | None


@dataclass(frozen=True, eq=False)
class WhatIf:
    """
    Two results for the same shots: as recorded, and with an assumption.

    Attributes
    ----------
    recorded : LoadedRecording
    as_if : Assumptions
    session : Session
        The finished session of the same recording with the assumption.
    tick_s, recorded_tick_s : float
        Assumed step and recorded step of the timestamps [s].
    places : ndarray of intp, shape (N,)
        For each recorded shot, its index in `session.log`; -1 if it is missing there.
    new : int
        Number of shots that exist only in `session`.
    true, supposed : Measured
        Measured values as columns of N recorded shots; NaN for a shot without a speed.
    compared : ndarray of bool, shape (N,)
        Marks the counted shots that have a speed in both measurements.
    within : ndarray of bool, shape (N,)
        Marks the compared shots whose recorded speed lies within the assumed U95.
    by_steps_s : ndarray of float64, shape (N,)
        Change of a transit that is caused only by the coarser steps, half-width at 95 % [s].
    within_a_step, blocked_within_a_step : int
        Number of recorded shots whose transit, or whose time in a gate, is shorter than a
        step.
    setups : tuple of SetupPair
    """

    recorded: LoadedRecording
    as_if: Assumptions
    session: Session
    tick_s: float
    recorded_tick_s: float
    places: Places
    new: int
    true: Measured
    supposed: Measured
    compared: Bools
    within: Bools
    by_steps_s: Floats
    within_a_step: int
    blocked_within_a_step: int
    setups: tuple[SetupPair, ...]

    @property
    def difference_mps(self) -> Floats:
        """The speed with the assumption minus the recorded speed [m/s], shape (N,)."""
        return self.supposed.speed_mps - self.true.speed_mps

    @property
    def missing(self) -> int:
        """Number of recorded shots that are missing in `session`."""
        return int((self.places < 0).sum())

    @property
    def without_speed(self) -> int:
        """Number of counted shots that are in `session`, but have no speed there."""
        counted = self.recorded.session.counted() & (self.places >= 0)
        return int((counted & ~np.isfinite(self.supposed.speed_mps)).sum())

    @property
    def sound_only_so(self) -> int:
        """Number of recorded shots that have a speed in `session`, but not as recorded."""
        has_speed = np.isfinite(self.supposed.speed_mps)
        return int((has_speed & ~np.isfinite(self.true.speed_mps)).sum())

    @property
    def steps_alone(self) -> bool:
        """True if a longer tick is assumed, and nothing else that changes the transits."""
        as_if = self.as_if
        same_transit = as_if.edges == EdgesUsed.BOTH and not as_if.clock_error
        return same_transit and self.tick_s > self.recorded_tick_s

    @property
    def explained(self) -> Bools:
        """True for each compared shot whose transit changes by at most `by_steps_s`."""
        moved_s = np.abs(self.supposed.transit_s - self.true.transit_s)
        return self.compared & (moved_s <= self.by_steps_s)


def what_if(recorded: LoadedRecording, as_if: Assumptions) -> WhatIf:
    """
    Process a recording again with an assumption, for example a longer tick.

    Parameters
    ----------
    recorded : LoadedRecording
        The recording, read to its end without an assumption.
    as_if : Assumptions
        The assumption; it must not be empty.

    Raises
    ------
    OptionError
        If this recording cannot show the effect of the assumption.
    """
    true = recorded.session
    _refuse_unanswerable(true, as_if)
    session = _supposed_session(recorded, as_if)
    places = _partners(true.log.shots["host_us"], session.log.shots["host_us"])
    supposed = _taken(session.measured(), places)
    found = places >= 0
    counted = true.counted() & found
    counted[found] &= session.counted()[places[found]]
    measured, tick_s = true.measured(), session.model.tick_s
    moved = np.abs(supposed.speed_mps - measured.speed_mps)
    return WhatIf(
        recorded,
        as_if,
        session,
        tick_s,
        true.model.tick_s,
        places,
        len(session.log) - int(found.sum()),
        measured,
        supposed,
        counted,
        counted & (moved <= supposed.U95_mps),
        _by_steps(session, places, true.model.tick_s),
        int((measured.transit_s < tick_s).sum()),
        _blocked_within(true, tick_s),
        _setups(true, session),
    )


def believed_rig(rig: Rig, as_if: Assumptions) -> Rig:
    """
    Return a copy of the rig with the assumed spacing of the gates.

    Raises
    ------
    OptionError
        If the gates of this rig cannot have the assumed spacing.
    """
    if as_if.spacing_m is None:
        return rig
    record = rig_record(rig)
    record["gates"]["spacing_m"] = as_if.spacing_m
    if record["calibration"]["spacing"]:
        record["calibration"]["spacing"]["spacing_m"] = as_if.spacing_m
    try:
        return rig_from_record(record)
    except RigError as error:
        raise OptionError(
            f"a spacing of {as_if.spacing_m * 1e3:.6g} mm is not possible for this rig: "
            f"{error.where} {error.message}".replace(":  ", ": "),
            where="--as-if-spacing",
            hint="give a spacing that is closer to the true spacing",
        ) from error


def _refuse_unanswerable(session: Session, as_if: Assumptions) -> None:
    tick_s, _ = recorded_tick(session.rig.clock)
    if as_if.tick_s is not None and session.rig.lines.is_interval:
        raise OptionError(
            "the recording contains only transits, but a longer tick needs single edges",
            where="--as-if-tick",
            hint="use a recording that contains edges",
        )
    if as_if.tick_s is not None and as_if.tick_s < tick_s * (1 - _SAME):
        raise OptionError(
            f"the assumed tick of {as_if.tick_s * 1e6:.6g} us is shorter than the recorded "
            f"tick of {tick_s * 1e6:.6g} us, so the timestamps cannot be computed",
            where="--as-if-tick",
            hint="choose a longer tick, or record with a counter that has a shorter tick",
        )
    if as_if.clock_error and session.host_rate is not None:
        raise OptionError(
            "the counter's rate was measured with the computer's clock, so you cannot assume a "
            "clock error",
            where="--as-if-clock",
            hint="use a rig whose counter rate does not come from the computer's clock",
        )


def _supposed_session(recorded: LoadedRecording, as_if: Assumptions) -> Session:
    true = recorded.session
    rig = believed_rig(true.rig, as_if)
    reader = RecordingReader(recorded.path)
    capacity = recorded.path.stat().st_size // BYTES_PER_SHOT
    session = Session(rig, capacity=capacity, fixed_rig=True, as_if=as_if)
    feed_blocks(reader, rig.lines, CoarseCounter(session, rig, as_if))
    session.finish()
    session.use_host_rate(true.host_rate)
    return session


def _partners(first: Ints, second: Ints) -> Places:
    """For each shot in `first`, return the index of the same shot in `second`, or -1."""
    left: dict[int, list[int]] = {}
    for place in range(len(second) - 1, -1, -1):
        left.setdefault(int(second[place]), []).append(place)
    found = [left[host].pop() if left.get(host) else -1 for host in first.tolist()]
    return np.array(found, np.intp)


def _taken(measured: Measured, places: Places) -> Measured:
    """Return the measured values of the shots at these indices; NaN if the index is -1."""
    lacking = places < 0
    columns = {}
    for name, column in vars(measured).items():
        padded = np.append(column, np.nan)
        columns[name] = padded[np.where(lacking, len(column), places)]
    return Measured(**columns)


def _by_steps(session: Session, places: Places, recorded_s: float) -> Floats:
    """Return the error that a coarser step (n ticks instead of 1 tick) adds to each transit."""
    tick_s = session.model.tick_s
    added_s = np.sqrt(max(tick_s**2 - recorded_s**2, 0.0))
    one, both = (
        coverage_half_width([Contribution(make("tick", added_s, unit="s"), 1.0)])
        for make in (triangular, two_pair)
    )
    used = np.append(session.log.shots["used"], EdgesUsed.NONE)[places]
    return np.select([used == EdgesUsed.BOTH, used != EdgesUsed.NONE], [both, one], np.nan)


def _blocked_within(session: Session, time_s: float) -> int:
    units = time_s / session.model.unit_s
    blocks = (session.log.shots[name] for name in ("block_a", "block_b"))
    return int(np.any([(b != ABSENT) & (b < units) for b in blocks], axis=0).sum())


def _setups(true: Session, supposed: Session) -> tuple[SetupPair, ...]:
    used = {true.setups.name(int(i)) for i in np.unique(true.log.setup)}
    names: Sequence[str] = [name for name in true.setups.names if name in used]
    return tuple(SetupPair(n, true.series(n), supposed.series(n)) for n in names)
