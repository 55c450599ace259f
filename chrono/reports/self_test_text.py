"""Write the result of a board's self-test, and reasons to doubt the result."""

from typing import Any

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.calibrating.pulses import BURST_CHANGES, CHANGES, DelayDifference, PulseTest
from chrono.clock.clock_rate import ClockEstimate
from chrono.measuring.calibration_uncertainty import MIN_REPEATS
from chrono.reports.clock_text import rate_text
from chrono.reports.setup_words import count_text
from chrono.units import format_value


def pulse_report(test: PulseTest, *, light: bool) -> tuple[str, ...]:
    """
    Return the result of a board's self-test as lines for the user.

    Parameters
    ----------
    test : PulseTest
    light : bool
        True if the board's pin switched the lamps; false if it drove the inputs.
    """
    who = "sensor" if light else "input"
    up, down = ("light on", "light off") if light else ("pin up", "pin down")
    lines = [
        f"{test.board.board} {test.board.firmware}: the board switched its test pin {CHANGES} "
        f"times, and then {BURST_CHANGES} times very fast"
    ]
    for letter, gate in zip("AB", test.gates, strict=True):
        lines += [
            f"{who} {letter}, {name}: {_delay_text(delays)}"
            for name, delays in ((up, gate.rises_s), (down, gate.falls_s))
        ]
        if gate.late:
            late = (
                "1 edge has no exact time and is not used"
                if gate.late == 1
                else f"{gate.late} edges have no exact time and are not used"
            )
            lines.append(f"{who} {letter}: {late}")
        if gate.extra:
            extra = count_text(gate.extra, "extra edge")
            lines.append(f"{who} {letter}: bounce caused {extra}")
    for name, difference in ((up, test.rise), (down, test.fall)):
        if difference:
            lines.append(f"{name}: {_difference_text(difference)}")
    told = ", ".join(
        f"{letter} reported {g.burst}" for letter, g in zip("AB", test.gates, strict=True)
    )
    lines.append(
        f"test with {BURST_CHANGES} very fast edges: input {told}; the board lost "
        f"{count_text(test.lost, 'edge')}"
    )
    lines.append(
        "the same clock makes and measures the pulses, so the pulses cannot test this clock. "
        f"The beats, compared with this computer's clock, show: {_rate_text(test)}"
    )
    if light:
        lines.append(
            "this test shows only the delay of the sensors. It does not show their hysteresis, "
            "or the place in the beam where a body trips a gate"
        )
    return tuple(lines)


def pulse_data(test: PulseTest, doubt: str) -> dict[str, Any]:
    """Return the results that `pulse_report` shows, as an object for JSON."""
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
        "rate": _rate_text(test),
        "doubt": doubt,
    }


def pulse_doubt(test: PulseTest, *, light: bool) -> str:
    """Return a reason to doubt the result of a board's self-test; empty if all is right."""
    for letter, gate in zip("AB", test.gates, strict=True):
        if len(gate.rises_s) + len(gate.falls_s) == 0:
            late = (
                " with an exact time; if you use the XOR wiring, connect the test pin to only "
                "one input at a time"
            )
            return f"no pulse came at input {letter}{late if gate.late else ''}"
    if test.rise is None or test.fall is None:
        return (
            f"one input had fewer than {MIN_REPEATS} rising or falling edges with an exact time"
        )
    if light != test.inverted:
        return (
            "when the test pin goes high, the inputs go high too; light sensors would make the "
            "inputs go low"
            if light
            else "when the test pin goes high, the inputs go low; if the test pin switches a "
            "light, add the option --light"
        )
    if test.lost:
        return f"the board lost {count_text(test.lost, 'edge')}"
    return ""


def pulse_evidence(test: PulseTest) -> str:
    """Return a text for the rig file: how the sensors' delays were measured."""
    assert test.rise
    assert test.fall
    return (
        "self-test (the board switched the lamps); "
        f"light on: {_difference_text(test.rise)}; light off: {_difference_text(test.fall)}; "
        "without hysteresis and without the place where a gate trips"
    )


def _rate_text(test: PulseTest) -> str:
    return rate_text(test.rate) if isinstance(test.rate, ClockEstimate) else test.rate.message


def _delay_text(delays_s: Floats) -> str:
    if not len(delays_s):
        return "no edge"
    delay_us = delays_s * 1e6
    scatter = f", scatter {np.std(delay_us, ddof=1):.3f} us" if len(delay_us) > 1 else ""
    return f"delay {np.mean(delay_us):.3f} us{scatter} ({count_text(len(delay_us), 'edge')})"


def _difference_text(difference: DelayDifference) -> str:
    value_us, u95_us = difference.value_s * 1e6, difference.uncertainty.U95 * 1e6
    return (
        f"gate B reacts {format_value(abs(value_us), u95_us)} ± {format_value(u95_us, u95_us)} "
        f"us {'later' if value_us >= 0 else 'sooner'} than gate A (95 % coverage)"
    )
