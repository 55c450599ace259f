"""Write the jitter and the body lengths that the shots show, as text and as JSON objects."""

from decimal import Decimal
from typing import Any

from chrono.measuring.timing_jitter import BlockedLengths, TimingJitter
from chrono.reports.launch_text import filled
from chrono.reports.statistics_text import Detail, detail
from chrono.units import format_value


def timing_lines(timing: TimingJitter | None) -> list[str]:
    """Return lines with the measured jitter, the jitter that the rig states, and advice."""
    if timing is None:
        return []
    lines = filled(f"jitter of one edge, computed from the shots: {timing_text(timing)}")
    if timing.states_too_little:
        lines += filled(f"the jitter in the rig is too small: {jitter_advice(timing)}", 4)
    return lines + (filled(hidden_text(timing), 4) if hidden_text(timing) else [])


def blocking_details(blocking: BlockedLengths | None) -> list[Detail]:
    """Return the body length that each gate measures, or an empty list."""
    return detail("body", blocking_text(blocking)) if blocking else []


def microseconds(seconds: float) -> str:
    """Return a time in microseconds with two digits, without its unit."""
    return format(Decimal(f"{1e6 * seconds:.2g}"), "f")


def timing_text(timing: TimingJitter) -> str:
    """Return the jitter that the shots show, and the jitter that the rig states."""
    rig = f"the rig states {microseconds(timing.stated_s)} µs"
    dof = f"{timing.dof} degrees of freedom"
    if timing.is_upper_limit:
        return f"at most {microseconds(timing.high_s)} µs, {dof}; {rig}"
    span = f"({microseconds(timing.low_s)} … {microseconds(timing.high_s)})"
    return f"{microseconds(timing.jitter_s)} µs {span}, {dof}; {rig}"


def hidden_text(timing: TimingJitter) -> str:
    """Return a note if bodies that miss the middle of the beams may cause the jitter."""
    if not timing.may_be_chords:
        return ""
    return (
        "the shots show more jitter than the rig states. Perhaps bodies miss the middle of the "
        "beams. If gates.off_centre in the rig is right, this causes at most "
        f"{microseconds(timing.chords_s)} µs of jitter. Check this with a flat rod. If bodies "
        "pass nearer to the middle, set gates.off_centre to a smaller value"
    )


def jitter_advice(timing: TimingJitter) -> str:
    """Return the advice to write a larger jitter into the rig, with the value to write."""
    return f'set clock.jitter = "{microseconds(timing.high_s)} us" in the rig'


def blocking_text(blocking: BlockedLengths) -> str:
    """Return the body length that each gate measures, and the declared body length."""
    seen = lengths_text(1e3 * blocking.at_a_m, 1e3 * blocking.at_b_m)
    return f"{seen}; declared {1e3 * blocking.declared_m:.4g} mm"


def lengths_text(at_a_mm: float, at_b_mm: float) -> str:
    """Return the body length that each gate measures; a missing length becomes a dash."""
    at_a, at_b = (format_value(mm, abs(mm) / 100) for mm in (at_a_mm, at_b_mm))
    return f"{at_a} mm at A, {at_b} mm at B"


def timing_data(timing: TimingJitter | None) -> dict[str, Any] | None:
    """Return the measured jitter of the edges for JSON, in SI units; None if not measured."""
    if timing is None:
        return None
    return {
        "shots": timing.shots,
        "dof": timing.dof,
        "jitter_s": timing.jitter_s,
        "jitter_low_s": timing.low_s,
        "jitter_high_s": timing.high_s,
        "stated_jitter_s": timing.stated_s,
        "chords_s": timing.chords_s,
        "states_too_little": timing.states_too_little,
    }


def blocking_data(blocking: BlockedLengths | None) -> dict[str, Any]:
    """Return body lengths [m] as keys of an object for JSON; an unknown length is None."""
    return {
        "length_at_a_m": blocking.at_a_m if blocking else None,
        "length_at_b_m": blocking.at_b_m if blocking else None,
        "declared_length_m": blocking.declared_m if blocking else None,
    }
