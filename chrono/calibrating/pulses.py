"""Delays of the two inputs, from pulses that the board plays to itself.

The board turns a pin and tells each change by a beat at its moment; what comes back at the
gates' inputs it tells as edges. A wire from the pin to an input shows what board and cable
add. An emitter that the pin drives shows the delay of each sensor, light on and light off.
Knows nothing of ports.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chrono.arrays.batch import Kind
from chrono.clock.rate import ClockTracker, rate_text
from chrono.errors import CalibrationError
from chrono.measuring.budget import Contribution, rectangular, triangular
from chrono.measuring.combined import MIN_REPEATS, Combined, combine, mean_input, rig_changes
from chrono.reader.grammar import Event, Hello
from chrono.units import format_value

CHANGES = 128
"""Changes of the pin that are told one by one, the first one upwards."""
BURST_CHANGES = 50
BEATS = CHANGES + 3
"""One with the hello, one for each change, one before and one after the burst."""

Floats = NDArray[np.float64]
StampedEvent = tuple[int, Event]
"""Host time at which its line was read [us], and the event."""


@dataclass(frozen=True)
class Response:
    """
    How one gate's input followed the pin.

    Attributes
    ----------
    rises_s, falls_s : ndarray of float64
        Time from each rise (fall) of the pin to the edge that followed [s].
    late : int
        Edges whose time the board could not take exactly; they are not among those.
    extra : int
        Edges beyond one for a change: bounce.
    inverted : bool
        The input goes down when the pin goes up, as behind a sensor whose emitter it drives.
    burst : int
        Edges told of the burst.
    """

    rises_s: Floats
    falls_s: Floats
    late: int
    extra: int
    inverted: bool
    burst: int


@dataclass(frozen=True)
class Difference:
    """Delay of gate B minus that of gate A at one direction of the pin [s]."""

    value_s: float
    uncertainty: Combined


@dataclass(frozen=True)
class PulseTest:
    """
    What a self-test showed.

    Attributes
    ----------
    board : Hello
    gates : tuple of Response
        Gate A, gate B.
    rise, fall : Difference or None
        None where a gate has too few exact edges.
    lost : int
        Edges that the board counted as lost meanwhile.
    rate : str
        The counter's rate against the host's clock, or why it is not known.
    """

    board: Hello
    gates: tuple[Response, Response]
    rise: Difference | None
    fall: Difference | None
    lost: int
    rate: str

    @property
    def inverted(self) -> bool:
        """Whether both inputs stand upside down to the pin."""
        return all(gate.inverted for gate in self.gates)


def pulse_test(board: Hello, events: Sequence[StampedEvent]) -> PulseTest:
    """
    Return what the lines of a self-test tell.

    Parameters
    ----------
    board : Hello
        What the board said when it was asked for the test.
    events : sequence of (int, Event)
        All its edges and beats from then on; beats after the test add to the clock's rate.

    Raises
    ------
    CalibrationError
        Lines are missing among them, or the test came to no end.
    """
    _refuse_gaps([event for _, event in events])
    turn = 1 << board.counter_bits
    counters = np.array([event.counter for _, event in events], np.int64)
    steps = (np.diff(counters, prepend=counters[:1]) + turn // 2) % turn - turn // 2
    ticks = np.cumsum(steps)
    kinds = np.array([event.kind for _, event in events])
    beats = (kinds == Kind.BEAT).nonzero()[0]
    if len(beats) < BEATS:
        raise CalibrationError(
            f"the board told {max(len(beats) - 1, 0)} of {CHANGES + 2} moments and stopped",
            hint="see that nothing but the inputs (or the emitters) hangs on the pulse pin",
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


def pulse_report(test: PulseTest, *, light: bool) -> tuple[str, ...]:
    """
    Return the result as lines for the user.

    Parameters
    ----------
    test : PulseTest
    light : bool
        Whether the pin drove the emitters, not the inputs.
    """
    who = "sensor" if light else "input"
    up, down = ("light on", "light off") if light else ("pin up", "pin down")
    lines = [
        f"{test.board.board} {test.board.firmware} played {CHANGES} changes and a burst of "
        f"{BURST_CHANGES}"
    ]
    for letter, gate in zip("AB", test.gates, strict=True):
        lines += [
            f"{who} {letter}, {name}: {_delay_text(delays)}"
            for name, delays in ((up, gate.rises_s), (down, gate.falls_s))
        ]
        if gate.late:
            lines.append(f"{who} {letter}: {gate.late} edges came late and are not used")
        if gate.extra:
            lines.append(f"{who} {letter}: {gate.extra} edges too many: it bounces")
    for name, difference in ((up, test.rise), (down, test.fall)):
        if difference:
            lines.append(f"{name}: {_difference_text(difference)}")
    told = ", ".join(
        f"{letter} told {g.burst}" for letter, g in zip("AB", test.gates, strict=True)
    )
    lines.append(f"burst: {told} of {BURST_CHANGES}; the board lost {test.lost}")
    lines.append(
        "pulses and stamps share one clock, so they cannot show its rate; that is taken "
        f"from the beats against this computer: {test.rate}"
    )
    if light:
        lines.append(
            "light that is switched shows the sensors' delay; it cannot show their hysteresis, "
            "nor where in the beam a body trips them"
        )
    return tuple(lines)


def pulse_data(test: PulseTest, doubt: str) -> dict[str, Any]:
    """Return what `pulse_report` shows as an object for JSON."""
    gates = {
        letter: {
            f"{name}_s": {
                "mean": float(np.mean(delays)) if len(delays) else None,
                "scatter": float(np.std(delays, ddof=1)) if len(delays) > 1 else None,
                "edges": len(delays),
            }
            for name, delays in (("rise", gate.rises_s), ("fall", gate.falls_s))
        }
        | {"late": gate.late, "extra": gate.extra, "burst": gate.burst}
        for letter, gate in zip("AB", test.gates, strict=True)
    }
    differences = {
        f"{name}_difference_s": each and {"value": each.value_s, "U95": each.uncertainty.U95}
        for name, each in (("rise", test.rise), ("fall", test.fall))
    }
    return {
        "board": test.board.board,
        "firmware": test.board.firmware,
        "gates": gates,
        **differences,
        "lost": test.lost,
        "rate": test.rate,
        "doubt": doubt,
    }


def pulse_doubt(test: PulseTest, *, light: bool) -> str:
    """Return what speaks against the result, nothing where nothing does."""
    for letter, gate in zip("AB", test.gates, strict=True):
        if len(gate.rises_s) + len(gate.falls_s) == 0:
            late = " exactly; with the XOR wiring bring the pin to one input at a time"
            return f"input {letter} showed no pulse{late if gate.late else ''}"
    if test.rise is None or test.fall is None:
        return f"fewer than {MIN_REPEATS} exact edges of one kind at an input"
    if light != test.inverted:
        return (
            "the inputs follow the pin as a wire does, not as sensors do"
            if light
            else "the inputs stand upside down to the pin; through the light? then add --light"
        )
    if test.lost:
        return f"the board lost {test.lost} edges"
    return ""


def delay_of(test: PulseTest) -> Difference:
    """
    Return the difference of the delays as a rig takes it, that of a mean transit.

    Leading and trailing edges have half the weight each. Where one pair alone times a shot
    its own difference may hold, so half of what the two differ by is added (rectangular).
    """
    assert test.rise, "pulse_doubt tells before"
    assert test.fall
    apart = (test.rise.value_s - test.fall.value_s) / 2
    parts = [
        Contribution(part.input, part.sensitivity / 2)
        for each in (test.rise, test.fall)
        for part in each.uncertainty.contributions
    ]
    one_pair = Contribution(rectangular("light on and off differ", abs(apart), unit="s"), 1.0)
    return Difference((test.rise.value_s + test.fall.value_s) / 2, combine([*parts, one_pair]))


def pulse_changes(test: PulseTest, date: str) -> dict[str, object]:
    """Return the keys of the rig file that take up the sensors' difference."""
    difference = delay_of(test)
    assert test.rise
    assert test.fall
    return rig_changes(
        "latency",
        f"{difference.value_s * 1e6:.5f} us",
        f"{difference.uncertainty.u * 1e6:.5f} us",
        difference.uncertainty.dof,
        date,
        "emitters switched by the board (self-test): "
        f"light on, {_difference_text(test.rise)}; light off, {_difference_text(test.fall)}; "
        "hysteresis and the place of the trip are not in it",
    )


def _response(
    gate: int,
    events: Sequence[StampedEvent],
    ticks: NDArray[np.int64],
    played: NDArray[np.int64],
    burst: NDArray[np.int64],
    unit_s: float,
) -> Response:
    """Give each change of the pin the first edge of this gate before the next change."""
    own = [
        n
        for n, (_, e) in enumerate(events)
        if e.kind in (Kind.EDGE, Kind.LATE) and e.gate == gate
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
        if edge.kind == Kind.LATE:
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


def _difference(a_s: Floats, b_s: Floats, unit_s: float) -> Difference | None:
    """
    Return B minus A, each from many pulses.

    Pulses may keep step with the counter, so what the counting of whole steps does to a delay
    need not differ from pulse to pulse: it is taken once, not divided by the number of pulses.
    """
    if min(len(a_s), len(b_s)) < MIN_REPEATS:
        return None
    uncertainty = combine(
        [
            Contribution(mean_input("scatter at A", a_s, "s"), 1.0),
            Contribution(mean_input("scatter at B", b_s, "s"), 1.0),
            Contribution(triangular("steps of the counter", unit_s, unit="s"), 1.0),
        ]
    )
    return Difference(float(np.mean(b_s) - np.mean(a_s)), uncertainty)


def _refuse_gaps(events: Sequence[Event]) -> None:
    numbers = np.array([event.sequence for event in events])
    if len(numbers) and (np.diff(numbers) % 65536 != 1).any():
        raise CalibrationError(
            "lines of the test were lost or damaged",
            hint="try again; if it stays so, use another cable or a slower baud rate",
        )


def _rate(ticks: NDArray[np.int64], host_us: Sequence[int], unit_s: float) -> str:
    tracker = ClockTracker(unit_s)
    tracker.add(ticks, np.array(host_us, np.int64))
    try:
        return rate_text(tracker.estimate())
    except CalibrationError as exc:
        return exc.message


def _delay_text(delays_s: Floats) -> str:
    if not len(delays_s):
        return "no edge"
    scatter_us = float(np.std(delays_s, ddof=1)) * 1e6 if len(delays_s) > 1 else inf
    return (
        f"{float(np.mean(delays_s)) * 1e6:.3f} us after the change, "
        f"scatter {scatter_us:.3f} us ({len(delays_s)} edges)"
    )


def _difference_text(difference: Difference) -> str:
    value_us, u95_us = difference.value_s * 1e6, difference.uncertainty.U95 * 1e6
    return (
        f"B answers {format_value(abs(value_us), u95_us)} ± {format_value(u95_us, u95_us)} us "
        f"{'later' if value_us >= 0 else 'sooner'} than A (95 % coverage)"
    )
