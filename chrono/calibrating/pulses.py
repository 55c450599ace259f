"""Compute the delays of the two gate inputs from pulses that the board sends to itself.

During the self-test the board switches a pin on and off, and sends a beat at each change. The
board reports the signals at the inputs of the gates as edges. If a wire connects the pin to a
gate's input, the edges show the delay of board and cable. If the pin switches a gate's lamp
(emitter), the edges show the delay of the gate's sensor.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Floats, Ints
from chrono.arrays.events import EventKind
from chrono.clock.clock_rate import ClockEstimate, ClockTracker
from chrono.errors import CalibrationError
from chrono.measuring.calibration_uncertainty import (
    MIN_REPEATS,
    CombinedUncertainty,
    combine,
    mean_input,
)
from chrono.measuring.error_budget import Contribution, rectangular, triangular
from chrono.reader.line_grammar import Event, Hello

CHANGES = 128
"""Number of pin changes that are reported one by one. The first change switches the pin on."""
BURST_CHANGES = 50
BEATS = CHANGES + 3
"""Number of beats: one at the start, one per change, one before and one after the burst."""

StampedEvent = tuple[int, Event]
"""Host time when the event's line was read [us], and the event."""


@dataclass(frozen=True)
class Response:
    """
    How the input of one gate reacts to changes of the test pin.

    Attributes
    ----------
    rises_s, falls_s : ndarray of float64
        Time from each rise (fall) of the pin to the edge that followed [s].
    late : int
        Number of edges that the board could not time exactly; the arrays above exclude them.
    extra : int
        Number of further edges after the first edge of a change; bounce causes them.
    inverted : bool
        True if the input switches to low when the pin switches to high, as with an emitter.
    burst : int
        Number of edges reported for the burst.
    """

    rises_s: Floats
    falls_s: Floats
    late: int
    extra: int
    inverted: bool
    burst: int


@dataclass(frozen=True)
class DelayDifference:
    """Delay of gate B minus delay of gate A [s]."""

    value_s: float
    uncertainty: CombinedUncertainty


@dataclass(frozen=True)
class PulseTest:
    """
    The results of a self-test.

    Attributes
    ----------
    board : Hello
    gates : tuple of Response
        Results of gate A and gate B.
    rise, fall : DelayDifference or None
        Difference of the delays; None if a gate has too few exact edges.
    lost : int
        Number of edges that the board counted as lost during the test.
    rate : ClockEstimate or CalibrationError
        Rate of the counter against the host's clock, or the reason why it is unknown.
    """

    board: Hello
    gates: tuple[Response, Response]
    rise: DelayDifference | None
    fall: DelayDifference | None
    lost: int
    rate: ClockEstimate | CalibrationError

    @property
    def inverted(self) -> bool:
        """True if the inputs of both gates switch to low when the test pin switches to high."""
        return all(gate.inverted for gate in self.gates)


def pulse_test(board: Hello, events: Sequence[StampedEvent]) -> PulseTest:
    """
    Compute the results of a self-test from its lines.

    Parameters
    ----------
    board : Hello
        The board's answer to the request for the test.
    events : sequence of (int, Event)
        All edges and beats after this answer; beats after the test improve the clock's rate.

    Raises
    ------
    CalibrationError
        If lines are missing, or if the test did not end.
    """
    _refuse_gaps([event for _, event in events])
    turn = 1 << board.counter_bits
    counters = np.array([event.counter for _, event in events], np.int64)
    steps = (np.diff(counters, prepend=counters[:1]) + turn // 2) % turn - turn // 2
    ticks = np.cumsum(steps)
    kinds = np.array([event.kind for _, event in events])
    beats = (kinds == EventKind.BEAT).nonzero()[0]
    if len(beats) < BEATS:
        raise CalibrationError(
            f"the self-test stopped too early: the board sent only {max(len(beats) - 1, 0)} of "
            f"{CHANGES + 2} beats",
            hint="connect the pulse pin to the inputs or to the emitters, but not to both",
        )
    played, burst = ticks[beats[1 : CHANGES + 1]], ticks[beats[CHANGES + 1 : BEATS]]
    unit_s = 1 / board.frequency_hz
    gates = [_response(gate, events, ticks, played, burst, unit_s) for gate in (0, 1)]
    a, b = gates
    return PulseTest(
        board,
        (a, b),
        _difference(a.rises_s, b.rises_s, unit_s),
        _difference(a.falls_s, b.falls_s, unit_s),
        events[beats[BEATS - 1]][1].lost - events[beats[0]][1].lost,
        _rate(ticks[beats], [events[n][0] for n in beats], unit_s),
    )


def delay_of(test: PulseTest) -> DelayDifference:
    """
    Return the delay difference of the gates for the rig file.

    The value is the mean of the delay differences of leading and of trailing edges. Half of the
    gap between these two differences counts as uncertainty: some shots have one pair of edges.
    """
    assert test.rise, "pulse_doubt is called before"
    assert test.fall
    apart = (test.rise.value_s - test.fall.value_s) / 2
    parts = [
        Contribution(part.input, part.sensitivity / 2)
        for each in (test.rise, test.fall)
        for part in each.uncertainty.contributions
    ]
    one_pair = Contribution(
        rectangular("difference of light on and off", abs(apart), unit="s"), 1.0
    )
    return DelayDifference(
        (test.rise.value_s + test.fall.value_s) / 2, combine([*parts, one_pair])
    )


def _response(
    gate: int,
    events: Sequence[StampedEvent],
    ticks: Ints,
    played: Ints,
    burst: Ints,
    unit_s: float,
) -> Response:
    """Find the first edge of a gate after each change of the test pin."""
    own = [
        n
        for n, (_, e) in enumerate(events)
        if e.kind in (EventKind.EDGE, EventKind.LATE) and e.gate == gate
    ]
    at = ticks[own]
    ends = np.append(played[1:], burst[0])
    delays: tuple[list[float], list[float]] = ([], [])
    late = extra = upside_down = seen = 0
    for n, (start, end) in enumerate(zip(played, ends, strict=True)):
        first, behind = np.searchsorted(at, [start, end])
        if first == behind:
            continue
        extra += int(behind - first) - 1
        edge = events[own[first]][1]
        falls = n % 2
        seen += 1
        upside_down += edge.level == falls
        if edge.kind == EventKind.LATE:
            late += 1
        else:
            delays[falls].append(float(at[first] - start) * unit_s)
    in_burst = int(np.diff(np.searchsorted(at, burst))[0])
    return Response(
        np.array(delays[0]),
        np.array(delays[1]),
        late,
        extra,
        inverted=seen > 0 and 2 * upside_down > seen,
        burst=in_burst,
    )


def _difference(a_s: Floats, b_s: Floats, unit_s: float) -> DelayDifference | None:
    """Return the mean delay of gate B minus the mean delay of gate A."""
    if min(len(a_s), len(b_s)) < MIN_REPEATS:
        return None
    uncertainty = combine(
        [
            Contribution(mean_input("scatter at A", a_s, "s"), 1.0),
            Contribution(mean_input("scatter at B", b_s, "s"), 1.0),
            Contribution(triangular("steps of the counter", unit_s, unit="s"), 1.0),
        ]
    )
    return DelayDifference(float(np.mean(b_s) - np.mean(a_s)), uncertainty)


def _refuse_gaps(events: Sequence[Event]) -> None:
    numbers = np.array([event.sequence for event in events])
    if len(numbers) and (np.diff(numbers) % 65536 != 1).any():
        raise CalibrationError(
            "some lines of the self-test were lost or damaged",
            hint="try again; if lines are lost again, use another cable or a lower baud rate",
        )


def _rate(
    ticks: Ints, host_us: Sequence[int], unit_s: float
) -> ClockEstimate | CalibrationError:
    tracker = ClockTracker(unit_s)
    tracker.add(ticks, np.array(host_us, np.int64))
    try:
        return tracker.estimate()
    except CalibrationError as exc:
        return exc
